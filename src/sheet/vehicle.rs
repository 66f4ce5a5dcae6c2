//! The build sheet as meant: what the checked file says about the vehicle.
//!
//! Frame points: x from the rear axle's design centreline, y from the centre
//! line, z from the frame datum. Axle points: from the axle's centre.

use crate::quantity::{Angle, Force, Length, Mass, Point, RollRate, SpringRate, UnitSystem};

/// A whole checked sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct BuildSheet {
    /// The vehicle's name, as the builder calls it.
    pub name: String,
    /// How results are shown.
    pub units: UnitSystem,
    /// From the rear axle's to the front axle's design centreline.
    pub wheelbase: Length,
    /// Height of the frame datum over the floor as designed, frame level.
    pub design_height: Length,
    /// Where on the frame a height is read.
    pub stations: Vec<Station>,
    /// Rear first, then front.
    pub axles: Vec<Axle>,
    /// What the springs carry before any named load.
    pub sprung: SprungWeight,
    /// Weights that come and go.
    pub loads: Vec<NamedLoad>,
    /// Which loads are on together. Never empty.
    pub cases: Vec<LoadCase>,
    /// What the builder wants.
    pub targets: Targets,
    /// Springs that could be fitted.
    pub shelf: Vec<ShelfSpring>,
    /// The floor the vehicle stands on.
    pub floor: Floor,
    /// What is clipped on.
    pub sensors: Vec<Sensor>,
}

impl BuildSheet {
    /// The coilover or corner unit of that name.
    pub fn unit(&self, name: &str) -> Option<&CoiloverUnit> {
        self.axles.iter().find_map(|axle| match &axle.suspension {
            Suspension::Solid { coilovers, .. } => {
                coilovers.iter().find(|c| c.name == name).map(|c| &c.unit)
            }
            Suspension::Independent { left, right, .. } => [left, right]
                .into_iter()
                .find(|c| c.name == name)
                .map(|c| &c.unit),
        })
    }
}

/// A named place on the frame where a height over the floor is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// Frame point.
    pub at: Point,
}

/// Left or right, seen in the direction of travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// y > 0.
    Left,
    /// y < 0.
    Right,
}

/// One end of the vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Axle {
    /// `rear` or `front`.
    pub name: String,
    /// Its design centreline: 0 at the rear, the wheelbase at the front.
    pub x: Length,
    /// Between the wheel centre planes.
    pub track: Length,
    /// Axle (or both corners') unsprung mass.
    pub unsprung: Mass,
    /// Height of the wheel centre over the floor as designed.
    pub design_height: Length,
    /// What it stands on.
    pub support: Support,
    /// What is between it and the frame.
    pub suspension: Suspension,
    /// A torsional connection, where one is fitted and connected.
    pub anti_roll_bar: Option<RollRate>,
}

/// What an end of the vehicle stands on.
#[derive(Debug, Clone, PartialEq)]
pub enum Support {
    /// Tyres on the floor.
    Tyres(Tyre),
    /// The axle held at a height by blocks under it (or rigid dummy wheels).
    Blocks {
        /// Wheel centre height over the floor, left.
        left: Length,
        /// Wheel centre height over the floor, right.
        right: Length,
    },
    /// The frame itself stands on stands at this end; the axle carries nothing.
    Stands(Vec<Stand>),
}

/// A tyre, both sides alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tyre {
    /// Unloaded radius.
    pub radius: Length,
    /// Vertical rate.
    pub rate: SpringRate,
    /// Standard uncertainty of the rate, as a share of it.
    pub rate_uncertainty: f64,
}

/// One stand under the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stand {
    /// Frame point that rests on it.
    pub at: Point,
    /// Height of the stand's top over the floor.
    pub height: Length,
}

/// What is between an axle and the frame.
#[allow(clippy::large_enum_variant, reason = "a sheet has two of them")]
#[derive(Debug, Clone, PartialEq)]
pub enum Suspension {
    /// A solid axle on coilovers.
    Solid {
        /// Any number, usually one a side.
        coilovers: Vec<Coilover>,
        /// The link that locates the axle sideways; without one it keeps to
        /// the frame's centre plane.
        link: Option<LateralLink>,
    },
    /// Two independent corners, each a spring with a motion ratio.
    Independent {
        /// Left corner.
        left: Corner,
        /// Right corner.
        right: Corner,
        /// Height of the roll centre over the floor, where the builder knows it.
        roll_centre: Option<Length>,
    },
}

