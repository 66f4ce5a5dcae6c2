//! Quantiles of Student's t, chi-square, F, normal and binomial distributions, with input checked.
//!
//! Thin: the distributions come from the `statrs` library; here out-of-range input is an error,
//! and the far tails of t are polished where the library's own inverse is only approximate.

use statrs::distribution::{
    Binomial, ChiSquared, Continuous, ContinuousCDF, DiscreteCDF, FisherSnedecor, Normal, StudentsT,
};

use super::LeastSquaresError;

fn check(probability: f64, degrees_of_freedom: f64) -> Result<(), LeastSquaresError> {
    if probability > 0.0
        && probability < 1.0
        && degrees_of_freedom > 0.0
        && degrees_of_freedom.is_finite()
    {
        Ok(())
    } else {
        Err(LeastSquaresError::Quantile {
            probability,
            degrees_of_freedom,
        })
    }
}

/// Newton steps on the distribution function; kept only where they are finite and small.
fn polish<D: ContinuousCDF<f64, f64> + Continuous<f64, f64>>(
    distribution: &D,
    probability: f64,
    start: f64,
) -> f64 {
    let mut x = start;
    for _ in 0..4 {
        let step = (distribution.cdf(x) - probability) / distribution.pdf(x);
        if !step.is_finite() || step.abs() > 0.1 * x.abs().max(1e-3) {
            break;
        }
        x -= step;
    }
    x
}

/// Quantile of Student's t: the value not exceeded with `probability`.
pub fn student_t_quantile(
    probability: f64,
    degrees_of_freedom: f64,
) -> Result<f64, LeastSquaresError> {
    check(probability, degrees_of_freedom)?;
    let t =
        StudentsT::new(0.0, 1.0, degrees_of_freedom).map_err(|_| LeastSquaresError::Quantile {
            probability,
            degrees_of_freedom,
        })?;
    // The upper tail is computed as the mirror image of the lower one, where the distribution
    // function keeps all its digits.
    let lower = probability.min(1.0 - probability);
    let x = polish(&t, lower, t.inverse_cdf(lower));
    Ok(if probability > 0.5 { -x } else { x })
}

/// Quantile of chi-square.
pub fn chi_square_quantile(
    probability: f64,
    degrees_of_freedom: f64,
) -> Result<f64, LeastSquaresError> {
    check(probability, degrees_of_freedom)?;
    let c = ChiSquared::new(degrees_of_freedom).map_err(|_| LeastSquaresError::Quantile {
        probability,
        degrees_of_freedom,
    })?;
    Ok(polish(&c, probability, c.inverse_cdf(probability)))
}

/// Quantile of F with `numerator` and `denominator` degrees of freedom.
pub fn f_quantile(
    probability: f64,
    numerator: f64,
    denominator: f64,
) -> Result<f64, LeastSquaresError> {
    check(probability, numerator)?;
    check(probability, denominator)?;
    let f =
        FisherSnedecor::new(numerator, denominator).map_err(|_| LeastSquaresError::Quantile {
            probability,
            degrees_of_freedom: denominator,
        })?;
    Ok(polish(&f, probability, f.inverse_cdf(probability)))
}

/// Quantile of the standard normal distribution.
pub fn normal_quantile(probability: f64) -> Result<f64, LeastSquaresError> {
    check(probability, 1.0)?;
    Ok(Normal::standard().inverse_cdf(probability))
}

/// Smallest number of successes in `trials`, each with chance `success`, whose lower-tail
/// probability reaches `probability`.
pub fn binomial_lower_quantile(
    probability: f64,
    trials: u64,
    success: f64,
) -> Result<u64, LeastSquaresError> {
    check(probability, trials as f64)?;
    let b = Binomial::new(success, trials).map_err(|_| LeastSquaresError::Quantile {
        probability: success,
        degrees_of_freedom: trials as f64,
    })?;
    let (mut low, mut high) = (0, trials);
    while low < high {
        let middle = low + (high - low) / 2;
        if b.cdf(middle) >= probability {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Ok(low)
}
