//! Three whole identifications against a general solver.
//!
//! The numbers were made once with NumPy and SciPy: a frame on four corners on
//! blocks written anew there from its definition (heights of turned points,
//! springs with seats, a push in every unit, weights by moments), its rest by
//! `scipy.optimize.root` and three Newton steps, readings drawn with that model
//! and rounded to 0.01 mm, and the unknowns found by `scipy.optimize.least_squares`
//! (trust region, numerical Jacobian); standard uncertainties from the inverse of
//! J'J at the end by central differences. Nothing of this project was used.
#![allow(clippy::unreadable_literal, reason = "numbers as SciPy printed them")]

use crate::simulated_loadtest::unit;
use stillheight::posture::Observation;
use stillheight::quantity::{Angle, Force, Length, Mass, Moment, Point, Span, UnitSystem};
use stillheight::sheet::*;
use stillheight::trials::loadtest::*;

const NOISE_M: f64 = 0.5e-3;

/// Rigid frame, four corners with a motion ratio of 1 on blocks, a distance
/// sensor near each.
fn pad() -> BuildSheet {
    let corner = |name: &str, rate: f64, free_mm: f64, friction: f64| {
        let mut unit = unit(rate, free_mm, friction);
        unit.friction = Force::new(friction);
        Corner {
            arm: None,
            name: name.to_owned(),
            unit,
            design_length: Length::from_mm(400.0),
            motion_ratio: vec![(Length::ZERO, 1.0)],
        }
    };
    let axle = |name: &str, x, track, left, right| Axle {
        name: name.to_owned(),
        x: Length::from_mm(x),
        track: Length::from_mm(track),
        unsprung: Mass::new(60.0),
        design_height: Length::from_mm(300.0),
        support: Support::Blocks {
            left: Length::from_mm(300.0),
            right: Length::from_mm(300.0),
        },
        suspension: Suspension::Independent {
            left,
            right,
            roll_centre: None,
        },
        anti_roll_bar: None,
    };
    let spots = [
        ("rear left", 0.0, 400.0),
        ("rear right", 0.0, -400.0),
        ("front left", 2300.0, 400.0),
        ("front right", 2300.0, -400.0),
    ];
    let sensors = spots.map(|(name, x, y)| Sensor {
        name: name.to_owned(),
        connection: Connection {
            port: None,
            baud: 115_200,
            protocol: Protocol::Wire {
                device: 1,
                channel: 0,
            },
        },
        reads: Measurand::FrameToFloor {
            from: Point::from_mm(x, y, 0.0),
        },
        zero: 0.0,
        zero_uncertainty: 0.001,
        scale_uncertainty: 0.003,
        deadline_s: 1.0,
    });
    BuildSheet {
        name: "pad".to_owned(),
        units: UnitSystem::Metric,
        wheelbase: Length::from_mm(2400.0),
        design_height: Length::from_mm(500.0),
        stations: Vec::new(),
        axles: vec![
            axle(
                "rear",
                0.0,
                1400.0,
                corner("rear left", 22.0, 360.0, 40.0),
                corner("rear right", 22.0, 360.0, 40.0),
            ),
            axle(
                "front",
                2400.0,
                1300.0,
                corner("front left", 26.0, 355.0, 50.0),
                corner("front right", 26.0, 355.0, 50.0),
            ),
        ],
        sprung: SprungWeight {
            mass: Mass::new(520.0),
            centre: Point::from_mm(1100.0, 0.0, 150.0),
            mass_uncertainty: Mass::new(10.0),
            centre_uncertainty: Length::from_mm(20.0),
        },
        loads: Vec::new(),
        cases: vec![LoadCase {
            name: "bare".to_owned(),
            loads: Vec::new(),
        }],
        targets: Targets {
            case: 0,
            heights: Vec::new(),
            roll: None,
            pitch: None,
            links: Vec::new(),
        },
        floor: Floor {
            roll: Angle::ZERO,
            pitch: Angle::ZERO,
            slope_uncertainty: Angle::ZERO,
            flatness: Length::from_mm(1.0),
            under_wheels: [[Length::ZERO; 2]; 2],
        },
        shelf: Vec::new(),
        sensors: sensors.to_vec(),
    }
}

fn put(body: &str, kg: f64, u: f64, at_m: [f64; 3], place: f64) -> Load {
    Load::Placed(PlacedLoad {
        body: body.to_owned(),
        mass_kg: kg,
        mass_uncertainty_kg: u,
        at_m,
        place_uncertainty_m: place,
    })
}

