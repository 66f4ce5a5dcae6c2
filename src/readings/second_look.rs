//! A jump told by a message whose check is weak counts when the next message agrees.
//!
//! In: the samples of one sensor. Out: those that count, in order. Refused: a single value
//! far from the one before and from the one after, where that is seldom: of messages that
//! were damaged on the way a check of eight bits lets one in 256 pass, and no check all.
//! What happens twice within [`SELDOM_S`] is a movement, and counts.

use crate::drivers::{Sample, SampleKind};
use crate::quantity::Moment;

/// Further than this from the value before is a jump: 5 mm, half a degree. Chosen: what is
/// closer does no harm before the means put it aside.
const JUMP_M: f64 = 5e-3;
const JUMP_RAD: f64 = 0.5 * std::f64::consts::PI / 180.0;
/// Damage that passes a check is rarer than this. Chosen, far above every swing of a vehicle.
const SELDOM_S: f64 = 60.0;

/// Holds a jump back until the next sample.
#[derive(Debug, Clone, Default)]
pub(super) struct SecondLook {
    last: Option<f64>,
    held: Option<Sample>,
    dropped: Option<Moment>,
}

impl SecondLook {
    /// Forgets what came before: the sensor was away.
    pub(super) fn restart(&mut self) {
        *self = Self::default();
    }

    /// The samples that count now that this one has come: one held before, this one.
    pub(super) fn pass(&mut self, sample: &Sample) -> [Option<Sample>; 2] {
        let before = self.held.take().filter(|held| self.stands(held, sample));
        if let Some(held) = &before {
            self.last = Some(held.value);
        }
        let near = self
            .last
            .is_some_and(|last| (sample.value - last).abs() <= jump(sample.kind));
        if near {
            self.last = Some(sample.value);
            [before, Some(sample.clone())]
        } else {
            self.held = Some(sample.clone());
            [before, None]
        }
    }

    /// Whether what was held counts, after the next has come.
    fn stands(&mut self, held: &Sample, next: &Sample) -> bool {
        let from_held = (next.value - held.value).abs();
        let from_last = self.last.map(|last| (next.value - last).abs());
        let agrees = match from_last {
            Some(from_last) => from_held <= from_last,
            // Nothing to side with: the first two must agree with one another.
            None => from_held <= jump(held.kind),
        };
        let often = |at: Moment| held.at.since(at).s().abs() < SELDOM_S;
        if agrees || self.dropped.is_some_and(often) {
            return true;
        }
        self.dropped = Some(held.at);
        false
    }
}

const fn jump(kind: SampleKind) -> f64 {
    match kind {
        SampleKind::Angle => JUMP_RAD,
        SampleKind::Distance => JUMP_M,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drivers::Source;
    use crate::quantity::Span;

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
            out.extend(counts.iter().flatten().map(|s| (s.value * 1e3).round()));
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
