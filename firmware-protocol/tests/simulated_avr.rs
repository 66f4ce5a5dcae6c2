//! The example firmware, run instruction by instruction in a simulator, spoken to through
//! the simulator's pseudo-terminal: values, rates, lamp, faults, noise.
//!
//! Needs avr-gcc, avr-libc and simavr's library, which not every machine has; so it is
//! ignored unless asked for: `cargo test -p stillheight-protocol -- --ignored`.

use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::OnceLock;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

use stillheight_protocol::{
    Accumulator, Blink, Done, Fault, FaultCode, Identity, Kind, Message, Quantity, Reason, Refusal,
    Refused, Rejection, Sample, SetRate, Status, WHOLE_DEVICE, Who,
};

use crate::notation::frame;

const DEVICE: u64 = 0x0000_5eed_00c0_ffee;

/// The slowest machine may take this long, in real time, for anything that is awaited.
const PATIENCE: Duration = Duration::from_secs(20);

struct Bench {
    simulator: Child,
    commands: ChildStdin,
    said: Receiver<String>,
    line: File,
    heard: Receiver<Result<Message, Rejection>>,
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.simulator.kill();
        let _ = self.simulator.wait();
    }
}

/// Builds firmware and simulator once for all tests of this run.
fn built() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("examples/avr");
        let build = Path::new(env!("CARGO_TARGET_TMPDIR")).join("avr");
        let made = Command::new("make")
            .arg("-C")
            .arg(&here)
            .arg(format!("BUILD={}", build.display()))
            .arg(format!("DEVICE={DEVICE:#018x}"))
            .output()
            .unwrap_or_else(|why| panic!("'make' cannot be run: {why}"));
        let errors = String::from_utf8_lossy(&made.stderr);
        assert!(made.status.success(), "building the firmware:\n{errors}");
        build
    })
}

impl Bench {
    fn start() -> Self {
        let build = built();
        // Four times as fast as real: 100 ms of the device are 25 ms here.
        let mut simulator = Command::new(build.join("simulator"))
            .arg(build.join("sensor.elf"))
            .arg("4")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let commands = simulator.stdin.take().unwrap();
        let output = BufReader::new(simulator.stdout.take().unwrap());
        let (tell, said) = channel();
        thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                if tell.send(line).is_err() {
                    return;
                }
            }
        });
        let path = loop {
            let line = said.recv_timeout(PATIENCE).unwrap();
            if let Some(path) = line.strip_prefix("port ") {
                break path.to_string();
            }
        };
        let line = OpenOptions::new()
            .read(true)
            .write(true)
            .open(&path)
            .unwrap();
        let mut reader = line.try_clone().unwrap();
        let (tell, heard) = channel();
        thread::spawn(move || {
            let mut accumulator = Accumulator::new();
            let mut piece = [0; 64];
            while let Ok(count @ 1..) = reader.read(&mut piece) {
                accumulator.feed(&piece[..count], |heard| {
                    let _ = tell.send(heard);
                });
            }
        });
        Self {
            simulator,
            commands,
            said,
            line,
            heard,
        }
    }

    fn command(&mut self, text: &str) {
        writeln!(self.commands, "{text}").unwrap();
    }

    fn send(&mut self, message: Message) {
        self.line.write_all(&frame(&message)).unwrap();
    }

    /// The next message; the firmware must never send a bad frame.
    fn next(&self) -> Message {
        let heard = self.heard.recv_timeout(PATIENCE);
        heard.expect("the firmware fell silent").unwrap()
    }

    fn await_some<T>(&self, wanted: impl Fn(Message) -> Option<T>) -> T {
        let end = Instant::now() + PATIENCE;
        while Instant::now() < end {
            if let Some(found) = wanted(self.next()) {
                return found;
            }
        }
        panic!("awaited in vain");
    }

    fn answer(&self, tag: u8) -> Message {
        self.await_some(|message| match message {
            Message::Done(done) if done.tag == tag => Some(message),
            Message::Refused(refused) if refused.tag == tag => Some(message),
            _ => None,
        })
    }

    /// The next samples of one channel.
    fn samples(&self, channel: u8, count: usize) -> Vec<Sample> {
        (0..count)
            .map(|_| {
                self.await_some(|message| match message {
                    Message::Sample(sample) if sample.channel == channel => Some(sample),
                    _ => None,
                })
            })
            .collect()
    }

    /// Mean of the values after the world was changed and has come through.
    fn mean(&self, channel: u8) -> f64 {
        // What was on its way, and the one that was being measured meanwhile.
        self.samples(channel, 4);
        let values = self.samples(channel, 10);
        let sum: f64 = values
            .iter()
            .map(|sample| {
                assert!(sample.status.is_usable(), "{sample:?}");
                f64::from(sample.value)
            })
            .sum();
        sum / 10.0
    }
}

