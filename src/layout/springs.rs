//! Two springs in series with a stop: dual-rate stacks and helper springs, with the
//! force at which the softer one closes.
//!
//! In: the parts. Out: a [`Spring`] with a table, which the model takes as any
//! other: its energy, and all else by derivatives. Refused: tables that do not
//! rise, stops outside of a spring's travel.

use super::LayoutError;
use crate::quantity::{Force, Length};
use crate::sheet::{Spring, SpringCurve, in_series};
use crate::statics::Curve;

/// Two springs on top of each other, as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Stacked {
    /// The pair as one spring.
    pub spring: Spring,
    /// Force at which the softer one is closed (on its stop or solid); none where
    /// it never is.
    pub closes_at: Option<Force>,
    /// Compression of the pair at which that happens.
    pub closes_at_compression: Option<Length>,
}

fn table(curve: &SpringCurve) -> Vec<(f64, f64)> {
    match curve {
        SpringCurve::Linear(rate) => vec![(0.0, 0.0), (1.0, rate.n_per_m())],
        SpringCurve::Table(points) => points.iter().map(|(x, f)| (x.m(), f.n())).collect(),
    }
}

/// Two springs in series: a dual-rate stack, or a helper on a main spring.
///
/// `stop` is the compression of `soft` at which it is held (a crossover stop, or
/// its coils touching: what its solid length leaves, where `stop` is none);
/// beyond it only `main` gives way. `between` is the height of the slider between
/// the two.
///
/// # Method
/// At a force F the stack is compressed by `x_main(F) + min(x_soft(F), stop)`:
/// in series forces are equal and compressions add, `1/k = 1/k1 + 1/k2`. With
/// straight pieces the sum has straight pieces with corners where either has one.
///
/// # Errors
/// A stop that is negative, or further than the soft spring's coils allow; a
/// spring whose force does not rise.
pub fn stacked(
    main: &Spring,
    soft: &Spring,
    stop: Option<Length>,
    between: Length,
) -> Result<Stacked, LayoutError> {
    let room = soft.solid_length.map(|solid| soft.free_length - solid);
    let mm = |l: Length| format!("{:.1} mm", l.mm());
    if let (Some(stop), Some(room)) = (stop, room)
        && stop > room
    {
        return Err(LayoutError::Contradiction {
            first: "spring.series.stop".to_owned(),
            first_value: mm(stop),
            second: "spring.series.solid_length".to_owned(),
            second_value: mm(soft.free_length - room),
            why: "the coils touch before the stop does".to_owned(),
        });
    }
    let stop = stop.or(room);
    if let Some(stop) = stop.filter(|s| s.m() < 0.0 || !s.is_finite()) {
        return Err(LayoutError::impossible(
            "spring.series.stop",
            mm(stop),
            "it must not be negative",
        ));
    }
    for curve in [&main.curve, &soft.curve] {
        rising(&table(curve), "spring.series")?;
    }
    let closes = stop.map(|s| Curve::from(&soft.curve).force(s.m()));
    let main_at = |f: f64| Curve::from(&main.curve).compression_at(f).map(Length::new);
    Ok(Stacked {
        closes_at: closes.map(Force::new),
        closes_at_compression: closes
            .zip(stop)
            .and_then(|(f, stop)| Some(main_at(f)? + stop)),
        spring: in_series(main, soft, stop, between),
    })
}

fn rising(points: &[(f64, f64)], field: &str) -> Result<(), LayoutError> {
    for pair in points.windows(2) {
        if !(pair[1].0 > pair[0].0 && pair[1].1 > pair[0].1) {
            return Err(LayoutError::Contradiction {
                first: format!("{field} compression"),
                first_value: format!("{:.2} -> {:.2} mm", pair[0].0 * 1e3, pair[1].0 * 1e3),
                second: format!("{field} force"),
                second_value: format!("{:.1} -> {:.1} N", pair[0].1, pair[1].1),
                why: "a spring that is pressed more must push more".to_owned(),
            });
        }
    }
    if points.len() < 2 {
        return Err(LayoutError::impossible(
            field,
            points.len(),
            "at least two points are needed",
        ));
    }
    Ok(())
}
