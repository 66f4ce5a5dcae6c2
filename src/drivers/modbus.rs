//! Modbus RTU, as the one that asks: functions 03 and 04.
//!
//! In: which registers hold what ([`RegisterValue`]), and the bytes of the
//! bus. Out: requests to be sent ([`Driver::poll`]) and samples. Refused:
//! replies whose check, address, function or length is not that of the
//! request that waits; exceptions, in words; numbers that are none.
//!
//! # A late reply is never taken for the next one's
//!
//! A reply carries nothing that says to which request it belongs. So after a
//! request that was not answered in time, nothing is asked for a whole
//! time-out while all that arrives is thrown away, and then the device must
//! pass a *barrier*: a request whose answer no read of a value can be mistaken
//! for. It is function 08, "return query data", with a number of its own, and
//! in turn with it, for devices that are silent to what they do not know, a
//! read of three registers, where values take one or two. A device answers in
//! order: once a barrier is answered, also by an exception, nothing older can
//! be under way, and reading goes on. A device that does not answer is tried
//! again after longer and longer rests.
//!
//! Frames are told by length and check, not by silence: behind a USB bridge
//! there is none. Several devices on one bus take turns, the one that has
//! waited longest first, so that a dead one cannot starve the others.

use super::checksum::{Check, Crc};
use super::number::sensible;
use super::unit::ValueUnit;
use super::{Counts, DeviceFault, Driver, Heard, Rejected, Sample, Source, Why};
use crate::quantity::{Moment, Span};
use smol_str::SmolStr;

/// The check of a frame.
const CHECK: Check = Check::Crc {
    crc: Crc::MODBUS,
    low_first: true,
};
/// The longest frame on a serial line (address, 253 bytes, check).
/// Source: Modbus application protocol V1.1b3, as the limits of libmodbus.
const LONGEST: usize = 256;
/// "Return query data", the sub-function 0 of diagnostics.
const DIAGNOSTICS: u8 = 0x08;
/// A read of so many is a barrier: no value has as many.
const BARRIER_REGISTERS: u8 = 3;
/// A device that fails waits no longer than this for its next turn.
const LONGEST_REST: Span = Span::from_us(8_000_000);

/// Which of the two functions reads it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Function {
    /// 03: holding registers.
    Holding,
    /// 04: input registers.
    Input,
}

impl Function {
    const fn code(self) -> u8 {
        match self {
            Self::Holding => 3,
            Self::Input => 4,
        }
    }
}

/// How a number lies in its registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NumberForm {
    /// One register, without sign.
    U16,
    /// One register, two's complement.
    I16,
    /// Two registers, without sign.
    U32,
    /// Two registers, two's complement.
    I32,
    /// Two registers, IEEE 754.
    F32,
}

impl NumberForm {
    const fn registers(self) -> u8 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
        }
    }
}

/// In which order the four bytes A (highest) to D of a number in two registers
/// are sent. Of a number in one register, the second letter pair does not
/// matter: `BADC` and `DCBA` swap its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WordOrder {
    /// As the standard has registers, the high one first.
    #[default]
    Abcd,
    /// The low register first.
    Cdab,
    /// The high register first, bytes swapped.
    Badc,
    /// All swapped.
    Dcba,
}

/// One value of a device on the bus.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterValue {
    /// Name, the source of its samples.
    pub name: SmolStr,
    /// Address of the device, 1 to 247.
    pub address: u8,
    /// Which function reads it.
    pub function: Function,
    /// Its first register, counted from 0 as on the line.
    pub register: u16,
    /// How the number lies there.
    pub form: NumberForm,
    /// In which order its bytes are sent.
    pub order: WordOrder,
    /// What one step is worth, in the unit.
    pub scale: f64,
    /// The unit.
    pub unit: ValueUnit,
}

/// A bus and what is read on it.
#[derive(Debug, Clone, PartialEq)]
pub struct BusSettings {
    /// Line speed in bits a second.
    pub baud: u32,
    /// How long an answer may take: the device, the line, and 16 ms of a USB
    /// bridge.
    pub timeout: Span,
    /// How often each value is asked for at best.
    pub period: Span,
    /// The values.
    pub values: Vec<RegisterValue>,
}

/// The pause that must be between two frames: 3.5 characters of 11 bits, fixed
/// at 1750 microseconds above 19 200 baud, and never less than 2 milliseconds,
/// because no computer is more punctual than that.
///
/// Source: Modbus over serial line V1.02, 2.5.1.1, as quoted on public pages.
pub fn pause(baud: u32) -> Span {
    Span::from_us(silence_us(baud).max(2000))
}

