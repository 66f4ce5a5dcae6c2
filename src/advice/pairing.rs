//! One axle's combination decided, the other's tried one after the other: the least
//! misfit of each pair near the reference pose, fast.
//!
//! In: the description near the reference poses. Out: for a pair of combinations the
//! least misfit that their collars reach, or that it is above a limit. Refused:
//! nothing; the numbers are those of [`super::nearby::least_misfit`], by another order
//! of the same elimination.
//!
//! # Method
//! With the first axle decided, G is the inverse of everything but the second axle's
//! springs. The second axle's forces f act along J: d = d0 + G J f, and f = h + k c -
//! k J'd, so (1 + k J'G J) f = h + k c - k J'd0: as many equations as it has units. What
//! the collars of both do is affine, and the normal equations of all cases are small.
//! G needs something under the second axle: a spring of [`GROUND`], far below what
//! could be seen; it is an inverse and no compliance, for the second axle's end may tip
//! without its springs.

use super::choices::Choice;
use super::nearby::{NearCase, finish, least_misfit};
use crate::geometry::{State, StateMatrix};
use nalgebra::{DMatrix, DVector};

/// Rate that stands under the undecided axle, N/m. Chosen: 0.2 N at 20 mm.
const GROUND: f64 = 10.0;
/// Most units of an axle that go the fast way.
const MOST: usize = 4;

/// A case with the first axle decided.
struct Half {
    inverse: StateMatrix,
    /// Departure with all collars at zero and no force of the second axle.
    base: State,
    /// Departure by a metre of each of the first axle's collars.
    by_collar: Vec<State>,
    /// Row by row: weighed aims, then the diagonal where it counts, as functions of the
    /// departure: derivative, value at `base`, value by collar.
    rows: Vec<Row>,
}

struct Row {
    /// Derivative by the departure, times the inverse.
    through: State,
    value: f64,
    by_collar: Vec<f64>,
    /// Whether it is the diagonal, to which forces add themselves.
    diagonal: bool,
}

/// A choice of a unit of the second axle against the decided first one.
#[derive(Clone)]
struct Prepared {
    along: State,
    /// G J.
    through: State,
    rate: f64,
    /// k J'G J.
    own: f64,
    /// Its force with all collars at zero and no force of the second axle, less what
    /// the departure takes.
    constant: f64,
    /// Its change by each of the first axle's collars.
    by_collar: [f64; MOST],
    /// What a newton of it does to every row.
    weights: Vec<f64>,
}

/// The second axle's combinations against one of the first's.
pub(super) struct Pairing<'n> {
    near: &'n [NearCase],
    choices: &'n [Vec<Choice>],
    second: Vec<usize>,
    decided: Vec<(usize, usize)>,
    halves: Vec<Half>,
    /// By case, unit of the second axle and choice; made where first needed.
    prepared: Vec<Vec<Vec<Option<Prepared>>>>,
}

impl<'n> Pairing<'n> {
    pub(super) fn new(near: &'n [NearCase], choices: &'n [Vec<Choice>], second: &[usize]) -> Self {
        Self {
            near,
            choices,
            second: second.to_vec(),
            decided: Vec::new(),
            halves: Vec::new(),
            prepared: Vec::new(),
        }
    }

    /// Decides the first axle; false where there is no rest.
    pub(super) fn decide(&mut self, decided: &[(usize, usize)]) -> bool {
        self.decided = decided.to_vec();
        self.halves.clear();
        let blank = || {
            self.second
                .iter()
                .map(|&u| vec![None; self.choices[u].len()])
                .collect()
        };
        self.prepared = self.near.iter().map(|_| blank()).collect();
        for case in self.near {
            match half(case, decided, &self.second) {
                Some(half) => self.halves.push(half),
                None => return false,
            }
        }
        true
    }

