//! A day at eight sensors on seven bad lines, in simulated time, through the pure
//! stages: drivers -> readings -> posture.
//!
//! Every sensor's truth is known at every moment; whatever a driver lets through,
//! a reading shows or the posture says is held against it. The van stands still,
//! and every ten minutes a load goes on or off it.

use crate::van::van;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use rand_distr::StandardNormal;
use std::collections::VecDeque;
use stillheight::drivers::{Driver, Heard, Source, driver_for, source_of};
use stillheight::posture::{PostureState, Prior, QuantityKey, estimate, predict};
use stillheight::quantity::{Moment, Point, Span};
use stillheight::readings::{Bench, Quality};
use stillheight::sheet::*;
use stillheight::statics::Model;
use stillheight_protocol as protocol;

/// What a line suffers, and the sensors on it.
pub const LINES: [(&str, &[usize]); 7] = [
    ("wire, nothing wrong", &[0]),
    ("sentences, bursts of noise", &[1]),
    ("wire, bursts of noise, wrong speed", &[2]),
    ("wire, repeated, reordered, lying length", &[3]),
    ("wire, babbling at full line rate", &[4]),
    ("frames, noise, strangers' sentences", &[5]),
    ("bus, slow answers, lying length", &[6, 7]),
];
const TICK_US: i64 = 100_000;
/// A load goes on or off so often.
const CHANGE_US: i64 = 600 * 1_000_000;
/// And the van takes so long to follow.
const RAMP_US: i64 = 2_000_000;
/// Bytes a second at 115 200 baud.
const LINE_RATE: i64 = 11_520;

/// What came of it.
#[derive(Debug, Default)]
pub struct Day {
    /// For each line: bytes, samples let through, frames refused, samples with a wrong value.
    pub lines: [Line; 7],
    /// Samples under a name that is no sensor's: damaged within the name. They are
    /// strangers to the readings; a sample of another sensor would be a wrong one.
    pub misplaced: u64,
    /// Looks at a live reading, and those where it was not the sensor's truth.
    pub looks: u64,
    /// Of these, readings that called themselves still.
    pub still: u64,
    /// Readings that were live and wrong.
    pub wrong_readings: u64,
    /// Of these, readings that called themselves still.
    pub wrong_still: u64,
    /// Postures worked out.
    pub postures: u64,
    /// Heights of them beyond 3 mm of the truth while the van stood still.
    pub wrong_postures: u64,
    /// Worst height of a posture while all was still, metres.
    pub worst_height_m: f64,
    /// Most strangers that were remembered.
    pub most_strangers: usize,
    /// Most that this process has held in memory, kB: after an hour, at the end.
    pub peak_kb: [u64; 2],
    /// The first wrong things, in words.
    pub said: Vec<String>,
}

/// One line of the table.
#[derive(Debug, Default, Clone, Copy)]
pub struct Line {
    /// Bytes that were fed.
    pub bytes: u64,
    /// Samples that the driver let through.
    pub samples: u64,
    /// Frames that it refused.
    pub refused: u64,
    /// Samples whose value was none that their sensor had sent.
    pub wrong: u64,
}

/// Most memory that this process ever held, kB, where the system says so.
pub fn peak_kb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok())
        .unwrap_or(0)
}

fn number(unit: &str, scale: f64) -> NumberOnLine {
    NumberOnLine {
        scale,
        unit: unit.into(),
    }
}

fn wire(device: u64) -> Protocol {
    Protocol::Wire { device, channel: 0 }
}

fn on_bus(register: u16) -> Protocol {
    Protocol::Modbus {
        address: 9,
        function: 4,
        register,
        form: "u32".into(),
        order: "abcd".into(),
        number: number("mm", 0.001),
        baud: 19_200,
        timeout_s: 0.2,
        period_s: 0.2,
    }
}

