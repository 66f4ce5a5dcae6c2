//! Springs known by measuring, not by a rate: leaf or coil by heights under
//! weights, air springs by their table.
//!
//! In: rows of height, pressure and force. Out: one spring with a table, which
//! the model takes as any other. Refused: rows that do not push more at less
//! height, pressures that a table does not have.

use super::vehicle::{Spring, SpringCurve};
use crate::quantity::{Force, Length};

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

/// Why rows are no spring. Rows by their index as given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoSpring {
    /// Fewer than two heights.
    TooFew {
        /// How many.
        heights: usize,
    },
    /// A row at less height does not push more.
    NotPushingMore {
        /// The taller one.
        taller: usize,
        /// The other.
        lower: usize,
    },
    /// The table has no such pressure at a height.
    PressureOutside {
        /// A row of that height.
        row: usize,
        /// Least of that height, pascals.
        least_pa: f64,
        /// Most, pascals.
        most_pa: f64,
    },
    /// Several pressures at a height, and none said.
    PressureMissing {
        /// A row of that height.
        row: usize,
    },
}

/// A height with its force and the row it came from.
#[derive(Clone, Copy)]
struct Level {
    height: f64,
    force: f64,
    row: usize,
}

/// Tallest first, each lower one pushing more.
fn falling(levels: &[Level]) -> Result<(), NoSpring> {
    if levels.len() < 2 {
        let heights = levels.len();
        return Err(NoSpring::TooFew { heights });
    }
    match levels
        .windows(2)
        .find(|p| !(p[1].height < p[0].height && p[1].force > p[0].force))
    {
        Some(pair) => Err(NoSpring::NotPushingMore {
            taller: pair[0].row,
            lower: pair[1].row,
        }),
        None => Ok(()),
    }
}

fn made(levels: &[Level], free: f64, solid: Option<f64>, rate_uncertainty: f64) -> Spring {
    let mut table = vec![(Length::ZERO, Force::ZERO)];
    table.extend(
        levels
            .iter()
            .filter(|l| l.force > 0.0)
            .map(|l| (Length::new(free - l.height), Force::new(l.force))),
    );
    Spring {
        curve: SpringCurve::Table(table),
        free_length: Length::new(free),
        solid_length: solid.map(Length::new),
        rate_uncertainty,
    }
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
) -> Result<Spring, NoSpring> {
    let mut levels: Vec<Level> = points
        .iter()
        .enumerate()
        .map(|(row, (h, f))| Level {
            height: h.m(),
            force: f.n(),
            row,
        })
        .collect();
    levels.sort_by(|a, b| b.height.total_cmp(&a.height));
    falling(&levels)?;
    let (a, b) = (levels[0], levels[1]);
    let free = if a.force > 0.0 {
        a.height + a.force * (a.height - b.height) / (b.force - a.force)
    } else {
        a.height
    };
    Ok(made(&levels, free, None, rate_uncertainty))
}

/// Length over which an air spring's force comes in above the table's greatest
/// height: a bag there pushes with a force that no coil spring has at its free
/// length. Chosen, because it is far under any stroke.
const COMES_IN_M: f64 = 1e-3;

/// An air spring by its table of height, pressure and force, at a pressure.
///
/// # Method
/// Rows of one height are straight between their pressures; heights are straight
/// between theirs. That is the spring with its pressure held (a levelled supply).
/// For a bag shut off, give the rows that were taken shut off, all at one
/// charge, and no pressure: then every height has one row.
///
/// # Errors
/// Fewer than two heights, a pressure outside of a height's rows, a force that
/// does not rise as the height falls (such a bag carries, but it has no rate of
/// its own at a held pressure).
pub fn air_spring(
    rows: &[AirRow],
    pressure_pa: Option<f64>,
    rate_uncertainty: f64,
) -> Result<Spring, NoSpring> {
    let mut sorted: Vec<(usize, AirRow)> = rows.iter().copied().enumerate().collect();
    sorted.sort_by(|(_, a), (_, b)| {
        (b.height.m().total_cmp(&a.height.m())).then(a.pressure_pa.total_cmp(&b.pressure_pa))
    });
    let mut levels: Vec<Level> = Vec::new();
    for same in sorted.chunk_by(|a, b| (a.1.height - b.1.height).m().abs() < 1e-9) {
        let (row, first) = same[0];
        let force = match (pressure_pa, same) {
            (None, [_]) => first.force.n(),
            (None, _) => return Err(NoSpring::PressureMissing { row }),
            (Some(pressure), _) => at_pressure(same, pressure)?,
        };
        levels.push(Level {
            height: first.height.m(),
            force,
            row,
        });
    }
    falling(&levels)?;
    let lowest = levels.last().map(|l| l.height);
    let free = levels[0].height + COMES_IN_M;
    Ok(made(&levels, free, lowest, rate_uncertainty))
}

/// The force at a pressure between the rows of one height.
fn at_pressure(same: &[(usize, AirRow)], pressure: f64) -> Result<f64, NoSpring> {
    let (row, first) = same[0];
    let last = same[same.len() - 1].1;
    // A thousandth for what units do to digits.
    let slack = 1e-3 * first.pressure_pa.abs();
    if pressure < first.pressure_pa - slack || pressure > last.pressure_pa + slack {
        return Err(NoSpring::PressureOutside {
            row,
            least_pa: first.pressure_pa,
            most_pa: last.pressure_pa,
        });
    }
    let between = same
        .windows(2)
        .find(|p| pressure <= p[1].1.pressure_pa + slack);
    Ok(between.map_or(first.force.n(), |p| {
        let (a, b) = (p[0].1, p[1].1);
        let t = (pressure - a.pressure_pa) / (b.pressure_pa - a.pressure_pa).max(1e-9);
        a.force.n() + t.clamp(0.0, 1.0) * (b.force - a.force).n()
    }))
}
