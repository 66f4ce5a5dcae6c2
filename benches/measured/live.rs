//! Sixteen sensors at 200 samples a second through pseudo-terminals, against `cat` of the
//! same; and what watching costs while next to nothing happens.
//!
//! Byte to posture is measured through the stages of the library in the order and with the
//! pauses of the program's own loop; byte to screen on the program itself, from outside: a
//! sensor reports a fault with a number of its own, and the time counts until that number
//! stands on the terminal.

use super::process::{FarEnd, Folder, OnScreen, peak_mb, processor_s, sheet_text};
use super::{Asked, clock, table, wire};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use stillheight::drivers::{Driver as _, Heard, Wire};
use stillheight::ports::{Clock, LineSettings, LookPace, PortEvent, PortEventKind, attach};
use stillheight::posture::{Estimator, Observation, Prior};
use stillheight::readings::Bench;
use stillheight::statics::Model;
use stillheight_protocol::{Fault, FaultCode, Message, Quantity, Sample, Status, Unit};

const SENSORS: usize = 16;
const RATE: u64 = 200;
/// The vehicle goes up and down by so much, micrometres: it is never still.
const SWING_UM: f64 = 10_000.0;

/// What the simulated sensors did.
struct Sent {
    samples: u64,
    refused: u64,
    /// When each fault was sent, by its number.
    faults: Vec<(u32, Instant)>,
}

/// Sensors that send on their lines, evenly spread, until told to stop.
struct Sensors {
    stop: Arc<AtomicBool>,
    thread: std::thread::JoinHandle<Sent>,
}

impl Sensors {
    /// `faults`: one in so many milliseconds.
    fn start(
        mut lines: Vec<FarEnd>,
        rate: u64,
        began: Instant,
        faults: Option<u64>,
        swing_um: f64,
    ) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let shared_faults: Arc<Mutex<Vec<(u32, Instant)>>> = Arc::default();
        let thread = std::thread::spawn(move || {
            for (i, line) in lines.iter_mut().enumerate() {
                line.send(&identity(i as u64 + 1, rate));
            }
            let from = Instant::now();
            let step = Duration::from_nanos(1_000_000_000 / (rate * lines.len() as u64));
            let mut n = 0_u64;
            let mut last_fault = Instant::now();
            let mut next_pause = 0;
            while !told.load(SeqCst) {
                let due = from + step * u32::try_from(n).unwrap();
                if let Some(wait) = due.checked_duration_since(Instant::now()) {
                    std::thread::sleep(wait);
                }
                let line = n as usize % lines.len();
                let turn = n / lines.len() as u64;
                // Up and down in 4 s.
                let phase = turn as f64 / rate as f64 / 4.0 * std::f64::consts::TAU;
                let value = 330_000.0 + swing_um * phase.sin() + (n * 7919 % 301) as f64;
                lines[line].send(&Message::Sample(Sample {
                    channel: 0,
                    sequence: turn as u32,
                    time_us: began.elapsed().as_micros() as u64,
                    value: value as i32,
                    status: Status(0),
                    temperature_centidegrees: Some(2150),
                }));
                n += 1;
                // Who asked is told again.
                if lines[line].take() > 0 {
                    lines[line].send(&identity(line as u64 + 1, rate));
                }
                if let Some(every) = faults
                    && last_fault.elapsed() > Duration::from_millis(every + next_pause)
                    && from.elapsed() > Duration::from_secs(2)
                {
                    last_fault = Instant::now();
                    next_pause = n * 7919 % 97;
                    let mut all = shared_faults.lock().unwrap();
                    let number = 100_000 + all.len() as u32;
                    all.push((number, last_fault));
                    lines[line].send(&Message::Fault(Fault {
                        channel: 0,
                        code: FaultCode(1),
                        detail: number,
                        time_us: 0,
                    }));
                }
            }
            // What was sent is read before the line is gone.
            std::thread::sleep(Duration::from_millis(100));
            Sent {
                samples: n,
                refused: lines.iter().map(|l| l.refused).sum(),
                faults: shared_faults.lock().unwrap().clone(),
            }
        });
        Self { stop, thread }
    }

    fn stop(self) -> Sent {
        self.stop.store(true, SeqCst);
        self.thread.join().unwrap()
    }
}

fn identity(device: u64, rate: u64) -> Message {
    let Message::Identity(mut said) = wire::identity(device) else {
        panic!("an identity is an identity")
    };
    said.quantity = Quantity::DISTANCE;
    said.unit = Unit::MICROMETRE;
    said.resolution = 10;
    said.range_min = 0;
    said.range_max = 5_000_000;
    said.rate_millihertz = rate as u32 * 1000;
    said.fastest_millihertz = said.rate_millihertz;
    Message::Identity(said)
}

fn ends(count: usize) -> (Vec<FarEnd>, Vec<std::path::PathBuf>) {
    let lines: Vec<FarEnd> = (0..count).map(|_| FarEnd::new()).collect();
    let paths = lines.iter().map(|l| l.path.clone()).collect();
    (lines, paths)
}

