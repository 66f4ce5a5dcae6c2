//! The commands for before the weld, with the real binary on new sheets in both
//! systems: candidates, lean, wheel room, link, sweep, wire, weighing, and what
//! they refuse.

use crate::room::folder::Folder;
use serde_json::Value;

/// A folder with a new sheet `van.toml` in it.
fn folder(name: &str, units: &str) -> Folder {
    let folder = Folder::new(name);
    folder.text(&["sheet", "new", "van.toml", "--units", units]);
    folder
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// The same vehicle typed in both systems (lengths to 1/16 in) has the same best
/// candidate, and text, JSON and CSV have as many as there are.
#[test]
fn candidates_of_a_new_sheet_in_both_systems() {
    let mut marks = Vec::new();
    for (units, unit) in [("metric", "length mm"), ("inch", "length in")] {
        let folder = folder(&format!("candidates-{units}"), units);
        let text = folder.text(&["layout", "van.toml", "--rows", "3"]);
        assert!(
            text.contains(unit) && text.contains("THE MARK for middle at 10.0 deg"),
            "{text}"
        );
        let shown = |t: &str| {
            t.lines()
                .filter(|l| l.starts_with("  middle") || l.starts_with("  soft"))
                .count()
        };
        assert_eq!(shown(&text), 3, "{text}");
        let json = folder.json(&["layout", "van.toml", "--json"]);
        let all = json["candidates"].as_array().unwrap();
        assert_eq!(all.len(), 14);
        let csv = folder.text(&["layout", "van.toml", "--csv"]);
        // One line for each candidate in each of four cases, and the heading.
        assert_eq!(csv.lines().count(), 1 + 14 * 4);
        marks.push(number(&json["sprung_mass_kg"]));
    }
    assert!((marks[0] - marks[1]).abs() < 0.5, "{marks:?}");
}

/// Two sheets of our own, one in each system; what `layout` says of every candidate
/// that breaks no limit.
///
/// Source: statics of an inclined spring under half of the axle's load, by hand:
/// along the unit `F = W / (2 cos a)`, squeezed by `F / k`; preload is that less the
/// mark; at the wheel `k cos^2 a - F sin^2 a / l` (virtual work). The link's and the
/// tyres' share is left out, hence some tenths.
#[test]
fn example_sheets_in_millimetres_and_in_inches() {
    for (sheet, unit) in [("layout-metric", "mark mm"), ("layout-inch", "mark in")] {
        let folder = folder(sheet, "metric");
        let from = format!(
            "{}/tests/sheets/valid/{sheet}.toml",
            env!("CARGO_MANIFEST_DIR")
        );
        let text = folder.text(&["layout", &from]);
        assert!(
            text.contains(unit) && text.contains("THE MARK for"),
            "{text}"
        );
        let json = folder.json(&["layout", &from, "--json"]);
        let weight = number(&json["sprung_mass_kg"]) * 9.806_65;
        let all = json["candidates"].as_array().unwrap();
        assert_eq!(all.len(), 3 * 6);
        let good: Vec<_> = all
            .iter()
            .filter(|c| c["limits"].as_array().unwrap().is_empty())
            .collect();
        assert!(good.len() >= 4, "{sheet}: {}", good.len());
        for c in good {
            let of = |key: &str| number(&c[key]);
            let lean = of("lean_deg").to_radians();
            let force = weight / 2.0 / lean.cos();
            let k = of("rate_n_per_mm");
            let preload = force / k - of("short_of_extended_mm");
            assert!((of("preload_mm") - preload).abs() < 0.6, "{preload} {c}");
            let turn = force * lean.sin().powi(2) / of("length_mm");
            let wheel = k * lean.cos().powi(2) - turn;
            assert!(
                (of("wheel_rate_n_per_mm") - wheel).abs() < 0.05,
                "{wheel} {c}"
            );
            let hertz = of("frequency_hz");
            assert!((1.3..=1.9).contains(&hertz), "{c}");
        }
    }
}

#[test]
fn the_other_views_and_their_pictures() {
    let folder = folder("views", "metric");
    let lean = folder.json(&[
        "layout", "van.toml", "--lean", "--spring", "middle", "--json",
    ]);
    assert_eq!(lean["rows"].as_array().unwrap().len(), 7);
    let sizes = "215/65R16,235/60R17";
    let wheel = folder.text(&["layout", "van.toml", "--wheel", "--sizes", sizes]);
    assert!(wheel.contains("Largest of 215/65R16, 235/60R17 that clears everywhere: 235/60R17"));
    assert!(wheel.contains("a lower bracket") && wheel.contains("one column is"));
    // More wheel in the way than there is room: the bracket is in the barrel.
    let json = folder.json(&[
        "layout",
        "van.toml",
        "--wheel",
        "--json",
        "--set",
        "wheel.offset=-150 mm",
        "--set",
        "wheel.hub_face=500 mm",
    ]);
    assert_eq!(json["verdict"], "touches");
    let up_down = ["--up", "60 mm", "--down", "50 mm"];
    let link = folder.json(&[&["layout", "van.toml", "--link", "--json"], &up_down[..]].concat());
    let rows = link["rows"].as_array().unwrap();
    assert!(
        (number(&rows[0]["travel_mm"]) + 50.0).abs() < 1e-6,
        "{link}"
    );
    for view in ["--lean", "--wheel", "--link"] {
        folder.text(&["layout", "van.toml", view, "--svg", "p.svg", "--force"]);
        let svg = std::fs::read_to_string(folder.0.join("p.svg")).unwrap();
        assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
        assert_eq!(svg.matches("<svg").count(), svg.matches("</svg>").count());
        // It is kept where nobody forces it.
        let kept = folder.refused(&["layout", "van.toml", view, "--svg", "p.svg"]);
        assert!(kept.contains("p.svg"), "{kept}");
    }
}

/// More rate stands higher and swings faster, and a row is what `--set` gives.
#[test]
fn a_sweep_is_the_targets_of_each_value() {
    let folder = folder("sweep", "metric");
    let sweep = "rear.spring.rate=24..32/4 N/mm";
    let json = folder.json(&["targets", "van.toml", "--sweep", sweep, "--json"]);
    let rows = json["rows"].as_array().unwrap();
    let of = |i: usize, key: &str| number(&rows[i]["found"][key]);
    assert_eq!(rows.len(), 3);
    assert_eq!(rows[1]["set"]["rear.spring.rate"], "28 N/mm");
    for i in 0..2 {
        assert!(of(i, "rear_frequency_hz") < of(i + 1, "rear_frequency_hz"));
        assert!(of(i, "rear_left_sag_percent") > of(i + 1, "rear_left_sag_percent"));
    }
    let set = folder.json(&[
        "targets",
        "van.toml",
        "--case",
        "finished",
        "--set",
        "rear.spring.rate=28 N/mm",
        "--json",
    ]);
    let pitch = number(&set["cases"][0]["frame"]["pitch_deg"]);
    assert!((pitch - of(1, "pitch_deg")).abs() < 1e-9);
    // Two values: every pair, as CSV too.
    let csv = folder.text(&[
        "targets",
        "van.toml",
        "--sweep",
        sweep,
        "--sweep",
        "rear.collar.height=10 mm..30 mm/10 mm",
        "--case",
        "bare",
        "--csv",
    ]);
    assert_eq!(csv.lines().count(), 1 + 3 * 3);
    assert!(
        csv.starts_with("rear.spring.rate N/mm,rear.collar.height mm,"),
        "{csv}"
    );
    let text = folder.text(&["targets", "van.toml", "--sweep", sweep]);
    assert!(text.starts_with("SWEEP in 'finished'"), "{text}");
    // A value that the sheet refuses is refused here.
    for wrong in [
        "rear.spring.rate=-4..4/4 N/mm",
        "rear.sprung.rate=20..30/2 N/mm",
        "rear.spring.rate=20..30",
    ] {
        folder.refused(&["targets", "van.toml", "--sweep", wrong]);
    }
}

/// Source: definition `G d^4 / (8 D^3 N)` worked by hand: 81370 x 12^4 / (8 x 80^3
/// x 6) = 68.66 N/mm; solid at 8 coils of 12 mm = 96 mm.
#[test]
fn a_spring_from_its_wire() {
    let folder = folder("wire", "metric");
    let wire = [
        "wire", "--wire", "12 mm", "--active", "6", "--free", "250 mm", "--json",
    ];
    for across in [["--coil", "80 mm"], ["--outside", "92 mm"]] {
        let json = folder.json(&[&wire[..], &across[..]].concat());
        assert!(
            (number(&json["rate_n_per_mm"]) - 68.656).abs() < 1e-3,
            "{json}"
        );
        assert!((number(&json["solid_length_mm"]) - 96.0).abs() < 1e-9);
    }
    let soft = ["--coil", "80 mm", "--modulus", "40685 N/mm2"];
    let json = folder.json(&[&wire[..], &soft[..]].concat());
    assert!((number(&json["rate_n_per_mm"]) - 34.328).abs() < 1e-3);
    let thin = folder.refused(&[&wire[..], &["--coil", "11 mm"]].concat());
    assert!(
        thin.contains("wire.coil_diameter") && thin.contains("wire.diameter"),
        "{thin}"
    );
    folder.refused(&[&wire[..], &["--coil", "80"]].concat());
}

/// The example works, and its centre is that of moments by hand: 462 of 790 kg in
/// front of 2600 mm (axle weights within their uncertainty draw it a little).
#[test]
fn a_weighing_from_its_file() {
    let folder = folder("weigh", "metric");
    let example = folder.text(&["weigh", "--example"]);
    let write = |text: &str| std::fs::write(folder.0.join("w.toml"), text).unwrap();
    write(&example);
    let json = folder.json(&["weigh", "w.toml", "--json"]);
    assert!(
        (number(&json["centre_mm"][0]) - 462.0 / 790.0 * 2600.0).abs() < 2.0,
        "{json}"
    );
    let sprung = number(&json["sprung_kg"]) + 110.0 + 80.0;
    assert!((sprung - number(&json["whole_kg"])).abs() < 1e-9);
    assert!(
        folder
            .text(&["weigh", "w.toml"])
            .contains("[weight]\nsprung = ")
    );

    write(&example.replace("rear = \"330 kg\"", "rear = \"390 kg\""));
    let off = folder.refused(&["weigh", "w.toml"]);
    assert!(
        off.contains("scales.rear_left + rear_right") && off.contains("axles.rear"),
        "{off}"
    );
    for (from, to, says) in [
        ("wheelbase = ", "wheel_base = ", "wheel_base"),
        ("\"163 kg\"", "\"163\"", "scales.rear_left"),
        ("\"163 kg\"", "\"-163 kg\"", "scales.rear_left"),
        ("lift = \"600 mm\"", "lift = \"6 mm\"", "lift"),
        ("rear_track = \"1500 mm\"", "", "wheels.rear_track"),
    ] {
        write(&example.replace(from, to));
        let errors = folder.refused(&["weigh", "w.toml"]);
        assert!(errors.contains(says), "{from}: {errors}");
    }
}

/// Source: moments by hand: 462 of 790 kg in front of 2600 mm; left 395 of 790 kg
/// with tracks of 1500 mm behind and 1480 mm in front; parts of 300 and 100 kg at
/// 1000 and 2000 mm.
#[test]
fn a_weighing_from_the_command_line() {
    let folder = folder("weigh-line", "metric");
    let scales = [
        "weigh",
        "--wheelbase",
        "2600 mm",
        "--rear-track",
        "1500 mm",
        "--front-track",
        "1480 mm",
        "--rear-left",
        "163 kg",
        "--rear-right",
        "165 kg",
        "--front-left",
        "232 kg",
        "--front-right",
        "230 kg",
        "--uncertainty",
        "1 kg",
        "--json",
    ];
    let json = folder.json(&scales);
    let centre = |json: &Value, i: usize| number(&json["centre_mm"][i]);
    assert!(
        (centre(&json, 0) - 462.0 / 790.0 * 2600.0).abs() < 1e-6,
        "{json}"
    );
    assert!((centre(&json, 1) - (-2.0 * 750.0 + 2.0 * 740.0) / 790.0).abs() < 1e-6);

    let axles = [
        "weigh",
        "--wheelbase",
        "2600 mm",
        "--rear",
        "328 kg",
        "--front",
        "462 kg",
        "--uncertainty",
        "1 kg",
        "--unsprung",
        "rear axle: 110 kg at 0 mm, 0 mm, -142 mm",
        "--raised",
        "rear by 600 mm: 483 kg",
        "--wheel-radius",
        "318 mm",
        "--datum-height",
        "460 mm",
        "--json",
    ];
    let json = folder.json(&axles);
    assert!((number(&json["sprung_kg"]) - 680.0).abs() < 1e-9, "{json}");
    // By the formula of raised weighings: h = r + (F'/m l - a) cot(theta).
    let theta = (600.0_f64 / 2600.0).asin();
    let high = 318.0 + (483.0 / 790.0 - 462.0 / 790.0) * 2600.0 / theta.tan() - 460.0;
    assert!((centre(&json, 2) - high).abs() < 0.1, "{high} {json}");

    let parts = [
        "weigh",
        "--wheelbase",
        "2600 mm",
        "--part",
        "frame: 300 kg at 1000 mm, 0 mm, 50 mm",
        "--part",
        "engine: 100 kg at 2000 mm, 40 mm, 250 mm",
        "--json",
    ];
    let json = folder.json(&parts);
    for (i, due) in [1250.0, 10.0, 100.0].into_iter().enumerate() {
        assert!((centre(&json, i) - due).abs() < 1e-9, "{json}");
    }

    // Scales and axle weights that cannot both be: both fields are named.
    let both = [&scales[..17], &["--rear", "390 kg", "--front", "462 kg"]].concat();
    let off = folder.refused(&both);
    assert!(
        off.contains("scales.rear_left + rear_right") && off.contains("axles.rear"),
        "{off}"
    );
    let said = folder.refused(&[&parts[..4], &["engine 100 kg"]].concat());
    assert!(
        said.contains("'--part' cannot be 'engine 100 kg'"),
        "{said}"
    );
    folder.refused(&["weigh", "--wheelbase", "2600 mm"]);
    folder.refused(&["weigh", "--rear-left", "163 kg"]);
}

#[test]
fn geometry_that_cannot_be_names_both_fields() {
    for units in ["metric", "inch"] {
        let folder = folder(&format!("refused-{units}"), units);
        let low = folder.refused(&["layout", "van.toml", "--set", "wish.mount_highest=-300 mm"]);
        assert!(
            low.contains("wish.mount_highest") && low.contains("rear left lower mount"),
            "{low}"
        );
        let size = [
            "layout",
            "van.toml",
            "--wheel",
            "--set",
            "wheel.size=235-60",
        ];
        let size = folder.refused(&size);
        assert!(
            size.contains("wheel.size") && size.contains("235-60"),
            "{size}"
        );
        let plane = [
            "layout",
            "van.toml",
            "--wheel",
            "--set",
            "wheel.hub_face=20 mm",
        ];
        let plane = folder.refused(&plane);
        assert!(
            plane.contains("wheel.hub_face") && plane.contains("wheel.offset"),
            "{plane}"
        );
        folder.refused(&["layout", "van.toml", "--lean", "--spring", "none such"]);
        folder.refused(&["layout", "van.toml", "--lean", "--link"]);
    }
}
