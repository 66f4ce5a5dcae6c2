//! The statics against worked examples and identities from outside.

use crate::vehicles::{leaning, roomy_unit, sheet, solid_axle, sprung_pair};
use stillheight::quantity::{Force, Length, Mass, RollRate, STANDARD_GRAVITY_M_S2, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{CaseQuantities, Model, quantities};

fn rest(sheet: &BuildSheet) -> CaseQuantities {
    let model = Model::new(sheet, &[]);
    let rest = model.equilibrium().unwrap();
    quantities(&model, &rest, &sheet.stations)
}

fn assert_near(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: got {got}, expected {expected}"
    );
}

/// Source: virtual work; the rate at the wheel of a coilover leaning by a under
/// a force F, length l, is k cos^2 a - F sin^2 a / l (exact for an axle that
/// goes straight up). cos^2 12 deg = 0.956773, cos^2 30 deg = 0.75 (tables).
#[test]
fn a_leaning_coilover_has_k_cos2_a_less_the_force_term() {
    for (lean, cos2) in [(0.0_f64, 1.0), (12.0, 0.956_773), (30.0, 0.75)] {
        let axle = solid_axle(lean, 400.0, &roomy_unit(40.0, 360.0));
        let front = sprung_pair("front", 2.5, 1.5, &roomy_unit(20.0, 360.0));
        let found = rest(&sheet(vec![axle, front], 400.0, [1000.0, 0.0, 300.0]));
        let unit = &found.units[0];
        let (l, f) = (unit.length.m(), unit.force.n());
        let a = unit.angle.unwrap().rad();
        let exact = 40e3 * a.cos().powi(2) - f * a.sin().powi(2) / l;
        // A small pitch moves the upper mount by under 0.1 mm sideways of nothing: angles are total.
        assert_near(
            found.axles[0].wheel_rate.n_per_m(),
            exact,
            1e-6 * exact,
            "wheel rate",
        );
        // Without load on it (F = 0) only cos^2 of the leaning angle is left.
        let loose = 40.0 * cos2;
        assert!((exact / 1e3 - loose).abs() < 0.08 * loose);
    }
}

/// Source: Barton & Fieldhouse, Automotive Chassis Engineering (2018), sec. 3.13:
/// 317.5 kg on 22 kN/m over a tyre of 192 kN/m: ride rate 19738.317757 N/m,
/// 1.254883 Hz, static deflections 141.576 and 18.542 mm (with g = 9.81).
#[test]
fn quarter_car_in_series_with_its_tyre() {
    let unit = roomy_unit(22.0, 500.0);
    let tyre = Tyre {
        radius: Length::from_mm(320.0),
        rate: SpringRate::from_n_per_mm(192.0),
        rate_uncertainty: 0.1,
    };
    let mut rear = sprung_pair("rear", 0.0, 1.5, &unit);
    let mut front = sprung_pair("front", 2.5, 1.5, &unit);
    for axle in [&mut rear, &mut front] {
        axle.support = Support::Tyres(tyre);
        axle.unsprung = Mass::new(2.0 * 45.4);
    }
    let found = rest(&sheet(vec![rear, front], 4.0 * 317.5, [1250.0, 0.0, 200.0]));
    let axle = &found.axles[0];
    assert_near(axle.ride_rate.n_per_m(), 19_738.317_757, 1e-5, "ride rate");
    // The body pitches by nothing here, so the corner is the book's quarter car.
    assert_near(axle.frequency.unwrap().hz(), 1.254_883, 1e-6, "frequency");
    let g = STANDARD_GRAVITY_M_S2 / 9.81;
    assert_near(
        found.units[0].compression.mm(),
        141.576 * g,
        1e-3,
        "spring deflection",
    );
    let tyre_mm = axle.wheel_loads[0].n() / 192.0;
    assert_near(tyre_mm, 18.542 * g, 1e-3, "tyre deflection");
}

/// Source: f = sqrt(g/delta)/2 pi; 1.5 Hz belongs to 110.402376 mm (g 9.80665).
#[test]
fn static_deflection_and_frequency() {
    let rate = 300.0 * STANDARD_GRAVITY_M_S2 / 0.110_402_376 / 1e3;
    let unit = roomy_unit(rate, 400.0);
    let axles = vec![
        sprung_pair("rear", 0.0, 1.5, &unit),
        sprung_pair("front", 2.0, 1.5, &unit),
    ];
    let found = rest(&sheet(axles, 1200.0, [1000.0, 0.0, 0.0]));
    assert_near(
        found.units[0].compression.mm(),
        110.402_376,
        1e-6,
        "deflection",
    );
    assert_near(
        found.axles[1].frequency.unwrap().hz(),
        1.5,
        1e-7,
        "frequency",
    );
}

