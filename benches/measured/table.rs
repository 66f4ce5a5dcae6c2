//! Rows of the table that is printed.

use std::io::Write as _;

/// The head of the table.
pub fn head() {
    println!("| what | figures | goal | |\n|---|---|---|---|");
}

/// A row, with whether its goal is met.
pub fn row(what: &str, figures: &str, goal: &str, met: bool) {
    line(what, figures, goal, if met { "met" } else { "NOT MET" });
}

/// A row that has no goal of its own.
pub fn told(what: &str, figures: &str) {
    line(what, figures, "-", "");
}

/// A row that could not be measured here.
pub fn not_run(what: &str, why: &str, goal: &str) {
    line(what, why, goal, "NOT RUN");
}

fn line(what: &str, figures: &str, goal: &str, verdict: &str) {
    println!("| {what} | {figures} | {goal} | {verdict} |");
    let _ = std::io::stdout().flush();
}

/// A time in the unit that suits it.
pub fn time(s: f64) -> String {
    match s {
        s if s < 1e-6 => format!("{:.0} ns", s * 1e9),
        s if s < 1e-3 => format!("{:.3} us", s * 1e6),
        s if s < 1.0 => format!("{:.2} ms", s * 1e3),
        s => format!("{s:.2} s"),
    }
}
