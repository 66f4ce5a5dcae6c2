//! While a collar is turned: where it stands between now and target, and when to
//! stop.
//!
//! In: what is watched (heights or angles) as they are now, what they should come
//! to, and what a turn does to each. Out: how far to go, in turns, and a word. The
//! word 'stop' comes before the target by what a hand overshoots, and as soon as
//! another thing watched would leave its tolerance. Refused: values that are not
//! finite: then it cannot be told.

/// Something watched while a collar is turned. SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Watched {
    /// Where it is.
    pub now: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// What the plan promises for after the turn.
    pub aim: f64,
    /// How far off is still good.
    pub tolerance: f64,
    /// What one turn up does to it.
    pub per_turn: f64,
}

/// What to do at this moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// Turn the collar up.
    Up,
    /// Turn it down.
    Down,
    /// The last quarter turn: slowly.
    Slowly,
    /// Stop.
    Stop,
    /// Something else leaves its tolerance: stop, and look at that first.
    StopOther(usize),
    /// The readings do not say.
    CannotTell,
}

impl Word {
    /// In a word or two.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Up => "turn up",
            Self::Down => "turn down",
            Self::Slowly => "slowly",
            Self::Stop => "stop",
            Self::StopOther(_) => "stop: look at the other side",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// Where a turn stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turning {
    /// Turns still to make; up is positive. Weighed over everything watched.
    pub turns_left: f64,
    /// What to do.
    pub word: Word,
}

/// 'Stop' comes so many turns before the target. Chosen: what a hand on a spanner
/// goes on after a word.
const OVERSHOOT_TURNS: f64 = 0.06;
/// From so many turns on it goes slowly.
const SLOWLY_TURNS: f64 = 0.3;

/// Where the turn of one collar stands; `step` is the part of a turn that a hand makes.
///
/// # Method
/// Turns left t: least squares of what is missing, (aim - now) / tolerance, on what a
/// turn does, per_turn / tolerance. A thing watched leaves its tolerance where it is
/// beyond it by more than its uncertainty and the turn drives it further out.
pub fn turning(watched: &[Watched], step: f64) -> Turning {
    let finite = |w: &Watched| {
        w.now.is_finite() && w.aim.is_finite() && w.per_turn.is_finite() && w.tolerance > 0.0
    };
    let weight: f64 = watched
        .iter()
        .filter(|w| finite(w))
        .map(|w| (w.per_turn / w.tolerance).powi(2))
        .sum();
    if weight < 1e-12 {
        return Turning {
            turns_left: 0.0,
            word: Word::CannotTell,
        };
    }
    let missing = |w: &Watched| (w.aim - w.now) * w.per_turn / w.tolerance.powi(2);
    let turns_left = watched
        .iter()
        .filter(|w| finite(w))
        .map(missing)
        .sum::<f64>()
        / weight;
    let out = watched.iter().position(|w| {
        let off = w.now - w.aim;
        let driven = off * w.per_turn * turns_left > 0.0;
        finite(w) && driven && off.abs() > w.tolerance + w.uncertainty
    });
    let reach = (step / 2.0).min(SLOWLY_TURNS);
    let word = if turns_left.abs() <= reach.max(OVERSHOOT_TURNS) {
        Word::Stop
    } else if let Some(other) = out {
        Word::StopOther(other)
    } else if turns_left.abs() <= SLOWLY_TURNS {
        Word::Slowly
    } else if turns_left > 0.0 {
        Word::Up
    } else {
        Word::Down
    };
    Turning { turns_left, word }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn height(now_mm: f64, aim_mm: f64, per_turn_mm: f64) -> Watched {
        Watched {
            now: now_mm * 1e-3,
            uncertainty: 0.0005,
            aim: aim_mm * 1e-3,
            tolerance: 0.004,
            per_turn: per_turn_mm * 1e-3,
        }
    }

    /// By hand: 6 mm to go at 2 mm a turn are 3 turns; the other side hardly moves.
    #[test]
    fn counts_down_and_stops_in_time() {
        let at = |done: f64| {
            turning(
                &[
                    height(400.0 + 2.0 * done, 406.0, 2.0),
                    height(405.0 - 0.1 * done, 404.7, -0.1),
                ],
                0.25,
            )
        };
        assert!((at(0.0).turns_left - 3.0).abs() < 1e-6);
        assert_eq!(at(0.0).word, Word::Up);
        assert_eq!(at(2.8).word, Word::Slowly);
        assert_eq!(at(2.9).word, Word::Stop);
        assert_eq!(at(4.0).word, Word::Down);
    }

    #[test]
    fn the_other_side_can_stop_it() {
        let watched = [height(400.0, 406.0, 2.0), height(415.0, 405.0, 0.5)];
        assert_eq!(turning(&watched, 0.25).word, Word::StopOther(1));
        let nothing = turning(&[height(f64::NAN, 1.0, 1.0)], 0.25);
        assert_eq!(nothing.word, Word::CannotTell);
    }
}
