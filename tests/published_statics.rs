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

/// Source: f = sqrt(g/delta)/2 pi, worked out for g = 9.80665: 1 Hz 248.405346 mm
/// (9.779738 in), 1.2 Hz 172.503713, 2 Hz 62.101337, 2.5 Hz 39.744855 mm. And Khurmi
/// & Gupta, Theory of Machines, ex. 4.3: 10 mm at g = 9.81 swing with 4.9849 Hz.
#[test]
fn frequencies_of_static_deflections() {
    let khurmi = 4.9849 * (STANDARD_GRAVITY_M_S2 / 9.81_f64).sqrt();
    for (deflection_mm, hertz, within) in [
        (248.405_346, 1.0, 1e-7),
        (9.779_738 * 25.4, 1.0, 1e-7),
        (172.503_713, 1.2, 1e-7),
        (62.101_337, 2.0, 1e-7),
        (39.744_855, 2.5, 1e-7),
        (10.0, khurmi, 5e-5),
    ] {
        let rate = 300.0 * STANDARD_GRAVITY_M_S2 / deflection_mm;
        let mut unit = roomy_unit(rate, 400.0);
        unit.extended = Length::from_mm(800.0);
        unit.compressed = Length::from_mm(50.0);
        let axles = vec![
            sprung_pair("rear", 0.0, 1.5, &unit),
            sprung_pair("front", 2.0, 1.5, &unit),
        ];
        let found = rest(&sheet(axles, 1200.0, [1000.0, 0.0, 0.0]));
        let got = found.axles[0].frequency.unwrap().hz();
        assert_near(got, hertz, within, "frequency");
        assert_near(
            found.units[0].compression.mm(),
            deflection_mm,
            1e-6,
            "deflection",
        );
    }
}

/// Frequencies of two coordinates from their stiffness and mass matrices, Hz.
fn two_modes(k: [f64; 3], m: [f64; 3]) -> [f64; 2] {
    // det(K - w^2 M) = 0, a quadratic in w^2.
    let a = m[0] * m[2] - m[1] * m[1];
    let b = -(k[0] * m[2] + k[2] * m[0] - 2.0 * k[1] * m[1]);
    let c = k[0] * k[2] - k[1] * k[1];
    let root = (b * b - 4.0 * a * c).sqrt();
    [(-b - root) / (2.0 * a), (-b + root) / (2.0 * a)]
        .map(|square| square.sqrt() / std::f64::consts::TAU)
}

/// Source: Barton & Fieldhouse, Automotive Chassis Engineering (2018), sec. 3.13,
/// 317.5 kg on 22 kN/m, 45.4 kg on 192 kN/m: 1.25392353 and 10.93531696 Hz (printed
/// 1.25 and 10.9). The stiffness is the model's own second derivative.
#[test]
fn both_modes_of_the_quarter_car() {
    let unit = roomy_unit(22.0, 500.0);
    let mut axles = vec![
        sprung_pair("rear", 0.0, 1.5, &unit),
        sprung_pair("front", 2.5, 1.5, &unit),
    ];
    for axle in &mut axles {
        axle.support = Support::Tyres(Tyre {
            radius: Length::from_mm(320.0),
            rate: SpringRate::from_n_per_mm(192.0),
            rate_uncertainty: 0.1,
        });
        axle.unsprung = Mass::new(2.0 * 45.4);
    }
    let model = Model::new(&sheet(axles, 4.0 * 317.5, [1250.0, 0.0, -200.0]), &[]);
    let rest = model.equilibrium().unwrap();
    let (_, _, h) = model.derivatives(&rest.state);
    // All four corners alike: the frame up, all wheels up.
    let sum = |rows: std::ops::Range<usize>, columns: std::ops::Range<usize>| -> f64 {
        rows.map(|i| columns.clone().map(|j| h[(i, j)]).sum::<f64>())
            .sum()
    };
    let k = [sum(0..1, 0..1), sum(0..1, 3..7), sum(3..7, 3..7)];
    let [body, hop] = two_modes(k, [4.0 * 317.5, 0.0, 4.0 * 45.4]);
    assert_near(body, 1.253_923_53, 1e-7, "body");
    assert_near(hop, 10.935_316_96, 1e-6, "wheel hop");
}

