//! The log as text, CSV and JSON.

use jiff::tz::TimeZone;
use proptest::prelude::*;
use stillheight::logbook::{
    Change, ChangeKind, History, Kept, KeptBy, KeptId, KeptQuantity, KeptReading, KeptSensor,
    KeptState, Load, Logged, Mark, MarkKind, Origin, SittingId, Unit,
};
use stillheight::quantity::{Moment, UnitSystem};
use stillheight::report::log_table;
use stillheight::report::{events_csv, kept_csv};
use stillheight::report::{history_json, history_json_lines};

/// 2025-11-25 09:31:05 UTC.
const BEGIN_US: i64 = 1_764_063_065_000_000;

fn at(s: i64) -> Moment {
    Moment::from_unix_us(BEGIN_US + s * 1_000_000)
}

fn logged<T>(record: T) -> Logged<T> {
    Logged {
        id: 1,
        sitting: SittingId(1),
        record,
    }
}

fn helper() -> Load {
    Load {
        name: "helper".into(),
        mass_kg: 82.5,
        at_m: Some([0.4, -0.35, 0.6]),
    }
}

fn quantity(name: &str, unit: Unit, value: f64, u: f64, origin: Origin) -> KeptQuantity {
    KeptQuantity {
        name: name.into(),
        unit,
        value,
        standard_uncertainty: u,
        origin,
    }
}

pub(crate) fn reading() -> KeptReading {
    KeptReading {
        at: at(0),
        still_since: Some(at(-4)),
        case: Some("finished".into()),
        loads: vec![helper()],
        by: KeptBy::Stillness,
        note: "after lunch".into(),
        quantities: vec![
            quantity(
                "height rear left",
                Unit::Metre,
                0.4123,
                0.0004,
                Origin::Measured,
            ),
            quantity("roll", Unit::Radian, -0.01, 0.001, Origin::Assumed),
            quantity(
                "force rear left",
                Unit::Newton,
                2_500.0,
                20.0,
                Origin::Measured,
            ),
            quantity(
                "wheel rate rear",
                Unit::NewtonPerMetre,
                24_500.0,
                300.0,
                Origin::Assumed,
            ),
        ],
        state: Some(KeptState {
            coordinates: vec!["frame_heave_m".into(), "frame_roll_rad".into()],
            values: vec![0.001, -0.01],
            covariance: vec![1e-8, 0.0, 0.0, 1e-6],
        }),
        sensors: vec![KeptSensor {
            name: "tilt link".into(),
            unit: Unit::Radian,
            value: None,
            noise_uncertainty: None,
            zero_uncertainty: 0.001,
            quality: "silent".into(),
            temperature_c: None,
        }],
    }
}

fn kept(reading: KeptReading) -> Kept {
    Kept {
        id: KeptId(12),
        sitting: SittingId(1),
        reading,
        intact: true,
    }
}

fn history() -> History {
    History {
        kept: vec![kept(reading())],
        marks: vec![
            logged(Mark {
                at: at(-60),
                kind: MarkKind::LoadOn(helper()),
                note: String::new(),
            }),
            logged(Mark {
                at: at(90),
                kind: MarkKind::Note,
                note: "the left lower bracket was touched up with the grinder, \
                       see the photograph, and left to cool"
                    .into(),
            }),
        ],
        changes: vec![logged(Change {
            at: at(120),
            kind: ChangeKind::Collar {
                coilover: "rear left".into(),
                turns: -1.5,
            },
            note: String::new(),
        })],
    }
}

#[test]
fn the_table_in_metric() {
    let text = log_table(&history(), UnitSystem::Metric, &TimeZone::UTC);
    // 95 % by hand: 1.96 x 0.4 mm = 0.8; 1.96 x 0.0573 deg = 0.11;
    // 1.96 x 20 N = 39; 1.96 x 0.3 N/mm = 0.59.
    let expected = "\
2025-11-25 (UTC), sitting 1
09:30:05  load on     helper 82.5 kg at x 400.0, y -350.0, z 600.0 mm
09:31:05  kept 12     by itself, still for 4 s, case 'finished', helper 82.5 kg
                      height rear left              412.3 +/- 0.8 mm
                      roll                          -0.57 +/- 0.11 deg *
                      force rear left                2500 +/- 39 N
                      wheel rate rear               24.50 +/- 0.59 N/mm *
                      without tilt link (silent)
                      \"after lunch\"
09:32:35  note        the left lower bracket was touched up with the grinder,
                      see the photograph, and left to cool
09:33:05  change      rear left: collar 1.5 turns down

Behind +/-: half of the 95 % interval. * assumed, not measured.
";
    assert_eq!(text, expected);
}

