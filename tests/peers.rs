//! Against programs by others, where they are: a notebook's libraries, a broker, a browser.
//! Each is ignored unless asked for; `.ci/run` asks where it can, and says NOT RUN where not.

use crate::export::records;
use crate::room::folder::Folder;
use serde_json::Value;
use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};

const PROGRAM: &str = env!("CARGO_BIN_EXE_stillheight");

fn outside(name: &str) -> String {
    format!("{}/tests/outside/{name}", env!("CARGO_MANIFEST_DIR"))
}

/// Source: pyarrow and polars, readers of Arrow IPC files by others.
#[test]
#[ignore = "needs Python with pyarrow and polars: STILLHEIGHT_PYTHON"]
fn a_notebook_opens_the_arrow_table() {
    let python = std::env::var("STILLHEIGHT_PYTHON").expect("STILLHEIGHT_PYTHON names a Python");
    let folder = Folder::rehearsed("notebook");
    let lines = folder.text(&["export", "rehearsal.toml", "--json"]);
    folder.text(&["export", "rehearsal.toml", "--arrow", "-o", "van.arrow"]);
    let output = Command::new(python)
        .args([&outside("notebook.py"), "van.arrow", "van.events.arrow"])
        .current_dir(&folder.0)
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    let seen: Value = serde_json::from_slice(&output.stdout).unwrap();
    let kept = records(&lines, "kept");
    for reader in ["pyarrow", "polars"] {
        let rows = seen[reader]["kept"].as_array().unwrap();
        assert_eq!(rows.len(), kept.len(), "{reader}");
        for (row, record) in rows.iter().zip(&kept) {
            assert_eq!(row["number"], record["number"]);
            // Both to the microsecond, in UTC.
            assert_eq!(row["time"], record["at"], "{reader}");
            for q in record["quantities"].as_array().unwrap() {
                let name = q["name"].as_str().unwrap().replace(' ', "_");
                for unit in ["mm", "deg"] {
                    let Some(value) = q[format!("value_{unit}")].as_f64() else {
                        continue;
                    };
                    let read = row[format!("{name}_{unit}")].as_f64().unwrap();
                    assert!(
                        (read - value).abs() < 1e-9,
                        "{reader}: {name} {read} {value}"
                    );
                }
            }
        }
        let events = seen[reader]["events"].as_u64().unwrap();
        let written = records(&lines, "mark").len() + records(&lines, "change").len();
        assert_eq!(events, written as u64, "{reader}");
        assert_eq!(seen[reader]["unit"], "mm", "{reader}");
    }
}

