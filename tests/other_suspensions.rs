//! Suspensions other than coilovers of one rate, from the sheet to what the
//! program prints as JSON, against statics by hand.
//!
//! Every sheet here has two like ends and its weight in the middle, so each corner
//! carries a quarter `N` of it and the frame is level: one equation a corner.

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

/// Wheel centres in the sheets are held 300 mm over the floor.
const WHEEL_MM: f64 = 300.0;

fn run(sheet: &str, more: &[&str]) -> Output {
    let path =
        Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/sheets/valid/{sheet}.toml"));
    Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args(["targets".as_ref(), path.as_os_str(), "--json".as_ref()])
        .args(more)
        .output()
        .unwrap()
}

/// The one case of a sheet, checked to be level.
fn case(sheet: &str, more: &[&str]) -> Value {
    let output = run(sheet, more);
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let mut all: Value = serde_json::from_slice(&output.stdout).unwrap();
    let case = all["cases"][0].take();
    for key in ["pitch_deg", "roll_deg"] {
        near(&case["frame"][key], 0.0, 1e-6, key);
    }
    case
}

fn near(value: &Value, due: f64, within: f64, what: &str) {
    let value = value.as_f64().unwrap_or(f64::NAN);
    assert!((value - due).abs() <= within, "{what}: {value}, due {due}");
}

/// Height of the frame and, of every unit and axle, what is due.
fn check(case: &Value, units: &str, height_mm: f64, force_n: f64, length_mm: f64, wheel_rate: f64) {
    near(&case["stations"][0]["height_mm"], height_mm, 1e-3, "height");
    let all = case[units].as_array().unwrap();
    assert_eq!(all.len(), 4, "{case}");
    for unit in all {
        near(&unit["force_n"], force_n, 1e-2, "force");
        near(&unit["length_mm"], length_mm, 1e-3, "length");
    }
    for axle in case["axles"].as_array().unwrap() {
        near(&axle["wheel_rate_n_per_mm"], wheel_rate, 1e-3, "wheel rate");
        let mass = axle["sprung_mass_kg"].as_f64().unwrap();
        let hertz = (2.0 * wheel_rate * 1e3 / mass).sqrt() / std::f64::consts::TAU;
        near(&axle["frequency_hz"], hertz, 1e-4, "frequency");
    }
}

/// Source: straight lines between the sheet's own rows by hand. Half way from 2 to
/// 4 bar: 2250 N at 180 mm, 2900 N at 140 mm; so 2575 N at 160 mm, 16.25 N/mm. At
/// 2.5 bar: 1875, 2400 and 2800 N at 180, 140 and 100 mm; so 2575 N at 122.5 mm,
/// 10 N/mm. Upright: the wheel feels the spring itself.
#[test]
fn air_springs_at_two_pressures() {
    let held = case("air-springs", &[]);
    check(
        &held,
        "coilovers",
        WHEEL_MM + 160.0 - 60.0,
        2575.0,
        160.0,
        16.25,
    );
    let less = case(
        "air-springs",
        &[
            "--set",
            "rear.spring.air_pressure=2.5 bar",
            "--set",
            "front.spring.air_pressure=2.5 bar",
        ],
    );
    check(
        &less,
        "coilovers",
        WHEEL_MM + 122.5 - 60.0,
        2575.0,
        122.5,
        10.0,
    );
}

/// Source: a straight line through the sheet's own second and third row by hand:
/// 900 N in 15 mm is 60 N/mm; 775 N over the second row is 12.9167 mm lower.
#[test]
fn leaf_springs_by_measured_heights() {
    let length = 230.0 - 775.0 / 60.0;
    let found = case("leaf-springs", &[]);
    check(
        &found,
        "coilovers",
        WHEEL_MM + length - 100.0,
        2575.0,
        length,
        60.0,
    );
}

/// Source: a straight line in the sheet's own table by hand: 1800 N in 60 mm is
/// 30 N/mm from 800 N at 40 mm on; 2000 N is at 80 mm.
#[test]
fn progressive_springs_by_their_table() {
    let found = case("progressive-springs", &[]);
    check(
        &found,
        "coilovers",
        WHEEL_MM + 220.0 - 40.0,
        2000.0,
        220.0,
        30.0,
    );
}

/// Source: springs in series (definition): 1/40 + 1/20 make 40/3 N/mm until the
/// softer one stops after 40 mm, at 800 N and 60 mm; then 40 N/mm. 1400 N is at
/// 75 mm of 320 mm. With a third of the weight less, 700 N, at 52.5 mm, 40/3 N/mm.
#[test]
fn dual_rate_springs_before_and_after_their_stop() {
    let closed = case("dual-rate-springs", &[]);
    check(
        &closed,
        "coilovers",
        WHEEL_MM + 245.0 - 40.0,
        1400.0,
        245.0,
        40.0,
    );
    let light = format!("weight.sprung={:.6} kg", 4.0 * 700.0 / 9.806_65);
    let open = case("dual-rate-springs", &["--set", &light]);
    check(
        &open,
        "coilovers",
        WHEEL_MM + 267.5 - 40.0,
        700.0,
        267.5,
        40.0 / 3.0,
    );
}

