//! One port, tended by a task of its own: opened, read, written, reopened.
//!
//! In: [`LineSettings`] and bytes to send. Out: [`PortEvent`]s. A port that
//! has gone is looked for with growing pauses: an adapter by its USB identity,
//! under whatever name, anything else by its path. The old handle is dropped
//! before the new one is opened, else the system keeps the old name busy.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, watch};

use super::pace::{Beating, ReadPace};
use super::stream::Stream;
use super::{
    Clock, FoundPort, GoneWhy, PortError, PortEvent, PortEventKind, UsbIdentity, list, locate,
};
use crate::quantity::Span;

/// First pause before a port is tried again; doubled up to [`LONGEST_PAUSE`].
/// Chosen, because a plug takes longer than this to be pushed in.
const FIRST_PAUSE: Span = Span::from_us(100_000);
/// Longest pause between two attempts. Chosen, because somebody who has just
/// plugged it in again looks at the screen and waits.
const LONGEST_PAUSE: Span = Span::from_us(2_000_000);
/// No pause is really shorter than this, at whatever speed the clock runs.
const SHORTEST_REAL_PAUSE: Duration = Duration::from_millis(20);
/// How many writes may wait. Commands are few and short.
const WAITING_WRITES: usize = 32;

/// How a port is found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// By its path (also a link to it). Once open, its USB identity is
    /// learned, and it is found again under another name.
    Path(PathBuf),
    /// By its USB identity.
    Usb(UsbIdentity),
}

impl Address {
    /// How it is called before it has been found.
    fn shown(&self) -> PathBuf {
        match self {
            Self::Path(path) => path.clone(),
            Self::Usb(identity) => identity.to_string().into(),
        }
    }
}

/// How a port is opened: always 8 data bits, no parity, 1 stop bit, no flow
/// control, for ourselves alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineSettings {
    /// Where it is.
    pub address: Address,
    /// Line speed in bits a second.
    pub baud: u32,
    /// What the DTR line is set to at opening; nothing leaves it to the
    /// system. Boards with a reset on it start anew.
    pub dtr: Option<bool>,
    /// Sent at every opening, for devices that must be told to start.
    pub greeting: Vec<u8>,
}

impl LineSettings {
    /// A port by path, DTR left alone, nothing sent at opening.
    pub fn new(path: impl Into<PathBuf>, baud: u32) -> Self {
        Self {
            address: Address::Path(path.into()),
            baud,
            dtr: None,
            greeting: Vec::new(),
        }
    }
}

/// What has gone through a port since it was attached.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PortCounts {
    /// Bytes that arrived.
    pub bytes_in: u64,
    /// Bytes that were sent.
    pub bytes_out: u64,
    /// How often it was opened.
    pub openings: u64,
    /// How often an open port went away.
    pub gone: u64,
}

#[derive(Debug, Default)]
struct Shared {
    bytes_in: AtomicU64,
    bytes_out: AtomicU64,
    openings: AtomicU64,
    gone: AtomicU64,
    open: AtomicBool,
}

/// An attached port. Dropping it ends its task; [`Port::stop`] waits for that.
#[derive(Debug)]
pub struct Port {
    shown: PathBuf,
    writes: mpsc::Sender<Vec<u8>>,
    stop: watch::Sender<bool>,
    shared: Arc<Shared>,
    task: tokio::task::JoinHandle<()>,
}

impl Port {
    /// Queues bytes to be sent.
    ///
    /// # Errors
    ///
    /// [`PortError::NotOpen`] while the port is away (what is queued when it
    /// goes away is dropped: an old command must not reach a device that has
    /// just started); [`PortError::SendQueueFull`] where the far end does not
    /// take the bytes.
    pub fn write(&self, bytes: Vec<u8>) -> Result<(), PortError> {
        let path = self.shown.clone();
        if !self.is_open() {
            return Err(PortError::NotOpen { path });
        }
        self.writes.try_send(bytes).map_err(|error| match error {
            mpsc::error::TrySendError::Full(_) => PortError::SendQueueFull { path },
            mpsc::error::TrySendError::Closed(_) => PortError::NotOpen { path },
        })
    }

    /// Whether it is open now.
    pub fn is_open(&self) -> bool {
        self.shared.open.load(Relaxed)
    }