/// The page in a real browser: two phones, one sleeps and wakes, keys and names.
///
/// Source: Chromium, by its own debugging protocol; WCAG 2.2: 2.1.1 keyboard, 2.4.7 focus
/// visible, 4.1.2 names, 1.4.10 reflow; targets of 44 px (2.5.5).
#[test]
#[ignore = "needs Chromium and Node 20.10 or newer: STILLHEIGHT_CHROMIUM"]
fn a_phone_follows_sleeps_wakes_and_is_worked_by_keys() {
    let chromium = std::env::var("STILLHEIGHT_CHROMIUM").expect("names a Chromium");
    let folder = Folder::new("phone");
    let pictures = std::env::var("STILLHEIGHT_PICTURES")
        .unwrap_or_else(|_| folder.0.to_string_lossy().into_owned());
    let mut child = Command::new(PROGRAM)
        .args(["rehearse", "--plain", "--speed", "0.4", "--share"])
        .args(["--share-allow", "keep,load"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let address = lines
        .by_ref()
        .map(Result::unwrap)
        .find_map(|l| Some(format!("http://{}", l.split("http://").nth(1)?)))
        .unwrap();
    // Its lines must go somewhere.
    let drain = std::thread::spawn(move || lines.map_while(Result::ok).count());
    let output = Command::new("node")
        .args([
            "--experimental-websocket",
            "--no-warnings",
            &outside("phone.mjs"),
        ])
        .args([&chromium, &address, &pictures])
        .output()
        .unwrap();
    let _ = child.kill();
    let _ = child.wait();
    let _ = drain.join();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let found: Value = serde_json::from_str(&text)
        .unwrap_or_else(|_| panic!("{text}{}", String::from_utf8_lossy(&output.stderr)));
    assert_eq!(found["failed"], Value::Null, "{text}");
    for good in [
        "both_live",
        "offline_says_old",
        "wakes",
        "caught_up",
        "other_never_old",
        "tones_by_key",
        "keep_answered",
        "load_seen_on_the_other",
        "focus_stays",
    ] {
        assert_eq!(found[good], true, "{good}: {text}");
    }
    for none in [
        "unnamed",
        "targets_too_small",
        "asked_elsewhere",
        "complaints",
    ] {
        assert_eq!(found[none], serde_json::json!([]), "{none}: {text}");
    }
    assert_eq!(
        found["wider_than_the_phone"],
        serde_json::json!([false, false])
    );
    let order: Vec<&str> = found["tab_order"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_str().unwrap())
        .collect();
    assert!(
        order.len() >= 3 && order.contains(&"Keep this reading"),
        "{order:?}"
    );
    assert_ne!(found["outline"], "none");
    let spoken = found["spoken"].to_string();
    for name in [
        "region: How it stands",
        "region: Loads",
        "button: Keep this reading",
    ] {
        assert!(spoken.contains(name), "{spoken}");
    }
}

#[cfg(feature = "mqtt")]
mod broker {
    use super::*;
    use std::path::PathBuf;
    use std::process::{Child, ChildStdout};
    use std::sync::mpsc::{Receiver, channel};
    use std::time::{Duration, Instant};

    /// Nothing takes so long, on the slowest machine.
    const PATIENCE: Duration = Duration::from_mins(2);
    const WORD: &str = "correct-horse";

    /// A process that ends with the test.
    struct Ended(Child);

    impl Drop for Ended {
        fn drop(&mut self) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }

    struct Lines(Receiver<String>, Vec<String>);

    impl Lines {
        fn of(out: ChildStdout) -> Self {
            let (to, from) = channel();
            std::thread::spawn(move || {
                for line in BufReader::new(out).lines().map_while(Result::ok) {
                    if to.send(line).is_err() {
                        break;
                    }
                }
            });
            Self(from, Vec::new())
        }

        fn until(&mut self, what: &str, is_it: impl Fn(&str) -> bool) -> String {
            let began = Instant::now();
            while began.elapsed() < PATIENCE {
                if let Ok(line) = self.0.recv_timeout(Duration::from_millis(200)) {
                    self.1.push(line.clone());
                    if is_it(&line) {
                        return line;
                    }
                }
            }
            panic!("{what} did not come in {:#?}", self.1);
        }
    }

    fn mosquitto(folder: &Folder, port: u16) -> Ended {
        let word: PathBuf = folder.0.join("words");
        if !word.exists() {
            let made = Command::new("mosquitto_passwd")
                .args(["-b", "-c"])
                .arg(&word)
                .args(["shop", WORD])
                .status()
                .unwrap();
            assert!(made.success());
        }
        let settings = folder.0.join("broker.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nuser root\npersistence false\n",
            word.display()
        );
        std::fs::write(&settings, text).unwrap();
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(&settings)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let began = Instant::now();
        while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(began.elapsed() < PATIENCE, "the broker does not listen");
            std::thread::sleep(Duration::from_millis(50));
        }
        Ended(child)
    }

    fn listen(port: u16) -> (Ended, Lines) {
        let mut child = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-u", "shop"])
            .args(["-P", WORD, "-v", "-t", "bay1/van/#"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Lines::of(child.stdout.take().unwrap());
        (Ended(child), lines)
    }

    /// The broker comes late, goes and comes back, and hears when the program is gone; what is
    /// told on standard output does not stop for it. The password is nowhere.
    ///
    /// Source: Eclipse Mosquitto, broker and client by others.
    #[test]
    #[ignore = "needs mosquitto, mosquitto_sub and mosquitto_passwd"]
    fn a_broker_by_others_gets_the_readings() {
        let folder = Folder::new("broker");
        let port = {
            let free = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
            free.local_addr().unwrap().port()
        };
        let address = format!("mqtt://shop@127.0.0.1:{port}/bay1/van");
        let mut program = Command::new(PROGRAM)
            .args([
                "rehearse",
                "--json",
                "--speed",
                "0.5",
                "--publish",
                &address,
            ])
            .args(["--log", "own.log", "--log-level", "trace"])
            .current_dir(&folder.0)
            .env("STILLHEIGHT_MQTT_PASSWORD", WORD)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut told = Lines::of(program.stdout.take().unwrap());
        let mut program = Ended(program);
        told.until("that the broker is not there", |l| {
            l.contains("broker is not there")
        });
        told.until("a second without the broker", |l| l.contains("\"second\""));
        let broker = mosquitto(&folder, port);
        let (client, mut heard) = listen(port);
        heard.until("online", |l| l == "bay1/van/status {\"status\":\"online\"}");
        heard.until("a height", |l| {
            l.starts_with("bay1/van/quantity/height_rear_left ")
        });
        heard.until("a second", |l| l.starts_with("bay1/van/second "));
        heard.until("a kept reading", |l| l.starts_with("bay1/van/kept "));
        told.until("that readings go", |l| {
            l.contains("readings go to the broker")
        });
        // It goes, and watching goes on.
        drop(broker);
        drop(client);
        told.until("that it is gone", |l| l.contains("broker is not there"));
        told.until("a second without the broker", |l| l.contains("\"second\""));
        let _broker = mosquitto(&folder, port);
        let (_client, mut again) = listen(port);
        again.until("a second after its return", |l| {
            l.starts_with("bay1/van/second ")
        });
        // Killed: the broker says so in its place.
        let _ = program.0.kill();
        again.until("offline", |l| {
            l == "bay1/van/status {\"status\":\"offline\"}"
        });
        let mut held = 0;
        for line in heard.1.iter().chain(&again.1) {
            let (topic, payload) = line.split_once(' ').unwrap();
            let value: Value = serde_json::from_str(payload).unwrap();
            let rest = topic.strip_prefix("bay1/van/").unwrap();
            let own = rest == "status" || rest.starts_with("quantity/");
            crate::schemas::holds(if own { "mqtt" } else { "watch" }, &value);
            held += 1;
        }
        assert!(held > 20, "{held}");
        let log = std::fs::read_to_string(folder.0.join("own.log")).unwrap();
        assert!(log.contains("connected to the broker") && !log.contains(WORD));
        assert!(!told.1.iter().any(|l| l.contains(WORD)));
    }

    /// A wrong password: said, and nothing is disturbed.
    #[test]
    #[ignore = "needs mosquitto, mosquitto_sub and mosquitto_passwd"]
    fn a_broker_that_refuses_disturbs_nothing() {
        let folder = Folder::new("refusing");
        let port = {
            let free = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
            free.local_addr().unwrap().port()
        };
        let _broker = mosquitto(&folder, port);
        std::fs::write(folder.0.join("word"), "wrong-horse\n").unwrap();
        let address = format!("mqtt://shop@127.0.0.1:{port}/bay1/van");
        let text = folder.text(&[
            "rehearse",
            "--json",
            "--speed",
            "4",
            "--for",
            "20s",
            "--publish",
            &address,
            "--publish-password-file",
            "word",
        ]);
        assert!(text.contains("broker is not there"), "{text}");
        assert!(text.contains("\"event\":\"kept\"") && text.contains("\"summary\""));
        assert!(!text.contains("wrong-horse"));
    }
}

#[cfg(not(feature = "mqtt"))]
#[test]
fn a_program_without_mqtt_says_so() {
    let folder = Folder::new("no-mqtt");
    let output = folder.run(&[
        "rehearse",
        "--plain",
        "--for",
        "1s",
        "--publish",
        "mqtt://shop/van",
    ]);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(
        errors.contains("[publish.not_built]") && errors.contains("--features mqtt"),
        "{errors}"
    );
}
