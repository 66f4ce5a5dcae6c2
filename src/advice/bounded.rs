//! Linear least squares between bounds, for a handful of unknowns.
//!
//! In: the normal matrix and right side of |A x - b|^2, and bounds. Out: the
//! minimum. Refused: nothing; directions that the data do not determine are
//! held by a very small pull towards where they are.

use nalgebra::{DMatrix, DVector};

/// Weight of the pull that makes every problem definite, as a share of the
/// largest diagonal. Chosen: far below what any tolerance could show.
const PULL: f64 = 1e-10;
/// Multipliers smaller than this share of the right side count as zero.
const ZERO: f64 = 1e-9;

/// Minimises x' N x - 2 h' x between bounds.
///
/// # Method
/// Active set: those that stand on a bound are held there, the others are solved
/// for; the step goes as far as the first bound met, which is then held; where no
/// bound is met, the held one that pushes inward hardest is let go. The quadratic
/// is strictly convex, so the end is the one minimum (the Karush-Kuhn-Tucker
/// conditions are what the loop ends on).
pub fn bounded(
    normal: &DMatrix<f64>,
    right: &DVector<f64>,
    lower: &DVector<f64>,
    upper: &DVector<f64>,
) -> DVector<f64> {
    let n = right.len();
    let largest = normal.diagonal().amax().max(f64::MIN_POSITIVE);
    let mut normal = normal.clone();
    let mut x = DVector::from_fn(n, |i, _| 0.0_f64.clamp(lower[i], upper[i]));
    let mut right = right.clone();
    for i in 0..n {
        let pull = PULL * largest;
        normal[(i, i)] += pull;
        right[i] += pull * x[i];
    }
    let scale = right.amax().max(largest * x.amax()).max(f64::MIN_POSITIVE);
    let mut free: Vec<bool> = (0..n).map(|i| lower[i] < upper[i]).collect();
    for _ in 0..20 * (n + 1) {
        let index: Vec<usize> = (0..n).filter(|&i| free[i]).collect();
        let slope = &right - &normal * &x;
        let mut met = None;
        if !index.is_empty() {
            let small = normal.select_rows(&index).select_columns(&index);
            let part = DVector::from_iterator(index.len(), index.iter().map(|&i| slope[i]));
            let Some(step) = small.cholesky().map(|c| c.solve(&part)) else {
                return x;
            };
            let mut share = 1.0;
            for (j, &i) in index.iter().enumerate() {
                let to = x[i] + step[j];
                let bound = if to > upper[i] {
                    upper[i]
                } else if to < lower[i] {
                    lower[i]
                } else {
                    continue;
                };
                let s = (bound - x[i]) / step[j];
                if s < share {
                    share = s.max(0.0);
                    met = Some((i, bound));
                }
            }
            for (j, &i) in index.iter().enumerate() {
                x[i] = (x[i] + share * step[j]).clamp(lower[i], upper[i]);
            }
            if let Some((i, bound)) = met {
                x[i] = bound;
                free[i] = false;
                continue;
            }
        }
        let slope = &right - &normal * &x;
        let inward = (0..n)
            .filter(|&i| !free[i] && lower[i] < upper[i])
            .map(|i| {
                let room = if x[i] >= upper[i] {
                    -slope[i]
                } else {
                    slope[i]
                };
                (i, room)
            });
        match inward.max_by(|a, b| a.1.total_cmp(&b.1)) {
            Some((i, room)) if room > ZERO * scale => free[i] = true,
            _ => break,
        }
    }
    x
}
