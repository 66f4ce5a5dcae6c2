//! The build sheet: as typed -> checked -> [`BuildSheet`] (as meant).
//!
//! In: TOML text, and single values set from outside. Out: a checked sheet,
//! or every mistake of the text at once with its place. Refused: unknown keys,
//! bare numbers, impossible geometry, names that nothing has.
//!
//! The form (which keys there are, what each holds, what is assumed) is one
//! description; reader, schema and list of keys all come from it.
//!
//! # Method
//! Every tolerance and uncertainty in a sheet is a limit, plus or minus `a`:
//! surely no more than that. What is not known better is taken as evenly
//! spread between the limits, so the standard uncertainty is `a / sqrt(3)`
//! (JCGM 100:2008, 4.3.7). Tolerances of targets stay limits.

mod check;
mod file;
mod form;
mod help;
mod measured;
mod mistakes;
mod plans;
mod rendering;
mod schema;
mod series;
mod sources;
mod template;
mod tree;
mod typed;
mod vehicle;

use std::path::{Path, PathBuf};

pub use file::{new_file, replace, text_of};
pub use measured::{AirRow, NoSpring, air_spring, measured_spring};
pub use mistakes::Wrong;
pub use plans::{BodyPlan, Plans, WheelPlan, WishPlan};
pub use rendering::{Mistake, Mistakes};
pub use schema::schema;
pub use series::in_series;
pub use template::template;
pub use vehicle::*;

use crate::quantity::Written;

/// More bytes than any sheet has.
const MOST_BYTES: usize = 1 << 18;

/// A sheet that was read and found good.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The sheet as meant.
    pub sheet: BuildSheet,
    /// What it says for before the weld.
    pub plans: Plans,
    /// Every quantity with what was understood, in the order of the form.
    pub understood: Vec<Understood>,
}

/// A quantity with what was understood.
#[derive(Debug, Clone, PartialEq)]
pub struct Understood {
    /// Where, as in overrides: `rear.spring.rate`.
    pub path: String,
    /// As typed.
    pub typed: String,
    /// As understood.
    pub written: Written,
}

impl std::fmt::Display for Understood {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: '{}' is {}", self.path, self.typed, self.written)
    }
}

/// Why there is no sheet.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SheetError {
    /// The file cannot be read.
    #[error("the sheet '{}' cannot be read: {source}", path.display())]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// It has mistakes.
    #[error("{0}")]
    Mistakes(#[from] Mistakes),
}

impl SheetError {
    /// The stable code.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Read { .. } => "sheet.read",
            Self::Mistakes(_) => "sheet.mistakes",
        }
    }

    /// What to do.
    pub fn help(&self) -> &'static str {
        match self {
            Self::Read { .. } => "check the path; 'sheet new FILE' writes a sheet to begin with",
            Self::Mistakes(_) => "correct what is marked; nothing was computed",
        }
    }
}

/// Reads and checks a sheet from its text.
///
/// # Errors
/// All mistakes of the text.
pub fn parse(text: &str, file_name: &str) -> Result<Checked, Mistakes> {
    parse_with(text, file_name, &[])
}

/// The same with single values set from outside, as (path, value): the path as
/// `rear.spring.rate` or `load.driver.weight`, the value as in the sheet, its
/// quotes left out where it is text.
///
/// # Errors
/// All mistakes of the text and of what was set.
pub fn parse_with(text: &str, file_name: &str, set: &[(&str, &str)]) -> Result<Checked, Mistakes> {
    let sources = sources::Sources::new(text, file_name, set);
    let mut found = Vec::new();
    if text.len() > MOST_BYTES {
        return Err(too_long(file_name, text.len() as u64));
    }
    let mut understood = Vec::new();
    let sheet = {
        let (document, whole) = sources.document(&mut found);
        let mut reader = typed::Reader {
            found: &mut found,
            understood: &mut understood,
        };
        let typed = reader.table(&form::SHEET, &document, "", (0..0).into(), false);
        let sheet = check::sheet(&typed, &mut found);
        let plans = sheet
            .as_ref()
            .map(|sheet| check::plans(&typed, sheet, &mut found));
        if !whole {
            // What could not be read may be what is missed.
            found.retain(|f| !matches!(f.wrong, Wrong::Missing { .. } | Wrong::UnknownName { .. }));
        }
        sheet.zip(plans)
    };
    match sheet {
        Some((sheet, plans)) if found.is_empty() => Ok(Checked {
            sheet,
            plans,
            understood,
        }),
        _ => Err(Mistakes::new(sources, found)),
    }
}

/// Reads and checks a sheet file, with single values set from outside.
///
/// # Errors
/// The file cannot be read, or has mistakes.
pub fn read(path: &Path, set: &[(&str, &str)]) -> Result<Checked, SheetError> {
    let text = text(path)?;
    Ok(parse_with(&text, &path.display().to_string(), set)?)
}

/// The text of a sheet file, of no more bytes than any sheet has.
///
/// # Errors
/// The file cannot be read, or is too long.
pub fn text(path: &Path) -> Result<String, SheetError> {
    text_of(path, MOST_BYTES).map_err(|source| {
        if source.kind() == std::io::ErrorKind::FileTooLarge {
            let bytes = std::fs::metadata(path).map_or(0, |about| about.len());
            let name = path.display().to_string();
            return too_long(&name, bytes.max(MOST_BYTES as u64 + 1)).into();
        }
        SheetError::Read {
            path: path.to_owned(),
            source,
        }
    })
}

/// The one mistake of a text that no sheet is as long as.
fn too_long(file_name: &str, bytes: u64) -> Mistakes {
    let found = mistakes::Found::new((0..0).into(), Wrong::TooLong { bytes });
    Mistakes::new(sources::Sources::new("", file_name, &[]), vec![found])
}