fn done(tag: u8, request: Kind, taken: u32) -> Message {
    Message::Done(Done {
        tag,
        request,
        taken,
    })
}

fn refused(tag: u8, request: Kind, reason: Refusal) -> Message {
    Message::Refused(Refused {
        tag,
        request,
        reason,
    })
}

fn set_rate(tag: u8, channel: u8, rate_millihertz: u32) -> Message {
    Message::SetRate(SetRate {
        tag,
        channel,
        rate_millihertz,
    })
}

fn microseconds(samples: &[Sample]) -> Vec<u64> {
    samples
        .windows(2)
        .map(|pair| {
            assert_eq!(pair[1].sequence, pair[0].sequence + 1);
            pair[1].time_us - pair[0].time_us
        })
        .collect()
}

#[test]
#[ignore = "needs avr-gcc, avr-libc and simavr's library"]
fn the_firmware_introduces_itself_and_answers_who() {
    let mut bench = Bench::start();
    let identity = |channel: u8| -> Identity {
        bench.await_some(|message| match message {
            Message::Identity(identity) if identity.channel == channel => Some(identity),
            _ => None,
        })
    };
    // Unasked, at power-up.
    let (first, second) = (identity(0), identity(1));
    assert_eq!((first.device, second.device), (DEVICE, DEVICE));
    assert_eq!((first.channels, second.channels), (2, 2));
    assert_eq!(first.quantity, Quantity::INCLINATION);
    assert_eq!(second.quantity, Quantity::DISTANCE);
    assert_eq!(first.rate_millihertz, 10_000);

    bench.send(Message::Who(Who { tag: 200 }));
    let mut again = Vec::new();
    let end = bench.await_some(|message| match message {
        Message::Done(_) => Some(message),
        _ => None,
    });
    assert_eq!(end, done(200, Kind::WHO, 2));
    bench.send(Message::Who(Who { tag: 201 }));
    loop {
        match bench.next() {
            Message::Identity(identity) => again.push(identity),
            Message::Done(_) => break,
            _ => {}
        }
    }
    assert_eq!(again, [first, second]);
}

#[test]
#[ignore = "needs avr-gcc, avr-libc and simavr's library"]
fn the_firmware_measures_what_the_world_is() {
    let mut bench = Bench::start();
    for (degrees, mm) in [(0.0, 500.0), (3.5, 412.3), (-21.0, 150.0), (28.0, 880.0)] {
        bench.command(&format!("incl {degrees}"));
        bench.command(&format!("dist {mm}"));
        // The converter has 1024 steps: 0.14 degrees and 0.98 mm. Noise of 3 mV (0.6 of a
        // step) and 64 conversions leave a standard deviation of about 0.01 degrees and
        // 0.08 mm for one sample, a third of it for the mean of ten; five of those, and a
        // bit for the curve of the arc sine at large angles.
        let off_degrees = bench.mean(0) / 1e6 - degrees;
        let off_mm = bench.mean(1) / 1e3 - mm;
        assert!(off_degrees.abs() < 0.025, "{degrees}: off by {off_degrees}");
        assert!(off_mm.abs() < 0.15, "{mm}: off by {off_mm}");
    }
    bench.command("temp -7.25");
    let cold = bench.await_some(|message| match message {
        Message::Sample(sample) => sample.temperature_centidegrees.filter(|&t| t < 0),
        _ => None,
    });
    assert!((-740..=-710).contains(&cold), "{cold}");
    bench.command("volts 2 0");
    bench.await_some(|message| match message {
        Message::Sample(sample) => sample.temperature_centidegrees.is_none().then_some(()),
        _ => None,
    });
}

