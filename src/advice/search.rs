//! The search: the best k combinations of holes, springs and collars, exactly.
//!
//! In: what is believed of the vehicle, its set-up, the load cases with their aims.
//! Out: the best k [`Found`] set-ups by value, and what stood in the way. Refused:
//! combinations that break a limit.
//!
//! Value = sum over cases and aims of (deviation / tolerance)^2, and over cases of
//! (diagonal / [`DIAGONAL`])^2, + effort + risk. The diagonal is what the springs of one
//! pair of opposite corners carry more than those of the other, as a share of all;
//! without it four collars would be free to twist the vehicle for a tenth of a
//! millimetre.
//!
//! # Method
//! 1. A combination's value (`worth`): its collars by bounded nonlinear
//!    least squares on the full model, every subset of collars rounded to the steps
//!    of a hand, and the best of these by new equilibria.
//! 2. Best first: combinations of each axle are sorted by effort plus a proved lower
//!    bound of their share of the misfit (see [`super::nearby`]). The first pairs by the
//!    sum of the two are worked out and give k values to beat. Then every pair whose
//!    sum is below the k-th gets the bound of the whole combination, and those still
//!    below it are worked out in the order of that bound, until the next one cannot be
//!    better than the k-th best value found. Nothing better was left out.
//! 3. The bound is proved for the linear description near the reference pose. While
//!    values are worked out on the full model, the root of its misfit is compared
//!    with the bound's; all bounds are lowered by twice the largest excess ever seen
//!    (at least 0.02 of a tolerance), and if that grows, the search begins again with what it
//!    knows. This margin is the one step that is watched rather than proved.

use super::belief::Belief;
use super::choices::{
    Blocked, Choice, EFFORT_COLLAR, Group, Limit, Limits, choices, collar_limits, groups,
};
use super::nearby::{NearCase, NearUnit, Share, bound, least_misfit};
use super::pairing::Pairing;
use super::setup::Setup;
use crate::compare::Aim;
use crate::geometry::{COORDINATES, State, gradient};
use crate::leastsquares;
use crate::posture::{PostureState, QuantityKey};
use crate::sheet::{BuildSheet, Side};
use crate::statics::{Equilibrium, Model, Parameter, StaticsError};
use nalgebra::{DMatrix, DVector, Dyn, OMatrix, U7};
use std::collections::{BinaryHeap, HashMap};

/// Least margin taken off the root of every bound, in tolerances.
const SLACK: f64 = 0.02;
/// Pairs looked at first, for each plan wanted, to have something to beat.
const SEEDS: usize = 200;
/// Less travel up than this share of the stroke is a risk that costs.
const TIGHT_TRAVEL: f64 = 0.25;
/// Diagonal that weighs as much as a whole tolerance. Chosen: 55 to 45 % on the two
/// pairs of opposite corners.
const DIAGONAL: f64 = 0.1;
/// What each tight unit costs, in squared tolerances.
const RISK: f64 = 0.2;
/// Candidates of rounded collars that are tried on the full model.
const TRIED: usize = 3;
/// Most iterations of the collars' least squares.
const ITERATIONS: usize = 12;

/// A load case that counts, with its aims.
#[derive(Debug, Clone, PartialEq)]
pub struct AimedCase {
    /// Its name.
    pub name: String,
    /// Indices of the loads that are on.
    pub loads: Vec<usize>,
    /// What should hold in it.
    pub aims: Vec<Aim>,
}

/// A set-up found, with its value.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// How everything is then set.
    pub setup: Setup,
    /// Misfit + twist + effort + risk, squared tolerances.
    pub value: f64,
    /// Sum of squared deviations over tolerances.
    pub misfit: f64,
    /// What the diagonal load costs.
    pub twist: f64,
    /// What the operations cost.
    pub effort: f64,
    /// What tight units cost.
    pub risk: f64,
}

/// What the search did.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tally {
    /// Combinations that there are.
    pub combinations: f64,
    /// Of which so many got a bound of the whole.
    pub bounded: usize,
    /// Of which so many were worked out on the full model.
    pub valued: usize,
    /// Margin taken off the roots of bounds at the end.
    pub slack: f64,
}

/// The outcome of a search.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outcome {
    /// The best first.
    pub found: Vec<Found>,
    /// Limits that excluded something on the way, each once, with the least that
    /// would have to give way.
    pub blocked: Vec<Blocked>,
    /// What it took.
    pub tally: Tally,
}

/// Everything that a search needs, prepared.
#[derive(Debug)]
pub struct Search<'b, 's> {
    belief: &'b Belief<'s>,
    sheet: &'s BuildSheet,
    setup: Setup,
    cases: Vec<AimedCase>,
    limits: Limits,
    offset: PostureState,
    now: Vec<Model>,
    choices: Vec<Vec<Choice>>,
    groups: Vec<Group>,
    starts: Vec<State>,
    near: Vec<NearCase>,
    reference_force: Vec<Vec<f64>>,
    early: Vec<Blocked>,
    signs: Option<Vec<f64>>,
}

/// A combination worked out on the full model.
#[derive(Debug, Clone)]
struct Worth {
    found: Option<Found>,
    root_misfit: f64,
    blocked: Vec<Blocked>,
}

/// Every axle's combinations with effort plus bound of its share, sorted.
type Lists = [Vec<(f64, Vec<usize>)>; 2];

/// A pair of combinations in the heap.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Node {
    key: f64,
    at: [usize; 2],
}

impl Eq for Node {}
impl PartialOrd for Node {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Node {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        // The heap gives the greatest first; the least key is wanted.
        other
            .key
            .total_cmp(&self.key)
            .then_with(|| other.at.cmp(&self.at))
    }
}

