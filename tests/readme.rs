//! Every command that README.md shows is run: here, on the simulated vehicle's own sheet and
//! ports, or by the test that is named.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use stillheight::rehearsal::{Stage, StagePlan};

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// Commands that are run here, with what is added so that they end without a terminal.
const RUN: [(&str, &[&str]); 33] = [
    ("stillheight --help", &[]),
    ("sheet check van.toml", &[]),
    ("sheet schema", &[]),
    ("targets van.toml", &[]),
    ("targets van.toml --set rear.spring.rate=\"26 N/mm\"", &[]),
    ("layout van.toml", &[]),
    ("sensors", &[]),
    ("stillheight sensors", &[]),
    ("watch van.toml", &["--plain", "--for", "6s"]),
    ("watch van.toml --share", &["--plain", "--for", "1s"]),
    ("read van.toml --keep", &["--within", "90s"]),
    ("settle watch van.toml", &["--every", "1s", "--for", "2s"]),
    ("loadtest plan van.toml", &[]),
    ("loadtest fit van.toml", &[]),
    ("advise van.toml", &[]),
    ("settle van.toml", &[]),
    (
        "changed van.toml --collar \"rear left\" --turns \"+1 1/2\"",
        &[],
    ),
    ("changed van.toml", &[]),
    ("report van.toml", &[]),
    ("report van.toml --pdf", &[]),
    ("log van.toml", &[]),
    ("export van.toml --csv -o van.csv", &[]),
    ("export van.toml --json", &[]),
    ("export van.toml --arrow -o van.arrow", &[]),
    ("stillheight schema", &[]),
    ("stillheight schema targets", &[]),
    ("sheet check van.toml --json", &[]),
    (
        "watch van.toml --log own.log --log-level debug",
        &["--plain", "--for", "1s"],
    ),
    ("rehearse --plain", &["--for", "8s", "--speed", "4"]),
    ("rehearse --speed 20", &["--plain", "--for", "12s"]),
    (
        "rehearse --story turning",
        &["--plain", "--for", "8s", "--speed", "4"],
    ),
    ("sheet new van2.toml", &[]),
    ("sheet new van3.toml --units inch", &[]),
];

/// Commands that want hands, with the test that gives them.
const ELSEWHERE: [(&str, &str, &str); 12] = [
    (
        "stillheight sheet new van.toml --ask",
        "tests/first_minutes.rs",
        "a_sheet_is_made_from_answers_and_works",
    ),
    (
        "sensors find van.toml",
        "tests/sensors/mod.rs",
        "the_one_that_moves_is_the_one",
    ),
    (
        "stillheight sensors find van.toml",
        "tests/sensors/mod.rs",
        "the_one_that_moves_is_the_one",
    ),
    (
        "zero van.toml",
        "tests/sensors/mod.rs",
        "zero_by_scripted_steps_is_kept_and_used",
    ),
    (
        "stillheight zero van.toml",
        "tests/sensors/mod.rs",
        "zero_by_scripted_steps_is_kept_and_used",
    ),
    (
        "loadtest van.toml",
        "tests/loadtest_command.rs",
        "a_scripted_test_on_ports_keeps_and_goes_on_later",
    ),
    (
        "stillheight sensors try /dev/ttyUSB0",
        "tests/sensors/mod.rs",
        "what_speaks_is_told_and_the_lines_it_gives_work_in_a_sheet",
    ),
    (
        "stillheight record /dev/ttyUSB0 FILE",
        "tests/sensors/mod.rs",
        "what_was_recorded_plays_the_same_every_time",
    ),
    (
        "stillheight watch van.toml --from FILE --speed 10",
        "tests/sensors/mod.rs",
        "what_was_recorded_plays_the_same_every_time",
    ),
    (
        "watch --share",
        "tests/share.rs",
        "nothing_answers_without_the_token_or_by_another_name",
    ),
    (
        "watch van.toml --publish mqtt://shop@192.168.1.5/van",
        "tests/peers.rs",
        "a_broker_by_others_gets_the_readings",
    ),
    (
        "sheet new",
        "tests/program.rs",
        "a_new_sheet_works_as_it_is_in_both_systems",
    ),
];

struct Folder(PathBuf);

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Words of a command line, quotes taken off.
fn words(line: &str) -> Vec<String> {
    let mut all = vec![String::new()];
    let mut quoted = false;
    for letter in line.chars() {
        match letter {
            '"' => quoted = !quoted,
            ' ' if !quoted => all.push(String::new()),
            other => all.last_mut().unwrap().push(other),
        }
    }
    all.retain(|word| !word.is_empty() && word != "stillheight");
    all
}

/// Everything between back ticks outside of code blocks that begins as a command does.
fn shown() -> Vec<String> {
    let text = std::fs::read_to_string(Path::new(ROOT).join("README.md")).unwrap();
    let prose: Vec<&str> = text.split("```").step_by(2).collect();
    let commands = [
        "sheet", "targets", "layout", "watch", "sensors", "zero", "record", "read", "settle",
        "advise", "changed", "log", "export", "report", "loadtest",
    ];
    prose
        .iter()
        .flat_map(|part| part.split('`').skip(1).step_by(2))
        .map(str::trim)
        .filter(|span| {
            let mut all = span.split_whitespace();
            let first = all.next().unwrap_or_default();
            first == "stillheight" && all.next().is_some()
                || commands.contains(&first) && (all.next().is_some() || first == "sensors")
        })
        .map(str::to_owned)
        .collect()
}

#[test]
fn every_command_that_is_shown_is_run_somewhere() {
    let shown = shown();
    assert!(shown.len() > 25, "{shown:?}");
    for command in &shown {
        let here = RUN.iter().any(|(c, _)| c == command);
        let elsewhere = ELSEWHERE.iter().any(|(c, _, _)| c == command);
        assert!(here || elsewhere, "nobody runs '{command}'");
    }
    for (command, file, test) in ELSEWHERE {
        let text = std::fs::read_to_string(Path::new(ROOT).join(file)).unwrap();
        assert!(
            text.contains(&format!("fn {test}(")),
            "'{command}': no {test} in {file}"
        );
    }
}

/// In the order of the table, on the simulated vehicle, so that each finds what the one before
/// left. The whole job without a hand.
#[test]
fn the_commands_of_the_readme_work() {
    let path = std::env::temp_dir().join(format!("stillheight-readme-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).unwrap();
    let folder = Folder(path);
    let mut stage = Stage::set_up(&StagePlan::default()).unwrap();
    std::fs::write(folder.0.join("van.toml"), stage.sheet_text()).unwrap();
    stage.begin();
    for (command, more) in RUN {
        let output: Output = Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(words(command))
            .args(more)
            .current_dir(&folder.0)
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .output()
            .unwrap();
        // A load test out of readings with nothing on says that nothing is told.
        let nothing_told = command.starts_with("loadtest fit") && output.status.code() == Some(3);
        assert!(
            output.status.success() || nothing_told,
            "'{command}' ended with {:?}:\n{}{}",
            output.status.code(),
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        );
        assert!(!output.stdout.is_empty(), "'{command}' says nothing");
    }
    stage.finish();
    for file in [
        "van.csv",
        "van.events.csv",
        "van.arrow",
        "own.log",
        "report.html",
        "report.pdf",
    ] {
        assert!(folder.0.join(file).exists(), "{file}");
    }
}
