//! Build sheets, good and bad, as files.
#![allow(
    clippy::panic,
    clippy::needless_pass_by_value,
    reason = "a test stops where it fails"
)]

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use serde_json::Value;
use stillheight::quantity::{Length, Mass, Point, SpringRate, UnitSystem};
use stillheight::sheet::{
    self, BuildSheet, Measurand, Mistakes, Protocol, Side, SpringCurve, Support, Suspension, TiltOn,
};

fn files(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/sheets")
        .join(folder);
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .expect("the folder of sheets")
        .map(|entry| entry.expect("an entry").path())
        .collect();
    files.sort();
    files
}

fn text(file: &Path) -> String {
    std::fs::read_to_string(file).expect("a sheet")
}

fn valid(name: &str) -> String {
    let path = files("valid")
        .into_iter()
        .find(|f| f.file_stem().is_some_and(|s| s == name));
    text(&path.expect("a valid sheet of that name"))
}

fn good(name: &str) -> BuildSheet {
    match sheet::parse(&valid(name), name) {
        Ok(checked) => checked.sheet,
        Err(mistakes) => panic!("{mistakes}"),
    }
}

fn near(a: f64, b: f64, within: f64) {
    assert!((a - b).abs() <= within, "{a} is not {b} within {within}");
}

fn near_point(a: Point, b: Point) {
    for (a, b) in a.m().into_iter().zip(b.m()) {
        near(a, b, 1e-9);
    }
}

#[test]
fn valid_sheets_are_good() {
    let files = files("valid");
    assert!(files.len() >= 4);
    for file in files {
        if let Err(mistakes) = sheet::parse(&text(&file), "sheet.toml") {
            panic!("{}: {mistakes}", file.display());
        }
    }
}

/// The lines `# expect:`, `# code:`, `# line:` at the head of a bad sheet.
fn head<'t>(text: &'t str, key: &str) -> &'t str {
    text.lines()
        .find_map(|l| l.strip_prefix(&format!("# {key}: ")))
        .expect("a head that says what is expected")
        .trim()
}

/// What is not as the head of a bad sheet says.
fn not_as_expected(text: &str) -> Vec<String> {
    let Err(mistakes) = sheet::parse(text, "sheet.toml") else {
        return vec!["taken as good".to_owned()];
    };
    let shown = mistakes.to_string();
    let mut wrong = Vec::new();
    let mut compare = |what: &str, is: String, due: &str| {
        if is != due {
            wrong.push(format!("{what}: {is} instead of {due}"));
        }
    };
    let joined = |each: fn(&sheet::Mistake) -> String| {
        mistakes
            .iter()
            .map(|m| each(&m))
            .collect::<Vec<_>>()
            .join(" ")
    };
    compare("codes", joined(|m| m.code.clone()), head(text, "code"));
    compare("lines", joined(|m| m.line.to_string()), head(text, "line"));
    if !shown.contains(head(text, "expect")) {
        wrong.push(format!("no '{}' in\n{shown}", head(text, "expect")));
    }
    for mistake in mistakes.iter() {
        let at = format!("sheet.toml:{}:{}", mistake.line, mistake.column);
        if !shown.contains(&at) || mistake.help.is_empty() {
            wrong.push(format!("no '{at}' or no help in\n{shown}"));
        }
    }
    wrong
}

