//! Starts for the fits, and profiles over their nonlinear parameters, by variable projection.
//!
//! Comes in: a prepared series. Goes out: for a law, the best places to start, and how small the
//! sum of squares can be made with a nonlinear parameter on its bound. All from inner products of
//! the shapes at the points of a grid, so that a pair of time constants costs a 3 x 3 system.

use super::law::Law;
use super::series::Prepared;

/// Points of the grid in a nonlinear parameter. Chosen: a factor of about 1.8 between time
/// constants over six decades, which is inside the reach of Gauss-Newton.
const POINTS: usize = 26;

/// Exponents between which the power law is looked for. Chosen: creep lies between 0 and 1;
/// curves of other origin up to 8 can be fitted.
const EXPONENTS: (f64, f64) = (0.02, 8.0);

/// Inner products of shapes at grid points with each other, the constant and the heights.
#[derive(Debug)]
pub(super) struct Grid {
    /// Working values of the nonlinear parameter, rising; the first and last are its bounds.
    pub(super) points: Vec<f64>,
    constant: f64,
    with_constant: Vec<f64>,
    with_heights: Vec<f64>,
    /// products[k * points + l]
    products: Vec<f64>,
    heights: f64,
    heights_squared: f64,
}

/// Linear parameters at a grid point, and the sum of squares left.
#[derive(Debug, Clone)]
pub(super) struct Projection {
    pub(super) nonlinear: Vec<f64>,
    /// In the order of [`Law::linear`], heights counted from the middle.
    pub(super) linear: Vec<f64>,
    pub(super) squares: f64,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (head_a, tail_a) = a.as_chunks::<8>();
    let (head_b, tail_b) = b.as_chunks::<8>();
    for (x, y) in head_a.iter().zip(head_b) {
        for k in 0..8 {
            sums[k] += x[k] * y[k];
        }
    }
    sums.iter().sum::<f64>() + tail_a.iter().zip(tail_b).map(|(x, y)| x * y).sum::<f64>()
}

/// Bounds of the nonlinear parameters of a law, in working form.
pub(super) fn bounds(law: Law, series: &Prepared) -> (f64, f64) {
    let (shortest, longest) = (series.shortest_h(), series.last_h());
    match law {
        Law::Power => EXPONENTS,
        Law::LogCreep => ((shortest * 1e-3).ln(), (longest * 1e2).ln()),
        _ => ((shortest * 0.1).ln(), (longest * 1e2).ln()),
    }
}

impl Grid {
    /// Lays the grid for a law; `held` are values at which nonlinear parameters are fixed, which
    /// become points of their own.
    pub(super) fn lay(law: Law, series: &Prepared, held: &[f64]) -> Self {
        let (low, high) = bounds(law, series);
        let at = |k: usize| {
            let share = k as f64 / (POINTS - 1) as f64;
            if law == Law::Power {
                low * (high / low).powf(share)
            } else {
                low + (high - low) * share
            }
        };
        let mut points: Vec<f64> = (0..POINTS).map(at).collect();
        points.extend_from_slice(held);
        let n = series.len();
        let count = points.len();
        let mut weighted: Vec<f64> = series
            .heights
            .iter()
            .zip(&series.root_weights)
            .map(|(h, w)| h * w)
            .collect();
        let mut shapes = Vec::with_capacity(count * n);
        for &p in &points {
            shapes.extend(
                series
                    .moments
                    .iter()
                    .zip(&series.root_weights)
                    .map(|(&m, w)| w * law.shape(p, m)),
            );
        }
        let mut constant = series.root_weights.clone();
        series.beside.project(&mut weighted);
        series.beside.project(&mut constant);
        for k in 0..count {
            series.beside.project(&mut shapes[k * n..(k + 1) * n]);
        }
        let shape = |k: usize| &shapes[k * n..(k + 1) * n];
        let pairs = law == Law::TwoExponentials || law == Law::Exponential;
        let mut products = vec![0.0; count * count];
        for k in 0..count {
            let until = if pairs { k + 1 } else { 0 };
            for l in 0..until {
                let product = dot(shape(k), shape(l));
                products[k * count + l] = product;
                products[l * count + k] = product;
            }
            if !pairs {
                products[k * count + k] = dot(shape(k), shape(k));
            }
        }
        Self {
            constant: dot(&constant, &constant),
            with_constant: (0..count).map(|k| dot(shape(k), &constant)).collect(),
            with_heights: (0..count).map(|k| dot(shape(k), &weighted)).collect(),
            products,
            heights: dot(&constant, &weighted),
            heights_squared: dot(&weighted, &weighted),
            points,
        }
    }

