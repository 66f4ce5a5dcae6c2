//! What is shown while weight comes on: load, height and link against the model.
//!
//! In: a sitting. Out: one line. Refused: nothing; what is not known is left out.

use crate::posture::{PostureState, QuantityKey};
use crate::quantity::{Angle, Force, Length, Quantity, decimals};
use crate::run::sitting::Sitting;
use crate::statics::Model;

/// Acceleration of free fall, m/s² (exact, by definition).
const G: f64 = 9.806_65;

/// The model's quantities at rest with what is on; none where it has no rest.
#[derive(Debug, Clone, Default)]
pub(super) struct Expected {
    quantities: Vec<(QuantityKey, f64)>,
    load_kg: f64,
}

impl Expected {
    pub(super) fn of(sitting: &Sitting) -> Self {
        let model: &Model = &sitting.model;
        let load_kg = model.masses.iter().skip(1).filter(|m| m.on).map(|m| m.mass);
        let load_kg = load_kg.sum();
        let Ok(rest) = model.equilibrium() else {
            return Self {
                quantities: Vec::new(),
                load_kg,
            };
        };
        let mut x = PostureState::zeros();
        x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
        let quantities = QuantityKey::all(&sitting.sheet, model)
            .into_iter()
            .map(|k| (k, k.with_gradient(&sitting.sheet, model, &x).0))
            .collect();
        Self {
            quantities,
            load_kg,
        }
    }

    /// Load, heights and link, each against what the sheet's model expects.
    pub(super) fn line(&self, sitting: &Sitting) -> String {
        let units = sitting.sheet.units;
        let force = Force::new(self.load_kg * G);
        let mut parts = vec![format!("load {}", force.shown(units))];
        let Some(posture) = &sitting.posture else {
            return parts.remove(0);
        };
        for m in &posture.quantities {
            let wanted = matches!(
                m.key,
                QuantityKey::Height(_) | QuantityKey::Roll | QuantityKey::LinkAngle(_)
            );
            let expected = self.quantities.iter().find(|(k, _)| *k == m.key);
            let (true, Some((_, expected))) = (wanted, expected) else {
                continue;
            };
            let number = |v: f64| {
                if m.key.is_angle() {
                    decimals(Angle::new(v).deg(), 2)
                } else {
                    decimals(Length::new(v).number(units), 1)
                }
            };
            let name = m.key.name(&sitting.sheet, &sitting.model);
            parts.push(format!(
                "{} {} (model {})",
                name.strip_prefix("height ").unwrap_or(&name),
                number(m.value),
                number(*expected)
            ));
        }
        let still = if sitting.still_since.is_some() {
            "STILL"
        } else {
            "moving"
        };
        parts.push(still.to_owned());
        parts.join(" | ")
    }
}
