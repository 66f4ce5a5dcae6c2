//! What the model expects before any reading: wide on purpose.

use super::{PostureMatrix, PostureState};
use crate::geometry::{COORDINATES, State};
use crate::sheet::BuildSheet;
use crate::statics::{Model, StaticsError};

/// How much wider than the sheet's own uncertainties the prior is.
///
/// Chosen: a sheet filled in with a tape is often further off than its author
/// thinks; readings should carry the answer.
const WIDENING: f64 = 2.0;
/// What no parameter explains: mounts and heights measured with a tape, metres
/// in heights.
const TAPE_M: f64 = 0.003;
/// The same for angles of frame and axles, radians (3 mm over 0.75 m).
const TAPE_RAD: f64 = 0.004;
/// Heights of blocks and stands, metres or radians.
const HELD: f64 = 0.000_5;

/// Expectation and covariance of the posture state.
#[derive(Debug, Clone)]
pub struct Prior {
    /// Where the model says that the vehicle rests, on the floor as the sheet has it.
    pub state: PostureState,
    /// How unsure that is.
    pub covariance: PostureMatrix,
    pub(super) inverse: PostureMatrix,
}

impl Prior {
    /// From the model's rest and the sheet's uncertainties.
    ///
    /// # Method
    /// Every uncertain parameter p moves the rest by r_p (statics); the
    /// covariance is the sum of r_p r_p^T u_p^2 over all, times a widening, plus
    /// a tape's error on every coordinate.
    ///
    /// # Errors
    /// Where the load case has no equilibrium.
    pub fn new(sheet: &BuildSheet, model: &Model) -> Result<Self, StaticsError> {
        Self::from(sheet, model, &model.design)
    }

    /// The same, starting the search from a pose that is near.
    ///
    /// # Errors
    /// Where the load case has no equilibrium.
    pub fn from(sheet: &BuildSheet, model: &Model, near: &State) -> Result<Self, StaticsError> {
        let rest = model.equilibrium_from(near)?;
        let mut state = PostureState::zeros();
        state
            .fixed_rows_mut::<COORDINATES>(0)
            .copy_from(&rest.state);
        state[COORDINATES] = sheet.floor.roll.rad();
        state[COORDINATES + 1] = sheet.floor.pitch.rad();
        let mut covariance = PostureMatrix::zeros();
        for doubt in model.doubts(sheet) {
            let moved = rest.response(model, doubt.parameter) * (doubt.by * WIDENING);
            let mut part = covariance.fixed_view_mut::<COORDINATES, COORDINATES>(0, 0);
            part += moved * moved.transpose();
        }
        for i in 0..COORDINATES {
            let own = match (model.held(i), model.turns(i)) {
                (true, _) => HELD,
                (false, true) => TAPE_RAD,
                (false, false) => TAPE_M,
            };
            covariance[(i, i)] += own * own;
        }
        let slope = sheet.floor.slope_uncertainty.rad().max(1e-6);
        covariance[(COORDINATES, COORDINATES)] = slope * slope;
        covariance[(COORDINATES + 1, COORDINATES + 1)] = slope * slope;
        Ok(Self::with(state, &covariance))
    }

    fn with(state: PostureState, covariance: &PostureMatrix) -> Self {
        // Positive definite by construction: every coordinate has a variance of its own.
        let inverse = covariance
            .cholesky()
            .map_or_else(PostureMatrix::identity, |c| c.inverse());
        Self {
            state,
            covariance: *covariance,
            inverse,
        }
    }

    /// The same expectation, `factor` times as unsure (in variance).
    #[must_use]
    pub fn widened(&self, factor: f64) -> Self {
        Self {
            state: self.state,
            covariance: self.covariance * factor,
            inverse: self.inverse / factor,
        }
    }
}
