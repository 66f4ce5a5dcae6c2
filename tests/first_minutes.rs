//! The first five minutes: a new folder, what to do next in it, a sheet from
//! questions, man pages and completions.

use crate::room::folder::{Folder, err, out};
use std::io::Write as _;
use std::process::{Command, Output, Stdio};

impl Folder {
    /// Runs the program with these answers to what it asks.
    fn answered(&self, arguments: &[&str], answers: &str) -> Output {
        let mut child = Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(arguments)
            .current_dir(&self.0)
            .env("NO_COLOR", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut input = child.stdin.take().unwrap();
        // A program that does not ask closes its end.
        let _ = input.write_all(answers.as_bytes());
        drop(input);
        child.wait_with_output().unwrap()
    }

    fn says(&self) -> String {
        let output = self.answered(&[], "");
        assert!(output.status.success(), "{}", err(&output));
        out(&output)
    }
}

#[test]
fn a_folder_is_told_what_comes_next_in_ten_lines() {
    let folder = Folder::new("next");
    let told = |folder: &Folder, here: &str, next: &str| {
        let text = folder.says();
        assert!(text.lines().count() <= 10, "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
        assert!(
            text.contains(here) && text.contains(next),
            "wants '{here}', '{next}': {text}"
        );
    };
    told(&folder, "no build sheet", "sheet new van.toml --ask");
    // Somebody else's TOML is no sheet.
    folder.write("Cargo.toml", "[package]\nname = \"x\"\n");
    told(&folder, "no build sheet", "sheet new van.toml --ask");
    assert!(
        folder
            .answered(&["sheet", "new", "van.toml"], "")
            .status
            .success()
    );
    let sheet = folder.read("van.toml");
    let bare = sheet.split("[[sensor]]").next().unwrap();
    folder.write("van.toml", bare);
    told(&folder, "no sensors", "stillheight sensors");
    folder.write("van.toml", &sheet);
    told(&folder, "7 sensors, 0 zeroed", "stillheight zero van.toml");
    let mut zeros = String::new();
    for name in ["roll", "pitch", "link"].into_iter().chain([
        "floor rear left",
        "floor rear right",
        "floor front left",
        "floor front right",
    ]) {
        let numbers = if name.starts_with("floor") {
            "zero_mm = 0.1\nzero_standard_uncertainty_mm = 0.5"
        } else {
            "zero_deg = 0.1\nzero_standard_uncertainty_deg = 0.01"
        };
        zeros += &format!(
            "[[zero]]\nsensor = \"{name}\"\nat = \"2026-11-25T10:05:00Z\"\ndevice = \"0x1/0\"\n\
             by = \"reversal\"\nreadings = 4\n{numbers}\n\n"
        );
    }
    folder.write("van.sensors.toml", &format!("form = 1\n\n{zeros}"));
    told(
        &folder,
        "7 sensors zeroed, nothing read",
        "stillheight watch van.toml",
    );
    folder.write("van.toml", &sheet.replacen("units = ", "unit = ", 1));
    told(&folder, "with mistakes", "sheet check van.toml");
}

/// A plain small vehicle, by hand: 300 kg balanced 0.6 m ahead of the rear axle of
/// 2 m wheelbase.
const ANSWERS: [&str; 26] = [
    "flat cart",
    "2000 mm",
    "400 mm",
    "800 mm",
    "1400 mm",
    "644 mm",
    "310 mm",
    "460 mm",
    "320 mm",
    "400 mm",
    "200 mm",
    "480 mm",
    "-60 mm",
    "300 mm",
    "25 N/mm",
    "300 mm",
    "60 mm",
    "20 mm",
    "2 mm",
    "yes",
    "450 mm",
    "-50 mm",
    "-470 mm",
    "40 mm",
    "300 kg",
    "600 mm",
];

#[test]
fn a_sheet_is_made_from_answers_and_works() {
    let folder = Folder::new("ask");
    let answers = format!("{}\n60 kg\n500 mm\n", ANSWERS.join("\n"));
    let output = folder.answered(&["sheet", "new", "cart.toml", "--ask"], &answers);
    assert!(output.status.success(), "{}{}", out(&output), err(&output));
    let checked = folder.answered(&["sheet", "check", "cart.toml"], "");
    assert!(checked.status.success(), "{}", err(&checked));
    let targets = folder.answered(&["targets", "cart.toml", "--json"], "");
    let json: serde_json::Value = serde_json::from_str(&out(&targets)).unwrap();
    assert_eq!(json["vehicle"], "flat cart");
    // By hand: the rear axle carries 300 (2 - 0.6)/2 = 210 kg bare, and of the 60 kg
    // at 0.5 m three quarters, 45 kg.
    let mass = |case: usize| {
        let axle = &json["cases"][case]["axles"][0];
        axle["sprung_mass_kg"].as_f64().unwrap()
    };
    // Tolerance: the frame is not level, its centre moves some centimetres.
    assert!((mass(0) - 210.0).abs() < 6.0, "{}", mass(0));
    assert!(
        (mass(1) - mass(0) - 45.0).abs() < 4.0,
        "{} {}",
        mass(0),
        mass(1)
    );
    // It is kept, and replaced only by force.
    let before = folder.read("cart.toml");
    let again = folder.answered(&["sheet", "new", "cart.toml", "--ask"], &answers);
    assert_eq!(again.status.code(), Some(2));
    assert!(err(&again).contains("file.exists"), "{}", err(&again));
    assert_eq!(folder.read("cart.toml"), before);
    let other = answers.replacen("flat cart", "other \"cart\"", 1);
    let forced = folder.answered(&["sheet", "new", "cart.toml", "--ask", "--force"], &other);
    assert!(forced.status.success(), "{}", err(&forced));
    assert!(
        folder.read("cart.toml").contains("other"),
        "{}",
        folder.read("cart.toml")
    );
}

#[test]
fn nonsense_is_asked_again_and_too_few_answers_write_nothing() {
    let folder = Folder::new("nonsense");
    let mut answers: Vec<&str> = Vec::new();
    for answer in ANSWERS {
        match answer {
            "2000 mm" => answers.extend(["2000", "-3 mm", "2 kg", "nan mm", "two metres"]),
            // Longer pushed in than pulled out.
            "320 mm" => answers.push("470 mm"),
            "yes" => answers.push("perhaps"),
            _ => {}
        }
        answers.push(answer);
    }
    // Nothing still to come: what is in brackets.
    let text = format!("{}\n\n", answers.join("\n"));
    let output = folder.answered(&["sheet", "new", "cart.toml", "--ask"], &text);
    assert!(output.status.success(), "{}{}", out(&output), err(&output));
    assert_eq!(
        out(&output).matches("    no: ").count(),
        7,
        "{}",
        out(&output)
    );
    assert!(
        folder
            .answered(&["sheet", "check", "cart.toml"], "")
            .status
            .success()
    );

    let short = folder.answered(&["sheet", "new", "short.toml", "--ask"], "cart\n2 m\n");
    assert_eq!(short.status.code(), Some(2));
    assert!(err(&short).contains("sheet.ask.ended"), "{}", err(&short));
    assert!(!folder.0.join("short.toml").exists());
}

#[test]
fn man_pages_and_completions_know_every_command() {
    let folder = Folder::new("manual");
    let made = folder.answered(&["manual", "--out", "man"], "");
    assert!(made.status.success(), "{}", err(&made));
    let page = folder.read("man/stillheight.1");
    for command in ["watch", "report", "sheet", "settle"] {
        assert!(
            page.contains(&format!("stillheight\\-{command}")),
            "{command}"
        );
        assert!(
            folder
                .read(&format!("man/stillheight-{command}.1"))
                .contains(".SH")
        );
    }
    assert!(folder.0.join("man/stillheight-sheet-new.1").exists());
    assert_eq!(
        folder
            .answered(&["manual", "--out", "man"], "")
            .status
            .code(),
        Some(2)
    );
    for shell in ["bash", "zsh", "fish"] {
        let output = folder.answered(&["completions", shell], "");
        assert!(output.status.success());
        assert!(out(&output).contains("rehearse"), "{shell}");
    }
    for command in ["watch", "targets", "report", "changed"] {
        let help = folder.answered(&[command, "--help"], "");
        assert!(out(&help).contains("Example"), "{command}: {}", out(&help));
    }
}
