//! The lateral link through its travel against Pythagoras.

use crate::vehicles::{roomy_unit, sheet, solid_axle, sprung_pair};
use stillheight::layout::*;
use stillheight::quantity::{Length, Point, UnitSystem};
use stillheight::report::{link_json, link_svg, link_text};
use stillheight::sheet::*;

/// A van on blocks whose link is level at rest but for `rise_mm`, 900 mm across.
fn study(rise_mm: f64, down: f64, up: f64) -> LinkStudy {
    let unit = roomy_unit(40.0, 360.0);
    let mut rear = solid_axle(0.0, 400.0, &unit);
    let front = sprung_pair("front", 2.5, 1.5, &unit);
    // At rest the frame stands somewhere: found first, then the link is put there.
    let mut made = sheet(vec![rear.clone(), front.clone()], 400.0, [1000.0, 0.0, 0.0]);
    let rest = stillheight::statics::Model::new(&made, &[])
        .equilibrium()
        .unwrap();
    let down_mm = (rest.state[0] - 0.3) * 1e3;
    if let Suspension::Solid { link, .. } = &mut rear.suspension {
        *link = Some(LateralLink {
            name: "link".to_owned(),
            frame_end: Point::from_mm(0.0, 450.0, rise_mm - down_mm),
            axle_end: Point::from_mm(0.0, -450.0, 0.0),
            length: Length::from_mm(900.0_f64.hypot(rise_mm)),
        });
    }
    made = sheet(vec![rear, front], 400.0, [1000.0, 0.0, 0.0]);
    let travel = (Length::from_mm(down), Length::from_mm(up));
    link_study(&made, 0, 0, travel, 16).unwrap()
}

/// Source: Pythagoras: a link of 900 mm, level at rest, 80 mm of travel each way:
/// 900 - sqrt(900² - 80²) = 3.562612 mm, the same way up and down.
#[test]
fn a_level_link_wanders_by_pythagoras() {
    let s = study(0.0, 80.0, 80.0);
    assert!(
        (s.spread.mm() - 3.562_612).abs() < 1e-3,
        "{}",
        s.spread.mm()
    );
    let (first, last) = (s.rows[0], s.rows[s.rows.len() - 1]);
    assert!((first.side_shift - last.side_shift).mm().abs() < 1e-3);
    // The axle end on the right is drawn to the frame end on the left.
    assert!((last.side_shift.mm() - 3.562_612).abs() < 1e-3);
    assert!(s.better.raise_frame_end.mm().abs() < 1e-3);
    // The centre plane cuts the link half-way: 40 mm above half the frame end's way.
    let middle = s.rows.iter().find(|r| r.travel.mm().abs() < 1e-6).unwrap();
    assert!((middle.roll_centre.mm() - 300.0).abs() < 1e-3);
    assert!((last.roll_centre.mm() - 260.0).abs() < 0.2, "{last:?}");
}

/// Source: Pythagoras: 60 up and 20 down with the link level at rest wander
/// 900 - sqrt(900² - 60²) = 2.002228 mm; level in the middle (20 up) they wander
/// 900 - sqrt(900² - 40²) = 0.889329 mm.
#[test]
fn level_in_the_middle_of_the_travel_wanders_least() {
    let s = study(0.0, 20.0, 60.0);
    assert!((s.spread.mm() - 2.002_228).abs() < 1e-3);
    assert!((s.better.level_at.mm() - 20.0).abs() < 1e-9);
    assert!((s.better.raise_frame_end.mm() - 20.0).abs() < 1e-2);
    assert!((s.better.spread.mm() - 0.889_329).abs() < 1e-3);
    // A study of the link so moved finds what was promised.
    let moved = study(20.0, 20.0, 60.0);
    assert!((moved.spread.mm() - s.better.spread.mm()).abs() < 2e-3);
    assert!(moved.better.raise_frame_end.mm().abs() < 1e-2);
}

#[test]
fn table_json_plots_and_refusals() {
    let s = study(30.0, 50.0, 50.0);
    let text = link_text(&s, UnitSystem::Metric);
    assert!(text.contains("lower its frame end by 30.0 mm"), "{text}");
    assert!(link_text(&s, UnitSystem::Inch).contains(" in"));
    assert_eq!(link_json(&s)["rows"].as_array().unwrap().len(), 17);
    for svg in link_svg(&s, UnitSystem::Metric) {
        assert_eq!(svg.matches("<polyline").count(), 1);
    }
    let unit = roomy_unit(40.0, 360.0);
    let axles = vec![
        solid_axle(0.0, 400.0, &unit),
        sprung_pair("front", 2.5, 1.5, &unit),
    ];
    let none = sheet(axles, 400.0, [1000.0, 0.0, 0.0]);
    let ask = |axle, down, up| {
        let travel = (Length::from_mm(down), Length::from_mm(up));
        link_study(&none, axle, 0, travel, 4).unwrap_err().code()
    };
    assert_eq!(ask(0, 50.0, 50.0), "layout.no_link");
    assert_eq!(ask(5, 50.0, 50.0), "layout.no_such");
    assert_eq!(ask(0, -50.0, 50.0), "layout.contradiction");
}

/// Rest stands in the table once, also where the steps nearly meet it.
#[test]
fn rest_is_one_row_of_the_table() {
    for (down, up, rows) in [
        (70.0, 70.0, 17),
        (70.04, 69.97, 17),
        (44.0, 80.0, 18),
        (0.0, 60.0, 17),
    ] {
        let s = study(0.0, down, up);
        let near = s.rows.iter().filter(|r| r.travel.mm().abs() < 0.5).count();
        assert_eq!((near, s.rows.len()), (1, rows), "{down} {up}");
        assert!(
            s.rows
                .windows(2)
                .all(|p| p[0].travel.mm() < p[1].travel.mm())
        );
    }
}