fn text(paths: &[std::path::PathBuf]) -> String {
    sheet_text(
        &paths
            .iter()
            .map(std::path::PathBuf::as_path)
            .collect::<Vec<_>>(),
    )
}

/// `cat` of the same lines to files: processor, share of a core.
fn cat(seconds: u64) -> f64 {
    let folder = Folder::new("cat");
    let (lines, paths) = ends(SENSORS);
    let sensors = Sensors::start(lines, RATE, Instant::now(), None, SWING_UM);
    let mut cats: Vec<_> = paths
        .iter()
        .enumerate()
        .map(|(i, path)| {
            let to = std::fs::File::create(folder.0.join(i.to_string())).unwrap();
            Command::new("cat")
                .arg(path)
                .stdout(Stdio::from(to))
                .spawn()
                .unwrap()
        })
        .collect();
    std::thread::sleep(Duration::from_secs(1));
    let taken =
        |cats: &[std::process::Child]| cats.iter().map(|c| processor_s(c.id())).sum::<f64>();
    let (before, begun) = (taken(&cats), Instant::now());
    std::thread::sleep(Duration::from_secs(seconds));
    let share = (taken(&cats) - before) / begun.elapsed().as_secs_f64();
    for cat in &mut cats {
        let _ = cat.kill();
        let _ = cat.wait();
    }
    sensors.stop();
    share
}

/// The stages from byte to posture; latencies of all samples, sorted, and how many were lost.
fn stages(seconds: u64) -> (Vec<f64>, u64) {
    let (lines, paths) = ends(SENSORS);
    let sheet = stillheight::sheet::parse(&text(&paths), "live.toml")
        .unwrap()
        .sheet;
    let began = Instant::now();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let clock = Clock::real();
        let (events_in, mut events) = tokio::sync::mpsc::channel(1024);
        let ports: Vec<_> = paths
            .iter()
            .enumerate()
            .map(|(i, path)| attach(i, LineSettings::new(path, 115_200), clock, events_in.clone()))
            .collect();
        tokio::time::sleep(Duration::from_millis(300)).await;
        let sensors = Sensors::start(lines, RATE, began, None, SWING_UM);
        let mut drivers: Vec<Wire> = (0..SENSORS).map(|_| Wire::new()).collect();
        let numbers: Vec<Option<usize>> = (0..SENSORS).map(Some).collect();
        let mut bench = Bench::new(&sheet.sensors, &numbers);
        let model = Model::new(&sheet, &[]);
        let prior = Prior::new(&sheet, &model).unwrap();
        let mut estimator = Estimator::new();
        let mut posture = estimator.estimate(&sheet, &model, &prior, &[], None);
        let (mut heard, mut readings, mut seen) = (Vec::new(), Vec::new(), Vec::new());
        let mut waiting: Vec<u64> = Vec::new();
        let mut latencies = Vec::new();
        let mut pace = LookPace::default();
        let until = Instant::now() + Duration::from_secs(seconds);
        while Instant::now() < until {
            let mut hear = |event: PortEvent| {
                if let PortEventKind::Bytes(bytes) = &event.kind {
                    drivers[event.port].feed(bytes, event.at, &mut heard);
                    for item in heard.drain(..) {
                        if let Heard::Sample(s) = &item {
                            waiting.extend(s.device_time_us);
                        }
                        bench.hear(event.port, &item);
                    }
                }
            };
            // What comes while the others of its beat are waited for is taken with them.
            tokio::select! {
                biased;
                Some(event) = events.recv(), if pace.due().is_none() => {
                    hear(event);
                    pace.heard(Instant::now());
                    if !pace.gather() {
                        continue;
                    }
                }
                () = tokio::time::sleep_until(pace.due().unwrap_or(until).into()), if pace.due().is_some() => {}
            }
            while let Ok(event) = events.try_recv() {
                hear(event);
            }
            pace.looked(Instant::now());
            bench.read(clock.now(), &mut readings);
            seen.clear();
            let live = readings.iter().filter(|r| r.is_live() && r.value.is_finite());
            seen.extend(live.map(|r| Observation {
                sensor: r.sensor,
                value: r.value,
                uncertainty: r.uncertainty(),
            }));
            estimator.update(&sheet, &model, &prior, &seen, &mut posture);
            let now = began.elapsed().as_micros() as u64;
            latencies.extend(waiting.drain(..).map(|sent| now.saturating_sub(sent) as f64 * 1e-6));
        }
        let sent = sensors.stop();
        // What is still on its way.
        while let Ok(Some(event)) = tokio::time::timeout(Duration::from_secs(1), events.recv()).await {
            if let PortEventKind::Bytes(bytes) = &event.kind {
                drivers[event.port].feed(bytes, event.at, &mut heard);
            }
        }
        for port in ports {
            let _ = tokio::time::timeout(Duration::from_secs(1), port.stop()).await;
        }
        let good: u64 = drivers.iter().map(|d| d.counts().samples).sum();
        latencies.sort_unstable_by(f64::total_cmp);
        (latencies, sent.refused + sent.samples.saturating_sub(good))
    })
}

