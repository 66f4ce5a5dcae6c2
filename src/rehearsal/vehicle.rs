//! The simulated vehicle: it moves under its weight, springs, tyres, dampers
//! and friction.
//!
//! In: the numbers of a [`Chassis`] and, step by step, the weights that lie on
//! it. Out: the pose at any time. Refuses nothing; a vehicle that is thrown
//! about too hard leaves the floor.
//!
//! # Method
//! 1. State: frame heave z, roll, pitch; rear axle heave and roll; two front
//!    wheel heights. Everything is measured from the floor plane, along its
//!    normal; gravity is tilted instead of the floor. The frame's origin stays
//!    at x = 0, y = 0.
//! 2. Frame points turn with R = Ry(pitch) Rx(roll); axle points with
//!    Rx(axle roll). The axle's sideways place follows from the link of fixed
//!    length (the root nearest the design).
//! 3. Forces by virtual work: every part gives its force times the derivative
//!    of its length or height with respect to each coordinate, written by hand.
//! 4. Semi-implicit Euler: speeds first, then places with the new speeds.

use nalgebra::{Matrix3, Vector3};

use super::chassis::{Chassis, Place};
use super::strut::Strut;

/// Number of coordinates.
const SIZE: usize = 7;
/// Frame heave: height of the frame's origin over the floor.
const HEAVE: usize = 0;
/// Frame roll.
const ROLL: usize = 1;
/// Frame pitch.
const PITCH: usize = 2;
/// Height of the rear axle's centre.
const AXLE: usize = 3;
/// Roll of the rear axle.
const AXLE_ROLL: usize = 4;
/// Height of the left front wheel's centre; the right one follows.
const WHEELS: [usize; 2] = [5, 6];

/// One number for each coordinate.
type Each = [f64; SIZE];

/// A weight that lies on the frame for the time of one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weight {
    /// Kilograms.
    pub mass_kg: f64,
    /// Frame point.
    pub at_m: Place,
}

/// A point that moves with the coordinates: where it is and how it moves.
#[derive(Debug, Clone, Copy)]
struct Moving {
    at: Vector3<f64>,
    by: [Vector3<f64>; SIZE],
}

/// Where the vehicle stands, relative to the floor plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Height of the frame's origin, metres.
    pub heave_m: f64,
    /// Radians, positive = left side up.
    pub roll_rad: f64,
    /// Radians, positive = nose down.
    pub pitch_rad: f64,
    /// Height of the rear axle's centre, metres.
    pub axle_height_m: f64,
    /// Radians, positive = left side up.
    pub axle_roll_rad: f64,
    /// Sideways place of the rear axle's centre, metres to the left.
    pub axle_shift_m: f64,
    /// Heights of the front wheel centres, left and right, metres.
    pub wheel_heights_m: [f64; 2],
}

/// The vehicle in motion.
#[derive(Debug, Clone, PartialEq)]
pub struct Vehicle {
    chassis: Chassis,
    place: Each,
    speed: Each,
    /// Rear left, rear right, front left, front right.
    struts: [Strut; 4],
}

impl Vehicle {
    /// The vehicle at its design position, not yet at rest.
    pub fn new(chassis: Chassis) -> Self {
        let [left, right] = chassis.rear.coilovers;
        let [front_left, front_right] = chassis.front.units;
        Self {
            chassis,
            place: [
                chassis.frame.design_height_m,
                0.0,
                0.0,
                chassis.rear.start_height_m,
                0.0,
                chassis.front.design_wheel_height_m,
                chassis.front.design_wheel_height_m,
            ],
            speed: [0.0; SIZE],
            struts: [
                Strut::new(left.unit),
                Strut::new(right.unit),
                Strut::new(front_left),
                Strut::new(front_right),
            ],
        }
    }

    /// The numbers it was made from.
    pub const fn chassis(&self) -> &Chassis {
        &self.chassis
    }

