//! Zeroing: what a sensor shows against what is known to be there.
//!
//! In: averages of a sensor at rest, each with its standard uncertainty, and
//! what is known of the place (turned end for end; a block of known length;
//! another temperature; heights of floor spots). Out: zero, scale, slopes, a
//! floor plane with its bumps, each with its standard uncertainty. Refused:
//! too few values, blocks of one length only, too little change of
//! temperature, spots that lie on one line. Pure.
//!
//! # What is *not* taken care of here
//!
//! The tilt of a distance beam follows from the frame's own tilt in `posture`
//! and is no part of a zero; and a beam that starts beside the station's plumb
//! line is accounted for by its own start point (`from` is a frame point).

use nalgebra::{DMatrix, DVector};

use crate::leastsquares::{LeastSquaresError, solve_linear, student_t_quantile};

/// Standard uncertainty of how an inclinometer sits down again after it was
/// turned, where only one pair was read: 0.02 degrees. Chosen, because a grain
/// of 0.05 mm under one end of a 100 mm base makes 0.03 degrees.
pub const SEATING_RAD: f64 = 0.02 * std::f64::consts::PI / 180.0;
/// The smallest change of temperature, in degrees Celsius, from which a slope
/// is worked out. Chosen, because sensors tell theirs to some tenths.
pub const LEAST_WARMING_C: f64 = 3.0;
/// Half of the two-sided 95 % quantile's probability, from above.
const UPPER_95: f64 = 0.975;
/// The two-sided 95 % quantile of the normal distribution, for which every
/// standard uncertainty is made good.
const NORMAL_95: f64 = 1.959_963_984_540_054;

/// A value with its standard uncertainty. Radians or metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

/// Why a zero cannot be worked out.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ZeroingError {
    /// Fewer readings than it takes.
    #[error("{found} readings, at least {needed} are needed")]
    TooFew {
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// A reading that is no number, or an uncertainty that is none.
    #[error("reading {index} is no finite number")]
    NotFinite {
        /// Which, from 0.
        index: usize,
    },
    /// Temperatures too near to one another.
    #[error("the temperature changed by {span_c:.1} degrees Celsius only")]
    TooLittleWarming {
        /// Between the coldest and the warmest.
        span_c: f64,
    },
    /// Blocks of one length, or spots on one line.
    #[error("the readings cannot tell one thing from the other: {0}")]
    NotDetermined(#[from] LeastSquaresError),
}

impl ZeroingError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::TooFew { .. } => "readings.zeroing.too_few",
            Self::NotFinite { .. } => "readings.zeroing.number",
            Self::TooLittleWarming { .. } => "readings.zeroing.warming",
            Self::NotDetermined(_) => "readings.zeroing.not_determined",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::TooFew { .. } => "take more readings",
            Self::NotFinite { .. } => "take the reading again",
            Self::TooLittleWarming { .. } => {
                "let the sensor get at least 3 degrees Celsius warmer or colder between the readings"
            }
            Self::NotDetermined(_) => {
                "use blocks of clearly different lengths, or spots that do not lie on one line"
            }
        }
    }
}

/// What turning an inclinometer end for end gives. Radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reversal {
    /// What it shows on a level surface.
    pub zero: Shown,
    /// The slope of the surface along its first direction.
    pub slope: Shown,
    /// How many pairs.
    pub pairs: usize,
    /// Standard deviation of the zeros of the pairs; nothing for one pair.
    pub spread: Option<f64>,
}