    /// Solves the linear parameters with the shapes `at` (none, one or two grid points); `held`
    /// has the fixed linear ones.
    pub(super) fn project(
        &self,
        law: Law,
        at: &[usize],
        held: &[Option<f64>],
    ) -> Option<Projection> {
        let count = self.points.len();
        let size = 1 + at.len();
        let gram = |a: usize, b: usize| match (a, b) {
            (0, 0) => self.constant,
            (0, k) | (k, 0) => self.with_constant[at[k - 1]],
            (k, l) => self.products[at[k - 1] * count + at[l - 1]],
        };
        let right = |a: usize| {
            if a == 0 {
                self.heights
            } else {
                self.with_heights[at[a - 1]]
            }
        };
        let combination = law.combination();
        let m = combination.len();
        let mut normal = [[0.0; 3]; 3];
        let mut rhs = [0.0; 3];
        for i in 0..m {
            rhs[i] = (0..size).map(|a| combination[i][a] * right(a)).sum();
            for j in 0..m {
                normal[i][j] = (0..size)
                    .flat_map(|a| (0..size).map(move |b| (a, b)))
                    .map(|(a, b)| combination[i][a] * combination[j][b] * gram(a, b))
                    .sum();
            }
        }
        let mut linear = vec![0.0; m];
        let free: Vec<usize> = (0..m).filter(|&i| held[i].is_none()).collect();
        for i in 0..m {
            linear[i] = held[i].unwrap_or(0.0);
        }
        let mut matrix = [[0.0; 3]; 3];
        let mut vector = [0.0; 3];
        for (a, &i) in free.iter().enumerate() {
            vector[a] = rhs[i] - (0..m).map(|j| normal[i][j] * linear[j]).sum::<f64>();
            for (b, &j) in free.iter().enumerate() {
                matrix[a][b] = normal[i][j];
            }
        }
        let solved = solve_small(matrix, vector, free.len())?;
        for (a, &i) in free.iter().enumerate() {
            linear[i] = solved[a];
        }
        let mut squares = self.heights_squared;
        for i in 0..m {
            squares -= 2.0 * linear[i] * rhs[i];
            squares += (0..m)
                .map(|j| linear[i] * normal[i][j] * linear[j])
                .sum::<f64>();
        }
        let nonlinear = at.iter().map(|&k| self.points[k]).collect();
        Some(Projection {
            nonlinear,
            linear,
            squares: squares.max(0.0),
        })
    }
}