    /// What has gone through it.
    pub fn counts(&self) -> PortCounts {
        PortCounts {
            bytes_in: self.shared.bytes_in.load(Relaxed),
            bytes_out: self.shared.bytes_out.load(Relaxed),
            openings: self.shared.openings.load(Relaxed),
            gone: self.shared.gone.load(Relaxed),
        }
    }

    /// Closes the port and waits until it is closed.
    ///
    /// # Errors
    ///
    /// Where the port's task had panicked.
    pub async fn stop(self) -> Result<(), tokio::task::JoinError> {
        // Nobody listens any more where the task has ended by itself.
        let _ = self.stop.send(true);
        self.task.await
    }
}

/// Attaches a port: starts its task, which tells `events` what happens under
/// the given number. Must be called within a tokio runtime.
pub fn attach(
    number: usize,
    settings: LineSettings,
    clock: Clock,
    events: mpsc::Sender<PortEvent>,
) -> Port {
    let (writes, writes_in) = mpsc::channel(WAITING_WRITES);
    let (stop, stopped) = watch::channel(false);
    let shared = Arc::new(Shared::default());
    let shown = settings.address.shown();
    let tending = Tending {
        number,
        settings,
        clock,
        events,
        writes: writes_in,
        stopped,
        shared: Arc::clone(&shared),
        learned: None,
    };
    Port {
        shown,
        writes,
        stop,
        shared,
        task: tokio::spawn(tending.run()),
    }
}

/// Why a conversation ended.
enum End {
    /// We are to stop, or nobody listens.
    Stop,
    /// The port went away.
    Gone(GoneWhy),
}

struct Tending {
    number: usize,
    settings: LineSettings,
    clock: Clock,
    events: mpsc::Sender<PortEvent>,
    writes: mpsc::Receiver<Vec<u8>>,
    stopped: watch::Receiver<bool>,
    shared: Arc<Shared>,
    /// The identity of what was opened by path.
    learned: Option<UsbIdentity>,
}

impl Tending {
    async fn run(mut self) {
        let mut pause = FIRST_PAUSE;
        let mut refused: Option<PortError> = None;
        loop {
            match self.open().await {
                Ok((stream, path)) => {
                    refused = None;
                    let before = self.shared.bytes_in.load(Relaxed);
                    self.shared.openings.fetch_add(1, Relaxed);
                    self.shared.open.store(true, Relaxed);
                    tracing::info!(port = self.number, path = %path.display(), "port opened");
                    if !self.tell(PortEventKind::Opened { path }).await {
                        self.shared.open.store(false, Relaxed);
                        return;
                    }
                    let end = self.converse(stream).await;
                    self.shared.open.store(false, Relaxed);
                    let End::Gone(why) = end else {
                        tracing::info!(port = self.number, "port closed");
                        return;
                    };
                    tracing::warn!(port = self.number, %why, "port lost");
                    self.shared.gone.fetch_add(1, Relaxed);
                    // A port that opens and hangs up at once, over and over,
                    // must not be opened ever faster.
                    if self.shared.bytes_in.load(Relaxed) > before {
                        pause = FIRST_PAUSE;
                    }
                    if !self.tell(PortEventKind::Gone { why }).await {
                        return;
                    }
                }
                Err(error) => {
                    if refused.as_ref() != Some(&error) {
                        tracing::warn!(port = self.number, code = error.code(), %error, "port refused");
                        let kind = PortEventKind::Refused {
                            error: error.clone(),
                        };
                        if !self.tell(kind).await {
                            return;
                        }
                        refused = Some(error);
                    }
                }
            }
            if !self.rest(pause).await {
                return;
            }
            pause = longer(pause);
        }
    }

    /// Opens the port off the executor: some drivers take seconds over it.
    async fn open(&mut self) -> Result<(Stream, PathBuf), PortError> {
        let settings = self.settings.clone();
        let learned = self.learned.clone();
        let shown = settings.address.shown();
        let opened =
            tokio::task::spawn_blocking(move || open_now(&settings, learned.as_ref())).await;
        match opened {
            Ok(Ok((stream, path, identity))) => {
                if identity.is_some() {
                    self.learned = identity;
                }
                Ok((stream, path))
            }
            Ok(Err(error)) => Err(error),
            Err(join) => Err(PortError::Open {
                path: shown,
                reason: join.to_string(),
            }),
        }
    }

