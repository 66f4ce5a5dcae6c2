//! `stillheight` alone: what it is, and what to do next in this folder.
//!
//! In: the folder. Out: ten lines. Refused: nothing; a sheet with mistakes is a
//! step of its own.

use crate::logbook::{Logbook, Which, beside};
use crate::readings::neighbour::{Neighbour, neighbour_path};
use crate::run::{Failure, sheets};
use crate::sheet::{BuildSheet, parse, text_of};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Larger files are no sheets that anybody typed.
const MOST_BYTES: usize = 1 << 20;
/// Sheets named at most.
const MOST_NAMED: usize = 4;

const WHAT: &str = "\
stillheight: will a vehicle on a suspension of your own sit level and at height?
It works out targets from a build sheet, reads inclinometers and distance
modules over USB serial while somebody climbs in, and says what to turn.
";

/// A sheet in the folder.
struct There {
    name: String,
    /// None where it has mistakes.
    sheet: Option<BuildSheet>,
}

pub(super) fn run() -> Result<ExitCode, Failure> {
    let folder = std::env::current_dir()
        .map_err(|e| crate::run::failure::file("look into", Path::new("."), &e))?;
    sheets::print(&text(&folder))?;
    Ok(ExitCode::SUCCESS)
}

/// What is said in a folder.
fn text(folder: &Path) -> String {
    let there = sheets_in(folder);
    let (here, next) = match there.as_slice() {
        [] => nothing(),
        [one] => of_one(folder, one),
        many => {
            let names: Vec<&str> = many
                .iter()
                .take(MOST_NAMED)
                .map(|t| t.name.as_str())
                .collect();
            let more = if many.len() > MOST_NAMED { ", ..." } else { "" };
            let (_, next) = of_one(folder, &many[0]);
            (
                format!(
                    "{} build sheets: {}{more}; of the newest:",
                    many.len(),
                    names.join(", ")
                ),
                next,
            )
        }
    };
    let mut text = format!("{WHAT}\nhere  {here}\n");
    for (word, (what, command)) in ["next", "then", "or"].iter().zip(&next) {
        let _ = writeln!(text, "{word:<4}  {what:<32}  {command}");
    }
    text.push_str(
        "\nWithout any hardware: stillheight rehearse   Every command: stillheight --help\n",
    );
    text
}

type Steps = [(&'static str, String); 3];

fn nothing() -> (String, Steps) {
    (
        "no build sheet in this folder yet".to_owned(),
        [
            (
                "a sheet from a few questions",
                "stillheight sheet new van.toml --ask".to_owned(),
            ),
            (
                "look what it comes to",
                "stillheight targets van.toml".to_owned(),
            ),
            (
                "a commented sheet to type over",
                "stillheight sheet new van.toml".to_owned(),
            ),
        ],
    )
}

/// Newest first: TOML files that are build sheets, or would be without mistakes.
fn sheets_in(folder: &Path) -> Vec<There> {
    let mut files: Vec<(std::time::SystemTime, PathBuf)> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|p| {
            p.extension()
                .is_some_and(|e| e.eq_ignore_ascii_case("toml"))
        })
        .filter_map(|p| {
            let about = std::fs::metadata(&p).ok()?;
            (about.is_file() && about.len() <= MOST_BYTES as u64)
                .then(|| Some((about.modified().ok()?, p)))
                .flatten()
        })
        .collect();
    files.sort_by(|a, b| b.cmp(a));
    files
        .into_iter()
        .filter_map(|(_, path)| {
            let text = text_of(&path, MOST_BYTES).ok()?;
            let name = path.file_name()?.to_string_lossy().into_owned();
            let sheet = parse(&text, &name).ok().map(|c| c.sheet);
            let meant = || {
                let table = text.parse::<toml::Table>();
                table.is_ok_and(|t| t.contains_key("frame") && t.contains_key("weight"))
            };
            (sheet.is_some() || meant()).then_some(There { name, sheet })
        })
        .collect()
}

fn of_one(folder: &Path, there: &There) -> (String, Steps) {
    // A name with blanks must survive a shell.
    let name = if there
        .name
        .contains(|c: char| !(c.is_alphanumeric() || "._-".contains(c)))
    {
        format!("'{}'", there.name.replace('\'', "'\\''"))
    } else {
        there.name.clone()
    };
    let do_it = |command: &str| format!("stillheight {}", command.replace("SHEET", &name));
    let Some(sheet) = &there.sheet else {
        return (
            format!("{name}, a build sheet with mistakes"),
            [
                (
                    "see every mistake with its place",
                    do_it("sheet check SHEET"),
                ),
                ("look what it comes to", do_it("targets SHEET")),
                (
                    "a sheet that works, to compare",
                    "stillheight sheet new example.toml".to_owned(),
                ),
            ],
        );
    };
    let path = folder.join(&there.name);
    let kept = kept(&path);
    let of = format!("{name}, \"{}\"", one_line(&sheet.name));
    let read = match kept {
        0 => "nothing read".to_owned(),
        n => format!("{n} kept readings"),
    };
    if sheet.sensors.is_empty() {
        return (
            format!("{of}, no sensors, {read}"),
            [
                ("see what is plugged in", "stillheight sensors".to_owned()),
                (
                    "the lines for the sheet",
                    "stillheight sensors try PORT".to_owned(),
                ),
                ("targets from the sheet alone", do_it("targets SHEET")),
            ],
        );
    }
    let zeroed = zeroed(&path, sheet);
    let all = sheet.sensors.len();
    if zeroed < all {
        return (
            format!("{of}, {all} sensors, {zeroed} zeroed, {read}"),
            [
                ("say which sensor is where", do_it("sensors find SHEET")),
                ("zero them", do_it("zero SHEET")),
                ("look how it stands", do_it("watch SHEET")),
            ],
        );
    }
    let steps = if kept == 0 {
        [
            ("look how it stands", do_it("watch SHEET")),
            ("a load test, led step by step", do_it("loadtest SHEET")),
            ("what to change, or to leave it", do_it("advise SHEET")),
        ]
    } else {
        [
            ("what to change, or to leave it", do_it("advise SHEET")),
            ("read again", do_it("watch SHEET")),
            ("a report to print", do_it("report SHEET")),
        ]
    };
    (format!("{of}, {all} sensors zeroed, {read}"), steps)
}

/// Kept readings in the logbook beside a sheet; none where it cannot be read.
fn kept(sheet: &Path) -> usize {
    let path = beside(sheet);
    if !path.exists() {
        return 0;
    }
    Logbook::open_for_reading(&path)
        .and_then(|l| l.kept(Which::All))
        .map_or(0, |k| k.len())
}

/// Sensors of a sheet that have a zero.
fn zeroed(path: &Path, sheet: &BuildSheet) -> usize {
    let Ok(neighbour) = Neighbour::load(&neighbour_path(path)) else {
        return 0;
    };
    sheet
        .sensors
        .iter()
        .filter(|s| neighbour.newest_zero_of_any(&s.name).is_some())
        .count()
}

/// A stranger's words cannot steer the terminal.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(40)
        .collect()
}
