//! The project's own wire protocol: frames of `stillheight-protocol`.
//!
//! In: bytes of a device that speaks it. Out: samples in radians and metres,
//! identities, faults, answers. Refused: damaged frames; values before the
//! device has said who it is and what a step of its values is; values in
//! steps of unknown size; repeated and old values; answers nobody waits for.
//!
//! The driver asks who is there at every opening and again until it knows,
//! and after a restart of the device.

use std::collections::BTreeMap;

use stillheight_protocol as protocol;
use stillheight_protocol::{Accumulator, Message, Reason};

use super::{
    Answer, Counts, DeviceFault, DeviceIdentity, Driver, Heard, Outcome, Rejected, Remark, Request,
    Sample, SampleKind, Source, Why,
};
use crate::quantity::{Moment, Span};

/// How long to wait for an answer before asking again: the page of the
/// protocol says one second.
const ASK_AGAIN: Span = Span::from_us(1_000_000);
/// So many values in a row that are older than what was heard, each later
/// than the one before, are no longer disorder: the device has started anew.
/// Chosen, because lines do not reorder that much.
const RESTART_AFTER: u8 = 3;
/// Length of a whole sample frame, for the rejections of good frames.
const SAMPLE_BYTES: usize = 28;
/// Length of a done frame.
const ANSWER_BYTES: usize = 13;

/// The driver.
#[derive(Debug, Default)]
pub struct Wire {
    accumulator: Accumulator,
    counts: Counts,
    device: Option<u64>,
    channels: BTreeMap<u8, Channel>,
    expected_channels: u8,
    tag: u8,
    /// The requests that have no answer yet, by tag.
    waiting: BTreeMap<u8, (Request, Moment)>,
    asked: Option<Moment>,
    /// Ask who is there even though somebody is known.
    ask: bool,
}

/// What is known of a channel.
#[derive(Debug)]
struct Channel {
    identity: protocol::Identity,
    scale: Option<(SampleKind, f64)>,
    last: Option<Place>,
    old: Option<(Place, u8)>,
}

/// Where a sample stands in a device's own order.
#[derive(Debug, Clone, Copy)]
struct Place {
    sequence: u32,
    time_us: u64,
}

/// How a sample stands to the one before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Order {
    Next { lost: u32 },
    Repeated,
    Old,
}

impl Place {
    fn after(self, before: Self) -> Order {
        let step = self.sequence.wrapping_sub(before.sequence);
        if step == 0 && self.time_us == before.time_us {
            Order::Repeated
        } else if step != 0 && step < 1 << 31 && self.time_us >= before.time_us {
            Order::Next { lost: step - 1 }
        } else {
            Order::Old
        }
    }
}

impl Wire {
    /// A driver that has heard nothing.
    pub fn new() -> Self {
        Self::default()
    }

    /// The device at the other end, once it has said so.
    pub const fn device(&self) -> Option<u64> {
        self.device
    }

    fn reject(&mut self, why: Why, bytes: usize, out: &mut Vec<Heard>) {
        let rejected = Rejected { why, bytes };
        self.counts.reject(rejected);
        out.push(Heard::Rejected(rejected));
    }

    fn take(
        &mut self,
        heard: Result<Message, protocol::Rejection>,
        at: Moment,
        out: &mut Vec<Heard>,
    ) {
        let message = match heard {
            Ok(message) => message,
            Err(rejection) => {
                return self.reject(why_of(rejection.why), rejection.bytes + 1, out);
            }
        };
        match message {
            Message::Identity(identity) => self.identity(identity, at, out),
            Message::Sample(sample) => self.sample(&sample, at, out),
            Message::Fault(fault) => {
                self.counts.good += 1;
                out.push(Heard::Fault(DeviceFault {
                    device: self.device,
                    channel: (fault.channel != protocol::WHOLE_DEVICE).then_some(fault.channel),
                    words: fault_words(&fault),
                    at,
                }));
            }
            Message::Done(done) => {
                self.answer(done.tag, done.request, Ok(done.taken), at, out);
            }
            Message::Refused(refused) => {
                self.answer(refused.tag, refused.request, Err(refused.reason), at, out);
            }
            Message::Who(_) | Message::SetRate(_) | Message::Blink(_) => {
                self.reject(Why::WrongWay, ANSWER_BYTES, out);
            }
            _ => self.reject(Why::UnknownKind, ANSWER_BYTES, out),
        }
    }

