//! Stations, cases, targets and the floor.
//!
//! In: those tables. Out: the same as meant. Refused: names that nothing has
//! or that are given twice.

use super::super::form::{FLOOR, assumed_si};
use super::super::mistakes::Wrong;
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{
    AngleTarget, Floor, HeightTarget, LoadCase, NamedLoad, Station, Targets,
};
use super::{Check, standard};
use crate::quantity::{Angle, Length, Point};

impl Check<'_> {
    pub(super) fn stations(&mut self, typed: &Typed) -> Vec<Station> {
        let mut stations = Vec::new();
        let mut names = Vec::new();
        for one in typed.tables("station") {
            let Some(name) = one.text("name") else {
                continue;
            };
            // A station that is wrong elsewhere still has its name, so that
            // targets which name it are not complained of.
            let at = one.point("at").unwrap_or(Placed {
                value: Point::default(),
                at: one.at,
            });
            let mirror = one.flag("mirror").map(|m| m.value);
            // Where it cannot be read, it may be the one or the other.
            let unclear = mirror.is_none();
            let mirror = mirror == Some(true);
            if mirror && one.point("at").is_some() && at.value.y.m().abs() < 1e-9 {
                let name = name.value.clone();
                self.wrong(at.at, Wrong::NoMirror { name });
            }
            let both = [
                ("left", at.value.y.m() > 0.0),
                ("right", at.value.y.m() < 0.0),
            ];
            let mut made: Vec<(String, _)> = if mirror || unclear {
                both.iter()
                    .map(|(side, as_given)| {
                        let point = if *as_given {
                            at.value
                        } else {
                            at.value.mirrored()
                        };
                        (format!("{} {side}", name.value), point)
                    })
                    .collect()
            } else {
                Vec::new()
            };
            if !mirror {
                made.push((name.value, at.value));
            }
            for (made_name, at) in made {
                names.push(Placed {
                    value: made_name.clone(),
                    at: name.at,
                });
                stations.push(Station {
                    name: made_name,
                    at,
                });
            }
        }
        self.doubled("stations", &names);
        stations
    }

    pub(super) fn cases(&mut self, typed: &Typed, loads: &[NamedLoad]) -> Vec<LoadCase> {
        let mut cases = Vec::new();
        let mut names = Vec::new();
        let known: Vec<String> = loads.iter().map(|l| l.name.clone()).collect();
        for one in typed.tables("case") {
            let mut indices = Vec::new();
            for load in one.names("loads") {
                if let Some(index) = self.index_of("load", load, &known) {
                    indices.push(index);
                }
            }
            self.doubled("loads in one case", one.names("loads"));
            if let Some(name) = one.text("name") {
                cases.push(LoadCase {
                    name: name.value.clone(),
                    loads: indices,
                });
                names.push(name);
            }
        }
        self.doubled("cases", &names);
        if cases.is_empty() {
            cases.push(LoadCase {
                name: "bare".to_owned(),
                loads: Vec::new(),
            });
        }
        cases
    }

    pub(super) fn targets(
        &mut self,
        typed: &Typed,
        stations: &[Station],
        cases: &[LoadCase],
        links: &[String],
    ) -> Targets {
        let mut targets = Targets {
            case: cases.len().saturating_sub(1),
            heights: Vec::new(),
            roll: None,
            pitch: None,
            links: Vec::new(),
        };
        let Some(target) = typed.table("target") else {
            return targets;
        };
        let case_names: Vec<String> = cases.iter().map(|c| c.name.clone()).collect();
        if let Some(case) = target.text("case")
            && let Some(index) = self.index_of("case", &case, &case_names)
        {
            targets.case = index;
        }
        let angle = |key: &str, tolerance: &str| {
            Some(AngleTarget {
                angle: target.angle(key)?.value,
                tolerance: target.angle(tolerance)?.value,
            })
        };
        targets.roll = angle("roll", "roll_tolerance");
        targets.pitch = angle("pitch", "pitch_tolerance");

        let station_names: Vec<String> = stations.iter().map(|s| s.name.clone()).collect();
        let mut named = Vec::new();
        for one in target.tables("height") {
            let Some(name) = one.text("station") else {
                continue;
            };
            let index = self.index_of("station", &name, &station_names);
            named.push(name);
            if let (Some(station), Some(height), Some(tolerance)) =
                (index, one.length("height"), one.length("tolerance"))
            {
                targets.heights.push(HeightTarget {
                    station,
                    height: height.value,
                    tolerance: tolerance.value,
                });
            }
        }
        self.doubled("target heights for a station", &named);
        let mut named = Vec::new();
        for one in target.tables("link") {
            let Some(name) = one.text("link") else {
                continue;
            };
            let index = self.index_of("link", &name, links);
            if let (Some(_), Some(angle), Some(tolerance)) =
                (index, one.angle("angle"), one.angle("tolerance"))
            {
                targets.links.push((
                    name.value.clone(),
                    AngleTarget {
                        angle: angle.value,
                        tolerance: tolerance.value,
                    },
                ));
            }
            named.push(name);
        }
        self.doubled("target angles for a link", &named);
        targets
    }

    /// The floor; what is not said is assumed as the form says.
    pub(super) fn floor(typed: &Typed) -> Option<Floor> {
        let table = typed.table("floor");
        let si = |key: &str| match table {
            Some(table) => table.si(key).map(|q| q.value.0),
            None => assumed_si(&FLOOR, key),
        };
        Some(Floor {
            roll: Angle::new(si("roll")?),
            pitch: Angle::new(si("pitch")?),
            slope_uncertainty: standard(Angle::new(si("slope_uncertainty")?)),
            flatness: standard(Length::new(si("flatness")?)),
            under_wheels: [[Length::ZERO; 2]; 2],
        })
    }
}
