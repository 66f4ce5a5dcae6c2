//! What the finished vehicle will come to, from what is measured now.

use crate::geometry::{COORDINATES, State};
use crate::posture::{Measured, Origin, Posture, PostureState, QuantityKey};
use crate::sheet::BuildSheet;
use crate::statics::{Doubt, Equilibrium, Model, Parameter, StaticsError};

/// The finished vehicle, as far as can be told now.
#[derive(Debug, Clone)]
pub struct Forecast {
    /// The model with the finished vehicle's loads on.
    pub model: Model,
    /// Where the model alone rests with them.
    pub rest: Equilibrium,
    /// The posture state expected.
    pub state: PostureState,
    /// Every quantity with its standard uncertainty.
    pub quantities: Vec<Measured>,
}

/// Carries a posture over to the case that the targets hold for.
///
/// # Method
/// The expected state is the measured one plus what the model says the change
/// of loads does: x + q_final - q_now. Its variance is the measured one plus,
/// for every doubt p, u_p^2 times the square of the difference of its effect in
/// the two cases: where the sheet is wrong in a way that moves both alike, it
/// cancels.
///
/// # Errors
/// Where one of the two cases has no equilibrium.
pub fn forecast(
    sheet: &BuildSheet,
    now: &Model,
    posture: &Posture,
) -> Result<Forecast, StaticsError> {
    let here = now.equilibrium()?;
    let mut model = now.clone();
    let on = &sheet.cases[sheet.targets.case].loads;
    for (i, mass) in model.masses.iter_mut().enumerate().skip(1) {
        mass.on = on.contains(&(i - 1));
    }
    let rest = model.equilibrium_from(&here.state)?;
    let mut state = posture.state;
    let mut moved = state.fixed_rows_mut::<COORDINATES>(0);
    moved += rest.state - here.state;
    let extra = differences(sheet, (now, &here), (&model, &rest));
    let quantities = QuantityKey::all(sheet, &model)
        .into_iter()
        .map(|key| {
            let (value, g) = key.with_gradient(sheet, &model, &state);
            let own = (g.transpose() * posture.covariance * g)[0].max(0.0);
            let along = g.fixed_rows::<COORDINATES>(0).into_owned();
            let more: f64 = extra.iter().map(|e| along.dot(e).powi(2)).sum();
            Measured {
                key,
                value,
                uncertainty: (own + more).sqrt(),
                origin: Origin::Assumed,
            }
        })
        .collect();
    Ok(Forecast {
        model,
        rest,
        state,
        quantities,
    })
}

/// One standard uncertainty of every doubt: its effect in the second case less
/// that in the first. A load counts in a case only where it is on.
fn differences(
    sheet: &BuildSheet,
    from: (&Model, &Equilibrium),
    to: (&Model, &Equilibrium),
) -> Vec<State> {
    let (first, second) = (from.0.doubts(sheet), to.0.doubts(sheet));
    let effect = |doubts: &[Doubt], (model, rest): (&Model, &Equilibrium), parameter: Parameter| {
        doubts
            .iter()
            .find(|d| d.parameter == parameter)
            .map_or_else(State::zeros, |d| rest.response(model, parameter) * d.by)
    };
    let mut parameters: Vec<Parameter> = first.iter().chain(&second).map(|d| d.parameter).collect();
    parameters.sort_unstable();
    parameters.dedup();
    parameters
        .iter()
        .map(|&p| effect(&second, to, p) - effect(&first, from, p))
        .collect()
}
