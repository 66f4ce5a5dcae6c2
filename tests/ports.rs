//! Real pseudo-terminals, opened by the code that opens adapters.

use crate::room::folder::Folder;
use std::os::fd::{AsFd as _, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::Duration;

use stillheight::ports::{
    CaptureError, CaptureHeader, CaptureWriter, CapturedLine, Clock, GoneWhy, LineSettings, Port,
    PortError, PortEvent, PortEventKind, Replay, attach,
};
use stillheight::quantity::{Moment, Span};
use tokio::sync::mpsc;

/// The far end of a pseudo-terminal, raw.
struct FarEnd {
    controller: OwnedFd,
    near: PathBuf,
}

impl FarEnd {
    fn new() -> Self {
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        let controller = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&controller).unwrap();
        unlockpt(&controller).unwrap();
        let name = ptsname(&controller, Vec::new()).unwrap();
        let near = PathBuf::from(name.into_string().unwrap());
        // Raw from the start: what is sent before the other side opens must
        // not be echoed back.
        let mut settings = rustix::termios::tcgetattr(&controller).unwrap();
        settings.make_raw();
        rustix::termios::tcsetattr(
            &controller,
            rustix::termios::OptionalActions::Now,
            &settings,
        )
        .unwrap();
        Self { controller, near }
    }

    fn send(&self, bytes: &[u8]) {
        assert_eq!(
            rustix::io::write(self.controller.as_fd(), bytes).unwrap(),
            bytes.len()
        );
    }

    /// Waits until something has been sent to the far end.
    async fn receive(&self) -> Vec<u8> {
        let fd = self.controller.try_clone().unwrap();
        tokio::task::spawn_blocking(move || {
            let mut buffer = [0; 256];
            let count = rustix::io::read(&fd, &mut buffer).unwrap();
            buffer[..count].to_vec()
        })
        .await
        .unwrap()
    }
}

/// Closes the far end. The link goes first: the next pseudo-terminal that
/// anybody makes gets the number that becomes free.
fn unplug(far: FarEnd, link: &Path) {
    std::fs::remove_file(link).unwrap();
    drop(far);
}

type Events = mpsc::Receiver<PortEvent>;

fn open(path: &Path) -> (Port, Events) {
    let (sender, events) = mpsc::channel(64);
    // Ten times as fast, so that pauses are short.
    let port = attach(
        3,
        LineSettings::new(path, 115_200),
        Clock::scaled(10.0),
        sender,
    );
    (port, events)
}

async fn next(events: &mut Events) -> PortEventKind {
    let event = tokio::time::timeout(Duration::from_secs(5), events.recv())
        .await
        .expect("an event within five seconds")
        .expect("the port's task runs");
    assert_eq!(event.port, 3);
    event.kind
}

async fn bytes(events: &mut Events, count: usize) -> Vec<u8> {
    let mut got = Vec::new();
    while got.len() < count {
        match next(events).await {
            PortEventKind::Bytes(bytes) => got.extend(bytes),
            other => panic!("bytes expected, not {other:?}"),
        }
    }
    got
}

async fn opened(events: &mut Events) -> PathBuf {
    match next(events).await {
        PortEventKind::Opened { path } => path,
        other => panic!("opening expected, not {other:?}"),
    }
}

async fn refused(events: &mut Events) -> PortError {
    match next(events).await {
        PortEventKind::Refused { error } => error,
        other => panic!("refusal expected, not {other:?}"),
    }
}

#[tokio::test]
async fn bytes_go_both_ways_unchanged() {
    let far = FarEnd::new();
    let (port, mut events) = open(&far.near);
    assert_eq!(opened(&mut events).await, far.near);
    let all: Vec<u8> = (0..=255).collect();
    far.send(&all);
    assert_eq!(bytes(&mut events, 256).await, all);
    // Carriage return, interrupt and end of file go through as they are.
    port.write(vec![0x0D, 0x0A, 0x03, 0x04, 0x00, 0xFF])
        .unwrap();
    assert_eq!(far.receive().await, [0x0D, 0x0A, 0x03, 0x04, 0x00, 0xFF]);
    assert!(matches!(next(&mut events).await, PortEventKind::Sent(bytes) if bytes.len() == 6));
    let counts = port.counts();
    assert_eq!(
        (counts.bytes_in, counts.bytes_out, counts.openings),
        (256, 6, 1)
    );
    port.stop().await.unwrap();
}

#[tokio::test]
async fn the_greeting_is_sent_at_every_opening() {
    let far = FarEnd::new();
    let (sender, mut events) = mpsc::channel(8);
    let settings = LineSettings {
        greeting: b"D\n".to_vec(),
        ..LineSettings::new(&far.near, 9600)
    };
    let port = attach(3, settings, Clock::real(), sender);
    opened(&mut events).await;
    assert_eq!(far.receive().await, b"D\n");
    port.stop().await.unwrap();
}