/// Zero and slope from readings end for end, each pair (before, after turning).
///
/// # Method
///
/// 1. Each pair: zero = (before + after) / 2, slope = (before - after) / 2.
/// 2. The means over n pairs.
/// 3. Uncertainty: of one pair, the readings' own and [`SEATING_RAD`]; of n,
///    the readings' own and s / sqrt(n) widened by t(0.975, n - 1) / 1.96, so
///    that 1.96 times it covers 95 % (GUM G.3).
///
/// Source of the pair's formulas: the reversal technique, as in 'How to
/// calibrate engineers' levels'.
///
/// # Errors
/// No pair; a reading that is no number.
pub fn reversal(pairs: &[(Shown, Shown)]) -> Result<Reversal, ZeroingError> {
    at_least(pairs.len(), 1)?;
    for (index, (before, after)) in pairs.iter().enumerate() {
        if ![before.value, before.u, after.value, after.u]
            .iter()
            .all(|x| x.is_finite())
        {
            return Err(ZeroingError::NotFinite { index });
        }
    }
    let n = pairs.len() as f64;
    let noise = pairs
        .iter()
        .map(|(b, a)| (b.u * b.u + a.u * a.u) / 4.0)
        .sum::<f64>()
        .sqrt()
        / n;
    let zeros: Vec<f64> = pairs
        .iter()
        .map(|(b, a)| f64::midpoint(b.value, a.value))
        .collect();
    let slopes: Vec<f64> = pairs
        .iter()
        .map(|(b, a)| (b.value - a.value) / 2.0)
        .collect();
    let (zero, spread, seating) = mean_of(&zeros)?;
    let (slope, _, slope_seating) = mean_of(&slopes)?;
    Ok(Reversal {
        zero: Shown {
            value: zero,
            u: noise.hypot(seating),
        },
        slope: Shown {
            value: slope,
            u: noise.hypot(slope_seating),
        },
        pairs: pairs.len(),
        spread,
    })
}

/// Mean, standard deviation, and standard uncertainty of the mean made good
/// for few values.
fn mean_of(values: &[f64]) -> Result<(f64, Option<f64>, f64), ZeroingError> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    if values.len() < 2 {
        return Ok((mean, None, SEATING_RAD));
    }
    let sd = (values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    Ok((mean, Some(sd), sd / n.sqrt() * few(n - 1.0)?))
}

/// How much a standard deviation with so many degrees of freedom is widened.
fn few(degrees_of_freedom: f64) -> Result<f64, ZeroingError> {
    Ok(student_t_quantile(UPPER_95, degrees_of_freedom)? / NORMAL_95)
}

fn at_least(found: usize, needed: usize) -> Result<(), ZeroingError> {
    if found < needed {
        return Err(ZeroingError::TooFew { found, needed });
    }
    Ok(())
}

/// The error of a sensor as a straight line: error(x) = zero + scale (x -
/// reference). `zero` and `scale` are not correlated where `reference` is the
/// middle of what was compared.
#[derive(Debug, Clone, PartialEq)]
pub struct ErrorLine {
    /// Error at the reference.
    pub zero: Shown,
    /// Growth of the error, per unit of x.
    pub scale: Shown,
    /// Where the error is `zero`.
    pub reference: f64,
    /// Correlation of the two.
    pub correlation: f64,
    /// Standard deviation about the line; nothing without degrees of freedom.
    pub residual_sd: Option<f64>,
    /// Values less two.
    pub degrees_of_freedom: usize,
}

impl ErrorLine {
    /// The error at x with the standard uncertainty of the line there.
    pub fn at(&self, x: f64) -> Shown {
        let t = x - self.reference;
        let cross = 2.0 * t * self.correlation * self.zero.u * self.scale.u;
        let variance = self.zero.u.powi(2) + (t * self.scale.u).powi(2) + cross;
        Shown {
            value: self.zero.value + self.scale.value * t,
            u: variance.max(0.0).sqrt(),
        }
    }

    /// The same with an error that all values had in common: it widens the
    /// zero and leaves the scale alone.
    #[must_use]
    pub fn with_common(mut self, u: f64) -> Self {
        let before = self.zero.u;
        self.zero.u = before.hypot(u);
        if self.zero.u > 0.0 {
            self.correlation *= before / self.zero.u;
        }
        self
    }
}

