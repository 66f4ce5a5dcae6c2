//! Cuts the power under a logbook, many times, and counts.
//!
//! `cargo run --release --example power_cut -- 2000 150 1`: this program starts itself
//! again as a child that keeps 150 readings, under `strace`, which writes down every
//! call that changes a file (Debian's package strace; nothing is cut without it). The
//! recording is then cut 2000 times, at moments and with luck by the seed 1, and each
//! time the logbook is opened, checked and gone on with. Exit code 1 where anything is
//! lost.
//!
//! `-- record FILE 12` keeps a recording of two lives of 12 readings for the tests.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    unreachable_pub,
    dead_code,
    missing_docs,
    reason = "shares its disk with the tests, and may end at once"
)]

#[path = "../tests/cut_disk.rs"]
mod cut_disk;
#[path = "../tests/cut_judge.rs"]
mod cut_judge;

use anyhow::{Context, Result, bail};
use cut_disk::{Luck, Op, Recording};
use cut_judge::{NAME, Tally, judge, reading, sitting};
use std::collections::HashMap;
use std::io::Write;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use stillheight::logbook::{HoldingBounds, LogbookWriter, Mark, MarkKind, RawSample, Unit};
use stillheight::quantity::Moment;

fn main() -> Result<ExitCode> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let folder = std::env::temp_dir().join(format!("power-cut-{}", std::process::id()));
    match words.as_slice() {
        ["keep", path, from, to, end] => {
            keep(
                Path::new(path),
                from.parse()?,
                to.parse()?,
                *end == "finish",
            )?;
            return Ok(ExitCode::SUCCESS);
        }
        ["record", file, each] => {
            let recording = record(&folder, &[each.parse()?, each.parse()?])?;
            std::fs::write(file, recording.to_bytes())?;
            std::fs::remove_dir_all(&folder)?;
            println!(
                "{} calls, {} bytes",
                recording.ops.len(),
                std::fs::metadata(file)?.len()
            );
            return Ok(ExitCode::SUCCESS);
        }
        _ => {}
    }
    let number = |i: usize, usual: u64| words.get(i).map_or(Ok(usual), |w| w.parse::<u64>());
    let (cuts, readings, seed) = (number(0, 2_000)?, number(1, 150)?, number(2, 1)?);
    let each = i64::try_from(readings / 3)?;
    // Three lives: two that end well, one that ends without a word.
    let recording = record(&folder, &[each, each, each])?;
    let lucks = [Luck::Bad, Luck::Mixed, Luck::Good, Luck::Mixed];
    let cuts = usize::try_from(cuts)?;
    let tally = judge(&recording, cuts, &lucks, seed, &folder);
    let lied = judge(&recording, cuts / 10, &[Luck::LyingDisk], seed, &folder);
    std::fs::remove_dir_all(&folder)?;
    print(&recording, &tally, &lied);
    let seen = lied.missing > 0;
    Ok(ExitCode::from(u8::from(tally.wrong() > 0 || !seen)))
}

fn print(recording: &Recording, tally: &Tally, lied: &Tally) {
    let count = |f: &dyn Fn(&Op) -> bool| recording.ops.iter().filter(|op| f(op)).count();
    let line = |what: &str, n: u64| println!("{what:<52} {n:>10}");
    line("calls recorded", recording.ops.len() as u64);
    line(
        "  of them writes",
        count(&|op| matches!(op, Op::Write(..))) as u64,
    );
    line(
        "  of them syncs",
        count(&|op| matches!(op, Op::Sync(_) | Op::SyncFolder)) as u64,
    );
    line("cuts", tally.cuts);
    line("  of them before the first answer", tally.early);
    line("acknowledged readings looked for", tally.acknowledged);
    line("there although not acknowledged yet", tally.unanswered);
    line("acknowledged but missing", tally.missing);
    line("twice", tally.twice);
    line("damaged", tally.damaged);
    line("not opened, or not gone on with", tally.not_opened);
    line(
        "missing where the disk only says that it syncs",
        lied.missing,
    );
    for said in tally.said.iter().take(20) {
        println!("{said}");
    }
}