#[tokio::test]
async fn gone_and_back_under_another_name_behind_a_link() {
    let folder = Folder::new("replug");
    let link = folder.0.join("tilt");
    let first = FarEnd::new();
    std::os::unix::fs::symlink(&first.near, &link).unwrap();
    let (port, mut events) = open(&link);
    assert_eq!(opened(&mut events).await, link);
    first.send(b"before");
    assert_eq!(bytes(&mut events, 6).await, b"before");

    // Held open so that the second gets another number.
    let second = FarEnd::new();
    assert_ne!(first.near, second.near);
    unplug(first, &link);
    assert!(matches!(
        next(&mut events).await,
        PortEventKind::Gone { .. }
    ));
    assert!(matches!(
        port.write(vec![1]),
        Err(PortError::NotOpen { .. })
    ));
    // While nothing is there it is said once, whatever the number of attempts.
    let error = refused(&mut events).await;
    assert_eq!(error, PortError::Missing { path: link.clone() });
    std::os::unix::fs::symlink(&second.near, &link).unwrap();
    loop {
        match next(&mut events).await {
            PortEventKind::Opened { .. } => break,
            PortEventKind::Refused { .. } => {}
            other => panic!("{other:?}"),
        }
    }
    second.send(b"after");
    assert_eq!(bytes(&mut events, 5).await, b"after");
    let counts = port.counts();
    assert_eq!((counts.openings, counts.gone), (2, 1));
    port.stop().await.unwrap();
}

#[tokio::test]
async fn a_port_that_is_gone_does_not_spin() {
    let folder = Folder::new("gone");
    let link = folder.0.join("tilt");
    let far = FarEnd::new();
    std::os::unix::fs::symlink(&far.near, &link).unwrap();
    let (port, mut events) = open(&link);
    opened(&mut events).await;
    unplug(far, &link);
    assert!(matches!(
        next(&mut events).await,
        PortEventKind::Gone { .. }
    ));
    refused(&mut events).await;
    // Half a second of attempts says nothing more.
    assert!(
        tokio::time::timeout(Duration::from_millis(500), events.recv())
            .await
            .is_err()
    );
    port.stop().await.unwrap();
}

#[tokio::test]
async fn a_second_opening_is_in_use_until_the_first_has_stopped() {
    let far = FarEnd::new();
    let (first, mut first_events) = open(&far.near);
    opened(&mut first_events).await;
    let (second, mut second_events) = open(&far.near);
    let error = refused(&mut second_events).await;
    assert_eq!(error.code(), "ports.open.in_use");
    assert_eq!(
        error.to_string(),
        format!("port '{}' is in use", far.near.display())
    );
    first.stop().await.unwrap();
    opened(&mut second_events).await;
    far.send(b"now");
    assert_eq!(bytes(&mut second_events, 3).await, b"now");
    second.stop().await.unwrap();
}

#[tokio::test]
async fn missing_folder_file_and_other_devices_are_told_apart() {
    let folder = Folder::new("kinds");
    let file = folder.0.join("notes.txt");
    std::fs::write(&file, "not a port").unwrap();
    for (path, code) in [
        (folder.0.join("nothing"), "ports.open.missing"),
        (folder.0.clone(), "ports.open.not_serial"),
        (file, "ports.open.not_serial"),
        (PathBuf::from("/dev/null"), "ports.open.not_serial"),
    ] {
        let (port, mut events) = open(&path);
        let error = refused(&mut events).await;
        assert_eq!(error.code(), code, "{} {error:?}", path.display());
        port.stop().await.unwrap();
    }
}

#[tokio::test]
async fn a_listener_that_does_not_listen_neither_blocks_stopping_nor_fills_memory() {
    let far = FarEnd::new();
    let (sender, events) = mpsc::channel(1);
    let port = attach(
        3,
        LineSettings::new(&far.near, 115_200),
        Clock::real(),
        sender,
    );
    tokio::time::sleep(Duration::from_millis(200)).await;
    far.send(&[7; 3000]);
    tokio::time::sleep(Duration::from_millis(100)).await;
    tokio::time::timeout(Duration::from_secs(5), port.stop())
        .await
        .expect("stops although its events are not taken")
        .unwrap();
    drop(events);
}

#[tokio::test]
async fn dropping_the_port_closes_it() {
    let far = FarEnd::new();
    let (port, mut events) = open(&far.near);
    opened(&mut events).await;
    drop(port);
    assert!(
        tokio::time::timeout(Duration::from_secs(5), events.recv())
            .await
            .expect("the task ends")
            .is_none()
    );
    let (again, mut events) = open(&far.near);
    opened(&mut events).await;
    again.stop().await.unwrap();
}

