//! How often a damaged frame is taken for a good one: many manners of damage, counted,
//! and held against what the theory of the check says.
//!
//! In: a seed and how many corruptions of each manner. Out: for each manner how many were
//! done, how often the check fitted all the same, how often a message came out that
//! nobody had sent, and what theory expects of the check. The example `wire_errors` prints
//! the table for as many as one likes; the test here does a small number of a fixed seed.

use stillheight_protocol::{
    Abilities, Accumulator, Done, Fault, FaultCode, Firmware, Identity, Kind, MAX_FRAME, Message,
    Quantity, Reason, Sample, Status, Unit, encode,
};

/// Random numbers: a counter whose steps are mixed.
/// Source: Steele, Lea and Flood, Fast splittable pseudorandom number generators (2014);
/// constants from memory.
#[derive(Debug)]
pub struct Random(pub u64);

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    reason = "only some bits of a random number are wanted"
)]
impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 to `end` - 1; the unevenness is below one in a hundred million.
    fn below(&mut self, end: usize) -> usize {
        (((self.next() >> 32) * end as u64) >> 32) as usize
    }

    fn byte(&mut self) -> u8 {
        (self.next() >> 56) as u8
    }

    fn nonzero(&mut self) -> u8 {
        loop {
            let byte = self.byte();
            if byte != 0 {
                return byte;
            }
        }
    }

    /// A message as sensors send them: mostly samples.
    fn message(&mut self) -> Message {
        let (a, b, kind) = (self.next(), self.next(), self.below(16));
        match kind {
            0 => Message::Identity(Identity {
                channel: 0,
                channels: 1 + (a % 200) as u8,
                device: b | 1 << 40,
                quantity: Quantity::INCLINATION,
                unit: Unit::MICRODEGREE,
                resolution: a as u32 % 10_000,
                range_min: -((a >> 8) as i32 & 0x3ff_ffff),
                range_max: (b >> 8) as i32 & 0x3ff_ffff,
                firmware: Firmware {
                    major: 1,
                    minor: b as u8,
                    patch: a as u16,
                },
                rate_millihertz: 10_000,
                fastest_millihertz: 50_000,
                abilities: Abilities(7),
            }),
            1 => Message::Fault(Fault {
                channel: 255,
                code: FaultCode(1 + (a % 9) as u16),
                detail: b as u32,
                time_us: a >> 20,
            }),
            2 => Message::Done(Done {
                tag: a as u8,
                request: Kind::SET_RATE,
                taken: b as u32 % 100_000,
            }),
            _ => Message::Sample(Sample {
                channel: (a % 4) as u8,
                sequence: (a >> 8) as u32 & 0xf_ffff,
                time_us: b >> 26,
                value: (a >> 30) as i32 % 30_000_000,
                status: Status(0),
                temperature_centidegrees: Some(((b >> 8) % 5000) as i16),
            }),
        }
    }
}

/// A way in which bytes are damaged on the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// So many single wrong bits anywhere in front of the ending zero.
    Bits(usize),
    /// A burst of so many bits from the first wrong one to the last, both included, in
    /// the part that the check covers or in the check.
    Burst(usize),
    /// A burst of a random length between the two, in the part that the check covers.
    LongBurst(usize, usize),
    /// Every covered byte replaced by a random one without a zero; the check stays.
    CoveredRandom,
    /// Every byte replaced by a random one without a zero, the check too.
    AllRandom,
    /// So many random places overwritten by random bytes, zeros too.
    Bytes(usize),
    /// Two neighbouring bytes that are not the same change places.
    Swapped,
    /// One byte lost.
    Lost,
    /// One random byte too many.
    Inserted,
    /// The rest of the frame shifted by one bit, as after a slip of the clock.
    Slipped,
    /// The head of the frame with the tail of another.
    Joined,
}

