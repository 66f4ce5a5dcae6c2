//! What each sensor should read in a given posture state.

use super::{PostureDual, PostureState, PostureStateOf};
use crate::geometry::{COORDINATES, Real, StateOf};
use crate::sheet::{Measurand, TiltOn};
use crate::statics::{Model, Pose};

/// One calibrated reading, SI (radians or metres).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Index into the sheet's sensors.
    pub sensor: usize,
    /// Zero and scale taken out.
    pub value: f64,
    /// Standard uncertainty of the value: noise, zero, scale.
    pub uncertainty: f64,
}

/// The model's own coordinates out of a posture state.
pub(super) fn model_part<D: Real>(x: &PostureStateOf<D>) -> StateOf<D> {
    x.fixed_rows::<COORDINATES>(0).into_owned()
}

/// The direction against gravity in floor axes.
///
/// The floor is turned by roll and pitch (ISO 8855) against gravity, so up is
/// the third row of `Ry(pitch) Rx(roll)`.
pub(super) fn up<D: Real>(x: &PostureStateOf<D>) -> [D; 3] {
    let (sr, cr) = x[COORDINATES].sin_cos();
    let (sp, cp) = x[COORDINATES + 1].sin_cos();
    [-sp, cp * sr, cp * cr]
}

fn rise<D: Real>(direction: [D; 3], up: [D; 3]) -> D {
    let [x, y, z] = direction;
    let square = x * x + y * y + z * z;
    ((x * up[0] + y * up[1] + z * up[2]) / square.sqrt()).asin()
}

/// What a sensor reads in a posture state, radians or metres; none where the
/// vehicle has no such part.
pub fn predict<D: Real>(model: &Model, measurand: &Measurand, x: &PostureStateOf<D>) -> Option<D> {
    predict_in(model, measurand, &model.pose(&model_part(x)), up(x))
}

/// The same where the pose and the direction against gravity are known already.
pub(super) fn predict_in<D: Real>(
    model: &Model,
    measurand: &Measurand,
    pose: &Pose<D>,
    up: [D; 3],
) -> Option<D> {
    let value = match measurand {
        Measurand::Tilt { on, .. } => match *on {
            TiltOn::FrameRoll => rise(pose.frame.direction([0.0, 1.0, 0.0]), up),
            TiltOn::FramePitch => -rise(pose.frame.direction([1.0, 0.0, 0.0]), up),
            TiltOn::AxleRoll(i) => {
                let axle = pose.axle(i)?;
                let (a, b) = (axle.point([0.0; 3]), axle.point([0.0, 1.0, 0.0]));
                rise([b[0] - a[0], b[1] - a[1], b[2] - a[2]], up)
            }
            TiltOn::Link(i) => {
                let (_, link) = model.link(i)?;
                let axle = pose.axle(i)?;
                let (f, a) = (pose.frame.point(link.frame_end), axle.point(link.axle_end));
                rise([f[0] - a[0], f[1] - a[1], f[2] - a[2]], up)
            }
        },
        Measurand::FrameToFloor { from } => pose.frame.beam_to_floor(from.m()),
        Measurand::FrameToAxle { from, axle, to } => {
            pose.axle(*axle)?;
            crate::geometry::distance(pose.frame.point(from.m()), pose.axle_point(*axle, to.m()))
        }
    };
    Some(value)
}

/// A posture state whose every coordinate is a variable of its own.
pub(super) fn seeded(x: &PostureState) -> PostureStateOf<PostureDual> {
    let mut seeded = x.map(PostureDual::from_re);
    let (rows, column) = x.shape_generic();
    for (i, variable) in seeded.iter_mut().enumerate() {
        variable.eps = num_dual::Derivative::derivative_generic(rows, column, i);
    }
    seeded
}

/// Value and gradient of a dual number.
pub(super) fn parts(dual: PostureDual) -> (f64, PostureState) {
    let (rows, column) = PostureState::zeros().shape_generic();
    (dual.re, dual.eps.unwrap_generic(rows, column))
}

/// The vehicle in a posture state with all derivatives, for any number of sensors.
pub(crate) struct Linearised {
    pose: Pose<PostureDual>,
    up: [PostureDual; 3],
}

impl Linearised {
    /// In a posture state.
    pub(crate) fn new(model: &Model, x: &PostureState) -> Self {
        let x = seeded(x);
        Self {
            pose: model.pose(&model_part(&x)),
            up: up(&x),
        }
    }

    /// Value and gradient of a sensor's reading; none where the vehicle has no such part.
    pub(crate) fn read(&self, model: &Model, measurand: &Measurand) -> Option<(f64, PostureState)> {
        predict_in(model, measurand, &self.pose, self.up).map(parts)
    }

    /// The pose.
    pub(super) fn pose(&self) -> &Pose<PostureDual> {
        &self.pose
    }
}

/// Standard uncertainty that a reading of this kind has besides the sensor's
/// own, from the floor under its spot (metres).
pub(super) fn floor_part(measurand: &Measurand, flatness_m: f64) -> f64 {
    match measurand {
        Measurand::FrameToFloor { .. } => flatness_m,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A level frame on a floor that rolls by 1 degree and pitches by 2 shows
    /// the floor's own tilt: roll asin(cos 2 deg sin 1 deg), pitch 2 deg.
    /// Source: direction cosines of an intrinsic z-y'-x'' rotation (ISO 8855).
    #[test]
    fn a_level_frame_shows_the_floor() {
        let (roll, pitch) = (1.0_f64.to_radians(), 2.0_f64.to_radians());
        let mut x = PostureState::zeros();
        x[COORDINATES] = roll;
        x[COORDINATES + 1] = pitch;
        let u = up(&x);
        let across = rise([0.0, 1.0, 0.0], u);
        let along = -rise([1.0, 0.0, 0.0], u);
        assert!((across - (pitch.cos() * roll.sin()).asin()).abs() < 1e-15);
        assert!((along - pitch).abs() < 1e-15);
    }
}
