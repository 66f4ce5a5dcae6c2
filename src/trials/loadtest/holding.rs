//! To which side, and with what share of itself, friction holds each unit.
//!
//! # Method
//! The axial load of a unit is given by statics, friction or not. Where it
//! grows by d, friction takes up what it can before the spring moves:
//! `p' = clamp(p + d, -F, F)`. Carried along the steps in order of time, with
//! the spread of the share (five Gauss-Hermite points), so that a step too small
//! to break friction loose leaves it open where the unit is held.

use super::Approach;
use super::setup::{Ready, Setup, Stood};

/// Scatter of the share from step to step. Chosen: friction that holds differs
/// by some tenth from one stop to the next, and a bounce ends a little off the middle.
pub(super) const SCATTER: f64 = 0.15;
/// Spread where nothing is known: uniform over the band.
const ANYWHERE: f64 = 0.577_350_269_189_625_8;
/// Spread where the way is told but the step before is not known.
const FIRST: f64 = 0.3;
/// Further spread of a unit that has not broken loose, since units are taken one by one.
const NOT_LOOSE: f64 = 0.3;
/// Below this friction (newtons) nothing is carried along.
const NONE_N: f64 = 0.5;
/// Nodes and weights of the Gauss-Hermite rule of five points for a standard
/// normal variable. Source: Abramowitz and Stegun, table 25.10, changed over
/// from the weight exp(-x^2); from memory, checked in the test below.
const NODES: [(f64, f64); 5] = [
    (-2.856_970_013_872_806, 0.011_257_411_327_720_69),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_64),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_64),
    (2.856_970_013_872_806, 0.011_257_411_327_720_69),
];

/// Expected share and its spread, for every unit, in one step.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hold {
    pub(super) share: Vec<f64>,
    pub(super) spread: Vec<f64>,
}

impl Hold {
    /// Every unit alike.
    pub(super) fn all(units: usize, share: f64, spread: f64) -> Self {
        Self { share: vec![share; units], spread: vec![spread; units] }
    }

    /// Before anything is known of the loads: by what was told.
    pub(super) fn told(units: usize, approach: Approach) -> Self {
        match approach {
            Approach::Loading => Self::all(units, 1.0, FIRST),
            Approach::Unloading => Self::all(units, -1.0, FIRST),
            Approach::Bounced => Self::all(units, 0.0, SCATTER),
            Approach::Unknown => Self::all(units, 0.0, ANYWHERE),
        }
    }
}

/// One unit, from one step to the next: its share and spread after its axial
/// load grew by `growth` times its friction.
pub(super) fn carried(share: f64, spread: f64, growth: f64) -> (f64, f64) {
    let (mut mean, mut square) = (0.0, 0.0);
    for (x, w) in NODES {
        let c = (share + spread * x).clamp(-1.0, 1.0) + growth;
        let c = c.clamp(-1.0, 1.0);
        mean += w * c;
        square += w * c * c;
    }
    let open = NOT_LOOSE * (1.0 - mean.abs());
    let variance = (square - mean * mean).max(0.0) + SCATTER * SCATTER + open * open;
    (mean, variance.sqrt().min(ANYWHERE))
}

/// Shares of every step. `stood[s]` is none where the step cannot be stood in.
pub(super) fn holds(setup: &Setup, stood: &[Option<Stood>], friction: &[f64]) -> Vec<Hold> {
    let units = setup.base.units.len();
    let mass = |s: &Ready| -> f64 { s.on.iter().map(|&p| setup.bodies[setup.places[p].body].mass_kg).sum() };
    let mut all: Vec<Hold> = Vec::with_capacity(setup.steps.len());
    let mut before: Option<(usize, &Stood)> = None;
    for (s, ready) in setup.steps.iter().enumerate() {
        let told = Hold::told(units, ready.approach);
        let hold = match (before, &stood[s], ready.approach) {
            (Some((b, earlier)), Some(now), Approach::Loading | Approach::Unloading) => {
                let growth = mass(ready) - mass(&setup.steps[b]);
                let same = setup.steps[b].on == ready.on;
                let against = (ready.approach == Approach::Loading) == (growth < 0.0) && growth.abs() > 1e-9;
                if same || against {
                    // Lifted and let down, or pressed and let go: every unit alike.
                    let share = if ready.approach == Approach::Loading { 1.0 } else { -1.0 };
                    Hold::all(units, share, SCATTER)
                } else {
                    let mut hold = told;
                    for u in 0..units {
                        if friction[u] > NONE_N {
                            let grown = (now.axial[u] - earlier.axial[u]) / friction[u];
                            (hold.share[u], hold.spread[u]) = carried(all[b].share[u], all[b].spread[u], grown);
                        }
                    }
                    hold
                }
            }
            _ => told,
        };
        all.push(hold);
        if let Some(now) = &stood[s] {
            before = Some((s, now));
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: moments of the standard normal distribution, 1, 0, 1, 3, 15, 105;
    /// a rule of five points is exact to the ninth power.
    #[test]
    fn the_rule_has_the_moments_of_the_normal_distribution() {
        for (power, moment) in [(0, 1.0), (1, 0.0), (2, 1.0), (4, 3.0), (6, 15.0), (8, 105.0)] {
            let sum: f64 = NODES.iter().map(|(x, w)| w * x.powi(power)).sum();
            assert!((sum - moment).abs() < 1e-9 * moment.max(1.0), "{power}: {sum}");
        }
    }

    #[test]
    fn a_large_step_breaks_loose_and_a_small_one_does_not() {
        let (share, spread) = carried(0.0, ANYWHERE, 10.0);
        assert!((share - 1.0).abs() < 1e-12 && (spread - SCATTER).abs() < 1e-12);
        let (share, spread) = carried(0.0, SCATTER, -0.4);
        assert!((share + 0.4).abs() < 0.01 && spread > 0.2, "{share} {spread}");
        let (share, _) = carried(1.0, SCATTER, -2.0);
        assert!(share < -0.9);
    }
}
