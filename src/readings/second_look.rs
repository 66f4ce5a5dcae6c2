//! A jump told by a message whose check is weak counts when the next message agrees.
//!
//! In: the samples of one sensor. Out: those that count, in order. Refused: a single value
//! far from the one before and from the one after, where that is seldom: of messages that
//! were damaged on the way a check of eight bits lets one in 256 pass, and no check all.
//! What happens twice within [`SELDOM`] samples is a movement, and counts.

use crate::drivers::{Sample, SampleKind};

/// A change of more than so many usual ones is a jump. Chosen: noise alone gets there once
/// in a million samples, about.
const USUAL: f64 = 6.0;
/// How much of each change goes into the usual one.
const SHARE: f64 = 0.1;
/// Never a jump, and always one, however much a sensor shakes: metres and radians. Chosen
/// as what harms no reading and what would harm any.
const JUMP_M: (f64, f64) = (0.2e-3, 5e-3);
const JUMP_RAD: (f64, f64) = (
    0.02 * std::f64::consts::PI / 180.0,
    0.5 * std::f64::consts::PI / 180.0,
);
/// Damage that passes a check is rarer than one in so many samples. Chosen, far above every
/// swing of a vehicle.
const SELDOM: u32 = 20;

/// Holds a jump back until the next sample.
#[derive(Debug, Clone)]
pub(super) struct SecondLook {
    last: Option<f64>,
    held: Option<Sample>,
    /// The usual change from one sample to the next, once there is one.
    change: Option<f64>,
    /// Samples since one was put aside.
    since: u32,
}

impl Default for SecondLook {
    fn default() -> Self {
        Self {
            last: None,
            held: None,
            change: None,
            since: SELDOM,
        }
    }
}

impl SecondLook {
    /// Forgets what came before: the sensor was away.
    pub(super) fn restart(&mut self) {
        *self = Self::default();
    }

    /// The samples that count now that this one has come: one held before, this one.
    pub(super) fn pass(&mut self, sample: &Sample) -> [Option<Sample>; 2] {
        self.since = self.since.saturating_add(1);
        let before = self.held.take().filter(|held| self.stands(held, sample));
        if let Some(held) = &before {
            self.accept(held);
        }
        let jump = self.jump(sample.kind);
        if self
            .last
            .is_some_and(|last| (sample.value - last).abs() <= jump)
        {
            self.accept(sample);
            [before, Some(sample.clone())]
        } else {
            self.held = Some(sample.clone());
            [before, None]
        }
    }

    /// Whether what was held counts, after the next has come.
    fn stands(&mut self, held: &Sample, next: &Sample) -> bool {
        let from_held = (next.value - held.value).abs();
        let agrees = match self.last {
            Some(last) => from_held <= (next.value - last).abs(),
            // Nothing to side with: the first two must agree with one another.
            None => from_held <= self.jump(held.kind),
        };
        if agrees || self.since < SELDOM {
            return true;
        }
        self.since = 0;
        false
    }

    fn accept(&mut self, sample: &Sample) {
        let (_, most) = limits(sample.kind);
        if let Some(last) = self.last.replace(sample.value) {
            let change = (sample.value - last).abs().min(most);
            let usual = self.change.get_or_insert(most / USUAL);
            *usual += SHARE * (change - *usual);
        }
    }

    /// From how large a change on a sample is held.
    fn jump(&self, kind: SampleKind) -> f64 {
        let (least, most) = limits(kind);
        self.change
            .map_or(most, |usual| (USUAL * usual).clamp(least, most))
    }
}

const fn limits(kind: SampleKind) -> (f64, f64) {
    match kind {
        SampleKind::Angle => JUMP_RAD,
        SampleKind::Distance => JUMP_M,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drivers::Source;
    use crate::quantity::{Moment, Span};

    /// What counts of heights in millimetres, five a second.
    fn passed(heights: &[f64]) -> Vec<f64> {
        let mut look = SecondLook::default();
        let mut out = Vec::new();
        for (n, height) in heights.iter().enumerate() {
            let sample = Sample {
                source: Source::Named("H".into()),
                value: height * 1e-3,
                kind: SampleKind::Distance,
                sequence: None,
                device_time_us: None,
                temperature_c: None,
                trusted: true,
                remark: None,
                at: Moment::default() + Span::from_s(0.2 * n as f64),
            };
            let counts = look.pass(&sample);
            out.extend(
                counts
                    .iter()
                    .flatten()
                    .map(|s| (s.value * 1e4).round() / 10.0),
            );
        }
        out
    }

    #[test]
    fn one_value_far_from_both_its_neighbours_does_not_count() {
        assert_eq!(
            passed(&[400.0, 401.0, 840.0, 400.0, 401.0]),
            [400.0, 401.0, 400.0, 401.0]
        );
        // The first of all counts when the second agrees.
        assert_eq!(passed(&[840.0, 400.0, 401.0]), [400.0, 401.0]);
        assert_eq!(passed(&[400.0]), [0.0; 0]);
    }

    #[test]
    fn a_sensor_that_hardly_shakes_shows_a_small_jump() {
        let shaking = |n: i32| 400.0 + 0.1 * f64::from(n % 2);
        let mut heights: Vec<f64> = (0..60).map(shaking).collect();
        heights[50] = 401.5;
        let passed = passed(&heights);
        assert_eq!(passed.len(), 59);
        assert!(passed.iter().all(|h| *h < 400.5), "{passed:?}");
    }

    #[test]
    fn a_step_counts_and_a_fast_movement_goes_through() {
        assert_eq!(
            passed(&[400.0, 400.0, 430.0, 430.0, 430.0]),
            [400.0, 400.0, 430.0, 430.0, 430.0]
        );
        // The newest waits for the one after it.
        assert_eq!(
            passed(&[400.0, 400.0, 420.0, 440.0, 460.0, 480.0]),
            [400.0, 400.0, 420.0, 440.0, 460.0]
        );
    }

    #[test]
    fn a_swing_that_is_seen_at_its_two_ends_only_is_not_taken_for_rest() {
        let swing: Vec<f64> = (0..20).map(|n| 400.0 + 60.0 * f64::from(n % 2)).collect();
        let passed = passed(&swing);
        assert!(
            passed.iter().filter(|h| **h > 450.0).count() > 6,
            "{passed:?}"
        );
    }

    #[test]
    fn after_it_was_away_two_must_agree_again() {
        let mut look = SecondLook::default();
        let at = |s: f64, value: f64| Sample {
            source: Source::Named("A".into()),
            value,
            kind: SampleKind::Angle,
            sequence: None,
            device_time_us: None,
            temperature_c: None,
            trusted: true,
            remark: None,
            at: Moment::default() + Span::from_s(s),
        };
        let count = |passed: [Option<Sample>; 2]| passed.iter().flatten().count();
        assert_eq!(count(look.pass(&at(0.0, 0.1))), 0);
        assert_eq!(count(look.pass(&at(0.2, 0.1))), 2);
        assert_eq!(count(look.pass(&at(9.0, 0.1))), 1);
        look.restart();
        assert_eq!(count(look.pass(&at(9.4, 0.1))), 0);
    }
}
