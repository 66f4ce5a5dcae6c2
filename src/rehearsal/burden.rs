//! A load that comes, moves about and goes.
//!
//! In: when it comes and goes, where to, and a source of chance. Out: how heavy
//! it lies on the frame, and where, at any time. Refuses nothing.
//!
//! The whole motion is drawn beforehand as key frames with smooth ways between
//! them, so that the weight at a time does not depend on the steps taken.

use rand::{Rng, rngs::StdRng};

use super::chassis::Place;
use super::vehicle::Weight;

/// One key frame: from here on towards the next.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Key {
    at_s: f64,
    /// Share of the whole weight that rests on the frame; a jump is above 1, hands
    /// that lift are below 0.
    share: f64,
    place_m: Place,
}

/// A load with its motion.
#[derive(Debug, Clone, PartialEq)]
pub struct Burden {
    /// Name of the load in the build sheet to which it belongs.
    pub load: String,
    /// What it really weighs, kilograms.
    pub mass_kg: f64,
    /// Where it really comes to lie, frame point.
    pub place_m: Place,
    keys: Vec<Key>,
}

/// A time that never comes, simulated seconds.
const FOR_EVER_S: f64 = 1e9;
/// Seconds over which weight goes on or off gently.
const GENTLY_S: f64 = 3.0;
/// How hands that press are called.
pub(super) const HANDS: &str = "hands";
/// Half strokes of bouncing by hand.
const STROKES: u32 = 24;
/// Seconds from the start of climbing on until the person sits still.
pub(super) const PERSON_ON_S: f64 = 8.6;
/// Seconds from the start of climbing off until the person is gone.
pub(super) const PERSON_OFF_S: f64 = 3.6;

impl Burden {
    /// A person who climbs on over the edge, walks to the place, shifts about
    /// and then sits still until climbing off again.
    pub fn person(
        load: &str,
        mass_kg: f64,
        (edge_m, place_m): (Place, Place),
        (on_s, off_s): (f64, f64),
        chance: &mut StdRng,
    ) -> Self {
        let mut keys = Vec::new();
        let mut key = |at_s: f64, share: f64, place_m: Place| {
            keys.push(Key {
                at_s,
                share,
                place_m,
            });
        };
        // The weight comes on over a second and a half.
        key(on_s + 0.2, 0.0, edge_m);
        key(on_s + 1.3, 1.06, edge_m);
        key(on_s + 1.7, 0.97, edge_m);
        // A few steps, then fidgeting that dies away.
        for step in 1..=5_u32 {
            let share = f64::from(step) / 6.0;
            let at_s = on_s + 1.7 + 0.45 * f64::from(step);
            key(
                at_s,
                1.0 + chance.random_range(-0.07..0.07),
                between(edge_m, place_m, share),
            );
        }
        for fidget in 0..8_u32 {
            let size = 1.0 - f64::from(fidget) / 8.0;
            let at_s = on_s + 4.4 + 0.5 * f64::from(fidget);
            let nearby = place_m.map(|place| place + chance.random_range(-0.06..0.06) * size);
            key(
                at_s,
                1.0 + chance.random_range(-0.04..0.04) * size,
                [nearby[0], nearby[1], place_m[2]],
            );
        }
        key(on_s + PERSON_ON_S, 1.0, place_m);
        key(off_s + 0.2, 1.0, place_m);
        for step in 1..=4_u32 {
            let share = f64::from(step) / 4.0;
            key(
                off_s + 0.2 + 0.5 * f64::from(step),
                1.0 + chance.random_range(-0.06..0.06),
                between(place_m, edge_m, share),
            );
        }
        key(off_s + 2.5, 1.05, edge_m);
        key(off_s + PERSON_OFF_S, 0.0, edge_m);
        Self {
            load: load.to_owned(),
            mass_kg,
            place_m,
            keys,
        }
    }

    /// A sack that is set down and later lifted off.
    pub fn sack(load: &str, mass_kg: f64, place_m: Place, (on_s, off_s): (f64, f64)) -> Self {
        let key = |at_s: f64, share: f64| Key {
            at_s,
            share,
            place_m,
        };
        Self {
            load: load.to_owned(),
            mass_kg,
            place_m,
            keys: vec![
                key(on_s, 0.0),
                key(on_s + 0.4, 1.12),
                key(on_s + 0.7, 1.0),
                key(off_s, 1.0),
                key(off_s + 0.6, 0.0),
            ],
        }
    }

    /// Something that is put on gently at a time and stays until [`Burden::take_off`].
    pub fn carried(load: &str, mass_kg: f64, place_m: Place, on_s: f64) -> Self {
        let key = |at_s: f64, share: f64| Key {
            at_s,
            share,
            place_m,
        };
        Self {
            load: load.to_owned(),
            mass_kg,
            place_m,
            keys: vec![
                key(on_s, 0.0),
                key(on_s + GENTLY_S, 1.0),
                key(FOR_EVER_S, 1.0),
            ],
        }
    }

