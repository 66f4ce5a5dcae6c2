//! XDR sentences into samples, against a general NMEA crate and against pynmea2.

use super::{Asked, clock, peers, table};
use serde_json::json;
use std::fmt::Write as _;
use std::hint::black_box;
use stillheight::drivers::{Driver as _, Heard, Xdr};
use stillheight::quantity::Moment;

/// Sentences of one, two and four quadruplets, with their checksums.
pub fn sentences(count: usize) -> String {
    let mut text = String::new();
    for n in 0..count {
        let mut body = String::from("SMXDR");
        for k in 0..[1, 2, 4][n % 3] {
            let thousandths = (n * 7919 + k * 31) % 30_000;
            let value = thousandths as f64 / 1000.0;
            if k % 2 == 0 {
                let _ = write!(body, ",A,{:.3},D,INCL{k}", value - 15.0);
            } else {
                let _ = write!(body, ",D,{:.4},M,DIST{k}", 0.3 + value / 100.0);
            }
        }
        let check = body.bytes().fold(0, |all, b| all ^ b);
        let _ = write!(text, "${body}*{check:02X}\r\n");
    }
    text
}

/// Samples and the sum of their values, SI.
pub fn ours(text: &[u8]) -> (u64, f64) {
    let mut driver = Xdr::new();
    let mut heard = Vec::new();
    let (mut samples, mut sum) = (0, 0.0);
    for piece in text.chunks(4096) {
        driver.feed(piece, Moment::default(), &mut heard);
        for item in heard.drain(..) {
            if let Heard::Sample(s) = item {
                samples += 1;
                sum += s.value;
            }
        }
    }
    (samples, sum)
}

fn general(text: &str) -> (u64, f64) {
    let (mut samples, mut sum) = (0, 0.0);
    for line in text.lines() {
        let Ok(frame) = nmea_kit::parse_frame(line) else {
            continue;
        };
        if let nmea_kit::nmea::NmeaSentence::Xdr(xdr) = nmea_kit::nmea::NmeaSentence::parse(&frame)
        {
            for group in &xdr.groups {
                let value = f64::from(group.value.unwrap_or(f32::NAN));
                sum += if group.sensor_type == Some('A') {
                    value.to_radians()
                } else {
                    value
                };
                samples += 1;
            }
        }
    }
    (samples, sum)
}

pub fn row(_: &Asked) {
    let count = 20_000;
    let text = sentences(count);
    let (samples, sum) = ours(text.as_bytes());
    let (theirs, their_sum) = general(&text);
    assert_eq!(samples, theirs);
    // The general crate reads values to seven digits.
    assert!(
        (sum - their_sum).abs() < 1e-3 * samples as f64,
        "{sum} {their_sum}"
    );
    let [a, b] = clock::side_by_side([
        &mut || {
            black_box(ours(black_box(text.as_bytes())));
        },
        &mut || {
            black_box(general(black_box(&text)));
        },
    ]);
    let each = |s: f64| table::time(s / count as f64);
    let mut figures = format!(
        "{} a sentence, {:.0} MB/s; nmea-kit {} = {:.1}x",
        each(a),
        text.len() as f64 / a / 1e6,
        each(b),
        b / a
    );
    let what = "XDR sentences to samples";
    let goal = "3x a general crate, 100x pynmea2";
    match peers::ask("sentences.py", &json!({ "text": text })) {
        Err(why) => {
            let _ = write!(figures, "; pynmea2: {why}");
            table::not_run(what, &figures, goal);
        }
        Ok(answer) => {
            let s = peers::number(&answer, "seconds");
            assert!((peers::number(&answer, "sum") - sum).abs() < 1e-6);
            let _ = write!(figures, "; pynmea2 {} = {:.0}x", each(s), s / a);
            table::row(what, &figures, goal, b / a >= 3.0 && s / a >= 100.0);
        }
    }
}
