//! When the terminal's bell rings. Pure.
//!
//! In: the view before and the view now. Out: what there is to hear. Refused: to ring
//! at the first view, and twice for the same thing.

use super::view::{Motion, Stance, View};

/// What is heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chime {
    /// Stop turning.
    Stop,
    /// It stands level.
    Level,
    /// It has come to rest.
    Still,
}

fn stops(view: &View) -> bool {
    let gauges = view.task.iter().flat_map(|task| &task.gauges);
    gauges.into_iter().any(|g| g.word.contains("stop"))
}

fn level(view: &View) -> bool {
    view.stance == [Stance::Level]
}

const fn still(view: &View) -> bool {
    matches!(view.motion, Motion::Still(_))
}

/// What there is to hear between two views, the most urgent alone.
pub fn chime(before: &View, now: &View) -> Option<Chime> {
    // Before the first view there was nothing to change.
    if before.vehicle != now.vehicle || now.paused {
        return None;
    }
    let begins = |is: fn(&View) -> bool| is(now) && !is(before);
    if begins(stops) {
        Some(Chime::Stop)
    } else if begins(level) {
        Some(Chime::Level)
    } else {
        begins(still).then_some(Chime::Still)
    }
}

#[cfg(test)]
mod tests {
    use super::super::view::{Gauge, Task};
    use super::*;
    use crate::quantity::Moment;

    fn view(motion: Motion, stance: Stance, word: Option<&str>) -> View {
        View {
            vehicle: "van".to_owned(),
            motion,
            stance: vec![stance],
            task: word.map(|word| Task {
                gauges: vec![Gauge {
                    name: "rear left".to_owned(),
                    now: None,
                    aim: 0.0,
                    tolerance: 0.0,
                    word: word.to_owned(),
                }],
                ..Task::default()
            }),
            ..View::default()
        }
    }

    #[test]
    fn it_rings_once_for_what_begins_and_for_the_most_urgent_alone() {
        let at = Moment::from_unix_us(0);
        let (moving, still) = (Motion::Moving(at), Motion::Still(at));
        let crooked = |motion| view(motion, Stance::LeftHigh, None);
        let straight = |motion| view(motion, Stance::Level, None);
        let turning = |word| view(moving, Stance::LeftHigh, Some(word));
        let table = [
            (crooked(moving), crooked(still), Some(Chime::Still)),
            (crooked(still), crooked(still), None),
            (crooked(still), crooked(moving), None),
            (crooked(moving), straight(still), Some(Chime::Level)),
            (straight(moving), straight(still), Some(Chime::Still)),
            (turning("turn up"), turning("stop"), Some(Chime::Stop)),
            (turning("stop"), turning("stop"), None),
            (turning("stop"), turning("turn down"), None),
            (View::default(), straight(still), None),
        ];
        for (i, (before, now, expected)) in table.iter().enumerate() {
            assert_eq!(chime(before, now), *expected, "row {i}");
        }
    }
}