    /// Reads and writes until the port goes away or we are to stop.
    async fn converse(&mut self, stream: Stream) -> End {
        // What was queued for the time before is not for this device.
        while self.writes.try_recv().is_ok() {}
        let mut stream = stream;
        let mut sending = self.settings.greeting.clone();
        let mut buffer = vec![0; 4096];
        let mut pace = ReadPace::default();
        // The beat for which a line that hears much is set aside; not waited for where one
        // read did not take all.
        let mut beat: Option<Beating> = None;
        let mut more = false;
        let end = loop {
            let read = tokio::select! {
                () = told_to_stop(&mut self.stopped) => break End::Stop,
                () = next(beat.as_mut().filter(|_| !more)), if beat.is_some() => stream.read_now(&mut buffer),
                read = stream.read(&mut buffer), if beat.is_none() => read,
                written = stream.write(&sending), if !sending.is_empty() => match written {
                    Ok(count) => {
                        self.shared.bytes_out.fetch_add(count as u64, Relaxed);
                        let bytes = sending.drain(..count).collect();
                        if !self.tell(PortEventKind::Sent(bytes)).await {
                            break End::Stop;
                        }
                        continue;
                    }
                    Err(error) if is_harmless(&error) => continue,
                    Err(error) => break End::Gone(GoneWhy::Write(error.to_string())),
                },
                next = self.writes.recv(), if sending.is_empty() => match next {
                    Some(bytes) => {
                        sending = bytes;
                        continue;
                    }
                    None => break End::Stop,
                },
            };
            let now = Instant::now();
            let often = match read {
                // End of file for ever after: never "no data yet".
                Ok(0) => break End::Gone(GoneWhy::HungUp),
                Ok(count) => {
                    self.shared.bytes_in.fetch_add(count as u64, Relaxed);
                    let bytes = buffer.get(..count).unwrap_or_default().to_vec();
                    if !self.tell(PortEventKind::Bytes(bytes)).await {
                        break End::Stop;
                    }
                    more = count == buffer.len();
                    pace.read(now)
                }
                Err(error) if is_harmless(&error) => {
                    more = false;
                    pace.nothing(now)
                }
                Err(error) => break End::Gone(GoneWhy::Read(error.to_string())),
            };
            if often && beat.is_none() {
                beat = Beating::listen();
            } else if !often {
                beat = None;
            }
            stream = match beat {
                Some(_) => stream.aside(),
                None => match stream.watched() {
                    Ok(stream) => stream,
                    Err(error) => return End::Gone(GoneWhy::Read(error.to_string())),
                },
            };
        };
        stream.close();
        end
    }

    /// Tells what happened; false where nobody listens or we are to stop.
    async fn tell(&mut self, kind: PortEventKind) -> bool {
        let event = PortEvent {
            port: self.number,
            kind,
            at: self.clock.now(),
        };
        tokio::select! {
            biased;
            sent = self.events.send(event) => sent.is_ok(),
            () = told_to_stop(&mut self.stopped) => false,
        }
    }

    /// Waits; false where we are to stop meanwhile.
    async fn rest(&mut self, pause: Span) -> bool {
        let pause = self.clock.real_duration(pause).max(SHORTEST_REAL_PAUSE);
        let over = tokio::time::sleep(pause);
        tokio::pin!(over);
        loop {
            tokio::select! {
                () = &mut over => return true,
                () = told_to_stop(&mut self.stopped) => return false,
                () = self.events.closed() => return false,
                late = self.writes.recv() => if late.is_none() { return false },
            }
        }
    }
}

/// Waits for the next beat, if there is one to wait for.
async fn next(beat: Option<&mut Beating>) {
    if let Some(beat) = beat {
        beat.next().await;
    }
}

/// Waits until we are to stop, or the [`Port`] has been dropped.
async fn told_to_stop(stopped: &mut watch::Receiver<bool>) {
    let _ = stopped.wait_for(|stop| *stop).await;
}

/// Twice the pause, up to the longest.
fn longer(pause: Span) -> Span {
    Span::from_us((pause.us() * 2).min(LONGEST_PAUSE.us()))
}

/// Errors after which the same handle goes on.
fn is_harmless(error: &std::io::Error) -> bool {
    matches!(
        error.kind(),
        std::io::ErrorKind::Interrupted | std::io::ErrorKind::WouldBlock
    )
}