    /// Lifts the frame by hand (negative: presses it down) and lets go.
    pub fn lift(&mut self, by_m: f64) {
        self.place[HEAVE] += by_m;
    }

    /// Lets `seconds` pass in steps of `step_s` under weights that do not
    /// change.
    pub fn rest(&mut self, weights: &[Weight], seconds: f64, step_s: f64) {
        let mut left_s = seconds;
        while left_s > 0.0 {
            self.step(weights, step_s.min(left_s));
            left_s -= step_s;
        }
    }

    /// Sets how much length the two rear springs have lost, metres.
    pub fn set_springs(&mut self, set_m: f64) {
        for strut in &mut self.struts[..2] {
            strut.set_m = set_m;
        }
    }

    /// Raises the collar of a strut (negative: lowers it), metres.
    pub fn turn_collar(&mut self, strut: usize, rise_m: f64) {
        if let Some(strut) = self.struts.get_mut(strut) {
            strut.unit.collar_m += rise_m;
        }
    }

    /// One step of `dt_s` seconds (at most 1 ms, else the tyres ring).
    pub fn step(&mut self, weights: &[Weight], dt_s: f64) {
        let force = self.force(weights);
        let push = Vector3::new(force[HEAVE], force[ROLL], force[PITCH]);
        let frame = self
            .frame_inertia(weights)
            .cholesky()
            .map_or_else(Vector3::zeros, |inertia| inertia.solve(&push));
        let rear = &self.chassis.rear;
        let wheel_kg = self.chassis.front.wheel_mass_kg;
        let acceleration = [
            frame.x,
            frame.y,
            frame.z,
            force[AXLE] / rear.mass_kg,
            force[AXLE_ROLL] / rear.roll_inertia_kg_m2,
            force[WHEELS[0]] / wheel_kg,
            force[WHEELS[1]] / wheel_kg,
        ];
        let before = self.lengths();
        for (index, acceleration) in acceleration.into_iter().enumerate() {
            self.speed[index] += acceleration * dt_s;
            self.place[index] += self.speed[index] * dt_s;
        }
        let after = self.lengths();
        for (index, strut) in self.struts.iter_mut().enumerate() {
            strut.slide(after[index].0 - before[index].0);
        }
    }

    /// Where it stands.
    pub fn pose(&self) -> Pose {
        Pose {
            heave_m: self.place[HEAVE],
            roll_rad: self.place[ROLL],
            pitch_rad: self.place[PITCH],
            axle_height_m: self.place[AXLE],
            axle_roll_rad: self.place[AXLE_ROLL],
            axle_shift_m: self.axle_shift().0,
            wheel_heights_m: WHEELS.map(|wheel| self.place[wheel]),
        }
    }

    /// Lengths of the struts: rear left, rear right, front left, front right,
    /// metres.
    pub fn strut_lengths_m(&self) -> [f64; 4] {
        self.lengths().map(|(length, _)| length)
    }

    /// The struts, in the same order.
    pub const fn struts(&self) -> &[Strut; 4] {
        &self.struts
    }

    /// Where a frame point is over the floor, metres.
    pub fn frame_point(&self, point_m: Place) -> Place {
        self.on_frame(point_m).at.into()
    }

    /// Angle of the lateral link to the floor plane, radians, positive with the
    /// frame end high.
    pub fn link_angle_rad(&self) -> f64 {
        let link = self.link_vector();
        (link.z / link.norm()).asin()
    }

    /// The link as it lies, from the axle end to the frame end, floor axes,
    /// metres.
    pub fn link_vector(&self) -> Vector3<f64> {
        let link = &self.chassis.rear.link;
        self.on_frame(link.frame_end_m).at - self.on_axle(link.axle_end_m).at
    }