#[test]
#[ignore = "needs avr-gcc, avr-libc and simavr's library"]
fn the_firmware_keeps_its_rates() {
    let mut bench = Bench::start();
    for gap in microseconds(&bench.samples(0, 10)) {
        // Waking every millisecond, and the other channel may be in the middle of its 7.
        assert!((91_000..=109_000).contains(&gap), "{gap}");
    }
    bench.send(set_rate(1, WHOLE_DEVICE, 50_000));
    assert_eq!(bench.answer(1), done(1, Kind::SET_RATE, 50_000));
    bench.samples(1, 2);
    let quick = bench.samples(1, 50);
    let whole = quick[49].time_us - quick[0].time_us;
    assert!(
        (970_000..=990_000).contains(&whole),
        "49 periods in {whole}"
    );

    // A period of 333 333 microseconds is 3 000.003 mHz: nearer to 3 000 than to the next.
    bench.send(set_rate(2, 1, 3_000));
    assert_eq!(bench.answer(2), done(2, Kind::SET_RATE, 3_000));
    // The nearest whole period is 20 000 microseconds, and the answer says what that is.
    bench.send(set_rate(3, 1, 49_999));
    assert_eq!(bench.answer(3), done(3, Kind::SET_RATE, 50_000));
    bench.send(set_rate(4, 0, 50_001));
    assert_eq!(
        bench.answer(4),
        refused(4, Kind::SET_RATE, Refusal::TOO_BIG)
    );
    bench.send(set_rate(5, 2, 1_000));
    assert_eq!(
        bench.answer(5),
        refused(5, Kind::SET_RATE, Refusal::NO_SUCH_CHANNEL)
    );
    // Nothing at all from channel 0 after it was stopped.
    bench.send(set_rate(6, 0, 0));
    assert_eq!(bench.answer(6), done(6, Kind::SET_RATE, 0));
    for _ in 0..20 {
        assert!(!matches!(bench.next(), Message::Sample(s) if s.channel == 0));
    }
}

#[test]
#[ignore = "needs avr-gcc, avr-libc and simavr's library"]
fn the_firmware_blinks_as_long_as_it_says() {
    let mut bench = Bench::start();
    let blink = Blink {
        tag: 9,
        channel: 1,
        tenths: 7,
    };
    bench.send(Message::Blink(blink));
    assert_eq!(bench.answer(9), done(9, Kind::BLINK, 7));
    // Over 0.7 s by halves of 0.1 s, lit in the last: four times on.
    let mut lamp = Vec::new();
    while lamp.len() < 8 {
        let line = bench.said.recv_timeout(PATIENCE).unwrap();
        if let Some(rest) = line.strip_prefix("lamp ") {
            let (state, at) = rest.split_once(' ').unwrap();
            assert_eq!(state, if lamp.len() % 2 == 0 { "on" } else { "off" });
            lamp.push(at.parse::<u64>().unwrap());
        }
    }
    let lit = lamp[7] - lamp[0];
    // The lamp is looked at between measurements of 7 ms.
    assert!((670_000..=730_000).contains(&lit), "{lit}");
    bench.samples(0, 5);
    assert!(bench.said.try_recv().is_err(), "it stays dark");
}

#[test]
#[ignore = "needs avr-gcc, avr-libc and simavr's library"]
fn the_firmware_says_what_is_wrong() {
    let mut bench = Bench::start();
    let awaited = |bench: &Bench, channel: u8, bit: Status| {
        bench.await_some(|message| match message {
            Message::Sample(s) if s.channel == channel && s.status.has(bit) => Some(s),
            _ => None,
        })
    };
    let fault = |bench: &Bench| -> Fault {
        bench.await_some(|message| match message {
            Message::Fault(fault) => Some(fault),
            _ => None,
        })
    };
    // Beyond the range: the nearer end of it.
    bench.command("dist 950");
    assert_eq!(awaited(&bench, 1, Status::OVER_RANGE).value, 900_000);
    bench.command("incl -40");
    assert_eq!(awaited(&bench, 0, Status::OVER_RANGE).value, -30_000_000);
    // Wire off.
    bench.command("volts 0 0");
    assert_eq!(awaited(&bench, 0, Status::NO_SIGNAL).value, 0);
    let silent = fault(&bench);
    assert_eq!(silent.channel, 0);
    assert_eq!(silent.code, FaultCode::ELEMENT_SILENT);
    // Much shaking within one measuring time.
    bench.command("incl 0");
    bench.command("noise 60");
    awaited(&bench, 0, Status::NOT_SETTLED);
    // The converter at its end.
    bench.command("volts 1 5");
    awaited(&bench, 1, Status::SATURATED);

    // A damaged request changes nothing, is reported, and the next is understood.
    let mut damaged = frame(&set_rate(1, 0, 1_000));
    damaged[6] ^= 0x04;
    bench.line.write_all(&damaged).unwrap();
    let rejected = fault(&bench);
    assert_eq!(rejected.code, FaultCode::FRAME_REJECTED);
    assert_eq!(rejected.detail, u32::from(Reason::BadCheck.code()));
    bench.line.write_all(&[0x55; 300]).unwrap();
    bench.line.write_all(&[0]).unwrap();
    bench.send(Message::Who(Who { tag: 77 }));
    let identity = bench.await_some(|message| match message {
        Message::Identity(identity) => Some(identity),
        _ => None,
    });
    assert_eq!(identity.rate_millihertz, 10_000, "as before");
    assert_eq!(bench.answer(77), done(77, Kind::WHO, 2));
}
