//! Instructions of the hot functions, counted by callgrind: the same on a noisy machine.
//!
//! Each function is run twice under the counter, with a number of calls and with ten times
//! as many; the difference over the difference in calls is one call, without start and end.

use super::{Asked, loadtest, posture, sentences, settling, table, van, wire};
use std::hint::black_box;
use std::process::Command;
use stillheight::posture::Estimator;
use stillheight::statics::{Model, quantities};

/// Name, calls of the short run, what one call is.
const HOT: [(&str, u64, &str); 7] = [
    ("wire", 2, "1,000 wire frames to messages"),
    ("sentences", 2, "100 XDR sentences to samples"),
    ("case", 3, "full-vehicle case"),
    ("posture", 20, "posture update, 16 sensors, warm"),
    ("loadtest", 1, "load-test identification, 40 readings"),
    (
        "settling",
        1,
        "settling fit of one quantity, 1,008 readings",
    ),
    (
        "still",
        1,
        "60 s of one sensor at 200/s through its channel",
    ),
];

/// So many calls of one of them.
pub fn hot(name: &str, calls: u64) {
    match name {
        "wire" => {
            let bytes = wire::stream(28_000);
            for _ in 0..calls {
                black_box(wire::ours(black_box(&bytes)));
            }
        }
        "sentences" => {
            let text = sentences::sentences(100);
            for _ in 0..calls {
                black_box(sentences::ours(black_box(text.as_bytes())));
            }
        }
        "case" => {
            let sheet = van::van();
            for _ in 0..calls {
                let model = Model::new(&sheet, &[0, 1]);
                let rest = model.equilibrium().unwrap();
                black_box(quantities(&model, &rest, &sheet.stations));
            }
        }
        "posture" => {
            let scene = posture::scene(16);
            let mut estimator = Estimator::new();
            let mut warm =
                estimator.estimate(&scene.sheet, &scene.model, &scene.prior, &scene.seen, None);
            let state = warm.state;
            let near = [
                scene.seen.clone(),
                scene.read(&state, 2),
                scene.read(&state, 3),
            ];
            for n in 0..calls {
                let seen = &near[n as usize % 3];
                estimator.update(&scene.sheet, &scene.model, &scene.prior, seen, &mut warm);
            }
            black_box(&warm);
        }
        "loadtest" => {
            let (sheet, steps) = loadtest::test(1);
            for _ in 0..calls {
                black_box(stillheight::trials::loadtest::identify(&sheet, &steps).unwrap());
            }
        }
        "settling" => {
            let series = settling::week(2, 1008);
            for _ in 0..calls {
                black_box(settling::fit_all(&series[1..]));
            }
        }
        "still" => {
            for _ in 0..calls {
                black_box(channel());
            }
        }
        other => panic!("nothing hot is called '{other}'"),
    }
}

fn channel() -> bool {
    use stillheight::drivers::{Sample, SampleKind, Source};
    use stillheight::quantity::Moment;
    use stillheight::readings::{Calibration, Channel, Gate};
    let mut channel = Channel::new(Calibration::default(), Gate::usual(SampleKind::Distance));
    for n in 0..12_000_u64 {
        channel.push(&Sample {
            source: Source::Wire {
                device: 1,
                channel: 0,
            },
            value: 0.33 + 1e-6 * ((n * 7919) % 101) as f64,
            kind: SampleKind::Distance,
            sequence: None,
            device_time_us: Some(n * 5000),
            temperature_c: None,
            trusted: true,
            remark: None,
            at: Moment::from_unix_us(n as i64 * 5000),
        });
    }
    channel.stillness().still
}

fn count(name: &str, calls: u64) -> Result<f64, String> {
    let program = std::env::current_exe().map_err(|e| e.to_string())?;
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(program)
        .args(["--hot", name, &calls.to_string()])
        .output()
        .map_err(|e| format!("valgrind: {e}"))?;
    let text = String::from_utf8_lossy(&output.stderr);
    text.lines()
        .find_map(|l| l.split_once("Collected : "))
        .and_then(|(_, n)| n.trim().parse::<f64>().ok())
        .ok_or_else(|| format!("valgrind counted nothing: {text}"))
}

pub fn row(_: &Asked) {
    for (name, calls, what) in HOT {
        let both = count(name, calls).and_then(|short| Ok((short, count(name, 10 * calls)?)));
        match both {
            Ok((short, long)) => {
                let each = (long - short) / (9 * calls) as f64;
                table::told(&format!("instructions: {what}"), &format!("{each:.0}"));
            }
            Err(why) => table::not_run(&format!("instructions: {what}"), &why, "-"),
        }
    }
}