/// The silence that ends a frame by the standard, in microseconds, rounded up.
fn silence_us(baud: u32) -> i64 {
    if baud == 0 || baud > 19_200 {
        return 1750;
    }
    // 3.5 * 11 bits.
    let half_bits: u64 = 77;
    i64::try_from((half_bits * 1_000_000).div_ceil(2 * u64::from(baud))).unwrap_or(i64::MAX)
}

/// The driver.
#[derive(Debug)]
pub struct Modbus {
    settings: BusSettings,
    slots: Vec<Slot>,
    state: State,
    received: Vec<u8>,
    /// Bytes that came while none were waited for.
    thrown: usize,
    /// When the line was last busy, either way.
    busy: Option<Moment>,
    nonce: u16,
    /// The line carries both directions: we hear ourselves.
    echoes: bool,
    counts: Counts,
}

/// A value and when it is due.
#[derive(Debug, Clone, Copy, Default)]
struct Slot {
    due: Option<Moment>,
    failures: u32,
    /// Its device must pass a barrier first.
    barrier: bool,
}

/// What is going on.
#[derive(Debug, Clone)]
enum State {
    Idle,
    Waiting {
        slot: usize,
        sent: Vec<u8>,
        until: Moment,
        barrier: bool,
        /// Our own bytes have come back already.
        echoed: bool,
    },
    /// Throws away what arrives.
    Draining {
        until: Moment,
    },
}

/// What a buffer holds.
enum Found {
    /// The answer, with where it ends.
    Answer { data: Vec<u8>, end: usize },
    /// An exception of the device that was asked.
    Exception { code: u8, end: usize },
    /// A whole frame that answers something else; it is to be skipped.
    Stray { start: usize, end: usize },
    /// Nothing yet.
    Nothing,
}

impl Modbus {
    /// A driver that has asked nothing yet.
    pub fn new(settings: BusSettings) -> Self {
        Self {
            slots: vec![Slot::default(); settings.values.len()],
            settings,
            state: State::Idle,
            received: Vec::new(),
            thrown: 0,
            busy: None,
            nonce: 0x5A00,
            echoes: false,
            counts: Counts::default(),
        }
    }

    fn reject(&mut self, why: Why, bytes: usize, out: &mut Vec<Heard>) {
        let rejected = Rejected { why, bytes };
        self.counts.reject(rejected);
        out.push(Heard::Rejected(rejected));
    }

    /// The slot that has waited longest, if any is due.
    fn turn(&self, now: Moment) -> Option<usize> {
        self.slots
            .iter()
            .enumerate()
            .filter(|(_, slot)| slot.due.is_none_or(|due| due <= now))
            .min_by_key(|(_, slot)| slot.due)
            .map(|(index, _)| index)
    }

    fn request_bytes(&mut self, slot: usize) -> Option<(Vec<u8>, bool)> {
        let value = self.settings.values.get(slot)?;
        let Slot {
            barrier, failures, ..
        } = *self.slots.get(slot)?;
        let mut bytes = if barrier && failures % 2 == 1 {
            self.nonce = self.nonce.wrapping_add(1);
            let [high, low] = self.nonce.to_be_bytes();
            vec![value.address, DIAGNOSTICS, 0, 0, high, low]
        } else {
            let [high, low] = value.register.to_be_bytes();
            vec![
                value.address,
                value.function.code(),
                high,
                low,
                0,
                if barrier {
                    BARRIER_REGISTERS
                } else {
                    value.form.registers()
                },
            ]
        };
        bytes.extend(CHECK.of(&bytes));
        Some((bytes, barrier))
    }

    /// The exchange with a slot has failed: its device must pass a barrier
    /// before any of its values is believed again.
    fn fail(&mut self, slot: usize, now: Moment) {
        let Some(address) = self.settings.values.get(slot).map(|v| v.address) else {
            return;
        };
        let rest = self.settings.period.us().max(self.settings.timeout.us());
        for (value, other) in self.settings.values.iter().zip(&mut self.slots) {
            if value.address == address {
                other.barrier = true;
                other.failures = (other.failures + 1).min(16);
                let wait = rest.saturating_mul(1 << other.failures);
                other.due = Some(now + Span::from_us(wait.min(LONGEST_REST.us())));
            }
        }
        self.drain(now);
    }

    fn drain(&mut self, now: Moment) {
        self.received.clear();
        self.state = State::Draining {
            until: now + self.settings.timeout,
        };
    }

    /// The exchange is over and went well.
    fn succeed(&mut self, slot: usize, now: Moment, barrier: bool) {
        self.received.clear();
        self.state = State::Idle;
        let Some(address) = self.settings.values.get(slot).map(|v| v.address) else {
            return;
        };
        for (index, (value, other)) in self.settings.values.iter().zip(&mut self.slots).enumerate()
        {
            if barrier && value.address == address {
                other.barrier = false;
                other.failures = 0;
                other.due = Some(now);
            } else if index == slot {
                other.failures = 0;
                other.due = Some(now + self.settings.period);
            }
        }
    }

