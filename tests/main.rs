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
mod drivers;
mod export;
mod first_minutes;
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
mod program;
mod published_gum;
mod published_regression;
mod published_statics;
mod readings;
mod readme;
mod rehearsal;
mod report_page;
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
mod terminal_signs;
mod vehicles;
mod zeroing;
