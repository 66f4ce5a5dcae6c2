//! The quantities that a posture tells.

use super::PostureState;
use super::observe::{model_part, parts, seeded};
use crate::geometry::Real;
use crate::sheet::BuildSheet;
use crate::statics::{Model, Pose};

/// Which quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum QuantityKey {
    /// Height over the floor of a station of the sheet, metres.
    Height(usize),
    /// Roll of the frame against the floor, radians; left side up is positive.
    Roll,
    /// Pitch of the frame against the floor, radians; nose down is positive.
    Pitch,
    /// Angle of the lateral link of an axle to the floor, radians; frame end high is positive.
    LinkAngle(usize),
    /// Side shift of an axle, metres; to the left is positive.
    SideShift(usize),
    /// Sag of a unit of the model from full extension, metres.
    Sag(usize),
}

/// Whether readings or the model carry a quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// The readings tell more of it than the model does.
    Measured,
    /// The model tells more of it than the readings do.
    Assumed,
}

/// A quantity with its standard uncertainty, SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Which quantity.
    pub key: QuantityKey,
    /// Metres or radians.
    pub value: f64,
    /// Standard uncertainty, same unit.
    pub uncertainty: f64,
    /// Measured or assumed.
    pub origin: Origin,
}

impl QuantityKey {
    /// All quantities that this vehicle has.
    pub fn all(sheet: &BuildSheet, model: &Model) -> Vec<Self> {
        Self::each(sheet, model).collect()
    }

    /// The same, one after the other.
    pub(super) fn each<'a>(
        sheet: &'a BuildSheet,
        model: &'a Model,
    ) -> impl Iterator<Item = Self> + use<'a> {
        let links = || (0..sheet.axles.len()).filter(|&i| model.link(i).is_some());
        [Self::Roll, Self::Pitch]
            .into_iter()
            .chain((0..sheet.stations.len()).map(Self::Height))
            .chain(links().map(Self::LinkAngle))
            .chain(links().map(Self::SideShift))
            .chain((0..model.units.len()).map(Self::Sag))
    }

    /// What it is called in lists and files, for example `height rear left`.
    pub fn name(self, sheet: &BuildSheet, model: &Model) -> String {
        let link = |i: usize| model.link(i).map_or("link", |(name, _)| name).to_owned();
        match self {
            Self::Height(i) => format!("height {}", sheet.stations.get(i).map_or("?", |s| &s.name)),
            Self::Roll => "roll".to_owned(),
            Self::Pitch => "pitch".to_owned(),
            Self::LinkAngle(i) => format!("angle {}", link(i)),
            Self::SideShift(i) => format!(
                "side shift {} axle",
                sheet.axles.get(i).map_or("?", |a| &a.name)
            ),
            Self::Sag(i) => format!("sag {}", model.units.get(i).map_or("?", |u| &u.name)),
        }
    }

    /// Whether it is an angle (else a length).
    pub const fn is_angle(self) -> bool {
        matches!(self, Self::Roll | Self::Pitch | Self::LinkAngle(_))
    }

    /// Value and gradient in a posture state.
    pub fn with_gradient(
        self,
        sheet: &BuildSheet,
        model: &Model,
        x: &PostureState,
    ) -> (f64, PostureState) {
        parts(self.in_pose(sheet, model, &model.pose(&model_part(&seeded(x)))))
    }

    /// Its value in a pose.
    pub(super) fn in_pose<D: Real>(self, sheet: &BuildSheet, model: &Model, pose: &Pose<D>) -> D {
        match self {
            Self::Height(i) => pose.frame.height(sheet.stations[i].at.m()),
            Self::Roll => pose.frame.tilt_across(),
            Self::Pitch => pose.frame.tilt_along(),
            Self::LinkAngle(i) => match (model.link(i), pose.axle(i)) {
                (Some((_, link)), Some(axle)) => link.angle(&pose.frame, axle),
                _ => D::from(0.0),
            },
            Self::SideShift(i) => pose
                .axle(i)
                .map_or_else(|| D::from(0.0), crate::geometry::AxlePose::side_shift),
            Self::Sag(i) => {
                let unit = &model.units[i];
                -unit.length(pose) + unit.extended
            }
        }
    }
}
