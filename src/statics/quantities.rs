//! Everything worth knowing of a state of rest.

use super::{Equilibrium, Model, UnitModel, UnitPlace};
use crate::geometry::{State, angle_to_vertical, axle_coordinate};
use crate::quantity::{
    Angle, Force, Frequency, Length, Mass, RollRate, STANDARD_GRAVITY_M_S2, SpringRate,
};
use crate::sheet::{Side, Station};
use nalgebra::{Matrix2, Vector2};

/// What a load case comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseQuantities {
    /// Roll of the frame, as an inclinometer lying across it shows: left side up is positive.
    pub roll: Angle,
    /// Pitch of the frame, as an inclinometer lying along it shows: nose down is positive.
    pub pitch: Angle,
    /// Height of every station over the floor, in the sheet's order.
    pub heights: Vec<(String, Length)>,
    /// Lateral links.
    pub links: Vec<LinkQuantities>,
    /// Coilovers and corner springs.
    pub units: Vec<UnitQuantities>,
    /// Axles.
    pub axles: Vec<AxleQuantities>,
    /// Load under each stand.
    pub stands: Vec<Force>,
    /// What is not as it should be.
    pub warnings: Vec<Warning>,
}

/// A lateral link at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkQuantities {
    /// Its name.
    pub name: String,
    /// To the floor's plane in rear view; positive with the frame end high.
    pub angle: Angle,
    /// How far the axle's centre is to the left of the frame's centre plane.
    pub side_shift: Length,
}

/// A spring unit at rest. Lengths along the unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitQuantities {
    /// Its name.
    pub name: String,
    /// Whether it is a coilover between two points (else a corner's spring).
    pub coilover: bool,
    /// Which side it is on.
    pub side: Side,
    /// Eye to eye.
    pub length: Length,
    /// Between its axis and the vertical; none for a corner's spring.
    pub angle: Option<Angle>,
    /// Spring force.
    pub force: Force,
    /// Local spring rate.
    pub rate: SpringRate,
    /// Compression of the spring.
    pub compression: Length,
    /// Compression of the spring with the unit fully extended; negative where
    /// it is loose there.
    pub preload: Length,
    /// From full extension to here.
    pub sag: Length,
    /// Sag as a share of the stroke.
    pub sag_share: f64,
    /// Left until fully compressed.
    pub travel_up: Length,
    /// Left until fully extended.
    pub travel_down: Length,
    /// Gap left in the coils with the unit fully compressed; negative where the
    /// coils touch before. None where the sheet gives no solid length.
    pub bind_margin: Option<Length>,
}

/// An axle at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct AxleQuantities {
    /// Its name.
    pub name: String,
    /// Wheel load per wheel-centre travel relative to the frame, one wheel, both moving alike.
    pub wheel_rate: SpringRate,
    /// The same with the tyre in series.
    pub ride_rate: SpringRate,
    /// Torque per roll of the frame against the axle.
    pub roll_rate: RollRate,
    /// The same against the floor, tyres in series.
    pub ride_roll_rate: RollRate,
    /// Of the sprung mass on this axle on its ride rate; none where it carries nothing.
    pub frequency: Option<Frequency>,
    /// Sprung mass this axle carries.
    pub sprung_mass: Mass,
    /// Height over the floor; none where the sheet does not tell.
    pub roll_centre_height: Option<Length>,
    /// Load under the left and the right wheel (or block).
    pub wheel_loads: [Force; 2],
    /// Whether the axle is suspended in this set-up (not hung under a frame on stands).
    pub carries: bool,
}

/// Something that is not as it should be in a load case.
#[derive(Debug, Clone, PartialEq)]
pub struct Warning {
    /// A stable code, for example `loose_at_droop`.
    pub code: &'static str,
    /// In words.
    pub text: String,
}

