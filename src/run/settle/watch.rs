//! `settle watch` and `settle unit`: a still reading every so often, for days.
//!
//! Between readings nothing is open: no port, no logbook. Time is the wall's, so that after sleep
//! the reading that is due is taken at once; a clock set back does not stop it.

use crate::logbook::{Logbook, Which, beside};
use crate::ports::Clock;
use crate::posture::QuantityKey;
use crate::quantity::{Moment, Span};
use crate::run::arguments::Telling;
use crate::run::settle::session::{Ended, Session, checked, runtime, signals};
use crate::run::sitting::tell::{KeptTold, Told};
use crate::run::watch::{begin_log, told_line};
use crate::run::{Failure, sheets};
use crate::screen::Signals;
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

/// The shortest interval, right after a change.
const SHORTEST_S: f64 = 30.0;
/// After a change the next reading comes when so much of the time since has passed again: as many
/// readings in each decade of time.
const SHARE: f64 = 0.1;
/// A height that moved so much since the last reading was moved by something.
const CHANGE_MM: f64 = 2.0;
/// How long a reading may take until it is given up.
const PATIENCE_S: f64 = 120.0;
/// Longest sleep in one piece: how late a suspended computer may notice.
const NAP: Duration = Duration::from_secs(20);

/// What is watched.
pub(in crate::run) struct Watch<'a> {
    pub(in crate::run) sheet: &'a Path,
    pub(in crate::run) every_s: f64,
    pub(in crate::run) loads: &'a [String],
    pub(in crate::run) length_s: Option<f64>,
    pub(in crate::run) json: bool,
}

/// Seconds until the next reading, so many seconds after the last change.
pub(in crate::run) fn interval_s(since_change_s: f64, every_s: f64) -> f64 {
    (since_change_s * SHARE).clamp(SHORTEST_S.min(every_s), every_s)
}

/// When the last change and the last reading were, as the logbook has it.
#[derive(Debug, Clone, Copy, Default)]
struct Past {
    change: Option<Moment>,
    reading: Option<Moment>,
}

fn past(path: &Path, loads: &[String]) -> Past {
    let Ok(book) = Logbook::open_for_reading(path) else {
        return Past::default();
    };
    let names: Vec<&str> = loads.iter().map(String::as_str).collect();
    let change = book
        .changes(Which::Latest(1))
        .ok()
        .and_then(|c| c.first().map(|c| c.record.at));
    let mark = book.marks(Which::Latest(5)).ok().and_then(|m| {
        m.iter()
            .rev()
            .find(|m| m.record.kind != crate::logbook::MarkKind::Note)
            .map(|m| m.record.at)
    });
    let reading = book.kept(Which::Latest(1)).ok().and_then(|k| {
        let newest = k.into_iter().next()?;
        let same = newest.reading.loads.len() == names.len()
            && newest
                .reading
                .loads
                .iter()
                .all(|l| names.contains(&l.name.as_str()));
        same.then_some(newest.reading.at)
    });
    Past {
        change: change
            .max(mark)
            .max(book.first_with_loads(&names).ok().flatten()),
        reading,
    }
}

pub(in crate::run) fn run(watch: &Watch<'_>) -> Result<ExitCode, Failure> {
    let (sheet, text) = sheets::read_text(watch.sheet, &[])?;
    let loads = checked(&sheet, watch.sheet, watch.loads)?;
    let path = beside(watch.sheet);
    // A logbook that cannot be used is told now and not in the night.
    drop(begin_log(&path, text.clone(), Clock::real().now())?);
    let telling = Telling {
        plain: !watch.json,
        json: watch.json,
    };
    let began = Clock::real().now();
    runtime()?.block_on(async {
        let mut signals = signals()?;
        let mut known = past(&path, watch.loads);
        let mut before: Option<KeptTold> = None;
        loop {
            let now = Clock::real().now();
            // A clock set back leaves readings in the future behind.
            let last = known.reading.filter(|at| *at <= now);
            let since = known.change.map_or(0.0, |at| now.since(at).s().max(0.0));
            let due = last.map_or(now, |at| {
                at + Span::from_s(interval_s(since, watch.every_s))
            });
            if let Some(length) = watch.length_s
                && due.max(now).since(began).s() >= length
            {
                return Ok(ExitCode::SUCCESS);
            }
            if !sleep_until(due, &mut signals).await {
                return Ok(ExitCode::SUCCESS);
            }
            let clock = Clock::real();
            let log = match begin_log(&path, text.clone(), clock.now()) {
                Ok(log) => log,
                Err(e) => {
                    let at = clock.now();
                    sheets::print(&notice(at, &e.to_string(), telling, sheet.units, began))?;
                    known.reading = Some(at);
                    continue;
                }
            };
            let session = Session {
                path: watch.sheet,
                sheet: &sheet,
                loads: &loads,
                clock,
                within: Span::from_s(PATIENCE_S),
                log: Some(log),
            };
            match session.take(&mut signals).await? {
                Ended::Stopped => return Ok(ExitCode::SUCCESS),
                Ended::NotStill(why, _) => {
                    let at = Clock::real().now();
                    let words = format!("no still reading: {why}");
                    sheets::print(&notice(at, &words, telling, sheet.units, began))?;
                    known.reading = Some(at);
                }
                Ended::Kept(kept, told) => {
                    for item in &told {
                        sheets::print(&told_line(item, telling, sheet.units, began))?;
                    }
                    let at = kept.at;
                    if let Some(mm) = before.as_ref().and_then(|b| moved_mm(b, &kept)) {
                        let words = format!(
                            "a height moved by {mm:+.1} mm since the last reading: was something loaded, turned or moved? Readings come denser now"
                        );
                        sheets::print(&notice(at, &words, telling, sheet.units, began))?;
                        known.change = Some(at);
                    }
                    sheets::print(&told_line(
                        &Told::Kept(kept.clone()),
                        telling,
                        sheet.units,
                        began,
                    ))?;
                    before = Some(*kept);
                    let read = past(&path, watch.loads);
                    known = Past {
                        change: known.change.max(read.change),
                        reading: Some(at),
                    };
                }
            }
        }
    })
}

