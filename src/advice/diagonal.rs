//! The diagonal: how the load is shared between the two pairs of opposite corners,
//! and whose the twist is that four heights show.
//!
//! In: what is believed, a set-up, a load case; heights read at four stations. Out:
//! the share of the left front and right rear wheel with its uncertainty; whether a
//! twist is the floor's, the frame's or nobody's. Refused: a vehicle that does not
//! stand on two axles.

use super::belief::{Belief, Unknown};
use super::setup::Setup;
use crate::compare::COVERAGE_95;
use crate::statics::{Model, quantities};
use nalgebra::DVector;

/// Share of the load on the left front and right rear wheel, with its standard
/// uncertainty from what is unsure of springs, collars, tyres and weights. What a
/// tape leaves open at the mounts is not in it.
pub fn share(belief: &Belief<'_>, setup: &Setup, loads: &[usize]) -> Option<(f64, f64)> {
    let model = belief.model(setup, loads);
    let start = model.equilibrium().ok()?;
    let of = |model: &Model| -> Option<f64> {
        let rest = model.equilibrium_from(&start.state).ok()?;
        let found = quantities(model, &rest, &[]);
        let [rear, front] = found.axles.as_slice() else {
            return None;
        };
        if !(rear.carries && front.carries) {
            return None;
        }
        let ([rl, rr], [fl, fr]) = (
            rear.wheel_loads.map(crate::quantity::Force::n),
            front.wheel_loads.map(crate::quantity::Force::n),
        );
        Some((fl + rr) / (fl + fr + rl + rr))
    };
    let value = of(&model)?;
    let slopes = DVector::from_iterator(
        belief.unknowns.len(),
        belief.unknowns.iter().enumerate().map(|(i, unknown)| {
            let by = belief.covariance[(i, i)].max(0.0).sqrt();
            let parameter = match *unknown {
                Unknown::Rate { unit, spring }
                    if setup.0.get(unit).is_some_and(|s| s.spring == spring) =>
                {
                    crate::statics::Parameter::RateFactor(unit)
                }
                Unknown::Model(parameter) => parameter,
                _ => return 0.0,
            };
            let mut moved = model.clone();
            parameter.shift(&mut moved, by);
            of(&moved).map_or(0.0, |v| (v - value) / by.max(1e-300))
        }),
    );
    let variance = slopes.dot(&(&belief.covariance * &slopes));
    Some((value, variance.max(0.0).sqrt()))
}

/// Whose a twist is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TwistOf {
    /// No twist beyond what the readings themselves are unsure of.
    Nobody,
    /// The same whatever the load: the floor's, or the stations' own heights.
    Floor,
    /// It changes with the load: the frame gives way.
    Frame,
    /// One reading alone cannot tell floor and frame apart.
    FloorOrFrame,
}

/// A twist read: left front + right rear less right front + left rear, halved,
/// metres. A rigid frame on a flat floor has none, whatever its springs do: the
/// springs' twist shows in the diagonal load, not in four heights.
#[derive(Debug, Clone, PartialEq)]
pub struct Twist {
    /// Of each reading, with its standard uncertainty.
    pub of_each: Vec<(f64, f64)>,
    /// Whose it is.
    pub whose: TwistOf,
}

/// Tells whose the twist is from the heights [left front, right front, left rear,
/// right rear] of readings with different loads; `noise` and `fixed` are the standard
/// uncertainties of one height, from noise and from zero and floor together.
pub fn twist(readings: &[[f64; 4]], noise: f64, fixed: f64) -> Option<Twist> {
    let of_each: Vec<(f64, f64)> = readings
        .iter()
        .map(|[fl, fr, rl, rr]| ((fl + rr - fr - rl) / 2.0, noise.hypot(fixed)))
        .collect();
    let first = of_each.first()?;
    let n = of_each.len() as f64;
    let mean = of_each.iter().map(|t| t.0).sum::<f64>() / n;
    let spread = of_each
        .iter()
        .map(|t| (t.0 - mean).abs())
        .fold(0.0, f64::max);
    let whose = if of_each.len() > 1 && spread > COVERAGE_95 * noise * 1.5 {
        TwistOf::Frame
    } else if mean.abs() <= COVERAGE_95 * noise.hypot(fixed) {
        TwistOf::Nobody
    } else if of_each.len() > 1 {
        TwistOf::Floor
    } else {
        let _ = first;
        TwistOf::FloorOrFrame
    };
    Some(Twist { of_each, whose })
}
