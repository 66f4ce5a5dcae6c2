//! One spring unit: a coilover between two points, or the spring of an
//! independent corner worked through a motion ratio. Its length is the only
//! thing that depends on the pose; its energy depends on that length alone.

use super::{ArmEnd, ArmGeometry, Curve, Pose};
use crate::geometry::Real;
use crate::sheet::{Coilover, CoiloverUnit, Corner, Side};

/// Rate of the one-sided stops at full extension and compression, N/m.
///
/// Chosen so that a fully loaded stop gives way by some hundredths of a
/// millimetre: stiff against every spring, soft enough for the solver.
pub(crate) const STOP_RATE_N_PER_M: f64 = 1e8;

/// A spring unit with everything in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitModel {
    /// Its name, from the sheet.
    pub name: String,
    /// The axle it belongs to.
    pub axle: usize,
    /// Which side of the vehicle it is on.
    pub side: Side,
    /// Where it is.
    pub place: UnitPlace,
    /// Fully extended length, m.
    pub extended: f64,
    /// Fully compressed length, m.
    pub compressed: f64,
    /// Length the spring cannot use with the collar at its zero mark, m.
    pub hardware: f64,
    /// Collar height above its zero mark, m.
    pub collar: f64,
    /// Rise of the collar in one turn, m.
    pub pitch: f64,
    /// Free length of the spring, m.
    pub free_length: f64,
    /// Length of the spring with its coils touching, m.
    pub solid_length: Option<f64>,
    /// Force over compression as catalogued.
    pub curve: Curve,
    /// What the catalogued force is multiplied by.
    pub rate_factor: f64,
    /// A further force along the unit that pushes its ends apart, N: friction
    /// that is holding.
    pub push: f64,
}

/// Where a unit is.
#[derive(Debug, Clone, PartialEq)]
pub enum UnitPlace {
    /// Between a frame point and a point of its solid axle, metres.
    Mounts {
        /// Frame point.
        upper: [f64; 3],
        /// Axle point.
        lower: [f64; 3],
    },
    /// At an independent corner.
    Corner {
        /// Index of the wheel height in the state.
        coordinate: usize,
        /// Frame point that is level with the wheel centre at zero travel.
        beside_wheel: [f64; 3],
        /// Unit length at zero travel.
        design_length: f64,
        /// Spring travel over wheel travel.
        travel: TravelTable,
    },
    /// Between a frame point and an arm that turns on the frame.
    Arm {
        /// Frame point, metres.
        upper: [f64; 3],
        /// The arm with the lower mount.
        arm: ArmGeometry,
        /// What carries the arm's end.
        end: ArmEnd,
        /// Frame point over which the end rises: level with it as designed.
        beside: [f64; 3],
    },
}

/// Spring travel as a function of wheel travel, the integral of a motion ratio
/// given at points and straight between them, constant beyond.
#[derive(Debug, Clone, PartialEq)]
pub struct TravelTable {
    /// (wheel travel m, motion ratio, slope of the ratio after it, spring travel m).
    points: Vec<[f64; 4]>,
    before: f64,
}

impl TravelTable {
    fn new(ratio: &[(f64, f64)]) -> Self {
        let mut points = Vec::with_capacity(ratio.len());
        let mut travel = 0.0;
        for (i, &(u, r)) in ratio.iter().enumerate() {
            let slope = ratio.get(i + 1).map_or(0.0, |&(v, s)| (s - r) / (v - u));
            points.push([u, r, slope, travel]);
            if let Some(&(v, s)) = ratio.get(i + 1) {
                travel += f64::midpoint(r, s) * (v - u);
            }
        }
        let before = ratio.first().map_or(0.0, |p| p.1);
        let mut table = Self { points, before };
        // Spring travel is zero at zero wheel travel.
        let at_zero = table.spring_travel(0.0);
        for p in &mut table.points {
            p[3] -= at_zero;
        }
        table
    }

    /// Spring travel (m) at a wheel travel (m), both positive in bump.
    pub fn spring_travel<D: Real>(&self, wheel: D) -> D {
        let after = self.points.partition_point(|p| p[0] <= wheel.re());
        if let Some(i) = after.checked_sub(1) {
            let [u, r, slope, s] = self.points[i];
            let d = wheel - u;
            d * d * (slope / 2.0) + d * r + s
        } else {
            let [u, _, _, s] = self.points.first().copied().unwrap_or([0.0; 4]);
            (wheel - u) * self.before + s
        }
    }