    /// The frame's own axis (0 = x, 1 = y, 2 = z) in floor axes.
    pub fn frame_axis(&self, axis: usize) -> Vector3<f64> {
        let mut unit = [0.0; 3];
        unit[axis] = 1.0;
        let origin = self.on_frame([0.0; 3]).at;
        self.on_frame(unit).at - origin
    }

    /// The vertical (against gravity) in floor axes.
    ///
    /// The floor is turned by Ry(pitch) Rx(roll) against the level; the
    /// vertical seen from it is the third row of that turn.
    pub fn up(&self) -> Vector3<f64> {
        let (roll_sin, roll_cos) = self.chassis.floor.roll_rad.sin_cos();
        let (pitch_sin, pitch_cos) = self.chassis.floor.pitch_rad.sin_cos();
        Vector3::new(-pitch_sin, pitch_cos * roll_sin, pitch_cos * roll_cos)
    }

    /// Energy of motion, joules.
    pub fn motion_energy_j(&self, weights: &[Weight]) -> f64 {
        let speed = Vector3::new(self.speed[HEAVE], self.speed[ROLL], self.speed[PITCH]);
        let rear = &self.chassis.rear;
        let wheels: f64 = WHEELS.iter().map(|&wheel| self.speed[wheel].powi(2)).sum();
        0.5 * (speed.dot(&(self.frame_inertia(weights) * speed))
            + rear.mass_kg * self.speed[AXLE].powi(2)
            + rear.roll_inertia_kg_m2 * self.speed[AXLE_ROLL].powi(2)
            + self.chassis.front.wheel_mass_kg * wheels)
    }

    /// Energy of springs, tyres, stops and heights, joules, friction left out.
    pub fn stored_energy_j(&self, weights: &[Weight]) -> f64 {
        let chassis = &self.chassis;
        let up = self.up() * chassis.gravity_m_s2;
        let struts: f64 = self
            .struts
            .iter()
            .zip(self.strut_lengths_m())
            .map(|(strut, length)| strut.energy_j(length))
            .sum();
        let tyres: f64 = self
            .tyres()
            .iter()
            .map(|tyre| 0.5 * tyre.rate_n_per_m * tyre.squeeze_m.max(0.0).powi(2))
            .sum();
        let frame: f64 = self
            .carried(weights)
            .map(|weight| weight.mass_kg * up.dot(&self.on_frame(weight.at_m).at))
            .sum();
        let axle = chassis.rear.mass_kg * up.dot(&self.on_axle([0.0; 3]).at);
        let wheels: f64 = WHEELS
            .iter()
            .map(|&wheel| chassis.front.wheel_mass_kg * up.z * self.place[wheel])
            .sum();
        struts + tyres + frame + axle + wheels
    }

