//! How often damage on the line is not seen: the table of DEVELOPERS.md.
//!
//! `cargo run --release -p stillheight-protocol --example wire_errors -- [EACH] [SEED]`
//! corrupts EACH frames in each manner (10 million unless said) and prints what came of it.
#![allow(
    clippy::print_stdout,
    clippy::expect_used,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    unreachable_pub,
    missing_docs,
    reason = "a program that prints a table, and the module it shares with a test"
)]

#[path = "../tests/corruption.rs"]
mod corruption;

use corruption::{MANNERS, count};

fn main() {
    let mut arguments = std::env::args().skip(1).map(|a| a.parse::<u64>());
    let each = arguments.next().and_then(Result::ok).unwrap_or(10_000_000);
    let seed = arguments.next().and_then(Result::ok).unwrap_or(20_261_125);
    println!(
        "| damage | frames | without a zero made | check fits | theory | pieces that fit | wrong messages |"
    );
    println!("|---|---|---|---|---|---|---|");
    let mut all = 0;
    let mut wrong = 0;
    for (i, manner) in MANNERS.iter().enumerate() {
        let c = count(*manner, each, seed.wrapping_mul(1000) + i as u64);
        all += c.corrupted;
        wrong += c.wrong_messages;
        let theory = match c.expected {
            Some(0.0) => "0, certain".to_owned(),
            Some(expected) => format!("{expected:.1} ± {:.1}", 2.0 * expected.sqrt()),
            None => "-".to_owned(),
        };
        println!(
            "| {} | {} | {} | {} | {theory} | {} | {} |",
            manner.words(),
            c.corrupted,
            c.whole,
            c.fits,
            c.fits_in_pieces,
            c.wrong_messages
        );
    }
    println!(
        "\n{all} corruptions, {wrong} wrong messages: {:.2e}",
        wrong as f64 / all as f64
    );
}
