//! Friction that remembers: where each unit is held, carried along the steps.
//!
//! # Method
//! 1. A unit's friction is a stiff spring in series with a slider: from the stop
//!    before, its force changes with the length, until it breaks loose at its
//!    half-width; the edge between the two is rounded. All
//!    units are solved together with the rest: the least of the energy of the
//!    full model and the work of friction, by Newton's method.
//! 2. At a stop that is told (bounced; lifted and let down; nobody knows) the share
//!    of the half-width is what was told.
//! 3. Each unit at each stop has a scatter of its own as an unknown, which is
//!    carried on for as long as the unit holds.
//! 4. The derivatives of all this with respect to every unknown are exact and carried along.

use super::Approach;
use super::setup::{Moves, Ready, Setup};
use super::unknowns::Unknown;
use crate::geometry::{COORDINATES, State, StateMatrix};
use crate::statics::{Equilibrium, Model, StaticsError};
use nalgebra::RowDVector;

/// Scatter of the half-width from stop to stop, and of where a bounce ends.
/// Chosen: friction that holds differs by some tenth from one stop to the next.
pub(super) const SCATTER: f64 = 0.15;
/// Spread where nothing is known: uniform over the band.
const ANYWHERE: f64 = 0.577_350_269_189_625_8;
/// Spread at a first step of which only the way is told.
const FIRST: f64 = 0.3;
/// Spread of a unit that holds: it creeps a little.
const HOLDS: f64 = 0.1;
/// The least half-width, newtons, so that a unit without friction can be computed.
const LEAST_N: f64 = 1e-2;
/// Length over which friction builds up to what is expected of it, metres.
/// Chosen: seals and bushings give by some tenths of a millimetre before they slide.
pub(super) const BREAKS_LOOSE_M: f64 = 0.2e-3;
/// Rounding of the edge between holding and sliding, as a share of the half-width.
const EDGE: f64 = 0.15;
const ROUNDS: usize = 60;
/// Out-of-balance force at rest, newtons.
const BALANCE_N: f64 = 1e-6;
/// The same where rounding is all that is left.
const NEARLY_N: f64 = 1e-2;

/// How the friction of a stop is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Way {
    /// From the stop before, by the load.
    Carried,
    /// A share of the half-width with a spread, for every unit.
    Told { share: f64, spread: f64 },
}

impl Way {
    /// Of a step that comes after another, or first.
    pub(super) fn of(setup: &Setup, ready: &Ready, before: Option<&Ready>) -> Self {
        let told = |share, spread| Self::Told { share, spread };
        let sign = match ready.approach {
            Approach::Bounced => return told(0.0, SCATTER),
            Approach::Unknown => return told(0.0, ANYWHERE),
            Approach::Loading => 1.0,
            Approach::Unloading => -1.0,
        };
        let Some(before) = before else {
            return told(sign, FIRST);
        };
        let mass = |r: &Ready| -> f64 {
            r.on.iter()
                .map(|&p| setup.bodies[setup.places[p].body].mass_kg)
                .sum()
        };
        let growth = (mass(ready) - mass(before)) * sign;
        if before.on == ready.on || growth < -1e-9 {
            // Lifted and let down, or pressed and let go: every unit alike.
            told(sign, SCATTER)
        } else {
            Self::Carried
        }
    }
}

/// What a unit remembers of a stop, with derivatives (per standard uncertainty before the test).
#[derive(Debug, Clone)]
pub(super) struct Memory {
    push: f64,
    length: f64,
    push_slope: RowDVector<f64>,
    length_slope: RowDVector<f64>,
}

/// A rest with friction, and how it moves.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub(super) rest: Equilibrium,
    pub(super) moves: Moves,
    pub(super) memory: Vec<Memory>,
}

struct Unit {
    friction: f64,
    /// Of friction over its unknowns.
    friction_slope: f64,
    stiffness: f64,
    scatter: f64,
    scatter_at: Option<usize>,
}

