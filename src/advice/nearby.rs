//! The vehicle near the pose that it should come to: what every choice of holes,
//! springs and collars does, by linear algebra alone.
//!
//! In: a reference pose for every load case, at which all aims are about met. Out:
//! for any combination the least misfit that its collars can reach there, and a
//! lower bound of it from one axle's part alone. Refused: nothing.
//!
//! Good combinations all bring the vehicle to nearly the same pose, so every hole's
//! exact length and line of action at that pose is a good description of it,
//! however far the hole is from the present one.
//!
//! # Method
//! At the reference pose p of a case, with d the small departure from it, H and g
//! the Hessian and gradient of everything but the unit springs (geometric stiffness
//! of the units' reference forces included), a unit with length l and gradient J,
//! reference force F0, local rate k and the collar height c0 at which it gives F0:
//!
//! (H + sum k J J') d = -g + sum (F0 + k (c - c0)) J, aims r = r0 + A d.
//!
//! d is affine in the collars, so the least misfit is a bounded linear least
//! squares problem.
//!
//! # The bound, and why it holds
//! Let the combination of one axle be given and those of the others open.
//!
//! 1. Whatever the others are, they act on the equation above only through forces
//!    f J_h, h one of their holes. The bound lets these forces be anything in the
//!    span of all J_h, in every case anew. Every true combination is among these, so
//!    the least misfit over them is no greater than the true one.
//! 2. Directions of the span in which the J_h are small can only carry small forces
//!    (|s'J_h| times the most that a unit may carry, P). A penalty t (phi/P)^2 on
//!    them, less t, adds nothing positive for any true combination (phi <= P), so the
//!    bound stays a bound.
//! 3. Every aim's square is shared out between the two axles with weights that sum
//!    to 1. Each axle's bound takes its share; the sum of two minima is no greater
//!    than the minimum of the sum, which is the misfit.
//! 4. Efforts and risks are not negative, and a collar rounded to steps, or left
//!    unturned, cannot be better than the free one within the same range.
//!
//! So effort + bound(one axle) + bound(other axle) <= value of every plan with these
//! combinations, within this linear description. How far that is from the full
//! model is watched while searching (see [`super::search`]).

use super::bounded::bounded;
use super::choices::{Choice, Group};
use crate::geometry::{COORDINATES, State, StateMatrix};
use nalgebra::{DMatrix, DVector, Dyn, OMatrix, U7};

/// Directions that carry less than this share of the largest are penalised, not free.
const SMALL_DIRECTION: f64 = 0.05;
/// Weight t of that penalty, in squared tolerances.
const PENALTY: f64 = 0.02;
/// Least share of an aim that either axle has.
const LEAST_SHARE: f64 = 0.12;

/// A choice of a unit in a case, near the reference pose.
#[derive(Debug, Clone)]
pub(super) struct NearUnit {
    /// Gradient of its length, held coordinates zero.
    pub(super) along: State,
    /// Local rate of its spring, N/m.
    pub(super) rate: f64,
    /// Collar height (as set) at which it gives the reference force, metres.
    pub(super) seat: f64,
}

/// A load case near its reference pose.
#[derive(Debug, Clone)]
pub(super) struct NearCase {
    /// Everything but the units' springs.
    pub(super) stiffness: StateMatrix,
    /// Its gradient at the reference pose, held coordinates zero.
    pub(super) gradient: State,
    /// Reference force of each unit, newtons.
    pub(super) force: Vec<f64>,
    /// Every choice of every unit.
    pub(super) units: Vec<Vec<NearUnit>>,
    /// What a newton of each unit does to the weighed diagonal; empty where there is none.
    pub(super) twist: Vec<f64>,
    /// Weighed deviations of the aims at the reference pose.
    pub(super) off: DVector<f64>,
    /// Their derivatives.
    pub(super) aims: OMatrix<f64, Dyn, U7>,
}

/// How much of each aim belongs to an axle, and the forces that the others may have.
#[derive(Debug, Clone)]
pub(super) struct Share {
    /// Root of the share, aim by aim.
    root: DVector<f64>,
    /// For every case: free directions, small ones with the most they carry.
    others: Vec<Others>,
}

#[derive(Debug, Clone)]
struct Others {
    free: Vec<State>,
    small: Vec<(State, f64)>,
}

