//! Wish, stock and wheel from a sheet to a layout and a room.

use stillheight::layout::{RoomVerdict, candidates, planned, planned_wheel, wheel_room};
use stillheight::quantity::UnitSystem;
use stillheight::sheet::{Checked, parse, parse_with, template};

fn good(set: &[(&str, &str)], units: UnitSystem) -> Checked {
    match parse_with(&template(units), "new.toml", set) {
        Ok(checked) => checked,
        Err(mistakes) => panic!("{mistakes}"),
    }
}

#[test]
fn the_first_sheet_gives_a_layout_in_both_systems() {
    for units in [UnitSystem::Metric, UnitSystem::Inch] {
        let checked = good(&[], units);
        let (wish, stock, leans, room) = planned(&checked.sheet, &checked.plans);
        assert_eq!((stock.springs.len(), leans.lean.len()), (2, 7));
        let layout = candidates(&checked.sheet, &wish, &stock, &leans, &room).unwrap();
        assert_eq!(layout.candidates.len(), 14);
        assert_eq!(layout.case, "finished");
        let text = stillheight::report::layout_text(&layout, units, 5);
        assert!(text.contains("THE MARK"), "{text}");
        assert!(
            layout.candidates.iter().any(|c| c.limits.is_empty()),
            "{text}"
        );
    }
}

#[test]
fn the_first_sheets_wheel_has_its_room() {
    let checked = good(&[], UnitSystem::Metric);
    let plan = checked.plans.wheel.unwrap();
    let (wish, wheel, bodies) = planned_wheel(&checked.sheet, &plan).unwrap();
    assert_eq!(bodies.len(), 3);
    let room = wheel_room(&checked.sheet, &wish, &wheel, &bodies).unwrap();
    // The bracket is 600 out, 138 mm from the axis: inboard of the rim's inner edge.
    let bracket = room
        .gaps
        .iter()
        .find(|g| g.body == "lower bracket")
        .unwrap();
    assert_eq!(bracket.verdict, RoomVerdict::Clears, "{bracket:?}");
}

#[test]
fn without_plans_the_sheets_own_spring_is_tried() {
    let text = template(UnitSystem::Metric);
    let (before, _) = text.split_once("[wish]").unwrap();
    let checked = parse(before, "new.toml").unwrap();
    assert!(checked.plans.wish.is_none() && checked.plans.stock.is_empty());
    let (wish, stock, leans, room) = planned(&checked.sheet, &checked.plans);
    assert_eq!(stock.springs[0].name, "as in the sheet");
    assert!(candidates(&checked.sheet, &wish, &stock, &leans, &room).is_ok());
}

#[test]
fn mistakes_in_plans_are_shown_like_others() {
    let text = template(UnitSystem::Metric);
    let refused =
        |set: &[(&str, &str)]| parse_with(&text, "new.toml", set).unwrap_err().to_string();
    for (path, value, says) in [
        ("wish.sag_from", "60 %", "sheet.band.backwards"),
        ("wish.case", "finish", "finished"),
        ("wish.frequency_to", "1 Hz", "wish.frequency_from"),
        ("wish.lean_to", "30", "wish.lean_to"),
        ("stock.soft.rate", "-3 N/mm", "stock.soft.rate"),
        ("wheel.hub_face", "0 mm", "wheel.hub_face"),
    ] {
        let found = refused(&[(path, value)]);
        assert!(found.contains(says), "{path}: {found}");
    }
    let unknown = text.replace("sag_to =", "sag_too =");
    assert!(
        parse(&unknown, "new.toml")
            .unwrap_err()
            .to_string()
            .contains("sag_to")
    );
    let size = good(&[("wheel.size", "215/65")], UnitSystem::Metric);
    let error = planned_wheel(&size.sheet, &size.plans.wheel.unwrap()).unwrap_err();
    assert!(error.to_string().contains("wheel.size"));
}