fn by_bound(a: &(f64, [usize; 2]), b: &(f64, [usize; 2])) -> std::cmp::Ordering {
    a.0.total_cmp(&b.0).then_with(|| a.1.cmp(&b.1))
}

/// What a plan must be better than to be among the best k.
fn limit_of(ranked: &[(f64, [usize; 2])], k: usize) -> f64 {
    ranked.get(k.max(1) - 1).map_or(f64::INFINITY, |r| r.0)
}

/// Effort and misfit, the root of the misfit lowered by a margin.
fn lowered(effort: f64, misfit: f64, slack: f64) -> f64 {
    effort + (misfit.sqrt() - slack).max(0.0).powi(2)
}

impl<'b, 's> Search<'b, 's> {
    /// Prepares a search.
    ///
    /// # Errors
    /// Where one of the cases has no rest as the vehicle is now.
    pub fn new(
        belief: &'b Belief<'s>,
        setup: &Setup,
        cases: &[AimedCase],
        independent: bool,
        limits: Limits,
    ) -> Result<Self, StaticsError> {
        let sheet = belief.sheet;
        let now: Vec<Model> = cases
            .iter()
            .map(|c| belief.model(setup, &c.loads))
            .collect();
        let mut starts = Vec::new();
        for model in &now {
            starts.push(model.equilibrium()?.state);
        }
        let units = now.first().map_or(0, |m| m.units.len());
        let (mut all, mut early) = (Vec::new(), Vec::new());
        if let Some(model) = now.first() {
            // Collar heights here are as set; what is believed of them is added later.
            let mut as_set = model.clone();
            setup.put_on(sheet, &mut as_set);
            for unit in 0..units {
                let (list, blocked) = choices(sheet, &as_set, setup, unit);
                all.push(list);
                early.extend(blocked);
            }
        }
        let groups = now
            .first()
            .map_or_else(Vec::new, |m| groups(m, &all, independent));
        let mut search = Self {
            belief,
            sheet,
            setup: setup.clone(),
            cases: cases.to_vec(),
            limits,
            offset: belief.offset(),
            now,
            choices: all,
            groups,
            starts,
            near: Vec::new(),
            reference_force: Vec::new(),
            early,
            signs: None,
        };
        search.signs = search.now.first().and_then(signs);
        search.refer();
        Ok(search)
    }

    /// Finds the reference poses and describes the vehicle near them.
    fn refer(&mut self) {
        let n = self.setup.0.len();
        let free = (DVector::repeat(n, -0.5), DVector::repeat(n, 0.5));
        if let Some((collars, _, _)) = self.collars(&self.setup, &free.0, &free.1)
            && let Some(rests) = self.rests(&Self::with_collars(&self.setup, &collars))
        {
            self.starts = rests.iter().map(|(_, r)| r.state).collect();
        }
        let near: Vec<NearCase> = (0..self.cases.len()).map(|c| self.near_case(c)).collect();
        self.reference_force = near.iter().map(|c| c.force.clone()).collect();
        self.near = near;
    }

    fn near_case(&self, case: usize) -> NearCase {
        let p = self.starts[case];
        let model = &self.now[case];
        let mut rest_of_it = model.clone();
        for unit in &mut rest_of_it.units {
            unit.rate_factor = 0.0;
        }
        let (_, mut gradient_rest, mut stiffness) = rest_of_it.derivatives(&p);
        // What each unit carries in the reference pose, were the collars where that pose needs them.
        let force: Vec<f64> = self.forces_for(case, &gradient_rest);
        let held = |i: usize| model.held(i);
        let clean = |v: &mut State| {
            (0..COORDINATES)
                .filter(|&i| held(i))
                .for_each(|i| v[i] = 0.0);
        };
        let mut units = Vec::new();
        for (u, &carried) in force.iter().enumerate() {
            let (_, _, bend) = num_dual::hessian(|x| model.units[u].length(&model.pose(&x)), &p);
            stiffness -= bend * carried;
            let mut probe = model.clone();
            let collar_shift = model.units[u].collar - self.setup.0[u].collar;
            let list = self.choices[u]
                .iter()
                .map(|choice| {
                    choice.setting.put_on(self.sheet, &mut probe, u);
                    let unit = &mut probe.units[u];
                    unit.rate_factor = self.rate_factor(u, choice.setting.spring);
                    let unit = &probe.units[u];
                    let (l, mut along) = gradient(|x| unit.length(&probe.pose(x)), &p);
                    clean(&mut along);
                    let pressed = unit
                        .curve
                        .compression_at(carried / unit.rate_factor)
                        .unwrap_or(0.0);
                    NearUnit {
                        along,
                        rate: unit.rate_factor * unit.curve.rate(pressed.max(1e-9)),
                        seat: pressed + l - unit.free_length - unit.hardware - collar_shift,
                    }
                })
                .collect();
            units.push(list);
        }
        for i in (0..COORDINATES).filter(|&i| held(i)) {
            stiffness.row_mut(i).fill(0.0);
            stiffness.column_mut(i).fill(0.0);
            stiffness[(i, i)] = 1.0;
        }
        clean(&mut gradient_rest);
        let state = self.state_of(&p);
        let aims = &self.cases[case].aims;
        let mut off = DVector::zeros(aims.len());
        let mut rows = OMatrix::<f64, Dyn, U7>::zeros(aims.len());
        for (r, aim) in aims.iter().enumerate() {
            let (value, g) = aim.key.with_gradient(self.sheet, model, &state);
            off[r] = (value - aim.target) / aim.tolerance;
            for i in 0..COORDINATES {
                rows[(r, i)] = g[i] / aim.tolerance;
            }
        }
        NearCase {
            stiffness,
            gradient: gradient_rest,
            units,
            twist: self.signs.as_ref().map_or_else(Vec::new, |signs| {
                let all: f64 = force.iter().sum::<f64>().max(1.0);
                signs.iter().map(|s| s / (all * DIAGONAL)).collect()
            }),
            force,
            off,
            aims: rows,
        }
    }

