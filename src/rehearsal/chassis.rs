//! The numbers of the simulated vehicle: what is really there.
//!
//! In: nothing. Out: the truth of a small flat-deck delivery van's bare
//! chassis, in SI, in frame and axle axes (x forward, y left, z up). The build
//! sheet of the rehearsal says something slightly different on purpose.
//!
//! All numbers are invented for the rehearsal.

use super::strut::Unit;

/// A point, metres.
pub type Place = [f64; 3];

/// A tyre: a spring with some damping that cannot pull.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tyre {
    /// Unloaded radius, metres.
    pub radius_m: f64,
    /// Vertical rate, newtons per metre.
    pub rate_n_per_m: f64,
    /// Vertical damping, newton seconds per metre.
    pub damping_n_s_per_m: f64,
}

/// A coilover between a frame point and an axle point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coilover {
    /// Upper mount, frame point.
    pub upper_m: Place,
    /// Lower mount, axle point.
    pub lower_m: Place,
    /// Unit and spring.
    pub unit: Unit,
}

/// The link that holds the solid axle sideways.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Link {
    /// Frame point.
    pub frame_end_m: Place,
    /// Axle point.
    pub axle_end_m: Place,
    /// Length between the ends.
    pub length_m: f64,
}

/// Solid rear axle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RearAxle {
    /// Axle with wheels, kilograms.
    pub mass_kg: f64,
    /// Moment of inertia about the x axis, kg m².
    pub roll_inertia_kg_m2: f64,
    /// Between the wheel centre planes.
    pub track_m: f64,
    /// Tyres.
    pub tyre: Tyre,
    /// Left, right.
    pub coilovers: [Coilover; 2],
    /// Lateral link.
    pub link: Link,
    /// Wheel centre height at which the simulation starts.
    pub start_height_m: f64,
}

/// Independent front corners, both alike but for the unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrontCorners {
    /// One wheel with what moves with it, kilograms.
    pub wheel_mass_kg: f64,
    /// Between the wheel centre planes.
    pub track_m: f64,
    /// Tyres.
    pub tyre: Tyre,
    /// Spring travel over wheel travel.
    pub motion_ratio: f64,
    /// Length of the unit at zero travel.
    pub design_length_m: f64,
    /// Wheel centre height over the floor at zero travel.
    pub design_wheel_height_m: f64,
    /// Left, right.
    pub units: [Unit; 2],
}

/// What the springs carry before any load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Mass, kilograms.
    pub mass_kg: f64,
    /// Its centre, frame point.
    pub centre_m: Place,
    /// Moment of inertia about the x axis through the centre, kg m².
    pub roll_inertia_kg_m2: f64,
    /// Moment of inertia about the y axis through the centre, kg m².
    pub pitch_inertia_kg_m2: f64,
    /// Height of the frame datum over the floor as designed, frame level.
    pub design_height_m: f64,
}

/// The floor: a plane tilted against gravity, with small bumps where the
/// distance sensors look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// Positive = left side up, radians.
    pub roll_rad: f64,
    /// Positive = falls to the front, radians.
    pub pitch_rad: f64,
}

/// How the rear springs lose length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetLaw {
    /// When the springs are first worked, simulated seconds.
    pub begins_s: f64,
    /// Quick part, metres.
    pub quick_m: f64,
    /// Its time constant, seconds.
    pub quick_time_s: f64,
    /// Slow part, metres.
    pub slow_m: f64,
    /// Its time constant, seconds.
    pub slow_time_s: f64,
}

impl SetLaw {
    /// No set at all.
    pub const NONE: Self = Self {
        begins_s: 0.0,
        quick_m: 0.0,
        quick_time_s: 1.0,
        slow_m: 0.0,
        slow_time_s: 1.0,
    };

    /// What the settling story has: a part over hours and a larger one over days.
    pub const OVER_DAYS: Self = Self {
        begins_s: 0.0,
        quick_m: 2.2e-3,
        quick_time_s: 3.0 * 3600.0,
        slow_m: 3.8e-3,
        slow_time_s: 45.0 * 3600.0,
    };