/// The van with eight sensors. Beams start at heights of their own and tilts have
/// zeros of their own, so that no two sensors could be taken for each other.
fn sensed() -> BuildSheet {
    let mut sheet = van();
    let tilt = |on| Measurand::Tilt {
        on,
        reversed: false,
    };
    let beam = |x: f64, y: f64, z: f64| Measurand::FrameToFloor {
        from: Point::from_mm(x, y, z),
    };
    let frames = Protocol::Frames {
        header: vec![0x5A, 0xA5],
        length: 8,
        check: "crc-16/modbus".into(),
        check_low_first: true,
        at: 2,
        bytes: 4,
        digits: "unsigned".into(),
        low_first: false,
        number: number("mm", 0.001),
        asking: Asking::default(),
    };
    let all = [
        (wire(0xA1), tilt(TiltOn::FrameRoll), 3.0),
        (
            Protocol::Xdr {
                transducer: "PTCH".into(),
            },
            tilt(TiltOn::FramePitch),
            -4.0,
        ),
        (wire(0xA2), tilt(TiltOn::Link(0)), 12.0),
        (wire(0xA3), beam(0.0, 400.0, -60.0), 0.0),
        (wire(0xA4), beam(0.0, -400.0, 40.0), 0.0),
        (frames, beam(2600.0, 400.0, 140.0), 0.0),
        (on_bus(100), beam(2600.0, -400.0, 240.0), 0.0),
        (on_bus(200), beam(1300.0, 0.0, 340.0), 0.0),
    ];
    for (i, (protocol, reads, zero_deg)) in all.into_iter().enumerate() {
        sheet.sensors.push(Sensor {
            name: format!("sensor {i}"),
            connection: Connection {
                port: None,
                baud: 115_200,
                protocol,
            },
            reads,
            zero: f64::to_radians(zero_deg),
            zero_uncertainty: 0.0,
            scale_uncertainty: 0.0,
            deadline_s: 2.0,
        });
    }
    sheet
}

/// The two places in which the van stands, and how far it is from one to the other.
struct Truth {
    ends: [PostureState; 2],
    /// Raw values at both.
    values: [[f64; 2]; 8],
}

impl Truth {
    fn new(sheet: &BuildSheet) -> (Self, Model) {
        let model = Model::new(sheet, &[]);
        let loaded = Model::new(sheet, &[0]);
        let ends = [&model, &loaded].map(|m| {
            let mut x = PostureState::zeros();
            let rest = m.equilibrium().unwrap();
            x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
            x
        });
        let mut values = [[0.0; 2]; 8];
        for (i, sensor) in sheet.sensors.iter().enumerate() {
            for (j, x) in ends.iter().enumerate() {
                values[i][j] = predict(&model, &sensor.reads, x).unwrap() + sensor.zero;
            }
        }
        (Self { ends, values }, model)
    }

    /// From 0 (empty) to 1 (loaded).
    fn share(us: i64) -> f64 {
        let loaded = (us / CHANGE_US) % 2 == 1;
        if us < CHANGE_US {
            return 0.0;
        }
        let way = ((us % CHANGE_US) as f64 / RAMP_US as f64).min(1.0);
        if loaded { way } else { 1.0 - way }
    }

    /// Still now, and for as long before as readings are averaged.
    fn stands(us: i64) -> bool {
        us < CHANGE_US || us % CHANGE_US > RAMP_US + 15_000_000
    }

    fn raw(&self, sensor: usize, us: i64) -> f64 {
        let [a, b] = self.values[sensor];
        a + (b - a) * Self::share(us)
    }
}

/// How far from the truth a sensor's own noise may take it, and how far a reading.
fn allowed(sensor: usize) -> f64 {
    if sensor < 3 {
        0.06_f64.to_radians()
    } else {
        0.6e-3
    }
}