impl NearCase {
    /// (base, columns): departures with collars at zero, and by a metre of each
    /// decided unit's collar, then by each further force.
    fn departures(
        &self,
        decided: &[(usize, usize)],
        forces: &[State],
        extra: &[State],
    ) -> (StateMatrix, OMatrix<f64, U7, Dyn>) {
        let mut matrix = self.stiffness;
        let mut right = OMatrix::<f64, U7, Dyn>::zeros(1 + decided.len() + forces.len());
        let mut base = -self.gradient;
        for (i, &(u, c)) in decided.iter().enumerate() {
            let unit = &self.units[u][c];
            matrix.ger(unit.rate, &unit.along, &unit.along, 1.0);
            base += unit.along * (self.force[u] - unit.rate * unit.seat);
            right.set_column(1 + i, &(unit.along * unit.rate));
        }
        right.set_column(0, &base);
        // Stiffness along a direction whose force is free changes nothing that can be reached.
        for s in extra {
            matrix.ger(2e4, s, s, 1.0);
        }
        for (j, s) in forces.iter().enumerate() {
            right.set_column(1 + decided.len() + j, s);
        }
        (matrix, right)
    }

    /// Deviations with collars at zero, then their change by each column.
    fn reach(
        &self,
        decided: &[(usize, usize)],
        forces: &[State],
        extra: &[State],
    ) -> Option<DMatrix<f64>> {
        let (matrix, right) = self.departures(decided, forces, extra);
        let solved = matrix.cholesky()?.solve(&right);
        let rows = self.aims.nrows();
        // The diagonal counts only where all units are decided.
        let twisted = !self.twist.is_empty() && decided.len() == self.twist.len();
        let mut reach = DMatrix::zeros(rows + usize::from(twisted), solved.ncols());
        reach.rows_mut(0, rows).gemm(1.0, &self.aims, &solved, 0.0);
        for (r, off) in self.off.iter().enumerate() {
            reach[(r, 0)] += off;
        }
        if twisted {
            for (i, &(u, c)) in decided.iter().enumerate() {
                let (unit, weight) = (&self.units[u][c], self.twist[u]);
                for column in 0..solved.ncols() {
                    reach[(rows, column)] -=
                        weight * unit.rate * unit.along.dot(&solved.column(column));
                }
                reach[(rows, 0)] += weight * (self.force[u] - unit.rate * unit.seat);
                reach[(rows, 1 + i)] += weight * unit.rate;
            }
        }
        Some(reach)
    }
}

impl Share {
    /// Shares the aims out: `belongs` says for each aim how far forward it is
    /// (0 rear, 1 front), `rear` whether this is the rear axle's share.
    pub(super) fn of(
        cases: &[NearCase],
        group: &Group,
        alone: bool,
        rear: bool,
        forward: &[f64],
        most: f64,
    ) -> Self {
        let root = DVector::from_iterator(
            forward.len(),
            forward.iter().map(|f| {
                let front = f.clamp(LEAST_SHARE, 1.0 - LEAST_SHARE);
                if alone {
                    1.0
                } else if rear {
                    (1.0 - front).sqrt()
                } else {
                    front.sqrt()
                }
            }),
        );
        let others = cases
            .iter()
            .map(|case| Others::of(case, group, most))
            .collect();
        Self { root, others }
    }
}

impl Others {
    fn of(case: &NearCase, group: &Group, most: f64) -> Self {
        let mut gram = StateMatrix::zeros();
        let open = || (0..case.units.len()).filter(|u| !group.units.contains(u));
        for u in open() {
            for choice in &case.units[u] {
                gram.ger(1.0, &choice.along, &choice.along, 1.0);
            }
        }
        let eigen = gram.symmetric_eigen();
        let carried = |s: &State| -> f64 {
            open()
                .map(|u| {
                    let along = case.units[u].iter().map(|c| c.along.dot(s).abs());
                    case.force[u].abs() * most * along.fold(0.0, f64::max)
                })
                .sum()
        };
        let directions: Vec<(State, f64)> = (0..COORDINATES)
            .map(|j| {
                let s = eigen.eigenvectors.column(j).into_owned();
                (s, carried(&s))
            })
            .collect();
        let largest = directions.iter().map(|d| d.1).fold(0.0, f64::max);
        let (mut free, mut small) = (Vec::new(), Vec::new());
        for (s, can) in directions {
            if can > SMALL_DIRECTION * largest {
                free.push(s);
            } else if can > 1e-9 * largest {
                small.push((s, can));
            }
        }
        Self { free, small }
    }
}

