//! Kills a process that keeps readings, many times, and counts.
//!
//! `cargo run --example kill_logbook -- 1000` starts this program again as a
//! child that keeps readings, marks, changes and raw samples as fast as the
//! disk takes them, kills it (SIGKILL on Unix) at a random moment, and looks
//! whether every reading whose answer the child had printed is in the file,
//! none twice, and the file passes its check. Then the next child goes on in
//! the same file; every 50 kills a new file is begun. The exit code is 1
//! where anything is wrong.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use rand::{Rng, SeedableRng};
use stillheight::logbook::{
    Change, ChangeKind, HoldingBounds, KeptBy, KeptQuantity, KeptReading, KeptState, Load, Logbook,
    LogbookWriter, Mark, MarkKind, Origin, RawSample, Sitting, Unit, Which,
};
use stillheight::quantity::Moment;

const KILLS_PER_FILE: u32 = 50;

fn main() -> Result<ExitCode> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, path, from] = arguments.as_slice()
        && word == "keep"
    {
        keep(Path::new(path), from.parse()?)?;
        return Ok(ExitCode::SUCCESS);
    }
    let kills = arguments.first().map_or(Ok(1_000), |n| n.parse())?;
    let seed = arguments.get(1).map_or(Ok(1), |n| n.parse())?;
    let folder = std::env::temp_dir().join(format!("kill-logbook-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let tally = kill_many(&folder, kills, seed)?;
    std::fs::remove_dir_all(&folder)?;
    tally.print();
    Ok(if tally.wrong() == 0 && tally.acknowledged > 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

#[derive(Debug, Default)]
struct Tally {
    kills: u32,
    before_the_first_answer: u32,
    acknowledged: u64,
    found: u64,
    unanswered_but_there: u64,
    missing: u64,
    twice: u64,
    damaged: u32,
    not_opened: u32,
    slowest_open: Duration,
}

impl Tally {
    fn wrong(&self) -> u64 {
        self.missing + self.twice + u64::from(self.damaged) + u64::from(self.not_opened)
    }

    fn print(&self) {
        println!("kills                                   {:>10}", self.kills);
        println!(
            "  of them before the first answer       {:>10}",
            self.before_the_first_answer
        );
        println!(
            "readings acknowledged                   {:>10}",
            self.acknowledged
        );
        println!("readings found                          {:>10}", self.found);
        println!(
            "  of them there at the kill, unanswered {:>10}",
            self.unanswered_but_there
        );
        println!(
            "acknowledged but missing                {:>10}",
            self.missing
        );
        println!("twice                                   {:>10}", self.twice);
        println!(
            "files that failed their check           {:>10}",
            self.damaged
        );
        println!(
            "files that did not open again           {:>10}",
            self.not_opened
        );
        println!(
            "slowest opening after a kill            {:>7} ms",
            self.slowest_open.as_millis()
        );
    }
}

fn kill_many(folder: &Path, kills: u32, seed: u64) -> Result<Tally> {
    let mut random = rand::rngs::SmallRng::seed_from_u64(seed);
    let mut tally = Tally::default();
    let mut path = PathBuf::new();
    let mut next = 0_i64;
    for kill in 0..kills {
        if kill % KILLS_PER_FILE == 0 {
            path = folder.join(format!("{}.logbook.sqlite", kill / KILLS_PER_FILE));
            next = 0;
        }
        let wait = Duration::from_micros(random.random_range(1_000..120_000));
        let before = next;
        if let Some(last) = one_life(&path, next, wait)? {
            next = last + 1;
        }
        tally.kills += 1;
        tally.before_the_first_answer += u32::from(next == before);
        tally.acknowledged += (next - before).unsigned_abs();
        let last_of_file = (kill + 1) % KILLS_PER_FILE == 0 || kill + 1 == kills;
        look(&path, next, last_of_file, &mut tally);
        if kill % 100 == 99 {
            eprintln!("{} kills, {} wrong", kill + 1, tally.wrong());
        }
    }
    Ok(tally)
}

/// Lets a child keep readings for a while; says the last one it acknowledged.
fn one_life(path: &Path, from: i64, wait: Duration) -> Result<Option<i64>> {
    let mut child = Command::new(std::env::current_exe()?)
        .arg("keep")
        .arg(path)
        .arg(from.to_string())
        .stdout(Stdio::piped())
        .spawn()?;
    let output = child.stdout.take().context("the child has no output")?;
    let reader = std::thread::spawn(move || {
        // Only whole lines: one that the kill cut short has no full stop.
        BufReader::new(output)
            .lines()
            .map_while(std::result::Result::ok)
            .filter_map(|line| line.strip_suffix('.')?.parse::<i64>().ok())
            .last()
    });
    std::thread::sleep(wait);
    child.kill()?;
    child.wait()?;
    Ok(reader.join().unwrap_or_default())
}

/// Compares the file with what was acknowledged: moments 0, 1, 2 ... below
/// `next`.
fn look(path: &Path, next: i64, count: bool, tally: &mut Tally) {
    if next == 0 && !path.exists() {
        return;
    }
    let begun = Instant::now();
    let logbook = match Logbook::open(path) {
        Ok(logbook) => logbook,
        Err(error) => {
            eprintln!("{error}");
            tally.not_opened += 1;
            return;
        }
    };
    tally.slowest_open = tally.slowest_open.max(begun.elapsed());
    if let Err(error) = logbook.check() {
        eprintln!("{error}");
        tally.damaged += 1;
    }
    let Ok(kept) = logbook.kept(Which::All) else {
        tally.damaged += 1;
        return;
    };
    let mut moments: Vec<i64> = kept.iter().map(|k| k.reading.at.unix_us()).collect();
    let all = moments.len();
    moments.dedup();
    tally.twice += (all - moments.len()) as u64;
    let there = moments.iter().filter(|m| **m < next).count() as u64;
    tally.missing += next.unsigned_abs().saturating_sub(there);
    tally.unanswered_but_there += moments.iter().filter(|m| **m >= next).count() as u64;
    if count {
        tally.found += all as u64;
    }
}

/// The child: keeps reading `from`, the next one, and so on until killed.
fn keep(path: &Path, from: i64) -> Result<()> {
    let sitting = Sitting {
        started: Moment::from_unix_us(0),
        sheet_text: "name = \"delivery van\"".into(),
        program: env!("CARGO_PKG_VERSION").into(),
    };
    let writer = LogbookWriter::start(path, sitting, HoldingBounds::default())?;
    let mut waiting = std::collections::VecDeque::new();
    let mut out = std::io::stdout().lock();
    for n in from.. {
        writer.raw((0..20).map(|k| sample(n * 20 + k)).collect());
        waiting.push_back((n, writer.keep(reading(n))));
        if n % 7 == 0 {
            drop(writer.mark(Mark {
                at: Moment::from_unix_us(n),
                kind: MarkKind::LoadOn(load()),
                note: String::new(),
            }));
            drop(writer.change(Change {
                at: Moment::from_unix_us(n),
                kind: ChangeKind::Collar {
                    coilover: "rear left".into(),
                    turns: 0.5,
                },
                note: String::new(),
            }));
        }
        if n % 31 == 0 {
            writer.thin(Moment::from_unix_us(3 * 86_400 * 1_000_000));
        }
        if waiting.len() > 4
            && let Some((n, answer)) = waiting.pop_front()
        {
            answer.recv()??;
            writeln!(out, "{n}.")?;
        }
    }
    Ok(())
}

fn sample(us: i64) -> RawSample {
    RawSample {
        sensor: "laser rear left".into(),
        unit: Unit::Metre,
        at: Moment::from_unix_us(us),
        value: 0.4,
        trusted: true,
    }
}

fn load() -> Load {
    Load {
        name: "helper".into(),
        mass_kg: 82.0,
        at_m: Some([0.4, -0.3, 0.6]),
    }
}

fn reading(n: i64) -> KeptReading {
    KeptReading {
        at: Moment::from_unix_us(n),
        still_since: None,
        case: Some("finished".into()),
        loads: vec![load()],
        by: KeptBy::Stillness,
        note: format!("reading {n}"),
        quantities: (0..8)
            .map(|k| KeptQuantity {
                name: format!("height {k}"),
                unit: Unit::Metre,
                value: 0.4 + 1e-9 * n as f64,
                standard_uncertainty: 4e-4,
                origin: Origin::Measured,
            })
            .collect(),
        state: Some(KeptState {
            coordinates: (0..7).map(|k| format!("coordinate_{k}_m")).collect(),
            values: vec![0.0; 7],
            covariance: vec![1e-8; 49],
        }),
        sensors: Vec::new(),
    }
}