/// Cholesky solution of a symmetric system of up to three unknowns, scaled to a unit diagonal.
fn solve_small(a: [[f64; 3]; 3], b: [f64; 3], n: usize) -> Option<[f64; 3]> {
    let mut scale = [1.0; 3];
    for i in 0..n {
        if a[i][i] <= 0.0 || !a[i][i].is_finite() {
            return None;
        }
        scale[i] = a[i][i].sqrt();
    }
    let mut l = [[0.0; 3]; 3];
    for i in 0..n {
        for j in 0..=i {
            let rest =
                a[i][j] / (scale[i] * scale[j]) - (0..j).map(|k| l[i][k] * l[j][k]).sum::<f64>();
            if i == j {
                if rest < 1e-11 {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    let mut x = [0.0; 3];
    for i in 0..n {
        x[i] = (b[i] / scale[i] - (0..i).map(|k| l[i][k] * x[k]).sum::<f64>()) / l[i][i];
    }
    for i in (0..n).rev() {
        x[i] = (x[i] - (i + 1..n).map(|k| l[k][i] * x[k]).sum::<f64>()) / l[i][i];
    }
    for i in 0..n {
        x[i] /= scale[i];
    }
    Some(x)
}

/// Local minima of the profile over a grid, the lowest first, at most `most`; and the smallest
/// sums of squares with the first or second nonlinear parameter on a bound.
#[derive(Debug)]
pub(super) struct Survey {
    pub(super) starts: Vec<Projection>,
    /// (index among the nonlinear parameters, smallest sum of squares with it on a bound)
    pub(super) on_bound: Vec<(usize, f64)>,
}

/// Looks through the grid. `held_nonlinear` names fixed nonlinear parameters by their place among
/// the points after [`POINTS`].
pub(super) fn survey(
    law: Law,
    grid: &Grid,
    held: &[Option<f64>],
    held_nonlinear: &[Option<f64>],
    most: usize,
) -> Survey {
    let own = POINTS;
    let mut extra = own..;
    let choices: Vec<Vec<usize>> = held_nonlinear
        .iter()
        .map(|h| {
            if h.is_some() {
                extra.next().into_iter().collect()
            } else {
                (0..own).collect()
            }
        })
        .collect();
    match choices.as_slice() {
        [] => Survey {
            starts: grid.project(law, &[], held).into_iter().collect(),
            on_bound: Vec::new(),
        },
        [one] => {
            let all: Vec<Option<Projection>> =
                one.iter().map(|&k| grid.project(law, &[k], held)).collect();
            let squares: Vec<f64> = all
                .iter()
                .map(|p| p.as_ref().map_or(f64::INFINITY, |p| p.squares))
                .collect();
            let lowest = |k: usize| {
                squares[k].is_finite()
                    && (k == 0 || squares[k] <= squares[k - 1])
                    && (k + 1 == squares.len() || squares[k] <= squares[k + 1])
            };
            let mut starts: Vec<Projection> = (0..all.len())
                .filter(|&k| lowest(k))
                .filter_map(|k| all[k].clone())
                .collect();
            starts.sort_by(|a, b| a.squares.total_cmp(&b.squares));
            starts.truncate(most);
            let on_bound = if one.len() > 1 {
                vec![(0, squares[0]), (0, squares[own - 1])]
            } else {
                Vec::new()
            };
            Survey { starts, on_bound }
        }
        [first, second, ..] => pairs(law, grid, held, first, second, most),
    }
}

fn pairs(
    law: Law,
    grid: &Grid,
    held: &[Option<f64>],
    first: &[usize],
    second: &[usize],
    most: usize,
) -> Survey {
    let rows = first.len();
    let columns = second.len();
    let mut all: Vec<Option<Projection>> = Vec::with_capacity(rows * columns);
    for &k in first {
        for &l in second {
            let ordered = grid.points[k] < grid.points[l];
            all.push(if ordered {
                grid.project(law, &[k, l], held)
            } else {
                None
            });
        }
    }
    let squares = |i: usize, j: usize| {
        all[i * columns + j]
            .as_ref()
            .map_or(f64::INFINITY, |p| p.squares)
    };
    let mut starts = Vec::new();
    for i in 0..rows {
        for j in 0..columns {
            let here = squares(i, j);
            let lower_beside = (i > 0 && squares(i - 1, j) < here)
                || (i + 1 < rows && squares(i + 1, j) < here)
                || (j > 0 && squares(i, j - 1) < here)
                || (j + 1 < columns && squares(i, j + 1) < here);
            if here.is_finite() && !lower_beside {
                starts.extend(all[i * columns + j].clone());
            }
        }
    }
    starts.sort_by(|a, b| a.squares.total_cmp(&b.squares));
    starts.truncate(most);
    let mut on_bound = Vec::new();
    if rows > 1 {
        on_bound.push((
            0,
            (0..columns)
                .map(|j| squares(0, j))
                .fold(f64::INFINITY, f64::min),
        ));
    }
    if columns > 1 {
        on_bound.push((
            1,
            (0..rows)
                .map(|i| squares(i, columns - 1))
                .fold(f64::INFINITY, f64::min),
        ));
    }
    Survey { starts, on_bound }
}
