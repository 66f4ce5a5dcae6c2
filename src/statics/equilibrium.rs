//! Where the vehicle comes to rest: the minimum of the energy, by Newton's
//! method on exact derivatives.

use super::{Model, StaticsError};
use crate::geometry::{
    COORDINATES, FramePose, HEAVE, PITCH, ROLL, Real, State, StateMatrix, StateOf, axle_coordinate,
};

const STEPS: usize = 200;
/// No step moves a height by more than this, metres.
const LONGEST_STEP_M: f64 = 0.05;
/// No step turns anything by more than this, radians.
const LARGEST_TURN_RAD: f64 = 0.1;
/// Curvature (N/m, N m/rad) under which a direction counts as without any.
const LEAST_CURVATURE: f64 = 10.0;
/// Further than this the vehicle has tipped, radians.
const TIPPED_RAD: f64 = 0.6;
/// Out-of-balance force at rest, as a share of the weight.
const BALANCE: f64 = 1e-10;

/// A state of rest with its stiffness.
#[derive(Debug, Clone)]
pub struct Equilibrium {
    /// Where it rests.
    pub state: State,
    /// Second derivative of the energy there; rows and columns of held
    /// coordinates as they are.
    pub stiffness: StateMatrix,
    /// First derivative there: zero but for the held coordinates, where it is
    /// what holds them.
    pub gradient: State,
    /// Steps made.
    pub steps: usize,
    /// Inverse of the stiffness over the free coordinates, zero elsewhere.
    pub compliance: StateMatrix,
}

type State3 = nalgebra::SVector<f64, 3>;
type State5 = nalgebra::SVector<f64, 5>;

/// A state of which some coordinates are variables and the others are not.
pub(super) fn among<D: Real, const N: usize>(
    q: &State,
    at: &[usize; N],
    x: &nalgebra::SVector<D, N>,
) -> StateOf<D> {
    let mut all = q.map(D::from);
    for (k, &c) in at.iter().enumerate() {
        all[c] = x[k];
    }
    all
}

/// Adds value, gradient and Hessian by some coordinates to those by all.
fn add<const N: usize>(
    sum: &mut (f64, State, StateMatrix),
    at: &[usize; N],
    (value, gradient, hessian): (f64, nalgebra::SVector<f64, N>, nalgebra::SMatrix<f64, N, N>),
) {
    sum.0 += value;
    for (k, &c) in at.iter().enumerate() {
        sum.1[c] += gradient[k];
        for (j, &d) in at.iter().enumerate() {
            sum.2[(c, d)] += hessian[(k, j)];
        }
    }
}

/// A matrix with the held coordinates taken out of the problem.
fn free_part(matrix: &StateMatrix, held: &[Option<f64>; COORDINATES]) -> StateMatrix {
    let mut free = *matrix;
    for i in (0..COORDINATES).filter(|&i| held[i].is_some()) {
        free.row_mut(i).fill(0.0);
        free.column_mut(i).fill(0.0);
        free[(i, i)] = 1.0;
    }
    free
}

fn all_finite<const C: usize>(matrix: &nalgebra::SMatrix<f64, COORDINATES, C>) -> bool {
    matrix.iter().all(|x| x.is_finite())
}

fn limit(step: &mut State, model: &Model) {
    let mut share: f64 = 1.0;
    for i in 0..COORDINATES {
        let most = if model.turns(i) {
            LARGEST_TURN_RAD
        } else {
            LONGEST_STEP_M
        };
        share = share.min(most / step[i].abs().max(1e-300));
    }
    *step *= share;
}

impl Model {
    /// Energy, gradient and Hessian in a state.
    ///
    /// # Method
    /// The energy is a sum: a part of the frame, and of each axle with the frame. Each is
    /// differentiated by its own coordinates (three and five) in place of all seven, and put
    /// where it belongs.
    pub fn derivatives(&self, q: &State) -> (f64, State, StateMatrix) {
        let mut sum = (0.0, State::zeros(), StateMatrix::zeros());
        let frame = [HEAVE, ROLL, PITCH];
        let part = num_dual::hessian(
            |x| self.frame_energy(&FramePose::new(&among(q, &frame, &x))),
            &State3::from(frame.map(|c| q[c])),
        );
        add(&mut sum, &frame, part);
        for i in 0..self.axles.len() {
            let c = axle_coordinate(i);
            let at = [HEAVE, ROLL, PITCH, c, c + 1];
            let part = num_dual::hessian(
                |x| self.axle_energy(i, &self.pose_of(&among(q, &at, &x), |k| k == i)),
                &State5::from(at.map(|c| q[c])),
            );
            add(&mut sum, &at, part);
        }
        sum
    }