    /// The least misfit with a combination of the second axle; none where it is
    /// `room` or more.
    pub(super) fn with(&mut self, option: &[usize], room: f64) -> Option<f64> {
        let (first, second) = (self.decided.len(), option.len());
        let n = first + second;
        let more = self.second.iter().copied().zip(option.iter().copied());
        if first > MOST || second > MOST {
            let mut all = vec![0; n];
            self.decided
                .iter()
                .copied()
                .chain(more)
                .for_each(|(u, c)| all[u] = c);
            return least_misfit(self.near, self.choices, &all)
                .map_or(Some(0.0), |(m, _)| (m < room).then_some(m));
        }
        let mut normal = [[0.0; 2 * MOST]; 2 * MOST];
        let mut right = [0.0; 2 * MOST];
        let mut square = 0.0;
        for ((case, half), prepared) in self.near.iter().zip(&self.halves).zip(&mut self.prepared) {
            for (slot, (list, &c)) in prepared.iter_mut().zip(option).enumerate() {
                if list[c].is_none() {
                    list[c] = Some(half.prepare(case, self.second[slot], c));
                }
            }
            let mut units: [Option<&Prepared>; MOST] = [None; MOST];
            for (slot, (list, &c)) in prepared.iter().zip(option).enumerate() {
                units[slot] = list[c].as_ref();
            }
            let units = || units.iter().flatten();
            // Forces of the second axle: constant part, by each collar.
            let mut forces = [[0.0; 2 * MOST + 1]; MOST];
            let mut matrix = [[0.0; MOST]; MOST];
            for (a, unit) in units().enumerate() {
                for (b, other) in units().enumerate() {
                    matrix[a][b] = if a == b {
                        1.0 + unit.own
                    } else {
                        unit.rate * unit.along.dot(&other.through)
                    };
                }
                forces[a][0] = unit.constant;
                forces[a][1..=first].copy_from_slice(&unit.by_collar[..first]);
                forces[a][1 + first + a] = unit.rate;
            }
            if !solve_small(&mut matrix, &mut forces, second, 1 + n) {
                return Some(0.0);
            }
            for (r, row_of) in half.rows.iter().enumerate() {
                let mut row = [0.0; 2 * MOST + 1];
                row[0] = row_of.value;
                row[1..=first].copy_from_slice(&row_of.by_collar);
                for (unit, force) in units().zip(&forces) {
                    let weight = unit.weights[r];
                    for (x, f) in row[..=n].iter_mut().zip(force) {
                        *x += weight * f;
                    }
                }
                square += row[0] * row[0];
                for a in 0..n {
                    right[a] -= row[1 + a] * row[0];
                    for b in 0..=a {
                        normal[a][b] += row[1 + a] * row[1 + b];
                    }
                }
            }
        }
        if unbounded(&normal, &right, n, square) >= room {
            return None;
        }
        let all: Vec<(usize, usize)> = self.decided.iter().copied().chain(more).collect();
        let normal = DMatrix::from_fn(n, n, |a, b| normal[a.max(b)][a.min(b)]);
        let right = DVector::from_fn(n, |a, _| right[a]);
        let (least, _) = finish(&all, self.choices, &normal, &right, square);
        (least < room).then_some(least)
    }
}

impl Half {
    fn prepare(&self, case: &NearCase, u: usize, c: usize) -> Prepared {
        let unit = &case.units[u][c];
        let along = unit.along;
        let through = self.inverse * along;
        let mut by_collar = [0.0; MOST];
        for (slot, by) in by_collar.iter_mut().zip(&self.by_collar) {
            *slot = -unit.rate * along.dot(by);
        }
        let weights = self.rows.iter().map(|r| {
            let own = if r.diagonal { case.twist[u] } else { 0.0 };
            r.through.dot(&along) + own
        });
        Prepared {
            along,
            through,
            rate: unit.rate,
            own: unit.rate * along.dot(&through),
            constant: case.force[u] - unit.rate * unit.seat - unit.rate * along.dot(&self.base),
            by_collar,
            weights: weights.collect(),
        }
    }
}

fn half(case: &NearCase, decided: &[(usize, usize)], second: &[usize]) -> Option<Half> {
    let mut matrix = case.stiffness;
    let mut constant = -case.gradient;
    for &(u, c) in decided {
        let unit = &case.units[u][c];
        matrix.ger(unit.rate, &unit.along, &unit.along, 1.0);
        constant += unit.along * (case.force[u] - unit.rate * unit.seat);
    }
    for &u in second {
        let along = &case.units[u][0].along;
        matrix.ger(GROUND, along, along, 1.0);
    }
    // Not definite by itself: what stands on the second axle's springs would tip.
    let inverse = matrix.try_inverse()?;
    let base = inverse * constant;
    let by_collar: Vec<State> = decided
        .iter()
        .map(|&(u, c)| {
            let unit = &case.units[u][c];
            inverse * unit.along * unit.rate
        })
        .collect();
    let mut rows: Vec<Row> = (0..case.aims.nrows())
        .map(|r| {
            let along = case.aims.row(r).transpose();
            Row {
                through: inverse * along,
                value: case.off[r] + along.dot(&base),
                by_collar: by_collar.iter().map(|b| along.dot(b)).collect(),
                diagonal: false,
            }
        })
        .collect();
    if !case.twist.is_empty() {
        // The first axle's forces: h + k c - k J'd.
        let (mut along, mut value) = (State::zeros(), 0.0);
        for &(u, c) in decided {
            let unit = &case.units[u][c];
            along -= unit.along * (case.twist[u] * unit.rate);
            value += case.twist[u] * (case.force[u] - unit.rate * unit.seat);
        }
        let own = |i: usize| {
            let (u, c) = decided[i];
            case.twist[u] * case.units[u][c].rate
        };
        rows.push(Row {
            through: inverse * along,
            value: value + along.dot(&base),
            by_collar: by_collar
                .iter()
                .enumerate()
                .map(|(i, b)| along.dot(b) + own(i))
                .collect(),
            diagonal: true,
        });
    }
    Some(Half {
        inverse,
        base,
        by_collar,
        rows,
    })
}