/// Something that sends.
struct Sender {
    sequence: u32,
    boot_us: i64,
    held: VecDeque<Vec<u8>>,
    /// What the far end has heard of our questions.
    ear: protocol::Accumulator,
    answers: VecDeque<(i64, Vec<u8>)>,
    /// What the wrong speed does to it: where in a bit the receiver stands.
    slip: f64,
}

fn frame(message: &protocol::Message) -> Vec<u8> {
    let mut room = [0; protocol::MAX_FRAME];
    let length = protocol::encode(message, &mut room).unwrap();
    room[..length].to_vec()
}

/// A frame with a good check whose length is not that of its kind.
fn lying_frame(random: &mut SmallRng) -> Vec<u8> {
    let mut content = vec![protocol::VERSION, 0x02];
    content.extend((0..random.random_range(1..40)).map(|_| random.random_range(0..=255_u8)));
    let mut padded = content;
    padded.extend([0xff; 3]);
    let mut room = [0; 64];
    let stuffed = protocol::stuffing::stuff(&padded, &mut room).unwrap();
    let covered = stuffed - protocol::check::LENGTH;
    let spread = protocol::check::spread(protocol::check::crc(&room[..covered]));
    room[covered..stuffed].copy_from_slice(&spread);
    room[stuffed] = 0;
    // 21 bytes of body are what a sample has: that one would be no lie.
    room[..=stuffed].to_vec()
}

fn identity(device: u64, distance: bool) -> protocol::Identity {
    protocol::Identity {
        channel: 0,
        channels: 1,
        device,
        quantity: if distance {
            protocol::Quantity::DISTANCE
        } else {
            protocol::Quantity::INCLINATION
        },
        unit: if distance {
            protocol::Unit::MICROMETRE
        } else {
            protocol::Unit::MICRODEGREE
        },
        resolution: 0,
        range_min: if distance { 1_000 } else { -45_000_000 },
        range_max: if distance { 4_000_000 } else { 45_000_000 },
        firmware: protocol::Firmware {
            major: 1,
            minor: 0,
            patch: 0,
        },
        rate_millihertz: 10_000,
        fastest_millihertz: 0,
        abilities: protocol::Abilities(0),
    }
}

impl Sender {
    fn new() -> Self {
        Self {
            sequence: 0,
            boot_us: 0,
            held: VecDeque::new(),
            ear: protocol::Accumulator::new(),
            answers: VecDeque::new(),
            slip: 0.0,
        }
    }

    fn wire_sample(&mut self, value: f64, distance: bool, us: i64) -> Vec<u8> {
        self.sequence = self.sequence.wrapping_add(1);
        let steps = if distance {
            value * 1e6
        } else {
            value.to_degrees() * 1e6
        };
        frame(&protocol::Message::Sample(protocol::Sample {
            channel: 0,
            sequence: self.sequence,
            time_us: (us - self.boot_us).unsigned_abs(),
            #[allow(clippy::cast_possible_truncation, reason = "a few metres or degrees")]
            value: steps.round() as i32,
            status: protocol::Status::GOOD,
            temperature_centidegrees: Some(2_150),
        }))
    }

    /// Answers a question of the wire protocol.
    fn asked(&mut self, bytes: &[u8], us: i64, said: protocol::Identity) {
        let mut tags = Vec::new();
        self.ear.feed(bytes, |heard| {
            if let Ok(protocol::Message::Who(who)) = heard {
                tags.push(who.tag);
            }
        });
        for tag in tags {
            let mut out = frame(&protocol::Message::Identity(said));
            out.extend(frame(&protocol::Message::Done(protocol::Done {
                tag,
                request: protocol::Kind::WHO,
                taken: 1,
            })));
            self.answers.push_back((us + 5_000, out));
        }
    }
}