    /// Whether a coordinate of the state is held in this set-up.
    pub const fn held(&self, coordinate: usize) -> bool {
        self.held[coordinate].is_some()
    }

    /// Whether a coordinate of the state is an angle (else a height).
    pub fn turns(&self, coordinate: usize) -> bool {
        matches!(coordinate, ROLL | PITCH)
            || self
                .axles
                .iter()
                .enumerate()
                .any(|(i, a)| a.solid && coordinate == axle_coordinate(i) + 1)
    }

    /// Where the vehicle rests, starting from the design position.
    pub fn equilibrium(&self) -> Result<Equilibrium, StaticsError> {
        self.equilibrium_from(&self.design)
    }

    /// Where the vehicle rests, starting from a given pose.
    ///
    /// # Method
    /// Newton's method on the exact gradient and Hessian; where the Hessian is
    /// not positive definite its eigenvalues are taken by size; the step is
    /// limited and halved until the energy (or, near the end, the
    /// gradient) goes down.
    pub fn equilibrium_from(&self, start: &State) -> Result<Equilibrium, StaticsError> {
        let mut q = *start;
        for i in 0..COORDINATES {
            if let Some(value) = self.held[i] {
                q[i] = value;
            }
        }
        let scale =
            self.sprung_weight_n() + self.axles.iter().map(|a| a.unsprung * 9.81).sum::<f64>();
        let enough = BALANCE * scale.max(1.0);
        let (mut value, mut gradient, mut hessian) = self.derivatives(&q);
        for steps in 0..STEPS {
            // An eigenvalue search over something that is no number would not end.
            if !(value.is_finite() && all_finite(&gradient) && all_finite(&hessian)) {
                return Err(StaticsError::NotFinite);
            }
            let force = self.free_gradient(&gradient);
            if force.amax() <= enough {
                return self.rest(q, gradient, &hessian, steps);
            }
            let mut step = self.newton_step(&hessian, &force);
            limit(&mut step, self);
            let slope = step.dot(&force);
            let mut share = 1.0;
            loop {
                let next = q + step * share;
                let (v, g, h) = self.derivatives(&next);
                let lower = v <= value + 1e-4 * share * slope;
                // Close to the end the energy is flat to rounding; then a smaller gradient counts.
                let flat = (v - value).abs() <= 1e-12 * value.abs().max(1.0)
                    && self.free_gradient(&g).norm() < force.norm();
                if lower || flat {
                    (q, value, gradient, hessian) = (next, v, g, h);
                    break;
                }
                share *= 0.5;
                if share < 1e-10 {
                    // Rounding is all that is left: good enough within a thousandth of a newton.
                    if force.amax() <= 1e-3 {
                        return self.rest(q, gradient, &hessian, steps);
                    }
                    return Err(StaticsError::NotConverged {
                        steps,
                        force_n: force.amax(),
                    });
                }
            }
            self.still_standing(&q)?;
        }
        Err(StaticsError::NotConverged {
            steps: STEPS,
            force_n: self.free_gradient(&gradient).amax(),
        })
    }

    fn free_gradient(&self, gradient: &State) -> State {
        let mut free = *gradient;
        for i in (0..COORDINATES).filter(|&i| self.held[i].is_some()) {
            free[i] = 0.0;
        }
        free
    }

    fn newton_step(&self, hessian: &StateMatrix, force: &State) -> State {
        let free = free_part(hessian, &self.held);
        if let Some(cholesky) = free.cholesky() {
            return -cholesky.solve(force);
        }
        // Downhill by the size of the curvature, whatever its sign.
        let eigen = free.symmetric_eigen();
        let turned = eigen.eigenvectors.transpose() * force;
        let steps = turned.zip_map(&eigen.eigenvalues, |f, k| -f / k.abs().max(LEAST_CURVATURE));
        eigen.eigenvectors * steps
    }