    /// The unit forces that balance everything else at the reference pose as well
    /// as they can, nearest to equal compression.
    fn forces_for(&self, case: usize, gradient_rest: &State) -> Vec<f64> {
        let (p, model) = (self.starts[case], &self.now[case]);
        let n = model.units.len();
        let mut along = DMatrix::zeros(COORDINATES, n);
        for u in 0..n {
            let (_, g) = gradient(|x| model.units[u].length(&model.pose(x)), &p);
            for i in (0..COORDINATES).filter(|&i| !model.held(i)) {
                along[(i, u)] = g[i];
            }
        }
        let wanted = DVector::from_fn(COORDINATES, |i, _| {
            if model.held(i) { 0.0 } else { gradient_rest[i] }
        });
        along
            .svd(true, true)
            .solve(&wanted, 1e-6)
            .map_or_else(|_| vec![0.0; n], |f| f.iter().map(|f| f.max(0.0)).collect())
    }

    fn rate_factor(&self, unit: usize, spring: Option<usize>) -> f64 {
        let unknown = super::belief::Unknown::Rate { unit, spring };
        1.0 + self.belief.of(unknown).map_or(0.0, |(by, _)| by)
    }

    fn state_of(&self, rest: &State) -> PostureState {
        let mut state = self.offset;
        let mut part = state.fixed_rows_mut::<COORDINATES>(0);
        part += rest;
        state
    }

    fn with_collars(setup: &Setup, collars: &DVector<f64>) -> Setup {
        let mut setup = setup.clone();
        for (setting, &collar) in setup.0.iter_mut().zip(collars.iter()) {
            setting.collar = collar;
        }
        setup
    }

    fn setup_of(&self, combination: &[usize]) -> Setup {
        Setup(
            combination
                .iter()
                .enumerate()
                .map(|(u, &c)| self.choices[u][c].setting)
                .collect(),
        )
    }

    /// Every case at rest with a set-up.
    fn rests(&self, setup: &Setup) -> Option<Vec<(Model, Equilibrium)>> {
        self.cases
            .iter()
            .zip(&self.starts)
            .map(|(case, start)| {
                let model = self.belief.model(setup, &case.loads);
                let rest = model.equilibrium_from(start).ok()?;
                Some((model, rest))
            })
            .collect()
    }

    fn deviations(
        &self,
        rests: &[(Model, Equilibrium)],
        jacobian: Option<&mut DMatrix<f64>>,
    ) -> DVector<f64> {
        let mut off = Vec::new();
        let mut slopes = jacobian;
        for ((model, rest), case) in rests.iter().zip(&self.cases) {
            let state = self.state_of(&rest.state);
            let responses: Vec<State> = if slopes.is_some() {
                (0..model.units.len())
                    .map(|u| rest.response(model, Parameter::Collar(u)))
                    .collect()
            } else {
                Vec::new()
            };
            for aim in &case.aims {
                let (value, g) = aim.key.with_gradient(self.sheet, model, &state);
                if let Some(slopes) = slopes.as_deref_mut() {
                    for (u, response) in responses.iter().enumerate() {
                        slopes[(off.len(), u)] =
                            g.fixed_rows::<COORDINATES>(0).dot(response) / aim.tolerance;
                    }
                }
                off.push((value - aim.target) / aim.tolerance);
            }
            if let Some(signs) = &self.signs {
                let (value, by) = diagonal(model, rest, signs, &responses);
                if let Some(slopes) = slopes.as_deref_mut() {
                    for (u, slope) in by.iter().enumerate() {
                        slopes[(off.len(), u)] = slope / DIAGONAL;
                    }
                }
                off.push(value / DIAGONAL);
            }
        }
        DVector::from_vec(off)
    }

    fn aim_count(&self) -> usize {
        let twist = usize::from(self.signs.is_some());
        self.cases.iter().map(|c| c.aims.len() + twist).sum()
    }

    /// The collars of a set-up by bounded least squares on the full model, with the
    /// deviations and their derivatives there.
    fn collars(
        &self,
        setup: &Setup,
        lowest: &DVector<f64>,
        highest: &DVector<f64>,
    ) -> Option<(DVector<f64>, DVector<f64>, DMatrix<f64>)> {
        let n = setup.0.len();
        let count = self.aim_count();
        let start = DVector::from_fn(n, |u, _| setup.0[u].collar.clamp(lowest[u], highest[u]));
        let settings = leastsquares::Settings {
            lower: Some(lowest.clone()),
            upper: Some(highest.clone()),
            max_iterations: ITERATIONS,
            offset_tolerance: 1e-4,
            step_tolerance: 1e-7,
            // A pull of a tolerance a metre keeps undetermined collars where they are.
            priors: (0..n)
                .map(|parameter| leastsquares::Prior {
                    parameter,
                    mean: setup.0[parameter].collar,
                    standard_uncertainty: 1.0,
                })
                .collect(),
            ..leastsquares::Settings::default()
        };
        let solution =
            leastsquares::solve(&start, count, &settings, |x, residuals, slopes| match self
                .rests(&Self::with_collars(setup, x))
            {
                Some(rests) => residuals.copy_from(&self.deviations(&rests, slopes)),
                None => residuals.fill(f64::NAN),
            })
            .ok()?;
        let at = solution.parameters.clone();
        let rests = self.rests(&Self::with_collars(setup, &at))?;
        let mut slopes = DMatrix::zeros(count, n);
        let off = self.deviations(&rests, Some(&mut slopes));
        Some((at, off, slopes))
    }

