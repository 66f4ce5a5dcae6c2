//! One sensor: its samples in, its reading out.
//!
//! In: the samples of one source, and the moment that is now. Out: a
//! [`Reading`] and its [`Stillness`]. Refused: samples that their device does
//! not trust; they make the quality, not the value.
//!
//! Samples are gathered into *beats* of about a tenth of a second (a sensor
//! with ten samples a second or fewer has one sample a beat), so that the gate
//! sees the same at 5 and at 200 samples a second. The time line is the
//! device's own clock where it has one: arrivals bunch up behind USB.

use std::cell::RefCell;
use std::collections::VecDeque;

use super::average::{Average, average, average_of};
use super::gate::{Gate, GateState, Stillness, without_outliers};
use super::room::{Room, Still, StillOf};
use super::second_look::SecondLook;
use super::steady::{MAD_SCALE, median};
use super::{Calibration, Distrust, Quality, Reading};
use crate::drivers::{Remark, Sample};
use crate::quantity::{Moment, Span};

/// Length of a beat in seconds; a little less than a tenth, so that ten
/// samples a second make ten beats.
const BEAT_S: f64 = 0.095;
/// A hole of this length in seconds ends what was known of stillness.
const HOLE_S: f64 = 1.5;
/// For so long in seconds a value without trust may stand among good ones.
const DISTRUST_S: f64 = 0.5;
/// How much of the newest is averaged while it moves, in seconds.
const LIVE_S: f64 = 0.25;
/// The same while a slow movement is followed: chosen, between noise and delay.
const FOLLOWED_S: f64 = 1.0;
/// No step that was inferred from the values is taken for more than this
/// (metres or radians: 1 mm, 0.06 degrees): a motion is not a resolution.
const LARGEST_INFERRED_STEP: f64 = 1e-3;

/// Some samples together.
#[derive(Debug, Clone, Copy)]
struct Beat {
    t: f64,
    value: f64,
    count: u32,
}

/// One sensor.
#[derive(Debug, Clone)]
pub struct Channel {
    calibration: Calibration,
    gate: Gate,
    state: GateState,
    beats: VecDeque<Beat>,
    /// How many beats there have been.
    beat: u64,
    open: Vec<(f64, f64)>,
    room: Room,
    still: RefCell<Still>,
    /// The sensor's own time line in seconds, and the moment it stands at.
    t: f64,
    last: Option<Last>,
    distrusted: Option<(Remark, Moment)>,
    not_settled_t: Option<f64>,
    temperature_c: Option<f64>,
    resolution_known: bool,
    changed_t: f64,
    followed: bool,
    /// Where a single message is not enough for a jump.
    second_look: Option<SecondLook>,
}

/// The newest trusted sample.
#[derive(Debug, Clone, Copy)]
struct Last {
    at: Moment,
    device_time_us: Option<u64>,
    raw: f64,
}

impl Channel {
    /// A sensor that has said nothing.
    pub fn new(calibration: Calibration, gate: Gate) -> Self {
        Self {
            calibration,
            resolution_known: gate.resolution > 0.0,
            gate,
            state: GateState::default(),
            beats: VecDeque::new(),
            beat: 0,
            open: Vec::new(),
            room: Room::default(),
            still: RefCell::default(),
            t: 0.0,
            last: None,
            distrusted: None,
            not_settled_t: None,
            temperature_c: None,
            changed_t: 0.0,
            followed: false,
            second_look: None,
        }
    }

    /// Its messages have a check of eight bits or none: a jump counts when the next agrees.
    #[must_use]
    pub fn weakly_checked(mut self, weak: bool) -> Self {
        self.second_look = weak.then(SecondLook::default);
        self
    }

    /// Follows a slow movement from now on, or no longer: the newest second is told, and no
    /// mean over all that looked still.
    pub fn follow(&mut self, followed: bool) {
        self.followed = followed;
    }

    /// The device has said what the smallest change is that shows.
    pub fn set_resolution(&mut self, resolution: f64) {
        if resolution.is_finite() && resolution > 0.0 {
            self.gate.resolution = resolution;
            self.resolution_known = true;
        }
    }

    /// Another zero or scale from now on.
    pub fn set_calibration(&mut self, calibration: Calibration) {
        self.calibration = calibration;
    }

    /// Takes a sample. Of its kind the caller has made sure.
    pub fn push(&mut self, sample: &Sample) {
        if !sample.trusted || !sample.value.is_finite() {
            self.distrusted = Some((sample.remark.unwrap_or(Remark::Useless), sample.at));
            return;
        }
        let Some(look) = &mut self.second_look else {
            return self.take(sample);
        };
        for sample in look.pass(sample).iter().flatten() {
            self.take(sample);
        }
    }