/// Source: K = k t^2 / 2; 25 kN/m at 1.5 m is 28125 N m/rad = 490.873852 N m/deg
/// (lecture notes of a university; definition).
#[test]
fn roll_rate_of_two_wheels() {
    let unit = roomy_unit(25.0, 400.0);
    let mut axle = sprung_pair("rear", 0.0, 1.5, &unit);
    let front = sprung_pair("front", 2.0, 1.5, &unit);
    let found = rest(&sheet(
        vec![axle.clone(), front.clone()],
        800.0,
        [1000.0, 0.0, 0.0],
    ));
    assert_near(
        found.axles[0].roll_rate.nm_per_deg(),
        490.873_852,
        1e-5,
        "roll rate",
    );
    // An anti-roll bar adds its own.
    axle.anti_roll_bar = Some(RollRate::from_nm_per_deg(100.0));
    let found = rest(&sheet(vec![axle, front], 800.0, [1000.0, 0.0, 0.0]));
    assert_near(
        found.axles[0].roll_rate.nm_per_deg(),
        590.873_852,
        1e-5,
        "with bar",
    );
}

/// Source: P/n + Mx x/sum x^2 + My y/sum y^2 for a rigid pad on equal springs
/// (rigid pile-cap formula). 6 x 4 ft, 100 at 2 ft and 1 ft from the centre:
/// one corner lifts, and statics gives 58.3333, 25, 16.6667. With the load at a
/// quarter of that offset all four carry: 25 +- 100*0.5*3/36 +- 100*0.25*2/16.
#[test]
fn rigid_pad_on_four_springs_with_and_without_lift_off() {
    const FT: f64 = 0.3048;
    // Soft pad: small deflections, so that the frame's tilt changes no lever.
    let unit = roomy_unit(2.0e5, 400.0);
    let loads = |x_ft: f64, y_ft: f64| {
        let axles = vec![
            sprung_pair("rear", 0.0, 4.0 * FT, &unit),
            sprung_pair("front", 6.0 * FT, 4.0 * FT, &unit),
        ];
        // The pad's plane through the tops of the springs: no height, no lever.
        let mass = 100.0;
        let centre = [(3.0 + x_ft) * FT * 1e3, y_ft * FT * 1e3, -200.0];
        let found = rest(&sheet(axles, mass, centre));
        found
            .units
            .iter()
            .map(|u| u.force.n() / STANDARD_GRAVITY_M_S2)
            .collect::<Vec<_>>()
    };
    // rear left, rear right, front left, front right
    let tilted = loads(2.0, 1.0);
    for (got, expected) in tilted.iter().zip([16.6667, 0.0, 58.3333, 25.0]) {
        assert_near(*got, expected, 2e-3, "lifted pad");
    }
    let (px, py) = (100.0 * 0.5 * 3.0 / 36.0, 100.0 * 0.25 * 2.0 / 16.0);
    let flat = loads(0.5, 0.25);
    let expected = [
        25.0 - px + py,
        25.0 - px - py,
        25.0 + px + py,
        25.0 + px - py,
    ];
    for (got, expected) in flat.iter().zip(expected) {
        assert_near(*got, expected, 2e-3, "pad on four");
    }
}

/// Source: Khurmi & Gupta, Theory of Machines, ex. 4.4: a spring of 1800 N/m at
/// half the arm's length acts like 450 N/m at its end: the square of the motion ratio.
#[test]
fn motion_ratio_acts_squared() {
    let unit = roomy_unit(1.8, 600.0);
    let mut axle = sprung_pair("rear", 0.0, 1.5, &unit);
    if let Suspension::Independent { left, right, .. } = &mut axle.suspension {
        for corner in [left, right] {
            corner.motion_ratio = vec![(Length::ZERO, 0.5)];
        }
    }
    let front = sprung_pair("front", 2.0, 1.5, &roomy_unit(20.0, 400.0));
    let found = rest(&sheet(vec![axle, front], 100.0, [600.0, 0.0, 0.0]));
    assert_near(
        found.axles[0].wheel_rate.n_per_m(),
        450.0,
        1e-9,
        "wheel rate",
    );
}

