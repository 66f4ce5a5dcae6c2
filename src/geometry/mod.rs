//! Geometry: where every point is, for a given pose of frame and axles.
//!
//! In: the state [`State`] and points as the sheet gives them. Out: points over
//! the floor, lengths, angles, exact at any size of angle. Refused: nothing;
//! a link that cannot reach gives a flag, see [`AxlePose::reaches`].
//!
//! Everything is generic over [`Real`], so that the same lines give values,
//! gradients and Hessians (dual numbers).
//!
//! # State
//! `[frame height, frame roll, frame pitch, a1, a2, b1, b2]`: the frame origin's
//! height over the floor in metres, its angles in radians, then two coordinates
//! for each axle: centre height and roll of a solid axle, or the heights of the
//! left and right wheel centres of independent corners.
//!
//! # Assumptions
//! Floor axes: z is normal to the floor plane. The frame's origin stays over
//! the rear axle's design centreline and in the centre plane; each axle's centre
//! keeps its fore-aft place; an axle does not pitch. What this leaves out is some
//! tenths of a millimetre at large pitch.

mod axle;
mod frame;

pub use axle::{AxlePose, LinkGeometry};
pub use frame::FramePose;

/// Number of coordinates of the state.
pub const COORDINATES: usize = 7;
/// Index of the frame origin's height in the state.
pub const HEAVE: usize = 0;
/// Index of the frame's roll.
pub const ROLL: usize = 1;
/// Index of the frame's pitch.
pub const PITCH: usize = 2;
/// Index of the first coordinate of axle `i`.
pub const fn axle_coordinate(i: usize) -> usize {
    3 + 2 * i
}

/// Pose of frame and axles over the floor; see the module's doc for the entries.
pub type State = nalgebra::SVector<f64, COORDINATES>;
/// A second derivative with respect to the state.
pub type StateMatrix = nalgebra::SMatrix<f64, COORDINATES, COORDINATES>;
/// A state of any number type.
pub type StateOf<D> = nalgebra::SVector<D, COORDINATES>;
/// First-order dual number over the state.
pub type Gradient1 = num_dual::DualSVec64<COORDINATES>;

/// A number that may carry derivatives.
pub trait Real: num_dual::DualNum<Primitive = f64> + Copy {}
impl<T: num_dual::DualNum<Primitive = f64> + Copy> Real for T {}

/// Value and gradient of a scalar function of the state.
pub fn gradient(f: impl Fn(&StateOf<Gradient1>) -> Gradient1, q: &State) -> (f64, State) {
    num_dual::gradient(|x| f(&x), q)
}

/// A state whose every coordinate is a variable of its own.
pub(crate) fn seeded(q: &State) -> StateOf<Gradient1> {
    let mut seeded = q.map(Gradient1::from_re);
    let (rows, column) = q.shape_generic();
    for (i, variable) in seeded.iter_mut().enumerate() {
        variable.eps = num_dual::Derivative::derivative_generic(rows, column, i);
    }
    seeded
}

/// Value and gradient of a dual number.
pub(crate) fn parts(dual: Gradient1) -> (f64, State) {
    let (rows, column) = State::zeros().shape_generic();
    (dual.re, dual.eps.unwrap_generic(rows, column))
}

/// Angle of the line between two points to the vertical, radians: 0 upright.
pub fn angle_to_vertical<D: Real>(lower: [D; 3], upper: [D; 3]) -> D {
    let (dx, dy, dz) = (
        upper[0] - lower[0],
        upper[1] - lower[1],
        upper[2] - lower[2],
    );
    (dx * dx + dy * dy).sqrt().atan2(dz)
}

/// Distance between two points, metres.
///
/// The two must not coincide: the square root has no derivative there. A
/// nanometre is added in quadrature so that it stays finite.
pub fn distance<D: Real>(a: [D; 3], b: [D; 3]) -> D {
    let (dx, dy, dz) = (a[0] - b[0], a[1] - b[1], a[2] - b[2]);
    (dx * dx + dy * dy + dz * dz + 1e-18).sqrt()
}