/// The straight line through errors (x, error) of equal weight.
///
/// # Method
///
/// GUM (JCGM 100:2008) H.3: least squares for error = y1 + y2 (x - reference),
/// uncertainty and correlation from the scatter about the line.
///
/// # Errors
/// Fewer than three values, or all at one x.
pub fn error_line(points: &[(f64, f64)], reference: f64) -> Result<ErrorLine, ZeroingError> {
    at_least(points.len(), 3)?;
    let design = DMatrix::from_fn(points.len(), 2, |i, j| {
        if j == 0 { 1.0 } else { points[i].0 - reference }
    });
    let errors = DVector::from_fn(points.len(), |i, _| points[i].1);
    let fit = solve_linear(&design, &errors, None)?;
    let u = fit.standard_uncertainties().ok_or(ZeroingError::TooFew {
        found: points.len(),
        needed: 3,
    })?;
    Ok(ErrorLine {
        zero: Shown {
            value: fit.parameters[0],
            u: u[0],
        },
        scale: Shown {
            value: fit.parameters[1],
            u: u[1],
        },
        reference,
        correlation: fit.correlation()[(0, 1)],
        residual_sd: fit.residual_standard_deviation(),
        degrees_of_freedom: fit.degrees_of_freedom,
    })
}

/// A distance read over a block of known length. Metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockReading {
    /// What the sensor showed.
    pub shown: Shown,
    /// The block.
    pub block: Shown,
}

/// The error of a distance sensor from gauge blocks. Metres.
///
/// # Method
///
/// One block (or several of one length are a line's business): the offset
/// shown - block; uncertainty of reading and block. Two: the line through
/// both, its uncertainty from theirs. Three and more: [`error_line`] about the
/// blocks' mean, its uncertainty from the scatter, widened for few values, and
/// not less than from the readings and blocks themselves.
///
/// `common_u`: standard uncertainty of what all readings share (the face that
/// the blocks stand against, blocks of one make); it adds to the zero alone.
///
/// # Errors
/// No reading, a reading that is no number, several blocks of one length.
pub fn blocks(readings: &[BlockReading], common_u: f64) -> Result<ErrorLine, ZeroingError> {
    at_least(readings.len(), 1)?;
    for (index, r) in readings.iter().enumerate() {
        let numbers = [r.shown.value, r.shown.u, r.block.value, r.block.u];
        if !numbers.iter().all(|x| x.is_finite()) {
            return Err(ZeroingError::NotFinite { index });
        }
    }
    let own = |r: &BlockReading| r.shown.u.hypot(r.block.u);
    if let [only] = readings {
        return Ok(ErrorLine {
            zero: Shown {
                value: only.shown.value - only.block.value,
                u: own(only),
            },
            scale: Shown { value: 0.0, u: 0.0 },
            reference: only.block.value,
            correlation: 0.0,
            residual_sd: None,
            degrees_of_freedom: 0,
        }
        .with_common(common_u));
    }
    let n = readings.len() as f64;
    let reference = readings.iter().map(|r| r.block.value).sum::<f64>() / n;
    let points: Vec<(f64, f64)> = readings
        .iter()
        .map(|r| (r.block.value, r.shown.value - r.block.value))
        .collect();
    let sxx: f64 = points.iter().map(|p| (p.0 - reference).powi(2)).sum();
    let mean_own = (readings.iter().map(|r| own(r).powi(2)).sum::<f64>() / n).sqrt();
    let (zero_own, scale_own) = (mean_own / n.sqrt(), mean_own / sxx.sqrt());
    let line = if readings.len() == 2 {
        let (a, b) = (points[0], points[1]);
        if sxx <= 0.0 {
            let parameters = vec![1];
            return Err(LeastSquaresError::NotDetermined { parameters }.into());
        }
        ErrorLine {
            zero: Shown {
                value: f64::midpoint(a.1, b.1),
                u: zero_own,
            },
            scale: Shown {
                value: (b.1 - a.1) / (b.0 - a.0),
                u: scale_own,
            },
            reference,
            correlation: 0.0,
            residual_sd: None,
            degrees_of_freedom: 0,
        }
    } else {
        let mut line = error_line(&points, reference)?;
        let wider = few(line.degrees_of_freedom as f64)?;
        line.zero.u = (line.zero.u * wider).max(zero_own);
        line.scale.u = (line.scale.u * wider).max(scale_own);
        line
    };
    Ok(line.with_common(common_u))
}

