//! Weights and their centre against textbook examples and moments by hand.

use stillheight::layout::*;
use stillheight::quantity::{Length, Mass, Point, UnitSystem};
use stillheight::report::{weights_json, weights_text};

fn kg(mass: f64, u: f64) -> Weighed {
    Weighed::new(Mass::new(mass), Mass::new(u))
}

fn wheels(l: f64) -> Wheels {
    Wheels {
        wheelbase: Length::new(l),
        rear_track: Length::from_mm(1500.0),
        front_track: Length::from_mm(1500.0),
        rear_radius: Length::from_mm(310.0),
        front_radius: Length::from_mm(310.0),
        datum_height: Length::from_mm(450.0),
    }
}

fn near(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: {got} {expected}"
    );
}

/// Source: Jazar, Vehicle Dynamics: Theory and Application, ex. 40: wheelbase 2.34
/// m, 2000 N on each front and 1800 N on each rear wheel: 1.108421 m behind the
/// front axle, 1.231579 m before the rear one.
#[test]
fn centre_from_wheel_loads() {
    let g = 9.806_65;
    let scales = Scales {
        rear_left: kg(1800.0 / g, 0.5),
        rear_right: kg(1800.0 / g, 0.5),
        front_left: kg(2000.0 / g, 0.5),
        front_right: kg(2000.0 / g, 0.5),
    };
    let weighing = Weighing {
        scales: Some(scales),
        ..Weighing::default()
    };
    let found = weights(&weighing, &wheels(2.34)).unwrap();
    near(found.centre.x.m(), 1.231_579, 1e-6, "x");
    near(found.centre.y.m(), 0.0, 1e-12, "y");
    assert!(!found.height_known);
}

/// Source: Jazar (slides after the book), ex. 39: 890 kg, centre 0.78 m behind the
/// front axle, wheelbase 2.35 m, g 9.81: 2916.4921 N front, 1448.9579 N rear a wheel.
#[test]
fn centre_from_axle_weights() {
    let weighing = Weighing {
        axles: Some((
            kg(2.0 * 1448.9579 / 9.81, 1.0),
            kg(2.0 * 2916.4921 / 9.81, 1.0),
        )),
        ..Weighing::default()
    };
    let found = weights(&weighing, &wheels(2.35)).unwrap();
    near(found.whole.mass.kg(), 890.0, 1e-4, "mass");
    near(2.35 - found.centre.x.m(), 0.78, 1e-6, "x");
}

/// Own worked case. 1400 kg, wheelbase 2.5 m, wheel centres 0.31 m high, centre
/// 1.1 m before the rear axle and 0.55 m high. Turned about the front wheel
/// centres until the rear ones are 0.5 m up, the centre is, by rotation of its
/// position, at (1.4 cos a - 0.24 sin a) behind them; moments about the rear
/// wheel centres give the load on the front scale. The same with the front up.
#[test]
fn height_of_the_centre_from_raised_weighings() {
    let (m, l, ahead, over) = (1400.0, 2.5, 1.1, 0.24);
    let on_lower = |lift: f64, from_raised: f64| {
        let a = f64::asin(lift / l);
        // Distance of the centre from the raised wheel centres, level, after turning.
        let away = from_raised * a.cos() + over * a.sin();
        m * away / (l * a.cos())
    };
    let raised = |axle, lift: f64, from_raised| Raised {
        axle,
        lift: Length::new(lift),
        lift_uncertainty: Length::from_mm(2.0),
        lower_load: kg(on_lower(lift, from_raised), 1.0),
    };
    near(on_lower(0.5, ahead), 643.434_285, 1e-6, "hand value");
    let front = m * ahead / l;
    let mut weighing = Weighing {
        axles: Some((kg(m - front, 1.0), kg(front, 1.0))),
        raised: vec![
            raised(RaisedAxle::Rear, 0.3, ahead),
            raised(RaisedAxle::Rear, 0.5, ahead),
            raised(RaisedAxle::Front, 0.6, l - ahead),
        ],
        ..Weighing::default()
    };
    let found = weights(&weighing, &wheels(l)).unwrap();
    assert!(found.height_known);
    near(
        found.centre.z.m(),
        0.55 - 0.45,
        1e-9,
        "height over the datum",
    );
    let u = found.sprung.centre_uncertainty.m();
    assert!((0.003..0.02).contains(&u), "{u}");
    // One lift alone gives the textbook formula r + (F l/(m) - a2) cot(theta).
    weighing.raised.truncate(1);
    let found = weights(&weighing, &wheels(l)).unwrap();
    let theta = f64::asin(0.3 / l);
    let formula = 0.31 + (on_lower(0.3, ahead) * l / m - ahead) / theta.tan();
    near(found.centre.z.m() + 0.45, formula, 1e-9, "formula");
}