impl Unit {
    /// Where the push goes with the length.
    ///
    /// From a stop (push p0, length l0): `u = p0 - k (l - l0)`, cut off at the
    /// half-width L, the edge rounded as the mean over a scatter t of it:
    /// `p = -L + t g((u + L)/t) - t g((u - L)/t)`, `g(x) = x Phi(x) + phi(x)`, the
    /// mean of what a normal variable lies under x.
    fn push(&self, way: Way, memory: Option<&Memory>, length: f64) -> Push {
        match (way, memory) {
            (Way::Carried, Some(m)) => {
                let f = self.friction;
                // Its mean over the stops is one: friction is the mean half-width.
                let today = (SCATTER * (self.scatter - SCATTER / 2.0)).exp();
                let limit = (f * today).max(LEAST_N);
                let t = (EDGE * f).max(EDGE * LEAST_N);
                let start = m.push + HOLDS * f * self.scatter;
                let u = start - self.stiffness * (length - m.length);
                let (low, high) = ((u + limit) / t, (u - limit) / t);
                let (below, above) = (phi_sum(low), phi_sum(high));
                let inside = below - above;
                let by_limit = below + above - 1.0;
                let work =
                    |u: f64| -limit * u + t * t * (twice((u + limit) / t) - twice((u - limit) / t));
                Push {
                    force: -limit + t * (once(low) - once(high)),
                    slope: -self.stiffness * inside,
                    work: (work(start) - work(u)) / self.stiffness.max(1.0),
                    by_start: inside,
                    by_friction: by_limit * today
                        + inside * HOLDS * self.scatter
                        + EDGE * (phi(low) - phi(high)),
                    by_scatter: by_limit * SCATTER * limit + inside * HOLDS * f,
                }
            }
            (Way::Told { share, spread }, _) => {
                let c = share + spread * self.scatter;
                Push {
                    force: c * self.friction,
                    work: c * self.friction * length,
                    by_friction: c,
                    by_scatter: spread * self.friction,
                    ..Push::default()
                }
            }
            (Way::Carried, None) => Push::default(),
        }
    }
}

/// The push of friction at a length, newtons, with its derivatives.
#[derive(Debug, Clone, Copy, Default)]
struct Push {
    force: f64,
    /// Over the length, N/m.
    slope: f64,
    /// Since the stop before, joules.
    work: f64,
    by_start: f64,
    by_friction: f64,
    by_scatter: f64,
}

