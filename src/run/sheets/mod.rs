//! `sheet`: write, check, describe; and how every command reads its sheet.

pub(super) mod asked;

use crate::quantity::UnitSystem;
use crate::run::Failure;
use crate::run::arguments::{SheetAction, SheetArguments, Units};
use crate::run::failure::file;
use crate::sheet::{self, BuildSheet, Checked, SheetError, parse_with, schema, template};
use serde_json::json;
use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;

pub(super) fn run(arguments: &SheetArguments) -> Result<ExitCode, Failure> {
    match &arguments.action {
        SheetAction::New {
            file,
            ask,
            units,
            force,
        } => {
            let units = match units {
                Units::Metric => UnitSystem::Metric,
                Units::Inch => UnitSystem::Inch,
            };
            if *ask {
                return crate::run::sheets::asked::run(file, units, *force);
            }
            write_new(file, &template(units), *force)?;
            print(&format!(
                "wrote {0}\nIt works as it is; put your own numbers in, then:\n  stillheight sheet check {0}\n  stillheight targets {0}\n",
                file.display()
            ))?;
        }
        SheetAction::Check { file, json: true } => return check_json(file),
        SheetAction::Check { file, json: false } => {
            let sheet = read(file)?;
            print(&format!(
                "{}: no mistakes\n{}",
                file.display(),
                summary(&sheet)
            ))?;
        }
        SheetAction::Schema => print_json(&schema())?,
    }
    Ok(ExitCode::SUCCESS)
}

/// What is wrong with a sheet, as JSON on standard output; mistakes end with code 2.
fn check_json(path: &Path) -> Result<ExitCode, Failure> {
    let text = std::fs::read_to_string(path).map_err(|source| {
        Failure::from(SheetError::Read {
            path: path.to_owned(),
            source,
        })
    })?;
    let name = path.display().to_string();
    let (sheet, mistakes) = match parse_with(&text, &name, &[]) {
        Ok(checked) => (Some(checked.sheet.name), Vec::new()),
        Err(mistakes) => (None, mistakes.iter().collect()),
    };
    print_json(&json!({
        "file": name,
        "name": sheet,
        "good": mistakes.is_empty(),
        "mistakes": mistakes.iter().map(|m| json!({
            "file": m.file, "line": m.line, "column": m.column,
            "code": m.code, "message": m.wrong.to_string(), "help": m.help,
        })).collect::<Vec<_>>(),
    }))?;
    Ok(if mistakes.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(2)
    })
}

fn summary(sheet: &BuildSheet) -> String {
    let names = |all: Vec<&str>| {
        if all.is_empty() {
            "none".to_owned()
        } else {
            all.join(", ")
        }
    };
    format!(
        "  {}\n  axles: {}\n  stations: {}\n  load cases: {} (targets: {})\n  sensors: {}\n",
        sheet.name,
        names(sheet.axles.iter().map(|a| a.name.as_str()).collect()),
        names(sheet.stations.iter().map(|s| s.name.as_str()).collect()),
        names(sheet.cases.iter().map(|c| c.name.as_str()).collect()),
        sheet
            .cases
            .get(sheet.targets.case)
            .map_or("none", |c| &c.name),
        names(sheet.sensors.iter().map(|s| s.name.as_str()).collect()),
    )
}

/// Reads and checks a sheet.
pub(super) fn read(path: &Path) -> Result<BuildSheet, Failure> {
    read_with(path, &[])
}

/// The same with `--set PATH=VALUE`.
pub(super) fn read_with(path: &Path, overrides: &[String]) -> Result<BuildSheet, Failure> {
    read_text(path, overrides).map(|(sheet, _)| sheet)
}

/// The sheet with its text.
pub(super) fn read_text(
    path: &Path,
    overrides: &[String],
) -> Result<(BuildSheet, String), Failure> {
    read_whole(path, overrides).map(|(checked, text)| (checked.sheet, text))
}

/// The sheet with its plans and what was understood, and its text.
pub(super) fn read_whole(path: &Path, overrides: &[String]) -> Result<(Checked, String), Failure> {
    let text = sheet::text(path)?;
    let checked = check(&text, path, overrides)?;
    Ok((checked, text))
}

/// Checks a sheet's text with `--set PATH=VALUE`; `path` is how it is called.
pub(super) fn check(text: &str, path: &Path, overrides: &[String]) -> Result<Checked, Failure> {
    let mut set = Vec::new();
    for pair in overrides {
        let (key, value) = pair.split_once('=').ok_or_else(|| {
            Failure::users(
                "set.form",
                format!("--set '{pair}' has no '='"),
                "write it as PATH=VALUE, for example --set rear.spring.rate=\"26 N/mm\"",
            )
        })?;
        set.push((key.trim(), value.trim()));
    }
    Ok(parse_with(text, &path.display().to_string(), &set).map_err(SheetError::from)?)
}

impl From<SheetError> for Failure {
    fn from(e: SheetError) -> Self {
        let (code, help) = (e.code().to_owned(), e.help().to_owned());
        match e {
            // Every mistake carries its own code.
            SheetError::Mistakes(mistakes) => {
                let message = format!("the sheet cannot be used as it is\n\n{mistakes}");
                Self {
                    message,
                    code: String::new(),
                    help,
                    exit: 2,
                }
            }
            other => Self {
                message: other.to_string(),
                code,
                help,
                exit: 2,
            },
        }
    }
}

/// Writes a text that must not be there yet, unless forced.
pub(super) fn write_new(path: &Path, text: &str, force: bool) -> Result<(), Failure> {
    write_whole(path, text.as_bytes(), force)
}

/// Writes a file whole or not at all: into a new one beside it, onto the disk, then
/// in its place. A full disk leaves an old one as it was.
pub(super) fn write_whole(path: &Path, content: &[u8], force: bool) -> Result<(), Failure> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let written = sheet::new_file(&beside).and_then(|mut file| {
        file.write_all(content)?;
        file.sync_all()
    });
    let placed = written
        .map_err(|e| file("write", &beside, &e))
        .and_then(|()| {
            if force {
                return std::fs::rename(&beside, path).map_err(|e| file("write", path, &e));
            }
            // Linking refuses a name that is taken, also by somebody in between.
            match std::fs::hard_link(&beside, path) {
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
                    Err(crate::run::failure::exists(path))
                }
                // A file system without links.
                Err(_) if !path.exists() => {
                    std::fs::rename(&beside, path).map_err(|e| file("write", path, &e))
                }
                Err(e) => Err(file("write", path, &e)),
                Ok(()) => Ok(()),
            }
        });
    // Gone after a rename; else what is left of it is not wanted.
    let _ = std::fs::remove_file(&beside);
    placed
}

/// Prints to standard output; a closed pipe is a quiet end.
pub(super) fn print(text: &str) -> Result<(), Failure> {
    print_bytes(text.as_bytes())
}

/// The same for what is no text.
pub(super) fn print_bytes(bytes: &[u8]) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        Err(e) => Err(Failure::ours(
            "output.write",
            format!("cannot write the output: {e}"),
            "",
        )),
        Ok(()) => Ok(()),
    }
}

/// Prints JSON with a line end.
pub(super) fn print_json(value: &serde_json::Value) -> Result<(), Failure> {
    print(&format!("{value:#}\n"))
}