/// What a receiver makes of bytes that were sent `ratio` times as fast as it listens:
/// 8 data bits, no parity, one stop bit, each bit read in its middle.
pub fn wrong_speed(bytes: &[u8], ratio: f64, slip: &mut f64) -> Vec<u8> {
    let mut bits = vec![true; 2];
    for byte in bytes {
        bits.push(false);
        bits.extend((0..8).map(|i| byte >> i & 1 == 1));
        bits.push(true);
    }
    bits.extend([true; 12]);
    let at = |t: f64| {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a place in a short list"
        )]
        let i = t.max(0.0) as usize;
        bits.get(i).copied().unwrap_or(true)
    };
    let mut out = Vec::new();
    let mut t = *slip;
    let end = bits.len() as f64 - 11.0;
    while t < end {
        if at(t) {
            t += 0.05;
            continue;
        }
        let byte = (0..8).fold(0_u8, |byte, i| {
            byte | u8::from(at(t + (f64::from(i) + 1.5) * ratio)) << i
        });
        // With or without a good stop bit the byte is handed on, as adapters do.
        out.push(byte);
        t += 9.5 * ratio;
        while t < end && !at(t) {
            t += 0.05;
        }
    }
    *slip = (*slip + 0.37) % 1.0;
    out
}

/// Flips bits, drops bytes and puts others in, as a bad cable beside a welder.
fn noise(bytes: &mut Vec<u8>, random: &mut SmallRng) {
    for _ in 0..random.random_range(1..12) {
        if bytes.is_empty() {
            break;
        }
        let at = random.random_range(0..bytes.len());
        match random.random_range(0..4) {
            0 => {
                bytes.remove(at);
            }
            1 => bytes.insert(at, random.random()),
            2 => bytes[at] = random.random(),
            _ => bytes[at] ^= 1 << random.random_range(0..8),
        }
    }
}

fn sentence(body: &str) -> Vec<u8> {
    let check = body.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${body}*{check:02X}\r\n").into_bytes()
}

fn crc16(bytes: &[u8]) -> [u8; 2] {
    // CRC-16/MODBUS bit by bit. Source: Modbus over serial line V1.02, 6.2.2 (from memory).
    let crc = bytes.iter().fold(0xFFFF_u16, |mut crc, byte| {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                crc >> 1 ^ 0xA001
            } else {
                crc >> 1
            };
        }
        crc
    });
    crc.to_le_bytes()
}

/// Thousandths of a millimetre.
fn micro(value: f64) -> u32 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a metre or so"
    )]
    let steps = (value * 1e6).round() as u32;
    steps
}

/// The bus device's answer to a question, and how long it takes over it.
fn bus_answer(asked: &[u8], values: [f64; 2], random: &mut SmallRng) -> Option<(i64, Vec<u8>)> {
    let function = *asked.get(1)?;
    let mut out = if function == 8 {
        asked.get(..6)?.to_vec()
    } else {
        let register = u16::from_be_bytes([*asked.get(2)?, *asked.get(3)?]);
        let count = *asked.get(5)?;
        if count > 2 {
            vec![9, function | 0x80, 2]
        } else {
            let value = micro(values[usize::from(register == 200)]).to_be_bytes();
            let mut out = vec![9, function, 4];
            // Now and then it lies about its length: a good check, the wrong count.
            match random.random_range(0..50) {
                0 => {
                    out[2] = 2;
                    out.extend(&value[..2]);
                }
                1 => {
                    out[2] = 8;
                    out.extend(value);
                    out.extend([0; 4]);
                }
                // And once it says more than it sends.
                2 => {
                    out[2] = 200;
                    out.extend(value);
                }
                _ => out.extend(value),
            }
            out
        }
    };
    let check = crc16(&out);
    out.extend(check);
    // Mostly in time; one in eight up to a second late, when another question is open.
    let delay = if random.random_range(0..8) == 0 {
        random.random_range(150_000..1_200_000)
    } else {
        random.random_range(5_000..150_000)
    };
    Some((delay, out))
}

struct Port {
    driver: Box<dyn Driver>,
    sender: Sender,
}