    fn look(&mut self, at: Moment, out: &mut Vec<Heard>) {
        loop {
            let State::Waiting {
                slot,
                sent,
                barrier,
                echoed,
                ..
            } = &mut self.state
            else {
                return;
            };
            let (slot, barrier) = (*slot, *barrier);
            // The answer to function 08 is the question over again; only where
            // echoes are known is the first one ours.
            let may_be_echo = sent.get(1) != Some(&DIAGNOSTICS) || self.echoes;
            if !*echoed && may_be_echo && self.received.starts_with(sent) {
                *echoed = true;
                self.echoes = true;
                let bytes = sent.len();
                self.received.drain(..bytes);
                self.reject(Why::WrongWay, bytes, out);
                continue;
            }
            match find(&self.received, sent) {
                Found::Nothing => return,
                Found::Stray { start, end } => {
                    self.received.drain(..end);
                    self.reject(Why::StrayAnswer, end - start, out);
                }
                // It does not know the function or the registers, and says so
                // in order.
                Found::Exception { .. } if barrier => {
                    self.counts.good += 1;
                    self.succeed(slot, at, true);
                }
                Found::Exception { code, end } => {
                    self.counts.good += 1;
                    self.reject(Why::Exception, end, out);
                    let address = self.settings.values.get(slot).map(|v| v.address);
                    out.push(Heard::Fault(DeviceFault {
                        device: address.map(u64::from),
                        channel: None,
                        words: exception_words(code).to_owned(),
                        at,
                    }));
                    self.received.clear();
                    self.state = State::Idle;
                    if let Some(slot) = self.slots.get_mut(slot) {
                        slot.failures = (slot.failures + 1).min(16);
                        let rest = self.settings.period.us().max(self.settings.timeout.us());
                        let wait = rest.saturating_mul(1 << slot.failures);
                        slot.due = Some(at + Span::from_us(wait.min(LONGEST_REST.us())));
                    }
                }
                Found::Answer { data, end } => {
                    let noise = end.saturating_sub(data.len() + 5);
                    if noise > 0 && !barrier {
                        self.reject(Why::BadFraming, noise, out);
                    }
                    self.counts.good += 1;
                    if !barrier {
                        match self.sample(slot, &data, at) {
                            Ok(sample) => {
                                self.counts.samples += 1;
                                out.push(Heard::Sample(sample));
                            }
                            Err(why) => self.reject(why, data.len(), out),
                        }
                    }
                    self.succeed(slot, at, barrier);
                }
            }
        }
    }

    fn sample(&self, slot: usize, data: &[u8], at: Moment) -> Result<Sample, Why> {
        let value = self.settings.values.get(slot).ok_or(Why::BadField)?;
        let number = number(data, value.form, value.order).ok_or(Why::WrongLength)?;
        if !number.is_finite() {
            return Err(Why::BadNumber);
        }
        let kind = value.unit.kind();
        Ok(Sample {
            source: Source::Named(value.name.clone()),
            value: sensible(number * value.scale * value.unit.factor(), kind)?,
            kind,
            sequence: None,
            device_time_us: None,
            temperature_c: None,
            trusted: true,
            remark: None,
            at,
        })
    }
}

impl Driver for Modbus {
    fn name(&self) -> &'static str {
        "modbus"
    }

    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>) {
        if bytes.is_empty() {
            return;
        }
        self.busy = Some(at);
        match &mut self.state {
            State::Waiting { until, .. } if at <= *until => {}
            State::Waiting { slot, .. } => {
                // It came too late, and nobody has asked meanwhile.
                let slot = *slot;
                let before = self.received.len();
                self.reject(Why::NoAnswer, before, out);
                self.thrown += bytes.len();
                return self.fail(slot, at);
            }
            State::Draining { until } => {
                *until = at + self.settings.timeout;
                self.thrown += bytes.len();
                return;
            }
            State::Idle => {
                self.thrown += bytes.len();
                return;
            }
        }
        for piece in bytes.chunks(LONGEST) {
            self.received.extend_from_slice(piece);
            self.look(at, out);
            let over = self.received.len().saturating_sub(2 * LONGEST);
            if over > 0 {
                self.received.drain(..over);
                self.reject(Why::TooLong, over, out);
            }
        }
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, at: Moment) {
        for slot in &mut self.slots {
            *slot = Slot::default();
        }
        self.drain(at);
    }

    fn poll(&mut self, now: Moment, out: &mut Vec<Heard>) -> Option<Vec<u8>> {
        match &self.state {
            State::Waiting { slot, until, .. } if now > *until => {
                let slot = *slot;
                let bytes = self.received.len();
                self.reject(Why::NoAnswer, bytes, out);
                self.fail(slot, now);
                return None;
            }
            State::Draining { until } if now > *until => self.state = State::Idle,
            State::Waiting { .. } | State::Draining { .. } => return None,
            State::Idle => {}
        }
        let rest = pause(self.settings.baud);
        if self.busy.is_some_and(|busy| now.since(busy) < rest) {
            return None;
        }
        let thrown = std::mem::take(&mut self.thrown);
        if thrown > 0 {
            self.reject(Why::StrayAnswer, thrown, out);
        }
        let slot = self.turn(now)?;
        let (bytes, barrier) = self.request_bytes(slot)?;
        self.received.clear();
        self.busy = Some(now);
        self.state = State::Waiting {
            slot,
            sent: bytes.clone(),
            until: now + self.settings.timeout,
            barrier,
            echoed: false,
        };
        Some(bytes)
    }

    fn due(&self) -> Option<Moment> {
        let soon = |until: &Moment| *until + Span::from_us(1);
        match &self.state {
            State::Waiting { until, .. } | State::Draining { until } => Some(soon(until)),
            State::Idle => {
                let rested = self.busy.map(|busy| busy + pause(self.settings.baud));
                let next = self.slots.iter().map(|slot| slot.due).min()?;
                rested.max(next).or(Some(Moment::default()))
            }
        }
    }
}

