//! Springs known by measuring: a leaf or coil by heights under weights, an air
//! spring by its table.
//!
//! In: the tables of a spring. Out: the spring. Refused: two ways at once to say
//! how hard it is, rows that are no spring, lengths that follow from the rows.

use super::super::measured::{AirRow, NoSpring, air_spring, measured_spring};
use super::super::mistakes::{Found, Place, Wrong};
use super::super::tree::Typed;
use super::super::vehicle::Spring;
use super::coilovers::Layered;
use super::{Check, standard_share};
use crate::quantity::{Force, Length};

/// The ways to say how hard a spring is.
pub(super) const KINDS: [&str; 4] = ["rate", "table", "measured", "air_table"];

impl Check<'_> {
    /// The one way of a table; complains where there are two.
    pub(super) fn only_kind(&mut self, table: &Typed) -> Option<&'static str> {
        let mut there = KINDS.into_iter().filter(|k| table.has(k));
        let first = there.next()?;
        // Rate and table are looked at where the curve is made.
        if let Some(other) = there.find(|other| (first, *other) != ("rate", "table")) {
            let wrong = Wrong::Twice {
                one: table.path_of(first),
                other: table.path_of(other),
            };
            let found = Found::new(table.place(first), wrong);
            self.found
                .push(found.and(table.place(other), "the other one"));
            return None;
        }
        Some(first)
    }

    /// A spring by its rows; lengths follow from them.
    pub(super) fn known_by_measuring(
        &mut self,
        spring: &Layered<'_>,
        table: &Typed,
        kind: &'static str,
    ) -> Option<Spring> {
        for layer in [spring.over, spring.under].into_iter().flatten() {
            self.refuse(
                layer,
                &["free_length", "solid_length"],
                "a spring given by measured heights",
                "take it out: the heights say it",
            );
        }
        let uncertainty = standard_share(spring.rate_tolerance()?);
        let key = table.path_of(kind);
        if kind == "measured" {
            let (rows, at) = table.rows(kind)?;
            let points: Vec<_> = rows
                .iter()
                .map(|r| (Length::new(r.value.0), Force::new(r.value.1)))
                .collect();
            let places: Vec<Place> = rows.iter().map(|r| r.at).collect();
            return measured_spring(&points, uncertainty)
                .map_err(|why| self.no_spring(why, &key, at, &places, None))
                .ok();
        }
        let (rows, at) = table.triples(kind)?;
        let air: Vec<AirRow> = rows
            .iter()
            .map(|r| AirRow {
                height: Length::new(r.value[0]),
                pressure_pa: r.value[1],
                force: Force::new(r.value[2]),
            })
            .collect();
        let places: Vec<Place> = rows.iter().map(|r| r.at).collect();
        let held = spring.with("air_pressure");
        let pressure = match held {
            Some(table) => Some(table.si("air_pressure")?.value.0),
            None => None,
        };
        let said = held.zip(pressure);
        air_spring(&air, pressure, uncertainty)
            .map_err(|why| self.no_spring(why, &key, at, &places, said))
            .ok()
    }

    fn no_spring(
        &mut self,
        why: NoSpring,
        key: &str,
        at: Place,
        rows: &[Place],
        pressure: Option<(&Typed, f64)>,
    ) {
        let row_at = |row: usize| rows.get(row).copied().unwrap_or(at);
        let beside = key.replace("air_table", "air_pressure");
        let found = match why {
            NoSpring::TooFew { heights } => Found::new(
                at,
                Wrong::ListLength {
                    key: key.to_owned(),
                    due: "two or more heights",
                    found: heights,
                },
            ),
            NoSpring::NotPushingMore { taller, lower } => Found::new(
                row_at(lower),
                Wrong::NotPushingMore {
                    key: key.to_owned(),
                    taller: taller + 1,
                    lower: lower + 1,
                },
            )
            .and(row_at(taller), "the taller row"),
            NoSpring::PressureOutside {
                row,
                least_pa,
                most_pa,
            } => {
                let (place, pressure_key, pressure) = match pressure {
                    Some((table, p)) => (
                        table.place("air_pressure"),
                        table.path_of("air_pressure"),
                        p,
                    ),
                    None => (at, beside, f64::NAN),
                };
                Found::new(
                    place,
                    Wrong::PressureOutside {
                        pressure_key,
                        pressure,
                        table_key: key.to_owned(),
                        row: row + 1,
                        least: least_pa,
                        most: most_pa,
                    },
                )
                .and(row_at(row), "a row of that height")
            }
            NoSpring::PressureMissing { row } => Found::new(
                at,
                Wrong::PressureMissing {
                    table_key: key.to_owned(),
                    pressure_key: beside,
                },
            )
            .and(row_at(row), "a row of such a height"),
        };
        self.found.push(found);
    }
}
