//! Sensors on a desk: each on a pseudo-terminal of its own, with a hand on it.
//!
//! Out: frames of the wire protocol, or NMEA sentences, 20 a second. The hand
//! sets what is measured, pulls the plug and puts it in under another name.

use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags, fcntl_getfl, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use stillheight_protocol::{
    Abilities, Accumulator, Done, Firmware, Identity, Kind, MAX_FRAME, Message, Quantity, Sample,
    Status, Unit, encode,
};

/// What a desk sensor says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// Wire protocol, inclination; device id.
    Tilt(u64),
    /// Wire protocol, distance; device id.
    Distance(u64),
    /// NMEA sentence, angular displacement of this name.
    Sentence(&'static str),
    /// Text lines with a distance.
    Lines,
    /// Modbus RTU: this address, input register 2, thousandths of a degree.
    Registers(u8),
    /// What nobody understands.
    Rubbish,
    /// Nothing.
    Nothing,
}

struct State {
    says: Says,
    /// Millionths of a degree or of a metre.
    value: i32,
    temperature: i16,
    line: Option<(OwnedFd, OwnedFd)>,
    link: PathBuf,
    sequence: u32,
    blinks: u32,
    ended: bool,
}

/// A sensor with a hand on it.
pub struct Desk {
    state: Arc<Mutex<State>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

fn terminal() -> ((OwnedFd, OwnedFd), PathBuf) {
    let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    let name = ptsname(&near, Vec::new()).unwrap();
    let path = PathBuf::from(name.to_string_lossy().into_owned());
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
    let far = open(&path, flags, Mode::empty()).unwrap();
    let mut modes = tcgetattr(&far).unwrap();
    modes.make_raw();
    tcsetattr(&far, OptionalActions::Now, &modes).unwrap();
    let flags = fcntl_getfl(&near).unwrap();
    fcntl_setfl(&near, flags | OFlags::NONBLOCK).unwrap();
    rustix::io::fcntl_setfd(&near, rustix::io::FdFlags::CLOEXEC).unwrap();
    ((near, far), path)
}

impl Desk {
    /// A sensor whose port has this name in the folder.
    pub fn new(folder: &Path, name: &str, says: Says) -> Self {
        let state = State {
            says,
            value: 0,
            temperature: 2000,
            line: None,
            link: folder.join(name),
            sequence: 0,
            blinks: 0,
            ended: false,
        };
        let mut desk = Self {
            state: Arc::new(Mutex::new(state)),
            thread: None,
        };
        desk.plug(name);
        let shared = Arc::clone(&desk.state);
        desk.thread = Some(std::thread::spawn(move || run(&shared)));
        desk
    }

    /// The name of its port.
    pub fn port(&self) -> PathBuf {
        self.state.lock().unwrap().link.clone()
    }

    /// Sets what it measures: degrees or millimetres.
    pub fn set(&self, value: f64) {
        let mut state = self.state.lock().unwrap();
        let scale = match state.says {
            Says::Distance(_) | Says::Lines => 1e3,
            _ => 1e6,
        };
        #[allow(clippy::cast_possible_truncation, reason = "small numbers")]
        let value = (value * scale).round() as i32;
        state.value = value;
    }

    /// Sets its own temperature, degrees Celsius.
    pub fn warm(&self, celsius: i16) {
        self.state.lock().unwrap().temperature = celsius * 100;
    }

    /// How often it was asked to blink.
    pub fn blinks(&self) -> u32 {
        self.state.lock().unwrap().blinks
    }

    /// Pulls the plug: the line hangs up and its name is gone.
    pub fn unplug(&self) {
        let mut state = self.state.lock().unwrap();
        state.line = None;
        let _ = std::fs::remove_file(&state.link);
    }

    /// Puts it in, under this name in the same folder.
    pub fn plug(&self, name: &str) {
        let (line, path) = terminal();
        let mut state = self.state.lock().unwrap();
        state.link = state.link.with_file_name(name);
        let _ = std::fs::remove_file(&state.link);
        std::os::unix::fs::symlink(path, &state.link).unwrap();
        state.line = Some(line);
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.state.lock().unwrap().ended = true;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        self.unplug();
    }
}

fn run(shared: &Mutex<State>) {
    let began = Instant::now();
    let mut heard = Accumulator::new();
    let mut next = began;
    loop {
        std::thread::sleep(Duration::from_millis(5));
        let mut state = shared.lock().unwrap();
        if state.ended {
            return;
        }
        state.listen(&mut heard);
        if Instant::now() >= next {
            next += Duration::from_millis(50);
            state.speak(began);
        }
    }
}

impl State {
    fn write(&self, bytes: &[u8]) {
        if let Some((near, _)) = &self.line {
            // A full line loses the newest, as real ones do.
            let _ = rustix::io::write(near, bytes);
        }
    }

    fn send(&self, message: &Message) {
        let mut frame = [0; MAX_FRAME];
        let length = encode(message, &mut frame).unwrap();
        self.write(&frame[..length]);
    }

