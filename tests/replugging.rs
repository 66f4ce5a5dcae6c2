//! Plugs pulled and put back, on real pseudo-terminals, through the code that
//! tends real adapters.
//!
//! Four lines behind links, as rules for device names make them. At moments of
//! chance one line or two at once are pulled, in the middle of what they send, and
//! come back under another name. What arrives on a line must be the beginning of
//! what was sent into that very plug, byte for byte.

use rand::{Rng, SeedableRng, rngs::SmallRng};
use std::os::fd::{AsFd as _, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::Duration;
use stillheight::ports::{Clock, LineSettings, Port, PortEvent, PortEventKind, attach};
use tokio::sync::mpsc;

const LINES: usize = 4;
/// Far more than anything here takes.
const PATIENCE: Duration = Duration::from_mins(1);

/// The far end of a pseudo-terminal, raw, and all that was sent into it.
struct FarEnd {
    controller: OwnedFd,
    near: PathBuf,
    sent: Vec<u8>,
}

impl FarEnd {
    fn new() -> Self {
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        let controller = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&controller).unwrap();
        unlockpt(&controller).unwrap();
        let name = ptsname(&controller, Vec::new()).unwrap();
        let mut settings = rustix::termios::tcgetattr(&controller).unwrap();
        settings.make_raw();
        let now = rustix::termios::OptionalActions::Now;
        rustix::termios::tcsetattr(&controller, now, &settings).unwrap();
        Self {
            controller,
            near: PathBuf::from(name.into_string().unwrap()),
            sent: Vec::new(),
        }
    }

    fn send(&mut self, bytes: &[u8]) {
        let count = rustix::io::write(self.controller.as_fd(), bytes).unwrap();
        self.sent.extend(&bytes[..count]);
    }
}

/// One line: its link, the plug in it, the port that tends it.
struct Line {
    link: PathBuf,
    far: FarEnd,
    port: Port,
    events: mpsc::Receiver<PortEvent>,
    /// What arrived since it was opened.
    got: Vec<u8>,
}

/// What came of it.
#[derive(Debug, Default, Clone, Copy)]
pub struct Tally {
    /// Plugs pulled and put back.
    pub cycles: u64,
    /// Of them two at once.
    pub in_pairs: u64,
    /// Of them back under another name.
    pub other_names: u64,
    /// Bytes that arrived, all as they were sent.
    pub bytes: u64,
    /// Bytes that were under way in a plug when it was pulled.
    pub cut: u64,
}

impl Line {
    async fn next(&mut self) -> PortEventKind {
        tokio::time::timeout(PATIENCE, self.events.recv())
            .await
            .expect("something happens on the line")
            .expect("the port's task runs")
            .kind
    }

    /// Takes what has arrived, without waiting.
    fn drain(&mut self) {
        while let Ok(event) = self.events.try_recv() {
            match event.kind {
                PortEventKind::Bytes(bytes) => self.got.extend(bytes),
                other => panic!("a line that nobody touched: {other:?}"),
            }
        }
    }

    async fn opened(&mut self) {
        loop {
            match self.next().await {
                PortEventKind::Opened { .. } => return,
                PortEventKind::Refused { .. } => {}
                other => panic!("opening expected, not {other:?}"),
            }
        }
    }

    async fn gone(&mut self) {
        loop {
            match self.next().await {
                PortEventKind::Bytes(bytes) => self.got.extend(bytes),
                PortEventKind::Gone { .. } => return,
                other => panic!("an end expected, not {other:?}"),
            }
        }
    }

    /// Everything that was sent has arrived.
    async fn caught_up(&mut self) {
        while self.got.len() < self.far.sent.len() {
            match self.next().await {
                PortEventKind::Bytes(bytes) => self.got.extend(bytes),
                other => panic!("bytes expected, not {other:?}"),
            }
        }
        assert_eq!(self.got, self.far.sent, "every byte in its order");
    }
}

fn link(far: &FarEnd, at: &Path) {
    std::os::unix::fs::symlink(&far.near, at).unwrap();
}