/// A coilover at two points.
#[derive(Debug, Clone, PartialEq)]
pub struct Coilover {
    /// For example `rear left`.
    pub name: String,
    /// Which side it is on.
    pub side: Side,
    /// Upper mount, frame point, hole in use included.
    pub upper: Point,
    /// Lower mount, axle point, hole in use included; on an arm a frame point, as
    /// designed.
    pub lower: Point,
    /// The arm that carries the lower mount, where it is not on the axle.
    pub arm: Option<Arm>,
    /// Unit, spring and collar.
    pub unit: CoiloverUnit,
    /// Other holes for the upper mount; the one in use is among them where
    /// there are any.
    pub upper_holes: Vec<Hole>,
    /// Other holes for the lower mount.
    pub lower_holes: Vec<Hole>,
}

/// A bracket hole.
#[derive(Debug, Clone, PartialEq)]
pub struct Hole {
    /// Its name, as marked on the bracket.
    pub name: String,
    /// Where the mount is with the bolt in this hole (frame or axle point).
    pub at: Point,
    /// Whether the bolt is in it.
    pub in_use: bool,
}

/// The damper body with its spring and collar.
#[derive(Debug, Clone, PartialEq)]
pub struct CoiloverUnit {
    /// Eye to eye, fully extended.
    pub extended: Length,
    /// Eye to eye, fully compressed.
    pub compressed: Length,
    /// The part of the length that the spring cannot use with the collar at
    /// its zero mark.
    pub hardware: Length,
    /// The spring on it.
    pub spring: Spring,
    /// Its threaded collar.
    pub collar: Collar,
    /// Half-width of the friction band, along the unit.
    pub friction: Force,
}

/// A coil spring.
#[derive(Debug, Clone, PartialEq)]
pub struct Spring {
    /// Force over compression.
    pub curve: SpringCurve,
    /// Free length.
    pub free_length: Length,
    /// Length with the coils touching, where known.
    pub solid_length: Option<Length>,
    /// Standard uncertainty of the rate, as a share of it.
    pub rate_uncertainty: f64,
}

/// A kind of spring on the builder's shelf.
#[derive(Debug, Clone, PartialEq)]
pub struct ShelfSpring {
    /// What is written on it.
    pub name: String,
    /// The spring.
    pub spring: Spring,
    /// How many of them there are.
    pub count: u32,
}

/// Force over compression. Never pulls.
#[derive(Debug, Clone, PartialEq)]
pub enum SpringCurve {
    /// One rate.
    Linear(SpringRate),
    /// Points (compression, force), both rising, the first (0, 0); straight
    /// between them, the last slope goes on.
    Table(Vec<(Length, Force)>),
}

/// A threaded spring collar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Collar {
    /// Height above its zero mark; more presses the spring more.
    pub height: Length,
    /// Lowest height on the thread.
    pub lowest: Length,
    /// Highest height on the thread.
    pub highest: Length,
    /// Rise in one turn.
    pub pitch: Length,
    /// The smallest part of a turn worth making.
    pub step_turns: f64,
    /// Standard uncertainty of the height as read off the thread.
    pub uncertainty: Length,
}

/// A link of fixed length that locates a solid axle sideways.
#[derive(Debug, Clone, PartialEq)]
pub struct LateralLink {
    /// Its name.
    pub name: String,
    /// Frame point.
    pub frame_end: Point,
    /// Axle point.
    pub axle_end: Point,
    /// Between the ends; the sheet's, or the distance in the design position.
    pub length: Length,
}

/// An independent corner: a spring worked through a motion ratio.
#[derive(Debug, Clone, PartialEq)]
pub struct Corner {
    /// For example `front left`.
    pub name: String,
    /// Unit, spring and collar; lengths eye to eye as for a coilover.
    pub unit: CoiloverUnit,
    /// Length of the unit at zero travel (the design position).
    pub design_length: Length,
    /// Points (wheel travel, motion ratio): travel positive in bump, motion
    /// ratio = spring travel / wheel travel. Straight between points, constant
    /// beyond the ends. One point is a constant ratio. Not looked at with an arm.
    pub motion_ratio: Vec<(Length, f64)>,
    /// The arm between two mounts, where the builder gives that instead of a ratio.
    pub arm: Option<CornerArm>,
}

/// An arm that turns about an axis on the frame, one end going with the axle or
/// the wheel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arm {
    axis: [Point; 2],
    end: Point,
}