/// Source: the wheel rate k MR^2 + F dMR/dz for a motion ratio that changes
/// through the travel (virtual work).
#[test]
fn a_changing_motion_ratio_adds_the_force_term() {
    let unit = roomy_unit(30.0, 380.0);
    let mut axle = sprung_pair("rear", 0.0, 1.5, &unit);
    let table = vec![
        (Length::from_mm(-100.0), 0.5),
        (Length::from_mm(100.0), 0.9),
    ];
    if let Suspension::Independent { left, right, .. } = &mut axle.suspension {
        left.motion_ratio.clone_from(&table);
        right.motion_ratio = table;
    }
    let front = sprung_pair("front", 2.0, 1.5, &roomy_unit(20.0, 400.0));
    let sheet = sheet(vec![axle, front], 500.0, [900.0, 0.0, 0.0]);
    let model = Model::new(&sheet, &[]);
    let rest = model.equilibrium().unwrap();
    let found = quantities(&model, &rest, &[]);
    // The wheel stands at 0.3 m; the frame point beside it, 0.2 m under the
    // datum at x = 0, has come down with the frame.
    let travel = 0.3 - (rest.state[0] - 0.2 * rest.state[2].cos());
    let ratio = 0.7 + travel * 2.0;
    let slope = 2.0;
    let expected = 30e3 * ratio * ratio + found.units[0].force.n() * slope;
    assert_near(
        found.axles[0].wheel_rate.n_per_m(),
        expected,
        1e-6 * expected,
        "wheel rate",
    );
}

/// Source: the lever rule: a mass moved by dx along the wheelbase L shifts
/// m g dx / L from one axle to the other (definition).
#[test]
fn moving_a_mass_along_the_wheelbase_shifts_load_by_the_lever_rule() {
    let unit = roomy_unit(1e4, 400.0);
    let axles = || {
        vec![
            sprung_pair("rear", 0.0, 1.5, &unit),
            sprung_pair("front", 2.5, 1.5, &unit),
        ]
    };
    let front = |x_mm: f64| {
        let found = rest(&sheet(axles(), 500.0, [x_mm, 0.0, -200.0]));
        found.axles[1].sprung_mass.kg()
    };
    assert_near(
        front(1400.0) - front(1200.0),
        500.0 * 0.2 / 2.5,
        1e-4,
        "shift",
    );
}

/// Source: Jazar, Vehicle Dynamics, ex. 40: 2.34 m wheelbase, wheel loads 2000 N
/// front and 1800 N rear put the centre 1.108421 m behind the front axle.
#[test]
fn wheel_loads_of_a_car_from_its_centre() {
    let unit = roomy_unit(1e4, 400.0);
    let axles = vec![
        sprung_pair("rear", 0.0, 1.5, &unit),
        sprung_pair("front", 2.34, 1.5, &unit),
    ];
    let mass = 7600.0 / STANDARD_GRAVITY_M_S2;
    let found = rest(&sheet(axles, mass, [(2.34 - 1.108_421) * 1e3, 0.0, -200.0]));
    for (axle, expected) in found.axles.iter().zip([1800.0, 2000.0]) {
        for load in axle.wheel_loads {
            assert_near(load.n(), expected, 0.01, &axle.name);
        }
    }
}

/// Source: the sum of a coilover's vertical force over both sides carries the
/// axle's share of the weight (statics); collars raise the frame, not the load.
#[test]
fn leaning_coilovers_carry_their_share_through_the_cosine() {
    let mut axle = solid_axle(15.0, 400.0, &roomy_unit(40.0, 360.0));
    if let Suspension::Solid { coilovers, .. } = &mut axle.suspension {
        *coilovers = vec![
            leaning(
                "rear left",
                Side::Left,
                15.0,
                400.0,
                roomy_unit(40.0, 360.0),
            ),
            leaning(
                "rear right",
                Side::Right,
                15.0,
                400.0,
                roomy_unit(40.0, 360.0),
            ),
        ];
    }
    let front = sprung_pair("front", 2.5, 1.5, &roomy_unit(20.0, 360.0));
    let found = rest(&sheet(vec![axle, front], 400.0, [1000.0, 0.0, 300.0]));
    let vertical: f64 = found.units[..2]
        .iter()
        .map(|u| u.force.n() * u.angle.unwrap().rad().cos())
        .sum();
    let carried = found.axles[0].sprung_mass.kg() * STANDARD_GRAVITY_M_S2;
    assert_near(vertical, carried, 1e-6, "vertical force");
    let blocks: Force = found.axles[0].wheel_loads[0] + found.axles[0].wheel_loads[1];
    assert_near(
        blocks.n(),
        carried + 100.0 * STANDARD_GRAVITY_M_S2,
        1e-6,
        "on the blocks",
    );
}
