//! Captures and what each driver makes of them.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::{Path, PathBuf};

use super::*;
use stillheight::ports::{PortEvent, PortEventKind, Replay};

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/captures")
}

/// The driver for captures whose name begins so; the descriptions are those of
/// the devices in the captures.
fn driver_named(name: &str) -> Box<dyn Driver> {
    let described = |form| {
        let description = Description {
            form,
            start: Vec::new(),
            ask_every: None,
        };
        Box::new(Described::new(description).unwrap())
    };
    match name {
        "wire" => Box::new(Wire::new()),
        "xdr" => Box::new(Xdr::new()),
        "lines" => described(Form::Lines(vec![LineValue {
            name: "REARLEFT".into(),
            pattern: Pattern::new("D: {value} mm, q={skip}").unwrap(),
            scale: 1.0,
            unit: ValueUnit::Millimetre,
        }])),
        "frames" => described(Form::Frames(described::digits())),
        "modbus" => Box::new(two_on_a_bus()),
        _ => panic!("no driver '{name}'"),
    }
}

/// An inclinometer and a distance module on one bus.
pub(super) fn two_on_a_bus() -> Modbus {
    Modbus::new(BusSettings {
        baud: 9600,
        timeout: Span::from_s(0.2),
        period: Span::from_s(0.2),
        values: vec![
            RegisterValue {
                name: "ACROSS".into(),
                address: 1,
                function: Function::Input,
                register: 4,
                form: NumberForm::I16,
                order: WordOrder::Abcd,
                scale: 0.01,
                unit: ValueUnit::Degree,
            },
            RegisterValue {
                name: "REARLEFT".into(),
                address: 2,
                function: Function::Holding,
                register: 16,
                form: NumberForm::F32,
                order: WordOrder::Cdab,
                scale: 1.0,
                unit: ValueUnit::Metre,
            },
        ],
    })
}

fn events(path: &Path) -> Vec<PortEvent> {
    let file = std::fs::File::open(path).unwrap();
    Replay::new(std::io::BufReader::new(file))
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// What comes out, as text; bytes of each arrival fed in pieces.
fn play(path: &Path, piece: usize) -> String {
    let name = path.file_name().unwrap().to_str().unwrap();
    let protocol = name.split('-').next().unwrap();
    let mut drivers: BTreeMap<usize, Box<dyn Driver>> = BTreeMap::new();
    let mut text = String::new();
    let events = events(path);
    let start = events.first().unwrap().at;
    let asks: BTreeSet<usize> = events
        .iter()
        .filter(|event| matches!(event.kind, PortEventKind::Sent(_)))
        .map(|event| event.port)
        .collect();
    let mut asked = VecDeque::new();
    let mut before = start;
    for event in events {
        let driver = drivers
            .entry(event.port)
            .or_insert_with(|| driver_named(protocol));
        let mut out = Vec::new();
        // What a driver asks is part of what it knows: as in a run, it is
        // polled when it wants to be, and must ask the same again.
        while asks.contains(&event.port)
            && let Some(due) = driver.due().map(|due| due.max(before))
            && due <= event.at
        {
            asked.extend(driver.poll(due, &mut out));
            if driver.due().is_some_and(|again| again <= due) {
                break;
            }
        }
        before = event.at;
        match &event.kind {
            PortEventKind::Opened { .. } => driver.reopened(event.at),
            PortEventKind::Sent(bytes) => assert_eq!(asked.pop_front().as_ref(), Some(bytes)),
            PortEventKind::Bytes(bytes) => {
                for piece in bytes.chunks(piece) {
                    driver.feed(piece, event.at, &mut out);
                }
            }
            _ => {}
        }
        for heard in out {
            writeln!(text, "{} {}", event.port, line(&heard, start)).unwrap();
        }
    }
    for (port, driver) in &drivers {
        let counts = driver.counts();
        let rejected: Vec<String> = counts
            .by_reason()
            .map(|(why, count)| format!("{} {count}", why.name()))
            .collect();
        writeln!(
            text,
            "{port} counts good {} samples {} lost {} restarts {} rejected [{}]",
            counts.good,
            counts.samples,
            counts.lost,
            counts.restarts,
            rejected.join(", ")
        )
        .unwrap();
    }
    text
}

fn line(heard: &Heard, start: Moment) -> String {
    match heard {
        Heard::Sample(s) => format!(
            "{:.3} sample {} {} {:.9} sequence {:?} temperature {:?} {} {:?}",
            s.at.since(start).s(),
            s.source,
            s.kind,
            s.value,
            s.sequence,
            s.temperature_c,
            if s.trusted { "trusted" } else { "not trusted" },
            s.remark
        ),
        Heard::Identity(i) => format!(
            "identity {} {} firmware {} rate {:.3}",
            i.source, i.words, i.firmware, i.rate_hz
        ),
        Heard::Fault(f) => format!("fault {:?} {}", f.channel, f.words),
        Heard::Answer(a) => format!("answer {:?} {:?}", a.request, a.outcome),
        Heard::Rejected(r) => format!("rejected {} {} bytes", r.why.name(), r.bytes),
        other => format!("{other:?}"),
    }
}

fn all() -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "log"))
        .collect();
    paths.sort();
    paths
}

/// The expected text stands beside each capture; `BLESS=1` writes it anew,
/// to be looked at before it is kept.
#[test]
fn every_capture_gives_what_is_expected_in_pieces_of_any_size() {
    for path in all() {
        let whole = play(&path, usize::MAX);
        for piece in [1, 3, 7, 64] {
            assert_eq!(play(&path, piece), whole, "{} by {piece}", path.display());
        }
        let golden = path.with_extension("expected");
        if std::env::var_os("BLESS").is_some() {
            std::fs::write(&golden, &whole).unwrap();
        }
        let expected = std::fs::read_to_string(&golden)
            .unwrap_or_else(|_| panic!("'{}' is missing", golden.display()));
        assert_eq!(whole, expected, "{}", path.display());
    }
}

#[test]
fn every_driver_has_a_capture() {
    let beside = ["lines", "frames", "modbus"];
    for name in TABLE.iter().map(|entry| entry.name).chain(beside) {
        let start = format!("{name}-");
        assert!(
            all().iter().any(|path| path
                .file_name()
                .and_then(|name| name.to_str())
                .is_some_and(|name| name.starts_with(&start))),
            "{name}"
        );
    }
}
