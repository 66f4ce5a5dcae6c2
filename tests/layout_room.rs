//! Tyre codes, wheels and the room round them.

use crate::layout_candidates::van_with_cases;
use stillheight::layout::*;
use stillheight::quantity::{Length, Point, UnitSystem};
use stillheight::report::{room_drawing, room_json, room_svg, room_text};
use stillheight::sheet::*;

fn size(code: &str) -> TyreSize {
    code.parse().unwrap()
}

/// Source: UN Regulation 30 / ISO 4000-1 rule (rim table from memory) and plain
/// arithmetic 25.4 x code + 2 H; H from the definition of the aspect ratio.
#[test]
fn diameters_by_both_rules() {
    let table = [
        ("255/35R20", 89.25, 686.0, 686.5),
        ("205/55R16", 112.75, 632.0, 631.9),
        ("225/45R17", 101.25, 634.0, 634.3),
        ("215/60R15", 129.0, 639.0, 639.0),
        ("195/65R15", 126.75, 635.0, 634.5),
        ("225/65R17", 146.25, 724.0, 724.3),
        ("275/40R20", 110.0, 728.0, 728.0),
    ];
    for (code, height, standard, plain) in table {
        let size = size(code);
        let mm = |l: Length| (l.mm() * 1e6).round() / 1e6;
        assert_eq!(mm(size.section_height(DiameterRule::Plain)), height);
        assert_eq!(
            mm(size.diameter(DiameterRule::Standard)),
            standard,
            "{code}"
        );
        assert_eq!(mm(size.diameter(DiameterRule::Plain)), plain, "{code}");
    }
    // Source: a published question with its answer: 215/60R16 is 664.4 mm by the plain rule.
    assert!((size("215/60R16").diameter(DiameterRule::Plain).mm() - 664.4).abs() < 1e-9);
}

#[test]
fn codes_as_they_stand_on_side_walls() {
    for text in [
        "235/60R17",
        " 235/60 R 17 ",
        "P235/60R17",
        "235/60zr17",
        "235/60R17 102H",
        "LT235/60R17",
    ] {
        assert_eq!(size(text).to_string(), "235/60R17", "{text}");
    }
    for text in [
        "",
        "235",
        "235/60",
        "235/60R",
        "60/235R17",
        "235/60R11",
        "235/60R16.5",
        "31x10.5R15",
        "235/600R17",
        "235/6OR17",
        "-235/60R17",
        "ABC235/60R17",
    ] {
        let error = text.parse::<TyreSize>().unwrap_err();
        assert_eq!(error.code(), "layout.impossible", "{text}");
        assert!(error.to_string().contains("tyre.size"));
    }
}

/// A wheel of round numbers without uncertainty: radius 330, barrel 200.
fn wheel() -> Wheel {
    let mm = Length::from_mm;
    Wheel {
        name: "round numbers".to_owned(),
        diameter: mm(660.0),
        diameter_uncertainty: Length::ZERO,
        section: mm(240.0),
        section_uncertainty: Length::ZERO,
        rim_diameter: mm(432.0),
        rim_width: mm(180.0),
        offset: mm(40.0),
        barrel_radius: mm(200.0),
        flange_radius: mm(230.0),
        flange_thickness: mm(10.0),
        rim_uncertainty: Length::ZERO,
    }
}

/// Hub face so that the wheel's centre plane is 750 mm out.
fn wish() -> RoomWish {
    RoomWish {
        axle: 0,
        case: 0,
        least: Length::from_mm(5.0),
        hub_face: Length::from_mm(790.0),
        bump: Some(Length::from_mm(60.0)),
        droop: Some(Length::from_mm(60.0)),
    }
}

fn ball(name: &str, on: On, at: Point, radius: f64, u: f64) -> Body {
    Body {
        name: name.to_owned(),
        from: End { on, at },
        to: None,
        radius: Length::from_mm(radius),
        uncertainty: Length::from_mm(u),
    }
}

fn one(body: Body) -> Gap {
    wheel_room(&van_with_cases(), &wish(), &wheel(), &[body])
        .unwrap()
        .gaps[0]
        .clone()
}

/// Source: Pythagoras. A corner of a bracket inside the barrel (centre plane at
/// 750, inner rim edge at 650): 150 below the axle it clears the barrel of 200 by
/// 50; 100 ahead as well, its radius is 180.277564 and it clears by 19.722436.
#[test]
fn a_bracket_ahead_of_the_axle_is_nearer_to_the_round_rim() {
    let below = one(ball(
        "b",
        On::Axle,
        Point::from_mm(0.0, 700.0, -150.0),
        0.0,
        1.0,
    ));
    assert!((below.distance.mm() - 50.0).abs() < 1e-6, "{below:?}");
    assert_eq!((below.part, below.side), (WheelPart::Rim, Side::Left));
    let ahead = one(ball(
        "b",
        On::Axle,
        Point::from_mm(100.0, 700.0, -150.0),
        0.0,
        1.0,
    ));
    assert!((ahead.distance.mm() - 19.722_436).abs() < 1e-6);
    // The disc begins at the hub face, 790: a body at 780 is 10 from it.
    let face = one(ball(
        "b",
        On::Axle,
        Point::from_mm(0.0, 780.0, 50.0),
        0.0,
        1.0,
    ));
    assert!((face.distance.mm() - 10.0).abs() < 1e-6);
    assert_eq!(face.part, WheelPart::Disc);
}

