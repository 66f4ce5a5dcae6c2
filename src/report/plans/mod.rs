//! Advice on paper and as JSON: plans in the order to do them, what they do, how
//! sure that is, what gets worse, and why to leave it.
//!
//! In: [`Advice`] with what it rests on. Out: text in the sheet's own units, JSON in
//! mm, deg, kg, N, Hz. Refused: nothing.

mod json;
mod steps;
mod text;

pub use json::{advice_json, answer_json, promise_json};
pub use steps::{operation_words, plan_steps};
pub(super) use text::unknown_words;
pub use text::{advice_text, answer_text, leave_sentence, promise_explained, promise_text};

use super::suggestion::aim_name;
use super::words::signed;
use crate::advice::Blocked;
use crate::posture::QuantityKey;
use crate::quantity::{Angle, Length, Quantity, UnitSystem};
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// What advice rests on.
#[derive(Debug, Clone)]
pub struct Basis<'a> {
    /// The sheet.
    pub sheet: &'a BuildSheet,
    /// A model of it, for names.
    pub model: &'a Model,
    /// How everything is set now.
    pub setup: &'a crate::advice::Setup,
    /// When the newest reading was kept; none where there is none.
    pub newest: Option<String>,
    /// How many readings were weighed together.
    pub readings: usize,
    /// Changes entered on top of the sheet.
    pub changes: usize,
    /// Things worth knowing, for example a change that could not be understood.
    pub remarks: Vec<String>,
}

impl Basis<'_> {
    fn units(&self) -> UnitSystem {
        self.sheet.units
    }

    fn unit(&self, i: usize) -> &str {
        self.model.units.get(i).map_or("?", |u| &u.name)
    }

    fn aim(&self, key: QuantityKey) -> String {
        match key {
            QuantityKey::Sag(i) => format!("sag {}", self.unit(i)),
            QuantityKey::SideShift(i) => {
                format!(
                    "side shift {}",
                    self.sheet.axles.get(i).map_or("?", |a| &a.name)
                )
            }
            other => aim_name(self.sheet, other),
        }
    }

    fn amount(&self, key: QuantityKey, si: f64) -> String {
        if key.is_angle() {
            Angle::new(si).shown(self.units())
        } else {
            Length::new(si).shown(self.units())
        }
    }

    fn off(&self, key: QuantityKey, si: f64) -> String {
        let text = self.amount(key, si);
        if text.starts_with('-') {
            text
        } else {
            format!("+{text}")
        }
    }

    fn length(&self, m: f64) -> String {
        Length::new(m).shown(self.units())
    }

    fn by(&self, m: f64) -> String {
        signed(Length::new(m), self.units())
    }

    fn blocked(&self, b: &Blocked) -> String {
        use crate::advice::Limit;
        match b.limit {
            Limit::LinkAngle => format!(
                "{}: over by {}",
                b.limit.words(),
                Angle::new(b.by).shown(self.units())
            ),
            Limit::Overload => format!("{}: {}", self.unit(b.unit), b.limit.words()),
            Limit::NoRest => "a set-up without any rest".to_owned(),
            Limit::Shelf => format!("{}: one more would be needed", b.limit.words()),
            _ => format!(
                "{}, {}: {} more would be needed",
                self.unit(b.unit),
                b.limit.words(),
                self.length(b.by)
            ),
        }
    }
}

fn percent(share: f64) -> String {
    let p = share * 100.0;
    if p > 0.0 && p < 1.0 {
        "under 1 %".to_owned()
    } else if p < 100.0 && p > 99.0 {
        "over 99 %".to_owned()
    } else {
        format!("{p:.0} %")
    }
}
