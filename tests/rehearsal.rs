//! The rehearsal from outside: bytes through pseudo-terminals, the same seed
//! the same truth.

use std::io::{Read, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use stillheight::rehearsal::{FITTINGS, Play, Stage, StagePlan};
use stillheight_protocol::{Accumulator, Blink, MAX_FRAME, Message, SetRate, Who, encode};

/// Waits at most so long for what must come.
const PATIENCE: Duration = Duration::from_secs(10);

fn stage(speed: f64) -> Stage {
    Stage::set_up(&StagePlan {
        seed: 4,
        speed,
        folder: None,
    })
    .expect("pseudo-terminals")
}

fn open(path: &Path) -> Box<dyn serialport::SerialPort> {
    serialport::new(path.to_string_lossy(), 115_200)
        .timeout(Duration::from_millis(100))
        .open()
        .expect("the line opens as a serial port")
}

/// Reads until `enough` says so; every frame must check.
fn hear(port: &mut dyn Read, mut enough: impl FnMut(&[Message]) -> bool) -> Vec<Message> {
    let started = Instant::now();
    let mut heard = Vec::new();
    let mut accumulator = Accumulator::new();
    let mut piece = [0; 200];
    while !enough(&heard) {
        assert!(
            started.elapsed() < PATIENCE,
            "only {} messages",
            heard.len()
        );
        match port.read(&mut piece) {
            Ok(count) => accumulator.feed(&piece[..count], |message| {
                heard.push(message.expect("every frame checks"));
            }),
            Err(error)
                if matches!(
                    error.kind(),
                    std::io::ErrorKind::TimedOut | std::io::ErrorKind::WouldBlock
                ) => {}
            Err(error) => panic!("{error}"),
        }
    }
    heard
}

fn ask(port: &mut dyn Write, message: &Message) {
    let mut frame = [0; MAX_FRAME];
    let length = encode(message, &mut frame).expect("a good request");
    port.write_all(&frame[..length]).expect("the line takes it");
}

/// The line opened as a plain file, as any program would.
#[test]
fn bytes_come_through_the_line_and_decode() {
    let stage = stage(20.0);
    let mut files: Vec<_> = stage
        .ports()
        .iter()
        .map(|path| std::fs::File::open(path).expect("opens"))
        .collect();
    stage.begin();
    for (file, fitting) in files.iter_mut().zip(FITTINGS) {
        let heard = hear(file, |heard| heard.len() > 30);
        let Message::Identity(identity) = heard[0] else {
            panic!("{:?} before the identity", heard[0]);
        };
        assert_eq!(identity.device, fitting.device);
        for (number, message) in heard[1..].iter().enumerate() {
            let Message::Sample(sample) = message else {
                panic!("{message:?} among the samples");
            };
            assert_eq!(sample.sequence as usize, number);
            assert!(identity.covers(sample.value));
        }
    }
    for count in stage.counts() {
        assert!(count.frames_written > 30);
        assert!(count.bytes_written > 28 * 30);
        assert_eq!(count.frames_dropped, 0);
    }
}

/// What the sensor says is how the vehicle stands, within zero error, bump,
/// noise and a slope far beyond the true one.
#[test]
fn samples_say_how_it_stands() {
    let stage = stage(20.0);
    let index = 3;
    let mut port = open(&stage.ports()[index]);
    stage.begin();
    let heard = hear(port.as_mut(), |heard| heard.len() > 40);
    let truth = stage.truth_over(0.0, 4.0).expect("recorded");
    let mean_mm = heard
        .iter()
        .filter_map(|message| match message {
            Message::Sample(sample) => Some(f64::from(sample.value) * 1e-3),
            _ => None,
        })
        .sum::<f64>()
        / (heard.len() - 1) as f64;
    // The beam starts 10 mm over the station's plane and 30 mm outside it.
    let expected_mm = truth.heights_mm[0] + 10.0;
    assert!(
        (mean_mm - expected_mm).abs() < 5.0,
        "{mean_mm} against {expected_mm}"
    );
}

#[test]
fn sensors_answer_while_time_stands() {
    let stage = stage(1.0);
    let mut port = open(&stage.ports()[1]);
    ask(port.as_mut(), &Message::Who(Who { tag: 7 }));
    let heard = hear(port.as_mut(), |heard| {
        heard
            .iter()
            .any(|message| matches!(message, Message::Done(done) if done.tag == 7))
    });
    assert!(heard.iter().any(
        |message| matches!(message, Message::Identity(who) if who.device == FITTINGS[1].device)
    ));
    assert!(stage.now_s().abs() < 1e-9);

    ask(
        port.as_mut(),
        &Message::Blink(Blink {
            tag: 8,
            channel: 0,
            tenths: 20,
        }),
    );
    hear(port.as_mut(), |heard| {
        heard
            .iter()
            .any(|message| matches!(message, Message::Done(done) if done.tag == 8))
    });
    assert_eq!(stage.blinks("frame pitch").expect("there is one"), 1);

    port.write_all(&[1, 2, 3, 4, 5, 6, 7, 8, 0]).expect("noise");
    ask(
        port.as_mut(),
        &Message::SetRate(SetRate {
            tag: 9,
            channel: 0,
            rate_millihertz: 50_000,
        }),
    );
    hear(port.as_mut(), |heard| {
        heard
            .iter()
            .any(|message| matches!(message, Message::Done(done) if done.tag == 9))
    });
    let count = &stage.counts()[1];
    assert_eq!((count.requests, count.rejected), (3, 1));
}

#[test]
fn pulled_plug_hangs_up_and_comes_back_under_its_name() {
    let stage = stage(20.0);
    let path = stage.ports()[0].clone();
    let mut port = open(&path);
    stage.begin();
    hear(port.as_mut(), |heard| heard.len() > 3);
    stage.unplug("frame roll").expect("there is one");
    assert!(!path.exists());
    let started = Instant::now();
    let mut piece = [0; 200];
    let gone = loop {
        assert!(started.elapsed() < PATIENCE);
        match port.read(&mut piece) {
            Err(error) if error.kind() == std::io::ErrorKind::TimedOut => {}
            Err(error) => break error,
            Ok(_) => {}
        }
    };
    assert_eq!(gone.kind(), std::io::ErrorKind::BrokenPipe);
    // Another program may take the number of the old line meanwhile.
    stage.replug("frame roll").expect("there is one");
    drop(port);
    let mut port = open(&path);
    let heard = hear(port.as_mut(), |heard| heard.len() > 5);
    assert!(matches!(heard[0], Message::Identity(_)));
    let Message::Sample(sample) = heard[1] else {
        panic!("{:?}", heard[1]);
    };
    // Three samples at least were heard before: it did not start anew at 0.
    assert!(sample.sequence >= 3);
    assert_eq!(stage.counts()[0].plugged_in, 2);
    assert!(stage.unplug("no such").is_err());
}

#[test]
fn finish_takes_the_names_away() {
    let mut stage = stage(50.0);
    stage.begin();
    let started = Instant::now();
    while stage.now_s() < 5.0 {
        assert!(started.elapsed() < PATIENCE);
        std::thread::sleep(Duration::from_millis(5));
    }
    let ports = stage.ports().to_vec();
    let folder = stage.folder().to_owned();
    let outcome = stage.finish();
    assert!(outcome.time_s >= 5.0);
    assert_eq!(outcome.lines.len(), FITTINGS.len());
    assert!(ports.iter().all(|path| !path.exists()));
    assert!(stage.truth_over(1.0, 4.0).is_some());
    drop(stage);
    assert!(!folder.exists());
}

#[test]
fn refuses_a_speed_that_is_none() {
    for speed in [0.0, -1.0, f64::NAN, 1e9] {
        let refused = Stage::set_up(&StagePlan {
            speed,
            ..StagePlan::default()
        });
        assert_eq!(
            refused.err().map(|error| error.code()),
            Some("rehearsal.speed.range")
        );
    }
}

#[test]
fn same_seed_same_truth_and_same_bytes() {
    let run = |seed: u64, strides: &[u64]| {
        let mut play = Play::new(seed);
        let mut bytes = Vec::new();
        let mut next = strides.iter().cycle();
        while play.now_us() < 60_000_000 {
            let until = play.now_us() + next.next().copied().unwrap_or(1);
            play.advance_to(until.min(60_000_000), |sensor, frame| {
                bytes.extend([u8::try_from(sensor).unwrap_or(255)]);
                bytes.extend_from_slice(frame);
            });
        }
        (play.truth().clone(), bytes)
    };
    let (truth, bytes) = run(3, &[100_000]);
    // However the clock cuts it: the same to the last digit.
    let (again, bytes_again) = run(3, &[1_000, 77_000, 250_500]);
    assert_eq!(truth, again);
    assert_eq!(bytes, bytes_again);
    let (other, other_bytes) = run(4, &[100_000]);
    assert_ne!(truth, other);
    assert_ne!(bytes, other_bytes);
}

#[test]
fn truth_stays_finite_to_the_end() {
    for seed in [1, 2] {
        let mut play = Play::new(seed);
        play.advance_to(200_000_000, |_, _| {});
        assert_eq!(play.truth().iter().count(), 2001);
        assert!(
            play.truth()
                .iter()
                .all(stillheight::rehearsal::Truth::is_finite)
        );
    }
}