    /// Length lost at a time, metres: two exponentials that begin together.
    pub fn at(&self, time_s: f64) -> f64 {
        let since = (time_s - self.begins_s).max(0.0);
        let part = |size: f64, time_constant: f64| size * -(-since / time_constant).exp_m1();
        part(self.quick_m, self.quick_time_s) + part(self.slow_m, self.slow_time_s)
    }
}

/// Everything that is true of the vehicle and where it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chassis {
    /// Between the axles.
    pub wheelbase_m: f64,
    /// Frame.
    pub frame: Frame,
    /// Rear.
    pub rear: RearAxle,
    /// Front.
    pub front: FrontCorners,
    /// Floor.
    pub floor: Floor,
    /// Settling of the two rear springs.
    pub set: SetLaw,
    /// Free fall, m/s².
    pub gravity_m_s2: f64,
}

impl Chassis {
    /// The van of the rehearsal.
    pub fn van() -> Self {
        let rear_tyre = Tyre {
            radius_m: 0.3155,
            rate_n_per_m: 197_000.0,
            damping_n_s_per_m: 350.0,
        };
        let rear_unit = Unit {
            extended_m: 0.450,
            compressed_m: 0.300,
            hardware_m: 0.180,
            collar_m: 0.0242,
            free_length_m: 0.250,
            rate_n_per_m: 24_720.0,
            damping_n_s_per_m: 1_700.0,
            friction_n: 24.0,
        };
        let coilover = |side: f64, unit: Unit| Coilover {
            upper_m: [-0.055, side * 0.385, 0.275],
            lower_m: [-0.055, side * 0.500, 0.020],
            unit,
        };
        let front_unit = Unit {
            extended_m: 0.335,
            compressed_m: 0.250,
            hardware_m: 0.145,
            collar_m: 0.0198,
            free_length_m: 0.175,
            rate_n_per_m: 55_600.0,
            damping_n_s_per_m: 3_800.0,
            friction_n: 36.0,
        };
        Self {
            wheelbase_m: 2.350,
            frame: Frame {
                mass_kg: 418.0,
                centre_m: [1.262, -0.008, 0.190],
                roll_inertia_kg_m2: 95.0,
                pitch_inertia_kg_m2: 330.0,
                design_height_m: 0.420,
            },
            rear: RearAxle {
                mass_kg: 94.0,
                roll_inertia_kg_m2: 34.0,
                track_m: 1.380,
                tyre: rear_tyre,
                coilovers: [
                    coilover(1.0, rear_unit),
                    coilover(
                        -1.0,
                        Unit {
                            collar_m: 0.0238,
                            rate_n_per_m: 24_650.0,
                            friction_n: 27.0,
                            ..rear_unit
                        },
                    ),
                ],
                link: Link {
                    frame_end_m: [-0.120, 0.430, -0.025],
                    axle_end_m: [-0.120, -0.395, 0.090],
                    length_m: 0.825,
                },
                start_height_m: 0.305,
            },
            front: FrontCorners {
                wheel_mass_kg: 29.5,
                track_m: 1.340,
                tyre: Tyre {
                    radius_m: 0.3155,
                    rate_n_per_m: 193_000.0,
                    damping_n_s_per_m: 350.0,
                },
                motion_ratio: 0.62,
                design_length_m: 0.305,
                design_wheel_height_m: 0.308,
                units: [
                    front_unit,
                    Unit {
                        rate_n_per_m: 55_100.0,
                        ..front_unit
                    },
                ],
            },
            floor: Floor {
                roll_rad: 0.35_f64.to_radians(),
                pitch_rad: (-0.20_f64).to_radians(),
            },
            set: SetLaw {
                begins_s: 44.0,
                quick_m: 1.8e-3,
                quick_time_s: 60.0,
                slow_m: 0.9e-3,
                slow_time_s: 2.5 * 86_400.0,
            },
            gravity_m_s2: crate::quantity::STANDARD_GRAVITY_M_S2,
        }
    }
}
