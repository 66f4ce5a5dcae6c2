//! Candidates of a layout against virtual work, the model itself and its limits.

use crate::statics::van;
use stillheight::layout::*;
use stillheight::quantity::{Angle, Frequency, Length, Mass, Quantity, SpringRate, UnitSystem};
use stillheight::report::{layout_csv, layout_json, layout_text};
use stillheight::sheet::*;
use stillheight::statics::{Model, quantities};

/// The van with three cases and a stroke of 120 mm.
pub fn van_with_cases() -> BuildSheet {
    let mut sheet = van();
    sheet.sprung.centre.y = Length::ZERO;
    sheet.loads[0].at.y = Length::ZERO;
    sheet.cases = vec![
        LoadCase {
            name: "bare".to_owned(),
            loads: vec![],
        },
        LoadCase {
            name: "deck on".to_owned(),
            loads: vec![0],
        },
    ];
    if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
        for c in coilovers {
            c.unit.extended = Length::from_mm(460.0);
            c.unit.compressed = Length::from_mm(300.0);
            c.unit.collar.highest = Length::from_mm(90.0);
        }
    }
    sheet
}

pub fn spring(rate: f64, free_mm: f64) -> StockSpring {
    StockSpring {
        name: format!("{rate} N/mm"),
        spring: Spring {
            curve: SpringCurve::Linear(SpringRate::from_n_per_mm(rate)),
            free_length: Length::from_mm(free_mm),
            solid_length: Some(Length::from_mm(free_mm * 0.4)),
            rate_uncertainty: 0.03,
        },
    }
}

fn stock() -> Stock {
    Stock {
        springs: [20.0, 30.0, 40.0]
            .map(|k| spring(k, 300.0))
            .into_iter()
            .collect(),
    }
}

fn wish() -> Wish {
    Wish {
        frequency: Some((Frequency::new(1.2), Frequency::new(1.8))),
        travel_up: Length::from_mm(40.0),
        travel_down: Length::from_mm(20.0),
        ..Wish::new(0, 1)
    }
}

fn lay_out(sheet: &BuildSheet, wish: &Wish, room: &Room) -> Layout {
    let leans = Leans::range(Angle::ZERO, Angle::from_deg(30.0), 7);
    candidates(sheet, wish, &stock(), &leans, room).unwrap()
}

#[test]
fn every_candidate_stands_at_the_design_height_with_the_wished_sag() {
    let sheet = van_with_cases();
    let layout = lay_out(&sheet, &wish(), &Room::default());
    assert_eq!(layout.candidates.len(), 21);
    for c in &layout.candidates {
        let case = &c.cases.iter().find(|k| k.name == "deck on").unwrap();
        assert!((case.height.mm() - 500.0).abs() < 1e-3, "{c:?}");
        // The frame pitches a little on its other axle: some tenths of the stroke's per cent.
        assert!((case.sag_share - 0.325).abs() < 0.005, "{c:?}");
        assert!((c.mark.mm() - 0.325 * 160.0).abs() < 1e-9);
        assert!((c.length.mm() + c.mark.mm() - 460.0).abs() < 1e-9);
    }
}

/// Source: virtual work; the wheel rate of a coilover leaning by a under a force
/// F, length l, is k cos^2 a - F sin^2 a / l for an axle that goes straight up.
/// (The lateral link moves the axle sideways a little: 0.5 %.)
#[test]
fn the_factor_is_cos2_less_the_force_term() {
    let mut sheet = van_with_cases();
    if let Suspension::Solid { link, .. } = &mut sheet.axles[0].suspension {
        *link = None;
    }
    for c in lay_out(&sheet, &wish(), &Room::default()).candidates {
        let a = c.lean.rad();
        let mg = layout_share_n(&sheet);
        let force = mg / a.cos();
        let k = c.rate.n_per_m();
        let exact = a.cos().powi(2) - force * a.sin().powi(2) / (c.length.m() * k);
        assert!((c.factor - exact).abs() < 2e-3, "{} {exact}", c.factor);
    }
}

fn layout_share_n(sheet: &BuildSheet) -> f64 {
    let l = sheet.wheelbase.m();
    let sprung = sheet.sprung.mass.kg() * (l - sheet.sprung.centre.x.m()) / l;
    let deck = sheet.loads[0].mass.kg() * (l - sheet.loads[0].at.x.m()) / l;
    (sprung + deck) * 9.806_65 / 2.0
}