/// Density of the standard normal distribution.
fn phi(x: f64) -> f64 {
    (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt()
}

/// Its distribution function.
fn phi_sum(x: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(-x / std::f64::consts::SQRT_2)
}

/// Integral of the distribution function.
fn once(x: f64) -> f64 {
    x * phi_sum(x) + phi(x)
}

/// Integral of that.
fn twice(x: f64) -> f64 {
    f64::midpoint((x * x + 1.0) * phi_sum(x), x * phi(x))
}

fn free_inverse(model: &Model, stiffness: &StateMatrix) -> Option<StateMatrix> {
    let mut free = *stiffness;
    for i in (0..COORDINATES).filter(|&i| model.held(i)) {
        free.row_mut(i).fill(0.0);
        free.column_mut(i).fill(0.0);
        free[(i, i)] = 1.0;
    }
    let mut inverse = free.try_inverse()?;
    for i in (0..COORDINATES).filter(|&i| model.held(i)) {
        inverse[(i, i)] = 0.0;
    }
    Some(inverse)
}

/// Brings the model (its loads already on) to rest with friction.
pub(super) fn hold(
    setup: &Setup,
    model: &mut Model,
    values: &[f64],
    step: usize,
    way: Way,
    memory: Option<&[Memory]>,
    near: &State,
) -> Result<Held, StaticsError> {
    let friction = setup.friction(values);
    let count = model.units.len();
    let units: Vec<Unit> = (0..count)
        .map(|u| {
            let scatter_at = setup.unknowns.find(Unknown::Scatter { step, unit: u });
            let expected = setup
                .unknowns
                .find(Unknown::Friction(model.units[u].axle))
                .and_then(|i| setup.unknowns.get(i))
                .map_or(0.0, |e| e.mean);
            Unit {
                friction: friction[u].0,
                friction_slope: friction[u].1,
                stiffness: expected / setup.gives_m,
                scatter: scatter_at.map_or(0.0, |i| values[i]),
                scatter_at,
            }
        })
        .collect();
    let remembered = |u: usize| memory.map(|m| &m[u]);
    // Everything at a pose: energy with the work of friction, forces, stiffness with units that hold.
    let look = |model: &mut Model, q: &State| {
        let mut lengths = Vec::with_capacity(count);
        let mut firm = StateMatrix::zeros();
        let mut energy = 0.0;
        lengths.extend(model.lengths(q));
        for (u, unit) in units.iter().enumerate() {
            let (l, dl) = lengths[u];
            let push = unit.push(way, remembered(u), l);
            model.units[u].push = push.force;
            firm -= dl * dl.transpose() * push.slope;
            energy += push.force * l - push.work;
        }
        let (value, gradient, stiffness) = model.derivatives(q);
        let mut force = gradient;
        for i in (0..COORDINATES).filter(|&i| model.held(i)) {
            force[i] = 0.0;
        }
        Look {
            energy: energy + value,
            gradient,
            force,
            stiffness,
            firm,
            lengths,
        }
    };
    let mut q = *near;
    let mut here = look(model, &q);
    for round in 0..ROUNDS {
        let Some(inverse) = free_inverse(model, &(here.stiffness + here.firm)) else {
            break;
        };
        if here.force.amax() <= BALANCE_N {
            // The pushes of the model are those of the last look.
            here = look(model, &q);
            let rest = Equilibrium {
                state: q,
                stiffness: here.stiffness,
                gradient: here.gradient,
                steps: round,
                compliance: inverse,
            };
            return Ok(remember(
                setup,
                model,
                &units,
                way,
                memory,
                &here.lengths,
                rest,
            ));
        }
        let mut by = -(inverse * here.force);
        let longest = by.amax();
        if longest > 0.05 {
            by *= 0.05 / longest;
        }
        let slope = by.dot(&here.force);
        let mut share = 1.0;
        loop {
            let next = q + by * share;
            let there = look(model, &next);
            let lower = there.energy <= here.energy + 1e-4 * share * slope;
            let flat = (there.energy - here.energy).abs() <= 1e-12 * here.energy.abs().max(1.0)
                && there.force.norm() < here.force.norm();
            if lower || flat {
                (q, here) = (next, there);
                break;
            }
            share *= 0.5;
            if share < 1e-8 {
                if here.force.amax() > NEARLY_N {
                    return Err(StaticsError::NotConverged {
                        steps: round,
                        force_n: here.force.amax(),
                    });
                }
                here.force.fill(0.0);
                break;
            }
        }
    }
    Err(StaticsError::NotConverged {
        steps: ROUNDS,
        force_n: here.force.amax(),
    })
}

/// The model at a pose, friction included.
struct Look {
    energy: f64,
    gradient: State,
    force: State,
    stiffness: StateMatrix,
    firm: StateMatrix,
    lengths: Vec<(f64, State)>,
}

fn remember(
    setup: &Setup,
    model: &Model,
    units: &[Unit],
    way: Way,
    memory: Option<&[Memory]>,
    lengths: &[(f64, State)],
    rest: Equilibrium,
) -> Held {
    let p = setup.unknowns.len();
    let mut forces = setup.forces(model, &rest.state, lengths);
    let at = |what: Unknown| {
        setup
            .unknowns
            .find(what)
            .and_then(|i| Some((i, setup.unknowns.get(i)?.uncertainty)))
    };
    // What each push changes by at a fixed length.
    let mut pushes = Vec::with_capacity(units.len());
    for (u, unit) in units.iter().enumerate() {
        let (l, dl) = &lengths[u];
        let remembered = memory.map(|m| &m[u]);
        let push = unit.push(way, remembered, *l);
        let mut change = RowDVector::zeros(p);
        if let Some(m) = remembered.filter(|_| way == Way::Carried) {
            change += &m.push_slope * push.by_start - &m.length_slope * push.slope;
        }
        if unit.friction > 0.0 {
            for what in [
                Unknown::Friction(model.units[u].axle),
                Unknown::FrictionApart(u),
            ] {
                if let Some((i, uncertainty)) = at(what) {
                    change[i] += push.by_friction * unit.friction_slope * uncertainty;
                }
            }
        }
        if let Some(i) = unit.scatter_at {
            change[i] += push.by_scatter;
        }
        forces -= dl * &change;
        pushes.push((change, push.slope));
    }
    let moves = -(rest.compliance * forces);
    let memory = units
        .iter()
        .enumerate()
        .map(|(u, _)| {
            let (l, dl) = &lengths[u];
            let length_slope = RowDVector::from(dl.transpose() * &moves);
            let (change, slope) = &pushes[u];
            Memory {
                push: model.units[u].push,
                length: *l,
                push_slope: change + &length_slope * *slope,
                length_slope,
            }
        })
        .collect();
    Held {
        rest,
        moves,
        memory,
    }
}

/// What units remember of a rest that was reached coming up, everything slid.
pub(super) fn came_up(
    setup: &Setup,
    model: &mut Model,
    values: &[f64],
    near: &State,
) -> Result<Held, StaticsError> {
    let way = Way::Told {
        share: -1.0,
        spread: 0.0,
    };
    hold(setup, model, values, usize::MAX, way, None, near)
}