/// Bytes of a sensor through a real pseudo-terminal, the port's task and the
/// driver to a reading; unplugged, plugged in again, and still.
#[tokio::test]
async fn from_bytes_to_a_still_reading_and_back_after_a_replug() {
    use stillheight::drivers::{Heard, driver_for};
    use stillheight::readings::{Bench, Quality};
    use stillheight::sheet::{Connection, Measurand, Protocol, Sensor, TiltOn};

    let folder = Folder::new("whole");
    let link = folder.0.join("across");
    let protocol = Protocol::Xdr {
        transducer: "PTCH".into(),
    };
    let sensor = Sensor {
        name: "across".into(),
        connection: Connection {
            port: Some(link.display().to_string()),
            baud: 115_200,
            protocol: protocol.clone(),
        },
        reads: Measurand::Tilt {
            on: TiltOn::FrameRoll,
            reversed: false,
        },
        zero: 0.0,
        zero_uncertainty: 0.0,
        scale_uncertainty: 0.0,
        deadline_s: 2.0,
    };
    let mut bench = Bench::new(&[sensor], &[Some(3)]);
    let mut driver = driver_for(&[&protocol]).unwrap();
    let clock = Clock::scaled(20.0);
    let (sender, mut events) = mpsc::channel(64);
    let port = attach(3, LineSettings::new(&link, 115_200), clock, sender);
    let mut gone = false;
    let mut fed = 0;
    for round in 0..2 {
        let far = FarEnd::new();
        std::os::unix::fs::symlink(&far.near, &link).unwrap();
        let mut ticks = tokio::time::interval(Duration::from_millis(5));
        let mut open = false;
        let patience = tokio::time::Instant::now() + Duration::from_secs(10);
        loop {
            assert!(tokio::time::Instant::now() < patience, "never still");
            tokio::select! {
                // 200 sentences a second at twenty times the speed: ten a second.
                _ = ticks.tick(), if open => far.send(b"$IIXDR,A,-1.25,D,PTCH*71\r\n"),
                event = events.recv() => {
                    let event = event.unwrap();
                    let mut out: Vec<Heard> = Vec::new();
                    match event.kind {
                        PortEventKind::Opened { .. } => {
                            open = true;
                            driver.reopened(event.at);
                        }
                        PortEventKind::Bytes(bytes) => {
                            fed += bytes.len() as u64;
                            driver.feed(&bytes, event.at, &mut out);
                        }
                        PortEventKind::Gone { .. } => gone = true,
                        PortEventKind::Refused { .. } | PortEventKind::Sent(_) => {}
                        other => panic!("{other:?}"),
                    }
                    for heard in &out {
                        bench.hear(3, heard);
                    }
                }
            }
            let reading = &bench.readings(clock.now())[0];
            // Right after a replug the old stillness must not count as new.
            if open && reading.quality == Quality::Good {
                assert!((reading.value + 1.25_f64.to_radians()).abs() < 1e-9);
                break;
            }
        }
        assert_eq!(gone, round == 1);
        unplug(far, &link);
        tokio::time::sleep(Duration::from_millis(200)).await;
        let quality = bench.readings(clock.now())[0].quality;
        assert!(matches!(quality, Quality::Silent { .. }), "{quality:?}");
    }
    assert_eq!(port.counts().openings, 2);
    assert_eq!(driver.counts().rejected_total(), 0);
    // Not one byte lost on the way; some may still be under way to us.
    let sentence = b"$IIXDR,A,-1.25,D,PTCH*71\r\n".len() as u64;
    assert_eq!(fed / sentence, driver.counts().samples);
    assert!(port.counts().bytes_in >= fed);
    port.stop().await.unwrap();
}

#[test]
#[ignore = "needs a port that an ordinary user may not open, and must not run as root"]
fn no_permission_on_a_real_node() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(async {
        let (port, mut events) = open(Path::new("/dev/ttyS0"));
        assert_eq!(refused(&mut events).await.code(), "ports.open.permission");
        port.stop().await.unwrap();
    });
}

fn header(ports: usize) -> CaptureHeader {
    CaptureHeader {
        device: "inclinometer".into(),
        firmware: "1.0.7".into(),
        situation: "still, then\ntapped".into(),
        date: Moment::from_unix_us(1_700_000_000_123_456),
        serial: (0..ports)
            .map(|i| CapturedLine {
                baud: 115_200,
                name: format!("/dev/ttyUSB{i} with a blank"),
            })
            .collect(),
        notes: vec!["first".into(), "second: with a colon".into()],
    }
}