    /// The value of a combination on the full model.
    fn worth(&self, combination: &[usize]) -> Worth {
        let n = combination.len();
        let chosen: Vec<&Choice> = combination
            .iter()
            .enumerate()
            .map(|(u, &c)| &self.choices[u][c])
            .collect();
        let base: f64 = chosen.iter().map(|c| c.effort).sum();
        let setup = self.setup_of(combination);
        let lowest = DVector::from_iterator(n, chosen.iter().map(|c| c.lowest));
        let highest = DVector::from_iterator(n, chosen.iter().map(|c| c.highest));
        if let Some(unit) = self.beyond_shelf(&setup) {
            return Worth {
                found: None,
                root_misfit: f64::INFINITY,
                blocked: vec![Blocked {
                    unit,
                    limit: Limit::Shelf,
                    by: 1.0,
                }],
            };
        }
        let Some((best, off, slopes)) = self.collars(&setup, &lowest, &highest) else {
            return Worth {
                found: None,
                root_misfit: f64::INFINITY,
                blocked: vec![Blocked {
                    unit: 0,
                    limit: Limit::NoRest,
                    by: f64::INFINITY,
                }],
            };
        };
        let root_misfit = off.norm();
        let mut ranked = self.rounded(&chosen, base, &best, &off, &slopes);
        ranked.truncate(TRIED);
        let unturned = DVector::from_iterator(n, setup.0.iter().map(|s| s.collar));
        if chosen
            .iter()
            .all(|c| (c.lowest..=c.highest).contains(&c.setting.collar))
        {
            ranked.push((0.0, unturned));
        }
        let (mut found, mut blocked) = (None::<Found>, Vec::new());
        for (_, collars) in ranked {
            let tried = Self::with_collars(&setup, &collars);
            match self.judge(&tried, &chosen, base) {
                Ok(one) if found.as_ref().is_none_or(|f| one.value < f.value) => found = Some(one),
                Ok(_) => {}
                Err(b) => blocked.push(b),
            }
        }
        Worth {
            found,
            root_misfit,
            blocked,
        }
    }

    /// The unit that wants a spring the shelf does not have.
    fn beyond_shelf(&self, setup: &Setup) -> Option<usize> {
        let mut left: Vec<u32> = self.sheet.shelf.iter().map(|s| s.count).collect();
        for (unit, setting) in setup.0.iter().enumerate() {
            if let Some(spring) = setting.spring {
                match left[spring].checked_sub(1) {
                    Some(fewer) => left[spring] = fewer,
                    None => return Some(unit),
                }
            }
        }
        None
    }

