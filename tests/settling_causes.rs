//! What is behind a change over days: a tyre that loses pressure, a sensor that slipped.
//!
//! Source: the rest of a vehicle with one tyre lower is found here by minimising its energy with
//! that tyre's part replaced (Newton on differences); the program is not told, and uses
//! influences about the rest with whole tyres.

use crate::room::folder::Folder;
use nalgebra::{SMatrix, SVector};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use serde_json::Value;
use std::process::Command;
use stillheight::logbook::{
    KeptBy, KeptQuantity, KeptReading, KeptSensor, Logbook, Origin, Sitting, Unit,
};
use stillheight::posture::{PostureState, predict};
use stillheight::quantity::{Moment, Span};
use stillheight::sheet::{BuildSheet, Measurand, Support, parse};
use stillheight::statics::Model;

const START_US: i64 = 1_790_000_000_000_000;
type State = SVector<f64, 7>;

/// Energy with the rear left tyre lower by so much.
fn energy(model: &Model, tyre: (f64, f64), lower_m: f64, q: &State) -> f64 {
    let (radius, rate) = tyre;
    let height = model.wheel_heights(0, &model.pose(q))[0];
    let of = |radius: f64| 0.5 * rate * (radius - height).max(0.0).powi(2);
    model.energy(q) - of(radius) + of(radius - lower_m)
}

/// The least of it, from a start that is near.
fn rest(model: &Model, tyre: (f64, f64), lower_m: f64, start: &State) -> State {
    let mut q = *start;
    let e = |q: &State| energy(model, tyre, lower_m, q);
    let h = 1e-4;
    for _ in 0..20 {
        let step = |i: usize| {
            let mut d = State::zeros();
            d[i] = h;
            d
        };
        let gradient = State::from_fn(|i, _| (e(&(q + step(i))) - e(&(q - step(i)))) / (2.0 * h));
        let hessian = SMatrix::<f64, 7, 7>::from_fn(|i, j| {
            (e(&(q + step(i) + step(j)))
                - e(&(q + step(i) - step(j)))
                - e(&(q - step(i) + step(j)))
                + e(&(q - step(i) - step(j))))
                / (4.0 * h * h)
        });
        let Some(solved) = hessian.lu().solve(&gradient) else {
            panic!("no curvature");
        };
        q -= solved;
        if solved.amax() < 1e-8 {
            break;
        }
    }
    q
}

