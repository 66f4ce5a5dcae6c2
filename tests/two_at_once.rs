//! Two instances at once, with the real binary: the second is told who is there, and does
//! no damage; neither on one sheet nor on one port.

use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};

use serde_json::Value;

/// A rehearsal that runs, its sheet, logbook and simulated ports in a folder.
struct First {
    child: Child,
    lines: BufReader<std::process::ChildStdout>,
    folder: PathBuf,
}

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stillheight"));
    command.args(arguments).env("NO_COLOR", "1");
    command
}

fn all(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

impl First {
    fn start(name: &str) -> Self {
        let folder =
            std::env::temp_dir().join(format!("stillheight-two-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let mut child = command(&["rehearse", "--json", "--speed", "10", "--folder", "kept"])
            .current_dir(&folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        let mut first = Self {
            child,
            lines,
            folder,
        };
        first.until("second");
        first
    }

    fn until(&mut self, event: &str) -> Value {
        loop {
            let mut line = String::new();
            assert!(self.lines.read_line(&mut line).unwrap() > 0, "no '{event}'");
            let value: Value = serde_json::from_str(&line).unwrap();
            if value["event"] == event {
                return value;
            }
        }
    }

    fn second(&self, arguments: &[&str]) -> Output {
        command(arguments)
            .current_dir(&self.folder)
            .output()
            .unwrap()
    }

    fn sheet(&self) -> String {
        std::fs::read_to_string(self.folder.join("kept/rehearsal.toml")).unwrap()
    }
}

impl Drop for First {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

#[test]
fn a_second_instance_on_one_sheet_is_told_and_harms_nothing() {
    let mut first = First::start("sheet");
    let sheet = first.sheet();
    let by = format!("(process {})", first.child.id());
    for arguments in [
        &["watch", "kept/rehearsal.toml", "--plain"][..],
        &["rehearse", "--json", "--for", "1s", "--folder", "kept"],
    ] {
        let output = first.second(arguments);
        let words = all(&output);
        assert_eq!(output.status.code(), Some(2), "{words}");
        assert!(
            words.contains("[logbook.file.in_use]") && words.contains(&by),
            "{words}"
        );
        assert_eq!(first.sheet(), sheet, "{}", arguments.join(" "));
    }
    // Reading is for everybody, also meanwhile.
    first.until("kept");
    let output = first.second(&["log", "kept/rehearsal.toml"]);
    assert!(output.status.success(), "{}", all(&output));
    // And the first goes on to its end, with everything in its logbook.
    let mut kept = 1;
    let mut line = String::new();
    let mut honest = false;
    while first.lines.read_line(&mut line).unwrap() > 0 {
        let value: Value = serde_json::from_str(&line).unwrap();
        kept += usize::from(value["event"] == "kept");
        honest |= value["event"] == "summary" && value["honest"] == true;
        line.clear();
    }
    assert!(first.child.wait().unwrap().success() && honest);
    let export = first.second(&["export", "kept/rehearsal.toml", "--json"]);
    let text = String::from_utf8_lossy(&export.stdout).into_owned();
    let exported = text
        .lines()
        .filter(|l| serde_json::from_str::<Value>(l).unwrap()["quantities"].is_array())
        .count();
    assert_eq!(exported, kept);
}

#[test]
fn a_second_instance_on_one_port_is_told_and_takes_no_bytes() {
    let mut first = First::start("port");
    let sheet = first.sheet();
    let port = sheet
        .lines()
        .find_map(|l| l.strip_prefix("port = \"")?.strip_suffix('"'))
        .unwrap()
        .to_owned();
    // The same sensors by another sheet with a logbook of its own.
    std::fs::create_dir(first.folder.join("other")).unwrap();
    std::fs::write(first.folder.join("other/van.toml"), &sheet).unwrap();
    let output = first.second(&["watch", "other/van.toml", "--plain", "--for", "2s"]);
    let words = all(&output);
    assert!(
        words.contains("[ports.open.in_use]") && words.contains(&port),
        "{words}"
    );
    let output = first.second(&[
        "record",
        &port,
        "taken.log",
        "--baud",
        "115200",
        "--for",
        "1s",
    ]);
    let words = all(&output);
    assert!(words.contains("in use"), "{words}");
    let taken = std::fs::read_to_string(first.folder.join("taken.log")).unwrap_or_default();
    assert!(
        !taken
            .lines()
            .any(|l| l.starts_with(|c: char| c.is_ascii_digit())),
        "{taken}"
    );
    // Nobody took a byte from the first: its summary finds nothing wrong with any line.
    let summary = first.until("summary");
    assert_eq!(summary["honest"], true, "{summary}");
    for line in summary["lines"].as_array().unwrap() {
        let of = |key: &str| line[key].as_u64().unwrap();
        // Values before the first identity, as without a second one.
        assert!(of("rejected") <= 4, "{line}");
        // All but what was under way at the end.
        assert!(20 * of("bytes") > 19 * of("bytes_sent_by_sensor"), "{line}");
    }
}