/// Works out every quantity of a state of rest.
pub fn quantities(model: &Model, rest: &Equilibrium, stations: &[Station]) -> CaseQuantities {
    let q = &rest.state;
    let pose = model.pose(q);
    let units: Vec<_> = model
        .units
        .iter()
        .map(|u| unit_quantities(u, &pose))
        .collect();
    let axles: Vec<_> = (0..model.axles.len())
        .map(|i| axle_quantities(model, rest, i))
        .collect();
    let links = (0..model.axles.len())
        .filter_map(|i| {
            let (name, link) = model.link(i)?;
            let axle = pose.axle(i)?;
            model.axles[i].carries.then(|| LinkQuantities {
                name: name.to_owned(),
                angle: Angle::new(link.angle(&pose.frame, axle)),
                side_shift: Length::new(axle.side_shift()),
            })
        })
        .collect();
    let mut found = CaseQuantities {
        roll: Angle::new(pose.frame.tilt_across()),
        pitch: Angle::new(pose.frame.tilt_along()),
        heights: stations
            .iter()
            .map(|s| (s.name.clone(), Length::new(pose.frame.height(s.at.m()))))
            .collect(),
        links,
        units,
        axles,
        stands: model
            .stands
            .iter()
            .map(|(at, top)| {
                let squeeze = (top - pose.frame.height(*at)).max(0.0);
                Force::new(squeeze * super::unit::STOP_RATE_N_PER_M)
            })
            .collect(),
        warnings: Vec::new(),
    };
    found.warnings = warnings(model, &found);
    found
}

fn unit_quantities(unit: &UnitModel, pose: &super::Pose<f64>) -> UnitQuantities {
    let length = unit.length(pose);
    let stroke = unit.extended - unit.compressed;
    let angle = match &unit.place {
        UnitPlace::Mounts { upper, lower } => Some(Angle::new(angle_to_vertical(
            pose.axle_point(unit.axle, *lower),
            pose.frame.point(*upper),
        ))),
        UnitPlace::Arm {
            upper,
            arm,
            end,
            beside,
        } => {
            let height = match end {
                super::ArmEnd::Wheel(c) => pose.coordinates[*c],
                super::ArmEnd::Axle(p) => pose.axle_point(unit.axle, *p)[2],
            };
            let lower = arm.lower(height - pose.frame.height(*beside));
            Some(Angle::new(angle_to_vertical(
                pose.frame.point(lower),
                pose.frame.point(*upper),
            )))
        }
        UnitPlace::Corner { .. } => None,
    };
    UnitQuantities {
        name: unit.name.clone(),
        coilover: angle.is_some(),
        side: unit.side,
        length: Length::new(length),
        angle,
        force: Force::new(unit.spring_force(length)),
        rate: SpringRate::new(unit.spring_rate(length)),
        compression: Length::new(unit.compression(length).max(0.0)),
        preload: Length::new(unit.compression(unit.extended)),
        sag: Length::new(unit.extended - length),
        sag_share: (unit.extended - length) / stroke,
        travel_up: Length::new(length - unit.compressed),
        travel_down: Length::new(unit.extended - length),
        bind_margin: unit
            .solid_length
            .map(|solid| Length::new(unit.compressed - unit.hardware - unit.collar - solid)),
    }
}

/// Second derivative of a quadratic form along a direction.
fn along(matrix: &Matrix2<f64>, a: &Vector2<f64>, b: &Vector2<f64>) -> f64 {
    a.dot(&(matrix * b))
}

fn series(a: f64, b: f64) -> f64 {
    if a + b > 0.0 { a * b / (a + b) } else { 0.0 }
}

/// Rates of an axle's springs and bar in a given state, tyres left out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SuspensionRates {
    /// Force per travel of both wheels together against the frame, N/m.
    pub both_wheels: f64,
    /// Torque per roll of the axle against the frame, N m/rad.
    pub roll: f64,
    /// What the springs push the frame up with, newtons.
    pub carried: f64,
}

impl Model {
    /// Directions of the state in which both wheels of axle `i` go up by 1 m,
    /// and in which the axle (or the pair of wheels) rolls by 1 rad.
    fn wheel_motions(&self, i: usize) -> (State, State) {
        let (axle, c) = (&self.axles[i], axle_coordinate(i));
        let (mut heave, mut roll) = (State::zeros(), State::zeros());
        heave[c] = 1.0;
        if axle.solid {
            roll[c + 1] = 1.0;
        } else {
            heave[c + 1] = 1.0;
            roll[c] = axle.track / 2.0;
            roll[c + 1] = -axle.track / 2.0;
        }
        (heave, roll)
    }

