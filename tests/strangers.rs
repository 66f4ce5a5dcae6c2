//! Files from strangers: they cannot make the program read or write elsewhere, nor take
//! all memory, nor command the terminal. With the real binary, in a folder of its own.

use crate::fuzz_corpus::checks::commands_a_terminal;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!(
            "stillheight-strangers-{}-{name}",
            std::process::id()
        ));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(path.join("inside")).unwrap();
        Self(path)
    }

    fn inside(&self, name: &str) -> PathBuf {
        self.0.join("inside").join(name)
    }

    fn command(arguments: &[&str]) -> Command {
        // Two gigabytes of addresses: a reader that takes all that comes ends here.
        let mut command = Command::new("sh");
        command
            .args(["-c", "ulimit -v 2000000; exec \"$0\" \"$@\""])
            .arg(env!("CARGO_BIN_EXE_stillheight"))
            .args(arguments)
            .env("NO_COLOR", "1");
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        Self::command(arguments)
            .current_dir(self.0.join("inside"))
            .output()
            .unwrap()
    }

    /// Names of all that is in the folder above the one that it runs in.
    fn outside(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(&self.0)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn words(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// An ordinary refusal: no panic, no signal, no shortage of memory.
fn refused(output: &Output, what: &str) {
    let words = words(output);
    assert_eq!(output.status.code(), Some(2), "{what}: {words}");
    assert!(
        !words.contains("panicked") && words.len() < 100_000,
        "{what}: {words}"
    );
    assert!(!commands_a_terminal(&words), "{what}: {words:?}");
}

fn with_sheet(name: &str) -> (Folder, String) {
    let folder = Folder::new(name);
    let made = folder.run(&["sheet", "new", "van.toml"]);
    assert!(made.status.success(), "{}", words(&made));
    let text = std::fs::read_to_string(folder.inside("van.toml")).unwrap();
    (folder, text)
}

#[test]
fn files_without_end_are_refused_within_bounds() {
    let (folder, _) = with_sheet("endless");
    // Sparse: a hundred gigabytes that take no room on the disk.
    let huge = std::fs::File::create(folder.inside("huge.toml")).unwrap();
    huge.set_len(100 << 30).unwrap();
    std::os::unix::fs::symlink("/dev/zero", folder.inside("van.sensors.toml")).unwrap();
    for arguments in [
        &["sheet", "check", "huge.toml"][..],
        &["sheet", "check", "/dev/zero"],
        &["targets", "huge.toml"],
        &["weigh", "--file", "huge.toml"],
        &["weigh", "--file", "/dev/zero"],
        &["settle", "fit", "huge.toml"],
        &["settle", "fit", "/dev/zero"],
        &["watch", "van.toml", "--plain", "--from", "/dev/zero"],
        &["watch", "van.toml", "--plain", "--from", "huge.toml"],
        &["zero", "van.toml", "--plain", "--steps", "/dev/zero"],
        &["watch", "van.toml", "--plain"],
    ] {
        refused(&folder.run(arguments), &arguments.join(" "));
    }
}

#[test]
fn deep_and_long_things_are_refused_within_bounds() {
    let (folder, good) = with_sheet("deep");
    let deep = 200_000;
    for (name, text) in [
        ("arrays", format!("{good}\nx = {}", "[".repeat(deep / 2))),
        ("inline", format!("x = {}", "{a=".repeat(deep / 4))),
        ("dots", format!("{}a = 1", "a.".repeat(deep / 4))),
        ("tables", format!("[{}a]", "a.".repeat(deep / 4))),
        (
            "number",
            good.replace("units = ", &format!("y = {}\nunits = ", "9".repeat(deep))),
        ),
        (
            "digits",
            format!(
                "{good}\n[[load]]\nname = \"x\"\nweight = \"{} kg\"",
                "9".repeat(deep / 2)
            ),
        ),
        (
            "power",
            format!("{good}\n[[load]]\nname = \"x\"\nweight = \"1e999999999999 kg\""),
        ),
        (
            "fraction",
            format!("{good}\n[[load]]\nname = \"x\"\nweight = \"1/1e-999 kg\""),
        ),
        ("many", format!("{good}\n{}", "[[case]]\n".repeat(20_000))),
        ("line", "x".repeat(250_000)),
        ("name", format!("name = \"{}\"", "n".repeat(deep))),
    ] {
        std::fs::write(folder.inside("bad.toml"), &text).unwrap();
        let output = folder.run(&["sheet", "check", "bad.toml"]);
        assert_eq!(output.status.code(), Some(2), "{name}: {}", words(&output));
        assert!(!words(&output).contains("panicked"), "{name}");
        std::fs::copy(folder.inside("bad.toml"), folder.inside("van.sensors.toml")).unwrap();
        let output = folder.run(&["watch", "van.toml", "--plain"]);
        assert_eq!(output.status.code(), Some(2), "{name}: {}", words(&output));
        let output = folder.run(&["weigh", "--file", "bad.toml"]);
        assert_eq!(output.status.code(), Some(2), "{name}: {}", words(&output));
    }
}

#[test]
fn links_laid_in_the_folder_are_not_written_through() {
    let (folder, _) = with_sheet("links");
    let treasure = folder.0.join("treasure");
    std::fs::write(&treasure, "mine\n").unwrap();
    for name in [
        "van.part",
        "van.toml.part",
        "van.sensors.part",
        "van.logbook.sqlite.lock",
    ] {
        std::os::unix::fs::symlink(&treasure, folder.inside(name)).unwrap();
    }
    let forced = folder.run(&["sheet", "new", "van.toml", "--force"]);
    assert!(forced.status.success(), "{}", words(&forced));
    let change = [
        "changed",
        "van.toml",
        "--collar",
        "rear left",
        "--turns",
        "+1",
    ];
    let locked = folder.run(&change);
    assert!(!locked.status.success());
    assert!(
        words(&locked).contains("not the lock file"),
        "{}",
        words(&locked)
    );
    // A logbook that would be made somewhere else.
    std::fs::remove_file(folder.inside("van.logbook.sqlite.lock")).unwrap();
    let elsewhere = folder.0.join("elsewhere");
    std::os::unix::fs::symlink(&elsewhere, folder.inside("van.logbook.sqlite")).unwrap();
    let dangling = folder.run(&change);
    assert!(!dangling.status.success(), "{}", words(&dangling));
    assert_eq!(std::fs::read_to_string(&treasure).unwrap(), "mine\n");
    assert_eq!(folder.outside(), ["inside", "treasure"]);
}

/// The sheet's own names never become names of files.
#[test]
fn a_name_in_a_sheet_leads_nowhere() {
    let (folder, text) = with_sheet("names");
    let line = text.lines().find(|l| l.starts_with("name = ")).unwrap();
    let evil = text.replacen(line, "name = \"../../evil\"", 1);
    std::fs::write(folder.inside("van.toml"), evil).unwrap();
    for arguments in [
        &["report", "van.toml"][..],
        &["report", "van.toml", "--pdf"],
    ] {
        let output = folder.run(arguments);
        assert!(output.status.success(), "{}", words(&output));
    }
    assert_eq!(folder.outside(), ["inside"]);
    assert!(!Path::new("/tmp/evil").exists());
    // On the page it is text, also where it looks like a script.
    let script = text.replacen(line, "name = \"<script>alert(1)</script>\"", 1);
    std::fs::write(folder.inside("van.toml"), script).unwrap();
    let output = folder.run(&["report", "van.toml", "--force"]);
    assert!(output.status.success(), "{}", words(&output));
    for file in std::fs::read_dir(folder.0.join("inside")).unwrap() {
        let path = file.unwrap().path();
        if path.extension().is_some_and(|e| e == "html") {
            let page = std::fs::read_to_string(path).unwrap();
            assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("<script>alert(1)"));
        }
    }
}

#[test]
fn a_sheet_does_not_command_the_terminal() {
    let (folder, text) = with_sheet("terminal");
    let line = text.lines().find(|l| l.starts_with("name = ")).unwrap();
    let evil = text.replacen(line, "name = \"van\\u001b]0;evil\\u0007\\u001b[2J\"", 1);
    std::fs::write(folder.inside("evil.toml"), evil).unwrap();
    // Found by fuzzing: what would be right is shown with what was typed.
    let comma = text.replacen("wheelbase = \"", "wheelbase = \"2,8 \\u001b[2J \\u0085", 1);
    assert_ne!(comma, text);
    std::fs::write(folder.inside("comma.toml"), comma).unwrap();
    refused(&folder.run(&["sheet", "check", "comma.toml"]), "comma");
    // Found by fuzzing: the line with the mistake is shown as it stands, and a terminal may
    // obey the one character U+009B as it does escape and bracket.
    let long = format!("un\u{9b}2J = 1\n{text}");
    std::fs::write(folder.inside("long.toml"), long).unwrap();
    refused(&folder.run(&["sheet", "check", "long.toml"]), "long");
    for arguments in [
        &["sheet", "check", "evil.toml"][..],
        &["targets", "evil.toml"],
    ] {
        refused(&folder.run(arguments), &arguments.join(" "));
    }
}