    /// The frame's own weight, then what lies on it.
    fn carried<'a>(&self, weights: &'a [Weight]) -> impl Iterator<Item = Weight> + use<'a> {
        let own = Weight {
            mass_kg: self.chassis.frame.mass_kg,
            at_m: self.chassis.frame.centre_m,
        };
        std::iter::once(own).chain(weights.iter().copied())
    }

    /// Generalised forces.
    fn force(&self, weights: &[Weight]) -> Each {
        let chassis = &self.chassis;
        let mut force = [0.0; SIZE];
        let weight = -self.up() * chassis.gravity_m_s2;
        for carried in self.carried(weights) {
            let point = self.on_frame(carried.at_m);
            for (force, by) in force.iter_mut().zip(&point.by) {
                *force += carried.mass_kg * weight.dot(by);
            }
        }
        let axle = self.on_axle([0.0; 3]);
        for (force, by) in force.iter_mut().zip(&axle.by) {
            *force += chassis.rear.mass_kg * weight.dot(by);
        }
        for wheel in WHEELS {
            force[wheel] += chassis.front.wheel_mass_kg * weight.z;
        }
        for (strut, (length, by)) in self.struts.iter().zip(self.lengths()) {
            let rate: f64 = by
                .iter()
                .zip(&self.speed)
                .map(|(by, speed)| by * speed)
                .sum();
            let push = strut.push_n(length, rate);
            for (force, by) in force.iter_mut().zip(&by) {
                *force += push * by;
            }
        }
        for tyre in self.tyres() {
            let lift = tyre.lift_n();
            for (force, by) in force.iter_mut().zip(&tyre.by) {
                *force += lift * by;
            }
        }
        force
    }

    /// Inertia of frame and weights for heave, roll and pitch.
    fn frame_inertia(&self, weights: &[Weight]) -> Matrix3<f64> {
        let frame = &self.chassis.frame;
        let mut inertia = Matrix3::from_diagonal(&Vector3::new(
            0.0,
            frame.roll_inertia_kg_m2,
            frame.pitch_inertia_kg_m2,
        ));
        for carried in self.carried(weights) {
            let by = self.on_frame(carried.at_m).by;
            for row in 0..3 {
                for column in 0..3 {
                    inertia[(row, column)] += carried.mass_kg * by[row].dot(&by[column]);
                }
            }
        }
        inertia
    }

    /// Length of each strut and its derivatives.
    fn lengths(&self) -> [(f64, Each); 4] {
        let [left, right] = self.chassis.rear.coilovers;
        [
            self.coilover(left.upper_m, left.lower_m),
            self.coilover(right.upper_m, right.lower_m),
            self.corner(0),
            self.corner(1),
        ]
    }

    fn coilover(&self, upper_m: Place, lower_m: Place) -> (f64, Each) {
        let upper = self.on_frame(upper_m);
        let lower = self.on_axle(lower_m);
        let between = upper.at - lower.at;
        let length = between.norm();
        let along = between / length;
        let by = std::array::from_fn(|index| along.dot(&(upper.by[index] - lower.by[index])));
        (length, by)
    }

    /// A front corner: the unit shortens by the motion ratio times the wheel's
    /// travel towards the frame.
    fn corner(&self, side: usize) -> (f64, Each) {
        let front = &self.chassis.front;
        let lever = if side == 0 { 0.5 } else { -0.5 };
        let design_m = front.design_wheel_height_m - self.chassis.frame.design_height_m;
        let point = self.on_frame([self.chassis.wheelbase_m, lever * front.track_m, design_m]);
        let wheel = WHEELS[side];
        let travel = self.place[wheel] - point.at.z;
        let mut by = point.by.map(|by| front.motion_ratio * by.z);
        by[wheel] -= front.motion_ratio;
        (front.design_length_m - front.motion_ratio * travel, by)
    }

    fn tyres(&self) -> [Squeezed; 4] {
        let rear = &self.chassis.rear;
        let front = &self.chassis.front;
        let rear_tyre = |side: f64| {
            let hub = self.on_axle([0.0, side * 0.5 * rear.track_m, 0.0]);
            Squeezed::new(&rear.tyre, hub.at.z, hub.by.map(|by| by.z), &self.speed)
        };
        let front_tyre = |wheel: usize| {
            let mut by = [0.0; SIZE];
            by[wheel] = 1.0;
            Squeezed::new(&front.tyre, self.place[wheel], by, &self.speed)
        };
        [
            rear_tyre(1.0),
            rear_tyre(-1.0),
            front_tyre(WHEELS[0]),
            front_tyre(WHEELS[1]),
        ]
    }

    /// A frame point: R p + (0, 0, z) and its derivatives.
    fn on_frame(&self, [x, y, z]: Place) -> Moving {
        let (roll_sin, roll_cos) = self.place[ROLL].sin_cos();
        let (pitch_sin, pitch_cos) = self.place[PITCH].sin_cos();
        let rolled_y = y * roll_cos - z * roll_sin;
        let rolled_z = y * roll_sin + z * roll_cos;
        let mut by = [Vector3::zeros(); SIZE];
        by[HEAVE] = Vector3::z();
        by[ROLL] = Vector3::new(pitch_sin * rolled_y, -rolled_z, pitch_cos * rolled_y);
        by[PITCH] = Vector3::new(
            -pitch_sin * x + pitch_cos * rolled_z,
            0.0,
            -pitch_cos * x - pitch_sin * rolled_z,
        );
        Moving {
            at: Vector3::new(
                pitch_cos * x + pitch_sin * rolled_z,
                rolled_y,
                self.place[HEAVE] - pitch_sin * x + pitch_cos * rolled_z,
            ),
            by,
        }
    }

    /// An axle point: the axle's centre is at x = 0, shifted sideways by the
    /// link.
    fn on_axle(&self, [x, y, z]: Place) -> Moving {
        let (sin, cos) = self.place[AXLE_ROLL].sin_cos();
        let (shift, shift_by) = self.axle_shift();
        let mut by = shift_by.map(|by| Vector3::new(0.0, by, 0.0));
        by[AXLE] += Vector3::z();
        by[AXLE_ROLL] += Vector3::new(0.0, -y * sin - z * cos, y * cos - z * sin);
        Moving {
            at: Vector3::new(
                x,
                shift + y * cos - z * sin,
                self.place[AXLE] + y * sin + z * cos,
            ),
            by,
        }
    }

    /// Sideways place of the axle's centre and its derivatives: the link's
    /// frame end moves, its length does not.
    fn axle_shift(&self) -> (f64, Each) {
        let link = &self.chassis.rear.link;
        let frame_end = self.on_frame(link.frame_end_m);
        let (sin, cos) = self.place[AXLE_ROLL].sin_cos();
        let [x, y, z] = link.axle_end_m;
        let (turned_y, turned_z) = (y * cos - z * sin, y * sin + z * cos);
        let across = frame_end.at.x - x;
        let drop = frame_end.at.z - (self.place[AXLE] + turned_z);
        // A vehicle thrown beyond the link's reach keeps a link lying almost
        // along it instead of a number that is none.
        let reach = (link.length_m.powi(2) - across.powi(2) - drop.powi(2))
            .max(1e-6)
            .sqrt();
        let side = (link.frame_end_m[1] - y).signum();
        let mut by = frame_end.by.map(|by| by.y);
        for (index, by) in by.iter_mut().enumerate() {
            let across_by = frame_end.by[index].x;
            let drop_by = frame_end.by[index].z
                - match index {
                    AXLE => 1.0,
                    AXLE_ROLL => turned_y,
                    _ => 0.0,
                };
            *by += side * (across * across_by + drop * drop_by) / reach;
        }
        by[AXLE_ROLL] += turned_z;
        (frame_end.at.y - side * reach - turned_y, by)
    }
}

/// A tyre pressed on the floor.
#[derive(Debug, Clone, Copy)]
struct Squeezed {
    squeeze_m: f64,
    sink_m_s: f64,
    rate_n_per_m: f64,
    damping_n_s_per_m: f64,
    /// How its hub's height moves with the coordinates.
    by: Each,
}

impl Squeezed {
    fn new(tyre: &super::chassis::Tyre, hub_m: f64, by: Each, speed: &Each) -> Self {
        Self {
            squeeze_m: tyre.radius_m - hub_m,
            sink_m_s: -by.iter().zip(speed).map(|(by, v)| by * v).sum::<f64>(),
            rate_n_per_m: tyre.rate_n_per_m,
            damping_n_s_per_m: tyre.damping_n_s_per_m,
            by,
        }
    }

    /// Force on the hub, never pulling down.
    fn lift_n(&self) -> f64 {
        if self.squeeze_m <= 0.0 {
            return 0.0;
        }
        (self.rate_n_per_m * self.squeeze_m + self.damping_n_s_per_m * self.sink_m_s).max(0.0)
    }
}

#[cfg(test)]
mod tests;