    fn identity(&mut self, said: protocol::Identity, at: Moment, out: &mut Vec<Heard>) {
        self.counts.good += 1;
        if self.device != Some(said.device) {
            // Another device on the same line.
            self.channels.clear();
            self.device = Some(said.device);
        }
        self.expected_channels = said.channels;
        let scale = scale_of(said.quantity, said.unit);
        let (last, old) = self
            .channels
            .remove(&said.channel)
            .map_or((None, None), |known| (known.last, known.old));
        let channel = Channel {
            identity: said,
            scale,
            last,
            old,
        };
        self.channels.insert(said.channel, channel);
        let si = |steps: f64| scale.map(|(_, factor)| steps * factor);
        out.push(Heard::Identity(Box::new(DeviceIdentity {
            source: Source::Wire {
                device: said.device,
                channel: said.channel,
            },
            channels: said.channels,
            kind: scale.map(|(kind, _)| kind),
            words: quantity_words(said.quantity, said.unit),
            resolution: si(f64::from(said.resolution)).filter(|r| *r > 0.0),
            range: si(f64::from(said.range_min)).zip(si(f64::from(said.range_max))),
            firmware: format!(
                "{}.{}.{}",
                said.firmware.major, said.firmware.minor, said.firmware.patch
            ),
            rate_hz: f64::from(said.rate_millihertz) * 1e-3,
            fastest_hz: (said.fastest_millihertz > 0)
                .then(|| f64::from(said.fastest_millihertz) * 1e-3),
            sets_rate: said.abilities.has(protocol::Abilities::SET_RATE),
            blinks: said.abilities.has(protocol::Abilities::BLINK),
            at,
        })));
    }

    fn sample(&mut self, said: &protocol::Sample, at: Moment, out: &mut Vec<Heard>) {
        let known = self
            .device
            .and_then(|device| Some((device, self.channels.get_mut(&said.channel)?)));
        let Some((device, channel)) = known else {
            self.ask = true;
            return self.reject(Why::NoIdentity, SAMPLE_BYTES, out);
        };
        let place = Place {
            sequence: said.sequence,
            time_us: said.time_us,
        };
        match channel.last.map(|last| place.after(last)) {
            None => {}
            Some(Order::Next { lost }) => {
                self.counts.lost = self.counts.lost.saturating_add(lost.into());
            }
            Some(Order::Repeated) => return self.reject(Why::Repeated, SAMPLE_BYTES, out),
            Some(Order::Old) => {
                let run = match channel.old {
                    Some((before, run)) if matches!(place.after(before), Order::Next { .. }) => {
                        run + 1
                    }
                    _ => 1,
                };
                if run < RESTART_AFTER {
                    channel.old = Some((place, run));
                    return self.reject(Why::OutOfOrder, SAMPLE_BYTES, out);
                }
                self.counts.restarts += 1;
                self.ask = true;
            }
        }
        channel.last = Some(place);
        channel.old = None;
        let Some((kind, factor)) = channel.scale else {
            return self.reject(Why::UnknownUnit, SAMPLE_BYTES, out);
        };
        let within = channel.identity.covers(said.value);
        let usable = said.status.is_usable();
        self.counts.good += 1;
        self.counts.samples += 1;
        out.push(Heard::Sample(Sample {
            source: Source::Wire {
                device,
                channel: said.channel,
            },
            value: f64::from(said.value) * factor,
            kind,
            sequence: Some(said.sequence),
            device_time_us: Some(said.time_us),
            temperature_c: said
                .temperature_centidegrees
                .map(|hundredths| f64::from(hundredths) * 0.01),
            trusted: usable && within,
            remark: if usable && !within {
                Some(Remark::OverRange)
            } else {
                remark_of(said.status)
            },
            at,
        }));
    }

    fn answer(
        &mut self,
        tag: u8,
        kind: protocol::Kind,
        outcome: Result<u32, protocol::Refusal>,
        at: Moment,
        out: &mut Vec<Heard>,
    ) {
        let waits = self
            .waiting
            .get(&tag)
            .is_some_and(|(request, _)| kind_of(request) == kind);
        let Some((request, _)) = waits.then(|| self.waiting.remove(&tag)).flatten() else {
            return self.reject(Why::StrayAnswer, ANSWER_BYTES, out);
        };
        self.counts.good += 1;
        let outcome = match outcome {
            Ok(taken) => Outcome::Done(match request {
                Request::Who => f64::from(taken),
                Request::SetRate { .. } => f64::from(taken) * 1e-3,
                Request::Blink { .. } => f64::from(taken) * 0.1,
            }),
            Err(reason) => Outcome::Refused(
                reason
                    .words()
                    .map_or_else(|| format!("reason {}", reason.0), str::to_owned),
            ),
        };
        out.push(Heard::Answer(Answer {
            request,
            outcome,
            at,
        }));
    }

    /// Whether it is known who is there, with every channel.
    fn knows_all(&self) -> bool {
        self.device.is_some() && self.channels.len() >= usize::from(self.expected_channels)
    }
}