/// Source: Pythagoras. Inboard of tyre (inner face at 630) by 30 and above it by
/// 40: 50 from its corner.
#[test]
fn corners_of_the_tyre_and_cylinders() {
    let corner = one(ball(
        "b",
        On::Axle,
        Point::from_mm(0.0, 600.0, 370.0),
        0.0,
        1.0,
    ));
    assert!((corner.distance.mm() - 50.0).abs() < 1e-6);
    // A cylinder of radius 25 straight up at 590 passes the inner face at 40 - 25.
    let mut tube = ball("t", On::Axle, Point::from_mm(0.0, 590.0, 0.0), 25.0, 1.0);
    tube.to = Some(End {
        on: On::Axle,
        at: Point::from_mm(0.0, 590.0, 600.0),
    });
    let gap = one(tube.clone());
    assert!((gap.distance.mm() - 15.0).abs() < 1e-6, "{gap:?}");
    assert_eq!(
        (gap.part, gap.verdict),
        (WheelPart::Tyre, RoomVerdict::Clears)
    );
    // Leaning out by 10 in 300 it is nearest where the tyre's radius ends, 330 up.
    tube.to = Some(End {
        on: On::Axle,
        at: Point::from_mm(0.0, 610.0, 600.0),
    });
    let gap = one(tube);
    let slope = (20.0_f64 / 600.0).atan();
    let exact = (40.0 - 330.0 * 20.0 / 600.0) * slope.cos();
    // Nearest point of the line to the tyre's edge is square to the line.
    assert!(
        (gap.distance.mm() - (exact - 25.0)).abs() < 1e-3,
        "{gap:?} {exact}"
    );
}

/// A frame part over the tyre is nearest at full bump, and by that travel.
#[test]
fn frame_parts_are_nearest_at_full_bump() {
    let sheet = van_with_cases();
    let rest = stillheight::statics::Model::new(&sheet, &[])
        .equilibrium()
        .unwrap();
    let over = 450.0 - (rest.state[0] - rest.state[3]) * 1e3;
    let body = ball(
        "rail",
        On::Frame,
        Point::from_mm(0.0, 750.0, over),
        0.0,
        1.0,
    );
    let room = wheel_room(&sheet, &wish(), &wheel(), &[body]).unwrap();
    let gap = &room.gaps[0];
    // 450 over the axle at ride height, less the tyre's 330, less 60 of bump (one
    // wheel up reaches the same height at its wheel, tilted a little nearer).
    assert!((gap.by_pose[0].mm() - 120.0).abs() < 0.5, "{gap:?}");
    assert!((gap.by_pose[1].mm() - 60.0).abs() < 0.5, "{gap:?}");
    // Down it goes until the coilover is fully extended, before the 60.
    let down = room.poses[2].left.mm();
    assert!((-59.0..-10.0).contains(&down), "{down}");
    assert!((gap.by_pose[2].mm() - 120.0 + down).abs() < 0.5, "{gap:?}");
    assert!(gap.pose.contains("up") || gap.pose == "full bump");
    // The link shifts the axle and the shift is told.
    assert!(room.poses.iter().any(|p| p.shift.mm().abs() > 0.5));
    // One wheel up is the travel of that wheel.
    let left = room
        .poses
        .iter()
        .find(|p| p.name == "left wheel up")
        .unwrap();
    assert!((left.left.mm() - 60.0).abs() < 0.2 && left.right.mm() == 0.0);
}

#[test]
fn verdicts_know_their_uncertainty() {
    // 20 mm nearest to the barrel: asked 5.
    let at =
        |z: f64, u: f64| one(ball("b", On::Axle, Point::from_mm(0.0, 700.0, z), 0.0, u)).verdict;
    assert_eq!(at(-180.0, 2.0), RoomVerdict::Clears);
    assert_eq!(at(-180.0, 8.0), RoomVerdict::CannotTell);
    assert_eq!(at(-197.0, 0.5), RoomVerdict::TooClose);
    assert_eq!(at(-206.0, 1.0), RoomVerdict::Touches);
    assert_eq!(at(-201.0, 1.0), RoomVerdict::CannotTell);
    // A tyre by its code is as uncertain as its standard lets it be.
    let by_code = Wheel::by_code(
        size("235/60R17"),
        Length::from_mm(178.0),
        Length::from_mm(40.0),
    );
    assert!((by_code.diameter.mm() - 714.0).abs() < 1e-9);
    assert!((by_code.diameter_uncertainty.mm() - 141.0 * 0.07 / 3.0_f64.sqrt()).abs() < 1e-9);
}

