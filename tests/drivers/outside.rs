//! Drivers against programs by others: a Modbus server and a writer of
//! transducer sentences, both in Python. Run with
//! `STILLHEIGHT_PYTHON=python3 cargo test outside -- --ignored`.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use super::captures::two_on_a_bus;
use super::*;
use stillheight::ports::{Clock, LineSettings, PortEventKind, attach};

/// A running script, ended when dropped.
struct Script(Child);

impl Script {
    fn start(name: &str) -> Self {
        let python = std::env::var("STILLHEIGHT_PYTHON")
            .expect("STILLHEIGHT_PYTHON names a Python with pymodbus and pynmea2");
        let script = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
            .join("tests/outside")
            .join(name);
        Self(
            Command::new(python)
                .arg(script)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .spawn()
                .unwrap(),
        )
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Source: pymodbus 3.16.1 as an independent server, over a pseudo-terminal;
/// its input register 4 and its float in registers 16 and 17.
#[tokio::test]
#[ignore = "needs Python with pymodbus: STILLHEIGHT_PYTHON"]
async fn a_modbus_server_by_others() {
    let mut script = Script::start("modbus_bus.py");
    let mut path = String::new();
    BufReader::new(script.0.stdout.take().unwrap())
        .read_line(&mut path)
        .unwrap();
    // The server opens its own end after it has said the path.
    tokio::time::sleep(Duration::from_secs(1)).await;
    let clock = Clock::real();
    let (sender, mut events) = tokio::sync::mpsc::channel(64);
    let port = attach(0, LineSettings::new(path.trim(), 9600), clock, sender);
    let mut bus = two_on_a_bus();
    let mut out = Vec::new();
    let mut tick = tokio::time::interval(Duration::from_millis(2));
    let end = tokio::time::Instant::now() + Duration::from_secs(8);
    while tokio::time::Instant::now() < end {
        tokio::select! {
            _ = tick.tick(), if port.is_open() => {
                if let Some(bytes) = bus.poll(clock.now(), &mut out) {
                    port.write(bytes).unwrap();
                }
            }
            event = events.recv() => {
                let event = event.unwrap();
                if let PortEventKind::Bytes(bytes) = event.kind {
                    bus.feed(&bytes, event.at, &mut out);
                }
            }
        }
    }
    let values = |name: &str| -> Vec<f64> {
        samples(&out)
            .iter()
            .filter(|sample| sample.source.to_string() == name)
            .map(|sample| sample.value)
            .collect()
    };
    for (name, expected) in [
        ("ACROSS", 1.25_f64.to_radians()),
        ("REARLEFT", f64::from(0.412_f32)),
    ] {
        let values = values(name);
        assert!(
            values.len() > 10,
            "{name}: {} {:?}",
            values.len(),
            bus.counts()
        );
        for value in values {
            close(value, expected);
        }
    }
    port.stop().await.unwrap();
}

/// Source: pynmea2 1.19.0 as an independent writer of sentences.
#[test]
#[ignore = "needs Python with pynmea2: STILLHEIGHT_PYTHON"]
fn sentences_by_others() {
    let mut script = Script::start("xdr_writer.py");
    let lines = [
        ("A,-1.25,D,ACROSS", vec![-1.25_f64.to_radians()]),
        (
            "A,12.5,D,ALONG,D,0.4123,M,REARLEFT,C,21.5,C,T1",
            vec![12.5_f64.to_radians(), 0.4123],
        ),
        ("D,,M,REARLEFT", vec![]),
    ];
    let mut to = script.0.stdin.take().unwrap();
    for (line, _) in &lines {
        writeln!(to, "{line}").unwrap();
    }
    drop(to);
    let mut text = Vec::new();
    std::io::Read::read_to_end(&mut script.0.stdout.take().unwrap(), &mut text).unwrap();
    let mut xdr = Xdr::new();
    let out = heard(&mut xdr, &text);
    let expected: Vec<f64> = lines.into_iter().flat_map(|(_, values)| values).collect();
    let found = samples(&out);
    assert_eq!(found.len(), expected.len());
    for (sample, expected) in found.iter().zip(expected) {
        close(sample.value, expected);
    }
    assert_eq!(rejections(&out), [Why::EmptyValue]);
    assert_eq!(xdr.counts().good, 3);
}