/// Why an arm is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoArm {
    /// The two points of its axis are one.
    NoAxis,
    /// Turning it does not lift its end: the axis is upright or goes through it.
    NoLift,
}

impl Arm {
    /// From two points of its axis and its end; frame points as designed.
    ///
    /// # Errors
    /// As [`NoArm`] says.
    pub fn new(axis: [Point; 2], end: Point) -> Result<Self, NoArm> {
        let along = (axis[1] - axis[0]).m();
        let length = along.iter().map(|x| x * x).sum::<f64>().sqrt();
        if length < 1e-3 {
            return Err(NoArm::NoAxis);
        }
        let out = (end - axis[0]).m();
        let lift = (along[0] * out[1] - along[1] * out[0]) / length;
        if lift.abs() < 5e-3 {
            return Err(NoArm::NoLift);
        }
        Ok(Self { axis, end })
    }

    /// Two points of its axis, frame points.
    pub fn axis(&self) -> [Point; 2] {
        self.axis
    }

    /// Its end, frame point as designed.
    pub fn end(&self) -> Point {
        self.end
    }

    /// How far a frame point of the arm is from its axis.
    pub fn lever(&self, point: Point) -> Length {
        let along = (self.axis[1] - self.axis[0]).m();
        let out = (point - self.axis[0]).m();
        let square = |v: [f64; 3]| v.iter().map(|x| x * x).sum::<f64>();
        let shadow: f64 = along.iter().zip(out).map(|(a, b)| a * b).sum();
        Length::new(
            (square(out) - shadow * shadow / square(along))
                .max(0.0)
                .sqrt(),
        )
    }
}

/// An independent corner's unit between a frame point and its arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CornerArm {
    /// The arm; its end goes up and down with the wheel.
    pub arm: Arm,
    /// Upper mount, frame point.
    pub upper: Point,
    /// Lower mount, on the arm, frame point as designed.
    pub lower: Point,
}

/// What the springs carry before any named load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SprungWeight {
    /// Mass.
    pub mass: Mass,
    /// Its centre, frame point.
    pub centre: Point,
    /// Standard uncertainty of the mass.
    pub mass_uncertainty: Mass,
    /// Standard uncertainty of each coordinate of the centre.
    pub centre_uncertainty: Length,
}

/// A weight that comes and goes.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedLoad {
    /// Its name.
    pub name: String,
    /// Mass.
    pub mass: Mass,
    /// Its centre, frame point.
    pub at: Point,
    /// Standard uncertainty of the mass.
    pub mass_uncertainty: Mass,
    /// Standard uncertainty of each coordinate of its place.
    pub place_uncertainty: Length,
}

/// Which loads are on together.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadCase {
    /// Its name.
    pub name: String,
    /// Indices into [`BuildSheet::loads`].
    pub loads: Vec<usize>,
}

/// What the builder wants, each with its tolerance (a limit, not a standard
/// uncertainty).
#[derive(Debug, Clone, PartialEq)]
pub struct Targets {
    /// Index of the case for which they hold: the finished vehicle.
    pub case: usize,
    /// Height over the floor at a station.
    pub heights: Vec<HeightTarget>,
    /// Roll of the frame.
    pub roll: Option<AngleTarget>,
    /// Pitch of the frame.
    pub pitch: Option<AngleTarget>,
    /// Angle of a lateral link, with the name of the link.
    pub links: Vec<(String, AngleTarget)>,
}

/// A height to come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightTarget {
    /// Index into [`BuildSheet::stations`].
    pub station: usize,
    /// The height.
    pub height: Length,
    /// How far off is still good.
    pub tolerance: Length,
}

/// An angle to come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AngleTarget {
    /// The angle.
    pub angle: Angle,
    /// How far off is still good.
    pub tolerance: Angle,
}

/// What is known of the floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// Roll of the floor plane: positive = left side up.
    pub roll: Angle,
    /// Pitch of the floor plane: positive = falls to the front.
    pub pitch: Angle,
    /// Standard uncertainty of each of the two.
    pub slope_uncertainty: Angle,
    /// Standard uncertainty of the floor's height at any one spot, beside the
    /// slope.
    pub flatness: Length,
    /// Height of the floor over its plane under the left and the right wheel of
    /// each axle, in the order of [`BuildSheet::axles`]. Not in the sheet: found
    /// when the floor is mapped.
    pub under_wheels: [[Length; 2]; 2],
}