/// Pulls plugs so many times.
pub fn cycles(count: u64, seed: u64) -> Tally {
    let folder = std::env::temp_dir().join(format!(
        "stillheight-replugging-{}-{seed}",
        std::process::id()
    ));
    std::fs::create_dir_all(&folder).unwrap();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    let tally = runtime.block_on(pull(count, seed, &folder));
    std::fs::remove_dir_all(&folder).unwrap();
    tally
}

async fn pull(count: u64, seed: u64, folder: &Path) -> Tally {
    let mut random = SmallRng::seed_from_u64(seed);
    let mut tally = Tally::default();
    let mut lines = Vec::new();
    for i in 0..LINES {
        let (sender, events) = mpsc::channel(256);
        let at = folder.join(format!("line-{i}"));
        let far = FarEnd::new();
        link(&far, &at);
        // A hundred times as fast, so that pauses are short.
        let settings = LineSettings::new(&at, 115_200);
        let port = attach(i, settings, Clock::scaled(100.0), sender);
        let mut line = Line {
            link: at,
            far,
            port,
            events,
            got: Vec::new(),
        };
        line.opened().await;
        lines.push(line);
    }
    let mut serial = 0_u64;
    while tally.cycles < count {
        for (i, line) in lines.iter_mut().enumerate() {
            for _ in 0..random.random_range(1..8) {
                serial += 1;
                line.far
                    .send(format!("line {i} says {serial}\r\n").as_bytes());
            }
        }
        if random.random_range(0..3) == 0 {
            tokio::time::sleep(Duration::from_micros(random.random_range(0..2_000))).await;
        }
        let first = random.random_range(0..LINES);
        let mut pulled = vec![first];
        if random.random_range(0..4) == 0 && tally.cycles + 1 < count {
            pulled.push((first + random.random_range(1..LINES)) % LINES);
            tally.in_pairs += 2;
        }
        // Out, all at once, in the middle of a line.
        let mut kept_busy = Vec::new();
        let mut names = Vec::new();
        for &i in &pulled {
            let line = &mut lines[i];
            line.far.send(format!("line {i} sa").as_bytes());
            std::fs::remove_file(&line.link).unwrap();
            // Somebody else takes the number that becomes free, or nobody does.
            if random.random_range(0..4) > 0 {
                kept_busy.push(FarEnd::new());
            }
            names.push(line.far.near.clone());
            let old = std::mem::replace(&mut line.far, FarEnd::new());
            let sent = old.sent.clone();
            drop(old);
            line.gone().await;
            assert!(
                sent.starts_with(&line.got),
                "what arrived on line {i} is not what was sent into it"
            );
            tally.bytes += line.got.len() as u64;
            tally.cut += (sent.len() - line.got.len()) as u64;
        }
        // In again, in any order.
        if pulled.len() > 1 && random.random() {
            pulled.reverse();
            names.reverse();
        }
        for (&i, name) in pulled.iter().zip(&names) {
            let line = &mut lines[i];
            line.got.clear();
            tally.other_names += u64::from(line.far.near != *name);
            link(&line.far, &line.link);
        }
        for &i in &pulled {
            let line = &mut lines[i];
            line.opened().await;
            line.far.send(format!("line {i} is back\r\n").as_bytes());
            line.caught_up().await;
            tally.cycles += 1;
        }
        drop(kept_busy);
        for line in &mut lines {
            line.drain();
            assert!(line.far.sent.starts_with(&line.got));
        }
    }
    for line in &mut lines {
        line.caught_up().await;
        tally.bytes += line.got.len() as u64;
    }
    let openings: u64 = lines.iter().map(|l| l.port.counts().openings).sum();
    let gone: u64 = lines.iter().map(|l| l.port.counts().gone).sum();
    assert_eq!(
        (openings, gone),
        (tally.cycles + LINES as u64, tally.cycles)
    );
    for line in lines {
        line.port.stop().await.unwrap();
    }
    tally
}
