//! What readings say without any law: whether they go one way, and how their noise averages.
//!
//! **Comes in:** values in order of time. **Goes out:** a [`Trend`] and Allan deviations.
//! **Refuses:** values that are not finite, and fewer than three: then there is none.

use serde::Serialize;

/// Readings up to which the chance is counted exactly.
const EXACT: usize = 60;

/// Whether values go one way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trend {
    /// Kendall's S: pairs that rise less pairs that fall.
    pub kendall_s: i64,
    /// Chance of an S as far from nought, to that side, where there is no trend.
    pub one_sided_p: f64,
}

/// Allan deviation of means over so many readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Averaged {
    /// Readings in each mean.
    pub readings: usize,
    /// Overlapping Allan deviation, in the unit of the values.
    pub deviation: f64,
}

/// The Mann-Kendall test.
///
/// # Method
/// S counts all pairs (Mann 1945). Without ties and up to 60 values the chance is counted from
/// the number of orders with each S; else S is taken as normal, with its variance corrected for
/// ties and a continuity correction (Gilbert 1987, section 16.4; from memory).
pub fn trend(values: &[f64]) -> Option<Trend> {
    let n = values.len();
    if n < 3 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let mut kendall_s = 0_i64;
    let mut tied = false;
    for (i, a) in values.iter().enumerate() {
        for b in &values[i + 1..] {
            match b.total_cmp(a) {
                std::cmp::Ordering::Greater => kendall_s += 1,
                std::cmp::Ordering::Less => kendall_s -= 1,
                std::cmp::Ordering::Equal => tied = true,
            }
        }
    }
    let one_sided_p = if n <= EXACT && !tied {
        exact_tail(n, kendall_s.unsigned_abs())
    } else {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let of = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
        let ties: f64 = sorted
            .chunk_by(|a, b| a.total_cmp(b).is_eq())
            .map(|same| of(same.len() as f64))
            .sum();
        let variance = (of(n as f64) - ties) / 18.0;
        if variance <= 0.0 {
            return Some(Trend {
                kendall_s,
                one_sided_p: 1.0,
            });
        }
        let z = (kendall_s.unsigned_abs() as f64 - 1.0).max(0.0) / variance.sqrt();
        0.5 * statrs::function::erf::erfc(z / std::f64::consts::SQRT_2)
    };
    Some(Trend {
        kendall_s,
        one_sided_p,
    })
}

/// Chance that S is at least `least` for `n` values in an order of chance: each further value
/// comes before 0 to k of those that are there, all alike likely.
fn exact_tail(n: usize, least: u64) -> f64 {
    let pairs = n * (n - 1) / 2;
    let mut shares = vec![0.0; pairs + 1];
    shares[0] = 1.0;
    for k in 1..n {
        let mut next = vec![0.0; pairs + 1];
        for (inversions, share) in shares.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            for more in 0..=k {
                next[inversions + more] += share / (k + 1) as f64;
            }
        }
        shares = next;
    }
    // S = pairs - 2 inversions.
    shares
        .iter()
        .enumerate()
        .filter(|(inversions, _)| pairs as u64 >= least + 2 * *inversions as u64)
        .map(|(_, share)| share)
        .sum()
}

/// Overlapping Allan deviations of means over 1, 2, 4, ... values: white noise falls with the
/// root of their number, what drifts does not.
///
/// # Method
/// NIST SP 1065 (Riley), section 5.2.3, for frequencies: half the mean square of the difference
/// of neighbouring means, over all places where two of them fit.
pub fn averaged(values: &[f64]) -> Vec<Averaged> {
    std::iter::successors(Some(1_usize), |m| Some(m * 2))
        .map_while(|readings| Some((readings, allan_deviation(values, readings)?)))
        .map(|(readings, deviation)| Averaged {
            readings,
            deviation,
        })
        .collect()
}

/// One of them; none where two means of so many do not fit.
pub fn allan_deviation(values: &[f64], readings: usize) -> Option<f64> {
    let (n, m) = (values.len(), readings);
    if m == 0 || n < 2 * m || n < 3 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let places = n - 2 * m + 1;
    let squares: f64 = (0..places)
        .map(|j| {
            let difference: f64 = (j..j + m).map(|i| values[i + m] - values[i]).sum();
            difference * difference
        })
        .sum();
    Some((squares / (2.0 * (m * m) as f64 * places as f64)).sqrt())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end at once")]
    use super::*;

    /// Source: the null distribution of S without ties (Gilbert 1987, table A18; Hollander and
    /// Wolfe; values by the inversion numbers).
    #[test]
    fn tails_of_s_as_tabled() {
        for (n, s, p) in [
            (4, 4, 0.166_667),
            (4, 6, 0.041_666_7),
            (5, 8, 0.041_666_7),
            (6, 11, 0.027_777_8),
            (7, 15, 0.015_079_4),
            (8, 16, 0.030_506),
            (9, 20, 0.022_307_6),
            (10, 23, 0.023_311_3),
            (10, 31, 0.002_343_47),
        ] {
            let found = exact_tail(n, s);
            assert!((found / p - 1.0).abs() < 3e-6, "{n} {s}: {found} {p}");
        }
    }

    /// Source: R, Kendall of 1..6 with 2, 1, 4, 3, 6, 5: tau 0.6, two-sided p 0.1361111.
    #[test]
    fn kendall_as_r_has_it() {
        let found = trend(&[2.0, 1.0, 4.0, 3.0, 6.0, 5.0]).unwrap();
        assert_eq!(found.kendall_s, 9);
        assert!((2.0 * found.one_sided_p - 0.136_111_1).abs() < 1e-7);
        let falling = trend(&[5.0, 6.0, 3.0, 4.0, 1.0, 2.0]).unwrap();
        assert_eq!(falling.kendall_s, -9);
        assert!((falling.one_sided_p - found.one_sided_p).abs() < 1e-15);
        assert!(trend(&[1.0; 20]).unwrap().one_sided_p > 0.999);
        assert!(trend(&[1.0, f64::NAN, 2.0]).is_none());
    }

    /// Source: NBS Monograph 140 data set and the 1000-point set of NIST SP 1065, pp. 107-108:
    /// overlapping deviations to the printed digits.
    #[test]
    fn allan_deviations_as_published() {
        let nine = [
            892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0,
        ];
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-6;
        assert!(near(allan_deviation(&nine, 1).unwrap(), 91.229_45));
        assert!(near(allan_deviation(&nine, 2).unwrap(), 85.952_87));
        let mut n = 1_234_567_890_u64;
        let thousand: Vec<f64> = (0..1000)
            .map(|_| {
                let value = n as f64 / 2_147_483_647.0;
                n = 16_807 * n % 2_147_483_647;
                value
            })
            .collect();
        for (m, deviation) in [(1, 2.922_319e-1), (10, 9.159_953e-2), (100, 3.241_343e-2)] {
            let found = allan_deviation(&thousand, m).unwrap();
            assert!(near(found, deviation), "{m}: {found}");
        }
        assert!(allan_deviation(&nine, 5).is_none());
        assert_eq!(averaged(&nine).len(), 3);
    }
}
