//! The laws of settling, their parameters and derivatives.
//!
//! Inside, time constants are handled by their logarithm ("working" parameters): it keeps them
//! positive, and their profile is closer to a parabola.

/// A law by which a height changes with time t after the load was put on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Law {
    /// No change: h = level.
    None,
    /// h = end + (start - end) exp(-t/tau).
    Exponential,
    /// h = end + a1 exp(-t/tau1) + a2 exp(-t/tau2), tau1 < tau2.
    TwoExponentials,
    /// h = start - per_decade log10(1 + t/t0).
    LogCreep,
    /// h = start + b t^n.
    Power,
}

/// Most parameters a law has.
pub(super) const MOST: usize = 5;

/// A time with its logarithm, which the power law needs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    pub(super) t: f64,
    pub(super) ln_t: f64,
}

impl Moment {
    pub(super) fn at(t: f64) -> Self {
        Self { t, ln_t: t.ln() }
    }
}

impl Law {
    /// Every law, the simplest first.
    pub const ALL: [Self; 5] = [
        Self::None,
        Self::Exponential,
        Self::LogCreep,
        Self::Power,
        Self::TwoExponentials,
    ];

    /// Its name on the command line and in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Exponential => "exponential",
            Self::TwoExponentials => "two-exponentials",
            Self::LogCreep => "log-creep",
            Self::Power => "power",
        }
    }

    /// The law of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|law| law.name() == name)
    }

    /// Its formula, for people.
    pub fn formula(self) -> &'static str {
        match self {
            Self::None => "h = level",
            Self::Exponential => "h = end + (start - end) exp(-t/tau)",
            Self::TwoExponentials => "h = end + a1 exp(-t/tau1) + a2 exp(-t/tau2)",
            Self::LogCreep => "h = start - per_decade log10(1 + t/t0)",
            Self::Power => "h = start + b t^n",
        }
    }

    /// Names of its parameters; the unit is in the name.
    pub fn parameter_names(self) -> &'static [&'static str] {
        match self {
            Self::None => &["level_mm"],
            Self::Exponential => &["end_mm", "start_mm", "tau_h"],
            Self::TwoExponentials => &["end_mm", "a1_mm", "tau1_h", "a2_mm", "tau2_h"],
            Self::LogCreep => &["start_mm", "per_decade_mm", "t0_h"],
            Self::Power => &["start_mm", "b_mm", "n"],
        }
    }

    /// Whether it comes to rest at a height of its own.
    pub fn has_end(self) -> bool {
        matches!(self, Self::None | Self::Exponential | Self::TwoExponentials)
    }

    /// Indices of the parameters in which it is not linear.
    pub(super) fn nonlinear(self) -> &'static [usize] {
        match self {
            Self::None => &[],
            Self::TwoExponentials => &[2, 4],
            _ => &[2],
        }
    }

    /// Indices of the parameters in which it is linear.
    pub(super) fn linear(self) -> &'static [usize] {
        match self {
            Self::None => &[0],
            Self::TwoExponentials => &[0, 1, 3],
            _ => &[0, 1],
        }
    }

    /// For each linear parameter its basis function as a combination of the constant and the
    /// shapes of the nonlinear parameters.
    pub(super) fn combination(self) -> &'static [[f64; 3]] {
        match self {
            Self::None => &[[1.0, 0.0, 0.0]],
            Self::Exponential => &[[1.0, -1.0, 0.0], [0.0, 1.0, 0.0]],
            Self::LogCreep => &[[1.0, 0.0, 0.0], [0.0, -1.0, 0.0]],
            Self::Power => &[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
            Self::TwoExponentials => &[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        }
    }

    /// Whether linear parameter number `k` moves up by as much as all heights do.
    pub(super) fn is_level(self, k: usize) -> bool {
        k == 0 || self == Self::Exponential
    }

    /// Whether the working form of parameter `index` is the logarithm.
    fn is_logarithm(self, index: usize) -> bool {
        self != Self::Power && self.nonlinear().contains(&index)
    }

    /// Working form of a parameter.
    pub(super) fn working(self, index: usize, value: f64) -> f64 {
        if self.is_logarithm(index) {
            value.ln()
        } else {
            value
        }
    }

    /// Parameter from its working form, and its derivative by that form.
    pub(super) fn natural(self, index: usize, working: f64) -> (f64, f64) {
        if self.is_logarithm(index) {
            (working.exp(), working.exp())
        } else {
            (working, 1.0)
        }
    }

    /// Shape that goes with a nonlinear parameter: exp(-t/tau), log10(1 + t/t0) or t^n.
    pub(super) fn shape(self, working: f64, m: Moment) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Exponential | Self::TwoExponentials => (-m.t * (-working).exp()).exp(),
            Self::LogCreep => (m.t * (-working).exp()).ln_1p() * std::f64::consts::LOG10_E,
            Self::Power => power(m, working),
        }
    }

    /// Height at a moment with its derivatives by the working parameters.
    pub(super) fn evaluate(self, w: &[f64], m: Moment) -> (f64, [f64; MOST]) {
        match self {
            Self::None => (w[0], [1.0, 0.0, 0.0, 0.0, 0.0]),
            Self::Exponential => {
                let z = m.t * (-w[2]).exp();
                let e = (-z).exp();
                let a = w[1] - w[0];
                (w[0] + a * e, [1.0 - e, e, a * e * z, 0.0, 0.0])
            }
            Self::TwoExponentials => {
                let (z1, z2) = (m.t * (-w[2]).exp(), m.t * (-w[4]).exp());
                let (e1, e2) = ((-z1).exp(), (-z2).exp());
                (
                    w[0] + w[1] * e1 + w[3] * e2,
                    [1.0, e1, w[1] * e1 * z1, e2, w[3] * e2 * z2],
                )
            }
            Self::LogCreep => {
                let z = m.t * (-w[2]).exp();
                let l = z.ln_1p() * std::f64::consts::LOG10_E;
                let slope = w[1] * std::f64::consts::LOG10_E * z / (1.0 + z);
                (w[0] - w[1] * l, [1.0, -l, slope, 0.0, 0.0])
            }
            Self::Power => {
                let p = power(m, w[2]);
                let slope = if m.t > 0.0 { w[1] * p * m.ln_t } else { 0.0 };
                (w[0] + w[1] * p, [1.0, p, slope, 0.0, 0.0])
            }
        }
    }

    /// Derivatives of the height after endless time; `None` where it has no end.
    pub(super) fn end(self, w: &[f64]) -> Option<(f64, [f64; MOST])> {
        self.has_end().then(|| (w[0], [1.0, 0.0, 0.0, 0.0, 0.0]))
    }
}