#[test]
fn a_capture_gives_back_what_was_recorded_to_the_microsecond() {
    let header = header(2);
    let event = |port, us, kind| PortEvent {
        port,
        kind,
        at: header.date + Span::from_us(us),
    };
    let name = |port: usize| PathBuf::from(&header.serial[port].name);
    let events = vec![
        event(0, 0, PortEventKind::Opened { path: name(0) }),
        event(1, 17, PortEventKind::Opened { path: name(1) }),
        event(0, 17, PortEventKind::Bytes((0..=255).collect())),
        event(0, 20, PortEventKind::Sent(vec![7, 8])),
        event(
            1,
            99,
            PortEventKind::Gone {
                why: GoneWhy::HungUp,
            },
        ),
        event(1, 86_400_000_000, PortEventKind::Bytes(vec![0])),
    ];
    let mut writer = CaptureWriter::new(Vec::new(), &header).unwrap();
    for event in &events {
        writer.write(event).unwrap();
    }
    let text = writer.into_inner();
    let replay = Replay::new(&text[..]).unwrap();
    let mut expected = header.clone();
    expected.situation = "still, then tapped".into();
    assert_eq!(*replay.header(), expected);
    let read: Result<Vec<_>, CaptureError> = replay.collect();
    assert_eq!(read.unwrap(), events);
}

#[test]
fn mistakes_in_a_capture_are_named_with_their_line() {
    let head = "# Date: 2026-11-25T09:19:23.5Z\n# Serial: 9600 8N1 a\n\n";
    for (text, code, said) in [
        ("", "ports.capture.header", "'# Date: ...'"),
        ("0 0 00\n", "ports.capture.header", "'# Date: ...'"),
        (
            "# Date: 2026-11-25T09:19:23Z\n",
            "ports.capture.header",
            "'# Serial: ...'",
        ),
        ("# Date: yesterday\n", "ports.capture.line", "line 1"),
        ("# Serial: 9600 7E1 a\n", "ports.capture.line", "line 1"),
        ("# Colour: red\n", "ports.capture.line", "line 1"),
        (
            &format!("{head}5 0 00\nx 0 00\n"),
            "ports.capture.line",
            "line 5",
        ),
        (&format!("{head}5 1 00\n"), "ports.capture.line", "line 4"),
        (&format!("{head}5 0 0\n"), "ports.capture.line", "line 4"),
        (&format!("{head}5 0 +1\n"), "ports.capture.line", "line 4"),
        (&format!("{head}5 0\n"), "ports.capture.line", "line 4"),
        (&format!("{head}-5 0 00\n"), "ports.capture.line", "line 4"),
        (
            &format!("{head}5 0 00 11\n"),
            "ports.capture.line",
            "line 4",
        ),
        (
            &format!("{head}5 0 00\n4 0 00\n"),
            "ports.capture.backward",
            "line 5",
        ),
        (
            &format!("{head}5 0 00\n6 0 00"),
            "ports.capture.cut_off",
            "5",
        ),
    ] {
        let error = match Replay::new(text.as_bytes()) {
            Err(error) => error,
            Ok(mut replay) => replay.find_map(Result::err).unwrap(),
        };
        assert_eq!(error.code(), code, "{text:?}");
        assert!(error.to_string().contains(said), "{text:?}: {error}");
        assert!(!error.help().is_empty());
    }
    let endless = format!("{head}{}", "0".repeat(200_000));
    let error = Replay::new(endless.as_bytes()).unwrap_err();
    assert_eq!(error.code(), "ports.capture.line");
}

/// Found by a fuzzer: a carriage return in a note became a blank only when written.
#[test]
fn a_header_read_and_written_again_is_the_same() {
    let text = "# Date: 2026-11-25T00:00:00Z\n# Serial: 9600 8N1 bus\n# Notes: a\rb\n";
    let header = Replay::new(text.as_bytes()).unwrap().header().clone();
    let written = CaptureWriter::new(Vec::new(), &header)
        .unwrap()
        .into_inner();
    assert_eq!(Replay::new(&written[..]).unwrap().header(), &header);
    assert_eq!(header.notes, ["a b"]);
}

#[test]
fn what_came_before_a_cut_off_line_is_kept() {
    let text = "# Date: 2026-11-25T09:19:23.5Z\n# Serial: 9600 8N1\n5 0 00\n6 0 0102\n7 0 03";
    let mut replay = Replay::new(text.as_bytes()).unwrap();
    assert!(replay.by_ref().take(2).all(|event| event.is_ok()));
    assert!(matches!(
        replay.next(),
        Some(Err(CaptureError::CutOff { line: 5 }))
    ));
    assert!(replay.next().is_none());
}
