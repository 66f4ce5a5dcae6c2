//! The rehearsal's hand on the spanner: it presses the key, turns as the screen says and
//! stops when that says so.
//!
//! In: the sitting at every tick. Out: keys on the sitting, collar turns on the simulated
//! vehicle. It knows nothing but the words that a person at the vehicle reads.

use crate::advice::Word;
use crate::quantity::{Moment, Span};
use crate::rehearsal::{Stage, UNITS};
use crate::report::{Table, turn_words};
use crate::run::sitting::Sitting;

/// Turns a second of a hand that goes on, and of one that goes slowly. Chosen.
const BRISKLY: f64 = 0.15;
const SLOWLY: f64 = 0.05;
/// It looks at the screen so often, seconds.
const LOOKS_S: f64 = 0.4;
/// So long after 'stop' it presses the key, seconds.
const WAITS_S: f64 = 3.0;
/// It rocks the frame after so many turns, so that friction holds nothing, and gives it
/// some seconds to come to rest.
const ROCKS_EVERY: f64 = 1.0;
const COMES_TO_REST_S: f64 = 3.5;
/// It turns no more collars than this.
const MOST_TURNS: usize = 4;

/// The hand.
pub(in crate::run) struct Hand<'a> {
    stage: &'a Stage,
    last: Option<Moment>,
    stopped: Option<Moment>,
    looked: Option<(Moment, Word, f64)>,
    /// Turns of the collar that is being turned.
    made: f64,
    /// Of them when the frame was rocked last.
    rocked: f64,
    /// It waits for the frame to come to rest.
    waits_until: Option<Moment>,
    begun: usize,
}

impl<'a> Hand<'a> {
    pub(in crate::run) const fn on(stage: &'a Stage) -> Self {
        Self {
            stage,
            last: None,
            stopped: None,
            looked: None,
            made: 0.0,
            rocked: 0.0,
            waits_until: None,
            begun: 0,
        }
    }

    /// What it does at a tick.
    pub(in crate::run) fn work(&mut self, sitting: &mut Sitting, now: Moment) {
        let passed_s = self.last.map_or(0.0, |at| now.since(at).s());
        self.last = Some(now);
        let Some(turned) = &sitting.turning else {
            let asked = sitting
                .fresh_suggestion()
                .is_some_and(|s| !s.turns.is_empty());
            if asked && self.begun < MOST_TURNS {
                sitting.turn_key(now);
                self.begun += usize::from(sitting.turning.is_some());
                (self.stopped, self.looked) = (None, None);
                (self.made, self.rocked) = (0.0, 0.0);
            }
            return;
        };
        if self.waits_until.is_some_and(|until| now < until) {
            return;
        }
        if (self.made - self.rocked).abs() >= ROCKS_EVERY {
            self.stage.rock();
            self.rocked = self.made;
            self.waits_until = Some(now + Span::from_s(COMES_TO_REST_S));
            return;
        }
        let stale = self
            .looked
            .is_none_or(|(at, _, _)| now.since(at).s() >= LOOKS_S);
        if stale {
            self.looked = Some((now, turned.at.word, turned.at.turns_left));
        }
        let Some((_, word, left)) = self.looked else {
            return;
        };
        let speed = match word {
            Word::Up => BRISKLY,
            Word::Down => -BRISKLY,
            Word::Slowly => SLOWLY.copysign(left),
            Word::Stop | Word::StopOther(_) | Word::CannotTell => 0.0,
        };
        if speed == 0.0 {
            // Friction may hold it: rock first, then believe it.
            if (self.made - self.rocked).abs() > 1e-9 {
                self.stage.rock();
                self.rocked = self.made;
                self.waits_until = Some(now + Span::from_s(COMES_TO_REST_S));
                return;
            }
            let since = *self.stopped.get_or_insert(now);
            if now.since(since).s() >= WAITS_S {
                let step = sitting.sheet.unit(&turned.turn.name);
                let step = step.map_or(0.25, |u| u.collar.step_turns);
                #[allow(clippy::cast_possible_truncation, reason = "some tens of steps")]
                sitting.count_turn((self.made / step).round() as i32);
                sitting.turn_key(now);
            }
            return;
        }
        self.stopped = None;
        self.made += speed * passed_s;
        let unit = &sitting.model.units[turned.turn.unit];
        // A name that the stage does not know is not turned; the reading will show it.
        let _ = self
            .stage
            .turn_collar(&unit.name, speed * passed_s * unit.pitch);
    }
}

/// The collars before and after, as the simulation knows them.
pub(in crate::run) fn collars_text(
    before_mm: &[f64; 4],
    after_mm: &[f64; 4],
    pitch_mm: &[f64],
) -> String {
    let mut table = Table::new(["collar", "before", "after", "really turned"]).left(1);
    for (i, name) in UNITS.iter().enumerate() {
        let turns = (after_mm[i] - before_mm[i]) / pitch_mm.get(i).copied().unwrap_or(1.0);
        let way = if turns < 0.0 { "down" } else { "up" };
        table.row([
            (*name).to_owned(),
            format!("{:.2} mm", before_mm[i]),
            format!("{:.2} mm", after_mm[i]),
            if turns.abs() < 0.01 {
                "-".to_owned()
            } else {
                format!("{:.2} ({} {way})", turns.abs(), turn_words(turns))
            },
        ]);
    }
    format!("COLLARS, as the simulation knows them\n{}", table.lines(2))
}