/// t^n, with 0 at t = 0 (n is positive within its bounds).
fn power(m: Moment, n: f64) -> f64 {
    if m.t > 0.0 { (n * m.ln_t).exp() } else { 0.0 }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        reason = "a failing test may stop where it stands"
    )]

    use super::*;

    /// Source: definition; central differences of the formula, step 1e-6, so agreement to 1e-7.
    #[test]
    fn derivatives_agree_with_differences() {
        for (law, w) in [
            (Law::None, vec![400.0]),
            (Law::Exponential, vec![390.0, 400.0, 2.5]),
            (Law::TwoExponentials, vec![390.0, 3.0, 0.4, 7.0, 3.2]),
            (Law::LogCreep, vec![400.0, 1.3, -0.7]),
            (Law::Power, vec![400.0, -1.1, 0.35]),
        ] {
            for t in [0.0, 0.2, 3.0, 70.0] {
                let (_, slopes) = law.evaluate(&w, Moment::at(t));
                for j in 0..w.len() {
                    let (mut up, mut down) = (w.clone(), w.clone());
                    up[j] += 1e-6;
                    down[j] -= 1e-6;
                    let difference = (law.evaluate(&up, Moment::at(t)).0
                        - law.evaluate(&down, Moment::at(t)).0)
                        / 2e-6;
                    assert!(
                        (slopes[j] - difference).abs() < 1e-7,
                        "{law:?} {j} at {t}: {} {difference}",
                        slopes[j]
                    );
                }
            }
        }
    }

    /// Source: definition: the combination of shapes is the law itself.
    #[test]
    fn combinations_are_the_laws() {
        for (law, w) in [
            (Law::Exponential, vec![390.0, 400.0, 2.5]),
            (Law::TwoExponentials, vec![390.0, 3.0, 0.4, 7.0, 3.2]),
            (Law::LogCreep, vec![400.0, 1.3, -0.7]),
            (Law::Power, vec![400.0, -1.1, 0.35]),
        ] {
            let m = Moment::at(5.0);
            let mut basis = vec![1.0];
            basis.extend(law.nonlinear().iter().map(|&i| law.shape(w[i], m)));
            let sum: f64 = law
                .linear()
                .iter()
                .zip(law.combination())
                .map(|(&i, c)| w[i] * basis.iter().zip(c).map(|(b, c)| b * c).sum::<f64>())
                .sum();
            assert!((sum - law.evaluate(&w, m).0).abs() < 1e-10, "{law:?}");
        }
    }

    /// Source: by hand: five per cent a decade from one minute on, one day is log10(1440) =
    /// 3.158362 decades; per decade = per e-fold times ln 10 = 2.302585092994046.
    #[test]
    fn log_creep_counts_decades() {
        let (h, _) = Law::LogCreep.evaluate(&[0.0, 5.0, 0.0], Moment::at(1439.0));
        assert!((-h - 5.0 * 3.158_362_492).abs() < 1e-8);
        let (e_fold, _) =
            Law::LogCreep.evaluate(&[0.0, 1.0, 0.0], Moment::at(std::f64::consts::E - 1.0));
        assert!((-e_fold * std::f64::consts::LN_10 - 1.0).abs() < 1e-14);
    }

    #[test]
    fn names_find_their_laws() {
        for law in Law::ALL {
            assert_eq!(Law::from_name(law.name()).unwrap(), law);
        }
        assert_eq!(Law::from_name("linear"), None);
    }
}