/// What the table says is what the model says of a sheet built that way.
#[test]
fn a_sheet_built_to_the_mark_does_what_the_table_says() {
    let sheet = van_with_cases();
    let layout = lay_out(&sheet, &wish(), &Room::default());
    let best = &layout.candidates[0];
    assert!(best.limits.is_empty(), "{best:?}");
    let mut built = sheet.clone();
    let Suspension::Solid { coilovers, .. } = &mut built.axles[0].suspension else {
        panic!("solid")
    };
    for c in coilovers {
        c.upper = if c.side == Side::Left {
            best.upper
        } else {
            best.upper.mirrored()
        };
        c.unit.spring.curve = SpringCurve::Linear(best.rate);
        c.unit.spring.free_length = Length::from_mm(300.0);
        c.unit.collar.height = best.collar;
    }
    for (case, loads) in best.cases.iter().zip([vec![], vec![0]]) {
        let model = Model::new(&built, &loads);
        let rest = model.equilibrium().unwrap();
        let found = quantities(&model, &rest, &built.stations);
        let near = |a: f64, b: f64, what: &str| assert!((a - b).abs() < 1e-6, "{what} {a} {b}");
        near(rest.state[0], case.height.m(), "height");
        near(found.pitch.rad(), case.pitch.rad(), "pitch");
        let sag = f64::midpoint(found.units[0].sag.m(), found.units[1].sag.m());
        near(sag, case.sag.m(), "sag");
        near(
            found.axles[0].frequency.unwrap().hz(),
            case.frequency.unwrap().hz(),
            "frequency",
        );
        near(
            found.axles[0].wheel_rate.n_per_mm(),
            case.wheel_rate.n_per_mm(),
            "wheel rate",
        );
    }
    // Datum over axle centre as said, measured between the two in the built vehicle.
    let model = Model::new(&built, &[0]);
    let rest = model.equilibrium().unwrap();
    let over = rest.state[0] - rest.state[3];
    assert!((over - layout.datum_over_axle.m()).abs() < 5e-4);
}

fn codes(c: &Candidate) -> Vec<&'static str> {
    c.limits.iter().map(Limit::code).collect()
}

fn only(sheet: &BuildSheet, wish: &Wish, spring: StockSpring, lean: f64, room: &Room) -> Candidate {
    let stock = Stock {
        springs: vec![spring],
    };
    let leans = Leans {
        lean: vec![Angle::from_deg(lean)],
        rake: Vec::new(),
    };
    let layout = candidates(sheet, wish, &stock, &leans, room).unwrap();
    layout.candidates[0].clone()
}

#[test]
fn each_limit_is_named_where_it_breaks() {
    let sheet = van_with_cases();
    let free = Room::default();
    let try_one = |s: StockSpring, w: &Wish| codes(&only(&sheet, w, s, 12.0, &free));
    // Short spring: its collar would have to go up over the thread.
    assert!(try_one(spring(30.0, 200.0), &wish()).contains(&"collar_above_thread"));
    // Long spring: below the thread.
    assert!(try_one(spring(30.0, 420.0), &wish()).contains(&"collar_below_thread"));
    // Stiff spring: hardly squeezed at ride height, loose at droop, and hard.
    let stiff = try_one(spring(90.0, 300.0), &wish());
    assert!(stiff.contains(&"loose_at_droop"), "{stiff:?}");
    assert!(stiff.contains(&"frequency"), "{stiff:?}");
    // Coils nearly touching as delivered.
    let mut fat = spring(30.0, 300.0);
    fat.spring.solid_length = Some(Length::from_mm(190.0));
    assert!(try_one(fat, &wish()).contains(&"coil_bind"));
    // More travel asked than there is.
    let greedy = Wish {
        travel_up: Length::from_mm(130.0),
        ..wish()
    };
    assert!(try_one(spring(30.0, 300.0), &greedy).contains(&"travel_up"));
    // A very heavy deck in the other case bottoms it.
    let mut heavy = van_with_cases();
    heavy.loads[0].mass = Mass::new(900.0);
    let bare = Wish { case: 0, ..wish() };
    let c = codes(&only(&heavy, &bare, spring(20.0, 300.0), 12.0, &free));
    assert!(c.contains(&"bottoming") || c.contains(&"no_rest"), "{c:?}");
}

