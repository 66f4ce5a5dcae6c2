//! Springs of every kind, and coilovers on arms, in the model.

use crate::vehicles::{roomy_unit, sheet, solid_axle, sprung_pair};
use stillheight::geometry::State;
use stillheight::layout::*;
use stillheight::quantity::{Force, Length, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{ArmGeometry, Curve, Model, quantities};

fn linear(rate: f64, free: f64, solid: Option<f64>) -> Spring {
    Spring {
        curve: SpringCurve::Linear(SpringRate::from_n_per_mm(rate)),
        free_length: Length::from_mm(free),
        solid_length: solid.map(Length::from_mm),
        rate_uncertainty: 0.03,
    }
}

/// Source: springs in series, 1/k = 1/k1 + 1/k2 (definition): 30 and 15 N/mm make
/// 10 until the soft one is closed after 60 mm, at 900 N and 90 mm; then 30.
#[test]
fn two_springs_in_series_with_a_stop() {
    let (main, soft) = (
        linear(30.0, 200.0, Some(80.0)),
        linear(15.0, 120.0, Some(40.0)),
    );
    let stack = stacked(
        &main,
        &soft,
        Some(Length::from_mm(60.0)),
        Length::from_mm(10.0),
    )
    .unwrap();
    let curve = Curve::from(&stack.spring.curve);
    assert!((curve.rate(0.045) - 10e3).abs() < 1e-6);
    assert!((curve.force(0.090) - 900.0).abs() < 1e-9);
    assert!((curve.rate(0.120) - 30e3).abs() < 1e-6);
    // The last slope goes on, far beyond the table.
    assert!((curve.force(1.090) - 900.0 - 30e3).abs() < 1e-6);
    assert!((stack.closes_at.unwrap().n() - 900.0).abs() < 1e-9);
    assert!((stack.closes_at_compression.unwrap().mm() - 90.0).abs() < 1e-9);
    assert!((stack.spring.free_length.mm() - 330.0).abs() < 1e-9);
    assert!((stack.spring.solid_length.unwrap().mm() - (80.0 + 60.0 + 10.0)).abs() < 1e-9);
    // Energy is that of both springs at the same force.
    let energy = 500.0_f64.powi(2) / 2.0 * (1.0 / 30e3 + 1.0 / 15e3);
    assert!((curve.energy(0.050) - energy).abs() < 1e-9);
}

/// A helper closes on its coils long before ride height and then only adds length.
#[test]
fn a_helper_closes_and_the_main_spring_is_left() {
    let stack = stacked(
        &linear(40.0, 200.0, None),
        &linear(2.0, 60.0, Some(15.0)),
        None,
        Length::ZERO,
    )
    .unwrap();
    let curve = Curve::from(&stack.spring.curve);
    assert!((stack.closes_at.unwrap().n() - 90.0).abs() < 1e-9);
    assert!((curve.rate(0.060) - 40e3).abs() < 1e-6);
    assert!((curve.compression_at(2000.0).unwrap() - (0.050 + 0.045)).abs() < 1e-12);
    let error = stacked(
        &linear(40.0, 200.0, None),
        &linear(2.0, 60.0, Some(15.0)),
        Some(Length::from_mm(50.0)),
        Length::ZERO,
    )
    .unwrap_err()
    .to_string();
    assert!(error.contains("spring.series.stop") && error.contains("solid_length"));
}

/// Source: own numbers, straight lines by hand.
#[test]
fn a_measured_leaf_spring() {
    let points = [(250.0, 1000.0), (230.0, 1800.0), (215.0, 2700.0)]
        .map(|(h, f)| (Length::from_mm(h), Force::new(f)));
    let spring = measured_spring(&points, 0.02).unwrap();
    // 40 N/mm at first: free at 275 mm.
    assert!((spring.free_length.mm() - 275.0).abs() < 1e-9);
    let curve = Curve::from(&spring.curve);
    assert!((curve.force(0.035) - 1400.0).abs() < 1e-9);
    assert!((curve.rate(0.055) - 60e3).abs() < 1e-6);
    let falling =
        [(250.0, 1000.0), (230.0, 900.0)].map(|(h, f)| (Length::from_mm(h), Force::new(f)));
    assert_eq!(
        measured_spring(&falling, 0.0).unwrap_err(),
        NoSpring::NotPushingMore {
            taller: 0,
            lower: 1
        }
    );
    assert_eq!(
        measured_spring(&points[..1], 0.0).unwrap_err(),
        NoSpring::TooFew { heights: 1 }
    );
}

/// Source: own numbers, straight lines by hand between rows.
#[test]
fn an_air_spring_by_its_table() {
    let mut rows = Vec::new();
    for (height, at_200, at_400) in [
        (180.0, 1500.0, 3000.0),
        (140.0, 1900.0, 3900.0),
        (100.0, 2200.0, 4600.0),
    ] {
        for (pressure_pa, force) in [(200e3, at_200), (400e3, at_400)] {
            rows.push(AirRow {
                height: Length::from_mm(height),
                pressure_pa,
                force: Force::new(force),
            });
        }
    }
    let spring = air_spring(&rows, Some(300e3), 0.05).unwrap();
    let curve = Curve::from(&spring.curve);
    let at = |height_mm: f64| curve.force(spring.free_length.m() - height_mm / 1e3);
    for (height, force) in [
        (180.0, 2250.0),
        (160.0, 2575.0),
        (140.0, 2900.0),
        (100.0, 3400.0),
    ] {
        assert!((at(height) - force).abs() < 1e-6, "{height} {}", at(height));
    }
    assert_eq!(
        air_spring(&rows, Some(500e3), 0.0).unwrap_err(),
        NoSpring::PressureOutside {
            row: 0,
            least_pa: 200e3,
            most_pa: 400e3
        }
    );
    assert_eq!(
        air_spring(&rows, None, 0.0).unwrap_err(),
        NoSpring::PressureMissing { row: 0 }
    );
}

/// A van's rear corners stand on such a spring at the height its curve says.
#[test]
fn the_model_stands_on_a_stack() {
    let stack = stacked(
        &linear(40.0, 250.0, None),
        &linear(20.0, 150.0, None),
        Some(Length::from_mm(40.0)),
        Length::ZERO,
    )
    .unwrap();
    let mut unit = roomy_unit(1.0, 400.0);
    unit.spring = stack.spring;
    let axles = vec![
        sprung_pair("rear", 0.0, 1.5, &unit),
        sprung_pair("front", 2.0, 1.5, &unit),
    ];
    let model = Model::new(&sheet(axles, 400.0, [1000.0, 0.0, 0.0]), &[]);
    let rest = model.equilibrium().unwrap();
    let found = quantities(&model, &rest, &[]);
    // 980.665 N a corner: closed since 800 N at 60 mm, then 40 N/mm.
    let x = 60.0 + 180.665 / 40.0;
    assert!((found.units[0].compression.mm() - x).abs() < 1e-6);
    assert!((found.axles[0].wheel_rate.n_per_mm() - 40.0).abs() < 1e-6);
}

fn trailing_arm(lower_share: f64) -> (ArmGeometry, [f64; 3]) {
    // Pivot ahead of the rear wheel, axis across, arm level, wheel 500 mm behind.
    let (pivot, z) = (0.5, -0.2);
    let lower = [pivot - 0.5 * lower_share, 0.6, z];
    let arm = ArmGeometry::new([[pivot, 0.5, z], [pivot, 0.7, z]], lower, [0.0, 0.75, z]).unwrap();
    (arm, lower)
}

/// Source: Barton & Fieldhouse, Automotive Chassis Engineering (2018), eq. 3.29 to
/// 3.33: a spring at c on an arm with its wheel at b acts at the wheel with
/// k (c/b)^2, "strictly valid only for small displacements"; here upright on a
/// level arm with hardly any force in it, so that it is exact.
#[test]
fn a_coilover_on_an_arm_acts_with_the_square_of_its_lever() {
    let mut unit = roomy_unit(30.0, 300.0);
    unit.hardware = Length::from_mm(100.0);
    let axles = vec![
        sprung_pair("rear", 0.0, 1.5, &unit),
        sprung_pair("front", 2.0, 1.5, &roomy_unit(20.0, 400.0)),
    ];
    let mut model = Model::new(&sheet(axles, 100.0, [1000.0, 0.0, 0.0]), &[]);
    for (name, side) in [("rear left", 1.0), ("rear right", -1.0)] {
        let (arm, lower) = trailing_arm(0.6);
        let mirrored = |p: [f64; 3]| [p[0], p[1] * side, p[2]];
        let arm = if side > 0.0 {
            arm
        } else {
            ArmGeometry::new(
                [[0.5, -0.5, -0.2], [0.5, -0.7, -0.2]],
                mirrored(lower),
                [0.0, -0.75, -0.2],
            )
            .unwrap()
        };
        // Upright over the lower mount, at the length where the spring is just loose.
        let upper = [lower[0], lower[1] * side, lower[2] + 0.4 - 1e-9];
        assert!(model.put_on_arm(name, upper, arm));
    }
    let rates = model.suspension_rates(0, &model.design);
    let expected = 2.0 * 30e3 * 0.36;
    assert!((rates.both_wheels - expected).abs() < 1e-3, "{rates:?}");
    // Derivatives of the whole energy by differences, arms included.
    let q = model.design + State::from([-0.02, 0.01, 0.005, 0.004, -0.003, 0.0, 0.0]);
    let (_, g, h) = model.derivatives(&q);
    for i in 0..5 {
        let mut step = State::zeros();
        step[i] = 1e-6;
        let (up, gu, _) = model.derivatives(&(q + step));
        let (down, gd, _) = model.derivatives(&(q - step));
        assert!(
            ((up - down) / 2e-6 - g[i]).abs() < 1e-2 + 1e-5 * g[i].abs(),
            "{i}"
        );
        let row = (gu - gd) / 2e-6;
        for j in 0..5 {
            assert!(
                (row[j] - h[(i, j)]).abs() < 1e-1 + 1e-6 * h[(i, j)].abs(),
                "{i} {j}"
            );
        }
    }
    let rest = model.equilibrium().unwrap();
    let found = quantities(&model, &rest, &[]);
    // Moments about the pivot: wheel load times the arm is spring force times its lever.
    assert!(found.units[0].coilover && found.units[0].angle.unwrap().deg() < 10.0);
    let sprung = found.axles[0].sprung_mass.kg() * 9.806_65 / 2.0;
    assert!((found.units[0].force.n() * 0.6 / sprung - 1.0).abs() < 0.05);
}

/// The arm's own geometry against a turn by hand: 30 deg up.
#[test]
fn an_arm_turns_as_a_circle() {
    let (arm, lower) = trailing_arm(0.6);
    let rise = 0.5 * 30.0_f64.to_radians().sin();
    assert!((arm.turn(rise).to_degrees() - 30.0).abs() < 1e-9);
    let there = arm.lower(rise);
    let expected = [
        0.5 - 0.3 * 30.0_f64.to_radians().cos(),
        lower[1],
        -0.2 + 0.15,
    ];
    for i in 0..3 {
        assert!((there[i] - expected[i]).abs() < 1e-12, "{there:?}");
    }
    // An axis along the arm does not lift its end.
    assert!(
        ArmGeometry::new(
            [[0.0; 3], [1.0, 0.0, 0.0]],
            [0.3, 0.0, 0.1],
            [0.5, 0.0, 0.0]
        )
        .is_none()
    );
}

/// On a solid axle the arm's end goes with the axle: both arms up alike is the
/// lever squared again, and an axle's roll turns them apart.
#[test]
fn coilovers_on_the_arms_of_a_solid_axle() {
    let unit = roomy_unit(30.0, 300.0);
    let axles = vec![
        solid_axle(0.0, 400.0, &unit),
        sprung_pair("front", 2.0, 1.5, &roomy_unit(20.0, 400.0)),
    ];
    let mut model = Model::new(&sheet(axles, 300.0, [900.0, 0.0, 0.0]), &[]);
    for (name, y) in [("rear left", 0.5), ("rear right", -0.5)] {
        let arm = ArmGeometry::new(
            [[0.5, y - 0.05, -0.2], [0.5, y + 0.05, -0.2]],
            [0.2, y, -0.2],
            [0.0, y, -0.2],
        )
        .unwrap();
        assert!(model.put_on_arm(name, [0.2, y, 0.2 - 1e-9], arm));
    }
    let rates = model.suspension_rates(0, &model.design);
    assert!((rates.both_wheels - 2.0 * 30e3 * 0.36).abs() < 1e-3);
    // Roll: two wheels' rates at the arms' ends, 0.5 m out.
    assert!((rates.roll - 2.0 * 30e3 * 0.36 * 0.25).abs() < 1e-3);
    assert!(model.equilibrium().is_ok());
}

/// Source: springs in series (definition), worked by hand: 25 and 6 N/mm make
/// 150/31 = 4.8387 N/mm until the helper's stop at 30 mm, at 180 N and 37.2 mm of
/// compression; then 25. Free 300 + 60 + 5 mm, solid 120 + (60 - 30) + 5 mm.
#[test]
fn a_helper_spring_of_the_sheet_is_one_spring_with_its_main() {
    let text = include_str!("sheets/valid/helper-spring.toml");
    let made = parse(text, "helper-spring.toml").unwrap().sheet;
    let Suspension::Solid { coilovers, .. } = &made.axles[0].suspension else {
        panic!("a solid rear axle");
    };
    assert_eq!(coilovers.len(), 2);
    for coilover in coilovers {
        let spring = &coilover.unit.spring;
        let curve = Curve::from(&spring.curve);
        assert!((curve.rate(0.020) - 150e3 / 31.0).abs() < 1e-6);
        assert!((curve.force(0.0372) - 180.0).abs() < 1e-9);
        assert!((curve.rate(0.060) - 25e3).abs() < 1e-6);
        assert!((spring.free_length.mm() - 365.0).abs() < 1e-9);
        assert!((spring.solid_length.unwrap().mm() - 155.0).abs() < 1e-9);
    }
    // Its values are set like any other; without an end of its travel it is refused.
    let set = |key: &str, value: &str| parse_with(text, "helper-spring.toml", &[(key, value)]);
    assert!(set("rear.helper_spring.rate", "8 N/mm").is_ok());
    assert!(set("rear.helper_spring.stop", "50 mm").is_err());
    let open = text.replace("solid_length = \"20 mm\"\nstop = \"30 mm\"\n", "");
    let refused = parse(&open, "helper-spring.toml").unwrap_err().to_string();
    assert!(
        refused.contains("rear.helper_spring.solid_length"),
        "{refused}"
    );
}