#[test]
fn the_table_in_inches_and_on_the_clocks_of_the_place() {
    let zone = TimeZone::fixed(jiff::tz::offset(1));
    let text = log_table(&history(), UnitSystem::Inch, &zone);
    // By hand: 412.3 mm / 25.4 = 16.23 in; 82.5 kg / 0.45359 = 182 lb;
    // 2500 N / 4.44822 = 562 lbf; 24.5 N/mm / 0.1751268 = 139.9 lbf/in.
    for piece in [
        "10:31:05  kept 12",
        "helper 182 lb at x 15.75, y -13.78, z 23.62 in",
        "16.23 +/- 0.03 in",
        "562 +/- 9 lbf",
        "139.9 +/- 3.4 lbf/in *",
    ] {
        assert!(text.contains(piece), "no '{piece}' in\n{text}");
    }
}

#[test]
fn an_altered_reading_and_an_empty_log_say_so() {
    let mut history = history();
    history.kept[0].intact = false;
    let text = log_table(&history, UnitSystem::Metric, &TimeZone::UTC);
    assert!(text.contains("! ALTERED since it was written"));
    assert!(kept_csv(&history.kept, UnitSystem::Metric).contains(",no,"));
    assert!(history_json(&history).contains("\"intact\": false"));
    let nothing = log_table(&History::default(), UnitSystem::Metric, &TimeZone::UTC);
    assert_eq!(nothing, "Nothing is kept yet.\n");
}

#[test]
fn readings_as_csv() {
    let mut second = reading();
    second.at = at(300);
    second.note = "said \"level\", twice\r\nand left".into();
    second.quantities = vec![quantity("pitch", Unit::Radian, 0.0, 0.0, Origin::Measured)];
    second.still_since = None;
    second.case = None;
    second.loads.clear();
    second.by = KeptBy::Key;
    let text = kept_csv(&[kept(reading()), kept(second)], UnitSystem::Metric);
    let mut lines = text.split_inclusive("\r\n");
    assert_eq!(
        lines.next().unwrap(),
        "moment [UTC],number,sitting,case,loads,weight of the loads [kg],kept by,still for [s],\
         intact,note,height rear left [mm],height rear left +/- 95 % [mm],height rear left from,\
         roll [deg],roll +/- 95 % [deg],roll from,force rear left [N],\
         force rear left +/- 95 % [N],force rear left from,wheel rate rear [N/mm],\
         wheel rate rear +/- 95 % [N/mm],wheel rate rear from,pitch [deg],pitch +/- 95 % [deg],\
         pitch from\r\n"
    );
    assert_eq!(
        lines.next().unwrap(),
        "2025-11-25T09:31:05.000000Z,12,1,finished,helper,82.5,stillness,4,yes,after lunch,\
         412.3,0.784,measured,-0.57296,0.1123,assumed,2500,39.199,measured,24.5,0.58799,assumed,,,\
         \r\n"
    );
    let rest: String = lines.collect();
    assert_eq!(
        rest,
        "2025-11-25T09:36:05.000000Z,12,1,,,0,key,,yes,\"said \"\"level\"\", twice\r\nand left\",\
         ,,,,,,,,,,,,0,0,measured\r\n"
    );
}

#[test]
fn events_as_csv() {
    let history = history();
    let text = events_csv(&history.marks, &history.changes, UnitSystem::Metric);
    assert_eq!(
        text,
        "moment [UTC],sitting,event,what,weight [kg],x [mm],y [mm],z [mm],collar [turns],note\r\n\
         2025-11-25T09:30:05.000000Z,1,load on,helper,82.5,400,-350,600,,\r\n\
         2025-11-25T09:32:35.000000Z,1,note,,,,,,,\"the left lower bracket was touched up with the \
         grinder, see the photograph, and left to cool\"\r\n\
         2025-11-25T09:33:05.000000Z,1,change,rear left: collar 1.5 turns down,,,,,-1.5,\r\n"
    );
}