    /// Rates of the springs and the bar of axle `i` in a state, at rest or not,
    /// with the frame held: second derivatives of their energy.
    pub fn suspension_rates(&self, i: usize, q: &State) -> SuspensionRates {
        let (heave, roll) = self.wheel_motions(i);
        // Both motions are those of the axle's own coordinates.
        let at = [axle_coordinate(i), axle_coordinate(i) + 1];
        let own = |v: &State| Vector2::from(at.map(|c| v[c]));
        let (_, pull, k) = num_dual::hessian(
            |x| {
                let pose = self.pose_of(&super::equilibrium::among(q, &at, &x), |axle| axle == i);
                self.suspension_energy(i, &pose)
            },
            &own(q),
        );
        let (heave, roll) = (own(&heave), own(&roll));
        let both_wheels = along(&k, &heave, &heave);
        let cross = along(&k, &heave, &roll);
        let freed = if both_wheels > 0.0 {
            cross * cross / both_wheels
        } else {
            0.0
        };
        SuspensionRates {
            both_wheels,
            roll: along(&k, &roll, &roll) - freed,
            carried: heave.dot(&pull),
        }
    }
}

fn axle_quantities(model: &Model, rest: &Equilibrium, i: usize) -> AxleQuantities {
    let axle = &model.axles[i];
    let q = &rest.state;
    let pose = model.pose(q);
    let rates = model.suspension_rates(i, q);
    let (heave, roll) = model.wheel_motions(i);
    let (k_heave, k_roll) = (rates.both_wheels, rates.roll);
    let heights = model.wheel_clearances(i, &pose);
    let tyre_rates = axle.tyre.map(|t| {
        heights.map(|h| {
            if h < t.radius {
                t.rate * t.rate_factor
            } else {
                0.0
            }
        })
    });
    let (ride, ride_roll) = match tyre_rates {
        None => (k_heave, k_roll),
        Some([left, right]) => {
            let tyre_roll = series(left, right) * axle.track * axle.track;
            (series(k_heave, left + right), series(k_roll, tyre_roll))
        }
    };
    let sprung = rates.carried / STANDARD_GRAVITY_M_S2;
    let wheel_loads = if let Some(t) = axle.tyre {
        heights.map(|h| Force::new((t.radius - h).max(0.0) * t.rate * t.rate_factor))
    } else {
        // A held axle: what holds its two coordinates.
        let sum = heave.dot(&rest.gradient);
        let difference = roll.dot(&rest.gradient) / (axle.track / 2.0);
        [
            Force::new(f64::midpoint(sum, difference)),
            Force::new(f64::midpoint(sum, -difference)),
        ]
    };
    let roll_centre_height = match (model.link(i), pose.axle(i)) {
        (Some((_, link)), Some(a)) => Some(Length::new(link.roll_centre_height(&pose.frame, a))),
        _ => axle.roll_centre.map(Length::new),
    };
    AxleQuantities {
        name: axle.name.clone(),
        wheel_rate: SpringRate::new(k_heave / 2.0),
        ride_rate: SpringRate::new(ride / 2.0),
        roll_rate: RollRate::new(k_roll),
        ride_roll_rate: RollRate::new(ride_roll),
        frequency: (sprung > 0.0 && ride > 0.0)
            .then(|| Frequency::new((ride / sprung).sqrt() / std::f64::consts::TAU)),
        sprung_mass: Mass::new(sprung),
        roll_centre_height,
        wheel_loads,
        carries: axle.carries,
    }
}

fn warnings(model: &Model, found: &CaseQuantities) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut warn = |code, text: String| warnings.push(Warning { code, text });
    for u in &found.units {
        let name = &u.name;
        if u.travel_up.m() <= 0.0 {
            warn("bottomed", format!("{name} is fully compressed"));
        }
        if u.travel_down.m() <= 0.0 {
            warn(
                "topped_out",
                format!("{name} is fully extended: the spring pushes more than it carries"),
            );
        }
        if u.preload.m() < 0.0 {
            warn(
                "loose_at_droop",
                format!(
                    "{name}: the spring is loose by {:.1} mm when the coilover is fully extended",
                    -u.preload.mm()
                ),
            );
        }
        if let Some(margin) = u.bind_margin.filter(|m| m.m() < 0.0) {
            warn(
                "coil_bind",
                format!(
                    "{name}: the coils touch {:.1} mm before the coilover is fully compressed",
                    -margin.mm()
                ),
            );
        }
    }
    for a in found.axles.iter().filter(|a| a.carries) {
        for (side, load) in ["left", "right"].iter().zip(a.wheel_loads) {
            if load.n() <= 0.0 {
                warn(
                    "wheel_lifted",
                    format!("the {side} wheel of the {} axle carries nothing", a.name),
                );
            }
        }
    }
    for (i, load) in found.stands.iter().enumerate() {
        if load.n() <= 0.0 {
            warn("stand_unloaded", format!("stand {} carries nothing", i + 1));
        }
    }
    let _ = model;
    warnings
}