/// Looks for the answer to a request in what has been received. What stands
/// before it is noise.
fn find(received: &[u8], sent: &[u8]) -> Found {
    let (Some(address), Some(function)) = (sent.first(), sent.get(1)) else {
        return Found::Nothing;
    };
    for start in 0..received.len() {
        let Some(rest) = received.get(start..) else {
            break;
        };
        let Some(length) = frame_length(rest) else {
            continue;
        };
        let Some(frame) = rest.get(..length).filter(|frame| CHECK.fits(frame)) else {
            continue;
        };
        let end = start + length;
        let (from, kind) = (frame[0], frame[1]);
        if from != *address {
            return Found::Stray { start, end };
        }
        if kind == *function | 0x80 {
            return Found::Exception {
                code: frame[2],
                end,
            };
        }
        let answers = kind == *function
            && if kind == DIAGNOSTICS {
                frame == sent
            } else {
                usize::from(frame[2]) == 2 * usize::from(*sent.get(5).unwrap_or(&0))
            };
        if answers {
            let data = frame.get(3..length - 2).unwrap_or_default().to_vec();
            return Found::Answer { data, end };
        }
        return Found::Stray { start, end };
    }
    Found::Nothing
}

/// How long the reply that begins here must be, if it can be one.
fn frame_length(bytes: &[u8]) -> Option<usize> {
    let kind = *bytes.get(1)?;
    match kind {
        1..=4 => {
            let data = usize::from(*bytes.get(2)?);
            (data > 0 && data + 5 <= LONGEST).then_some(data + 5)
        }
        DIAGNOSTICS => Some(8),
        0x81..=0x88 => Some(5),
        _ => None,
    }
}

/// The number in one or two registers.
pub(super) fn number(data: &[u8], form: NumberForm, order: WordOrder) -> Option<f64> {
    let swap = matches!(order, WordOrder::Badc | WordOrder::Dcba);
    if form.registers() == 1 {
        let [a, b]: [u8; 2] = data.try_into().ok()?;
        let bytes = if swap { [b, a] } else { [a, b] };
        return Some(match form {
            NumberForm::I16 => f64::from(i16::from_be_bytes(bytes)),
            _ => f64::from(u16::from_be_bytes(bytes)),
        });
    }
    let [a, b, c, d]: [u8; 4] = data.try_into().ok()?;
    let bytes = match order {
        WordOrder::Abcd => [a, b, c, d],
        WordOrder::Cdab => [c, d, a, b],
        WordOrder::Badc => [b, a, d, c],
        WordOrder::Dcba => [d, c, b, a],
    };
    Some(match form {
        NumberForm::I32 => f64::from(i32::from_be_bytes(bytes)),
        NumberForm::F32 => f64::from(f32::from_be_bytes(bytes)),
        _ => f64::from(u32::from_be_bytes(bytes)),
    })
}

/// An exception in words. Source of the codes: `src/modbus.h` of libmodbus.
pub(super) const fn exception_words(code: u8) -> &'static str {
    match code {
        1 => "illegal function: the device does not know this way of reading",
        2 => "illegal data address: the device has no such register",
        3 => "illegal data value: the device does not accept the number of registers",
        4 => "server device failure",
        5 => "acknowledge: the device needs longer",
        6 => "server busy",
        7 => "negative acknowledge",
        8 => "memory parity error",
        10 => "gateway path unavailable",
        11 => "gateway target failed to respond",
        _ => "an exception without a name",
    }
}
