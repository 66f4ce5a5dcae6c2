//! The model: one potential energy of the state. Read [`Model::energy`] and you
//! have seen it all.

use super::unit::STOP_RATE_N_PER_M;
use super::{ArmGeometry, UnitModel};
use crate::geometry::{
    AxlePose, COORDINATES, FramePose, HEAVE, LinkGeometry, ROLL, Real, State, StateOf,
    axle_coordinate, parts, seeded,
};
use crate::quantity::STANDARD_GRAVITY_M_S2;
use crate::sheet::{BuildSheet, Side, Support, Suspension};

/// A vehicle ready to compute, all in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Every axle, rear first.
    pub(crate) axles: Vec<AxleModel>,
    /// Every spring unit, in the order of the axles.
    pub units: Vec<UnitModel>,
    /// The sprung weight, then every named load of the sheet in its order.
    pub masses: Vec<PointMass>,
    /// Stands under the frame: frame point and height of the top, metres.
    pub(crate) stands: Vec<([f64; 3], f64)>,
    /// Coordinates that are held, with their value.
    pub(crate) held: [Option<f64>; COORDINATES],
    /// The pose as designed.
    pub design: State,
}

/// An axle in SI.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct AxleModel {
    pub(crate) name: String,
    pub(crate) x: f64,
    pub(crate) track: f64,
    pub(crate) unsprung: f64,
    pub(crate) solid: bool,
    pub(crate) link: Option<(String, LinkGeometry)>,
    pub(crate) roll_centre: Option<f64>,
    pub(crate) tyre: Option<TyreModel>,
    pub(crate) bar: f64,
    pub(crate) carries: bool,
    /// Frame points beside the wheel centres, left and right, at zero travel.
    pub(crate) beside_wheels: [[f64; 3]; 2],
    /// Height of the floor over its plane under the left and right wheel, metres.
    pub(crate) floor: [f64; 2],
}

/// A tyre in SI; `rate_factor` multiplies its rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TyreModel {
    pub(crate) radius: f64,
    pub(crate) rate: f64,
    pub(crate) rate_factor: f64,
}

/// A weight on the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct PointMass {
    /// Its name.
    pub name: String,
    /// Kilograms.
    pub mass: f64,
    /// Frame point, metres.
    pub at: [f64; 3],
    /// Whether it is there.
    pub on: bool,
}

/// Frame and axles in one pose.
#[derive(Debug, Clone, Copy)]
pub struct Pose<D: Real> {
    /// The frame.
    pub frame: FramePose<D>,
    /// The state it was made from.
    pub coordinates: StateOf<D>,
    axles: [Option<AxlePose<D>>; 2],
}

impl<D: Real> Pose<D> {
    /// A point of solid axle `i` (metres) over the floor.
    pub fn axle_point(&self, i: usize, p: [f64; 3]) -> [D; 3] {
        self.axles[i].map_or([D::from(f64::NAN); 3], |a| a.point(p))
    }

    /// The pose of solid axle `i`.
    pub fn axle(&self, i: usize) -> Option<&AxlePose<D>> {
        self.axles.get(i)?.as_ref()
    }
}

impl Model {
    /// Compiles a sheet with the given loads (indices into its loads) on.
    pub fn new(sheet: &BuildSheet, loads_on: &[usize]) -> Self {
        let mut model = Self {
            axles: Vec::new(),
            units: Vec::new(),
            masses: Vec::new(),
            stands: Vec::new(),
            held: [None; COORDINATES],
            design: State::zeros(),
        };
        model.design[HEAVE] = sheet.design_height.m();
        for (i, axle) in sheet.axles.iter().enumerate() {
            model.add_axle(sheet, i, axle);
        }
        for i in sheet.axles.len()..2 {
            model.hold_axle(i, 0.0, 0.0);
        }
        model.masses.push(PointMass {
            name: "sprung weight".to_owned(),
            mass: sheet.sprung.mass.kg(),
            at: sheet.sprung.centre.m(),
            on: true,
        });
        for (i, load) in sheet.loads.iter().enumerate() {
            model.masses.push(PointMass {
                name: load.name.clone(),
                mass: load.mass.kg(),
                at: load.at.m(),
                on: loads_on.contains(&i),
            });
        }
        model
    }

    fn hold_axle(&mut self, i: usize, first: f64, second: f64) {
        let c = axle_coordinate(i);
        self.held[c] = Some(first);
        self.held[c + 1] = Some(second);
        self.design[c] = first;
        self.design[c + 1] = second;
    }