    /// Takes a sample that counts.
    fn take(&mut self, sample: &Sample) {
        self.temperature_c = sample.temperature_c.or(self.temperature_c);
        let step = self.last.map_or(0.0, |last| step_s(&last, sample));
        if step > HOLE_S {
            self.unsettle();
        }
        self.t += step;
        self.infer_resolution(sample.value);
        self.last = Some(Last {
            at: sample.at,
            device_time_us: sample.device_time_us,
            raw: sample.value,
        });
        if sample.remark == Some(Remark::NotSettled) {
            self.not_settled_t = Some(self.t);
        }
        if self.open.first().is_some_and(|(t, _)| self.t - t >= BEAT_S) {
            self.close_beat();
        }
        self.open.push((self.t, sample.value));
        // A sensor with few samples need not wait for the next one.
        if step >= BEAT_S * 0.9 && self.open.len() == 1 {
            self.close_beat();
        }
    }

    /// Forgets what was seen: the sensor was moved, or away.
    pub fn forget(&mut self) {
        if let Some(look) = &mut self.second_look {
            look.restart();
        }
        self.unsettle();
    }

    /// Nothing is known to be still any more.
    fn unsettle(&mut self) {
        self.beats.clear();
        self.open.clear();
        self.state.restart();
        self.changed_t = self.t;
        self.not_settled_t = None;
    }

    /// When the last trusted sample came.
    pub fn last_heard(&self) -> Option<Moment> {
        self.last.map(|last| last.at)
    }

    /// Whether it stands still, as of its last sample.
    pub fn stillness(&self) -> Stillness {
        let from = self.state.still_from();
        Stillness {
            still: from.is_some(),
            since: Some(self.moment(from.unwrap_or(self.changed_t)))
                .filter(|_| self.last.is_some()),
            why: self.state.why(),
        }
    }

    /// The noise of a single sample of the sensor and its mean while it was
    /// still, over the still stretch, with how many samples; nothing while it
    /// moves. Raw: zero not taken off.
    pub fn still_average(&self) -> Option<(Average, u64)> {
        let from = self.state.still_from()?;
        let from = from.max(self.t - self.gate.average_s);
        self.average_from(from)
    }

    /// What the sensor says now. `deadline` is the time without a sample after
    /// which it counts as silent.
    pub fn reading(&self, sensor: usize, now: Moment, deadline: Span) -> Reading {
        let quality = self.quality(now, deadline);
        let still = (quality == Quality::Good && !self.followed)
            .then(|| self.still_average().zip(self.state.still_from()))
            .flatten();
        let (raw, noise_u, samples, from_t) = if let Some(((average, samples), from)) = still {
            let from = from.max(self.t - self.gate.average_s);
            (average.mean, average.u, samples, from)
        } else {
            self.live()
        };
        let value = self.calibration.value_at(raw, self.temperature_c);
        Reading {
            sensor,
            value,
            noise_u,
            zero_u: self.calibration.uncertainty(value),
            at: if self.last.is_some() {
                self.moment(f64::midpoint(from_t, self.t))
            } else {
                now
            },
            samples,
            temperature_c: self.temperature_c,
            quality,
        }
    }

    fn quality(&self, now: Moment, deadline: Span) -> Quality {
        let distrusted = self.distrusted.filter(|(_, at)| {
            self.last
                .is_none_or(|last| at.since(last.at).s() > DISTRUST_S)
        });
        let newest = match (self.last, self.distrusted) {
            (Some(last), Some((_, at))) => last.at.max(at),
            (Some(last), None) => last.at,
            (None, Some((_, at))) => at,
            (None, None) => return Quality::NeverHeard,
        };
        if now.since(newest) > deadline {
            return Quality::Silent { since: newest };
        }
        match distrusted {
            Some((remark, _)) => Quality::Untrusted(Distrust::Device(remark)),
            None if self.state.still_from().is_some() => Quality::Good,
            None => Quality::Moving,
        }
    }

    /// The newest value while it moves: raw, uncertainty, samples, from when.
    fn live(&self) -> (f64, f64, u64, f64) {
        let Some(last) = self.last else {
            return (f64::NAN, f64::NAN, 0, self.t);
        };
        let stretch_s = if self.followed { FOLLOWED_S } else { LIVE_S };
        let recent = self
            .beats
            .iter()
            .filter(|beat| self.t - beat.t <= stretch_s)
            .map(|beat| beat.value)
            .chain(self.open.iter().map(|(_, x)| *x));
        // No better than the spread of the newest: it moves.
        let (raw, spread) = match average_of(recent.clone()) {
            Some(average) if self.followed => (average.mean, average.u),
            Some(average) => (average.mean, average.sd),
            None => (last.raw, 0.0),
        };
        let u = spread.max(self.gate.rounding_sd()).max(self.gate.quiet);
        (raw, u, recent.count() as u64, self.t - stretch_s)
    }

