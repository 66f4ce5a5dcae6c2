//! The one clock of a run.
//!
//! In: nothing, or a speed. Out: a [`Moment`] for what has just arrived: wall
//! time at the start of the run plus the time since by a clock that nobody sets
//! and that goes on while the computer sleeps, so that a step of the wall clock
//! cannot turn the order of the data round and a night asleep counts as one.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use super::platform::running;
use crate::quantity::{Moment, Span};

/// Makes moments. Copies tell the same time.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    start: Moment,
    /// As [`running`] said at the start.
    started: Duration,
    speed: f64,
}

impl Clock {
    /// The real time.
    pub fn real() -> Self {
        Self::scaled(1.0)
    }

    /// A clock that starts now and runs `speed` times as fast as real time,
    /// for the rehearsal. A speed that is not a positive number counts as 1.
    pub fn scaled(speed: f64) -> Self {
        Self::starting_at(wall_now(), speed)
    }

    /// A clock that starts at a given moment.
    pub fn starting_at(start: Moment, speed: f64) -> Self {
        let speed = if speed.is_finite() && speed > 0.0 {
            speed
        } else {
            1.0
        };
        Self {
            start,
            started: running(),
            speed,
        }
    }

    /// The moment that is now.
    pub fn now(&self) -> Moment {
        let since = running().saturating_sub(self.started);
        self.start + Span::from_s(since.as_secs_f64() * self.speed)
    }

    /// When it was started.
    pub const fn start(&self) -> Moment {
        self.start
    }

    /// How many times as fast as real time it runs.
    pub const fn speed(&self) -> f64 {
        self.speed
    }

    /// How long a span of this clock really takes: what a timer must wait.
    /// A span below zero takes no time.
    pub fn real_duration(&self, span: Span) -> Duration {
        Duration::try_from_secs_f64(span.s() / self.speed).unwrap_or(Duration::ZERO)
    }

    /// How far the wall clock has moved away from this one since the start: after
    /// somebody set the time. Positive where the wall clock is ahead. Means
    /// something at speed 1 only.
    pub fn wall_ahead(&self) -> Span {
        wall_now().since(self.now())
    }
}

/// The wall time.
fn wall_now() -> Moment {
    let us = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| i64::try_from(d.as_micros()).unwrap_or(i64::MAX));
    Moment::from_unix_us(us)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_forward_and_as_fast_as_asked() {
        let clock = Clock::starting_at(Moment::from_unix_us(1_000), 50.0);
        let first = clock.now();
        std::thread::sleep(Duration::from_millis(20));
        let second = clock.now();
        assert!(first >= Moment::from_unix_us(1_000));
        // At least 20 ms at 50 times the speed; how much more is the machine's business.
        assert!(second.since(first).s() >= 1.0);
        assert_eq!(
            clock.real_duration(Span::from_s(5.0)),
            Duration::from_millis(100)
        );
        assert_eq!(clock.real_duration(Span::from_s(-5.0)), Duration::ZERO);
    }

    #[test]
    fn a_senseless_speed_is_real_time() {
        for speed in [0.0, -3.0, f64::NAN, f64::INFINITY] {
            assert!((Clock::scaled(speed).speed() - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn starts_at_the_wall_time() {
        // From memory: 1 700 000 000 s after 1970 was in November 2023.
        assert!(Clock::real().now().unix_us() > 1_700_000_000_000_000);
        assert!(Clock::real().wall_ahead().s().abs() < 1.0);
    }
}