    fn add_axle(&mut self, sheet: &BuildSheet, i: usize, axle: &crate::sheet::Axle) {
        let (x, half) = (axle.x.m(), axle.track.m() / 2.0);
        let height = axle.design_height.m();
        let beside = |y: f64| [x, y, height - sheet.design_height.m()];
        let c = axle_coordinate(i);
        let solid = matches!(axle.suspension, Suspension::Solid { .. });
        let mut made = AxleModel {
            name: axle.name.clone(),
            x,
            track: axle.track.m(),
            unsprung: axle.unsprung.kg(),
            solid,
            link: None,
            roll_centre: None,
            tyre: None,
            bar: axle
                .anti_roll_bar
                .map_or(0.0, super::super::quantity::RollRate::nm_per_rad),
            carries: !matches!(axle.support, Support::Stands(_)),
            beside_wheels: [beside(half), beside(-half)],
            floor: sheet.floor.under_wheels[i].map(crate::quantity::Length::m),
        };
        self.design[c] = height;
        self.design[c + 1] = if solid { 0.0 } else { height };
        match &axle.suspension {
            Suspension::Solid { coilovers, link } => {
                if made.carries {
                    self.units
                        .extend(coilovers.iter().map(|u| UnitModel::coilover(u, i)));
                }
                made.link = link.as_ref().map(|l| {
                    let (frame_end, axle_end) = (l.frame_end.m(), l.axle_end.m());
                    let towards = if axle_end[1] >= frame_end[1] {
                        1.0
                    } else {
                        -1.0
                    };
                    let geometry = LinkGeometry {
                        frame_end,
                        axle_end,
                        length: l.length.m(),
                        towards,
                    };
                    (l.name.clone(), geometry)
                });
            }
            Suspension::Independent {
                left,
                right,
                roll_centre,
            } => {
                made.roll_centre = roll_centre.map(super::super::quantity::Length::m);
                if made.carries {
                    let corners = [(left, Side::Left, 0), (right, Side::Right, 1)];
                    self.units.extend(corners.map(|(corner, side, j)| {
                        UnitModel::corner(corner, i, side, c + j, made.beside_wheels[j])
                    }));
                }
            }
        }
        match &axle.support {
            Support::Tyres(t) => {
                made.tyre = Some(TyreModel {
                    radius: t.radius.m(),
                    rate: t.rate.n_per_m(),
                    rate_factor: 1.0,
                });
            }
            Support::Blocks { left, right } => {
                let (l, r) = (left.m() + made.floor[0], right.m() + made.floor[1]);
                if solid {
                    self.hold_axle(i, f64::midpoint(l, r), ((l - r) / made.track).asin());
                } else {
                    self.hold_axle(i, l, r);
                }
            }
            Support::Stands(stands) => {
                self.hold_axle(i, self.design[c], self.design[c + 1]);
                self.stands
                    .extend(stands.iter().map(|s| (s.at.m(), s.height.m())));
            }
        }
        self.axles.push(made);
        self.put_on_arms(&axle.suspension);
    }

    /// The units of an axle that the sheet puts on arms.
    fn put_on_arms(&mut self, suspension: &Suspension) {
        let armed: Vec<_> = match suspension {
            Suspension::Solid { coilovers, .. } => coilovers
                .iter()
                .filter_map(|c| Some((&c.name, c.arm?, c.upper, c.lower)))
                .collect(),
            Suspension::Independent { left, right, .. } => [left, right]
                .into_iter()
                .filter_map(|c| c.arm.map(|on| (&c.name, on.arm, on.upper, on.lower)))
                .collect(),
        };
        for (name, arm, upper, lower) in armed {
            if let Some(arm) = ArmGeometry::of(&arm, lower.m()) {
                self.put_on_arm(name, upper.m(), arm);
            }
        }
    }

    /// Where everything is in a state.
    pub fn pose<D: Real>(&self, q: &StateOf<D>) -> Pose<D> {
        self.pose_of(q, |_| true)
    }

    /// The same with some of the axles alone.
    pub(super) fn pose_of<D: Real>(
        &self,
        q: &StateOf<D>,
        wanted: impl Fn(usize) -> bool,
    ) -> Pose<D> {
        let frame = FramePose::new(q);
        let mut axles = [None; 2];
        for (i, axle) in self.axles.iter().enumerate() {
            if axle.solid && wanted(i) {
                axles[i] = Some(AxlePose::new(
                    q,
                    i,
                    axle.x,
                    &frame,
                    axle.link.as_ref().map(|(_, l)| l),
                ));
            }
        }
        Pose {
            frame,
            coordinates: *q,
            axles,
        }
    }

    /// The potential energy of the whole vehicle in a state, joules.
    ///
    /// V = springs and their stops + anti-roll bars + tyres + stands + weights
    /// times heights. Its minimum is where the vehicle rests; its second
    /// derivative there is the stiffness.
    pub fn energy<D: Real>(&self, q: &StateOf<D>) -> D {
        let pose = self.pose(q);
        let mut v = self.frame_energy(&pose.frame);
        for i in 0..self.axles.len() {
            v += self.axle_energy(i, &pose);
        }
        v
    }