/// How a sensor's value at rest follows its own temperature: (degrees Celsius,
/// value) -> change per degree about the mean temperature.
///
/// # Errors
/// Fewer than three values, or less than [`LEAST_WARMING_C`] between coldest
/// and warmest.
pub fn temperature_line(points: &[(f64, f64)]) -> Result<ErrorLine, ZeroingError> {
    at_least(points.len(), 3)?;
    let (low, high) = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
            (l.min(p.0), h.max(p.0))
        });
    if points.iter().any(|p| p.0.is_nan()) || high - low < LEAST_WARMING_C {
        return Err(ZeroingError::TooLittleWarming { span_c: high - low });
    }
    let mean = points.iter().map(|p| p.0).sum::<f64>() / points.len() as f64;
    let mut line = error_line(points, mean)?;
    let wider = few(line.degrees_of_freedom as f64)?;
    line.zero.u *= wider;
    line.scale.u *= wider;
    Ok(line)
}

/// How much of a tilt across its own direction an inclinometer shows: tipped
/// sideways by `tipped` radians its value went from `before` to `after`.
///
/// # Errors
/// Tipped by less than one degree.
pub fn cross_axis(before: Shown, after: Shown, tipped: f64) -> Result<Shown, ZeroingError> {
    let numbers = [before.value, before.u, after.value, after.u, tipped];
    if let Some(index) = numbers.iter().position(|x| !x.is_finite()) {
        return Err(ZeroingError::NotFinite { index });
    }
    if tipped.abs() < 1.0_f64.to_radians() {
        return Err(ZeroingError::TooFew {
            found: 0,
            needed: 1,
        });
    }
    Ok(Shown {
        value: (after.value - before.value) / tipped,
        u: before.u.hypot(after.u) / tipped.abs(),
    })
}

/// A spot of the floor: where it is (x forward, y left) and how high. Metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorSpot {
    /// Forward of the rear axle.
    pub x: f64,
    /// To the left of the centre line.
    pub y: f64,
    /// Over a level plane, whichever.
    pub height: f64,
}

/// A floor: the plane through its spots, and what is left over. Radians, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct FloorPlane {
    /// Positive = left side up.
    pub roll: Shown,
    /// Positive = falls to the front.
    pub pitch: Shown,
    /// Height of each spot over the plane, in the order given.
    pub bumps: Vec<f64>,
}

/// The plane through the spots and the bumps over it.
///
/// # Method
///
/// Least squares for z = c + a x + b y; roll = atan b, pitch = -atan a (ISO
/// 8855). The plane is a convention (the bumps carry the rest), so its
/// uncertainty comes from `u`, the standard uncertainty of one height.
///
/// # Errors
/// Fewer than three spots, spots on one line, heights that are no numbers.
pub fn floor_plane(spots: &[FloorSpot], u: f64) -> Result<FloorPlane, ZeroingError> {
    at_least(spots.len(), 3)?;
    let design = DMatrix::from_fn(spots.len(), 3, |i, j| match j {
        0 => 1.0,
        1 => spots[i].x,
        _ => spots[i].y,
    });
    let heights = DVector::from_fn(spots.len(), |i, _| spots[i].height);
    let fit = solve_linear(&design, &heights, None)?;
    let u_of = |j: usize| fit.covariance_unscaled[(j, j)].sqrt() * u;
    Ok(FloorPlane {
        roll: Shown {
            value: fit.parameters[2].atan(),
            u: u_of(2),
        },
        pitch: Shown {
            value: -fit.parameters[1].atan(),
            u: u_of(1),
        },
        bumps: fit.residuals.iter().copied().collect(),
    })
}