/// Source: moments (definition): what is unsprung is taken off with its place.
#[test]
fn unsprung_parts_are_taken_off_and_named() {
    let part = |name: &str, mass: f64, at| Part {
        name: name.to_owned(),
        mass: kg(mass, 0.5),
        at,
        place_uncertainty: Length::from_mm(5.0),
    };
    let scales = Scales {
        rear_left: kg(260.0, 0.5),
        rear_right: kg(240.0, 0.5),
        front_left: kg(205.0, 0.5),
        front_right: kg(195.0, 0.5),
    };
    let weighing = Weighing {
        scales: Some(scales),
        unsprung: vec![
            part("rear axle", 110.0, Point::from_mm(0.0, 0.0, -140.0)),
            part("front hubs", 60.0, Point::from_mm(2600.0, 0.0, -140.0)),
        ],
        ..Weighing::default()
    };
    let found = weights(&weighing, &wheels(2.6)).unwrap();
    near(found.sprung.mass.kg(), 730.0, 1e-9, "sprung");
    let x = (900.0 * 2.6 * 400.0 / 900.0 - 60.0 * 2.6) / 730.0;
    near(found.sprung.centre.x.m(), x, 1e-12, "x");
    let y = (20.0 + 10.0) * 0.75 / 730.0;
    near(found.sprung.centre.y.m(), y, 1e-12, "y");
    let text = weights_text(&found, UnitSystem::Metric);
    assert!(
        text.contains("unsprung, taken off: rear axle 110.0 kg"),
        "{text}"
    );
    assert!(text.contains("height not known"));
    assert_eq!(weights_json(&found)["unsprung"][1]["name"], "front hubs");
}

/// Source: moments (definition), worked by hand: 100 kg at (0, 0, 0), 300 kg at
/// (1, 0.2, 0.4).
#[test]
fn a_list_of_parts_has_its_centre() {
    let part = |mass, x, y, z| Part {
        name: "part".to_owned(),
        mass: kg(mass, 0.0),
        at: Point::from_mm(x, y, z),
        place_uncertainty: Length::from_mm(8.0),
    };
    let weighing = Weighing {
        parts: vec![
            part(100.0, 0.0, 0.0, 0.0),
            part(300.0, 1000.0, 200.0, 400.0),
        ],
        ..Weighing::default()
    };
    let found = weights(&weighing, &wheels(2.5)).unwrap();
    assert!(found.height_known);
    near(found.centre.x.mm(), 750.0, 1e-9, "x");
    near(found.centre.y.mm(), 150.0, 1e-9, "y");
    near(found.centre.z.mm(), 300.0, 1e-9, "z");
    let u = 8.0 * 0.25_f64.hypot(0.75);
    near(found.sprung.centre_uncertainty.mm(), u, 1e-9, "uncertainty");
}

#[test]
fn weighings_that_contradict_each_other_name_both_fields() {
    let scales = Scales {
        rear_left: kg(250.0, 0.5),
        rear_right: kg(250.0, 0.5),
        front_left: kg(200.0, 0.5),
        front_right: kg(200.0, 0.5),
    };
    let weighing = |rear: f64| Weighing {
        scales: Some(scales),
        axles: Some((kg(rear, 1.0), kg(400.0, 1.0))),
        ..Weighing::default()
    };
    // 2 kg off: within 2 sqrt(0.5 + 1) = 2.4 kg.
    assert!(weights(&weighing(502.0), &wheels(2.6)).is_ok());
    let error = weights(&weighing(504.0), &wheels(2.6)).unwrap_err();
    let text = error.to_string();
    assert!(
        text.contains("weights.scales.rear_left + rear_right")
            && text.contains("weights.axles.rear"),
        "{text}"
    );
    assert_eq!(error.code(), "layout.contradiction");

    let whole = Weighing {
        whole: Some(kg(930.0, 2.0)),
        ..weighing(500.0)
    };
    assert!(
        weights(&whole, &wheels(2.6))
            .unwrap_err()
            .to_string()
            .contains("weights.whole")
    );
    let nothing = weights(&Weighing::default(), &wheels(2.6)).unwrap_err();
    assert_eq!(nothing.code(), "layout.nothing_to_try");
    let raised = Raised {
        axle: RaisedAxle::Rear,
        lift: Length::from_mm(10.0),
        lift_uncertainty: Length::ZERO,
        lower_load: kg(420.0, 1.0),
    };
    let flat = Weighing {
        raised: vec![raised],
        ..weighing(500.0)
    };
    assert!(
        weights(&flat, &wheels(2.6))
            .unwrap_err()
            .to_string()
            .contains("lift")
    );
}