#[test]
fn the_largest_wheel_clears_and_a_little_more_does_not() {
    let sheet = van_with_cases();
    let rest = stillheight::statics::Model::new(&sheet, &[])
        .equilibrium()
        .unwrap();
    let over = 450.0 - (rest.state[0] - rest.state[3]) * 1e3;
    let bodies = [
        ball(
            "rail",
            On::Frame,
            Point::from_mm(0.0, 750.0, over),
            0.0,
            1.0,
        ),
        ball(
            "bracket",
            On::Axle,
            Point::from_mm(0.0, 700.0, -150.0),
            0.0,
            1.0,
        ),
        ball(
            "tube",
            On::Axle,
            Point::from_mm(0.0, 600.0, 250.0),
            0.0,
            1.0,
        ),
    ];
    let room = wheel_room(&sheet, &wish(), &wheel(), &bodies).unwrap();
    assert_eq!(room.verdict(), RoomVerdict::Clears);
    let with = |f: &dyn Fn(&mut Wheel)| {
        let mut w = wheel();
        f(&mut w);
        wheel_room(&sheet, &wish(), &w, &bodies).unwrap().verdict()
    };
    let found = |edge: Option<Edge>| {
        let edge = edge.unwrap();
        assert!(!edge.beyond, "{edge:?}");
        edge.at
    };
    let d = found(room.largest_diameter);
    assert!(d.mm() > 740.0 && d.mm() < 790.0, "{d:?}");
    assert_eq!(with(&|w| w.diameter = d), RoomVerdict::Clears);
    assert_ne!(
        with(&|w| w.diameter = d + Length::from_mm(0.5)),
        RoomVerdict::Clears
    );
    // The tube is 150 from the centre plane: half the section, 5 asked, 2 uncertain.
    let s = found(room.widest_section);
    assert!((s.mm() - 2.0 * (150.0 - 7.0)).abs() < 0.3, "{s:?}");
    // The bracket reaches to 150: 157 is the smallest barrel.
    let b = found(room.smallest_barrel);
    assert!((b.mm() - 157.0).abs() < 0.2, "{b:?}");
    let sizes = ["205/55R16", "215/65R17", "235/75R17", "255/35R20"].map(size);
    let best = largest_of(&sheet, &wish(), &wheel(), &bodies, &sizes).unwrap();
    assert_eq!(best, Some(size("215/65R17")));
}

/// With nothing near, the end of the search is no answer and is not shown as one.
#[test]
fn the_end_of_the_search_is_not_the_largest_wheel() {
    let sheet = van_with_cases();
    let far = ball("rail", On::Frame, Point::from_mm(0.0, 0.0, 0.0), 0.0, 1.0);
    let room = wheel_room(&sheet, &wish(), &wheel(), &[far]).unwrap();
    let edge = room.largest_diameter.unwrap();
    assert!(edge.beyond);
    let text = stillheight::report::room_text(&room, UnitSystem::Metric);
    let says = format!(
        "largest diameter that clears: larger than {:.1} mm (not searched further)",
        edge.at.mm()
    );
    assert!(text.contains(&says), "{text}");
    let json = stillheight::report::room_json(&room);
    assert_eq!(json["searched_to_the_end"]["largest_diameter"], true);
}

#[test]
fn text_json_and_drawings() {
    let sheet = van_with_cases();
    let mm = Length::from_mm;
    let mut bodies = coilover_bodies(&sheet, 0, mm(45.0), mm(2.0));
    assert_eq!(bodies.len(), 2);
    bodies.push(ball(
        "bracket",
        On::Axle,
        Point::from_mm(60.0, 690.0, -140.0),
        6.0,
        1.0,
    ));
    let room = wheel_room(&sheet, &wish(), &wheel(), &bodies).unwrap();
    let text = room_text(&room, UnitSystem::Metric);
    assert!(
        text.contains("clears by") && text.contains("largest diameter"),
        "{text}"
    );
    assert!(room_text(&room, UnitSystem::Inch).contains(" in"));
    assert_eq!(room_json(&room)["gaps"].as_array().unwrap().len(), 3);
    for columns in [80, 120] {
        let drawing = room_drawing(&room, columns);
        assert!(
            drawing.lines().all(|l| l.chars().count() <= columns),
            "{drawing}"
        );
        for c in ['#', '=', ':', 'c'] {
            assert!(drawing.contains(c), "{c}\n{drawing}");
        }
    }
    let svg = room_svg(&room);
    assert!(svg.matches("<rect").count() == 6 && svg.contains("bracket"));
}

#[test]
fn wheels_that_cannot_be_name_both_fields() {
    let mut bad = wheel();
    bad.barrel_radius = Length::from_mm(240.0);
    let error = wheel_room(&van_with_cases(), &wish(), &bad, &[]).unwrap_err();
    let text = error.to_string();
    assert!(text.contains("wheel.barrel_radius") && text.contains("wheel.flange_radius"));
    let mut inside_out = wheel();
    inside_out.offset = Length::from_mm(900.0);
    let error = wheel_room(&van_with_cases(), &wish(), &inside_out, &[]).unwrap_err();
    assert!(error.to_string().contains("wheel.hub_face"));
}