    /// The part of the energy that depends on the frame and axle `i` alone, joules.
    pub(super) fn axle_energy<D: Real>(&self, i: usize, pose: &Pose<D>) -> D {
        self.suspension_energy(i, pose)
            + self.tyre_energy(i, pose)
            + self.unsprung_height(i, pose) * (self.axles[i].unsprung * STANDARD_GRAVITY_M_S2)
    }

    /// The part that depends on the frame alone, joules.
    pub(super) fn frame_energy<D: Real>(&self, frame: &FramePose<D>) -> D {
        let mut v = D::from(0.0);
        for (at, top) in &self.stands {
            v += one_sided(-frame.height(*at) + *top, STOP_RATE_N_PER_M);
        }
        for mass in self.masses.iter().filter(|m| m.on) {
            v += frame.height(mass.at) * (mass.mass * STANDARD_GRAVITY_M_S2);
        }
        v
    }

    /// Length of every unit in a state, with its gradient, the pose worked out once.
    pub(crate) fn lengths(&self, q: &State) -> impl Iterator<Item = (f64, State)> {
        let pose = self.pose(&seeded(q));
        self.units.iter().map(move |u| parts(u.length(&pose)))
    }

    /// Energy of the spring units and the anti-roll bar of axle `i`, joules.
    pub(super) fn suspension_energy<D: Real>(&self, i: usize, pose: &Pose<D>) -> D {
        let axle = &self.axles[i];
        let mut v = D::from(0.0);
        for unit in self.units.iter().filter(|u| u.axle == i) {
            v += unit.energy(unit.length(pose));
        }
        if axle.bar > 0.0 && axle.carries {
            let c = axle_coordinate(i);
            let twist = if axle.solid {
                pose.coordinates[c + 1] - pose.coordinates[ROLL]
            } else {
                let [left, right] = axle.beside_wheels.map(|p| pose.frame.height(p));
                (pose.coordinates[c] - left - pose.coordinates[c + 1] + right) / axle.track
            };
            v += twist * twist * (axle.bar / 2.0);
        }
        v
    }

    fn tyre_energy<D: Real>(&self, i: usize, pose: &Pose<D>) -> D {
        let Some(tyre) = self.axles[i].tyre else {
            return D::from(0.0);
        };
        let [left, right] = self.wheel_clearances(i, pose);
        let rate = tyre.rate * tyre.rate_factor;
        one_sided(-left + tyre.radius, rate) + one_sided(-right + tyre.radius, rate)
    }

    /// Heights of the left and right wheel centres of axle `i` over the floor's plane.
    pub fn wheel_heights<D: Real>(&self, i: usize, pose: &Pose<D>) -> [D; 2] {
        let c = axle_coordinate(i);
        match pose.axle(i) {
            Some(axle) => {
                let half = self.axles[i].track / 2.0;
                [
                    axle.height([0.0, half, 0.0]),
                    axle.height([0.0, -half, 0.0]),
                ]
            }
            None => [pose.coordinates[c], pose.coordinates[c + 1]],
        }
    }

    /// Heights of the left and right wheel centres of axle `i` over what is
    /// under the wheel: the floor where it is uneven.
    pub(crate) fn wheel_clearances<D: Real>(&self, i: usize, pose: &Pose<D>) -> [D; 2] {
        let [left, right] = self.wheel_heights(i, pose);
        let [under_left, under_right] = self.axles[i].floor;
        [left - under_left, right - under_right]
    }

    fn unsprung_height<D: Real>(&self, i: usize, pose: &Pose<D>) -> D {
        let [left, right] = self.wheel_heights(i, pose);
        (left + right) / 2.0
    }

    /// The lateral link of axle `i`, with its name.
    pub fn link(&self, i: usize) -> Option<(&str, &LinkGeometry)> {
        self.axles
            .get(i)?
            .link
            .as_ref()
            .map(|(name, link)| (name.as_str(), link))
    }

    /// Where the design centreline of axle `i` is, metres ahead of the rear one.
    pub fn axle_x(&self, i: usize) -> f64 {
        self.axles[i].x
    }

    /// Everything on the frame that is there now, newtons.
    pub fn sprung_weight_n(&self) -> f64 {
        self.masses
            .iter()
            .filter(|m| m.on)
            .map(|m| m.mass)
            .sum::<f64>()
            * STANDARD_GRAVITY_M_S2
    }
}

/// Energy of a spring that only pushes, at a compression (m) and rate (N/m).
fn one_sided<D: Real>(compression: D, rate: f64) -> D {
    if compression.re() > 0.0 {
        compression * compression * (rate / 2.0)
    } else {
        D::from(0.0)
    }
}
