//! The fall of the wheel rate with lean against virtual work.

use crate::layout_candidates::{spring, van_with_cases};
use stillheight::layout::*;
use stillheight::quantity::{Angle, Length, UnitSystem};
use stillheight::report::{lean_json, lean_svg, lean_text};
use stillheight::sheet::Suspension;

fn fall(with_link: bool) -> LeanFall {
    let mut sheet = van_with_cases();
    sheet.cases.truncate(1);
    if let Suspension::Solid { link, .. } = &mut sheet.axles[0].suspension
        && !with_link
    {
        *link = None;
    }
    let leans: Vec<_> = [0.0, 5.0, 12.0, 20.0, 30.0, 45.0]
        .map(Angle::from_deg)
        .into();
    let travel = Length::from_mm(30.0);
    lean_fall(
        &sheet,
        &Wish::new(0, 0),
        &spring(30.0, 300.0),
        &leans,
        travel,
    )
    .unwrap()
}

/// Source: cosine tables (cos^2 of 5, 12, 20, 30, 45 deg = 0.992404, 0.956773,
/// 0.883022, 0.75, 0.5), and virtual work for the exact rate of an axle that
/// goes straight up: nothing is left beside k cos^2 a and -F sin^2 a / l.
#[test]
fn exact_is_the_rule_less_the_force_term_without_a_link() {
    let rule = [1.0, 0.992_404, 0.956_773, 0.883_022, 0.75, 0.5];
    for (row, cos2) in fall(false).rows.iter().zip(rule) {
        // The frame pitches by some hundredths of a degree on its other axle.
        assert!((row.cos2 - cos2).abs() < 2e-3, "{row:?}");
        assert!(row.rest_term.abs() < 1e-9, "{row:?}");
        assert!(row.exact <= row.cos2 + 1e-9);
    }
}

/// Source: virtual work at the ends of the travel with hand geometry: the lower
/// mount 30 mm nearer to or farther from the upper one, straight up.
#[test]
fn the_angle_changes_through_travel() {
    let fall = fall(false);
    let row = &fall.rows[4];
    let (k, f) = (row.rate.n_per_m(), row.force.n());
    // Mean of the default sag band: a stroke of 160 mm from 460 mm.
    let l = 0.460 - 0.325 * 0.160;
    let (rise, side) = (l * 30.0_f64.to_radians().cos(), l * 0.5);
    for (end, dz) in [(row.bump, 0.030), (row.droop, -0.030)] {
        let end = end.unwrap();
        let there = (rise - dz).hypot(side);
        let angle = side.atan2(rise - dz);
        let force = f + k * (l - there);
        let factor = angle.cos().powi(2) - force * angle.sin().powi(2) / (there * k);
        assert!((end.angle.rad() - angle).abs() < 2e-3, "{end:?} {angle}");
        assert!((end.factor - factor).abs() < 5e-3, "{end:?} {factor}");
    }
    assert!(row.bump.unwrap().factor < row.exact && row.exact < row.droop.unwrap().factor);
}

#[test]
fn a_link_moves_the_axle_sideways_and_that_is_told() {
    let rows = fall(true).rows;
    assert!(rows.iter().any(|r| r.rest_term.abs() > 1e-4), "{rows:?}");
    let travel = Length::from_mm(200.0);
    let sheet = van_with_cases();
    let beyond = lean_fall(
        &sheet,
        &Wish::new(0, 0),
        &spring(30.0, 300.0),
        &[Angle::ZERO],
        travel,
    )
    .unwrap();
    assert!(beyond.rows[0].bump.is_none());
    let text = lean_text(&beyond, UnitSystem::Metric);
    assert!(text.contains("beyond"), "{text}");
}

#[test]
fn table_json_and_plot() {
    let fall = fall(true);
    assert!(lean_text(&fall, UnitSystem::Inch).contains("force term"));
    assert_eq!(lean_json(&fall)["rows"].as_array().unwrap().len(), 6);
    let svg = lean_svg(&fall, UnitSystem::Metric);
    assert!(svg.starts_with("<svg") && svg.matches("<polyline").count() == 4);
}
