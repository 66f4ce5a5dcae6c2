//! What hands do in a load test: steps of a plan as doings, and doings in words.
//!
//! In: planned visits, or what somebody typed. Out: loads to put on and off,
//! pressing and lifting. Refused: a load that is not known, a weight or place
//! without its unit.

use crate::quantity::{Dimension, Length, Mass, Point, Quantity, read};
use crate::sheet::{BuildSheet, NamedLoad};
use crate::trials::loadtest::{Approach, Load, PlacedLoad, Plan};

/// How well somebody knows a weight and a place that are typed, standard
/// uncertainties: a bathroom scale, the middle of a body.
pub(super) const TYPED_U: (f64, f64) = (1.0, 0.03);

/// One thing done.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Doing {
    /// A load of the test goes on, by its index.
    On(usize),
    /// A load comes off.
    Off(usize),
    /// Pressed down by hand and let come up slowly.
    Pressed,
    /// Lifted by hand and let down slowly.
    Lifted,
    /// Bounced until it rests of itself.
    Bounced,
}

/// A stop at which is read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stop {
    /// Of which visit it is a part.
    pub(super) visit: String,
    pub(super) doings: Vec<Doing>,
    pub(super) approach: Approach,
}

impl Doing {
    /// What to do.
    pub(super) fn words(self, loads: &[NamedLoad], sheet: &BuildSheet) -> String {
        let load = |i: usize| {
            loads.get(i).map_or_else(String::new, |l| {
                let [x, y, _] = l.at.m();
                let side = if y > 0.05 {
                    format!("{} left", Length::new(y).shown(sheet.units))
                } else if y < -0.05 {
                    format!("{} right", Length::new(-y).shown(sheet.units))
                } else {
                    "the middle".to_owned()
                };
                let way = if x < 0.0 { "behind" } else { "before" };
                format!(
                    "{} ({}) {} {way} the rear axle, {side}",
                    l.name,
                    l.mass.shown(sheet.units),
                    Length::new(x.abs()).shown(sheet.units)
                )
            })
        };
        match self {
            Self::On(i) => format!("on, gently, without a jolt: {}", load(i)),
            Self::Off(i) => format!("off, gently: {}", load(i)),
            Self::Pressed => {
                "leave what is on; press the frame down by hand and let it come up slowly"
                    .to_owned()
            }
            Self::Lifted => {
                "leave what is on; lift the frame by hand and let it down slowly".to_owned()
            }
            Self::Bounced => "bounce the frame by hand until it rests of itself".to_owned(),
        }
    }

    /// How the vehicle comes to rest after it.
    pub(super) const fn approach(self) -> Approach {
        match self {
            Self::On(_) | Self::Lifted => Approach::Loading,
            Self::Off(_) | Self::Pressed => Approach::Unloading,
            Self::Bounced => Approach::Bounced,
        }
    }
}

/// The loads of a test: those of the sheet, then those of the plan.
pub(super) fn index_of(loads: &mut Vec<NamedLoad>, load: &PlacedLoad) -> usize {
    let same = |l: &NamedLoad| {
        l.name == load.body
            && (l.mass.kg() - load.mass_kg).abs() < 1e-6
            && l.at
                .m()
                .iter()
                .zip(load.at_m)
                .all(|(a, b)| (a - b).abs() < 1e-6)
    };
    loads.iter().position(same).unwrap_or_else(|| {
        let [x, y, z] = load.at_m;
        loads.push(NamedLoad {
            name: load.body.clone(),
            mass: Mass::new(load.mass_kg),
            at: Point::from_mm(x * 1e3, y * 1e3, z * 1e3),
            mass_uncertainty: Mass::new(load.mass_uncertainty_kg),
            place_uncertainty: Length::new(load.place_uncertainty_m),
        });
        loads.len() - 1
    })
}

/// The stops of a plan, one after the other.
pub(super) fn stops(sheet: &BuildSheet, plan: &Plan, loads: &mut Vec<NamedLoad>) -> Vec<Stop> {
    let mut on: Vec<usize> = Vec::new();
    let mut all = Vec::new();
    for visit in &plan.visits {
        for (wanted, approach) in &visit.visit.stops {
            let wanted: Vec<usize> = wanted
                .iter()
                .filter_map(|l| match l {
                    Load::Named(i) => Some(*i),
                    Load::Placed(_) => Some(index_of(loads, &l.placed(sheet)?)),
                })
                .collect();
            let mut doings: Vec<Doing> = on
                .iter()
                .filter(|i| !wanted.contains(i))
                .map(|&i| Doing::Off(i))
                .chain(
                    wanted
                        .iter()
                        .filter(|i| !on.contains(i))
                        .map(|&i| Doing::On(i)),
                )
                .collect();
            if *approach == Approach::Bounced {
                doings.push(Doing::Bounced);
            } else if doings.is_empty() {
                doings.push(if *approach == Approach::Loading {
                    Doing::Lifted
                } else {
                    Doing::Pressed
                });
            }
            all.push(Stop {
                visit: visit.visit.name.clone(),
                doings,
                approach: *approach,
            });
            on = wanted;
        }
    }
    all
}

/// Reads `helper`, or `person 82 kg at 200 mm, 400 mm` (x forward, y to the left).
pub(super) fn load_typed(text: &str, loads: &mut Vec<NamedLoad>) -> Result<usize, String> {
    let text = text.trim();
    if let Some(i) = loads.iter().position(|l| l.name == text) {
        return Ok(i);
    }
    let form = || {
        let names: Vec<_> = loads.iter().map(|l| l.name.as_str()).collect();
        format!(
            "'{text}' is no load of the sheet ({}) and not of the form 'person 82 kg at 200 mm, 400 mm'",
            names.join(", ")
        )
    };
    let (what, place) = text.split_once(" at ").ok_or_else(form)?;
    let split = what
        .find(|c: char| c.is_ascii_digit())
        .filter(|&i| i > 0)
        .ok_or_else(form)?;
    let (name, weight) = what.split_at(split);
    let number = |text: &str, due| {
        read(text, due)
            .map(|w| w.si)
            .map_err(|e| format!("'{text}': {}. {}", e.reason(), e.help()))
    };
    let mass_kg = number(weight, Dimension::Mass)?;
    let mut parts = place.split(',').map(|p| number(p, Dimension::Length));
    let (Some(x), Some(y)) = (parts.next(), parts.next()) else {
        return Err(form());
    };
    let z = parts.next().unwrap_or(Ok(0.3))?;
    let (mass_uncertainty_kg, place_uncertainty_m) = TYPED_U;
    Ok(index_of(
        loads,
        &PlacedLoad {
            body: name.trim().to_owned(),
            mass_kg,
            mass_uncertainty_kg,
            at_m: [x?, y?, z],
            place_uncertainty_m,
        },
    ))
}