/// The program on its screen: processor share, frames a second, byte to screen, memory, refused.
struct OnItsScreen {
    share: f64,
    frames: f64,
    latencies: Vec<f64>,
    missed: usize,
    mb: f64,
    refused: u64,
}

fn on_screen(
    sensors: usize,
    rate: u64,
    seconds: u64,
    faults: Option<u64>,
    swing_um: f64,
) -> OnItsScreen {
    let folder = Folder::new("live");
    let (lines, paths) = ends(sensors);
    let sheet = folder.0.join("live.toml");
    std::fs::write(&sheet, text(&paths)).unwrap();
    let pieces = Arc::new(AtomicU64::new(0));
    let shown: Arc<Mutex<Vec<(u32, Instant)>>> = Arc::default();
    let (count, to) = (Arc::clone(&pieces), Arc::clone(&shown));
    let screen = OnScreen::start(&["watch", sheet.to_str().unwrap()], move |screen| {
        count.fetch_add(1, SeqCst);
        let now = Instant::now();
        let contents = screen.contents();
        let mut shown = to.lock().unwrap();
        let next = shown.last().map_or(100_000, |(n, _)| n + 1);
        // A fault may be overtaken by the next one.
        for number in next..next + 3 {
            if contents.contains(&number.to_string()) {
                shown.push((number, now));
            }
        }
    });
    let generator = Sensors::start(lines, rate, Instant::now(), faults, swing_um);
    // What stands still is known to do so after some seconds, and only then is it idle.
    std::thread::sleep(Duration::from_secs(if swing_um > 0.0 { 3 } else { 10 }));
    let (before, begun, pieces_before) = (
        processor_s(screen.pid()),
        Instant::now(),
        pieces.load(SeqCst),
    );
    std::thread::sleep(Duration::from_secs(seconds));
    let s = begun.elapsed().as_secs_f64();
    let share = (processor_s(screen.pid()) - before) / s;
    let frames = (pieces.load(SeqCst) - pieces_before) as f64 / s;
    let mb = peak_mb(screen.pid());
    let sent = generator.stop();
    std::thread::sleep(Duration::from_millis(300));
    screen.quit();
    let shown = shown.lock().unwrap();
    let mut latencies: Vec<f64> = sent
        .faults
        .iter()
        .filter_map(|(number, at)| {
            let (_, seen) = shown.iter().find(|(n, _)| n == number)?;
            Some(seen.checked_duration_since(*at)?.as_secs_f64())
        })
        .collect();
    latencies.sort_unstable_by(f64::total_cmp);
    OnItsScreen {
        share,
        frames,
        missed: sent.faults.len() - latencies.len(),
        latencies,
        mb,
        refused: sent.refused,
    }
}

pub fn row(asked: &Asked) {
    let what = format!(
        "live: {SENSORS} sensors x {RATE}/s, {} s through pseudo-terminals",
        asked.seconds
    );
    let floor = cat(asked.seconds.min(20));
    let (to_posture, lost) = stages(asked.seconds);
    let p = clock::quantile(&to_posture, 0.99);
    table::row(
        &format!("{what}: byte to posture"),
        &format!(
            "p50 {}, p99 {}, worst {}; {} samples, {lost} lost",
            table::time(clock::quantile(&to_posture, 0.5)),
            table::time(p),
            table::time(clock::quantile(&to_posture, 1.0)),
            to_posture.len()
        ),
        "p99 < 5 ms, nothing lost",
        p < 5e-3 && lost == 0,
    );
    let live = on_screen(SENSORS, RATE, asked.seconds, Some(400), SWING_UM);
    let p = clock::quantile(&live.latencies, 0.99);
    table::row(
        &format!("{what}: byte to screen"),
        &format!(
            "p50 {}, p99 {}, worst {} of {}; {} not seen; {} frames refused by a full line",
            table::time(clock::quantile(&live.latencies, 0.5)),
            table::time(p),
            table::time(clock::quantile(&live.latencies, 1.0)),
            live.latencies.len(),
            live.missed,
            live.refused
        ),
        "p99 < 50 ms, nothing lost",
        p < 50e-3 && live.refused == 0 && live.missed == 0,
    );
    table::row(
        &format!("{what}: processor and memory"),
        &format!(
            "{:.1} % of a core at {:.0} pieces of output a second, {:.0} MB at most; cat {:.1} %",
            100.0 * live.share,
            live.frames,
            live.mb,
            100.0 * floor
        ),
        "< 5 %, < 40 MB",
        live.share < 0.05 && live.mb < 40.0,
    );
}

pub fn idle(asked: &Asked) {
    let live = on_screen(4, 10, asked.seconds, None, 0.0);
    table::row(
        "idle watch: 4 sensors at 10/s, nothing moves, on the screen",
        &format!(
            "{:.2} % of a core, {:.0} pieces of output a second",
            100.0 * live.share,
            live.frames
        ),
        "< 0.5 %",
        live.share < 0.005,
    );
}
