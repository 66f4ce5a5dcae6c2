//! Open ports, listened to in turn: for commands that listen and ask without a
//! screen.
//!
//! In: ports to open, bytes to send. Out: what happens on them, one event at a
//! time, with a limit to the waiting; whether somebody asked to stop.

use crate::ports::{Address, Clock, LineSettings, Port, PortEvent, attach};
use crate::quantity::Moment;
use crate::run::Failure;
use crate::screen::Signals;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// Open ports.
#[derive(Debug)]
pub(in crate::run) struct Ear {
    ports: Vec<Option<Port>>,
    events: mpsc::Receiver<PortEvent>,
    sender: mpsc::Sender<PortEvent>,
    clock: Clock,
    stopped: Arc<AtomicBool>,
    // Last, so that ports end before it.
    runtime: tokio::runtime::Runtime,
}

impl Ear {
    pub(in crate::run) fn new() -> Result<Self, Failure> {
        Self::by(Clock::real())
    }

    /// The same by a clock of its own, for the rehearsal.
    pub(in crate::run) fn by(clock: Clock) -> Result<Self, Failure> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .map_err(|e| Failure::ours("sensors.runtime", format!("cannot start: {e}"), ""))?;
        let (sender, events) = mpsc::channel(1024);
        let stopped = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&stopped);
        runtime.spawn(async move {
            if let Ok(mut signals) = Signals::new() {
                signals.next().await;
                flag.store(true, Relaxed);
            }
        });
        Ok(Self {
            ports: Vec::new(),
            events,
            sender,
            clock,
            stopped,
            runtime,
        })
    }

    /// Opens a port; gives its number.
    pub(in crate::run) fn open(&mut self, settings: LineSettings) -> usize {
        let number = self.ports.len();
        let _inside = self.runtime.enter();
        let port = attach(number, settings, self.clock, self.sender.clone());
        self.ports.push(Some(port));
        number
    }

    /// Closes a port and waits until it is closed.
    pub(in crate::run) fn close(&mut self, number: usize) {
        if let Some(port) = self.ports.get_mut(number).and_then(Option::take) {
            // Were its task to have panicked, its hook has told so.
            let ended = async { tokio::time::timeout(Duration::from_secs(1), port.stop()).await };
            let _ = self.runtime.block_on(ended);
        }
    }

    /// Sends bytes; a port that is away takes none.
    pub(in crate::run) fn write(&self, number: usize, bytes: Vec<u8>) {
        if let Some(Some(port)) = self.ports.get(number) {
            let _ = port.write(bytes);
        }
    }

    /// The next event, if one comes before `until`.
    pub(in crate::run) fn next(&mut self, until: Instant) -> Option<PortEvent> {
        let events = &mut self.events;
        self.runtime.block_on(async {
            tokio::time::timeout_at(until.into(), events.recv())
                .await
                .ok()
                .flatten()
        })
    }

    /// The moment that is now.
    pub(in crate::run) fn now(&self) -> Moment {
        self.clock.now()
    }

    /// Whether somebody asked to stop.
    pub(in crate::run) fn is_stopped(&self) -> bool {
        self.stopped.load(Relaxed)
    }

    /// Closes everything.
    pub(in crate::run) fn shut(mut self) {
        for number in 0..self.ports.len() {
            self.close(number);
        }
        self.runtime.shutdown_timeout(Duration::from_millis(500));
    }
}

/// How a port is called before it has been opened.
pub(in crate::run) fn address_words(settings: &LineSettings) -> String {
    match &settings.address {
        Address::Path(path) => path.to_string_lossy().into_owned(),
        Address::Usb(identity) => identity.to_string(),
    }
}