/// Twenty readings over five days; `reads` says what each sensor says at a share of the change.
fn keep(folder: &Folder, text: &str, sheet: &BuildSheet, reads: impl Fn(f64) -> Vec<f64>) -> Value {
    std::fs::write(folder.0.join("van.toml"), text).unwrap();
    let mut book = Logbook::open(&folder.0.join("van.logbook.sqlite")).unwrap();
    book.begin_sitting(&Sitting {
        started: Moment::from_unix_us(START_US),
        sheet_text: text.to_owned(),
        program: "test".to_owned(),
    })
    .unwrap();
    let mut random = StdRng::seed_from_u64(5);
    for k in 0..20_u32 {
        let hours = f64::from(k) * 6.0;
        let values = reads(f64::from(k) / 19.0);
        let sensors: Vec<KeptSensor> = sheet
            .sensors
            .iter()
            .zip(values)
            .map(|(sensor, value)| {
                let tilt = matches!(sensor.reads, Measurand::Tilt { .. });
                // 0.05 mm and 0.005 degrees.
                let noise = if tilt { 8.7e-5 } else { 5e-5 };
                KeptSensor {
                    name: sensor.name.clone(),
                    unit: if tilt { Unit::Radian } else { Unit::Metre },
                    value: Some(value + noise * random.sample::<f64, _>(StandardNormal)),
                    noise_uncertainty: Some(noise),
                    zero_uncertainty: 0.0,
                    quality: "still".to_owned(),
                    temperature_c: None,
                }
            })
            .collect();
        book.keep(&KeptReading {
            at: Moment::from_unix_us(START_US) + Span::from_s(hours * 3600.0),
            still_since: None,
            case: None,
            loads: Vec::new(),
            by: KeptBy::Stillness,
            note: String::new(),
            quantities: vec![KeptQuantity {
                name: "height rear left".to_owned(),
                unit: Unit::Metre,
                value: 0.42 - 1e-3 * f64::from(k),
                standard_uncertainty: 1e-3,
                origin: Origin::Measured,
            }],
            state: None,
            sensors,
        })
        .unwrap();
    }
    drop(book);
    let output = Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args(["settle", "van.toml", "--json"])
        .current_dir(&folder.0)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn sheet() -> (String, BuildSheet) {
    let text = stillheight::sheet::template(stillheight::quantity::UnitSystem::Metric);
    let sheet = parse(&text, "van.toml").unwrap().sheet;
    (text, sheet)
}

fn readings(sheet: &BuildSheet, model: &Model, q: &State) -> Vec<f64> {
    let mut x = PostureState::zeros();
    x.fixed_rows_mut::<7>(0).copy_from(q);
    sheet
        .sensors
        .iter()
        .map(|s| predict(model, &s.reads, &x).unwrap())
        .collect()
}

/// A rear left tyre that stands 6 mm lower in the end is named, and how much.
#[test]
fn a_tyre_that_loses_pressure_is_told_from_springs() {
    let folder = Folder::new("tyre");
    let (text, sheet) = sheet();
    let model = Model::new(&sheet, &[]);
    let Support::Tyres(tyre) = &sheet.axles[0].support else {
        panic!("the sheet has tyres");
    };
    let tyre = (tyre.radius.m(), tyre.rate.n_per_m());
    let start = model.equilibrium().unwrap().state;
    // The check itself: with a whole tyre it is the program's own rest.
    let whole = rest(&model, tyre, 0.0, &start);
    assert!((whole - start).amax() < 1e-6, "{}", whole - start);
    let v = keep(&folder, &text, &sheet, |share| {
        let q = rest(&model, tyre, 6e-3 * share, &start);
        readings(&sheet, &model, &q)
    });
    let causes = v["causes"].as_array().unwrap();
    assert_eq!(causes[0]["cause"], "tyre", "{causes:#?}");
    let words = causes[0]["words"].as_str().unwrap();
    assert!(words.contains("rear left tyre"), "{words}");
    // 20 readings: the means of five at either end, 4.7 of the 6 mm.
    let lower: f64 = words
        .split("stands ")
        .nth(1)
        .and_then(|w| w.split(' ').next())
        .and_then(|w| w.parse().ok())
        .unwrap();
    assert!((lower - 4.7).abs() < 0.4, "{words}");
    assert!(
        !causes.iter().any(|c| c["cause"] == "springs"),
        "{causes:#?}"
    );
}

/// One distance sensor that slipped by 4 mm on the third day, and nothing else.
#[test]
fn a_sensor_that_slipped_is_named() {
    let folder = Folder::new("slipped");
    let (text, sheet) = sheet();
    let model = Model::new(&sheet, &[]);
    let start = model.equilibrium().unwrap().state;
    let slipped = sheet
        .sensors
        .iter()
        .position(|s| s.name == "floor rear right")
        .unwrap();
    let v = keep(&folder, &text, &sheet, |share| {
        let mut all = readings(&sheet, &model, &start);
        if share > 0.55 {
            all[slipped] -= 4e-3;
        }
        all
    });
    let causes = v["causes"].as_array().unwrap();
    assert_eq!(causes.len(), 1, "{causes:#?}");
    assert_eq!(causes[0]["cause"], "sensor", "{causes:#?}");
    let words = causes[0]["words"].as_str().unwrap();
    assert!(
        words.contains("'floor rear right' has slipped, by -4.0 mm"),
        "{words}"
    );
}
