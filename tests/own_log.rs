//! The program's own log: in its file and nowhere else, what happened is in it, and the
//! token of the page for phones is not.

use crate::room::folder::Folder;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::time::Duration;

const PROGRAM: &str = env!("CARGO_BIN_EXE_stillheight");

fn ask(at: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(at).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .unwrap();
    let head = format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
    stream.write_all(head.as_bytes()).unwrap();
    let mut text = String::new();
    // A stream that is followed does not end by itself: its first piece is enough.
    if path.ends_with("/live") {
        let mut piece = [0_u8; 512];
        let read = stream.read(&mut piece).unwrap();
        text.push_str(&String::from_utf8_lossy(&piece[..read]));
    } else {
        stream.read_to_string(&mut text).unwrap();
    }
    text
}

#[test]
fn what_happens_is_logged_and_the_token_is_not() {
    let folder = Folder::new("log");
    let mut child = Command::new(PROGRAM)
        .args([
            "rehearse",
            "--plain",
            "--speed",
            "4",
            "--for",
            "30s",
            "--share",
            "--log",
            "own.log",
            "--log-level",
            "trace",
            "--unplug",
            "rear link@8s-12s",
        ])
        .current_dir(&folder.0)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains("http://") {
        line.clear();
        assert!(
            said.read_line(&mut line).unwrap() > 0,
            "no address was said"
        );
    }
    let address = line.split("http://").nth(1).unwrap().trim();
    let (at, token) = address.split_once('/').unwrap();
    let token = token.trim_end_matches('/');
    assert_eq!(token.len(), 32);
    assert!(ask(at, &format!("/{token}/now")).starts_with("HTTP/1.1 200"));
    assert!(ask(at, &format!("/{token}/live")).starts_with("HTTP/1.1 200"));
    let old = "0".repeat(32);
    assert!(ask(at, &format!("/{old}/now")).starts_with("HTTP/1.1 404"));
    let mut rest = String::new();
    said.read_to_string(&mut rest).unwrap();
    let mut errors = String::new();
    let mut from = child.stderr.take().unwrap();
    from.read_to_string(&mut errors).unwrap();
    assert!(child.wait().unwrap().success(), "{errors}");
    let log = std::fs::read_to_string(folder.0.join("own.log")).unwrap();
    for what in [
        "begun command=\"rehearse\"",
        "port opened",
        "port lost",
        "port closed",
        "reading kept",
        "page for phones is served",
        "a phone follows",
        "a request was refused",
        "page for phones ends",
        "line at the end",
        "ended command=\"rehearse\"",
    ] {
        assert!(log.contains(what), "no '{what}' in\n{log}");
    }
    for secret in [token, &token[..8], &old] {
        assert!(!log.contains(secret), "the log has '{secret}'");
    }
    // Nothing of it where a screen or a pipe is.
    assert_eq!(errors, "");
    assert!(!rest.contains("stillheight::"), "{rest}");
}

#[test]
fn levels_and_files() {
    let folder = Folder::new("levels");
    folder.text(&["sheet", "new", "van.toml"]);
    let log = || std::fs::read_to_string(folder.0.join("a.log")).unwrap_or_default();
    let run = |level: Option<&str>, more: &[&str]| {
        let mut command = Command::new(PROGRAM);
        command
            .args(["targets", "van.toml", "--log", "a.log"])
            .args(more);
        command
            .current_dir(&folder.0)
            .env_remove("STILLHEIGHT_LOG_LEVEL");
        if let Some(level) = level {
            command.env("STILLHEIGHT_LOG_LEVEL", level);
        }
        command.output().unwrap()
    };
    assert!(run(None, &[]).status.success());
    let once = log();
    assert_eq!(once.lines().count(), 2, "begun and ended:\n{once}");
    // The end of what is there.
    assert!(run(None, &[]).status.success());
    assert!(log().starts_with(&once) && log().lines().count() == 4);
    // Only what failed: nothing did.
    assert!(run(Some("error"), &[]).status.success());
    assert_eq!(log().lines().count(), 4);
    assert!(
        run(Some("error"), &["--log-level", "info"])
            .status
            .success()
    );
    assert_eq!(log().lines().count(), 6);
    let wrong = run(Some("loud"), &[]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("[log.level]"));
    // What failed is there by its code, not by words that were typed.
    let failed = folder.run(&["targets", "no secret.toml", "--log", "a.log"]);
    assert_eq!(failed.status.code(), Some(2));
    assert!(
        log().contains("ERROR") && log().contains("code=\"sheet.read\""),
        "{}",
        log()
    );
    assert!(!log().contains("no secret"));
    let nowhere = folder.run(&["targets", "van.toml", "--log", "no/such/a.log"]);
    assert_eq!(nowhere.status.code(), Some(2));
    assert!(nowhere.stdout.is_empty());
    // Without --log there is none.
    folder.text(&["targets", "van.toml"]);
    let files = std::fs::read_dir(&folder.0).unwrap().count();
    assert_eq!(files, 2, "the sheet and the log");
}