    /// The step that it shows: 0.001 degrees or 0.01 mm.
    const fn step(&self) -> i32 {
        match self.says {
            Says::Distance(_) | Says::Lines => 10,
            _ => 1000,
        }
    }

    fn identity(&self) -> Option<Message> {
        let (device, quantity, unit, range_min, range_max) = match self.says {
            Says::Tilt(id) => (
                id,
                Quantity::INCLINATION,
                Unit::MICRODEGREE,
                -90_000_000,
                90_000_000,
            ),
            Says::Distance(id) => (id, Quantity::DISTANCE, Unit::MICROMETRE, 20_000, 4_000_000),
            _ => return None,
        };
        Some(Message::Identity(Identity {
            channel: 0,
            channels: 1,
            device,
            quantity,
            unit,
            resolution: self.step().unsigned_abs(),
            range_min,
            range_max,
            firmware: Firmware {
                major: 1,
                minor: 2,
                patch: 3,
            },
            rate_millihertz: 20_000,
            fastest_millihertz: 20_000,
            abilities: Abilities(Abilities::BLINK.0 | Abilities::TEMPERATURE.0),
        }))
    }

    fn listen(&mut self, heard: &mut Accumulator) {
        let mut piece = [0; 256];
        let Some((near, _)) = &self.line else { return };
        let Ok(count) = rustix::io::read(near, &mut piece) else {
            return;
        };
        if let Says::Registers(address) = self.says {
            let answer = self.registers(address, &piece[..count]);
            return self.write(&answer);
        }
        let mut answers = Vec::new();
        let identity = self.identity();
        let blinks = &mut self.blinks;
        heard.feed(&piece[..count], |message| match message {
            Ok(Message::Who(who)) => {
                answers.extend(identity);
                answers.push(done(who.tag, Kind::WHO, 1));
            }
            Ok(Message::Blink(blink)) => {
                *blinks += 1;
                answers.push(done(blink.tag, Kind::BLINK, u32::from(blink.tenths)));
            }
            _ => {}
        });
        if identity.is_some() {
            for answer in answers {
                self.send(&answer);
            }
        }
    }

    fn speak(&mut self, began: Instant) {
        self.sequence = self.sequence.wrapping_add(1);
        // A little noise, always the same: a step up, none, a step down, none.
        let noise = [1, 0, -1, 0][self.sequence as usize % 4] * self.step();
        let value = self.value + noise;
        match self.says {
            Says::Tilt(_) | Says::Distance(_) => self.send(&Message::Sample(Sample {
                channel: 0,
                sequence: self.sequence,
                time_us: u64::try_from(began.elapsed().as_micros()).unwrap(),
                value,
                status: Status::GOOD,
                temperature_centidegrees: Some(self.temperature),
            })),
            Says::Sentence(name) => {
                let body = format!("IIXDR,A,{:.3},D,{name}", f64::from(value) * 1e-6);
                let check = body.bytes().fold(0, |sum, byte| sum ^ byte);
                self.write(format!("${body}*{check:02X}\r\n").as_bytes());
            }
            Says::Lines => {
                let mm = f64::from(value) * 1e-3;
                self.write(format!("D: {mm:.2} mm, q={}\r\n", self.sequence % 7).as_bytes());
            }
            Says::Rubbish => self.write(&[0x81, 0xfe, 0x93, 0x07, 0xe0, 0x9c, 0x11, 0xf3]),
            Says::Registers(_) | Says::Nothing => {}
        }
    }
}

impl State {
    /// The answer to a read of input register 2; other requests get an
    /// exception, as a device that knows nothing else gives.
    fn registers(&self, address: u8, request: &[u8]) -> Vec<u8> {
        let Some((body, _)) = request.split_at_checked(request.len().saturating_sub(2)) else {
            return Vec::new();
        };
        if request.len() < 8 || body[0] != address {
            return Vec::new();
        }
        #[allow(clippy::cast_possible_truncation, reason = "a small angle")]
        let value = (self.value / 1000) as i16;
        let mut answer = if body[1..6] == [4, 0, 2, 0, 1] {
            let [high, low] = value.to_be_bytes();
            vec![address, 4, 2, high, low]
        } else {
            vec![address, body[1] | 0x80, 1]
        };
        answer.extend(crc(&answer).to_le_bytes());
        answer
    }
}

/// CRC-16/MODBUS. Source: Modbus over serial line V1.02, 6.2.2 (from memory);
/// checked against the catalogue's check value in the drivers' own tests.
fn crc(bytes: &[u8]) -> u16 {
    let mut crc = 0xFFFF_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                crc >> 1 ^ 0xA001
            } else {
                crc >> 1
            };
        }
    }
    crc
}

fn done(tag: u8, request: Kind, taken: u32) -> Message {
    Message::Done(Done {
        tag,
        request,
        taken,
    })
}