fn notice(
    at: Moment,
    words: &str,
    telling: Telling,
    units: crate::quantity::UnitSystem,
    began: Moment,
) -> String {
    let told = Told::Notice {
        at,
        grade: "warning",
        text: words.to_owned(),
    };
    told_line(&told, telling, units, began)
}

/// The height that moved most, where that is a change.
fn moved_mm(before: &KeptTold, now: &KeptTold) -> Option<f64> {
    now.quantities
        .iter()
        .filter(|q| matches!(q.key, QuantityKey::Height(_)))
        .filter_map(|q| {
            let old = before.quantities.iter().find(|o| o.key == q.key)?;
            Some((q.value - old.value) * 1e3)
        })
        .max_by(|a, b| a.abs().total_cmp(&b.abs()))
        .filter(|mm| mm.abs() >= CHANGE_MM)
}

/// Waits; false where a signal came.
async fn sleep_until(due: Moment, signals: &mut Signals) -> bool {
    let mut before = Clock::real().now();
    loop {
        let now = Clock::real().now();
        // Set back while it slept: what was due is due.
        if now >= due || now < before - Span::from_s(60.0) {
            return true;
        }
        before = now;
        let left = Duration::try_from_secs_f64(due.since(now).s()).unwrap_or(NAP);
        tokio::select! {
            _ = signals.next() => return false,
            () = tokio::time::sleep(left.min(NAP)) => {}
        }
    }
}

/// The text of a systemd user unit.
pub(in crate::run) fn unit(
    sheet: &Path,
    every_s: f64,
    loads: &[String],
) -> Result<ExitCode, Failure> {
    let (checked_sheet, _) = sheets::read_text(sheet, &[])?;
    checked(&checked_sheet, sheet, loads)?;
    let program = std::env::current_exe().map_err(|e| {
        Failure::ours(
            "settle.unit",
            format!("cannot tell where the program is: {e}"),
            "",
        )
    })?;
    let full =
        std::path::absolute(sheet).map_err(|e| crate::run::failure::file("find", sheet, &e))?;
    let mut command = format!(
        "{} settle watch {} --every {}s",
        quoted(&program.display().to_string()),
        quoted(&full.display().to_string()),
        every_s
    );
    for load in loads {
        command.push_str(" --load ");
        command.push_str(&quoted(load));
    }
    sheets::print(&format!(
        "# Save as ~/.config/systemd/user/stillheight-settle.service, then:
#   systemctl --user daemon-reload
#   systemctl --user enable --now stillheight-settle
#   loginctl enable-linger    (goes on when you log out)
#   journalctl --user -u stillheight-settle -f    (what it says)
[Unit]
Description=Keeps a still reading of '{}' every so often
StartLimitIntervalSec=0

[Service]
ExecStart={command}
WorkingDirectory={}
Restart=on-failure
RestartSec=30
Nice=10

[Install]
WantedBy=default.target
",
        checked_sheet.name.replace(['\n', '%'], " "),
        escaped(
            &full
                .parent()
                .unwrap_or(Path::new("/"))
                .display()
                .to_string()
        ),
    ))?;
    Ok(ExitCode::SUCCESS)
}

/// For systemd's own splitting into words.
///
/// Source: systemd.service(5), "Command lines", and systemd.unit(5), specifiers: `%` is doubled,
/// `$` is doubled, quotes and backslashes are escaped.
fn quoted(text: &str) -> String {
    let inner = escaped(text)
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('$', "$$");
    format!("\"{inner}\"")
}

fn escaped(text: &str) -> String {
    text.replace('%', "%%")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: a tenth of the time since the change, between half a minute and what was asked.
    #[test]
    fn readings_are_dense_after_a_change() {
        let close = |a: f64, b: f64| (a - b).abs() < 1e-12;
        assert!(close(interval_s(0.0, 600.0), 30.0));
        assert!(close(interval_s(1000.0, 600.0), 100.0));
        assert!(close(interval_s(1e6, 600.0), 600.0));
        assert!(close(interval_s(0.0, 10.0), 10.0));
    }

    #[test]
    fn words_survive_the_unit_file() {
        assert_eq!(quoted("a b"), "\"a b\"");
        assert_eq!(quoted("50 % $x \"y\""), "\"50 %% $$x \\\"y\\\"\"");
    }
}
