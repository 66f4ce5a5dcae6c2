//! Tests of stillheight, one binary.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::float_cmp,
    missing_docs,
    unreachable_pub,
    reason = "a test may end at once, and exact values are compared exactly"
)]

mod advice;
mod advice_shop;
#[cfg(unix)]
mod bad_disks;
#[cfg(unix)]
mod bad_lines;
mod cut_disk;
mod cut_judge;
mod drivers;
mod export;
mod first_minutes;
mod fuzz_corpus;
mod layout_candidates;
mod layout_commands;
mod layout_lean;
mod layout_link;
mod layout_room;
mod layout_scipy;
mod layout_sheet;
mod layout_springs;
mod layout_weights;
mod layout_wire;
mod line_day;
mod loadtest;
mod loadtest_command;
mod loadtest_scipy;
mod log_report;
mod logbook;
mod one_way;
mod other_suspensions;
mod own_log;
mod peers;
mod ports;
mod posture;
mod power_cuts;
mod program;
mod published_gum;
mod published_regression;
mod published_statics;
mod readings;
mod readme;
mod rehearsal;
#[cfg(unix)]
mod replugging;
mod report_page;
mod room;
mod schemas;
mod screens;
mod sensors;
mod settle_command;
mod settling_beside;
mod settling_causes;
mod settling_input;
mod settling_published;
mod settling_simulated;
mod share;
mod sheets;
mod simulated_loadtest;
mod statics;
mod statics_honest;
mod statics_judge;
#[cfg(unix)]
mod strangers;
mod terminal_signs;
mod times;
#[cfg(target_os = "linux")]
mod two_at_once;
mod van;
mod vehicles;
mod zeroing;