/// Gauss elimination in place with the largest pivot, `n` unknowns and `columns` right
/// sides; false where there is no pivot.
fn solve_small(
    matrix: &mut [[f64; MOST]; MOST],
    right: &mut [[f64; 2 * MOST + 1]; MOST],
    n: usize,
    columns: usize,
) -> bool {
    for i in 0..n {
        let pivot = (i..n).max_by(|&a, &b| matrix[a][i].abs().total_cmp(&matrix[b][i].abs()));
        let Some(pivot) = pivot.filter(|&p| matrix[p][i].abs() > 1e-12) else {
            return false;
        };
        matrix.swap(i, pivot);
        right.swap(i, pivot);
        let (row, own) = (matrix[i], right[i]);
        for r in (0..n).filter(|&r| r != i) {
            let factor = matrix[r][i] / row[i];
            for (x, y) in matrix[r][..n].iter_mut().zip(&row) {
                *x -= factor * y;
            }
            for (x, y) in right[r][..columns].iter_mut().zip(&own) {
                *x -= factor * y;
            }
        }
    }
    for i in 0..n {
        let pivot = matrix[i][i];
        right[i][..columns].iter_mut().for_each(|x| *x /= pivot);
    }
    true
}

/// The least of the quadratic without bounds, by Cholesky; zero, which is always a
/// bound, where it hardly depends on one of the unknowns.
fn unbounded(
    normal: &[[f64; 2 * MOST]; 2 * MOST],
    right: &[f64; 2 * MOST],
    n: usize,
    square: f64,
) -> f64 {
    let largest = (0..n).map(|i| normal[i][i]).fold(0.0, f64::max);
    let (mut l, mut z, mut taken) = (*normal, *right, 0.0);
    for i in 0..n {
        let done: f64 = l[i][..i].iter().map(|x| x * x).sum();
        let pivot = l[i][i] - done;
        if pivot <= 1e-9 * largest {
            return 0.0;
        }
        let root = pivot.sqrt();
        let before: f64 = l[i][..i].iter().zip(&z).map(|(x, y)| x * y).sum();
        z[i] = (z[i] - before) / root;
        taken += z[i] * z[i];
        let row = l[i];
        for below in &mut l[i + 1..n] {
            let before: f64 = below[..i].iter().zip(&row).map(|(x, y)| x * y).sum();
            below[i] = (below[i] - before) / root;
        }
    }
    square - taken
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_systems_are_solved() {
        let mut matrix = [[0.0; MOST]; MOST];
        matrix[0][..2].copy_from_slice(&[0.0, 2.0]);
        matrix[1][..2].copy_from_slice(&[4.0, 1.0]);
        let mut right = [[0.0; 2 * MOST + 1]; MOST];
        (right[0][0], right[1][0]) = (2.0, 9.0);
        assert!(solve_small(&mut matrix, &mut right, 2, 1));
        assert!((right[0][0] - 2.0).abs() < 1e-12 && (right[1][0] - 1.0).abs() < 1e-12);
        assert!(!solve_small(&mut [[0.0; MOST]; MOST], &mut right, 2, 1));
    }

    /// By hand: (x - 1)^2 + (2 y - 4)^2 + 3 has its least, 3, at (1, 2).
    #[test]
    fn the_least_without_bounds() {
        let mut normal = [[0.0; 2 * MOST]; 2 * MOST];
        (normal[0][0], normal[1][1]) = (1.0, 4.0);
        let mut right = [0.0; 2 * MOST];
        (right[0], right[1]) = (1.0, 8.0);
        assert!((unbounded(&normal, &right, 2, 1.0 + 16.0 + 3.0) - 3.0).abs() < 1e-12);
    }
}