/// The manners of the table.
pub const MANNERS: &[Manner] = &[
    Manner::Bits(1),
    Manner::Bits(2),
    Manner::Bits(3),
    Manner::Bits(4),
    Manner::Bits(5),
    Manner::Bits(6),
    Manner::Bits(8),
    Manner::Burst(8),
    Manner::Burst(12),
    Manner::Burst(16),
    Manner::Burst(17),
    Manner::Burst(18),
    Manner::LongBurst(19, 64),
    Manner::CoveredRandom,
    Manner::AllRandom,
    Manner::Bytes(1),
    Manner::Bytes(2),
    Manner::Bytes(4),
    Manner::Swapped,
    Manner::Lost,
    Manner::Inserted,
    Manner::Slipped,
    Manner::Joined,
];

/// Bits of the check bytes that are always the same: six in the first, one in each other.
const FIXED_BITS: usize = 8;

impl Manner {
    /// In words.
    pub fn words(self) -> String {
        match self {
            Self::Bits(1) => "1 wrong bit".to_owned(),
            Self::Bits(n) => format!("{n} wrong bits"),
            Self::Burst(n) => format!("burst of {n} bits"),
            Self::LongBurst(a, b) => format!("burst of {a} to {b} bits"),
            Self::CoveredRandom => "all but the check random".to_owned(),
            Self::AllRandom => "all random".to_owned(),
            Self::Bytes(1) => "1 random byte".to_owned(),
            Self::Bytes(n) => format!("{n} random bytes"),
            Self::Swapped => "two neighbours swapped".to_owned(),
            Self::Lost => "one byte lost".to_owned(),
            Self::Inserted => "one byte inserted".to_owned(),
            Self::Slipped => "shifted by a bit".to_owned(),
            Self::Joined => "head and tail of two frames".to_owned(),
        }
    }

    /// The share of corruptions, of those that make no zero, for which theory expects
    /// the check to fit all the same; nothing where no theory gives a number.
    ///
    /// # Method
    /// Source: W. W. Peterson and D. T. Brown, Cyclic codes for error detection, Proc. IRE
    /// 49 (1961), theorems 2 to 6: a code of r check bits sees every burst of at most r
    /// bits, all but 2^-(r-1) of those of r + 1 bits, all but 2^-r of longer ones, and
    /// where (x + 1) divides the polynomial every odd number of wrong bits. It divides
    /// 0x1021 (an even number of terms). Source of the distance: P. Koopman and T.
    /// Chakravarty, Cyclic redundancy code polynomial selection for embedded networks
    /// (DSN 2004): 0x1021 has distance 4 up to 32 751 bits, so three wrong bits are always
    /// seen; both from memory. Patterns of four wrong bits that fit are counted one by one
    /// (see `fours`); of six and eight, one in 2^15 fits, as of all patterns of an even
    /// number. Eight bits of the check never change: a wrong one there is always seen.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a number of bits is a small whole number"
    )]
    pub fn theory(self, bits: f64) -> Option<f64> {
        match self {
            Self::Bits(n) if n <= 3 || n % 2 == 1 => Some(0.0),
            Self::Bits(4) => {
                let all: f64 = (0..4_u8)
                    .map(|i| (bits - f64::from(i)) / f64::from(4 - i))
                    .product();
                Some(fours(bits as usize - FIXED_BITS) / all)
            }
            Self::Bits(n) => {
                let misses_fixed: f64 = (0..n)
                    .map(|i| (bits - (FIXED_BITS + i) as f64) / (bits - i as f64))
                    .product();
                Some(misses_fixed * 2_f64.powi(-15))
            }
            Self::Burst(n) if n <= 16 => Some(0.0),
            Self::Burst(17) => Some(2_f64.powi(-15)),
            Self::Burst(_) | Self::LongBurst(..) | Self::CoveredRandom => Some(2_f64.powi(-16)),
            // All 24 bits of the check must be met.
            Self::AllRandom => Some(2_f64.powi(-24)),
            Self::Bytes(n) if n <= 1 => Some(0.0),
            Self::Swapped => Some(0.0),
            Self::Bytes(_) | Self::Lost | Self::Inserted | Self::Slipped | Self::Joined => None,
        }
    }

    /// Damages a frame without its ending zero.
    fn damage(self, frame: &mut Line, other: &[u8], random: &mut Random) {
        let covered = frame.length - 3;
        match self {
            Self::Bits(n) => {
                let bits = frame.length * 8;
                let mut places = [usize::MAX; 8];
                for i in 0..n {
                    let place = loop {
                        let place = random.below(bits);
                        if !places[..i].contains(&place) {
                            break place;
                        }
                    };
                    places[i] = place;
                    frame.flip(place);
                }
            }
            // Up to the width of the check anywhere; longer ones where the check's own
            // fixed bits are not in the way.
            Self::Burst(n) => {
                let room = if n <= 16 { frame.length } else { covered };
                frame.burst(random.below(room * 8 - n + 1), n, random);
            }
            Self::LongBurst(a, b) => {
                let n = a + random.below(b.min(covered * 8) - a + 1);
                frame.burst(random.below(covered * 8 - n + 1), n, random);
            }
            Self::CoveredRandom => frame.bytes[..covered].fill_with(|| random.nonzero()),
            Self::AllRandom => frame.bytes[..frame.length].fill_with(|| random.nonzero()),
            Self::Bytes(n) => {
                for _ in 0..n {
                    frame.bytes[random.below(frame.length)] = random.byte();
                }
            }
            Self::Swapped => {
                let place = random.below(frame.length - 1);
                frame.bytes.swap(place, place + 1);
            }
            Self::Lost => {
                let place = random.below(frame.length);
                frame.bytes.copy_within(place + 1..frame.length, place);
                frame.length -= 1;
            }
            Self::Inserted => {
                let place = random.below(frame.length + 1);
                frame.bytes.copy_within(place..frame.length, place + 1);
                frame.bytes[place] = random.byte();
                frame.length += 1;
            }
            Self::Slipped => {
                let from = random.below(frame.length);
                let mut carried = u8::from(random.byte() & 1 == 1);
                for byte in &mut frame.bytes[from..frame.length] {
                    (*byte, carried) = (*byte >> 1 | carried << 7, *byte & 1);
                }
            }
            Self::Joined => {
                let head = 1 + random.below(frame.length - 1);
                let tail = 1 + random.below(other.len().min(MAX_FRAME + 20 - head) - 1);
                let tail = &other[other.len() - tail..];
                frame.bytes[head..head + tail.len()].copy_from_slice(tail);
                frame.length = head + tail.len();
            }
        }
    }
}

