//! What happens in the rehearsal, and when the builder says so.
//!
//! In: a seed. Out: the loads with their motions, and the marks that a person
//! at the vehicle would give by key, each at its simulated time. Refuses
//! nothing.

use rand::{Rng, SeedableRng, rngs::StdRng};

use super::burden::Burden;
use super::chassis::Place;

/// A mark of the builder, at a simulated time.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// Simulated seconds since the start.
    pub at_s: f64,
    /// What the builder says.
    pub kind: CueKind,
}

/// What the builder says.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum CueKind {
    /// The load of this name in the sheet is coming on.
    LoadOn(String),
    /// The load of this name in the sheet is coming off.
    LoadOff(String),
    /// A remark for the logbook.
    Note(String),
}

/// The whole story.
#[derive(Debug, Clone, PartialEq)]
pub struct Story {
    /// The marks in the order of time.
    pub cues: Vec<Cue>,
    /// What lies on the frame in the course of it.
    pub burdens: Vec<Burden>,
    /// When nothing more happens but settling, simulated seconds.
    pub ends_s: f64,
}

/// Name of the person in the build sheet.
pub const HELPER: &str = "helper";
/// Name of the sacks in the build sheet.
pub const SANDBAGS: &str = "sandbags";
/// Where the helper is told to sit, frame point (the middle of the body).
pub(super) const HELPER_PLACE_M: Place = [0.0, -0.15, 0.36];
/// Where the sandbags are told to go, frame point (middle of the two).
pub(super) const SANDBAGS_PLACE_M: Place = [-0.05, 0.45, 0.20];

/// What the helper really weighs, kilograms; the sheet says 78.
const HELPER_KG: f64 = 78.6;
/// What the sacks really weigh, kilograms; the sheet says 50 for both.
const SACKS_KG: [f64; 2] = [24.8, 25.4];
/// Where the helper climbs on.
const EDGE_M: Place = [-0.35, -0.70, 0.50];

const HELPER_ON_S: f64 = 14.0;
const SACKS_ON_S: f64 = 44.0;
const SACKS_OFF_S: f64 = 80.0;
const HELPER_OFF_S: f64 = 104.0;
const ENDS_S: f64 = 170.0;
const TURNING_ENDS_S: f64 = 150.0;

impl Story {
    /// The load test: bare, helper, sandbags at one side, both off again,
    /// settling.
    pub fn load_test(seed: u64) -> Self {
        let mut chance = StdRng::seed_from_u64(seed ^ 0x5708_7000);
        let place = near(HELPER_PLACE_M, 0.035, &mut chance);
        let helper = Burden::person(
            HELPER,
            HELPER_KG,
            (EDGE_M, place),
            (HELPER_ON_S, HELPER_OFF_S),
            &mut chance,
        );
        let sack = |index: usize, chance: &mut StdRng| {
            let (late_s, ahead_m) = if index == 0 {
                (0.6, -0.16)
            } else {
                (3.8, 0.16)
            };
            let [x, y, z] = near(SANDBAGS_PLACE_M, 0.015, chance);
            Burden::sack(
                SANDBAGS,
                SACKS_KG[index],
                [x + ahead_m, y, z],
                (SACKS_ON_S + late_s, SACKS_OFF_S + late_s),
            )
        };
        let burdens = vec![helper, sack(0, &mut chance), sack(1, &mut chance)];
        let cue = |at_s: f64, kind: CueKind| Cue { at_s, kind };
        let note = |text: &str| CueKind::Note(text.to_owned());
        Self {
            cues: vec![
                cue(0.0, note("bare frame on its wheels, wheels chocked")),
                cue(HELPER_ON_S, CueKind::LoadOn(HELPER.to_owned())),
                cue(SACKS_ON_S, CueKind::LoadOn(SANDBAGS.to_owned())),
                cue(SACKS_OFF_S, CueKind::LoadOff(SANDBAGS.to_owned())),
                cue(HELPER_OFF_S, CueKind::LoadOff(HELPER.to_owned())),
                cue(HELPER_OFF_S + 6.0, note("all off again; left to settle")),
            ],
            burdens,
            ends_s: ENDS_S,
        }
    }

    /// The settling: nothing but the bare frame for five days.
    pub const fn settling() -> Self {
        Self {
            cues: Vec::new(),
            burdens: Vec::new(),
            ends_s: 5.0 * 86_400.0,
        }
    }

    /// A collar that stands too low is turned: nothing else happens.
    pub fn turning() -> Self {
        Self {
            cues: vec![Cue {
                at_s: 0.0,
                kind: CueKind::Note("bare frame on its wheels, wheels chocked".to_owned()),
            }],
            burdens: Vec::new(),
            ends_s: TURNING_ENDS_S,
        }
    }

    /// The guided test: nothing happens but what is asked for.
    pub const fn guided() -> Self {
        Self {
            cues: Vec::new(),
            burdens: Vec::new(),
            ends_s: f64::INFINITY,
        }
    }

    /// What the loads really weigh: name in the sheet, kilograms.
    pub fn load_masses_kg(&self) -> Vec<(String, f64)> {
        let mut masses: Vec<(String, f64)> = Vec::new();
        for burden in &self.burdens {
            match masses.iter_mut().find(|(name, _)| *name == burden.load) {
                Some((_, mass)) => *mass += burden.mass_kg,
                None => masses.push((burden.load.clone(), burden.mass_kg)),
            }
        }
        masses
    }
}

/// A place missed by at most so much each way, level.
fn near([x, y, z]: Place, limit_m: f64, chance: &mut StdRng) -> Place {
    let mut miss = || limit_m * chance.random_range(-1.0..=1.0);
    [x + miss(), y + miss(), z]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearsal::burden::{PERSON_OFF_S, PERSON_ON_S};

    #[test]
    fn cues_come_in_order_and_before_what_they_announce() {
        let story = Story::load_test(7);
        assert!(
            story
                .cues
                .windows(2)
                .all(|pair| pair[0].at_s <= pair[1].at_s)
        );
        for burden in &story.burdens {
            let on = story
                .cues
                .iter()
                .find(|cue| cue.kind == CueKind::LoadOn(burden.load.clone()))
                .expect("every load is announced");
            assert!(burden.weight_at(on.at_s).is_none());
            assert!(burden.weight_at(on.at_s + 6.0).is_some());
        }
    }

    /// Between two events there are at least 12 s in which nothing moves, after
    /// the motion has died away.
    #[test]
    fn leaves_time_to_keep_still_readings() {
        let quiet = [
            (0.0, HELPER_ON_S),
            (HELPER_ON_S + PERSON_ON_S, SACKS_ON_S),
            (SACKS_ON_S + 4.6, SACKS_OFF_S),
            (SACKS_OFF_S + 4.6, HELPER_OFF_S),
            (HELPER_OFF_S + PERSON_OFF_S, ENDS_S),
        ];
        let story = Story::load_test(7);
        for (from, to) in quiet {
            assert!(to - from >= 14.0);
            let at = |time_s: f64| -> Vec<_> {
                story.burdens.iter().map(|b| b.weight_at(time_s)).collect()
            };
            assert_eq!(at(from + 0.1), at(to - 0.1));
        }
    }

    #[test]
    fn weighs_what_the_story_says() {
        let masses = Story::load_test(1).load_masses_kg();
        assert_eq!(masses.len(), 2);
        assert!((masses[0].1 - 78.6).abs() < 1e-9);
        assert!((masses[1].1 - 50.2).abs() < 1e-9);
    }
}