    /// Hands that press the frame down (by so many kilograms' weight) and let it
    /// come up slowly.
    pub fn pressed(mass_kg: f64, place_m: Place, from_s: f64) -> Self {
        Self::hands(
            mass_kg,
            place_m,
            from_s,
            &[(1.5, 1.0), (1.0, 1.0), (3.5, 0.0)],
        )
    }

    /// Hands that lift the frame and let it down slowly.
    pub fn lifted(mass_kg: f64, place_m: Place, from_s: f64) -> Self {
        Self::hands(
            mass_kg,
            place_m,
            from_s,
            &[(1.5, -1.0), (1.0, -1.0), (3.5, 0.0)],
        )
    }

    /// Hands that bounce the frame with ever smaller strokes.
    pub fn bounced(mass_kg: f64, place_m: Place, from_s: f64) -> Self {
        let strokes: Vec<(f64, f64)> = (0..=STROKES)
            .map(|k| {
                let size = 1.0 - f64::from(k) / f64::from(STROKES);
                (0.6, if k % 2 == 0 { size } else { -size })
            })
            .collect();
        Self::hands(mass_kg, place_m, from_s, &strokes)
    }

    fn hands(mass_kg: f64, place_m: Place, from_s: f64, strokes: &[(f64, f64)]) -> Self {
        let mut at_s = from_s;
        let mut keys = vec![Key {
            at_s,
            share: 0.0,
            place_m,
        }];
        for (long_s, share) in strokes {
            at_s += long_s;
            keys.push(Key {
                at_s,
                share: *share,
                place_m,
            });
        }
        Self {
            load: HANDS.to_owned(),
            mass_kg,
            place_m,
            keys,
        }
    }

    /// Takes off what was to stay.
    pub fn take_off(&mut self, at_s: f64) {
        let place_m = self.place_m;
        self.keys.retain(|k| k.at_s < at_s);
        for (at_s, share) in [(at_s, 1.0), (at_s + GENTLY_S, 0.0)] {
            self.keys.push(Key {
                at_s,
                share,
                place_m,
            });
        }
    }

    /// When its motion ends, simulated seconds.
    pub fn moves_until_s(&self) -> f64 {
        let ends = self.keys.iter().map(|k| k.at_s);
        ends.filter(|at| *at < FOR_EVER_S).fold(0.0, f64::max)
    }

    /// What it puts on the frame at a time, or nothing.
    pub fn weight_at(&self, time_s: f64) -> Option<Weight> {
        let next = self.keys.partition_point(|key| key.at_s <= time_s);
        let before = self.keys.get(next.checked_sub(1)?)?;
        let after = self.keys.get(next)?;
        let way = (time_s - before.at_s) / (after.at_s - before.at_s);
        let smooth = way * way * (3.0 - 2.0 * way);
        let share = before.share + (after.share - before.share) * smooth;
        (share.abs() > 0.0).then(|| Weight {
            mass_kg: self.mass_kg * share,
            at_m: between(before.place_m, after.place_m, smooth),
        })
    }
}

fn between(from_m: Place, to_m: Place, share: f64) -> Place {
    std::array::from_fn(|axis| from_m[axis] + (to_m[axis] - from_m[axis]) * share)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;

    use super::*;

    fn helper() -> Burden {
        let mut chance = StdRng::seed_from_u64(3);
        Burden::person(
            "helper",
            80.0,
            ([0.3, 0.7, 0.3], [0.0, 0.0, 0.4]),
            (10.0, 40.0),
            &mut chance,
        )
    }

    #[test]
    fn person_is_off_then_on_then_still_then_off() {
        let person = helper();
        assert!(person.weight_at(10.1).is_none());
        let climbing = person.weight_at(11.0).map_or(0.0, |weight| weight.mass_kg);
        assert!(climbing > 5.0 && climbing < 85.0);
        for time_s in [18.7, 25.0, 40.0] {
            let weight = person.weight_at(time_s).expect("sits there");
            assert!((weight.mass_kg - 80.0).abs() < 1e-9);
            assert!(weight.at_m[1].abs() < 1e-9);
        }
        assert!(person.weight_at(43.7).is_none());
    }

    #[test]
    fn motion_has_no_jumps() {
        let person = helper();
        let weight = |time_s: f64| person.weight_at(time_s).map_or(0.0, |w| w.mass_kg);
        for step in 0..45_000_u32 {
            let time_s = f64::from(step) * 1e-3;
            assert!((weight(time_s + 1e-3) - weight(time_s)).abs() < 0.4);
        }
    }
}
