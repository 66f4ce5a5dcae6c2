//! Report: what commands print, as plain tables, JSON and CSV. Pure.
//!
//! In: results of the stages above. Out: text in the sheet's own units, JSON
//! always in mm, deg, N, kg with the unit in the key. Refused: nothing.

mod loadtest_forecast;
mod loadtest_plan;
mod loadtest_result;
mod table;
mod targets;
mod words;

pub use loadtest_forecast::{loadtest_forecast_json, loadtest_forecast_text};
pub use loadtest_plan::{
    LOADTEST_CAUTION, loadtest_changes_json, loadtest_changes_text, loadtest_plan_json, loadtest_plan_text,
};
pub use loadtest_result::{loadtest_json, loadtest_text, loadtest_verdict_json, loadtest_verdict_text};
pub use table::Table;
pub use targets::{CaseReport, targets_json, targets_text};
pub use words::{level_words, pitch_words, roll_words, signed, turn_words};
