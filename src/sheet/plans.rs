//! What a sheet says before the weld: the wish, springs at hand, the wheel and
//! what is round it. Kept apart from [`BuildSheet`](super::BuildSheet), since the
//! vehicle stands without it.

use super::Spring;
use crate::quantity::{Angle, Frequency, Length, Point};

/// All of it; each may be left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plans {
    /// `[wish]`.
    pub wish: Option<WishPlan>,
    /// `[[stock]]`: name and spring.
    pub stock: Vec<(String, Spring)>,
    /// `[wheel]`.
    pub wheel: Option<WheelPlan>,
}

/// What is asked of an axle's coilovers.
#[derive(Debug, Clone, PartialEq)]
pub struct WishPlan {
    /// Index of the axle.
    pub axle: usize,
    /// Index of the case in which the frame shall be at its design height.
    pub case: usize,
    /// Sag as a share of the stroke: from, to.
    pub sag: (f64, f64),
    /// Ride frequency: from, to.
    pub frequency: Option<(Frequency, Frequency)>,
    /// Least travel left up.
    pub travel_up: Length,
    /// Least travel left down.
    pub travel_down: Length,
    /// Leans to try.
    pub leans: Vec<Angle>,
    /// Rake in side view, upper end forward.
    pub rake: Angle,
    /// Lowest place of the upper mount over the datum.
    pub mount_lowest: Option<Length>,
    /// Highest place of the upper mount over the datum.
    pub mount_highest: Option<Length>,
    /// Nearest place of the upper mount to the centre plane.
    pub mount_inmost: Option<Length>,
}

/// A wheel as a size code or as measured, and what is round it.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelPlan {
    /// Index of the axle.
    pub axle: usize,
    /// Size code as typed.
    pub size: Option<String>,
    /// Overall diameter as measured.
    pub diameter: Option<Length>,
    /// Section width as measured.
    pub section: Option<Length>,
    /// Rim width between the flanges.
    pub rim_width: Length,
    /// Wheel centre plane inboard of the hub face.
    pub offset: Length,
    /// From the vehicle's centre plane to the hub face.
    pub hub_face: Length,
    /// Radius inside the barrel.
    pub barrel_radius: Option<Length>,
    /// Outer radius of the flanges.
    pub flange_radius: Option<Length>,
    /// Distance asked everywhere.
    pub clearance: Length,
    /// Standard uncertainty of measured places.
    pub tape: Length,
    /// Wheel travel to full bump, where the units do not say.
    pub bump: Option<Length>,
    /// Wheel travel to full droop.
    pub droop: Option<Length>,
    /// Radius of the coilover bodies.
    pub coilover_radius: Option<Length>,
    /// Other bodies.
    pub bodies: Vec<BodyPlan>,
}

/// A body near the wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct BodyPlan {
    /// Its name.
    pub name: String,
    /// Whether the place is on the axle (else on the frame).
    pub on_axle: bool,
    /// The place.
    pub at: Point,
    /// The other end of a cylinder: on the axle?, place.
    pub to: Option<(bool, Point)>,
    /// Radius.
    pub radius: Length,
}
