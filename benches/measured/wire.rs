//! Bytes of the wire protocol into checked messages, against the plainest loop that the
//! `cobs` and `crc` crates make, and against copying the bytes.

use super::{Asked, clock, table};
use std::hint::black_box;
use stillheight_protocol::{
    Abilities, Accumulator, Firmware, Identity, Kind, MAX_FRAME, Message, Quantity, Sample, Status,
    Unit, encode,
};

/// How a port hands bytes over at most.
const PIECE: usize = 4096;

/// About so many bytes of frames: samples, and an identity among every thousand.
pub fn stream(bytes: usize) -> Vec<u8> {
    let mut all = Vec::with_capacity(bytes + MAX_FRAME);
    let mut frame = [0; MAX_FRAME];
    let mut n = 0_u32;
    while all.len() < bytes {
        let message = if n.is_multiple_of(1000) {
            identity(u64::from(n % 16) + 1)
        } else {
            sample(n, 120_000 + (n as i32).wrapping_mul(7919) % 3000)
        };
        let length = encode(&message, &mut frame).unwrap();
        all.extend_from_slice(&frame[..length]);
        n += 1;
    }
    all
}

/// The identity of an inclinometer.
pub fn identity(device: u64) -> Message {
    Message::Identity(Identity {
        channel: 0,
        channels: 1,
        device,
        quantity: Quantity::INCLINATION,
        unit: Unit::MICRODEGREE,
        resolution: 1000,
        range_min: -90_000_000,
        range_max: 90_000_000,
        firmware: Firmware {
            major: 1,
            minor: 0,
            patch: 7,
        },
        rate_millihertz: 200_000,
        fastest_millihertz: 200_000,
        abilities: Abilities(0),
    })
}

/// A sample.
pub fn sample(n: u32, value: i32) -> Message {
    Message::Sample(Sample {
        channel: 0,
        sequence: n,
        time_us: u64::from(n) * 5000,
        value,
        status: Status(0),
        temperature_centidegrees: Some(2150),
    })
}

/// What both sides add up, so that nothing is left out.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Sum {
    samples: u64,
    others: u64,
    values: i64,
    bad: u64,
}

impl Sum {
    fn take(&mut self, message: &Message) {
        match message {
            Message::Sample(s) => {
                self.samples += 1;
                self.values += i64::from(s.value) + i64::from(s.sequence);
            }
            _ => self.others += 1,
        }
    }
}

/// Ours.
pub fn ours(bytes: &[u8]) -> Sum {
    let mut sum = Sum::default();
    let mut accumulator = Accumulator::new();
    for piece in bytes.chunks(PIECE) {
        accumulator.feed(piece, |heard| match heard {
            Ok(message) => sum.take(&message),
            Err(_) => sum.bad += 1,
        });
    }
    sum
}

static PLAIN: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);

fn plain_frame(frame: &[u8]) -> Option<Message> {
    let (covered, check) = frame.split_last_chunk::<3>()?;
    let crc = PLAIN.checksum(covered);
    let [high, low] = crc.to_be_bytes();
    if *check
        != [
            0x80 | high >> 6,
            0x80 | (high << 1 & 0x7e) | low >> 7,
            0x80 | low,
        ]
    {
        return None;
    }
    let mut content = [0; MAX_FRAME];
    let length = cobs::decode(frame, &mut content).ok()?.frame_size();
    let content = content.get(..length.checked_sub(3)?)?;
    let number = |at: usize, n: usize| -> Option<u64> {
        let mut bytes = [0; 8];
        bytes[..n].copy_from_slice(content.get(at..at + n)?);
        Some(u64::from_le_bytes(bytes))
    };
    if content.first() != Some(&1) {
        return None;
    }
    // The sum asks for the samples' fields alone.
    if *content.get(1)? != Kind::SAMPLE.0 {
        return Some(identity(number(4, 8)?));
    }
    if content.len() != 23 {
        return None;
    }
    Some(Message::Sample(Sample {
        channel: content[2],
        sequence: number(3, 4)? as u32,
        time_us: number(7, 8)?,
        value: number(15, 4)? as u32 as i32,
        status: Status(number(19, 2)? as u16),
        temperature_centidegrees: Some(number(21, 2)? as i16),
    }))
}

/// The plainest loop: gathers bytes until a zero, checks, unstuffs, reads.
fn plain(bytes: &[u8]) -> Sum {
    let mut sum = Sum::default();
    let mut held: Vec<u8> = Vec::new();
    for piece in bytes.chunks(PIECE) {
        for &byte in piece {
            if byte != 0 {
                held.push(byte);
                continue;
            }
            match plain_frame(&held) {
                Some(message) => sum.take(&message),
                None => sum.bad += 1,
            }
            held.clear();
        }
    }
    sum
}

pub fn row(_: &Asked) {
    let bytes = stream(4_000_000);
    let sum = ours(&bytes);
    assert_eq!(sum, plain(&bytes));
    assert_eq!(sum.bad, 0);
    let mut to = vec![0; bytes.len()];
    let [a, b, c] = clock::side_by_side([
        &mut || {
            black_box(ours(black_box(&bytes)));
        },
        &mut || {
            black_box(plain(black_box(&bytes)));
        },
        &mut || {
            for (to, from) in to.chunks_mut(PIECE).zip(bytes.chunks(PIECE)) {
                to.copy_from_slice(black_box(from));
            }
            black_box(&to);
        },
    ]);
    let speed = |s: f64| bytes.len() as f64 / s / 1e6;
    let figures = format!(
        "{:.0} MB/s ({:.0} ns a frame); plain loop {:.0} MB/s = {:.1}x; memcpy {:.0} MB/s",
        speed(a),
        a / (sum.samples + sum.others) as f64 * 1e9,
        speed(b),
        b / a,
        speed(c),
    );
    let met = b / a >= 1.0 && speed(a) >= 400.0;
    table::row(
        "wire frames: bytes to checked messages",
        &figures,
        "1x, 400 MB/s",
        met,
    );
}