/// Source: virtual work by hand. In bump u (mm) the ratio is 0.6 + 0.002 u, the
/// spring's travel its integral 0.6 u + 0.001 u^2. At u = 20: 0.64 and 12.4 mm on
/// top of 30 mm, so 50 x 42.4 = 2120 N on the spring and 2120 x 0.64 = 1356.8 N at
/// the wheel; rate k MR^2 + F dMR/du = 20.48 + 4.24 N/mm.
#[test]
fn corners_of_a_changing_motion_ratio() {
    let found = case("motion-ratio-tables", &[]);
    check(&found, "corners", 500.0 - 20.0, 2120.0, 370.0 - 12.4, 24.72);
}

/// An arm in its own plane, by moments: everything from the pivot, mm.
struct ArmByHand {
    end: [f64; 2],
    lower: [f64; 2],
    upper: [f64; 2],
}

impl ArmByHand {
    /// Turned so that its end is `rise` higher: (spring force, unit length,
    /// load at the end that balances it).
    fn at(&self, rise: f64) -> [f64; 3] {
        let reach = self.end[0].hypot(self.end[1]);
        // The arm reaches backwards, so a turn that lifts it is clockwise.
        let before = (self.end[1] / reach).asin();
        let after = ((self.end[1] + rise) / reach).asin();
        let (sin, cos) = (after - before).sin_cos();
        let [x, z] = self.lower;
        let lower = [x * cos + z * sin, z * cos - x * sin];
        let along = [self.upper[0] - lower[0], self.upper[1] - lower[1]];
        let length = along[0].hypot(along[1]);
        // 60 N/mm, 260 mm free over 150 mm of hardware.
        let force = 60.0 * (260.0 + 150.0 - length);
        // Moment of the spring about the pivot against that of the end's load.
        let moment = force * (lower[0] * along[1] - lower[1] * along[0]) / length;
        let level = -reach * after.cos();
        [force, length, moment / level]
    }

    /// The rise at which it carries a load, by halving.
    fn rest(&self, load: f64) -> f64 {
        let (mut low, mut high) = (0.0, 90.0);
        for _ in 0..100 {
            let middle = f64::midpoint(low, high);
            if self.at(middle)[2] < load {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }
}

/// Source: moments about the pivot (statics), the rest by halving, the rate by a
/// difference of 0.01 mm either way; points from the sheet's side view.
#[test]
fn coilovers_on_arms_of_wheels_and_of_axles() {
    let arm = ArmByHand {
        end: [-500.0, -20.0],
        lower: [-300.0, -10.0],
        upper: [-350.0, 390.0],
    };
    let rise = arm.rest(1500.0);
    assert!((20.0..90.0).contains(&rise), "{rise}");
    let [force, length, _] = arm.at(rise);
    let rate = (arm.at(rise + 0.01)[2] - arm.at(rise - 0.01)[2]) / 0.02;
    for sheet in ["trailing-arms", "solid-on-arms"] {
        let found = case(sheet, &[]);
        check(&found, "coilovers", 500.0 - rise, force, length, rate);
    }
    // A solid axle's roll works the arms at their own distance, wheels at theirs.
    let roll = |sheet: &str, out: f64| {
        let due = 2.0 * rate * 1e3 * out * out * std::f64::consts::PI / 180.0;
        let found = case(sheet, &[]);
        near(&found["axles"][0]["roll_rate_nm_per_deg"], due, 0.3, sheet);
    };
    roll("trailing-arms", 0.75);
    roll("solid-on-arms", 0.6);
}

/// What cannot be ends with exit code 2 and both fields named, carets under them.
#[test]
fn what_cannot_be_names_both_fields() {
    for (sheet, set, says) in [
        (
            "trailing-arms",
            "rear.arm.other_pivot=[\"500 mm\", \"560 mm\", \"-180 mm\"]",
            ["rear.arm.pivot", "rear.arm.other_pivot"],
        ),
        (
            "air-springs",
            "front.spring.air_pressure=90 psi",
            ["front.spring.air_pressure", "front.spring.air_table"],
        ),
        (
            "solid-on-arms",
            "rear.coilover.upper=[\"150 mm\", \"600 mm\", \"-400 mm\"]",
            ["upper mount of coilover 'rear left'", "lower mount"],
        ),
    ] {
        let output = run(sheet, &["--set", set]);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{errors}");
        assert!(output.stdout.is_empty());
        for one in says {
            assert!(errors.contains(one), "{one} in\n{errors}");
        }
        assert!(errors.contains("^^^"), "{errors}");
    }
    // Both in the file: a caret under the one, dashes under the other.
    for bad in ["arm-without-axis", "air-pressure-outside", "leaf-and-rate"] {
        let output = run(&format!("../invalid/{bad}"), &[]);
        let errors = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{errors}");
        assert!(errors.contains("^^^") && errors.contains("---"), "{errors}");
    }
}
