//! The C codec against the Rust crate: every example of the page, random messages and
//! random damage, both ways; and every `#define` of the header against the constants.
//!
//! A C compiler must be there (`cc`, or what the variable `CC` names): without one these
//! tests fail and say so, because the project needs one anyway.

use std::collections::BTreeMap;
use std::env;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::thread;

use proptest::strategy::{Strategy as _, ValueTree as _};
use proptest::test_runner::TestRunner;
use stillheight_protocol::{
    Abilities, COLDEST_CENTIDEGREES, FaultCode, Kind, MAX_FRAME, MAX_STUFFED, MIN_STUFFED,
    NO_TEMPERATURE, Quantity, Refusal, Status, Unit, VERSION, WHOLE_DEVICE, check,
};

use crate::notation::{bytes, frame, heard, hex, in_words, table};
use crate::properties::messages;

fn c_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("c")
}

/// Builds the driver once for all tests of this run.
fn driver() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let compiler = env::var("CC").unwrap_or_else(|_| "cc".into());
        let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join("vectors");
        let built = Command::new(&compiler)
            .args(["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion"])
            .args(["-Werror", "-O1", "-o"])
            .arg(&program)
            .args(["vectors.c", "stillheight_wire.c"])
            .current_dir(c_folder())
            .output()
            .unwrap_or_else(|why| panic!("the C compiler '{compiler}' cannot be run: {why}"));
        let said = String::from_utf8_lossy(&built.stderr);
        assert!(built.status.success(), "'{compiler}' says:\n{said}");
        program
    })
}

/// What the driver answers, line by line.
fn ask(lines: &[String]) -> Vec<String> {
    let mut child = Command::new(driver())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let text = lines.join("\n") + "\n";
    // Written beside the reading: both pipes together hold less than both texts.
    let writer = thread::spawn(move || input.write_all(text.as_bytes()).unwrap());
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success(), "driver: {}", output.status);
    let answers: Vec<String> = String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(Into::into)
        .collect();
    assert_eq!(answers.len(), lines.len());
    answers
}

fn compare(questions: Vec<(String, String)>) {
    let (lines, expected): (Vec<String>, Vec<String>) = questions.into_iter().unzip();
    for ((line, answer), expected) in lines.iter().zip(ask(&lines)).zip(expected) {
        assert_eq!(
            answer, expected,
            "C and the expectation differ for '{line}'"
        );
    }
}

#[test]
fn c_executes_the_examples_of_the_page() {
    let mut questions = Vec::new();
    for row in table("### 9.4 Messages") {
        questions.push((format!("e {}", row[0]), row[1].clone()));
        questions.push((format!("d {}", row[1]), row[0].clone()));
    }
    for row in table("### 9.5 Bad frames") {
        let length = bytes(&row[1]).len();
        let rejected = format!("rejected {} bytes={length}", row[2]);
        questions.push((format!("d {} 00", row[1]), rejected));
    }
    for row in table("### 9.6 Pieces of a line") {
        questions.push((format!("d {}", row[0]), row[1].clone()));
    }
    compare(questions);
}

#[test]
fn c_and_rust_agree_on_random_messages_both_ways() {
    let mut runner = TestRunner::deterministic();
    let mut questions = Vec::new();
    for _ in 0..2000 {
        let meant = messages().new_tree(&mut runner).unwrap().current();
        let line = hex(&frame(&meant));
        questions.push((format!("e {meant}"), line.clone()));
        questions.push((format!("d {line}"), meant.to_string()));
    }
    compare(questions);
}

#[test]
fn c_and_rust_agree_on_damaged_lines() {
    let mut runner = TestRunner::deterministic();
    let noise = proptest::collection::vec(proptest::num::u8::ANY, 0..80);
    let damage = (
        messages(),
        noise,
        proptest::num::usize::ANY,
        proptest::num::u8::ANY,
    );
    let mut questions = Vec::new();
    for round in 0..2000 {
        let (meant, noise, place, wrong) = damage.new_tree(&mut runner).unwrap().current();
        let mut line = frame(&meant);
        let place = place % line.len();
        line[place] ^= wrong;
        if round % 2 == 0 {
            // Damage behind the check: what a sender with a mistake in it would send.
            let covered = line.len() - 1 - check::LENGTH;
            let spread = check::spread(check::crc(&line[..covered]));
            line[covered..covered + check::LENGTH].copy_from_slice(&spread);
            *line.last_mut().unwrap() = 0;
        }
        line.extend(noise);
        line.push(0);
        line.extend(frame(&meant));
        let expected = in_words(&heard(&line, 7));
        questions.push((format!("d {}", hex(&line)), expected));
    }
    let rejected_late = questions
        .iter()
        .filter(|(_, expected)| expected.contains("bad-cobs") || expected.contains("bad-field"))
        .count();
    assert!(rejected_late > 100, "the damage reaches behind the check");
    compare(questions);
}

#[test]
fn c_refuses_to_send_what_rust_refuses() {
    let refused = |text: &str| (format!("e {text}"), "refused".to_string());
    compare(vec![
        refused("sample channel=254 sequence=0 time_us=0 value=0 status=0x0000 temperature=none"),
        refused("sample channel=0 sequence=0 time_us=0 value=0 status=0x0000 temperature=-27316"),
        refused("fault channel=0 code=0 detail=0 time_us=0"),
        refused("fault channel=254 code=1 detail=0 time_us=0"),
        refused("done tag=0 request=0x02 taken=0"),
        refused("refused tag=0 request=0x02 reason=1"),
        refused("refused tag=0 request=0x82 reason=0"),
        refused("set-rate tag=0 channel=254 rate_millihertz=1"),
        refused("blink tag=0 channel=254 tenths=1"),
    ]);
}