    /// Every subset of collars, rounded to steps, best first by the linear model.
    fn rounded(
        &self,
        chosen: &[&Choice],
        base: f64,
        best: &DVector<f64>,
        off: &DVector<f64>,
        slopes: &DMatrix<f64>,
    ) -> Vec<(f64, DVector<f64>)> {
        let n = chosen.len();
        let now = DVector::from_iterator(n, chosen.iter().map(|c| c.setting.collar));
        let steps: Vec<f64> = (0..n)
            .map(|u| {
                let unit = &self.now[0].units[u];
                let typed = self.sheet.unit(&unit.name);
                unit.pitch * typed.map_or(1.0, |t| t.collar.step_turns)
            })
            .collect();
        let normal = slopes.tr_mul(slopes);
        // Deviations were all collars where they are now.
        let at_now = off + slopes * (&now - best);
        let right = -slopes.tr_mul(&at_now);
        let square = at_now.norm_squared();
        let misfit = |by: &DVector<f64>| square - 2.0 * right.dot(by) + by.dot(&(&normal * by));
        let cost = |by: &DVector<f64>| {
            let turned = (0..n)
                .filter(|&u| by[u].abs() > 1e-9 && !chosen[u].out)
                .count();
            base + EFFORT_COLLAR * turned as f64 + misfit(by)
        };
        // In whole steps from where each collar is.
        let range: Vec<(f64, f64)> = (0..n)
            .map(|u| {
                let (low, high) = (chosen[u].lowest - now[u], chosen[u].highest - now[u]);
                (
                    (low / steps[u] - 1e-9).ceil(),
                    (high / steps[u] + 1e-9).floor(),
                )
            })
            .collect();
        if range.iter().any(|(low, high)| low > high) {
            return Vec::new();
        }
        let mut list: Vec<(f64, DVector<f64>)> = Vec::new();
        for mask in 0_u32..1 << n.min(8) {
            let turned = |u: usize| u >= 8 || mask & (1 << u) != 0;
            let bounds = |f: fn(&(f64, f64)) -> f64| {
                DVector::from_fn(n, |u, _| {
                    let nearest = 0.0_f64.clamp(range[u].0, range[u].1);
                    steps[u] * if turned(u) { f(&range[u]) } else { nearest }
                })
            };
            let free = super::bounded::bounded(&normal, &right, &bounds(|r| r.0), &bounds(|r| r.1));
            let mut by = DVector::from_fn(n, |u, _| {
                steps[u] * (free[u] / steps[u]).round().clamp(range[u].0, range[u].1)
            });
            // One step up or down at one or two collars, as long as that helps.
            let mut value = cost(&by);
            for _ in 0..50 {
                let mut better = None;
                let within = |by: &DVector<f64>, u: usize| {
                    let k = (by[u] / steps[u]).round();
                    (range[u].0..=range[u].1).contains(&k)
                };
                for u in (0..n).filter(|&u| turned(u)) {
                    for v in (u..n).filter(|&v| turned(v)) {
                        for (a, b) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)] {
                            let mut moved = by.clone();
                            moved[u] += a * steps[u];
                            if v != u {
                                moved[v] += b * steps[v];
                            }
                            if within(&moved, u) && within(&moved, v) {
                                let c = cost(&moved);
                                if c < value - 1e-12 {
                                    value = c;
                                    better = Some(moved);
                                }
                            }
                        }
                    }
                }
                match better {
                    Some(moved) => by = moved,
                    None => break,
                }
            }
            let collars = &now + &by;
            if !list.iter().any(|(_, c)| (c - &collars).amax() < 1e-9) {
                list.push((value, collars));
            }
        }
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        list
    }

    /// Value of a set-up by new equilibria, or the limit that it breaks.
    fn judge(&self, setup: &Setup, chosen: &[&Choice], base: f64) -> Result<Found, Blocked> {
        let none = Blocked {
            unit: 0,
            limit: Limit::NoRest,
            by: f64::INFINITY,
        };
        let rests = self.rests(setup).ok_or(none)?;
        let changed = *setup != self.setup;
        let mut risk = 0.0;
        for (c, (model, rest)) in rests.iter().enumerate() {
            if changed {
                self.keeps_limits(c, model, rest)?;
            }
            risk += RISK * tight(model, rest) as f64 / rests.len() as f64;
        }
        let turned = chosen
            .iter()
            .zip(&setup.0)
            .filter(|(c, s)| !c.out && (c.setting.collar - s.collar).abs() > 1e-9)
            .count();
        let effort = base + EFFORT_COLLAR * turned as f64;
        let off = self.deviations(&rests, None);
        let twist = self.twist_of(&off);
        let misfit = off.norm_squared() - twist;
        Ok(Found {
            setup: setup.clone(),
            value: misfit + twist + effort + risk,
            misfit,
            twist,
            effort,
            risk,
        })
    }

    /// The part of squared deviations that is the diagonal's.
    fn twist_of(&self, off: &DVector<f64>) -> f64 {
        let (mut at, mut twist) = (0, 0.0);
        for case in self.cases.iter().filter(|_| self.signs.is_some()) {
            at += case.aims.len();
            twist += off[at].powi(2);
            at += 1;
        }
        twist
    }

    /// Travel, load and link angle of one case; what is there already may stay as bad.
    fn keeps_limits(&self, case: usize, model: &Model, rest: &Equilibrium) -> Result<(), Blocked> {
        let pose = model.pose(&rest.state);
        let start = &self.now[case];
        let before = start.pose(&self.starts_now(case));
        for (unit, u) in model.units.iter().enumerate() {
            let stroke = u.extended - u.compressed;
            let least = self.limits.travel_share * stroke;
            let (length, length_before) = (u.length(&pose), start.units[unit].length(&before));
            for (limit, room, room_before) in [
                (
                    Limit::TravelUp,
                    length - u.compressed,
                    length_before - u.compressed,
                ),
                (
                    Limit::TravelDown,
                    u.extended - length,
                    u.extended - length_before,
                ),
            ] {
                let due = least.min(room_before);
                if room < due - 1e-6 {
                    return Err(Blocked {
                        unit,
                        limit,
                        by: due - room,
                    });
                }
            }
            let most = self.limits.force_ratio * self.reference_force[case][unit];
            let carried = u.spring_force(length);
            if carried > most.max(1.0) {
                return Err(Blocked {
                    unit,
                    limit: Limit::Overload,
                    by: carried / most.max(1.0) - 1.0,
                });
            }
        }
        for (axle, steepest) in steepest_links(model, rest) {
            let then = steepest_links_at(start, &self.starts_now(case))
                .into_iter()
                .find(|l| l.0 == axle)
                .map_or(0.0, |l| l.1);
            let due = self.limits.link_rad.max(then);
            if steepest > due + 1e-6 {
                return Err(Blocked {
                    unit: axle,
                    limit: Limit::LinkAngle,
                    by: steepest - due,
                });
            }
        }
        Ok(())
    }

    fn starts_now(&self, case: usize) -> State {
        self.now[case]
            .equilibrium_from(&self.starts[case])
            .map_or(self.starts[case], |r| r.state)
    }

    /// The value of leaving everything as it is.
    pub fn leave(&self) -> Option<Found> {
        let combination = vec![0; self.choices.len()];
        let chosen: Vec<&Choice> = combination
            .iter()
            .enumerate()
            .map(|(u, &c)| &self.choices[u][c])
            .collect();
        self.judge(&self.setup, &chosen, 0.0).ok()
    }

    /// The value of a set-up that somebody wants, or the limit that it breaks.
    ///
    /// # Errors
    /// The limit.
    pub fn value_of(&self, setup: &Setup) -> Result<Found, Blocked> {
        let chosen: Vec<Choice> = setup
            .0
            .iter()
            .enumerate()
            .map(|(u, setting)| {
                let alike = |c: &&Choice| {
                    c.setting.upper == setting.upper
                        && c.setting.lower == setting.lower
                        && c.setting.spring == setting.spring
                };
                let plain = Choice {
                    setting: *setting,
                    out: true,
                    effort: super::choices::EFFORT_OUT,
                    lowest: setting.collar,
                    highest: setting.collar,
                };
                self.choices[u].iter().find(alike).copied().unwrap_or(plain)
            })
            .collect();
        let base = chosen.iter().map(|c| c.effort).sum();
        self.judge(setup, &chosen.iter().collect::<Vec<_>>(), base)
    }

    /// The best k by the search.
    pub fn best(&self, k: usize) -> Outcome {
        let lists = self.lists();
        let mut known: HashMap<[usize; 2], Worth> = HashMap::new();
        let mut slack = SLACK;
        let mut bounded = 0;
        let ranked = loop {
            let seeds = self.seeds(&lists, k, slack);
            let mut ranked = Vec::new();
            let whole = self
                .value_all((&lists, &seeds), (k, slack), &mut known, &mut ranked)
                .and_then(|()| {
                    let limit = limit_of(&ranked, k);
                    let left = self.sweep(&lists, limit, slack, &mut bounded);
                    ranked.clear();
                    self.value_all((&lists, &left), (k, slack), &mut known, &mut ranked)
                });
            match whole {
                Ok(()) => break ranked,
                Err(excess) => slack = 2.0 * excess,
            }
        };
        let best = ranked.iter().take(k);
        let found = best
            .filter_map(|(_, at)| known.get(at)?.found.clone())
            .collect();
        let blocked = known
            .values()
            .flat_map(|w| w.blocked.iter().copied())
            .chain(self.early.iter().copied());
        Outcome {
            found,
            blocked: least_each(blocked),
            tally: Tally {
                combinations: self.groups.iter().map(|g| g.options.len() as f64).product(),
                bounded,
                valued: known.len(),
                slack,
            },
        }
    }

    /// Promising pairs: the first ones by the sum of their axles' bounds.
    fn seeds(&self, lists: &Lists, k: usize, slack: f64) -> Vec<(f64, [usize; 2])> {
        let mut heap = BinaryHeap::new();
        let first = |at: [usize; 2]| {
            let key = lists[0].get(at[0])?.0 + lists[1].get(at[1])?.0;
            Some(Node { key, at })
        };
        heap.extend(first([0, 0]));
        let mut seeds = Vec::new();
        while let Some(Node { at, .. }) = heap.pop() {
            heap.extend(first([at[0], at[1] + 1]));
            if at[1] == 0 {
                heap.extend(first([at[0] + 1, 0]));
            }
            let combination = self.combination(lists, at);
            let least = least_misfit(&self.near, &self.choices, &combination);
            if let Some((misfit, _)) = least {
                seeds.push((lowered(self.effort(&combination), misfit, slack), at));
            }
            if seeds.len() >= SEEDS * k.max(1) {
                break;
            }
        }
        seeds.sort_by(by_bound);
        seeds
    }

    /// Every pair that could still be among the best, with its bound, the least first.
    fn sweep(
        &self,
        lists: &Lists,
        limit: f64,
        slack: f64,
        bounded: &mut usize,
    ) -> Vec<(f64, [usize; 2])> {
        let mut left = Vec::new();
        let empty = Vec::new();
        let units = |i: usize| self.groups.get(i).map_or(&empty, |g| &g.units);
        // A sum of bounds, the margin taken off the root of all of it.
        let hopeless = |key: f64| key - 2.0 * slack * key.sqrt() >= limit;
        let Some(least) = lists[1].first().map(|l| l.0) else {
            return left;
        };
        let mut pairing = Pairing::new(&self.near, &self.choices, units(1));
        for (i, (key, option)) in lists[0].iter().enumerate() {
            if hopeless(key + least) {
                break;
            }
            let decided: Vec<(usize, usize)> = units(0)
                .iter()
                .copied()
                .zip(option.iter().copied())
                .collect();
            let effort = self.effort_of(&decided);
            let solid = pairing.decide(&decided);
            for (j, (other_key, other)) in lists[1].iter().enumerate() {
                if hopeless(key + other_key) {
                    break;
                }
                *bounded += 1;
                let more = units(1).iter().copied().zip(other.iter().copied());
                let effort = effort + more.map(|(u, c)| self.choices[u][c].effort).sum::<f64>();
                // Where the linear description has no rest, the full model decides.
                let room = ((limit - effort).max(0.0).sqrt() + slack).powi(2);
                let misfit = if solid {
                    pairing.with(other, room)
                } else {
                    Some(0.0)
                };
                if let Some(misfit) = misfit {
                    let bound = lowered(effort, misfit, slack);
                    if bound < limit {
                        left.push((bound, [i, j]));
                    }
                }
            }
        }
        left.sort_by(by_bound);
        left
    }

    /// Works out pairs in the order of their bounds until none can be among the best k.
    ///
    /// # Errors
    /// The excess of a bound over the full model, where it is more than the margin.
    fn value_all(
        &self,
        (lists, pairs): (&Lists, &[(f64, [usize; 2])]),
        (k, slack): (usize, f64),
        known: &mut HashMap<[usize; 2], Worth>,
        ranked: &mut Vec<(f64, [usize; 2])>,
    ) -> Result<(), f64> {
        for &(bound, at) in pairs {
            if bound >= limit_of(ranked, k) {
                break;
            }
            let combination = self.combination(lists, at);
            let worth = known.entry(at).or_insert_with(|| self.worth(&combination));
            let least = least_misfit(&self.near, &self.choices, &combination);
            let excess = least.map_or(0.0, |(m, _)| m.sqrt() - worth.root_misfit);
            if worth.root_misfit.is_finite() && excess > slack {
                return Err(excess);
            }
            if let Some(found) = &worth.found {
                let place = ranked.partition_point(|(v, a)| (*v, *a) < (found.value, at));
                ranked.insert(place, (found.value, at));
            }
        }
        Ok(())
    }

    /// The same by working out every combination: to check the search.
    pub fn every(&self, k: usize) -> Vec<Found> {
        let lists = self.options();
        let mut all = Vec::new();
        for a in 0..lists[0].len() {
            for b in 0..lists[1].len() {
                let combination = self.joined(&lists[0][a], &lists[1][b]);
                all.extend(self.worth(&combination).found);
            }
        }
        all.sort_by(|a, b| a.value.total_cmp(&b.value));
        all.truncate(k);
        all
    }

    fn effort(&self, combination: &[usize]) -> f64 {
        let each = combination
            .iter()
            .enumerate()
            .map(|(u, &c)| self.choices[u][c].effort);
        each.sum()
    }

    fn effort_of(&self, decided: &[(usize, usize)]) -> f64 {
        decided
            .iter()
            .map(|&(u, c)| self.choices[u][c].effort)
            .sum()
    }

    fn options(&self) -> [Vec<Vec<usize>>; 2] {
        let of = |i: usize| {
            self.groups
                .get(i)
                .map_or_else(|| vec![Vec::new()], |g| g.options.clone())
        };
        [of(0), of(1)]
    }

    fn joined(&self, a: &[usize], b: &[usize]) -> Vec<usize> {
        let mut combination = vec![0; self.choices.len()];
        for (group, option) in self.groups.iter().zip([a, b]) {
            for (&unit, &choice) in group.units.iter().zip(option) {
                combination[unit] = choice;
            }
        }
        combination
    }

    fn combination(&self, lists: &Lists, at: [usize; 2]) -> Vec<usize> {
        self.joined(&lists[0][at[0]].1, &lists[1][at[1]].1)
    }

    /// Every axle's combinations with effort plus bound of its share, sorted.
    fn lists(&self) -> Lists {
        let wheelbase = self.sheet.wheelbase.m().max(1e-9);
        // One list for all cases: their aims come in the same order.
        let forward: Vec<f64> = self.cases.first().map_or_else(Vec::new, |c| {
            c.aims
                .iter()
                .map(|aim| match aim.key {
                    QuantityKey::Height(i) => self
                        .sheet
                        .stations
                        .get(i)
                        .map_or(0.5, |s| s.at.x.m() / wheelbase),
                    QuantityKey::LinkAngle(axle) | QuantityKey::SideShift(axle) => axle as f64,
                    _ => 0.5,
                })
                .collect()
        });
        let alone = self.groups.len() < 2;
        let of = |i: usize| -> Vec<(f64, Vec<usize>)> {
            let Some(group) = self.groups.get(i) else {
                return vec![(0.0, Vec::new())];
            };
            let rear = i == 0;
            let share = Share::of(
                &self.near,
                group,
                alone,
                rear,
                &forward,
                self.limits.force_ratio,
            );
            let mut list: Vec<(f64, Vec<usize>)> = group
                .options
                .iter()
                .map(|option| {
                    let decided: Vec<(usize, usize)> = group
                        .units
                        .iter()
                        .copied()
                        .zip(option.iter().copied())
                        .collect();
                    let effort = self.effort_of(&decided);
                    (
                        effort + bound(&self.near, &self.choices, &share, &decided),
                        option.clone(),
                    )
                })
                .collect();
            list.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.cmp(&b.1)));
            list
        };
        [of(0), of(1)]
    }

    /// What would have to give way for the present holes and springs to meet the
    /// aims: the collars that would, and every limit they break.
    pub fn in_the_way(&self) -> Vec<Blocked> {
        let n = self.setup.0.len();
        let wide = (DVector::repeat(n, -0.5), DVector::repeat(n, 0.5));
        let Some((wanted, _, _)) = self.collars(&self.setup, &wide.0, &wide.1) else {
            return Vec::new();
        };
        let mut as_set = self.now[0].clone();
        self.setup.put_on(self.sheet, &mut as_set);
        let mut all = Vec::new();
        for unit in 0..n {
            for (i, (limit, at)) in collar_limits(self.sheet, &as_set, unit)
                .into_iter()
                .enumerate()
            {
                let by = if i < 2 {
                    at - wanted[unit]
                } else {
                    wanted[unit] - at
                };
                if by > 1e-4 {
                    all.push(Blocked { unit, limit, by });
                }
            }
        }
        all
    }

    /// Belief, sheet and set-up that it was prepared with.
    pub(super) fn parts(
        &self,
    ) -> (
        &'b Belief<'s>,
        &'s BuildSheet,
        &Setup,
        &[AimedCase],
        &Limits,
    ) {
        (
            self.belief,
            self.sheet,
            &self.setup,
            &self.cases,
            &self.limits,
        )
    }
}

