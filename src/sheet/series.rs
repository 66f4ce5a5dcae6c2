//! Two springs on top of each other as one spring.
//!
//! In: two springs of which force rises with compression, and where the softer
//! one stops. Out: one spring with a table. Refused: nothing; what cannot be is
//! refused by those who ask.

use super::vehicle::{Spring, SpringCurve};
use crate::quantity::{Force, Length};

/// Compression and force, straight between points, the last slope goes on.
fn points(curve: &SpringCurve) -> Vec<(f64, f64)> {
    match curve {
        SpringCurve::Linear(rate) => vec![(0.0, 0.0), (1.0, rate.n_per_m())],
        SpringCurve::Table(points) => points.iter().map(|(x, f)| (x.m(), f.n())).collect(),
    }
}

/// The value on a line through points at `at`, beyond the ends too.
fn along(points: impl Iterator<Item = (f64, f64)> + Clone, at: f64) -> f64 {
    let pairs = points.clone().zip(points.skip(1));
    let mut last = 0.0;
    for (a, b) in pairs {
        last = a.1 + (at - a.0) * (b.1 - a.1) / (b.0 - a.0);
        if at <= b.0 {
            break;
        }
    }
    last
}

/// The pair: `soft` gives way until `stop` (else until its coils touch), then only
/// `main` does. `between` is the height of the slider between the two.
///
/// # Method
/// In series forces are equal and compressions add: at a force F the pair is
/// compressed by `x_main(F) + min(x_soft(F), stop)`. With straight pieces the sum
/// has straight pieces, with corners where either has one and at the stop.
pub fn in_series(main: &Spring, soft: &Spring, stop: Option<Length>, between: Length) -> Spring {
    let stop = stop.or(soft.solid_length.map(|solid| soft.free_length - solid));
    let (firm, weak) = (points(&main.curve), points(&soft.curve));
    let squeezed = |of: &[(f64, f64)], f: f64| along(of.iter().map(|p| (p.1, p.0)), f);
    let closes = stop.map(|s| along(weak.iter().copied(), s.m()));
    let mut forces: Vec<f64> = firm.iter().chain(&weak).map(|p| p.1).collect();
    forces.extend(closes);
    // One more, so that the last slope is that beyond all corners.
    forces.push(forces.iter().copied().fold(0.0, f64::max) * 2.0 + 1.0);
    forces.sort_by(f64::total_cmp);
    forces.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    let mut table = vec![(Length::ZERO, Force::ZERO)];
    table.extend(forces.into_iter().filter(|f| *f > 0.0).map(|f| {
        let weak_part = squeezed(&weak, f);
        let weak_part = stop.map_or(weak_part, |s| weak_part.min(s.m()));
        (Length::new(squeezed(&firm, f) + weak_part), Force::new(f))
    }));
    Spring {
        curve: SpringCurve::Table(table),
        free_length: main.free_length + soft.free_length + between,
        solid_length: main.solid_length.map(|solid| {
            let weak_least = stop.map_or(Length::ZERO, |s| soft.free_length - s);
            solid + weak_least + between
        }),
        // One share for both, the larger.
        rate_uncertainty: main.rate_uncertainty.max(soft.rate_uncertainty),
    }
}