    fn still_standing(&self, q: &State) -> Result<(), StaticsError> {
        if q[ROLL].abs() > TIPPED_RAD || q[PITCH].abs() > TIPPED_RAD {
            let towards = if q[ROLL].abs() > q[PITCH].abs() {
                if q[ROLL] > 0.0 {
                    "to the right"
                } else {
                    "to the left"
                }
            } else if q[PITCH] > 0.0 {
                "forward"
            } else {
                "backward"
            };
            return Err(StaticsError::Tips { towards });
        }
        if q[HEAVE] < self.design[HEAVE] - 2.0 {
            return Err(StaticsError::NothingCarries);
        }
        Ok(())
    }

    fn rest(
        &self,
        state: State,
        gradient: State,
        stiffness: &StateMatrix,
        steps: usize,
    ) -> Result<Equilibrium, StaticsError> {
        self.still_standing(&state)?;
        // Stops that are never met do not show in the energy, but in the travel left.
        // And a spring whose room is no number has no force and no energy.
        let numbers = |u: &super::UnitModel| {
            let all = [
                u.extended,
                u.compressed,
                u.hardware,
                u.collar,
                u.free_length,
            ];
            all.iter().all(|x| x.is_finite())
        };
        // Loads on two wheels in one place cannot be told apart. An end that is not there
        // yet has no track.
        let wide = |(i, a): (usize, &super::model::AxleModel)| {
            let is_there = a.tyre.is_some() || self.units.iter().any(|u| u.axle == i);
            a.track.is_finite() && (a.track.abs() > 1e-6 || !is_there)
        };
        if !(self.units.iter().all(numbers) && self.axles.iter().enumerate().all(wide)) {
            return Err(StaticsError::NotFinite);
        }
        let pose = self.pose(&state);
        for (i, axle) in self.axles.iter().enumerate() {
            if axle.carries && pose.axle(i).is_some_and(|a| !a.reaches()) {
                return Err(StaticsError::LinkCannotReach {
                    axle: axle.name.clone(),
                });
            }
        }
        for (i, axle) in self.axles.iter().enumerate() {
            let mut lengths = self
                .units
                .iter()
                .filter(|u| u.axle == i)
                .map(|u| (u, u.length(&pose)))
                .peekable();
            if lengths.peek().is_some() && lengths.all(|(u, l)| l <= u.compressed) {
                let load_n = self.carried_n(i, &pose);
                return Err(StaticsError::CannotCarry {
                    axle: axle.name.clone(),
                    load_n,
                });
            }
        }
        let free = free_part(stiffness, &self.held);
        let Some(cholesky) = free.cholesky() else {
            return Err(StaticsError::Unsteady {
                coordinate: self.softest(&free),
            });
        };
        let mut compliance = cholesky.inverse();
        for i in (0..COORDINATES).filter(|&i| self.held[i].is_some()) {
            compliance[(i, i)] = 0.0;
        }
        Ok(Equilibrium {
            state,
            stiffness: *stiffness,
            gradient,
            steps,
            compliance,
        })
    }

    /// What the units of axle `i` carry together, straight up, newtons.
    fn carried_n(&self, i: usize, pose: &super::Pose<f64>) -> f64 {
        let q = pose.coordinates;
        let (_, g) = crate::geometry::gradient(|x| self.suspension_energy(i, &self.pose(x)), &q);
        -g[HEAVE]
    }

    fn softest(&self, free: &StateMatrix) -> &'static str {
        let eigen = free.symmetric_eigen();
        let least = eigen.eigenvalues.imin();
        match eigen.eigenvectors.column(least).iamax() {
            HEAVE => "height",
            ROLL => "roll",
            PITCH => "pitch",
            i if self.turns(i) => "roll of an axle",
            _ => "height of an axle",
        }
    }
}

impl Equilibrium {
    /// The frame's pose at rest.
    pub fn frame(&self) -> FramePose<f64> {
        FramePose::new(&self.state)
    }
}
