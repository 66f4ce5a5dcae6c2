//! Where a rehearsal takes place: its folder, its sheet, its logbook.
//!
//! In: the stage and the folder asked for. Out: the sheet as parsed and where it
//! stands. Refused: a folder that cannot be made; a logbook that another instance has.

use crate::logbook::{LogbookWriter, beside};
use crate::quantity::Moment;
use crate::rehearsal::Stage;
use crate::run::Failure;
use crate::run::failure::file;
use crate::run::watch::begin_log;
use crate::sheet::{BuildSheet, parse};
use std::path::{Path, PathBuf};

const NAME: &str = "rehearsal.toml";

/// The place of one rehearsal.
pub(super) struct Grounds {
    pub(super) folder: PathBuf,
    /// Of the sheet.
    pub(super) path: PathBuf,
    pub(super) text: String,
    pub(super) sheet: BuildSheet,
}

impl Grounds {
    /// In the folder asked for, made where it is missing, or in the stage's own.
    pub(super) fn of(stage: &Stage, asked: Option<&Path>) -> Result<Self, Failure> {
        let folder = asked.unwrap_or(stage.folder()).to_owned();
        if asked.is_some() {
            std::fs::create_dir_all(&folder).map_err(|e| file("make the folder", &folder, &e))?;
        }
        let text = stage.sheet_text();
        let sheet = parse(&text, NAME)
            .map_err(|e| {
                Failure::ours(
                    "rehearse.sheet",
                    format!("the rehearsal's own sheet is wrong:\n{e}"),
                    "",
                )
            })?
            .sheet;
        Ok(Self {
            path: folder.join(NAME),
            folder,
            text,
            sheet,
        })
    }

    /// Begins the logbook and writes the sheet beside it. First the logbook: where
    /// another instance has it, its sheet stays as it is.
    pub(super) fn begin(&self, at: Moment) -> Result<LogbookWriter, Failure> {
        let log = begin_log(&beside(&self.path), self.text.clone(), at)?;
        std::fs::write(&self.path, &self.text).map_err(|e| file("write", &self.path, &e))?;
        Ok(log)
    }
}