impl Driver for Wire {
    fn name(&self) -> &'static str {
        "wire"
    }

    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>) {
        let mut accumulator = std::mem::take(&mut self.accumulator);
        accumulator.feed(bytes, |heard| self.take(heard, at, out));
        self.accumulator = accumulator;
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, _at: Moment) {
        self.accumulator.forget();
        self.waiting.clear();
        self.asked = None;
        self.ask = true;
        // It may be another device now, or the same one started anew.
        self.device = None;
        self.channels.clear();
    }

    fn poll(&mut self, now: Moment, _out: &mut Vec<Heard>) -> Option<Vec<u8>> {
        self.waiting
            .retain(|_, (_, sent)| now.since(*sent) < Span::from_us(5 * ASK_AGAIN.us()));
        if self.knows_all() && !self.ask {
            return None;
        }
        if self
            .asked
            .is_some_and(|asked| now.since(asked) < ASK_AGAIN && now >= asked)
        {
            return None;
        }
        self.asked = Some(now);
        self.ask = false;
        self.request(Request::Who, now)
    }

    fn due(&self) -> Option<Moment> {
        if self.knows_all() && !self.ask {
            return None;
        }
        Some(
            self.asked
                .map_or(Moment::default(), |asked| asked + ASK_AGAIN),
        )
    }

    fn request(&mut self, request: Request, now: Moment) -> Option<Vec<u8>> {
        self.tag = self.tag.wrapping_add(1);
        let channel = |channel: Option<u8>| channel.unwrap_or(protocol::WHOLE_DEVICE);
        let message = match request {
            Request::Who => Message::Who(protocol::Who { tag: self.tag }),
            Request::SetRate { channel: c, hz } => Message::SetRate(protocol::SetRate {
                tag: self.tag,
                channel: channel(c),
                rate_millihertz: whole(hz * 1e3),
            }),
            Request::Blink {
                channel: c,
                seconds,
            } => Message::Blink(protocol::Blink {
                tag: self.tag,
                channel: channel(c),
                tenths: u16::try_from(whole(seconds * 10.0)).unwrap_or(u16::MAX),
            }),
        };
        let mut frame = [0; protocol::MAX_FRAME];
        let length = protocol::encode(&message, &mut frame).ok()?;
        self.waiting.insert(self.tag, (request, now));
        frame.get(..length).map(<[u8]>::to_vec)
    }
}

/// The nearest whole number that is not negative; not a number gives 0.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "saturating is meant"
)]
fn whole(value: f64) -> u32 {
    value.round() as u32
}

fn kind_of(request: &Request) -> protocol::Kind {
    match request {
        Request::Who => protocol::Kind::WHO,
        Request::SetRate { .. } => protocol::Kind::SET_RATE,
        Request::Blink { .. } => protocol::Kind::BLINK,
    }
}

/// What a step is in radians or metres, where the values can be used.
fn scale_of(quantity: protocol::Quantity, unit: protocol::Unit) -> Option<(SampleKind, f64)> {
    match (quantity, unit) {
        (protocol::Quantity::INCLINATION, protocol::Unit::MICRODEGREE) => {
            Some((SampleKind::Angle, 1e-6_f64.to_radians()))
        }
        (protocol::Quantity::DISTANCE, protocol::Unit::MICROMETRE) => {
            Some((SampleKind::Distance, 1e-6))
        }
        _ => None,
    }
}

fn quantity_words(quantity: protocol::Quantity, unit: protocol::Unit) -> String {
    let what = match quantity {
        protocol::Quantity::INCLINATION => "inclination".to_owned(),
        protocol::Quantity::DISTANCE => "distance".to_owned(),
        protocol::Quantity::TEMPERATURE => "temperature".to_owned(),
        other => format!("quantity {}", other.0),
    };
    match unit {
        protocol::Unit::MICRODEGREE => format!("{what} in microdegrees"),
        protocol::Unit::MICROMETRE => format!("{what} in micrometres"),
        protocol::Unit::CENTIDEGREE_CELSIUS => format!("{what} in hundredths of a degree Celsius"),
        protocol::Unit::STEP => format!("{what} in steps of its own"),
        other => format!("{what} in unit {}", other.0),
    }
}

fn fault_words(fault: &protocol::Fault) -> String {
    let detail = fault.detail;
    match fault.code.words() {
        Some(words) => format!("{words} ({detail})"),
        None => format!("fault {} ({detail})", fault.code.0),
    }
}

fn remark_of(status: protocol::Status) -> Option<Remark> {
    use protocol::Status;
    let named = [
        (Status::NO_SIGNAL, Remark::NoSignal),
        (Status::OVER_RANGE, Remark::OverRange),
        (Status::SELF_TEST_FAILED, Remark::SelfTestFailed),
        (Status::SATURATED, Remark::Saturated),
    ];
    let doubts = [
        (Status::NOT_SETTLED, Remark::NotSettled),
        (Status::WEAK_SIGNAL, Remark::WeakSignal),
        (Status::LOW_SUPPLY, Remark::LowSupply),
        (Status::LATE, Remark::Late),
    ];
    let first = |table: &[(Status, Remark)]| {
        table
            .iter()
            .find(|(bit, _)| status.has(*bit))
            .map(|(_, remark)| *remark)
    };
    if !status.is_usable() {
        Some(first(&named).unwrap_or(Remark::Useless))
    } else if status.is_doubtful() {
        Some(first(&doubts).unwrap_or(Remark::Doubtful))
    } else {
        None
    }
}

fn why_of(reason: Reason) -> Why {
    match reason {
        Reason::TooLong => Why::TooLong,
        Reason::TooShort => Why::TooShort,
        Reason::BadCheck => Why::BadCheck,
        Reason::BadCobs => Why::BadFraming,
        Reason::UnknownVersion(_) => Why::UnknownVersion,
        Reason::UnknownKind(_) => Why::UnknownKind,
        Reason::WrongLength => Why::WrongLength,
        _ => Why::BadField,
    }
}
