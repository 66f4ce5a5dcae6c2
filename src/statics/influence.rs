//! What a turn of a collar, another hole or a kilogram does to everything.

use super::{Equilibrium, Model, Parameter, StaticsError, UnitPlace};
use crate::geometry::{FramePose, State, gradient};
use crate::quantity::{Angle, Length};
use crate::sheet::{BuildSheet, Station, Suspension};

/// A change that can be made.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// One turn of a collar that raises it (presses the spring more).
    CollarTurn {
        /// Name of the unit.
        unit: String,
        /// Rise in a turn.
        rise: Length,
    },
    /// One kilogram more at a named place of the frame.
    Kilogram {
        /// Name of the station or load.
        place: String,
    },
    /// The bolt moved from its hole to another one.
    Hole {
        /// Name of the coilover.
        unit: String,
        /// Whether it is the upper mount.
        upper: bool,
        /// Name of the hole.
        hole: String,
    },
}

/// What a cause does. Heights in the order of the sheet's stations.
#[derive(Debug, Clone, PartialEq)]
pub struct Influence {
    /// The change.
    pub cause: Cause,
    /// Change of the height of each station.
    pub heights: Vec<(String, Length)>,
    /// Change of the frame's roll.
    pub roll: Angle,
    /// Change of the frame's pitch.
    pub pitch: Angle,
    /// Change of the angle of each lateral link.
    pub links: Vec<(String, Angle)>,
    /// Whether the change is exact (a new equilibrium) rather than linear.
    pub exact: bool,
}

/// The influence of every collar turn, every kilogram at a station or load, and
/// every hole that is not in use.
///
/// Turns and kilograms by the inverse of the stiffness at rest; holes by a new
/// equilibrium, since a hole is not a small step.
pub fn influences(
    sheet: &BuildSheet,
    model: &Model,
    rest: &Equilibrium,
) -> Result<Vec<Influence>, StaticsError> {
    let mut all = Vec::new();
    for (i, unit) in model.units.iter().enumerate() {
        let response = rest.response(model, Parameter::Collar(i)) * unit.pitch;
        let cause = Cause::CollarTurn {
            unit: unit.name.clone(),
            rise: Length::new(unit.pitch),
        };
        all.push(linear(cause, model, rest, &sheet.stations, &response));
    }
    let mut probe = model.clone();
    let first = probe.masses.len();
    let places = sheet
        .stations
        .iter()
        .map(|s| (s.name.clone(), s.at))
        .chain(sheet.loads.iter().map(|l| (l.name.clone(), l.at)));
    for (place, at) in places {
        probe.masses.truncate(first);
        probe.masses.push(super::PointMass {
            name: place.clone(),
            mass: 0.0,
            at: at.m(),
            on: true,
        });
        let response = rest.response(&probe, Parameter::Mass(first));
        all.push(linear(
            Cause::Kilogram { place },
            model,
            rest,
            &sheet.stations,
            &response,
        ));
    }
    for coilover in sheet.axles.iter().flat_map(|a| match &a.suspension {
        Suspension::Solid { coilovers, .. } => coilovers.as_slice(),
        Suspension::Independent { .. } => &[],
    }) {
        for (upper, holes) in [
            (true, &coilover.upper_holes),
            (false, &coilover.lower_holes),
        ] {
            for hole in holes.iter().filter(|h| !h.in_use) {
                let mut moved = model.clone();
                if !moved.move_mount(&coilover.name, upper, hole.at.m()) {
                    continue;
                }
                let there = moved.equilibrium_from(&rest.state)?;
                let cause = Cause::Hole {
                    unit: coilover.name.clone(),
                    upper,
                    hole: hole.name.clone(),
                };
                all.push(difference(
                    cause,
                    model,
                    rest,
                    (&moved, &there),
                    &sheet.stations,
                ));
            }
        }
    }
    Ok(all)
}

impl Model {
    /// Moves a mount of the coilover of that name (metres, frame or axle point);
    /// false where there is none.
    pub fn move_mount(&mut self, name: &str, to_upper: bool, at: [f64; 3]) -> bool {
        for unit in self.units.iter_mut().filter(|u| u.name == name) {
            match &mut unit.place {
                UnitPlace::Mounts { upper, lower } => {
                    *(if to_upper { upper } else { lower }) = at;
                    return true;
                }
                UnitPlace::Arm { upper, .. } if to_upper => {
                    *upper = at;
                    return true;
                }
                UnitPlace::Corner { .. } | UnitPlace::Arm { .. } => {}
            }
        }
        false
    }

    fn link_angles(&self, q: &State) -> Vec<(String, f64)> {
        let pose = self.pose(q);
        (0..self.axles.len())
            .filter_map(|i| {
                let (name, link) = self.link(i)?;
                Some((name.to_owned(), link.angle(&pose.frame, pose.axle(i)?)))
            })
            .collect()
    }
}

fn linear(
    cause: Cause,
    model: &Model,
    rest: &Equilibrium,
    stations: &[Station],
    response: &State,
) -> Influence {
    let slope =
        |f: &dyn Fn(&FramePose<crate::geometry::Gradient1>) -> crate::geometry::Gradient1| {
            gradient(|x| f(&FramePose::new(x)), &rest.state)
                .1
                .dot(response)
        };
    Influence {
        cause,
        heights: stations
            .iter()
            .map(|s| (s.name.clone(), Length::new(slope(&|f| f.height(s.at.m())))))
            .collect(),
        roll: Angle::new(slope(&FramePose::tilt_across)),
        pitch: Angle::new(slope(&FramePose::tilt_along)),
        links: (0..model.axles.len())
            .filter_map(|i| {
                let (name, link) = model.link(i)?;
                model.pose(&rest.state).axle(i)?;
                let (_, g) = gradient(
                    |x| {
                        let pose = model.pose(x);
                        pose.axle(i).map_or(num_dual::DualVec::from_re(0.0), |a| {
                            link.angle(&pose.frame, a)
                        })
                    },
                    &rest.state,
                );
                Some((name.to_owned(), Angle::new(g.dot(response))))
            })
            .collect(),
        exact: false,
    }
}

fn difference(
    cause: Cause,
    model: &Model,
    rest: &Equilibrium,
    (moved, there): (&Model, &Equilibrium),
    stations: &[Station],
) -> Influence {
    let (before, after) = (rest.frame(), there.frame());
    let links = model
        .link_angles(&rest.state)
        .into_iter()
        .zip(moved.link_angles(&there.state));
    Influence {
        cause,
        heights: stations
            .iter()
            .map(|s| {
                (
                    s.name.clone(),
                    Length::new(after.height(s.at.m()) - before.height(s.at.m())),
                )
            })
            .collect(),
        roll: Angle::new(after.tilt_across() - before.tilt_across()),
        pitch: Angle::new(after.tilt_along() - before.tilt_along()),
        links: links
            .map(|((name, a), (_, b))| (name, Angle::new(b - a)))
            .collect(),
        exact: true,
    }
}