/// The child: keeps readings `from` to `to` and prints each one's number when it is
/// acknowledged; then ends well, or just so.
fn keep(path: &Path, from: i64, to: i64, well: bool) -> Result<()> {
    let writer = LogbookWriter::start(path, sitting(from), HoldingBounds::default())?;
    let mut out = std::io::stdout().lock();
    for n in from..to {
        writer.raw(
            (0..10)
                .map(|k| RawSample {
                    sensor: "laser rear left".into(),
                    unit: Unit::Metre,
                    at: Moment::from_unix_us(n * 10 + k),
                    value: 0.4,
                    trusted: true,
                })
                .collect(),
        );
        let answer = writer.keep(reading(n));
        if n % 7 == 0 {
            drop(writer.mark(Mark {
                at: Moment::from_unix_us(n),
                kind: MarkKind::Note,
                note: "bounced".into(),
            }));
        }
        answer.recv()??;
        writeln!(out, "{n}.")?;
        out.flush()?;
    }
    if well {
        let left = writer.finish();
        anyhow::ensure!(left.is_empty(), "{} records left", left.len());
    } else {
        std::process::exit(0);
    }
    Ok(())
}

/// Lets one life after the other keep readings in one folder, and writes down what
/// each did there. The last one ends without closing anything.
fn record(folder: &Path, lives: &[i64]) -> Result<Recording> {
    let yard = folder.join("yard");
    std::fs::create_dir_all(&yard)?;
    let mut recording = Recording::default();
    let mut from = 0;
    for (i, count) in lives.iter().enumerate() {
        let listing = folder.join("calls");
        let well = i + 1 < lives.len();
        let status = Command::new("strace")
            .args(["-f", "-xx", "-s", "100000", "-o"])
            .arg(&listing)
            .args([
                "-e",
                "trace=openat,creat,close,lseek,write,pwrite64,pwritev,writev,fsync,fdatasync,\
                 ftruncate,fallocate,unlink,unlinkat,rename,renameat,renameat2,dup,dup2,dup3",
            ])
            .arg(std::env::current_exe()?)
            .arg("keep")
            .arg(yard.join(NAME))
            .args([
                from.to_string(),
                (from + count).to_string(),
                if well { "finish" } else { "drop" }.to_owned(),
            ])
            .stdout(Stdio::null())
            .status()
            .context("strace is needed to write down what is written (package strace)")?;
        if !status.success() {
            bail!("the child ended with {status}");
        }
        read_calls(&std::fs::read_to_string(&listing)?, &yard, &mut recording)?;
        from += count;
    }
    Ok(recording)
}

/// What one open file is to us.
#[derive(Clone)]
enum Handle {
    Folder,
    File { name: String, place: u64 },
}

/// Reads strace's lines and adds what they did in `yard`.
fn read_calls(text: &str, yard: &Path, recording: &mut Recording) -> Result<()> {
    let mut begun: HashMap<&str, String> = HashMap::new();
    let mut handles: HashMap<i64, Handle> = HashMap::new();
    let mut there: Vec<String> = recording.ops.iter().fold(Vec::new(), |mut there, op| {
        match op {
            Op::Create(name) => there.push(name.clone()),
            Op::Remove(name) => there.retain(|n| n != name),
            _ => {}
        }
        there
    });
    for line in text.lines() {
        let (pid, rest) = line.split_once(' ').context("a line without a process")?;
        let rest = rest.trim_start();
        let whole = if let Some(start) = rest.strip_suffix(" <unfinished ...>") {
            begun.insert(pid, start.to_owned());
            continue;
        } else if let Some(end) = rest.strip_prefix("<... ") {
            let (_, end) = end
                .split_once("resumed>")
                .context("a call without an end")?;
            begun.remove(pid).context("an end without a call")? + end
        } else {
            rest.to_owned()
        };
        let Some((call, result)) = whole.rsplit_once(" = ") else {
            continue;
        };
        let Some(result) = result
            .split_whitespace()
            .next()
            .and_then(|r| r.parse::<i64>().ok())
        else {
            continue;
        };
        if result < 0 {
            continue;
        }
        let (name, arguments) = call
            .trim_end()
            .trim_end_matches(')')
            .split_once('(')
            .context("a call")?;
        let arguments: Vec<&str> = arguments.split(", ").collect();
        one_call(
            name,
            &arguments,
            result,
            yard,
            &mut handles,
            &mut there,
            recording,
        )?;
    }
    Ok(())
}