/// A frame on the line, with room for more.
#[derive(Clone, Copy)]
struct Line {
    bytes: [u8; 96],
    length: usize,
}

impl Line {
    fn of(message: &Message) -> Self {
        let mut bytes = [0; 96];
        let length = encode(message, &mut bytes).expect("a message that can be sent") - 1;
        Self { bytes, length }
    }

    fn sent(&self) -> &[u8] {
        &self.bytes[..self.length]
    }

    /// Bits are counted from the top of each byte, as the check has them.
    fn flip(&mut self, bit: usize) {
        self.bytes[bit / 8] ^= 0x80 >> (bit % 8);
    }

    fn burst(&mut self, start: usize, length: usize, random: &mut Random) {
        self.flip(start);
        if length > 1 {
            self.flip(start + length - 1);
        }
        let mut pattern = random.next();
        for bit in 1..length.saturating_sub(1) {
            if pattern & 1 == 1 {
                self.flip(start + bit);
            }
            pattern >>= 1;
        }
    }
}

/// How many patterns of four wrong bits a CRC with 0x1021 does not see among so many bits,
/// its own 16 among them.
///
/// # Method
/// A pattern is not seen where the remainders of its bits, `x^i mod g`, cancel. So pairs
/// of bits are counted by their common remainder: two pairs of one remainder are a
/// pattern, and each pattern comes in three ways as two pairs.
fn fours(bits: usize) -> f64 {
    let mut remainders = Vec::with_capacity(bits);
    let mut remainder: u16 = 1;
    for _ in 0..bits {
        remainders.push(remainder);
        let over = remainder & 0x8000 != 0;
        remainder = (remainder << 1) ^ if over { 0x1021 } else { 0 };
    }
    let mut pairs = vec![0_u32; 1 << 16];
    for (i, a) in remainders.iter().enumerate() {
        for b in &remainders[..i] {
            pairs[usize::from(a ^ b)] += 1;
        }
    }
    let twice: f64 = pairs
        .iter()
        .map(|n| f64::from(*n) * (f64::from(*n) - 1.0) / 2.0)
        .sum();
    twice / 3.0
}