#[test]
fn the_room_has_the_last_word() {
    let sheet = van_with_cases();
    let free = only(&sheet, &wish(), spring(30.0, 300.0), 10.0, &Room::default());
    let low = Room {
        upper_highest: Some(free.upper.z - Length::from_mm(30.0)),
        ..Room::default()
    };
    let tight = only(&sheet, &wish(), spring(30.0, 300.0), 10.0, &low);
    assert!((tight.upper.z.mm() - free.upper.z.mm() + 30.0).abs() < 1e-6);
    assert!(codes(&tight).contains(&"sag"), "{:?}", tight.limits);
    let inside = Room {
        upper_inmost: Some(Length::from_mm(495.0)),
        ..Room::default()
    };
    let none = only(&sheet, &wish(), spring(30.0, 300.0), 30.0, &inside);
    assert!(codes(&none).contains(&"no_room"));
    // A mount under the lower one is refused, with both named.
    let under = Room {
        upper_highest: Some(Length::from_mm(-400.0)),
        ..Room::default()
    };
    let error = candidates(
        &sheet,
        &wish(),
        &stock(),
        &Leans::range(Angle::ZERO, Angle::from_deg(5.0), 2),
        &under,
    )
    .unwrap_err();
    let text = error.to_string();
    assert!(text.contains("wish.mount_highest") && text.contains("rear left lower mount"));
    assert_eq!(error.code(), "layout.contradiction");
}

#[test]
fn a_rake_leans_the_unit_in_side_view_too() {
    let sheet = van_with_cases();
    let leans = Leans {
        lean: vec![Angle::from_deg(10.0)],
        rake: vec![Angle::from_deg(-15.0), Angle::ZERO],
    };
    let layout = candidates(&sheet, &wish(), &stock(), &leans, &Room::default()).unwrap();
    let raked = layout
        .candidates
        .iter()
        .find(|c| c.rake.deg() < -1.0)
        .unwrap();
    assert!(raked.upper.x.mm() < -60.0);
    let upright = layout
        .candidates
        .iter()
        .find(|c| c.rake.rad() == 0.0 && c.spring == raked.spring)
        .unwrap();
    assert!(raked.factor < upright.factor - 0.04);
}

#[test]
fn what_has_no_answer_says_so() {
    let sheet = van_with_cases();
    let leans = Leans::range(Angle::ZERO, Angle::from_deg(10.0), 2);
    let ask = |wish: &Wish, stock: &Stock| {
        candidates(&sheet, wish, stock, &leans, &Room::default())
            .unwrap_err()
            .code()
    };
    assert_eq!(ask(&Wish::new(1, 0), &stock()), "layout.no_coilovers");
    assert_eq!(ask(&Wish::new(0, 7), &stock()), "layout.no_such");
    assert_eq!(
        ask(&Wish::new(0, 0), &Stock::default()),
        "layout.nothing_to_try"
    );
}

#[test]
fn text_json_and_csv_say_the_same() {
    let sheet = van_with_cases();
    let layout = lay_out(&sheet, &wish(), &Room::default());
    let best = &layout.candidates[0];
    let text = layout_text(&layout, UnitSystem::Metric, 10);
    assert!(text.contains("short of its extended length"), "{text}");
    assert!(text.contains(&best.mark.show(UnitSystem::Metric, 0)));
    let inch = layout_text(&layout, UnitSystem::Inch, 3);
    assert!(inch.contains(&best.mark.show_fraction(16)), "{inch}");
    let json = layout_json(&layout);
    assert_eq!(json["candidates"].as_array().unwrap().len(), 21);
    assert_eq!(
        json["candidates"][0]["short_of_extended_mm"]
            .as_f64()
            .unwrap(),
        best.mark.mm()
    );
    let csv = layout_csv(&layout);
    let fields = csv.lines().next().unwrap().split(',').count();
    assert!(csv.lines().all(|l| l.split(',').count() == fields));
    assert_eq!(csv.lines().count(), 1 + 21 * 2);
}