/// The pair of opposite corners of each unit: left front and right rear +1, the others
/// -1; nothing where one of the four has no unit.
fn signs(model: &Model) -> Option<Vec<f64>> {
    let at = |axle, side| model.units.iter().any(|u| u.axle == axle && u.side == side);
    let four = (0..2).all(|axle| at(axle, Side::Left) && at(axle, Side::Right));
    four.then(|| {
        model
            .units
            .iter()
            .map(|u| {
                if (u.axle == 0) == (u.side == Side::Right) {
                    1.0
                } else {
                    -1.0
                }
            })
            .collect()
    })
}

/// What one pair of opposite corners' springs carry more than the other, as a share of
/// all, and its change by a metre of each collar.
fn diagonal(
    model: &Model,
    rest: &Equilibrium,
    signs: &[f64],
    responses: &[State],
) -> (f64, Vec<f64>) {
    let pose = model.pose(&rest.state);
    let forces: Vec<f64> = model
        .units
        .iter()
        .map(|u| u.spring_force(u.length(&pose)))
        .collect();
    let all = forces.iter().sum::<f64>().max(1.0);
    let value = forces.iter().zip(signs).map(|(f, s)| f * s).sum::<f64>() / all;
    if responses.is_empty() {
        return (value, Vec::new());
    }
    let slopes: Vec<(f64, State)> = model
        .units
        .iter()
        .map(|unit| {
            let (l, along) = gradient(|x| unit.length(&model.pose(x)), &rest.state);
            (unit.spring_rate(l), along)
        })
        .collect();
    let by = responses
        .iter()
        .enumerate()
        .map(|(u, response)| {
            let changes = slopes.iter().enumerate().map(|(v, (rate, along))| {
                let own = if u == v { 1.0 } else { 0.0 };
                rate * (own - along.dot(response)) * (signs[v] - value)
            });
            changes.sum::<f64>() / all
        })
        .collect();
    (value, by)
}