    fn average_from(&self, from: f64) -> Option<(Average, u64)> {
        // Times of beats go up.
        let first = self.beats.partition_point(|beat| beat.t < from);
        let of = StillOf {
            beat: self.beat,
            beats: self.beats.len() - first,
            resolution: self.gate.resolution,
        };
        let mut still = self.still.borrow_mut();
        if still.of != Some(of) {
            still.of = Some(of);
            still.found = self.worked_out(first, &mut still.room);
        }
        still.found
    }

    fn worked_out(&self, first: usize, room: &mut Room) -> Option<(Average, u64)> {
        let beats = self.beats.range(first..);
        room.values.clear();
        room.values.extend(beats.clone().map(|beat| beat.value));
        let rounding = self.gate.rounding_sd();
        let floor = rounding.max(f64::MIN_POSITIVE);
        without_outliers(&room.values, floor, &mut room.clean, &mut room.around);
        let mut average = average(&room.clean)?;
        // Rounding to steps averages out only where noise shakes the value
        // over several steps.
        if average.sd < 0.5 * self.gate.resolution {
            average.u = average.u.max(rounding);
        }
        Some((average, beats.map(|beat| u64::from(beat.count)).sum()))
    }

    fn close_beat(&mut self) {
        let Some(beat) = beat_of(&self.open, &mut self.room) else {
            return;
        };
        self.open.clear();
        self.beats.push_back(beat);
        self.beat += 1;
        let keep = self.gate.average_s.max(2.0 * self.gate.window_s);
        while self.beats.front().is_some_and(|b| beat.t - b.t > keep) {
            self.beats.pop_front();
        }
        self.room.beats.clear();
        self.room.beats.extend(
            self.beats
                .iter()
                .filter(|b| beat.t - b.t <= 2.0 * self.gate.window_s)
                .map(|b| (b.t, b.value)),
        );
        let not_settled = self
            .not_settled_t
            .is_some_and(|t| beat.t - t < self.gate.window_s);
        let was = self.state.still_from().is_some();
        self.state.look(&self.gate, &mut self.room, not_settled);
        if was && self.state.still_from().is_none() {
            self.changed_t = beat.t;
        }
    }

    /// The smallest change seen is taken for the step of the device, where it
    /// has not said.
    fn infer_resolution(&mut self, raw: f64) {
        if self.resolution_known {
            return;
        }
        let Some(last) = self.last else { return };
        let change = (raw - last.raw).abs();
        let smaller = self.gate.resolution <= 0.0 || change < self.gate.resolution;
        // Below this it is rounding of the arithmetic.
        if change > 1e-9 && change <= LARGEST_INFERRED_STEP && smaller {
            self.gate.resolution = change;
        }
    }

    /// The moment that a time on the sensor's own line stands for.
    fn moment(&self, t: f64) -> Moment {
        let at = self.last.map_or(Moment::default(), |last| last.at);
        at - Span::from_s(self.t - t)
    }
}

/// The device's clock is believed as long as it goes with the arrivals to
/// within this time in seconds: a busy computer takes bytes late, in bunches.
const CLOCKS_AGREE_S: f64 = 10.0;

/// Seconds from the last sample to this one: by the device's clock where it
/// has one.
fn step_s(last: &Last, sample: &Sample) -> f64 {
    let arrivals = sample.at.since(last.at).s().max(0.0);
    let device = last
        .device_time_us
        .zip(sample.device_time_us)
        .and_then(|(before, now)| now.checked_sub(before))
        .map(|us| us as f64 * 1e-6);
    match device {
        Some(device) if (device - arrivals).abs() < CLOCKS_AGREE_S => device,
        _ => arrivals,
    }
}

/// The middle of some samples: without those that stand far off where there
/// are enough to tell.
fn beat_of(samples: &[(f64, f64)], room: &mut Room) -> Option<Beat> {
    let Room { values, around, .. } = room;
    values.clear();
    values.extend(samples.iter().map(|(_, x)| *x));
    let t = samples.iter().map(|(t, _)| t).sum::<f64>() / samples.len() as f64;
    let value = match values.len() {
        0 => return None,
        1 | 2 => values.iter().sum::<f64>() / values.len() as f64,
        3 | 4 => median(values),
        _ => {
            let middle = median(values);
            around.clear();
            around.extend(values.iter().map(|x| (x - middle).abs()));
            let limit = 5.0 * MAD_SCALE * median(around);
            let near = values.iter().filter(|x| (**x - middle).abs() <= limit);
            near.clone().sum::<f64>() / near.count() as f64
        }
    };
    Some(Beat {
        t,
        value,
        count: u32::try_from(samples.len()).unwrap_or(u32::MAX),
    })
}
