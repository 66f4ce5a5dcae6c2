//! One step of a load test: what is on, how it came to rest, what was read.

use crate::posture::Observation;
use crate::quantity::Moment;
use crate::sheet::BuildSheet;

/// One still step.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// When it was read. Steps are put in this order, whatever order they are given in.
    pub at: Moment,
    /// Everything on the frame besides the vehicle's own sprung weight.
    pub loads: Vec<Load>,
    /// How the vehicle came to rest.
    pub approach: Approach,
    /// What the sensors read, calibrated; the uncertainty includes that of zero and scale.
    pub readings: Vec<Observation>,
}

/// Something that is on in a step.
#[derive(Debug, Clone, PartialEq)]
pub enum Load {
    /// A load of the sheet, at its place, by its index.
    Named(usize),
    /// Something of its own weight and place.
    Placed(PlacedLoad),
}

/// A weight at a place, told by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedLoad {
    /// Who or what it is. The same name is the same weight in every step.
    pub body: String,
    /// Kilograms.
    pub mass_kg: f64,
    /// Standard uncertainty, kilograms.
    pub mass_uncertainty_kg: f64,
    /// Its centre, frame point, metres.
    pub at_m: [f64; 3],
    /// Standard uncertainty of each coordinate, metres.
    pub place_uncertainty_m: f64,
}

/// How the vehicle came to rest, which says to which side friction holds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Approach {
    /// Going down: weight came on, or the frame was lifted and let down. The
    /// springs were being pressed; friction holds the frame high.
    Loading,
    /// Coming up: weight went off, or the frame was pressed and let go. The
    /// springs were stretching; friction holds the frame low.
    Unloading,
    /// Bounced by hand until it rested of itself: near the middle of the band.
    Bounced,
    /// Nobody knows.
    Unknown,
}

impl Approach {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Loading => "going down",
            Self::Unloading => "coming up",
            Self::Bounced => "bounced",
            Self::Unknown => "not told how",
        }
    }
}

impl Load {
    /// As a placed load, whichever it is; none for an index the sheet does not have.
    pub fn placed(&self, sheet: &BuildSheet) -> Option<PlacedLoad> {
        match self {
            Self::Placed(load) => Some(load.clone()),
            Self::Named(i) => sheet.loads.get(*i).map(|l| PlacedLoad {
                body: l.name.clone(),
                mass_kg: l.mass.kg(),
                mass_uncertainty_kg: l.mass_uncertainty.kg(),
                at_m: l.at.m(),
                place_uncertainty_m: l.place_uncertainty.m(),
            }),
        }
    }
}

impl Step {
    /// What is on, in words: `bare`, or the names of the loads.
    pub fn words(&self, sheet: &BuildSheet) -> String {
        let names: Vec<_> = self
            .loads
            .iter()
            .filter_map(|l| l.placed(sheet))
            .map(|l| place_words(&l))
            .collect();
        if names.is_empty() {
            "bare".to_owned()
        } else {
            names.join(" + ")
        }
    }
}

/// `sandbags 50 kg`, and on which side, where it is on one.
pub(super) fn place_words(load: &PlacedLoad) -> String {
    let side = match load.at_m[1] {
        y if y > 0.1 => " left",
        y if y < -0.1 => " right",
        _ => "",
    };
    format!(
        "{} {:.0} kg{side} (x {:.0} mm)",
        load.body,
        load.mass_kg,
        load.at_m[0] * 1e3
    )
}