/// Units with little travel left up.
fn tight(model: &Model, rest: &Equilibrium) -> usize {
    let pose = model.pose(&rest.state);
    model
        .units
        .iter()
        .filter(|u| u.length(&pose) - u.compressed < TIGHT_TRAVEL * (u.extended - u.compressed))
        .count()
}

fn steepest_links(model: &Model, rest: &Equilibrium) -> Vec<(usize, f64)> {
    steepest_links_at(model, &rest.state)
}

/// The steepest that each link gets between full bump and full droop of its axle.
fn steepest_links_at(model: &Model, q: &State) -> Vec<(usize, f64)> {
    let pose = model.pose(q);
    (0..2)
        .filter_map(|axle| {
            let (_, link) = model.link(axle)?;
            pose.axle(axle)?;
            let coordinate = crate::geometry::axle_coordinate(axle);
            let (mut up, mut down) = (f64::INFINITY, f64::INFINITY);
            for unit in model.units.iter().filter(|u| u.axle == axle) {
                let (l, g) = gradient(|x| unit.length(&model.pose(x)), q);
                let slope = g[coordinate].abs().max(0.1);
                up = up.min((l - unit.compressed).max(0.0) / slope);
                down = down.min((unit.extended - l).max(0.0) / slope);
            }
            if !up.is_finite() {
                return None;
            }
            let steepest = [0.0, up, -down]
                .into_iter()
                .filter_map(|by| {
                    let mut moved = *q;
                    moved[coordinate] += by;
                    let pose = model.pose(&moved);
                    let at = pose.axle(axle)?;
                    Some(link.angle(&pose.frame, at).abs())
                })
                .fold(0.0, f64::max);
            Some((axle, steepest))
        })
        .collect()
}

