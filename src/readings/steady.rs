//! Noise, outliers and the question whether a series stands still.
//!
//! In: values in order. Out: the R-statistic, the noise from successive
//! differences, a series without its outliers. Pure; nothing refused: short
//! series give what can be said of them.

/// Median absolute deviation to standard deviation, for normal noise:
/// 1 / (0.75 quantile of the normal distribution).
pub const MAD_SCALE: f64 = 1.482_602_218_505_602;

/// The R-statistic of Cao and Rhinehart: two estimates of the same variance
/// whose ratio is about 1 while nothing but noise is in the series, and grows
/// when the mean moves.
///
/// # Method
///
/// With factors l1, l2, l3 between 0 and 1 and the filtered value f:
///
/// 1. v = l2 (x - f)² + (1 - l2) v, with f from *before* this x;
/// 2. f = l1 x + (1 - l1) f;
/// 3. d = l3 (x - x before)² + (1 - l3) d;
/// 4. R = (2 - l1) v / d.
///
/// Source: S. Cao, R. R. Rhinehart, Journal of Process Control 5(6), 363-374
/// (1995), as restated in public code that cites it; the paper itself was not
/// at hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RStatistic {
    l1: f64,
    l2: f64,
    l3: f64,
    state: Option<State>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct State {
    filtered: f64,
    before: f64,
    v: f64,
    d: f64,
}

impl RStatistic {
    /// The usual factors: 0.2, 0.1, 0.1.
    pub const fn usual() -> Self {
        Self::new(0.2, 0.1, 0.1)
    }

    /// With factors of one's own, each between 0 and 1.
    pub const fn new(l1: f64, l2: f64, l3: f64) -> Self {
        Self {
            l1,
            l2,
            l3,
            state: None,
        }
    }

    /// Starts with a known noise (standard deviation), so that no long run-in
    /// is needed.
    #[must_use]
    pub fn started(mut self, first: f64, noise: f64) -> Self {
        self.state = Some(State {
            filtered: first,
            before: first,
            v: 2.0 * noise * noise / (2.0 - self.l1),
            d: 2.0 * noise * noise,
        });
        self
    }

    /// Takes the next value.
    pub fn push(&mut self, x: f64) {
        let Some(s) = &mut self.state else {
            self.state = Some(State {
                filtered: x,
                before: x,
                v: 0.0,
                d: 0.0,
            });
            return;
        };
        s.v = self.l2 * (x - s.filtered).powi(2) + (1.0 - self.l2) * s.v;
        s.filtered = self.l1 * x + (1.0 - self.l1) * s.filtered;
        s.d = self.l3 * (x - s.before).powi(2) + (1.0 - self.l3) * s.d;
        s.before = x;
    }

    /// R; nothing before there is any noise to compare with.
    pub fn value(&self) -> Option<f64> {
        self.value_with_floor(0.0)
    }

    /// R with a noise added that is there although the values may not show it
    /// (the steps of a digital value), as a standard deviation. A series that
    /// stands entirely still then gives 1.
    pub fn value_with_floor(&self, floor: f64) -> Option<f64> {
        let s = self.state?;
        let d = s.d + 2.0 * floor * floor;
        let v = s.v + 2.0 * floor * floor / (2.0 - self.l1);
        (d > 0.0).then(|| (2.0 - self.l1) * v / d)
    }
}

/// Standard deviation of the noise from the differences of neighbours `lag`
/// apart: slow motion does not count, fast motion does. Nothing for a series
/// that is too short.
pub fn successive_sd(values: &[f64], lag: usize) -> Option<f64> {
    let count = values.len().checked_sub(lag).filter(|n| *n > 0)?;
    let sum: f64 = values
        .iter()
        .zip(values.get(lag..)?)
        .map(|(a, b)| (b - a).powi(2))
        .sum();
    Some((0.5 * sum / count as f64).sqrt())
}

/// The series with its outliers replaced by the median around them.
///
/// # Method
///
/// A value further from the median of the values up to `half_width` places
/// away on either side (fewer at the ends) than `threshold` times their scaled
/// median absolute deviation, or `threshold` times `floor` where that is more,
/// is replaced by that median.
///
/// The floor keeps a series of equal values from making an outlier of every
/// value that is not equal.
pub fn hampel(values: &[f64], half_width: usize, threshold: f64, floor: f64) -> Vec<f64> {
    let (mut clean, mut around) = (Vec::new(), Vec::new());
    hampel_into(
        values,
        (half_width, threshold, floor),
        &mut clean,
        &mut around,
    );
    clean
}

/// The same into room that is kept: `limits` are half-width, threshold and floor.
pub(super) fn hampel_into(
    values: &[f64],
    limits: (usize, f64, f64),
    clean: &mut Vec<f64>,
    around: &mut Vec<f64>,
) {
    let (half_width, threshold, floor) = limits;
    clean.clear();
    clean.extend(values.iter().enumerate().map(|(i, x)| {
        let from = i.saturating_sub(half_width);
        let to = (i + half_width + 1).min(values.len());
        let window = values.get(from..to).unwrap_or_default();
        // No value is further from the median than the reach of all: nothing to sort.
        let reach = |a: (f64, f64), x: &f64| (a.0.min(*x), a.1.max(*x));
        let (low, high) = window.iter().fold((*x, *x), reach);
        if high - low <= threshold * floor {
            return *x;
        }
        around.clear();
        around.extend_from_slice(window);
        let middle = median(around);
        // Within the threshold of the least scale there is: not off, whatever the scale.
        if (x - middle).abs() <= threshold * floor {
            return *x;
        }
        for value in around.iter_mut() {
            *value = (*value - middle).abs();
        }
        let scale = MAD_SCALE * median(around);
        if (x - middle).abs() > threshold * scale.max(floor) {
            middle
        } else {
            *x
        }
    }));
}

/// Standard deviation from the median absolute deviation; 0 for nothing.
pub(super) fn scaled_mad(values: &[f64], around: &mut Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    around.clear();
    around.extend_from_slice(values);
    let middle = median(around);
    for value in around.iter_mut() {
        *value = (*value - middle).abs();
    }
    MAD_SCALE * median(around)
}

/// The median; changes the order. Not a number for nothing.
pub(super) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, at, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(before) if !odd => f64::midpoint(before, *at),
        _ => *at,
    }
}
