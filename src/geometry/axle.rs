//! A solid axle: from its two coordinates and the lateral link to its points.

use super::{FramePose, Real, StateOf, axle_coordinate};

/// A lateral link in metres: fixed length between a frame and an axle point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkGeometry {
    /// Frame point.
    pub frame_end: [f64; 3],
    /// Axle point.
    pub axle_end: [f64; 3],
    /// Between the ends.
    pub length: f64,
    /// +1 where the axle end is to the left of the frame end as designed, else -1.
    pub towards: f64,
}

/// The pose of a solid axle.
#[derive(Debug, Clone, Copy)]
pub struct AxlePose<D> {
    x: f64,
    y: D,
    height: D,
    sin_roll: D,
    cos_roll: D,
    reaches: bool,
}

impl<D: Real> AxlePose<D> {
    /// Axle `i` with its design centreline at `x` metres.
    ///
    /// # Method
    /// The link's frame end is at F, its axle end at A = C + e, C the axle's
    /// centre, e known from the axle's roll. The length is fixed, so
    /// `A_y = F_y ± sqrt(L² - (F_x - A_x)² - (F_z - A_z)²)`, the root nearest the
    /// design position; C_y follows. Without a link the axle keeps to the
    /// frame's centre plane.
    pub fn new(
        q: &StateOf<D>,
        i: usize,
        x: f64,
        frame: &FramePose<D>,
        link: Option<&LinkGeometry>,
    ) -> Self {
        let height = q[axle_coordinate(i)];
        let (sin_roll, cos_roll) = q[axle_coordinate(i) + 1].sin_cos();
        let mut pose = Self {
            x,
            y: D::from(0.0),
            height,
            sin_roll,
            cos_roll,
            reaches: true,
        };
        if let Some(link) = link {
            let [fx, fy, fz] = frame.point(link.frame_end);
            let [ax, ay, az] = pose.point(link.axle_end);
            let (dx, dz) = (fx - ax, fz - az);
            let mut square = -(dx * dx) - dz * dz + link.length * link.length;
            // A link that cannot reach: held at the shortest sideways reach, flagged.
            let least = 1e-6 * link.length * link.length;
            if square.re() < least {
                pose.reaches = false;
                square = D::from(least);
            }
            pose.y = fy + square.sqrt() * link.towards - ay;
        }
        pose
    }

    /// An axle point (metres) over the floor.
    pub fn point(&self, p: [f64; 3]) -> [D; 3] {
        [
            D::from(self.x + p[0]),
            self.y + self.cos_roll * p[1] - self.sin_roll * p[2],
            self.height(p),
        ]
    }

    /// Height of an axle point (metres) over the floor.
    pub fn height(&self, p: [f64; 3]) -> D {
        self.height + self.sin_roll * p[1] + self.cos_roll * p[2]
    }

    /// How far the axle's centre is to the left of the frame's centre plane.
    pub fn side_shift(&self) -> D {
        self.y
    }

    /// Whether the lateral link can reach in this pose.
    pub fn reaches(&self) -> bool {
        self.reaches
    }
}

impl LinkGeometry {
    /// Angle of the link to the floor's plane in rear view, radians: positive
    /// with the frame end high.
    pub fn angle<D: Real>(&self, frame: &FramePose<D>, axle: &AxlePose<D>) -> D {
        let f = frame.point(self.frame_end);
        let a = axle.point(self.axle_end);
        (f[2] - a[2]).atan2((f[1] - a[1]).abs())
    }

    /// Height over the floor at which the link's line crosses the vehicle's
    /// centre plane: the roll centre of the axle it locates.
    ///
    /// `z = z1 + (z2 - z1) (0 - y1) / (y2 - y1)`, by definition.
    pub fn roll_centre_height<D: Real>(&self, frame: &FramePose<D>, axle: &AxlePose<D>) -> D {
        let f = frame.point(self.frame_end);
        let a = axle.point(self.axle_end);
        f[2] - (a[2] - f[2]) * f[1] / (a[1] - f[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{State, distance};

    fn link() -> LinkGeometry {
        LinkGeometry {
            frame_end: [0.0, 0.45, -0.05],
            axle_end: [0.0, -0.45, 0.03],
            length: 0.9,
            towards: -1.0,
        }
    }

    #[test]
    fn the_link_keeps_its_length() {
        let link = link();
        for roll in [-0.1, 0.0, 0.07] {
            for height in [0.28, 0.34, 0.40] {
                let q = State::from([0.40, roll, 0.02, height, -roll, 0.0, 0.0]);
                let frame = FramePose::new(&q);
                let axle = AxlePose::new(&q, 0, 0.0, &frame, Some(&link));
                let length = distance(frame.point(link.frame_end), axle.point(link.axle_end));
                assert!(axle.reaches());
                assert!((length - 0.9).abs() < 1e-12, "{length}");
            }
        }
    }

    /// Source: definition of the roll centre of an axle with one lateral link
    /// (height where its line crosses the centre plane): ends (y -0.45, z 0.30)
    /// and (0.45, 0.24) give 0.27.
    #[test]
    fn roll_centre_is_where_the_link_crosses_the_centre_plane() {
        let link = LinkGeometry {
            frame_end: [0.0, 0.45, 0.24 - 0.4],
            axle_end: [0.0, -0.45, 0.30 - 0.34],
            length: (0.81_f64 + 0.0036).sqrt(),
            towards: -1.0,
        };
        let q = State::from([0.4, 0.0, 0.0, 0.34, 0.0, 0.0, 0.0]);
        let frame = FramePose::new(&q);
        let axle = AxlePose::new(&q, 0, 0.0, &frame, Some(&link));
        assert!((link.roll_centre_height(&frame, &axle) - 0.27).abs() < 1e-12);
        assert!((link.angle(&frame, &axle).to_degrees() + 3.814_074_8).abs() < 1e-6);
    }

    /// A link that is longer sideways than it can be held is flagged, not NaN.
    #[test]
    fn a_link_that_cannot_reach_is_flagged() {
        let q = State::from([2.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0]);
        let frame = FramePose::new(&q);
        let axle = AxlePose::new(&q, 0, 0.0, &frame, Some(&link()));
        assert!(!axle.reaches());
        assert!(axle.side_shift().is_finite());
    }
}