    /// Motion ratio at a wheel travel (m).
    pub fn ratio(&self, wheel: f64) -> f64 {
        let after = self.points.partition_point(|p| p[0] <= wheel);
        after.checked_sub(1).map_or(self.before, |i| {
            let [u, r, slope, _] = self.points[i];
            r + slope * (wheel - u)
        })
    }
}

impl UnitModel {
    /// A coilover of axle `axle`.
    pub(super) fn coilover(c: &Coilover, axle: usize) -> Self {
        let place = UnitPlace::Mounts {
            upper: c.upper.m(),
            lower: c.lower.m(),
        };
        Self::new(&c.name, axle, c.side, place, &c.unit)
    }

    /// The spring of an independent corner.
    pub(super) fn corner(
        c: &Corner,
        axle: usize,
        side: Side,
        coordinate: usize,
        beside: [f64; 3],
    ) -> Self {
        let ratio: Vec<_> = c.motion_ratio.iter().map(|(u, r)| (u.m(), *r)).collect();
        let place = UnitPlace::Corner {
            coordinate,
            beside_wheel: beside,
            design_length: c.design_length.m(),
            travel: TravelTable::new(&ratio),
        };
        Self::new(&c.name, axle, side, place, &c.unit)
    }

    fn new(name: &str, axle: usize, side: Side, place: UnitPlace, unit: &CoiloverUnit) -> Self {
        Self {
            name: name.to_owned(),
            axle,
            side,
            place,
            extended: unit.extended.m(),
            compressed: unit.compressed.m(),
            hardware: unit.hardware.m(),
            collar: unit.collar.height.m(),
            pitch: unit.collar.pitch.m(),
            free_length: unit.spring.free_length.m(),
            solid_length: unit
                .spring
                .solid_length
                .map(super::super::quantity::Length::m),
            curve: Curve::from(&unit.spring.curve),
            rate_factor: 1.0,
            push: 0.0,
        }
    }

    /// Eye-to-eye length in a pose, metres.
    pub fn length<D: Real>(&self, pose: &Pose<D>) -> D {
        match &self.place {
            UnitPlace::Mounts { upper, lower } => crate::geometry::distance(
                pose.frame.point(*upper),
                pose.axle_point(self.axle, *lower),
            ),
            UnitPlace::Corner {
                coordinate,
                beside_wheel,
                design_length,
                travel,
            } => {
                let bump = pose.coordinates[*coordinate] - pose.frame.height(*beside_wheel);
                -travel.spring_travel(bump) + *design_length
            }
            UnitPlace::Arm {
                upper,
                arm,
                end,
                beside,
            } => {
                let height = match end {
                    ArmEnd::Wheel(coordinate) => pose.coordinates[*coordinate],
                    ArmEnd::Axle(p) => pose.axle_point(self.axle, *p)[2],
                };
                let rise = height - pose.frame.height(*beside);
                crate::geometry::distance(arm.lower(rise), upper.map(D::from))
            }
        }
    }

    /// Compression of the spring at a unit length, metres; negative where the
    /// spring is loose.
    pub fn compression<D: Real>(&self, length: D) -> D {
        -length + (self.free_length + self.hardware + self.collar)
    }

    /// Energy of spring, stops and push at a unit length, joules.
    pub fn energy<D: Real>(&self, length: D) -> D {
        let mut e =
            self.curve.energy(self.compression(length)) * self.rate_factor - length * self.push;
        let over = length - self.extended;
        if over.re() > 0.0 {
            e += over * over * (STOP_RATE_N_PER_M / 2.0);
        }
        let under = -length + self.compressed;
        if under.re() > 0.0 {
            e += under * under * (STOP_RATE_N_PER_M / 2.0);
        }
        e
    }

    /// Force of the spring alone at a unit length, newtons.
    pub fn spring_force(&self, length: f64) -> f64 {
        self.rate_factor * self.curve.force(self.compression(length))
    }

    /// Rate of the spring alone at a unit length, N/m.
    pub fn spring_rate(&self, length: f64) -> f64 {
        self.rate_factor * self.curve.rate(self.compression(length))
    }
}