/// Each unit and limit once, with the least that would have to give way.
fn least_each(all: impl Iterator<Item = Blocked>) -> Vec<Blocked> {
    let mut list: Vec<Blocked> = all.collect();
    list.sort_by(|a, b| {
        (a.unit, a.limit)
            .cmp(&(b.unit, b.limit))
            .then(a.by.total_cmp(&b.by))
    });
    list.dedup_by_key(|b| (b.unit, b.limit));
    list
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, reason = "a test may end at once")]
    use super::*;
    use crate::quantity::UnitSystem;
    use crate::sheet::{parse, template};

    /// The fast way of pairs gives the least misfit of the plain one, for every pair
    /// and both ways round, and no sum of the axles' bounds is above it.
    #[test]
    fn pairs_and_bounds_agree_with_the_plain_way() {
        let text = template(UnitSystem::Metric)
            + r#"
[[shelf]]
name = "one"
rate = "33 N/mm"
free_length = "240 mm"
[[shelf]]
name = "two"
rate = "46 N/mm"
free_length = "200 mm"
count = 4
"#;
        let sheet = parse(&text, "new.toml").map_or_else(|e| panic!("{e}"), |c| c.sheet);
        let belief = Belief::new(&sheet, None);
        let setup = Setup::of(&sheet, &belief.model(&Setup(Vec::new()), &[]));
        let cases: Vec<AimedCase> = sheet
            .cases
            .iter()
            .map(|c| AimedCase {
                name: c.name.clone(),
                loads: c.loads.clone(),
                aims: crate::compare::aims(&sheet),
            })
            .collect();
        let search = Search::new(&belief, &setup, &cases, true, Limits::default()).unwrap();
        let lists = search.lists();
        let mut pairing = Pairing::new(&search.near, &search.choices, &search.groups[1].units);
        let mut tried = 0;
        for (i, (_, option)) in lists[0].iter().enumerate() {
            let decided: Vec<_> = search.groups[0]
                .units
                .iter()
                .copied()
                .zip(option.iter().copied())
                .collect();
            assert!(pairing.decide(&decided));
            for (j, (_, other)) in lists[1].iter().enumerate() {
                let combination = search.combination(&lists, [i, j]);
                let (plain, _) = least_misfit(&search.near, &search.choices, &combination).unwrap();
                let fast = pairing.with(other, f64::INFINITY).unwrap();
                assert!(
                    (fast - plain).abs() < 1e-3 * plain.max(1.0),
                    "{fast} {plain}"
                );
                let value = search.effort(&combination) + plain;
                let sum = lists[0][i].0 + lists[1][j].0;
                assert!(sum <= value + 1e-6, "{sum} is above {value}");
                tried += 1;
            }
        }
        assert!(tried > 50, "{tried}");
    }
}