/// Source: bounce and pitch of a body on two axles (problem data from a page of
/// questions and answers, solved here with the textbook's two equations): 1600 kg,
/// radius of gyration 0.95 m, 2 x 19 kN/m in front, 2 x 17 kN/m behind, 2.9 m apart,
/// the centre 1.6 m ahead of the rear: 1.06549984 and 1.63031882 Hz.
#[test]
fn bounce_and_pitch_of_a_body_on_two_axles() {
    let (mass, ahead, gyration) = (1600.0, 1.6, 0.95);
    let axles = vec![
        sprung_pair("rear", 0.0, 1.5, &roomy_unit(17.0, 500.0)),
        sprung_pair("front", 2.9, 1.5, &roomy_unit(19.0, 500.0)),
    ];
    // The centre as high as the springs act, and the frame level: no lever but x.
    let mut axles = axles;
    let g = STANDARD_GRAVITY_M_S2;
    let squeeze = [
        mass * g * (2.9 - ahead) / 2.9 / 34e3,
        mass * g * ahead / 2.9 / 38e3,
    ];
    for (axle, squeeze) in axles.iter_mut().zip(squeeze) {
        if let Suspension::Independent { left, right, .. } = &mut axle.suspension {
            for corner in [left, right] {
                let unit = &mut corner.unit;
                unit.spring.free_length =
                    corner.design_length - unit.hardware + Length::new(squeeze);
            }
        }
    }
    let model = Model::new(&sheet(axles, mass, [ahead * 1e3, 0.0, -200.0]), &[]);
    let rest = model.equilibrium().unwrap();
    assert_near(rest.state[2], 0.0, 1e-9, "level");
    let (_, _, h) = model.derivatives(&rest.state);
    // Coordinates: the origin over the rear axle up, pitch with the nose down.
    let k = [h[(0, 0)], h[(0, 2)], h[(2, 2)]];
    let inertia = mass * (gyration * gyration + ahead * ahead);
    let [bounce, pitch] = two_modes(k, [mass, -mass * ahead, inertia]);
    assert_near(bounce, 1.065_499_84, 1e-7, "bounce");
    assert_near(pitch, 1.630_318_82, 1e-7, "pitch");
}

/// Source: tilt of each axis of a three-axis accelerometer, the formulas of the
/// Linux kernel's driver for such a chip: ax 0.1, ay 0.2, az 0.97 are 5.765552190 and
/// 11.590544426 deg. The roll angle atan2(ay, az) would be 11.650299: not what an
/// inclinometer across the frame shows.
#[test]
fn an_inclinometer_shows_its_axis_and_not_the_roll_angle() {
    let size = (0.1_f64.powi(2) + 0.2_f64.powi(2) + 0.97_f64.powi(2)).sqrt();
    let mut q = stillheight::geometry::State::zeros();
    q[1] = 0.2_f64.atan2(0.97);
    // Nose down is positive, and ax > 0 is nose up.
    q[2] = -(0.1 / size).asin();
    let frame = stillheight::geometry::FramePose::new(&q);
    assert_near(q[1].to_degrees(), 11.650_299, 1e-6, "roll angle");
    let across: f64 = frame.tilt_across();
    let along: f64 = frame.tilt_along();
    assert_near(across.to_degrees(), 11.590_544_426, 1e-8, "across");
    assert_near(along.to_degrees(), -5.765_552_190, 1e-8, "along");
}

/// Source: slope tables (tan, Machinery's Handbook has the same): 1 mm/m is
/// 0.0572957604 deg, 0.1 deg 1.74533, 1 deg 17.45506, 10 deg 176.32698 mm/m. Pressure:
/// NIST SP 811: 1 psi = 6894.757293168361 Pa.
#[test]
fn slopes_and_pressures_as_people_write_them() {
    use stillheight::quantity::{Dimension, read};
    for (slope, degrees, within) in [
        ("1 mm/m", 0.057_295_760_4, 1e-10),
        ("1.74533 mm/m", 0.1, 1e-6),
        ("17.45506 mm/m", 1.0, 1e-6),
        ("176.32698 mm/m", 10.0, 1e-6),
    ] {
        let read = read(slope, Dimension::Angle).unwrap().si.to_degrees();
        assert_near(read, degrees, within, slope);
    }
    for (text, pascals) in [
        ("1 psi", 6_894.757_293_168_361),
        ("3.2 bar", 320e3),
        ("320 kPa", 320e3),
        ("0.32 N/mm2", 320e3),
    ] {
        let read = read(text, Dimension::Pressure).unwrap().si;
        assert_near(read, pascals, 1e-9 * pascals, text);
    }
}