/// Where to open: for an adapter whose identity is known, where it is now.
fn whereabouts(
    address: &Address,
    learned: Option<&UsbIdentity>,
    ports: &[FoundPort],
) -> Result<PathBuf, PortError> {
    match (address, learned) {
        (Address::Usb(identity), _) => {
            locate(identity, ports)
                .map(Path::to_path_buf)
                .ok_or_else(|| PortError::NotPlugged {
                    identity: identity.to_string(),
                })
        }
        (Address::Path(path), None) => Ok(path.clone()),
        (Address::Path(path), Some(identity)) => {
            if let Some(found) = locate(identity, ports) {
                return Ok(found.to_path_buf());
            }
            // Another adapter may have taken the name meanwhile: not ours.
            let taken = ports
                .iter()
                .find(|port| port.path == *path)
                .and_then(|port| port.usb.as_ref());
            match taken {
                Some(_) if identity.is_telling() => Err(PortError::NotPlugged {
                    identity: identity.to_string(),
                }),
                _ => Ok(path.clone()),
            }
        }
    }
}

/// Opens, and says who it is where that can be known.
fn open_now(
    settings: &LineSettings,
    learned: Option<&UsbIdentity>,
) -> Result<(Stream, PathBuf, Option<UsbIdentity>), PortError> {
    let ports = list();
    let path = whereabouts(&settings.address, learned, &ports)?;
    // A link (as made by rules for device names) leads to the node.
    let node = std::fs::canonicalize(&path).unwrap_or_else(|_| path.clone());
    let mut builder = serialport::new(node.to_string_lossy(), settings.baud)
        .data_bits(serialport::DataBits::Eight)
        .parity(serialport::Parity::None)
        .stop_bits(serialport::StopBits::One)
        .flow_control(serialport::FlowControl::None);
    if let Some(dtr) = settings.dtr {
        builder = builder.dtr_on_open(dtr);
    }
    let stream = Stream::open(&builder)
        .map_err(|error| PortError::from_open(&path, settings.baud, &error))?;
    let identity = ports
        .into_iter()
        .find(|port| port.path == node)
        .and_then(|port| port.usb)
        .filter(UsbIdentity::is_telling);
    Ok((stream, path, identity))
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        reason = "a test that cannot go on says so by stopping"
    )]
    use super::*;

    fn adapter(serial: &str) -> UsbIdentity {
        UsbIdentity {
            vendor: 0x1209,
            product: 1,
            serial: Some(serial.into()),
            socket: None,
        }
    }

    fn at(path: &str, serial: &str) -> FoundPort {
        FoundPort {
            path: path.into(),
            usb: Some(adapter(serial)),
            product_name: None,
        }
    }

    #[test]
    fn an_adapter_that_came_back_under_another_name_is_found() {
        let address = Address::Path("/dev/ttyUSB0".into());
        let ports = [at("/dev/ttyUSB0", "B"), at("/dev/ttyUSB1", "A")];
        assert_eq!(
            whereabouts(&address, Some(&adapter("A")), &ports),
            Ok("/dev/ttyUSB1".into())
        );
        assert_eq!(
            whereabouts(&address, None, &ports),
            Ok("/dev/ttyUSB0".into())
        );
    }

    #[test]
    fn another_adapter_under_the_old_name_is_not_taken_for_it() {
        let address = Address::Path("/dev/ttyUSB0".into());
        let ports = [at("/dev/ttyUSB0", "B")];
        let error = whereabouts(&address, Some(&adapter("A")), &ports).unwrap_err();
        assert_eq!(error.code(), "ports.open.not_plugged");
        // Nothing has the name: the path is tried and says what is wrong.
        assert_eq!(
            whereabouts(&address, Some(&adapter("A")), &[]),
            Ok("/dev/ttyUSB0".into())
        );
    }

    #[test]
    fn an_identity_that_is_not_there_is_not_plugged() {
        let error = whereabouts(&Address::Usb(adapter("A")), None, &[]).unwrap_err();
        assert_eq!(
            error.to_string(),
            "no adapter '1209:0001 serial A' is plugged in"
        );
    }

    #[test]
    fn pauses_grow_to_a_bound() {
        let mut pause = FIRST_PAUSE;
        for _ in 0..80 {
            pause = longer(pause);
        }
        assert_eq!(pause, LONGEST_PAUSE);
    }
}
