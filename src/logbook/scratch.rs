//! Folders and records for the stage's own tests.
#![allow(clippy::unwrap_used, reason = "a test may stop here")]

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

use super::{KeptBy, KeptQuantity, KeptReading, Origin, Sitting, Unit};
use crate::quantity::Moment;

/// A folder that goes with the test.
#[derive(Debug)]
pub(super) struct Folder(pub(super) PathBuf);

impl Folder {
    pub(super) fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let path = std::env::temp_dir().join(format!(
            "stillheight-logbook-{}-{}",
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        ));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub(super) fn logbook(&self) -> PathBuf {
        self.0.join("van.logbook.sqlite")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

pub(super) fn sitting() -> Sitting {
    Sitting {
        started: Moment::from_unix_us(1_000_000),
        sheet_text: "name = \"delivery van\"".into(),
        program: "test".into(),
    }
}

pub(super) fn reading(at_us: i64) -> KeptReading {
    KeptReading {
        at: Moment::from_unix_us(at_us),
        still_since: None,
        case: None,
        loads: Vec::new(),
        by: KeptBy::Key,
        note: String::new(),
        quantities: vec![KeptQuantity {
            name: "height rear left".into(),
            unit: Unit::Metre,
            value: 0.412,
            standard_uncertainty: 0.0004,
            origin: Origin::Measured,
        }],
        state: None,
        sensors: Vec::new(),
    }
}