/// Every step bounced; distances in metres.
fn confirm(steps: &[(Vec<Load>, [f64; 4])], rates: [(f64, f64); 4], weight: (f64, f64), chi: f64) {
    let sheet = pad();
    let steps: Vec<Step> = steps
        .iter()
        .enumerate()
        .map(|(i, (loads, values))| Step {
            at: Moment::from_unix_us(1_700_000_000_000_000) + Span::from_s(60.0 * i as f64),
            loads: loads.clone(),
            approach: Approach::Bounced,
            readings: values
                .iter()
                .enumerate()
                .map(|(sensor, &value)| Observation {
                    sensor,
                    value,
                    uncertainty: NOISE_M.hypot(0.001).hypot(0.003 * value),
                })
                .collect(),
        })
        .collect();
    let found = identify(&sheet, &steps).unwrap();
    assert!(found.misfits.is_empty() && found.doubted_axles.is_empty());
    assert!(
        (found.chi_square - chi).abs() < 1e-3,
        "{} {chi}",
        found.chi_square
    );
    let near = |f: &Finding, (value, u): (f64, f64), what: &str| {
        // A thousandth of the standard uncertainty, and of itself for that. SciPy's
        // least squares ends at the likeliest values.
        let likeliest = found.likeliest(&sheet, f.key);
        assert!(
            (likeliest - value).abs() < 1e-3 * u,
            "{what}: {likeliest} {value}"
        );
        // The mean of a test that tells this much lies near by.
        assert!((f.value - value).abs() < 0.25 * u, "{what}: {}", f.value);
        assert!(
            (f.uncertainty / u - 1.0).abs() < 1e-3,
            "{what}: u {} {u}",
            f.uncertainty
        );
    };
    for (u, rate) in rates.into_iter().enumerate() {
        near(found.get(Key::UnitRate(u)).unwrap(), rate, "rate");
    }
    near(found.get(Key::Weight).unwrap(), weight, "weight");
}

/// Source: SciPy, as told above.
#[test]
fn loads_over_the_middle() {
    confirm(
        &[
            (vec![], [0.50404, 0.49585, 0.50835, 0.50735]),
            (
                vec![put("person", 80.0, 1.0, [0.3, 0.0, 0.35], 0.03)],
                [0.48812, 0.48108, 0.50564, 0.50374],
            ),
            (vec![], [0.50363, 0.49637, 0.50889, 0.50801]),
            (
                vec![put("person", 80.0, 1.0, [2.0, 0.0, 0.35], 0.03)],
                [0.50125, 0.49128, 0.49621, 0.49434],
            ),
            (vec![], [0.50235, 0.49528, 0.50773, 0.50769]),
        ],
        [
            (1.0405027, 0.0383005),
            (1.0054168, 0.0370952),
            (1.0134443, 0.0407454),
            (0.9391695, 0.0384458),
        ],
        (519.38952, 8.72442),
        27.020610,
    );
}

/// Source: SciPy, as told above.
#[test]
fn loads_at_the_sides() {
    confirm(
        &[
            (vec![], [0.49525, 0.50352, 0.51013, 0.50702]),
            (
                vec![put("person", 80.0, 1.0, [0.2, 0.45, 0.35], 0.03)],
                [0.47584, 0.49088, 0.50401, 0.50828],
            ),
            (
                vec![put("person", 80.0, 1.0, [0.2, -0.45, 0.35], 0.03)],
                [0.48225, 0.48471, 0.51213, 0.50131],
            ),
            (vec![], [0.49579, 0.50312, 0.50964, 0.50609]),
            (
                vec![put("bags", 100.0, 0.5, [2.1, 0.4, 0.15], 0.015)],
                [0.48921, 0.50376, 0.48827, 0.49348],
            ),
            (
                vec![
                    put("bags", 100.0, 0.5, [2.1, 0.4, 0.15], 0.015),
                    put("person", 80.0, 1.0, [0.2, -0.45, 0.35], 0.03),
                ],
                [0.47579, 0.48613, 0.48993, 0.48850],
            ),
            (vec![], [0.49506, 0.50224, 0.51027, 0.50709]),
        ],
        [
            (1.0078689, 0.0293068),
            (1.0565146, 0.0305447),
            (0.9223013, 0.0261523),
            (0.9793990, 0.0337727),
        ],
        (518.49893, 8.53929),
        30.047165,
    );
}

/// Source: SciPy, as told above.
#[test]
fn springs_that_are_off() {
    confirm(
        &[
            (vec![], [0.50206, 0.50104, 0.50631, 0.50793]),
            (
                vec![put("person", 90.0, 1.0, [0.1, 0.5, 0.35], 0.03)],
                [0.47904, 0.48480, 0.50080, 0.51070],
            ),
            (
                vec![put("person", 90.0, 1.0, [0.1, -0.5, 0.35], 0.03)],
                [0.48651, 0.47627, 0.50937, 0.50154],
            ),
            (
                vec![put("person", 90.0, 1.0, [2.2, 0.5, 0.35], 0.03)],
                [0.49576, 0.50275, 0.48706, 0.49627],
            ),
            (
                vec![put("person", 90.0, 1.0, [2.2, -0.5, 0.35], 0.03)],
                [0.50440, 0.49437, 0.49392, 0.48758],
            ),
            (vec![], [0.50082, 0.49966, 0.50618, 0.50753]),
        ],
        [
            (1.0389491, 0.0283956),
            (1.0017873, 0.0275333),
            (0.9868187, 0.0291982),
            (0.9519016, 0.0286061),
        ],
        (517.95687, 8.60640),
        15.497000,
    );
}