#[test]
fn as_json() {
    let document: serde_json::Value = serde_json::from_str(&history_json(&history())).unwrap();
    let kept = &document["kept"][0];
    assert_eq!(kept["at"], "2025-11-25T09:31:05.000000Z");
    assert_eq!(kept["still_for_s"], 4.0);
    assert_eq!(
        kept["quantities"][0],
        serde_json::json!({
            "name": "height rear left", "value_mm": 412.3, "standard_uncertainty_mm": 0.4,
            "uncertainty_95_mm": 0.783_985_6, "origin": "measured",
        })
    );
    assert_eq!(kept["quantities"][2]["value_n"], 2500.0);
    assert_eq!(kept["quantities"][3]["value_n_per_mm"], 24.5);
    assert_eq!(
        kept["loads"][0]["at_mm"],
        serde_json::json!([400.0, -350.0, 600.0])
    );
    assert_eq!(kept["sensors"][0]["value_deg"], serde_json::Value::Null);
    assert_eq!(
        kept["state"]["covariance"],
        serde_json::json!([[1e-8, 0.0], [0.0, 1e-6]])
    );
    assert_eq!(document["changes"][0]["turns"], -1.5);

    let lines = history_json_lines(&history());
    let kinds: Vec<String> = lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|record| record["record"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(kinds, ["mark", "kept", "mark", "change"]);
}

/// A reader of RFC 4180 written from its grammar (section 2), for the test.
fn read_csv(text: &str) -> Vec<Vec<String>> {
    let mut records = Vec::new();
    let (mut record, mut field, mut quoted) = (Vec::new(), String::new(), false);
    let mut letters = text.chars().peekable();
    while let Some(letter) = letters.next() {
        match (quoted, letter) {
            (true, '"') if letters.peek() == Some(&'"') => {
                letters.next();
                field.push('"');
            }
            (true, '"') => quoted = false,
            (false, '"') => {
                assert!(field.is_empty(), "a quote inside a bare field");
                quoted = true;
            }
            (false, ',') => record.push(std::mem::take(&mut field)),
            (false, '\r') => {
                assert_eq!(letters.next(), Some('\n'), "CR without LF");
                record.push(std::mem::take(&mut field));
                records.push(std::mem::take(&mut record));
            }
            (false, '\n') => panic!("LF without CR"),
            (_, other) => field.push(other),
        }
    }
    assert!(!quoted && field.is_empty() && record.is_empty());
    records
}

proptest! {
    #[test]
    fn prop_csv_gives_back_every_text(
        note in "[ -~,\"\r\näß☂]{0,40}",
        case in ".{0,20}",
        name in ".{1,20}",
        value in -10.0..10.0_f64,
    ) {
        let mut reading = reading();
        reading.note.clone_from(&note);
        reading.case = Some(case.clone());
        reading.quantities[0].name.clone_from(&name);
        reading.quantities[0].value = value;
        let table = read_csv(&kept_csv(&[kept(reading)], UnitSystem::Metric));
        prop_assert_eq!(table.len(), 2);
        prop_assert_eq!(table[0].len(), table[1].len());
        prop_assert_eq!(&table[1][3], &case);
        prop_assert_eq!(&table[1][9], &note);
        prop_assert_eq!(&table[0][10], &format!("{name} [mm]"));
        let mm: f64 = table[1][10].parse().unwrap();
        // Four decimals of a millimetre are written.
        prop_assert!((mm - value * 1e3).abs() <= 0.5e-4 + 1e-9);
    }

    /// Whatever people type: 80 columns, and nothing that steers a terminal.
    #[test]
    fn prop_the_table_fits(
        note in "(\\PC|\x1b|\n|\t| ){0,300}",
        name in "[a-z]{1,30}( [a-z]{1,90}){0,2}",
        value in -1e9..1e9_f64,
    ) {
        let mut history = history();
        history.marks[0].record.note.clone_from(&note);
        history.kept[0].reading.note = note;
        history.kept[0].reading.quantities[0].name = name;
        history.kept[0].reading.quantities[0].value = value;
        let text = log_table(&history, UnitSystem::Metric, &TimeZone::UTC);
        for line in text.lines() {
            prop_assert!(line.chars().count() <= 80, "{}", line);
            prop_assert!(!line.chars().any(char::is_control), "{:?}", line);
        }
    }
}