/// Runs so many hours. `random` alone decides what happens.
#[allow(clippy::too_many_lines, reason = "one loop over one day")]
pub fn run(hours: f64, seed: u64, progress: bool) -> Day {
    let start = Moment::from_unix_us(1_764_000_000_000_000);
    let sheet = sensed();
    let (truth, model) = Truth::new(&sheet);
    let prior = Prior::new(&sheet, &model).unwrap();
    let ports_of: Vec<Option<usize>> = (0..8)
        .map(|s| LINES.iter().position(|(_, sensors)| sensors.contains(&s)))
        .collect();
    let mut bench = Bench::new(&sheet.sensors, &ports_of);
    let sources: Vec<Source> = sheet
        .sensors
        .iter()
        .map(|s| source_of(&s.connection.protocol))
        .collect();
    let mut ports: Vec<Port> = LINES
        .iter()
        .map(|(_, sensors)| {
            let protocols: Vec<&Protocol> = sensors
                .iter()
                .map(|&s| &sheet.sensors[s].connection.protocol)
                .collect();
            let mut driver = driver_for(&protocols).unwrap();
            driver.reopened(start);
            Port {
                driver,
                sender: Sender::new(),
            }
        })
        .collect();
    // A second listener on line 5: whoever makes up names on a line of sentences.
    let mut babbled = driver_for(&[&Protocol::Xdr {
        transducer: "NOBODY".into(),
    }])
    .unwrap();
    let mut random = SmallRng::seed_from_u64(seed);
    let mut day = Day::default();
    let mut heard: Vec<Heard> = Vec::new();
    let mut before: Option<PostureState> = None;
    #[allow(clippy::cast_possible_truncation, reason = "some days")]
    let ticks = (hours * 3600e6 / TICK_US as f64) as i64;
    for tick in 0..ticks {
        let us = tick * TICK_US;
        let minute = us / 60_000_000 % 60;
        for (line, port) in ports.iter_mut().enumerate() {
            // Within a tick: every 10 ms the driver may ask, and what is due arrives.
            for step in 0..10 {
                let us = us + step * 10_000;
                let at = start + Span::from_us(us);
                heard.clear();
                if let Some(asked) = port.driver.poll(at, &mut heard) {
                    match line {
                        6 => {
                            let values = [truth.raw(6, us), truth.raw(7, us)];
                            if let Some((delay, bytes)) = bus_answer(&asked, values, &mut random) {
                                port.sender.answers.push_back((us + delay, bytes));
                            }
                        }
                        0 | 2 | 3 | 4 => {
                            let device = 0xA1 + [0, 0, 1, 2, 3][line];
                            port.sender.asked(&asked, us, identity(device, line > 2));
                        }
                        _ => {}
                    }
                }
                let mut bytes = Vec::new();
                while port
                    .sender
                    .answers
                    .front()
                    .is_some_and(|(due, _)| *due <= us)
                {
                    bytes.extend(port.sender.answers.pop_front().unwrap_or_default().1);
                }
                if step == 0 && line != 6 {
                    let sensor = LINES[line].1[0];
                    let wobble: f64 = random.sample(StandardNormal);
                    let value =
                        truth.raw(sensor, us) + 0.1 * allowed(sensor) * wobble.clamp(-4.0, 4.0);
                    send(line, port, value, us, minute, &mut random, &mut bytes);
                } else if line == 4 && (20..35).contains(&minute) {
                    babble(&mut bytes, &mut random);
                }
                if bytes.is_empty() && heard.is_empty() {
                    continue;
                }
                day.lines[line].bytes += bytes.len() as u64;
                // In pieces of any size.
                let mut rest = bytes.as_slice();
                while !rest.is_empty() {
                    let (piece, after) = rest.split_at(random.random_range(1..=rest.len()));
                    port.driver.feed(piece, at, &mut heard);
                    rest = after;
                }
                for item in &heard {
                    if let Heard::Sample(sample) = item {
                        let tally = &mut day.lines[line];
                        tally.samples += 1;
                        let sensor = LINES[line].1.iter().find(|&&s| sources[s] == sample.source);
                        match sensor {
                            None => day.misplaced += 1,
                            Some(&s) => {
                                // Slow answers and held frames are a little old.
                                let late =
                                    [10_000, 10_000, 10_000, 900_000, 10_000, 10_000, 300_000]
                                        [line];
                                let near = (0..=12).any(|n| {
                                    let then = truth.raw(s, us - late * n / 12);
                                    (sample.value - then).abs() <= allowed(s)
                                });
                                if !near {
                                    tally.wrong += 1;
                                    if day.said.len() < 20 {
                                        day.said.push(format!(
                                            "line {line} at {:.1} s: {} for {}",
                                            us as f64 * 1e-6,
                                            sample.value,
                                            truth.raw(s, us)
                                        ));
                                    }
                                }
                            }
                        }
                    }
                    bench.hear(line, item);
                }
            }
        }
        let now = start + Span::from_us(us + TICK_US);
        // Whoever makes up a name with every sentence, at full line rate, on a line
        // that is listened to.
        if (40..45).contains(&minute) {
            heard.clear();
            for _ in 0..LINE_RATE / 10 / 32 {
                let name: u32 = random.random();
                let text = sentence(&format!("IIXDR,A,1.00,D,N{name:08X}"));
                babbled.feed(&text, now, &mut heard);
            }
            for item in &heard {
                bench.hear(7, item);
            }
        }
        let strangers = bench
            .notices(now)
            .iter()
            .filter(|n| n.code() == "readings.sensor.stranger")
            .count();
        day.most_strangers = day.most_strangers.max(strangers);
        look(&mut day, &bench, &truth, &sheet, us, now);
        if tick % 10 == 9 {
            posture(
                &mut day,
                &bench,
                &truth,
                &sheet,
                &model,
                &prior,
                &mut before,
                us,
                now,
            );
        }
        if tick == 36_000 {
            day.peak_kb[0] = peak_kb();
        }
        if progress && tick % 36_000 == 35_999 {
            eprintln!("{} hours", tick / 36_000 + 1);
        }
    }
    for (line, port) in ports.iter().enumerate() {
        day.lines[line].refused = port.driver.counts().rejected_total();
    }
    day.peak_kb[1] = peak_kb();
    if day.peak_kb[0] == 0 {
        day.peak_kb[0] = day.peak_kb[1];
    }
    day
}

