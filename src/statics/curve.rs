//! A spring's force over its compression: straight pieces, never pulling.

use crate::geometry::Real;
use crate::sheet::SpringCurve;

/// A force-compression curve of straight pieces in metres and newtons.
///
/// Energy is its exact integral. Zero at and below zero compression.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    knots: Vec<Knot>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Knot {
    compression: f64,
    force: f64,
    rate: f64,
    energy: f64,
}

impl Curve {
    /// One rate, N/m.
    pub fn linear(rate: f64) -> Self {
        Self {
            knots: vec![Knot {
                compression: 0.0,
                force: 0.0,
                rate,
                energy: 0.0,
            }],
        }
    }

    /// Points (compression m, force N), both rising from (0, 0); the last slope
    /// goes on. Fewer than two points make a spring without force.
    pub fn through(points: &[(f64, f64)]) -> Self {
        let mut knots: Vec<Knot> = Vec::with_capacity(points.len());
        let mut energy = 0.0;
        for pair in points.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let rate = (to.1 - from.1) / (to.0 - from.0);
            knots.push(Knot {
                compression: from.0,
                force: from.1,
                rate,
                energy,
            });
            energy += f64::midpoint(from.1, to.1) * (to.0 - from.0);
        }
        if knots.is_empty() {
            return Self::linear(0.0);
        }
        Self { knots }
    }

    fn knot(&self, compression: f64) -> Option<&Knot> {
        let after = self.knots.partition_point(|k| k.compression < compression);
        after.checked_sub(1).map(|i| &self.knots[i])
    }

    /// Energy stored at a compression (metres), joules.
    pub fn energy<D: Real>(&self, compression: D) -> D {
        match self.knot(compression.re()) {
            None => D::from(0.0),
            Some(k) => {
                let x = compression - k.compression;
                x * x * (k.rate / 2.0) + x * k.force + k.energy
            }
        }
    }

    /// Force at a compression (metres), newtons.
    pub fn force(&self, compression: f64) -> f64 {
        self.knot(compression)
            .map_or(0.0, |k| k.force + k.rate * (compression - k.compression))
    }

    /// Local rate at a compression (metres), N/m.
    pub fn rate(&self, compression: f64) -> f64 {
        self.knot(compression).map_or(0.0, |k| k.rate)
    }

    /// Compression (metres) at a force (newtons), where the curve reaches it.
    pub fn compression_at(&self, force: f64) -> Option<f64> {
        let after = self.knots.partition_point(|k| k.force <= force);
        let k = &self.knots[after.checked_sub(1)?];
        (k.rate > 0.0).then(|| k.compression + (force - k.force) / k.rate)
    }
}

impl From<&SpringCurve> for Curve {
    fn from(curve: &SpringCurve) -> Self {
        match curve {
            SpringCurve::Linear(rate) => Self::linear(rate.n_per_m()),
            SpringCurve::Table(points) => {
                let points: Vec<_> = points.iter().map(|(x, f)| (x.m(), f.n())).collect();
                Self::through(&points)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::float_cmp, reason = "exact values are meant")]
    use super::*;

    /// Source: Bhandari, Design of Machine Elements, 3rd ed., example 10.19: two
    /// concentric springs (28.253472 and 29.430700 N/mm), the second 15 mm
    /// shorter, under 1000 N: 24.988839 mm.
    #[test]
    fn concentric_springs_of_two_lengths() {
        let (k1, k2) = (28.253_472e3, 29.430_700e3);
        let curve = Curve::through(&[
            (0.0, 0.0),
            (0.015, k1 * 0.015),
            (0.115, k1 * 0.115 + k2 * 0.100),
        ]);
        let x = curve.compression_at(1000.0).expect("within the table");
        assert!((x * 1e3 - 24.988_839).abs() < 1e-6, "{x}");
        assert!((k1 * x - 706.021_471).abs() < 1e-4);
    }

    #[test]
    fn energy_is_the_integral_of_force_and_the_spring_never_pulls() {
        let curve = Curve::through(&[(0.0, 0.0), (0.05, 1000.0), (0.10, 3000.0)]);
        assert_eq!(curve.energy(-0.01), 0.0);
        assert_eq!(curve.force(-0.01), 0.0);
        let steps = 200_000;
        let h = 0.13 / f64::from(steps);
        let sum: f64 = (0..steps)
            .map(|i| curve.force((f64::from(i) + 0.5) * h) * h)
            .sum();
        assert!((sum - curve.energy(0.13)).abs() < 1e-6);
    }
}
