//! A coilover on an arm: the arm turns about an axis on the frame, its end goes
//! up and down with the wheel or the axle, the lower mount sits on it.
//!
//! In: points of the arm in the design position (frame points). Out: where the
//! lower mount is for a rise of the arm's end. Refused: see [`ArmGeometry::new`].

use super::{Model, UnitPlace};
use crate::geometry::Real;
use crate::sheet::Arm;

/// An arm in metres; frame points, in the design position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ArmGeometry {
    /// A point on the axis about which it turns.
    pivot: [f64; 3],
    /// The axis, length 1, so that a positive turn lifts the end.
    axis: [f64; 3],
    /// From the pivot to the lower mount.
    lower: [f64; 3],
    /// From the pivot to the end.
    end: [f64; 3],
    /// Height gained by the end: `along sin(turn) + over (cos(turn) - 1)`.
    along: f64,
    over: f64,
}

/// What carries the end of an arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ArmEnd {
    /// A wheel of an independent corner: index of its height in the state.
    Wheel(usize),
    /// A point of the solid axle, axle point in metres.
    Axle([f64; 3]),
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

impl ArmGeometry {
    /// From two points of the axis, the lower mount and the end, as designed.
    ///
    /// None where the two points of the axis are one, or where turning the arm
    /// does not move its end up or down.
    pub fn new(pivots: [[f64; 3]; 2], lower: [f64; 3], end: [f64; 3]) -> Option<Self> {
        let from = |a: [f64; 3], b: [f64; 3]| [0, 1, 2].map(|i| b[i] - a[i]);
        let axis = from(pivots[0], pivots[1]);
        let length = dot(axis, axis).sqrt();
        if length < 1e-6 {
            return None;
        }
        let mut axis = axis.map(|x| x / length);
        let (lower, end) = (from(pivots[0], lower), from(pivots[0], end));
        let mut along = cross(axis, end)[2];
        if along < 0.0 {
            axis = axis.map(|x| -x);
            along = -along;
        }
        (along > 1e-3).then_some(Self {
            pivot: pivots[0],
            axis,
            lower,
            end,
            along,
            over: end[2] - axis[2] * dot(axis, end),
        })
    }

    /// The sheet's arm with the lower mount on it.
    pub fn of(arm: &Arm, lower: [f64; 3]) -> Option<Self> {
        Self::new(
            arm.axis().map(crate::quantity::Point::m),
            lower,
            arm.end().m(),
        )
    }

    /// Turn of the arm (radians, end up positive) for a rise of its end (metres,
    /// along the frame's z).
    ///
    /// With `A sin t + C cos t = rise + C`: `t = asin((rise + C)/M) - atan2(C, A)`,
    /// `M = hypot(A, C)`. A rise beyond the arm's reach counts as its reach.
    pub fn turn<D: Real>(&self, rise: D) -> D {
        let most = self.along.hypot(self.over);
        let mut share = (rise + self.over) / most;
        if share.re().abs() > 0.999_999 {
            share = D::from(0.999_999 * share.re().signum());
        }
        share.asin() - self.over.atan2(self.along)
    }

    /// The lower mount (frame point) at a rise of the end.
    pub fn lower<D: Real>(&self, rise: D) -> [D; 3] {
        let (sin, cos) = self.turn(rise).sin_cos();
        let out = cross(self.axis, self.lower);
        let along = dot(self.axis, self.lower);
        [0, 1, 2].map(|i| {
            cos * (self.lower[i] - self.axis[i] * along)
                + sin * out[i]
                + (self.pivot[i] + self.axis[i] * along)
        })
    }

    /// The end (frame point) as designed.
    pub fn end(&self) -> [f64; 3] {
        [0, 1, 2].map(|i| self.pivot[i] + self.end[i])
    }
}

impl Model {
    /// Puts the unit of that name on an arm: its upper mount a frame point
    /// (metres), its lower mount on the arm. On a solid axle the end of the arm is
    /// held by the axle at the place where both are in the design position; at an
    /// independent corner it goes with the wheel. False where there is no such
    /// unit.
    ///
    /// Not modelled: the arc of the arm's end in side view, since an axle here
    /// neither moves fore and aft nor pitches.
    pub fn put_on_arm(&mut self, name: &str, upper: [f64; 3], arm: ArmGeometry) -> bool {
        let Some(u) = self.units.iter().position(|u| u.name == name) else {
            return false;
        };
        let i = self.units[u].axle;
        let end = match &self.units[u].place {
            UnitPlace::Corner { coordinate, .. } => ArmEnd::Wheel(*coordinate),
            UnitPlace::Arm {
                end: wheel @ ArmEnd::Wheel(_),
                ..
            } => *wheel,
            UnitPlace::Mounts { .. } | UnitPlace::Arm { .. } => {
                let below = self.axles[i].beside_wheels[0][2];
                let [x, y, z] = arm.end();
                ArmEnd::Axle([x - self.axle_x(i), y, z - below])
            }
        };
        let beside = match end {
            ArmEnd::Wheel(coordinate) => {
                let side = (coordinate - crate::geometry::axle_coordinate(i)).min(1);
                self.axles[i].beside_wheels[side]
            }
            ArmEnd::Axle(_) => arm.end(),
        };
        self.units[u].place = UnitPlace::Arm {
            upper,
            arm,
            end,
            beside,
        };
        true
    }
}
