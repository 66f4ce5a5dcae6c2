//! Means and slopes of a short series with honest uncertainty.
//!
//! In: values (and times) in order. Out: mean or slope with its standard
//! uncertainty. Pure; a series too short for an uncertainty gives nothing.

/// A mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Average {
    /// The mean.
    pub mean: f64,
    /// Standard deviation of the values.
    pub sd: f64,
    /// Standard uncertainty of the mean.
    pub u: f64,
    /// How many values it takes to get one independent value, at least 1.
    pub correlation_length: f64,
}

/// The mean of values that follow one another.
///
/// # Method
///
/// 1. Mean m and standard deviation s (n - 1).
/// 2. Autocorrelations r(k) about the mean; they are summed in pairs
///    r(2j) + r(2j+1) as long as a pair is above zero, which gives the
///    correlation length t = 1 + 2 sum r(k), at least 1, at most n / 3.
///    Short series underestimate correlations, so r(k) is taken plus 1/n.
/// 3. u = s sqrt(t / n).
///
/// Source of stopping at the first pair that is not above zero: C. J. Geyer,
/// Statistical Science 7(4), 473-483 (1992), from memory; of the bias of about
/// -1/n: M. G. Kendall, Biometrika 41, 403-404 (1954), from memory.
pub fn average(values: &[f64]) -> Option<Average> {
    average_of(values.iter().copied())
}

/// The same of values that come one after the other; looks at them several times.
pub(super) fn average_of(values: impl Iterator<Item = f64> + Clone) -> Option<Average> {
    let n = values.clone().count();
    if n < 2 {
        return None;
    }
    let count = n as f64;
    let mean = values.clone().sum::<f64>() / count;
    let centred = values.map(|x| x - mean);
    let c0 = centred.clone().map(|x| x * x).sum::<f64>() / count;
    let sd = (c0 * count / (count - 1.0)).sqrt();
    let mut length = 1.0;
    if c0 > 0.0 {
        let r = |k: usize| -> f64 {
            let c: f64 = centred
                .clone()
                .zip(centred.clone().skip(k))
                .map(|(a, b)| a * b)
                .sum();
            c / (count * c0) + 1.0 / count
        };
        // The first pair is r(0) + r(1), of which r(0) = 1 is in `length`.
        let r1 = r(1);
        if 1.0 + r1 > 0.0 {
            length += 2.0 * r1;
            let mut k = 2;
            while k < n / 2 {
                let pair = r(k) + r(k + 1);
                if pair <= 0.0 {
                    break;
                }
                length += 2.0 * pair;
                k += 2;
            }
        }
    }
    let length = length.clamp(1.0, (count / 3.0).max(1.0));
    Some(Average {
        mean,
        sd,
        u: sd * (length / count).sqrt(),
        correlation_length: length,
    })
}

/// A slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Per second.
    pub rate: f64,
    /// Standard uncertainty of the rate for values with a given noise of 1.
    pub u_per_noise: f64,
}

/// The slope of the least-squares line through (time in seconds, value);
/// nothing where the times are all the same.
pub fn slope(points: &[(f64, f64)]) -> Option<Slope> {
    let n = points.len() as f64;
    let t0 = points.iter().map(|p| p.0).sum::<f64>() / n;
    let stt: f64 = points.iter().map(|p| (p.0 - t0).powi(2)).sum();
    let stx: f64 = points.iter().map(|p| (p.0 - t0) * p.1).sum();
    (points.len() >= 2 && stt > 0.0).then(|| Slope {
        rate: stx / stt,
        u_per_noise: 1.0 / stt.sqrt(),
    })
}