/// What was counted for one manner.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Count {
    /// Frames really changed.
    pub corrupted: u64,
    /// Of these, without a zero byte made within: what theory speaks of.
    pub whole: u64,
    /// Of the whole ones, those whose check fitted.
    pub fits: u64,
    /// What theory expects of `fits`, where it says something.
    pub expected: Option<f64>,
    /// Pieces of frames with zeros made within whose check fitted.
    pub fits_in_pieces: u64,
    /// Messages that came out and that nobody had sent, from either.
    pub wrong_messages: u64,
}

/// Corrupts so many frames in one manner.
pub fn count(manner: Manner, times: u64, seed: u64) -> Count {
    let mut random = Random(seed);
    let mut total = Count::default();
    let mut expected = 0.0;
    let mut shares = std::collections::BTreeMap::new();
    let mut meant = random.message();
    let mut good = Line::of(&meant);
    let mut other = good;
    for turn in 0..times {
        // Some damages to each frame, for speed.
        if turn % 8 == 0 {
            other = good;
            meant = random.message();
            good = Line::of(&meant);
        }
        let mut line = good;
        manner.damage(&mut line, other.sent(), &mut random);
        if line.sent() == good.sent() || line.sent() == other.sent() {
            continue;
        }
        total.corrupted += 1;
        let whole = !line.sent().contains(&0);
        if whole {
            total.whole += 1;
            expected += *shares
                .entry(good.length)
                .or_insert_with(|| manner.theory(good.length as f64 * 8.0).unwrap_or(0.0));
        }
        let mut fits = 0;
        let mut wrong = 0;
        line.bytes[line.length] = 0;
        Accumulator::new().feed(&line.bytes[..=line.length], |heard| match heard {
            // A zero more at the end of a good frame does no harm.
            Ok(message) if message == meant => {}
            Ok(_) => {
                fits += 1;
                wrong += 1;
            }
            Err(rejection) => {
                let by_length_or_check = matches!(
                    rejection.why,
                    Reason::TooLong | Reason::TooShort | Reason::BadCheck
                );
                fits += u64::from(!by_length_or_check);
            }
        });
        if whole {
            total.fits += fits;
        } else {
            total.fits_in_pieces += fits;
        }
        total.wrong_messages += wrong;
    }
    total.expected = manner.theory(28.0 * 8.0).map(|_| expected);
    total
}

/// Fixed seed, so that the answer is the same on every machine.
#[cfg(test)]
#[test]
fn what_is_certain_is_certain_and_the_rest_is_as_rare_as_theory_says() {
    for (i, manner) in MANNERS.iter().enumerate() {
        let seed = 1000 + i as u64;
        let counted = count(*manner, 60_000, seed);
        let words = manner.words();
        assert!(counted.corrupted > 40_000, "{words}: {counted:?}");
        match counted.expected {
            Some(0.0) => assert_eq!(counted.fits, 0, "{words}: {counted:?}"),
            Some(expected) => {
                // Far beyond what chance does to a count of this size.
                let most = expected + 5.0 * expected.sqrt() + 3.0;
                assert!((counted.fits as f64) < most, "{words}: {counted:?}");
            }
            None => assert!(counted.fits < 12, "{words}: {counted:?}"),
        }
        assert!(counted.wrong_messages <= 4, "{words}: {counted:?}");
    }
}

/// The counting counts: damage that keeps the check right is found.
#[cfg(test)]
#[test]
fn a_frame_that_fits_by_making_is_counted() {
    // The polynomial itself as an error pattern, 17 bits, is what no check can see.
    let message = Random(5).message();
    let mut line = Line::of(&message);
    for (bit, one) in format!("{:017b}", 0x1_1021).bytes().enumerate() {
        if one == b'1' {
            line.flip(24 + bit);
        }
    }
    line.bytes[line.length] = 0;
    let mut rejected_by_check = false;
    Accumulator::new().feed(&line.bytes[..=line.length], |heard| {
        rejected_by_check |= heard.is_err_and(|r| r.why == Reason::BadCheck);
    });
    assert!(!line.sent().contains(&0), "else this shows nothing");
    assert!(!rejected_by_check);
}
