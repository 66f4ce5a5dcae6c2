//! Bad lines: plugs pulled and put back, and a day of everything that a line can
//! suffer. Small versions; `cargo run --release --example line_trials` has the
//! large ones.

use crate::{line_day, replugging};

#[test]
fn plugs_pulled_forty_times_give_every_line_its_own_bytes() {
    let tally = replugging::cycles(40, 3);
    assert!(tally.cycles >= 40 && tally.in_pairs > 0, "{tally:?}");
    assert!(tally.other_names > 10 && tally.bytes > 5_000, "{tally:?}");
}

/// The first 24 minutes: noise, wrong speed, disorder, lies, and the beginning of
/// the babbling.
#[test]
fn nothing_wrong_comes_through_bad_lines() {
    let day = line_day::run(0.4, 1, false);
    assert_eq!(day.wrong_readings, 0, "{:#?}", day.said);
    assert_eq!(
        (day.misplaced, day.wrong_postures),
        (0, 0),
        "{:#?}",
        day.said
    );
    // With a check of 8 bits one damaged sentence in 256 passes; with 16 none of so few.
    for (i, line) in day.lines.iter().enumerate() {
        assert!(i == 1 || line.wrong == 0, "line {i}: {:#?}", day.said);
        assert!(line.samples > 1_000, "line {i}: {line:?}");
        assert!(i == 0 || line.refused > 50, "line {i}: {line:?}");
    }
    assert!(day.still > 20_000 && day.postures == 1_440, "{day:?}");
}

/// A device that makes up a new name with every sentence.
#[test]
fn strangers_are_remembered_within_a_bound() {
    use stillheight::drivers::{Heard, driver_for};
    use stillheight::quantity::{Moment, Span};
    use stillheight::readings::{Bench, Notice};
    let protocol = stillheight::sheet::Protocol::Xdr {
        transducer: "A".into(),
    };
    let mut driver = driver_for(&[&protocol]).unwrap();
    let mut bench = Bench::new(&[], &[]);
    let mut out: Vec<Heard> = Vec::new();
    let at = |n: i64| Moment::from_unix_us(0) + Span::from_us(n * 1_000);
    for n in 0..10_000 {
        out.clear();
        // One is really there and speaks as often as all the others.
        for name in [format!("N{n}"), "REAL".into()] {
            let body = format!("IIXDR,A,1.5,D,{name}");
            let check = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
            driver.feed(
                format!("${body}*{check:02X}\r\n").as_bytes(),
                at(n),
                &mut out,
            );
        }
        for heard in &out {
            bench.hear(0, heard);
        }
    }
    let strangers: Vec<_> = bench
        .notices(at(10_000))
        .into_iter()
        .filter_map(|notice| match notice {
            Notice::Stranger(stranger) => Some(stranger),
            _ => None,
        })
        .collect();
    assert!(strangers.len() <= 64, "{}", strangers.len());
    let real = strangers.iter().find(|s| s.source.to_string() == "REAL");
    assert_eq!(real.map(|s| s.samples), Some(10_000));
}
