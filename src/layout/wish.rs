//! What the builder wishes, and what there is to make it of.

use crate::quantity::{Angle, Frequency, Length};
use crate::sheet::Spring;

/// What is asked of an axle's coilovers.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// Index into [`BuildSheet::axles`](crate::sheet::BuildSheet::axles): a solid axle.
    pub axle: usize,
    /// Index of the case in which the frame shall stand at its design height.
    pub case: usize,
    /// Sag from full extension as a share of the stroke: from, to.
    pub sag: (f64, f64),
    /// Ride frequency in that case: from, to.
    pub frequency: Option<(Frequency, Frequency)>,
    /// Least travel left up (to full compression), along the unit, in every case.
    pub travel_up: Length,
    /// Least travel left down (to full extension), along the unit, in every case.
    pub travel_down: Length,
}

impl Wish {
    /// For an axle and a case: sag of a quarter to two fifths of the stroke,
    /// nothing else asked. The band is common practice, no source.
    pub const fn new(axle: usize, case: usize) -> Self {
        Self {
            axle,
            case,
            sag: (0.25, 0.40),
            frequency: None,
            travel_up: Length::ZERO,
            travel_down: Length::ZERO,
        }
    }
}

/// Springs to choose from.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stock {
    /// Each once.
    pub springs: Vec<StockSpring>,
}

/// A spring on the shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct StockSpring {
    /// What the builder calls it.
    pub name: String,
    /// The spring.
    pub spring: Spring,
}

/// Angles to try.
#[derive(Debug, Clone, PartialEq)]
pub struct Leans {
    /// In rear view, between the unit and the vertical; positive leans the
    /// upper end to the vehicle's centre plane.
    pub lean: Vec<Angle>,
    /// In side view; positive leans the upper end forward. Empty counts as upright.
    pub rake: Vec<Angle>,
}

impl Leans {
    /// Lean from one angle to another in equal steps, both ends in; no rake.
    pub fn range(from: Angle, to: Angle, count: usize) -> Self {
        let step = (to - from) / count.saturating_sub(1).max(1) as f64;
        Self {
            lean: (0..count).map(|i| from + step * i as f64).collect(),
            rake: Vec::new(),
        }
    }
}

/// Where the upper mounts may go, in frame axes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Room {
    /// Lowest place over the frame datum.
    pub upper_lowest: Option<Length>,
    /// Highest place over the frame datum.
    pub upper_highest: Option<Length>,
    /// Nearest to the centre plane that a mount may come.
    pub upper_inmost: Option<Length>,
}
