//! Robust weights: how much a residual counts that stands far from the others.

use nalgebra::DVector;

/// The weight function. Tuning constants are in units of the residual scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Robust {
    /// Every residual counts fully.
    None,
    /// Huber: full weight up to `k` scales, then falling as 1/|r|. 1.345 gives 95 % efficiency
    /// on normal data (common practice; Huber 1981).
    Huber {
        /// Tuning constant.
        k: f64,
    },
    /// Tukey's biweight: zero weight from `k` scales on. 4.685 gives 95 % efficiency on normal
    /// data (common practice). Started from the Huber fit, because it has several minima.
    Tukey {
        /// Tuning constant.
        k: f64,
    },
}

impl Robust {
    /// The tuning constant, where there is one.
    pub(super) fn tuning(self) -> Option<f64> {
        match self {
            Self::None => None,
            Self::Huber { k } | Self::Tukey { k } => Some(k),
        }
    }

    /// Weight of a residual of `z` scales.
    pub(super) fn weight(self, z: f64) -> f64 {
        let a = z.abs();
        match self {
            Self::None => 1.0,
            Self::Huber { k } => {
                if a <= k {
                    1.0
                } else {
                    k / a
                }
            }
            Self::Tukey { k } => {
                if a < k {
                    (1.0 - (z / k).powi(2)).powi(2)
                } else {
                    0.0
                }
            }
        }
    }

    /// Derivative of psi(z) = z weight(z).
    fn psi_slope(self, z: f64) -> f64 {
        let a = z.abs();
        match self {
            Self::None => 1.0,
            Self::Huber { k } => f64::from(u8::from(a <= k)),
            Self::Tukey { k } => {
                let q = (z / k).powi(2);
                if q < 1.0 {
                    (1.0 - q) * (1.0 - 5.0 * q)
                } else {
                    0.0
                }
            }
        }
    }

    /// Huber's variance factor for (J'J)^-1 with unweighted J (Huber 1981, section 7.6):
    /// K^2 [sum psi^2 / (n - p)] / [mean psi']^2, K = 1 + (p/n) var(psi') / mean(psi')^2, times
    /// the squared scale.
    pub(super) fn variance_factor(
        self,
        residuals: &DVector<f64>,
        scale: f64,
        parameters: usize,
    ) -> Option<f64> {
        let n = residuals.len();
        if n <= parameters || scale <= 0.0 {
            return None;
        }
        let (count, p) = (n as f64, parameters as f64);
        let psi_squared: f64 = residuals
            .iter()
            .map(|r| (r / scale * self.weight(r / scale)).powi(2))
            .sum();
        let mean = residuals
            .iter()
            .map(|r| self.psi_slope(r / scale))
            .sum::<f64>()
            / count;
        if mean <= 0.0 {
            return None;
        }
        let variance = residuals
            .iter()
            .map(|r| (self.psi_slope(r / scale) - mean).powi(2))
            .sum::<f64>()
            / count;
        let correction = 1.0 + p / count * variance / (mean * mean);
        Some(correction.powi(2) * psi_squared / (count - p) / (mean * mean) * scale * scale)
    }
}

/// Scale of residuals from their median absolute value, with the factor that makes it the
/// standard deviation of normal data, 1/Phi^-1(3/4).
pub(super) fn median_scale(residuals: &DVector<f64>) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let n = sizes.len();
    if n == 0 {
        return 0.0;
    }
    let median = if n % 2 == 1 {
        sizes[n / 2]
    } else {
        f64::midpoint(sizes[n / 2 - 1], sizes[n / 2])
    };
    median * 1.482_602_218_505_602
}