/// What a line sends in this tick.
fn send(
    line: usize,
    port: &mut Port,
    value: f64,
    us: i64,
    minute: i64,
    random: &mut SmallRng,
    bytes: &mut Vec<u8>,
) {
    let noisy = minute % 10 == 3 || random.random_range(0..200) == 0;
    match line {
        0 => bytes.extend(port.sender.wire_sample(value, false, us)),
        1 => {
            let mut text = sentence(&format!("IIXDR,A,{:.3},D,PTCH", value.to_degrees()));
            if noisy {
                noise(&mut text, random);
            }
            bytes.extend(text);
        }
        2 => {
            let mut sent = port.sender.wire_sample(value, false, us);
            if (10..15).contains(&minute) {
                let ratio = [0.5, 2.0, 12.0, 0.083]
                    [usize::from(minute % 4 == 1) + usize::from(us % 7 == 0)];
                sent = wrong_speed(&sent, ratio, &mut port.sender.slip);
                *bytes = wrong_speed(bytes, ratio, &mut port.sender.slip);
            } else if noisy {
                noise(&mut sent, random);
            }
            bytes.extend(sent);
        }
        3 => {
            let sent = port.sender.wire_sample(value, true, us);
            if random.random_range(0..20) == 0 {
                bytes.extend(&sent);
            }
            port.sender.held.push_back(sent);
            // Up to three frames lie about in some buffer and come in any order.
            while port.sender.held.len() > 3 {
                let which = if random.random_range(0..10) == 0 {
                    random.random_range(0..3)
                } else {
                    0
                };
                bytes.extend(port.sender.held.remove(which).unwrap_or_default());
            }
            if random.random_range(0..10) == 0 {
                let lie = lying_frame(random);
                // The length of a whole sample would be no lie.
                if lie.len() != 2 + 21 + 2 + 3 {
                    bytes.extend(lie);
                }
            }
        }
        4 => {
            bytes.extend(port.sender.wire_sample(value, true, us));
            if (20..35).contains(&minute) {
                babble(bytes, random);
            }
        }
        _ => {
            let mut sent = vec![0x5A, 0xA5];
            sent.extend(micro(value).to_be_bytes());
            let check = crc16(&sent);
            sent.extend(check);
            if noisy {
                noise(&mut sent, random);
            }
            bytes.extend(sent);
        }
    }
}