/// The least misfit of a whole combination, collars free within their ranges, and
/// the collars that reach it.
pub(super) fn least_misfit(
    cases: &[NearCase],
    choices: &[Vec<Choice>],
    combination: &[usize],
) -> Option<(f64, DVector<f64>)> {
    let decided: Vec<(usize, usize)> = combination.iter().copied().enumerate().collect();
    let n = decided.len();
    let (mut normal, mut right, mut square) = (DMatrix::zeros(n, n), DVector::zeros(n), 0.0);
    for case in cases {
        let reach = case.reach(&decided, &[], &[])?;
        add(&reach, n, &mut normal, &mut right, &mut square);
    }
    Some(finish(&decided, choices, &normal, &right, square))
}

/// A lower bound of the misfit's share of one axle, its combination given.
pub(super) fn bound(
    cases: &[NearCase],
    choices: &[Vec<Choice>],
    share: &Share,
    decided: &[(usize, usize)],
) -> f64 {
    let n = decided.len();
    let (mut normal, mut right, mut square) = (DMatrix::zeros(n, n), DVector::zeros(n), 0.0);
    let mut granted = 0.0;
    for (case, others) in cases.iter().zip(&share.others) {
        let forces: Vec<State> = others
            .free
            .iter()
            .copied()
            .chain(others.small.iter().map(|s| s.0 * s.1))
            .collect();
        let Some(mut reach) = case.reach(decided, &forces, &others.free) else {
            return 0.0;
        };
        for (mut row, w) in reach.row_iter_mut().zip(share.root.iter()) {
            row *= *w;
        }
        // Penalty rows: phi of a small direction in units of the most it carries.
        let rows = reach.nrows();
        let mut tall = reach.insert_rows(rows, others.small.len(), 0.0);
        for j in 0..others.small.len() {
            tall[(rows + j, 1 + n + others.free.len() + j)] = PENALTY.sqrt();
            granted += PENALTY;
        }
        take_out(&mut tall, 1 + n);
        add(&tall, n, &mut normal, &mut right, &mut square);
    }
    let (least, _) = finish(decided, choices, &normal, &right, square);
    (least - granted).max(0.0)
}

/// Takes everything that the columns from `first` on can do out of those before.
fn take_out(tall: &mut DMatrix<f64>, first: usize) {
    let columns = tall.ncols();
    for j in first..columns {
        let before = tall.column(j).norm();
        for i in first..j {
            let dot = tall.column(i).dot(&tall.column(j));
            let other = tall.column(i).into_owned();
            tall.column_mut(j).axpy(-dot, &other, 1.0);
        }
        let norm = tall.column(j).norm();
        if norm <= 1e-9 * before || norm <= 1e-300 {
            tall.column_mut(j).fill(0.0);
            continue;
        }
        tall.column_mut(j).scale_mut(1.0 / norm);
        let unit = tall.column(j).into_owned();
        for i in 0..first {
            let dot = unit.dot(&tall.column(i));
            tall.column_mut(i).axpy(-dot, &unit, 1.0);
        }
    }
}

fn add(
    reach: &DMatrix<f64>,
    n: usize,
    normal: &mut DMatrix<f64>,
    right: &mut DVector<f64>,
    square: &mut f64,
) {
    let base = reach.column(0);
    let columns = reach.columns(1, n);
    normal.gemm_tr(1.0, &columns, &columns, 1.0);
    right.gemv_tr(-1.0, &columns, &base, 1.0);
    *square += base.norm_squared();
}

pub(super) fn finish(
    decided: &[(usize, usize)],
    choices: &[Vec<Choice>],
    normal: &DMatrix<f64>,
    right: &DVector<f64>,
    square: f64,
) -> (f64, DVector<f64>) {
    let range = |f: fn(&Choice) -> f64| {
        DVector::from_iterator(
            decided.len(),
            decided.iter().map(|&(u, c)| f(&choices[u][c])),
        )
    };
    let collars = bounded(normal, right, &range(|c| c.lowest), &range(|c| c.highest));
    let misfit = square - 2.0 * right.dot(&collars) + collars.dot(&(normal * &collars));
    (misfit.max(0.0), collars)
}
