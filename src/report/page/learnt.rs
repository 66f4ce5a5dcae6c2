//! What the readings say of the sheet's own numbers, in words.

use super::super::Basis;
use super::super::plans::unknown_words;
use super::{Learnt, figure};
use crate::advice::{Belief, Unknown};
use crate::compare::COVERAGE_95;
use crate::quantity::{Mass, Quantity, decimals};
use crate::statics::Parameter;

/// A number counts as learnt where its uncertainty fell to this share or less.
/// Chosen: a smaller change is no news to anybody.
const LEARNT: f64 = 0.9;

/// A shift with its half-width, in the unit of the unknown.
fn shown(basis: &Basis<'_>, unknown: Unknown, shift: f64, standard: f64) -> Option<[String; 2]> {
    let units = basis.sheet.units;
    let half = COVERAGE_95 * standard;
    let pair = |f: &dyn Fn(f64) -> String, unit: &str| {
        let value = f(shift);
        let sign = if value.starts_with(['-', '−']) {
            ""
        } else {
            "+"
        };
        [
            format!("{sign}{value}").replace('-', "−"),
            format!("{} {unit}", f(half)),
        ]
    };
    Some(match unknown {
        Unknown::Rate { .. }
        | Unknown::Model(Parameter::TyreFactor(_) | Parameter::RateFactor(_)) => {
            pair(&|v| decimals(100.0 * v, 1), "%")
        }
        Unknown::Model(Parameter::Mass(_)) => pair(
            &|v| decimals(Mass::new(v).number(units), 1),
            Mass::unit(units),
        ),
        Unknown::Model(Parameter::Collar(_) | Parameter::MassAt(..) | Parameter::TyreRadius(_)) => {
            pair(
                &|v| figure::bare(false, v, units),
                figure::unit(false, units),
            )
        }
        Unknown::Floor(_) => pair(&|v| figure::bare(true, v, units), "deg"),
        _ => return None,
    })
}

/// Every number of the sheet of which the readings told something.
pub fn learnt(basis: &Basis<'_>, belief: &Belief<'_>) -> Vec<Learnt> {
    belief
        .unknowns
        .iter()
        .enumerate()
        .filter_map(|(i, unknown)| {
            let before = belief.before(i);
            let (shift, after) = belief.of(*unknown)?;
            if after > LEARNT * before {
                return None;
            }
            let [_, wide] = shown(basis, *unknown, 0.0, before)?;
            let [value, narrow] = shown(basis, *unknown, shift, after)?;
            let what = match unknown {
                Unknown::Floor(0) => "the floor's roll".to_owned(),
                Unknown::Floor(_) => "the floor's pitch".to_owned(),
                other => unknown_words(basis, *other),
            };
            Some(Learnt {
                what,
                before: format!("as typed ± {wide}"),
                after: format!("{value} ± {narrow}"),
            })
        })
        .collect()
}