fn unescaped(text: &str) -> Result<Vec<u8>> {
    let inner = text.trim_matches('"');
    inner
        .split("\\x")
        .skip(1)
        .map(|digits| Ok(u8::from_str_radix(digits, 16)?))
        .collect()
}

/// The name of a path within the yard; an empty one for the yard itself.
fn within(path: &str, yard: &Path) -> Result<Option<String>> {
    let path = String::from_utf8(unescaped(path)?)?;
    let path = Path::new(&path);
    Ok(path
        .strip_prefix(yard)
        .ok()
        .map(|name| name.to_string_lossy().into_owned()))
}

fn one_call(
    call: &str,
    arguments: &[&str],
    result: i64,
    yard: &Path,
    handles: &mut HashMap<i64, Handle>,
    there: &mut Vec<String>,
    recording: &mut Recording,
) -> Result<()> {
    let argument = |i: usize| arguments.get(i).copied().context("too few arguments");
    let handle = |i: usize| -> Result<i64> { Ok(argument(i)?.parse()?) };
    match call {
        "openat" => match within(argument(1)?, yard)? {
            Some(name) if name.is_empty() => {
                handles.insert(result, Handle::Folder);
            }
            Some(name) => {
                let flags = argument(2)?;
                if !there.contains(&name) {
                    anyhow::ensure!(flags.contains("O_CREAT"), "'{name}' came from nowhere");
                    there.push(name.clone());
                    recording.ops.push(Op::Create(name.clone()));
                }
                if flags.contains("O_TRUNC") {
                    recording.ops.push(Op::Length(name.clone(), 0));
                }
                handles.insert(result, Handle::File { name, place: 0 });
            }
            None => {
                handles.remove(&result);
            }
        },
        "close" => {
            handles.remove(&handle(0)?);
        }
        "lseek" => {
            if let Some(Handle::File { place, .. }) = handles.get_mut(&handle(0)?) {
                *place = u64::try_from(result)?;
            }
        }
        "write" if handle(0)? == 1 => {
            for line in String::from_utf8(unescaped(argument(1)?)?)?.lines() {
                let said = line.strip_suffix('.').context("an answer without an end")?;
                recording.ops.push(Op::Said(said.parse()?));
            }
        }
        "write" | "pwrite64" => {
            if let Some(Handle::File { name, place }) = handles.get_mut(&handle(0)?) {
                let bytes = unescaped(argument(1)?)?;
                let bytes = bytes[..usize::try_from(result)?].to_vec();
                let at = if call == "write" {
                    *place
                } else {
                    argument(3)?.parse()?
                };
                if call == "write" {
                    *place += bytes.len() as u64;
                }
                recording.ops.push(Op::Write(name.clone(), at, bytes));
            }
        }
        "fsync" | "fdatasync" => match handles.get(&handle(0)?) {
            Some(Handle::Folder) => recording.ops.push(Op::SyncFolder),
            Some(Handle::File { name, .. }) => recording.ops.push(Op::Sync(name.clone())),
            None => {}
        },
        "ftruncate" => {
            if let Some(Handle::File { name, .. }) = handles.get(&handle(0)?) {
                recording
                    .ops
                    .push(Op::Length(name.clone(), argument(1)?.parse()?));
            }
        }
        "unlink" | "unlinkat" => {
            let path = argument(usize::from(call == "unlinkat"))?;
            if let Some(name) = within(path, yard)? {
                there.retain(|n| *n != name);
                recording.ops.push(Op::Remove(name));
            }
        }
        other => {
            // Of these none is used on these files; if that changes, it must be taught here.
            let touches = arguments
                .iter()
                .any(|a| within(a, yard).ok().flatten().is_some())
                || handle(0).is_ok_and(|fd| handles.contains_key(&fd));
            anyhow::ensure!(!touches, "'{other}' is not understood here");
        }
    }
    Ok(())
}