/// A sensor as the sheet describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Its name.
    pub name: String,
    /// How it speaks.
    pub connection: Connection,
    /// What it reads.
    pub reads: Measurand,
    /// What it shows when the true value is zero; taken off every reading
    /// (radians or metres).
    pub zero: f64,
    /// Standard uncertainty of the zero (radians or metres).
    pub zero_uncertainty: f64,
    /// Standard uncertainty of its scale, as a share of the reading.
    pub scale_uncertainty: f64,
    /// Seconds without a sample after which it counts as silent.
    pub deadline_s: f64,
}

/// How a sensor speaks.
#[derive(Debug, Clone, PartialEq)]
pub struct Connection {
    /// The path of the serial port, or nothing where the device id alone
    /// finds it.
    pub port: Option<String>,
    /// Line speed in bits a second.
    pub baud: u32,
    /// The protocol with what it needs.
    pub protocol: Protocol,
}

/// The protocols, with what the sheet says of each.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Protocol {
    /// The project's own wire protocol.
    Wire {
        /// The 64-bit id of the device.
        device: u64,
        /// Which of its channels.
        channel: u8,
    },
    /// NMEA 0183 transducer sentences.
    Xdr {
        /// Name of the transducer in the sentence.
        transducer: String,
    },
    /// Text lines of a module.
    Lines {
        /// The line as it is sent, `{value}` in place of the number and
        /// `{skip}` in place of what changes and does not matter.
        pattern: String,
        /// What the number means.
        number: NumberOnLine,
        /// How it is made to speak.
        asking: Asking,
    },
    /// Short binary frames of a module.
    Frames {
        /// The bytes at the beginning of each.
        header: Vec<u8>,
        /// How many bytes a frame has, header and check included.
        length: u8,
        /// Word for the check at its end, one of the form's.
        check: String,
        /// A check of two bytes comes low byte first.
        check_low_first: bool,
        /// First byte of the number, counted from 0 at the header.
        at: u8,
        /// How many bytes it takes.
        bytes: u8,
        /// Word for how it is written: `text`, `signed` or `unsigned`.
        digits: String,
        /// Its low byte comes first.
        low_first: bool,
        /// What the number means.
        number: NumberOnLine,
        /// How it is made to speak.
        asking: Asking,
    },
    /// Modbus RTU.
    Modbus {
        /// Address of the device on the bus.
        address: u8,
        /// Which function reads it: 3 or 4.
        function: u8,
        /// Its first register, counted from 0 as on the line.
        register: u16,
        /// Word for how the number lies there, one of the form's.
        form: String,
        /// Word for the order of its bytes, one of the form's.
        order: String,
        /// What the number means.
        number: NumberOnLine,
        /// Line speed, for the pauses.
        baud: u32,
        /// Seconds that an answer may take.
        timeout_s: f64,
        /// Seconds between two questions.
        period_s: f64,
    },
}

/// What a number on a line means.
#[derive(Debug, Clone, PartialEq)]
pub struct NumberOnLine {
    /// What a number of 1 is worth, in the unit.
    pub scale: f64,
    /// Word for the unit: `deg`, `rad`, `m`, `mm` or `in`.
    pub unit: String,
}

/// How a module is made to speak.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Asking {
    /// Sent at opening; may be empty.
    pub start: Vec<u8>,
    /// Sent again after so many seconds, where it answers only when asked.
    pub every_s: Option<f64>,
}

/// What a sensor reads. Angles and lengths as the model knows them.
#[derive(Debug, Clone, PartialEq)]
pub enum Measurand {
    /// Tilt against gravity.
    Tilt {
        /// What it is clipped on.
        on: TiltOn,
        /// Mounted the other way round: its sign is turned.
        reversed: bool,
    },
    /// Distance from a frame point straight down (along the frame's own z) to
    /// the floor.
    FrameToFloor {
        /// Frame point where the beam starts.
        from: Point,
    },
    /// Distance from a frame point to a point on an axle.
    FrameToAxle {
        /// Frame point.
        from: Point,
        /// Index into [`BuildSheet::axles`].
        axle: usize,
        /// Axle point.
        to: Point,
    },
}

/// What an inclinometer is clipped on, and along which direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TiltOn {
    /// The frame, across: roll.
    FrameRoll,
    /// The frame, along: pitch.
    FramePitch,
    /// An axle, across.
    AxleRoll(usize),
    /// The lateral link of an axle: its angle to the horizontal, positive
    /// with the frame end high.
    Link(usize),
}
