//! The frame: from its three coordinates to any of its points over the floor.

use super::{HEAVE, PITCH, ROLL, Real, StateOf};

/// The frame's pose with the sines and cosines taken once.
///
/// Rotation after ISO 8855, intrinsic z-y'-x'' with no yaw: `R = Ry(pitch) Rx(roll)`.
#[derive(Debug, Clone, Copy)]
pub struct FramePose<D> {
    height: D,
    sin_roll: D,
    cos_roll: D,
    sin_pitch: D,
    cos_pitch: D,
}

impl<D: Real> FramePose<D> {
    /// From a state.
    pub fn new(q: &StateOf<D>) -> Self {
        let (sin_roll, cos_roll) = q[ROLL].sin_cos();
        let (sin_pitch, cos_pitch) = q[PITCH].sin_cos();
        Self {
            height: q[HEAVE],
            sin_roll,
            cos_roll,
            sin_pitch,
            cos_pitch,
        }
    }

    /// A frame vector (metres) turned into floor axes.
    pub fn direction(&self, v: [f64; 3]) -> [D; 3] {
        let y = self.cos_roll * v[1] - self.sin_roll * v[2];
        let up = self.sin_roll * v[1] + self.cos_roll * v[2];
        [
            self.cos_pitch * v[0] + up * self.sin_pitch,
            y,
            up * self.cos_pitch - self.sin_pitch * v[0],
        ]
    }

    /// A frame point (metres) over the floor.
    pub fn point(&self, p: [f64; 3]) -> [D; 3] {
        let [x, y, z] = self.direction(p);
        [x, y, z + self.height]
    }

    /// Height of a frame point (metres) over the floor.
    pub fn height(&self, p: [f64; 3]) -> D {
        let up = self.sin_roll * p[1] + self.cos_roll * p[2];
        self.height + up * self.cos_pitch - self.sin_pitch * p[0]
    }

    /// Length of a beam from a frame point along the frame's own -z to the floor.
    pub fn beam_to_floor(&self, from: [f64; 3]) -> D {
        self.height(from) / (self.cos_roll * self.cos_pitch)
    }

    /// Angle of the frame's x axis under the horizontal of the floor, radians:
    /// what an inclinometer lying along the frame shows.
    pub fn tilt_along(&self) -> D {
        self.sin_pitch.asin()
    }

    /// Angle of the frame's y axis over the horizontal of the floor, radians:
    /// what an inclinometer lying across the frame shows.
    pub fn tilt_across(&self) -> D {
        (self.sin_roll * self.cos_pitch).asin()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::float_cmp, reason = "exact values are meant")]
    use super::*;
    use crate::geometry::State;

    /// Source: ISO 8855:2011, z up: positive roll lifts the left (y) axis,
    /// positive pitch lowers the nose (from memory; 1 degree: sin 1 deg = 0.017452).
    #[test]
    fn signs_follow_iso_8855() {
        let deg = 1.0_f64.to_radians();
        let roll = FramePose::new(&State::from([0.0, deg, 0.0, 0.0, 0.0, 0.0, 0.0]));
        assert!((roll.height([0.0, 1.0, 0.0]) - 0.017_452).abs() < 1e-6);
        let pitch = FramePose::new(&State::from([0.0, 0.0, deg, 0.0, 0.0, 0.0, 0.0]));
        assert!((pitch.height([1.0, 0.0, 0.0]) + 0.017_452).abs() < 1e-6);
        assert!((pitch.tilt_along() - deg).abs() < 1e-15);
        assert!((roll.tilt_across() - deg).abs() < 1e-15);
    }

    #[test]
    fn a_turned_vector_keeps_its_length() {
        let pose = FramePose::new(&State::from([0.4, 0.3, -0.2, 0.0, 0.0, 0.0, 0.0]));
        let [x, y, z] = pose.direction([0.7, -0.4, 0.2]);
        let length = (0.49_f64 + 0.16 + 0.04).sqrt();
        assert!(((x * x + y * y + z * z).sqrt() - length).abs() < 1e-15);
    }
}
