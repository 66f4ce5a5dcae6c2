//! Report: what commands print, as plain tables, JSON and CSV. Pure.
//!
//! In: results of the stages above. Out: text in the sheet's own units, JSON
//! always in mm, deg, N, kg with the unit in the key. Refused: nothing.

mod arrow;
mod csv;
mod json_log;
mod layout_candidates;
mod layout_drawing;
mod layout_lean;
mod layout_link;
mod layout_plot;
mod layout_room;
mod layout_weights;
mod layout_wire;
mod loadtest_forecast;
mod loadtest_loop;
mod loadtest_plan;
mod loadtest_result;
mod log_table;
mod page;
mod pdf;
mod plans;
mod recorded;
mod schemas;
mod settle;
mod suggestion;
mod sweep;
mod table;
mod targets;
mod words;

pub use arrow::{TableError, events_arrow, kept_arrow};
pub use csv::{events_csv, kept_csv};
pub use json_log::{history_json, history_json_lines};
pub use layout_candidates::{layout_csv, layout_json, layout_text};
pub use layout_drawing::{room_drawing, room_svg};
pub use layout_lean::{lean_json, lean_svg, lean_text};
pub use layout_link::{link_json, link_picture, link_svg, link_text};
pub use layout_room::{room_json, room_text};
pub use layout_weights::{weights_json, weights_text};
pub use layout_wire::{wire_json, wire_text};
pub use loadtest_forecast::{loadtest_forecast_json, loadtest_forecast_text};
pub use loadtest_loop::{
    LoadLoop, LoopPoint, loadtest_loop_svg, loadtest_loop_text, loadtest_svg, nearest_axle,
    sensors_over, share_over,
};
pub use loadtest_plan::{
    LOADTEST_CAUTION, loadtest_changes_json, loadtest_changes_text, loadtest_plan_json,
    loadtest_plan_text,
};
pub use loadtest_result::{
    loadtest_json, loadtest_text, loadtest_verdict_json, loadtest_verdict_text,
};
pub use log_table::log_table;
pub use page::{
    Dossier, Finished, Learnt, LoadTestTold, Newest, Promised, Residual, learnt, report_page,
};
pub use pdf::{Paper, report_pdf};
pub use plans::{
    Basis, advice_json, advice_text, answer_json, answer_text, leave_sentence, operation_words,
    plan_steps, promise_explained, promise_json, promise_text,
};
pub use recorded::moment_words;
pub use schemas::{OutputSchema, SCHEMAS};
pub use settle::{SettleReport, SettledQuantity};
pub use suggestion::{aim_name, suggestion_lines, suggestion_text};
pub use sweep::{Sweep, SweepRow, sweep_csv, sweep_json, sweep_text};
pub use table::Table;
pub use targets::{CaseReport, targets_json, targets_text};
pub use words::{level_words, pitch_words, roll_words, signed, turn_words};