#[test]
fn invalid_sheets_are_refused_where_they_are_wrong() {
    let files = files("invalid");
    assert!(files.len() >= 70);
    let wrong: Vec<String> = files
        .iter()
        .flat_map(|file| {
            let name = file.display().to_string();
            not_as_expected(&text(file))
                .into_iter()
                .map(move |w| format!("{name}: {w}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_mistake_is_shown_with_place_carets_and_help() {
    let text = valid("plain").replace("rate = \"25 N/mm\"", "rate = \"24,5 N/mm\"");
    let mistakes = sheet::parse(&text, "cart.toml").expect_err("a comma");
    let expected = "\
error[sheet.spring_rate.comma]: 'rear.spring.rate': '24,5 N/mm' has a comma in the number
  --> cart.toml:19:8
   |
19 | rate = \"24,5 N/mm\"
   |        ^^^^^^^^^^^
   |
   = help: write a point for the decimals: '24.5 N/mm'

1 mistake in cart.toml
";
    assert_eq!(mistakes.to_string(), expected);
    assert!(!mistakes.render(false).contains('\u{1b}'));
    assert!(mistakes.render(true).contains('\u{1b}'));
}

#[test]
fn what_is_not_said_is_assumed_as_written() {
    let sheet = good("least");
    assert_eq!(sheet.units, UnitSystem::Metric);
    assert_eq!(sheet.cases.len(), 1);
    assert_eq!(sheet.cases[0].name, "bare");
    near(
        sheet.sprung.mass_uncertainty.kg(),
        15.0 / 3.0_f64.sqrt(),
        1e-9,
    );
    near(
        sheet.sprung.centre_uncertainty.mm(),
        30.0 / 3.0_f64.sqrt(),
        1e-9,
    );
    near(
        sheet.floor.slope_uncertainty.deg(),
        0.5 / 3.0_f64.sqrt(),
        1e-9,
    );
    near(sheet.floor.flatness.mm(), 3.0 / 3.0_f64.sqrt(), 1e-9);
    let Support::Tyres(tyre) = &sheet.axles[1].support else {
        panic!("tyres");
    };
    near(tyre.rate_uncertainty, 0.15 / 3.0_f64.sqrt(), 1e-12);
    // The front says no height: the tyre's radius.
    near(sheet.axles[1].design_height.mm(), 310.0, 1e-9);
    near(sheet.axles[1].x.mm(), 2000.0, 1e-9);
    let Suspension::Solid { coilovers, link } = &sheet.axles[0].suspension else {
        panic!("a solid axle");
    };
    let [left, right] = coilovers.as_slice() else {
        panic!("two coilovers");
    };
    assert_eq!(
        (left.name.as_str(), right.name.as_str()),
        ("rear left", "rear right")
    );
    assert_eq!(right.side, Side::Right);
    near_point(right.upper, Point::from_mm(0.0, -400.0, 220.0));
    near_point(right.lower, Point::from_mm(0.0, -460.0, -60.0));
    near(left.unit.friction.n(), 30.0, 1e-9);
    near(left.unit.collar.step_turns, 0.25, 1e-12);
    near(
        left.unit.collar.uncertainty.mm(),
        0.5 / 3.0_f64.sqrt(),
        1e-9,
    );
    near(
        left.unit.spring.rate_uncertainty,
        0.05 / 3.0_f64.sqrt(),
        1e-12,
    );
    // Both ends of the link are 340 mm over the floor, 800 mm apart.
    near(link.as_ref().expect("a link").length.mm(), 800.0, 1e-9);
    // No thread: the seat cannot be moved.
    let Suspension::Independent { left, .. } = &sheet.axles[1].suspension else {
        panic!("independent corners");
    };
    near(
        left.unit.collar.highest.mm(),
        left.unit.collar.lowest.mm(),
        1e-12,
    );
}

#[test]
fn sides_that_differ() {
    let sheet = good("blocks-stands-sides");
    let Suspension::Solid { coilovers, .. } = &sheet.axles[0].suspension else {
        panic!("a solid axle");
    };
    let [left, right] = coilovers.as_slice() else {
        panic!("two coilovers");
    };
    near(left.unit.collar.height.mm(), 22.0, 1e-9);
    near(right.unit.collar.height.mm(), 20.0, 1e-9);
    let SpringCurve::Table(rows) = &left.unit.spring.curve else {
        panic!("a table on the left");
    };
    assert_eq!(rows.len(), 3);
    near(rows[1].0.mm(), 40.0, 1e-9);
    near(rows[1].1.n(), 980.0, 1e-9);
    assert_eq!(
        right.unit.spring.curve,
        SpringCurve::Linear(SpringRate::from_n_per_mm(26.0))
    );
    near(
        right.unit.spring.rate_uncertainty,
        0.03 / 3.0_f64.sqrt(),
        1e-12,
    );
    near(right.unit.spring.free_length.mm(), 300.0, 1e-9);
    // The left is in hole B, which says where the mount is; the right in A.
    near_point(left.lower, Point::from_mm(0.0, 460.0, -60.0));
    near_point(right.lower, Point::from_mm(0.0, -460.0, -80.0));
    near_point(right.upper, Point::from_mm(2.0, -401.0, 221.0));
    let used = |holes: &[sheet::Hole]| -> Vec<String> {
        holes
            .iter()
            .filter(|h| h.in_use)
            .map(|h| h.name.clone())
            .collect()
    };
    assert_eq!(used(&left.lower_holes), ["B"]);
    assert_eq!(used(&right.lower_holes), ["A"]);
    assert_eq!(
        sheet.axles[0].support,
        Support::Blocks {
            left: Length::from_mm(299.0),
            right: Length::from_mm(301.0)
        }
    );
    near(sheet.axles[0].design_height.mm(), 300.0, 1e-9);
    let Support::Stands(stands) = &sheet.axles[1].support else {
        panic!("stands");
    };
    assert_eq!(stands.len(), 2);
}

#[test]
fn scales_sentences_and_tables() {
    let sheet = good("inches-scales-sentences");
    assert_eq!(sheet.units, UnitSystem::Inch);
    // By hand, in pounds: 820 - 120 = 700 in front, 720 - 120 = 600 behind.
    let lb = |m: Mass| m.pounds();
    near(lb(sheet.sprung.mass), 1300.0, 1e-9);
    near(sheet.sprung.centre.x.inches(), 96.0 * 700.0 / 1300.0, 1e-9);
    // (20 + 20) lb x 27.5 in / 1300 lb.
    near(sheet.sprung.centre.y.inches(), 40.0 * 27.5 / 1300.0, 1e-9);
    near(sheet.sprung.centre.z.inches(), 6.0, 1e-9);
    // Four independent readings of +-3 lb each.
    near(
        lb(sheet.sprung.mass_uncertainty),
        2.0 * 3.0 / 3.0_f64.sqrt(),
        1e-9,
    );
    let Suspension::Independent {
        left, roll_centre, ..
    } = &sheet.axles[0].suspension
    else {
        panic!("independent corners");
    };
    assert_eq!(left.name, "rear left");
    near(left.motion_ratio[2].0.inches(), 2.5, 1e-12);
    near(left.motion_ratio[2].1, 0.66, 1e-12);
    near(left.unit.friction.lbf(), 7.0, 1e-9);
    near(roll_centre.expect("a roll centre").inches(), 3.0, 1e-12);
    let [roll, pitch, gap] = sheet.sensors.as_slice() else {
        panic!("three sensors");
    };
    assert_eq!(
        roll.reads,
        Measurand::Tilt {
            on: TiltOn::FrameRoll,
            reversed: true
        }
    );
    assert_eq!((roll.connection.baud, pitch.connection.baud), (4800, 9600));
    near(roll.zero.to_degrees(), -0.2, 1e-12);
    near(
        roll.zero_uncertainty.to_degrees(),
        0.3 / 3.0_f64.sqrt(),
        1e-12,
    );
    near(
        pitch.zero_uncertainty,
        0.002_f64.atan() / 3.0_f64.sqrt(),
        1e-12,
    );
    assert_eq!(
        gap.connection.protocol,
        Protocol::Wire {
            device: 0x5e00_0000_0000_c301,
            channel: 3
        }
    );
    assert_eq!(gap.connection.baud, 115_200);
    near(gap.zero, 0.003_175, 1e-12);
    assert!(matches!(gap.reads, Measurand::FrameToAxle { axle: 1, .. }));
    let bar = sheet.axles[0].anti_roll_bar.expect("a bar");
    near(bar.nm_per_deg() / 1.355_817_948_331_4, 130.0, 1e-9);
}

/// Moving one reading by its uncertainty moves the centre as the first-order
/// propagation says: checked by brute force on the four readings.
#[test]
fn the_centres_uncertainty_from_scales() {
    let text = valid("inches-scales-sentences");
    let base = sheet::parse(&text, "s").expect("good").sheet.sprung;
    let u = Mass::from_pounds(3.0).kg() / 3.0_f64.sqrt();
    let (mut ux, mut uy) = (0.0, 0.0);
    for (key, pounds) in [
        ("front_left", 420.0),
        ("front_right", 400.0),
        ("rear_left", 370.0),
        ("rear_right", 350.0),
    ] {
        let moved = format!("{} kg", Mass::from_pounds(pounds).kg() + u);
        let path = format!("weight.scales.{key}");
        let other = sheet::parse_with(&text, "s", &[(&path, &moved)]);
        let other = other.expect("good").sheet.sprung;
        ux += (other.centre.x - base.centre.x).m().powi(2);
        uy += (other.centre.y - base.centre.y).m().powi(2);
    }
    let largest = ux.sqrt().max(uy.sqrt());
    let typed = 0.030 / 3.0_f64.sqrt();
    // Here the 30 mm of the sheet are more; with none the readings decide.
    assert!(largest < typed);
    near(base.centre_uncertainty.m(), typed, 1e-12);
    let set = [("weight.centre_uncertainty", "0 mm")];
    let bare = sheet::parse_with(&text, "s", &set)
        .expect("good")
        .sheet
        .sprung;
    // Second-order terms: 1.7 lb in 1300 lb.
    near(bare.centre_uncertainty.m() / largest, 1.0, 2e-3);
}

#[test]
fn values_set_from_outside() {
    let text = valid("plain");
    let set = [
        ("rear.spring.rate", "165 lbf/in"),
        ("load.driver.weight", "172 lb"),
        ("load.1.at", "[\"1 m\", \"-1/2 in\", \"0 mm\"]"),
        ("rear.right.collar.height", "5/8 in"),
        ("front.anti_roll_bar.roll_rate", "100 N m/deg"),
        ("sensor.roll.reversed", "true"),
    ];
    let checked = sheet::parse_with(&text, "cart.toml", &set);
    let sheet = checked.expect("good overrides").sheet;
    let Suspension::Solid { coilovers, .. } = &sheet.axles[0].suspension else {
        panic!("a solid axle");
    };
    assert_eq!(
        coilovers[0].unit.spring.curve,
        SpringCurve::Linear(SpringRate::from_lbf_per_in(165.0))
    );
    near(coilovers[1].unit.collar.height.inches(), 0.625, 1e-12);
    near(coilovers[0].unit.collar.height.mm(), 20.0, 1e-12);
    near(sheet.loads[0].mass.pounds(), 172.0, 1e-9);
    near(sheet.loads[0].at.y.inches(), -0.5, 1e-12);
    near(
        sheet.axles[1].anti_roll_bar.expect("a bar").nm_per_deg(),
        100.0,
        1e-9,
    );
}

fn refused(set: &[(&str, &str)]) -> Mistakes {
    sheet::parse_with(&valid("plain"), "cart.toml", set).expect_err("a bad override")
}

#[test]
fn bad_values_set_from_outside_are_named() {
    let mistakes = refused(&[
        ("rear.spring.rate", "-165 lbf/in"),
        ("load.drivr.weight", "3 kg"),
        ("rear.sprung.rate", "3 kg"),
        ("frame.wheelbase.x", "3 m"),
        ("rear..rate", "3 kg"),
        ("", "3 kg"),
        ("rear.collar.height", "99 mm"),
        ("rear.coilover.upper", "[\"0 mm\", 400, \"1,5 mm\"]"),
    ]);
    let all: Vec<(String, String, usize)> = mistakes
        .iter()
        .map(|m| (m.file, m.code, m.column))
        .collect();
    let due = [
        ("sheet.spring_rate.range", 18),
        ("sheet.set.path", 1),
        ("sheet.set.path", 1),
        ("sheet.set.path", 1),
        ("sheet.set.path", 1),
        ("sheet.set.path", 1),
        ("sheet.collar.outside", 20),
        ("sheet.length.no_unit", 30),
        ("sheet.length.comma", 35),
    ];
    assert_eq!(
        all,
        due.map(|(code, column)| ("--set".to_owned(), code.to_owned(), column)),
        "{mistakes}"
    );
    assert!(mistakes.to_string().contains("did you mean 'driver'?"));
}

#[test]
fn what_was_understood_can_be_echoed() {
    let checked = sheet::parse(&valid("inches-scales-sentences"), "s").expect("good");
    let lines: Vec<String> = checked.understood.iter().map(ToString::to_string).collect();
    assert!(
        lines.contains(&"rear.coilover.compressed: '10-5/8 in' is 10.625 in = 269.9 mm".to_owned())
    );
    assert!(
        lines.contains(&"rear.spring.rate: '250 lbf/in' is 250 lbf/in = 43.78 N/mm".to_owned())
    );
}

#[test]
fn a_file_that_is_not_there_is_one_clear_error() {
    let error = sheet::read(Path::new("/no/such/sheet.toml"), &[]).expect_err("no file");
    assert_eq!(error.code(), "sheet.read");
    assert!(
        error
            .to_string()
            .contains("'/no/such/sheet.toml' cannot be read")
    );
}

static SCHEMA: std::sync::LazyLock<Value> = std::sync::LazyLock::new(sheet::schema);

/// A small reader of the parts of JSON Schema that the schema uses, patterns
/// left out.
fn complaints(schema: &Value, value: &Value, path: &str, out: &mut Vec<String>) {
    let schema = match schema.get("$ref").and_then(Value::as_str) {
        Some(reference) => {
            let pointer = reference.strip_prefix('#').expect("a reference in here");
            SCHEMA.pointer(pointer).expect("what is referred to")
        }
        None => schema,
    };
    if let Some(options) = schema.get("anyOf").and_then(Value::as_array) {
        let fits = options.iter().any(|option| {
            let mut inner = Vec::new();
            complaints(option, value, path, &mut inner);
            inner.is_empty()
        });
        if !fits {
            out.push(format!("{path}: none of the options"));
        }
        return;
    }
    let fits = match schema["type"].as_str().expect("a type everywhere") {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "boolean" => value.is_boolean(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        other => panic!("a type that is not read here: {other}"),
    };
    if !fits {
        out.push(format!("{path}: not of type {}", schema["type"]));
        return;
    }
    if let Some(words) = schema.get("enum").and_then(Value::as_array)
        && !words.contains(value)
    {
        out.push(format!("{path}: not one of the words"));
    }
    if let Some(number) = value.as_f64() {
        let low = schema.get("minimum").and_then(Value::as_f64);
        let high = schema.get("maximum").and_then(Value::as_f64);
        if low.is_some_and(|l| number < l) || high.is_some_and(|h| number > h) {
            out.push(format!("{path}: outside"));
        }
    }
    if let Some(items) = value.as_array() {
        let count = |key: &str| schema.get(key).and_then(Value::as_u64);
        let len = items.len() as u64;
        if count("minItems").is_some_and(|n| len < n) || count("maxItems").is_some_and(|n| len > n)
        {
            out.push(format!("{path}: {len} items"));
        }
        for (i, item) in items.iter().enumerate() {
            let first = schema.get("prefixItems").and_then(|p| p.get(i));
            if let Some(schema) = first.or(schema.get("items")) {
                complaints(schema, item, &format!("{path}[{i}]"), out);
            }
        }
    }
    if let Some(map) = value.as_object() {
        assert_eq!(schema["additionalProperties"], Value::Bool(false));
        for (key, inner) in map {
            match schema["properties"].get(key) {
                Some(schema) => complaints(schema, inner, &format!("{path}.{key}"), out),
                None => out.push(format!("{path}: unknown key {key}")),
            }
        }
        for key in schema
            .get("required")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
        {
            if !map.contains_key(key.as_str().expect("a key")) {
                out.push(format!("{path}: {key} missing"));
            }
        }
    }
}

fn against_schema(text: &str) -> Vec<String> {
    let value: Value = toml::from_str(text).expect("TOML");
    let mut out = Vec::new();
    complaints(&SCHEMA, &value, "", &mut out);
    out
}

#[test]
fn the_schema_takes_good_sheets_and_refuses_unknown_keys() {
    for file in files("valid") {
        assert_eq!(
            against_schema(&text(&file)),
            Vec::<String>::new(),
            "{}",
            file.display()
        );
    }
    for units in [UnitSystem::Metric, UnitSystem::Inch] {
        assert_eq!(
            against_schema(&sheet::template(units)),
            Vec::<String>::new()
        );
    }
    for (name, complaint) in [
        ("unknown-key", ".frame: unknown key design_hight"),
        ("unknown-table", ": unknown key wings"),
        ("missing-wheelbase", ".frame: \"wheelbase\" missing"),
        (
            "bare-number",
            ".frame.design_height: not of type \"string\"",
        ),
        ("unknown-word", ".rear.axle: not one of the words"),
        ("point-of-two", ".rear.coilover.upper: 2 items"),
        ("ratio-upside-down", ".front.motion_ratio: outside"),
    ] {
        let path = files("invalid")
            .into_iter()
            .find(|f| f.file_stem().is_some_and(|s| s == name))
            .expect(name);
        assert_eq!(against_schema(&text(&path)), [complaint]);
    }
}

/// Every key of the schema stands in the sheet to begin with, as a key or in
/// a comment, so that a builder meets all of them there.
#[test]
fn the_first_sheet_names_every_key() {
    fn keys(schema: &Value, out: &mut Vec<String>) {
        if let Some(properties) = schema.get("properties").and_then(Value::as_object) {
            for (key, inner) in properties {
                out.push(key.clone());
                keys(inner, out);
            }
        }
        if let Some(items) = schema.get("items") {
            keys(items, out);
        }
    }
    let mut all = Vec::new();
    keys(&sheet::schema(), &mut all);
    let text = sheet::template(UnitSystem::Metric);
    let words: Vec<&str> = text
        .split(|c: char| !c.is_alphanumeric() && c != '_')
        .collect();
    let missing: Vec<String> = all
        .into_iter()
        .filter(|key| !words.contains(&key.as_str()))
        .collect();
    assert_eq!(missing, Vec::<String>::new());
}

/// Everything that can be asked of a result, so that no path of it panics.
fn use_up(result: Result<sheet::Checked, Mistakes>) {
    match result {
        Ok(checked) => {
            for one in &checked.understood {
                assert!(!one.to_string().is_empty());
            }
        }
        Err(mistakes) => {
            assert!(mistakes.count() > 0);
            assert!(!mistakes.to_string().is_empty());
            assert_eq!(mistakes.iter().count(), mistakes.count());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn prop_any_text_never_panics(text in "\\PC{0,200}|[a-z=\"\\[\\]{}.,\n #é0-9']{0,200}") {
        use_up(sheet::parse(&text, "any.toml"));
    }

    #[test]
    fn prop_a_damaged_sheet_never_panics(
        at in 0.0_f64..1.0,
        take in 0_usize..60,
        put in "[-\"\\[\\]{}=.,\n#a-z0-9 é½]{0,12}",
    ) {
        let mut text: Vec<char> = valid("blocks-stands-sides").chars().collect();
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a share of a small length"
        )]
        let from = (at * text.len() as f64) as usize;
        let to = (from + take).min(text.len());
        text.splice(from..to, put.chars());
        use_up(sheet::parse(&text.into_iter().collect::<String>(), "damaged.toml"));
    }

    #[test]
    fn prop_any_override_never_panics(
        path in "(rear|load|sensor|frame|case)?[.\"a-z_1é]{0,20}",
        value in "\\PC{0,20}",
    ) {
        use_up(sheet::parse_with(&valid("plain"), "cart.toml", &[(&path, &value)]));
    }

    /// More than a millimetre past the thread is always refused, within it
    /// never.
    #[test]
    fn prop_collars_stay_on_their_thread(mm in -50.0_f64..120.0) {
        let height = format!("{mm} mm");
        let result = sheet::parse_with(&valid("plain"), "c", &[("rear.collar.height", &height)]);
        prop_assert_eq!(result.is_ok(), (-0.001..=60.001).contains(&mm));
    }
}

/// A table of numbers instead of a sheet, and one line far too often.
#[test]
fn what_is_no_sheet_at_all_is_refused_in_good_time() {
    let numbers = "1.5,2.5,3.5\n".repeat(1000);
    let mistakes = sheet::parse(&numbers, "log.csv").expect_err("no sheet");
    let shown = mistakes.to_string();
    assert!(mistakes.count() >= 1000);
    assert!(shown.ends_with("mistakes in log.csv (the first 200 are shown)\n"));

    let long = "name = \"cart\"\n".repeat(20_000);
    let mistakes = sheet::parse(&long, "long.toml").expect_err("too long");
    let codes: Vec<String> = mistakes.iter().map(|m| m.code).collect();
    assert_eq!(codes, ["sheet.too_long"]);
    assert!(mistakes.to_string().contains("no sheet is that long"));
}

#[test]
fn a_shelf_is_read_as_written() {
    let sheet = good("shelf");
    let [red, blue] = sheet.shelf.as_slice() else {
        panic!("two springs: {:?}", sheet.shelf);
    };
    assert_eq!((red.name.as_str(), red.count), ("red 30", 2));
    near(red.spring.free_length.mm(), 210.0, 1e-9);
    near(red.spring.rate_uncertainty, 0.05 / 3.0_f64.sqrt(), 1e-12);
    let SpringCurve::Linear(rate) = &red.spring.curve else {
        panic!("a rate");
    };
    near(rate.n_per_mm(), 30.0, 1e-9);
    assert_eq!(blue.count, 4);
    assert_eq!(blue.spring.solid_length, None);
    assert!(matches!(&blue.spring.curve, SpringCurve::Table(rows) if rows.len() == 3));
    assert!(good("plain").shelf.is_empty());
}
