//! What all sensors read about a state, and how it changes from there.

use super::observe::{Linearised, model_part, predict_in, up};
use super::{PostureMatrix, PostureState};
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// One reading that takes part.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub(super) sensor: usize,
    pub(super) value: f64,
    /// One over the variance.
    pub(super) weight: f64,
}

/// Readings and gradients of every sensor of a sheet about one state.
#[derive(Debug, Clone, Default)]
pub(super) struct Linear {
    pub(super) at: PostureState,
    /// By sensor; none where the vehicle has no such part.
    pub(super) sensors: Vec<Option<(f64, PostureState)>>,
}

/// Information of the readings, and what they pull the state by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Normal {
    pub(super) information: PostureMatrix,
    pub(super) pull: PostureState,
}

impl Linear {
    /// Works everything out about a state, the pose once for all sensors.
    pub(super) fn lay(
        &mut self,
        sheet: &BuildSheet,
        model: &Model,
        at: &PostureState,
    ) -> Linearised {
        let here = Linearised::new(model, at);
        self.at = *at;
        self.sensors.clear();
        self.sensors
            .extend(sheet.sensors.iter().map(|s| here.read(model, &s.reads)));
        here
    }

    /// A sensor's value and gradient.
    pub(super) fn sensor(&self, sensor: usize) -> Option<&(f64, PostureState)> {
        self.sensors.get(sensor)?.as_ref()
    }

    /// J' W J and J' W (y - h), the readings as they are here.
    pub(super) fn normal(&self, rows: &[Row]) -> Normal {
        let mut normal = Normal {
            information: PostureMatrix::zeros(),
            pull: PostureState::zeros(),
        };
        for row in rows {
            if let Some((read, g)) = self.sensor(row.sensor) {
                normal.information += g * g.transpose() * row.weight;
                normal.pull += g * ((row.value - read) * row.weight);
            }
        }
        normal
    }

    /// J' W (y - h(x)) at another state, with the gradients of this one.
    pub(super) fn pull_at(
        &self,
        sheet: &BuildSheet,
        model: &Model,
        x: &PostureState,
        rows: &[Row],
    ) -> PostureState {
        let (pose, up) = (model.pose(&model_part(x)), up(x));
        let mut pull = PostureState::zeros();
        for row in rows {
            let read = predict_in(model, &sheet.sensors[row.sensor].reads, &pose, up);
            if let (Some(read), Some((_, g))) = (read, self.sensor(row.sensor)) {
                pull += g * ((row.value - read) * row.weight);
            }
        }
        pull
    }
}
