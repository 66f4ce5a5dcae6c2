//! Springs that are not one coil of one rate: two in series with a stop, helper
//! springs, leaf or coil springs of a measured rate, air springs by their table.
//!
//! In: the parts, or points that were measured. Out: a [`Spring`] with a table,
//! which the model takes as any other: its energy, and all else by derivatives.
//! Refused: tables that do not rise, stops outside of a spring's travel.

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

/// A leaf or coil spring of which only heights under loads were measured: pairs
/// (height between its seats, force). The first two points are drawn out to zero
/// force, the last two go on.
///
/// # Errors
/// Fewer than two points, or a force that does not rise as the height falls.
pub fn measured_spring(
    points: &[(Length, Force)],
    rate_uncertainty: f64,
) -> Result<Spring, LayoutError> {
    let mut sorted: Vec<(f64, f64)> = points.iter().map(|(h, f)| (-h.m(), f.n())).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    rising(&sorted, "spring.measured")?;
    let (a, b) = (sorted[0], sorted[1]);
    let free = if a.1 > 0.0 {
        a.0 - a.1 * (b.0 - a.0) / (b.1 - a.1)
    } else {
        a.0
    };
    let mut table = vec![(Length::ZERO, Force::ZERO)];
    table.extend(
        sorted
            .iter()
            .filter(|p| p.1 > 0.0)
            .map(|(h, f)| (Length::new(h - free), Force::new(*f))),
    );
    Ok(Spring {
        curve: SpringCurve::Table(table),
        free_length: Length::new(-free),
        solid_length: None,
        rate_uncertainty,
    })
}

/// A row of an air spring's table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirRow {
    /// Height of the bag.
    pub height: Length,
    /// Gauge pressure, pascals.
    pub pressure_pa: f64,
    /// Force.
    pub force: Force,
}

/// Length over which an air spring's force comes in above the table's greatest
/// height: a bag there pushes with a force that no coil spring has at its free
/// length. Chosen, because it is far under any stroke.
const COMES_IN_M: f64 = 1e-3;

/// An air spring at a pressure, by its table of height, pressure and force.
///
/// # Method
/// Rows of one height are straight between their pressures; heights are straight
/// between theirs. That is the spring with its pressure held (a levelled supply).
/// For a bag shut off, give the rows that were taken shut off, all at one
/// charge: then every height has one row, and `pressure_pa` is not looked at.
///
/// # Errors
/// Fewer than two heights, a pressure outside of a height's rows, a force that
/// does not rise as the height falls (such a bag carries, but it has no rate of
/// its own at a held pressure).
pub fn air_spring(
    rows: &[AirRow],
    pressure_pa: f64,
    rate_uncertainty: f64,
) -> Result<Spring, LayoutError> {
    let mut sorted = rows.to_vec();
    sorted.sort_by(|a, b| {
        (b.height.m().total_cmp(&a.height.m())).then(a.pressure_pa.total_cmp(&b.pressure_pa))
    });
    let mut curve: Vec<(f64, f64)> = Vec::new();
    for same in sorted.chunk_by(|a, b| (a.height - b.height).m().abs() < 1e-9) {
        let force = match same {
            [one] => one.force.n(),
            many => many
                .windows(2)
                .find(|p| (p[0].pressure_pa..=p[1].pressure_pa).contains(&pressure_pa))
                .map(|p| {
                    let t = (pressure_pa - p[0].pressure_pa)
                        / (p[1].pressure_pa - p[0].pressure_pa).max(1e-9);
                    p[0].force.n() + t * (p[1].force.n() - p[0].force.n())
                })
                .ok_or_else(|| LayoutError::Contradiction {
                    first: "spring.air.pressure".to_owned(),
                    first_value: format!("{:.1} kPa", pressure_pa / 1e3),
                    second: "spring.air.table".to_owned(),
                    second_value: format!("height {:.1} mm", same[0].height.mm()),
                    why: "the table has no such pressure at this height".to_owned(),
                })?,
        };
        curve.push((-same[0].height.m(), force));
    }
    rising(&curve, "spring.air")?;
    let tallest = -curve[0].0;
    let mut table = vec![(Length::ZERO, Force::ZERO)];
    table.extend(
        curve
            .iter()
            .filter(|p| p.1 > 0.0)
            .map(|(h, f)| (Length::new(h + tallest + COMES_IN_M), Force::new(*f))),
    );
    Ok(Spring {
        curve: SpringCurve::Table(table),
        free_length: Length::new(tallest + COMES_IN_M),
        solid_length: curve.last().map(|p| Length::new(-p.0)),
        rate_uncertainty,
    })
}
