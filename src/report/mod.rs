//! Report: what commands print, as plain tables, JSON and CSV. Pure.
//!
//! In: results of the stages above. Out: text in the sheet's own units, JSON
//! always in mm, deg, N, kg with the unit in the key. Refused: nothing.

mod csv;
mod json_log;
mod log_table;
mod recorded;
mod settle;
mod suggestion;
mod table;
mod targets;
mod words;

pub use csv::{events_csv, kept_csv};
pub use json_log::{history_json, history_json_lines};
pub use log_table::log_table;
pub use recorded::moment_words;
pub use settle::{SettleReport, SettledQuantity};
pub use suggestion::{aim_name, suggestion_lines, suggestion_text};
pub use table::Table;
pub use targets::{CaseReport, targets_json, targets_text};
pub use words::{level_words, pitch_words, roll_words, signed, turn_words};
