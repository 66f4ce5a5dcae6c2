//! A sheet as meant: what was typed, checked against itself.
//!
//! In: the tree of typed values. Out: the [`BuildSheet`], where nothing is
//! wrong. Refused, all of it at once: what cannot be, with the place of the
//! value that would have to change.

mod arms;
mod axles;
mod coilovers;
mod holes;
mod plans;
mod sensors;
mod shelf;
mod springs;
mod stations;
mod weights;

pub(super) use plans::plans;

use std::collections::BTreeMap;

use super::mistakes::{Found, Place, Wrong};
use super::tree::{Placed, Typed};
use super::vehicle::{BuildSheet, Support};
use crate::quantity::{Length, Quantity, UnitSystem, nearest};

/// Half-width to standard deviation of an even spread.
///
/// Source: JCGM 100:2008, 4.3.7.
pub(super) fn standard<Q: Quantity + std::ops::Div<f64, Output = Q>>(limit: Q) -> Q {
    limit / 3.0_f64.sqrt()
}

/// The same for a share.
pub(super) fn standard_share(limit: f64) -> f64 {
    limit / 3.0_f64.sqrt()
}

/// The whole sheet, where it can be made; `found` says what is wrong.
pub(super) fn sheet(typed: &Typed, found: &mut Vec<Found>) -> Option<BuildSheet> {
    let mut check = Check { found };
    let units = match typed.text("units").map(|u| u.value).as_deref() {
        Some("inch") => UnitSystem::Inch,
        _ => UnitSystem::Metric,
    };
    let name = typed.text("name").map(|n| n.value);
    let frame = typed.table("frame");
    let wheelbase = frame.and_then(|f| f.length("wheelbase"));
    let design_height = frame.and_then(|f| f.length("design_height"));

    let stations = check.stations(typed);
    let datum = design_height.map(|h| h.value);
    let rear = check.axle(typed, axles::End::Rear, Some(Length::ZERO), datum);
    let front = check.axle(typed, axles::End::Front, wheelbase.map(|w| w.value), datum);
    let axles: Option<Vec<_>> = [rear, front].into_iter().collect();
    if let Some(axles) = &axles {
        check.something_is_sprung(typed, axles);
    }
    let sprung = check.weight(typed, axles.as_deref(), wheelbase.map(|w| w.value));
    let loads = check.loads(typed);
    let cases = check.cases(typed, &loads);
    let links = check.link_names(typed);
    let targets = check.targets(typed, &stations, &cases, &links);
    let shelf = check.shelf(typed);
    let floor = Check::floor(typed);
    let sensors = check.sensors(typed);

    Some(BuildSheet {
        name: name?,
        units,
        wheelbase: wheelbase?.value,
        design_height: design_height?.value,
        stations,
        axles: axles?,
        sprung: sprung?,
        loads,
        cases,
        targets,
        shelf,
        floor: floor?,
        sensors,
    })
}

/// Collects what is wrong.
struct Check<'f> {
    found: &'f mut Vec<Found>,
}

impl Check<'_> {
    fn wrong(&mut self, at: Place, wrong: Wrong) {
        self.found.push(Found::new(at, wrong));
    }

    /// Complains where a key is not there at all; one that is there and not
    /// readable was complained of already.
    fn need(&mut self, typed: &Typed, key: &str, about: &'static str) {
        if !typed.has(key) {
            let key = typed.path_of(key);
            self.wrong(typed.at, Wrong::Missing { key, about });
        }
    }

    /// Complains of keys that are there but do not go with something.
    fn refuse(&mut self, typed: &Typed, keys: &[&str], with: &'static str, instead: &'static str) {
        for key in keys.iter().filter(|k| typed.has(k)) {
            self.wrong(
                typed.place(key),
                Wrong::NotHere {
                    key: typed.path_of(key),
                    with,
                    instead,
                },
            );
        }
    }

    /// Complains of names given twice.
    fn doubled(&mut self, what: &'static str, names: &[Placed<String>]) {
        let mut first: BTreeMap<&str, Place> = BTreeMap::new();
        for name in names {
            if let Some(before) = first.get(name.value.as_str()) {
                let wrong = Wrong::DoubledName {
                    what,
                    name: name.value.clone(),
                };
                self.found
                    .push(Found::new(name.at, wrong).and(*before, "the other one"));
            } else {
                first.insert(&name.value, name.at);
            }
        }
    }

    /// The index of a name among those there are, or a complaint.
    fn index_of(
        &mut self,
        what: &'static str,
        name: &Placed<String>,
        known: &[String],
    ) -> Option<usize> {
        let index = known.iter().position(|k| *k == name.value);
        if index.is_none() {
            self.wrong(
                name.at,
                Wrong::UnknownName {
                    what,
                    name: name.value.clone(),
                    meant: nearest(&name.value, known.iter().map(String::as_str))
                        .map(ToOwned::to_owned),
                    known: known.to_vec(),
                },
            );
        }
        index
    }

    fn something_is_sprung(&mut self, typed: &Typed, axles: &[super::vehicle::Axle]) {
        if axles
            .iter()
            .all(|a| matches!(a.support, Support::Stands(_)))
        {
            let at = typed
                .table("front")
                .map_or(typed.at, |t| t.place("stands_on"));
            self.wrong(at, Wrong::NothingSprung);
        }
    }
}