/// A hundredth of a second of rubbish at full line rate.
fn babble(bytes: &mut Vec<u8>, random: &mut SmallRng) {
    let count = usize::try_from(LINE_RATE / 100).unwrap_or(0);
    let from = bytes.len();
    bytes.resize(from + count, 0);
    random.fill(&mut bytes[from..]);
    // The line was within something when it began, and a frame ends where zero is.
    bytes.push(0);
}

fn look(day: &mut Day, bench: &Bench, truth: &Truth, sheet: &BuildSheet, us: i64, now: Moment) {
    for reading in bench.readings(now) {
        if !reading.is_live() {
            continue;
        }
        day.looks += 1;
        let s = reading.sensor;
        let still = reading.quality == Quality::Good;
        day.still += u64::from(still);
        let raw = reading.value + sheet.sensors[s].zero;
        let wrong = if Truth::stands(us) {
            (raw - truth.raw(s, us)).abs() > allowed(s)
        } else {
            let [a, b] = truth.values[s];
            raw < a.min(b) - allowed(s) || raw > a.max(b) + allowed(s)
        };
        if wrong {
            day.wrong_readings += 1;
            day.wrong_still += u64::from(still);
            if day.said.len() < 20 {
                day.said.push(format!(
                    "{} at {:.1} s: {:?} {raw} for {}",
                    sheet.sensors[s].name,
                    us as f64 * 1e-6,
                    reading.quality,
                    truth.raw(s, us)
                ));
            }
        }
    }
}

#[allow(clippy::too_many_arguments, reason = "one look of the loop")]
fn posture(
    day: &mut Day,
    bench: &Bench,
    truth: &Truth,
    sheet: &BuildSheet,
    model: &Model,
    prior: &Prior,
    before: &mut Option<PostureState>,
    us: i64,
    now: Moment,
) {
    let observations: Vec<_> = bench
        .readings(now)
        .iter()
        .filter(|r| r.is_live() && r.value.is_finite())
        .map(|r| stillheight::posture::Observation {
            sensor: r.sensor,
            value: r.value,
            uncertainty: r.uncertainty().max(1e-4),
        })
        .collect();
    let found = estimate(sheet, model, prior, &observations, before.as_ref());
    *before = Some(found.state);
    day.postures += 1;
    if !Truth::stands(us) || observations.len() < 6 {
        return;
    }
    let x = &truth.ends[usize::from(Truth::share(us) > 0.5)];
    for i in 0..sheet.stations.len() {
        let key = QuantityKey::Height(i);
        let Some(said) = found.get(key) else { continue };
        let (due, _) = key.with_gradient(sheet, model, x);
        let off = (said.value - due).abs();
        day.worst_height_m = day.worst_height_m.max(off);
        if off > 3e-3 {
            day.wrong_postures += 1;
            if day.said.len() < 20 {
                day.said.push(format!(
                    "station {i} at {:.1} s: {} for {due}",
                    us as f64 * 1e-6,
                    said.value
                ));
            }
        }
    }
}
