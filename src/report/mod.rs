//! Report: what commands print, as plain tables, JSON and CSV. Pure.
//!
//! In: results of the stages above. Out: text in the sheet's own units, JSON
//! always in mm, deg, N, kg with the unit in the key. Refused: nothing.

mod layout_candidates;
mod table;
mod targets;
mod words;

pub use layout_candidates::{layout_csv, layout_json, layout_text};
pub use table::Table;
pub use targets::{CaseReport, targets_json, targets_text};
pub use words::{level_words, pitch_words, roll_words, signed, turn_words};