/// Name and number of every `#define` of the header that has a number.
fn defines() -> BTreeMap<String, i64> {
    let header = std::fs::read_to_string(c_folder().join("stillheight_wire.h")).unwrap();
    let mut found = BTreeMap::new();
    for line in header.lines() {
        let Some(rest) = line.strip_prefix("#define ") else {
            continue;
        };
        let Some((name, value)) = rest.split_once(' ') else {
            assert_eq!(rest, "STILLHEIGHT_WIRE_H", "a define without a value");
            continue;
        };
        let value = value.trim_matches(['(', ')']);
        let number = match value.strip_prefix("0x") {
            Some(digits) => i64::from_str_radix(digits, 16),
            None => value.parse(),
        };
        let number = number.unwrap_or_else(|_| panic!("'{line}' has no number"));
        assert_eq!(found.insert(name.to_string(), number), None, "{name} twice");
    }
    found
}

#[test]
fn the_header_has_the_constants_of_the_crate_and_no_others() {
    let mut expected: BTreeMap<String, i64> = BTreeMap::new();
    let mut add = |name: &str, value: i64| {
        expected.insert(format!("SW_{name}"), value);
    };
    let size = |n: usize| i64::try_from(n).unwrap();
    add("VERSION", VERSION.into());
    add("MAX_FRAME", size(MAX_FRAME));
    add("MAX_STUFFED", size(MAX_STUFFED));
    add("MIN_STUFFED", size(MIN_STUFFED));
    add("CHECK_LENGTH", size(check::LENGTH));
    add("WHOLE_DEVICE", WHOLE_DEVICE.into());
    add("NO_TEMPERATURE", NO_TEMPERATURE.into());
    add("COLDEST_CENTIDEGREES", COLDEST_CENTIDEGREES.into());
    for (name, kind) in [
        ("IDENTITY", Kind::IDENTITY),
        ("SAMPLE", Kind::SAMPLE),
        ("FAULT", Kind::FAULT),
        ("DONE", Kind::DONE),
        ("REFUSED", Kind::REFUSED),
        ("WHO", Kind::WHO),
        ("SET_RATE", Kind::SET_RATE),
        ("BLINK", Kind::BLINK),
    ] {
        add(&format!("KIND_{name}"), kind.0.into());
        add(&format!("BODY_{name}"), size(kind.body_length().unwrap()));
    }
    add("QUANTITY_OTHER", Quantity::OTHER.0.into());
    add("QUANTITY_INCLINATION", Quantity::INCLINATION.0.into());
    add("QUANTITY_DISTANCE", Quantity::DISTANCE.0.into());
    add("QUANTITY_TEMPERATURE", Quantity::TEMPERATURE.0.into());
    add("UNIT_STEP", Unit::STEP.0.into());
    add("UNIT_MICRODEGREE", Unit::MICRODEGREE.0.into());
    add("UNIT_MICROMETRE", Unit::MICROMETRE.0.into());
    add(
        "UNIT_CENTIDEGREE_CELSIUS",
        Unit::CENTIDEGREE_CELSIUS.0.into(),
    );
    add("ABILITY_SET_RATE", Abilities::SET_RATE.0.into());
    add("ABILITY_BLINK", Abilities::BLINK.0.into());
    add("ABILITY_TEMPERATURE", Abilities::TEMPERATURE.0.into());
    for (name, status) in [
        ("GOOD", Status::GOOD),
        ("NOT_SETTLED", Status::NOT_SETTLED),
        ("WEAK_SIGNAL", Status::WEAK_SIGNAL),
        ("LOW_SUPPLY", Status::LOW_SUPPLY),
        ("LATE", Status::LATE),
        ("OVER_RANGE", Status::OVER_RANGE),
        ("NO_SIGNAL", Status::NO_SIGNAL),
        ("SELF_TEST_FAILED", Status::SELF_TEST_FAILED),
        ("SATURATED", Status::SATURATED),
        ("DOUBTFUL", Status::DOUBTFUL),
        ("USELESS", Status::USELESS),
    ] {
        add(&format!("STATUS_{name}"), status.0.into());
    }
    for (name, fault) in [
        ("ELEMENT_SILENT", FaultCode::ELEMENT_SILENT),
        ("ELEMENT_WRONG", FaultCode::ELEMENT_WRONG),
        ("SELF_TEST", FaultCode::SELF_TEST),
        ("SUPPLY", FaultCode::SUPPLY),
        ("SETTINGS_LOST", FaultCode::SETTINGS_LOST),
        ("RESTARTED", FaultCode::RESTARTED),
        ("BYTES_LOST", FaultCode::BYTES_LOST),
        ("FRAME_REJECTED", FaultCode::FRAME_REJECTED),
        ("TEMPERATURE", FaultCode::TEMPERATURE),
    ] {
        add(&format!("FAULT_{name}"), fault.0.into());
    }
    for (name, refusal) in [
        ("CANNOT", Refusal::CANNOT),
        ("TOO_SMALL", Refusal::TOO_SMALL),
        ("TOO_BIG", Refusal::TOO_BIG),
        ("NO_SUCH_CHANNEL", Refusal::NO_SUCH_CHANNEL),
        ("BUSY", Refusal::BUSY),
    ] {
        add(&format!("REFUSAL_{name}"), refusal.0.into());
    }
    // What the C functions answer: the page's reasons, and two that are no reasons.
    add("NOTHING_YET", -1);
    add("MESSAGE", 0);
    for row in table("## 7. Bad frames") {
        let name = row[1].to_uppercase().replace('-', "_");
        add(&name, row[0].parse().unwrap());
    }
    assert_eq!(defines(), expected);
}
