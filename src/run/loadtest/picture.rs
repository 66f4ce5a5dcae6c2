//! The picture of a load test: which step, what to do, how far it has come.
//!
//! In: the step, what was said and kept, the sitting. Out: a [`View`] for the
//! screen. Refused: nothing.

use super::doing::{Doing, Stop};
use super::live::Course;
use super::window::KEYS;
use crate::quantity::{Moment, Quantity as _, decimals};
use crate::run::sitting::Sitting;
use crate::run::sitting::view::view_of;
use crate::screen::view::{Message, Severity, Shout, Source, Task, View};

/// 'Kept' stands in big letters for so long, seconds.
const KEPT_S: f64 = 2.5;
/// Before a person gets on and off; the whole of it was read before the test.
const CAUTION: &str = "on stands; nobody underneath";

/// Where a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Phase {
    /// Something is to be done.
    Do,
    /// It was done: it comes to rest and is read.
    Wait,
    /// Nothing is asked for.
    #[default]
    Free,
}

/// What the screen shows of a test, besides the sitting.
#[derive(Debug, Clone, Default)]
pub(super) struct Shown {
    pub(super) phase: Phase,
    /// The last thing that was said.
    pub(super) said: Option<String>,
    /// How far each sensor's last kept value is off the model found so far, in its noise.
    pub(super) off: Vec<Option<f64>>,
    title: String,
    doings: Vec<String>,
    word: &'static str,
    number: String,
    below: String,
    /// Where the readings come from.
    pub(super) source: Source,
    changes_load: bool,
    kept: Vec<String>,
    kept_at: Option<Moment>,
}

impl Shown {
    /// A step is asked for.
    pub(super) fn step(&mut self, number: usize, of: usize, stop: &Stop, doings: &[String]) {
        self.title = format!("step {} of {of}: {}", number + 1, stop.visit);
        self.doings = doings.to_vec();
        self.word = match stop.doings.first() {
            Some(Doing::On(_)) => "load on",
            Some(Doing::Off(_)) => "load off",
            Some(Doing::Pressed) => "press",
            Some(Doing::Lifted) => "lift",
            Some(Doing::Bounced) | None => "bounce",
        };
        self.number = (number + 1).to_string();
        self.below = format!("step of {of}");
        self.changes_load = stop
            .doings
            .iter()
            .any(|d| matches!(d, Doing::On(_) | Doing::Off(_)));
    }

    /// No step is asked for.
    pub(super) fn free(&mut self, title: &str) {
        self.title = format!("load test: {title}");
        self.doings = vec![
            "any load on or off, bounced, pressed or lifted by hand; k keeps a reading".to_owned(),
        ];
        self.word = "free";
        self.number = self.kept.len().to_string();
        "readings kept; q ends the test".clone_into(&mut self.below);
        self.changes_load = true;
    }

    /// A reading was kept.
    pub(super) fn kept(&mut self, line: &str, now: Moment) {
        self.kept.insert(0, line.to_owned());
        self.kept_at = Some(now);
        self.said = Some(format!("kept {}: {line}", self.kept.len()));
    }

    /// The picture of this moment.
    pub(super) fn picture(&self, sitting: &Sitting, course: &Course, now: Moment) -> View {
        let mut view = view_of(sitting, now, self.source);
        let just_kept = self.kept_at.is_some_and(|at| now.since(at).s() < KEPT_S);
        let word = match self.phase {
            _ if just_kept => "kept",
            Phase::Do | Phase::Free => self.word,
            Phase::Wait => "wait",
        };
        let step = match self.phase {
            Phase::Do => format!("{}; Enter when it is so", self.doings.join("; ")),
            Phase::Wait => "hands off and keep still: it is read when it rests".to_owned(),
            Phase::Free => self.doings.join("; "),
        };
        let (kept, course_now) = course.drawn(sitting);
        let so_far = course.load_so_far(sitting);
        let units = sitting.sheet.units;
        let (number, below) = so_far.map_or_else(
            || (self.number.clone(), self.below.clone()),
            |(now, whole)| {
                let number = decimals(now.number(units), 0);
                (
                    number,
                    format!("of {} on, by the heights", whole.shown(units)),
                )
            },
        );
        view.task = Some(Task {
            title: self.title.clone(),
            shout: Some(Shout {
                word: word.to_owned(),
                number,
                below,
            }),
            step,
            caution: (self.changes_load && self.phase != Phase::Wait).then(|| CAUTION.to_owned()),
            gauges: course.gauges(sitting),
            course: kept,
            course_now,
            keys: KEYS.iter().map(|(key, _)| *key).collect(),
        });
        view.next = vec![
            "in free order: a load's key; n on person 82 kg at 200 mm, 400 mm; then k keeps"
                .to_owned(),
        ];
        view.kept.clone_from(&self.kept);
        if view.message.is_none() {
            view.message = self.said.as_ref().map(|text| Message {
                weight: Severity::Notice,
                text: text.clone(),
            });
        }
        for (sensor, off) in view.sensors.iter_mut().zip(&self.off) {
            sensor.off = *off;
        }
        view
    }
}
