//! Drivers against programs by others, in Python: a Modbus server, a writer of
//! transducer sentences, and a sensor written from the page of the wire protocol
//! alone. Run with `STILLHEIGHT_PYTHON=python3 cargo test outside -- --ignored`; the
//! last needs nothing but Python itself.

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

/// One port with its driver, tended until something has come.
struct Tended {
    port: stillheight::ports::Port,
    events: tokio::sync::mpsc::Receiver<stillheight::ports::PortEvent>,
    clock: Clock,
    wire: Wire,
    out: Vec<Heard>,
}

impl Tended {
    /// Goes on until `enough` of what came since the last call; fails after 30 s.
    async fn until(&mut self, what: &str, enough: impl Fn(&[Heard]) -> bool) -> Vec<Heard> {
        let mut tick = tokio::time::interval(Duration::from_millis(5));
        let end = tokio::time::Instant::now() + Duration::from_secs(30);
        while !enough(&self.out) {
            assert!(
                tokio::time::Instant::now() < end,
                "no {what}: {:?} {:?}",
                self.wire.counts(),
                self.out
            );
            tokio::select! {
                _ = tick.tick(), if self.port.is_open() => {
                    if let Some(bytes) = self.wire.poll(self.clock.now(), &mut self.out) {
                        self.port.write(bytes).unwrap();
                    }
                }
                event = self.events.recv() => {
                    let event = event.unwrap();
                    if let PortEventKind::Bytes(bytes) = event.kind {
                        self.wire.feed(&bytes, event.at, &mut self.out);
                    }
                }
            }
        }
        std::mem::take(&mut self.out)
    }

    async fn ask(&mut self, request: Request) -> Outcome {
        let bytes = self.wire.request(request, self.clock.now()).unwrap();
        self.port.write(bytes).unwrap();
        let answer = |heard: &Heard| match heard {
            Heard::Answer(answer) if answer.request == request => Some(answer.outcome.clone()),
            _ => None,
        };
        let came = self
            .until("answer", |out| out.iter().any(|h| answer(h).is_some()))
            .await;
        came.iter().find_map(answer).unwrap()
    }
}

/// Source: `firmware-protocol/SPEC.md`, by a sensor that was written from that page
/// without a look at any code here: identities, samples, requests, refusals, a
/// rejected frame, half a frame, a restart.
#[tokio::test]
#[ignore = "needs Python: STILLHEIGHT_PYTHON"]
async fn a_sensor_written_from_the_page_alone() {
    let mut script = Script::start("sensor_from_page.py");
    let mut said = BufReader::new(script.0.stdout.take().unwrap());
    let mut path = String::new();
    said.read_line(&mut path).unwrap();
    let mut hand = script.0.stdin.take().unwrap();
    let clock = Clock::real();
    let (sender, events) = tokio::sync::mpsc::channel(64);
    let port = attach(0, LineSettings::new(path.trim(), 115_200), clock, sender);
    let (wire, out) = (Wire::new(), Vec::new());
    let mut line = Tended {
        port,
        events,
        clock,
        wire,
        out,
    };

    let identities = |out: &[Heard]| {
        out.iter()
            .filter(|h| matches!(h, Heard::Identity(_)))
            .count()
    };
    let came = line
        .until("identities and samples", |out| {
            identities(out) >= 2 && samples(out).len() >= 10
        })
        .await;
    for sample in samples(&came) {
        let due = match sample.kind {
            SampleKind::Angle => -1.25_f64.to_radians(),
            SampleKind::Distance => 0.4123,
        };
        close(sample.value, due);
        assert!(sample.trusted);
    }
    assert_eq!(line.wire.device(), Some(0x5E50_00F0_0D00_0001));

    let rate = |channel, hz| Request::SetRate { channel, hz };
    assert_eq!(line.ask(rate(Some(0), 20.0)).await, Outcome::Done(20.0));
    assert_eq!(line.ask(rate(None, 40.0)).await, Outcome::Done(40.0));
    for (channel, hz) in [(Some(0), 100.0), (Some(1), 0.01), (Some(7), 10.0)] {
        let outcome = line.ask(rate(channel, hz)).await;
        assert!(matches!(outcome, Outcome::Refused(_)), "{outcome:?}");
    }
    let blink = Request::Blink {
        channel: None,
        seconds: 3.0,
    };
    assert_eq!(line.ask(blink).await, Outcome::Done(3.0));

    line.port.write(vec![0xAA, 0]).unwrap();
    line.until("fault for a torn frame", |out| {
        out.iter()
            .any(|h| matches!(h, Heard::Fault(fault) if fault.words.contains("(2)")))
    })
    .await;

    writeln!(hand, "half").unwrap();
    line.until("rejection of half a frame, and a sample after it", |out| {
        let torn = out.iter().position(|h| matches!(h, Heard::Rejected(_)));
        torn.is_some_and(|i| !samples(&out[i..]).is_empty())
    })
    .await;

    writeln!(hand, "restart").unwrap();
    line.until("identities and samples after a restart", |out| {
        let who = out.iter().position(|h| matches!(h, Heard::Identity(_)));
        who.is_some_and(|i| !samples(&out[i..]).is_empty())
    })
    .await;
    line.port.stop().await.unwrap();
    drop(hand);
    let mut told = String::new();
    std::io::Read::read_to_string(&mut said, &mut told).unwrap();
    assert!(
        told.contains("asked blink 30") && told.contains("rejected too-short"),
        "{told}"
    );
}
