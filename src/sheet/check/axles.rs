//! The two ends of the vehicle: what each stands on and hangs on.
//!
//! In: the table of an end. Out: the axle as meant. Refused: keys that do not
//! go with the kind of axle, links that cannot be.

use super::super::mistakes::{Found, Place, Wrong};
use super::super::tree::Typed;
use super::super::vehicle::{Axle, Corner, LateralLink, Side, Stand, Support, Suspension, Tyre};
use super::coilovers::{Layers, WhereDesigned};
use super::{Check, standard_share};
use crate::quantity::{Angle, Length, Mass};

/// A link that holds the axle farther to the side than this in the design
/// position has a wrong length. Chosen: five times what a bad tape gives.
const MOST_SIDE_SHIFT: Length = Length::from_mm(50.0);
/// A lateral link steeper than this does not locate the axle any more.
/// Common practice keeps it within some degrees of level; chosen well beyond.
const STEEPEST_LINK: Angle = Angle::from_deg(60.0);

/// Which end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    Rear,
    Front,
}

impl End {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Rear => "rear",
            Self::Front => "front",
        }
    }
}

/// Keys that only a solid axle has.
const SOLID_ONLY: &[&str] = &["link", "upper_hole", "lower_hole"];
/// Keys that only independent corners have.
const INDEPENDENT_ONLY: &[&str] = &["motion_ratio", "motion_ratio_table", "roll_centre"];
/// Keys that any axle has and no axle has not.
const AXLE_ONLY: &[&str] = &[
    "track",
    "unsprung",
    "axle_height",
    "tyre",
    "blocks",
    "spring",
    "coilover",
    "collar",
    "left",
    "right",
    "arm",
    "anti_roll_bar",
];

impl Check<'_> {
    pub(super) fn axle(
        &mut self,
        typed: &Typed,
        end: End,
        x: Option<Length>,
        datum: Option<Length>,
    ) -> Option<Axle> {
        let table = typed.table(end.word())?;
        let kind = table.text("axle")?.value;
        let stands_on = table.text("stands_on");
        let stands_on_place = table.place("stands_on");
        let stands_on = stands_on.map(|s| s.value).unwrap_or_default();
        if kind == "none" {
            return self.no_axle(table, end, x, &stands_on);
        }
        let support = self.support(table, &stands_on);
        self.need(table, "track", "between the wheel centre planes");
        self.need(
            table,
            "unsprung",
            "what is not on the springs at this end, for example \"95 kg\"",
        );
        let design_height = self.design_height(table);
        let where_designed = WhereDesigned {
            axle_x: x,
            axle_height: design_height,
            datum,
        };
        let suspension = if kind == "solid" {
            self.refuse(
                table,
                INDEPENDENT_ONLY,
                "a solid axle",
                "take it out, or write 'axle = \"independent\"'",
            );
            self.solid(table, end, &where_designed, &stands_on, stands_on_place)
        } else {
            self.refuse(
                table,
                SOLID_ONLY,
                "independent corners",
                "take it out, or write 'axle = \"solid\"'",
            );
            self.independent(table, end, &where_designed)
        };
        let anti_roll_bar = table.table("anti_roll_bar").and_then(|bar| {
            let connected = bar.flag("connected").is_none_or(|c| c.value);
            bar.roll_rate("roll_rate")
                .filter(|_| connected)
                .map(|r| r.value)
        });
        Some(Axle {
            name: end.word().to_owned(),
            x: x?,
            track: table.length("track")?.value,
            unsprung: table.mass("unsprung")?.value,
            design_height: design_height?,
            support: support?,
            suspension: suspension?,
            anti_roll_bar,
        })
    }

    /// An end without an axle: the frame on stands.
    fn no_axle(
        &mut self,
        table: &Typed,
        end: End,
        x: Option<Length>,
        stands_on: &str,
    ) -> Option<Axle> {
        for keys in [AXLE_ONLY, SOLID_ONLY, INDEPENDENT_ONLY] {
            self.refuse(
                table,
                keys,
                "an end without an axle",
                "take it out, or say what kind of axle there is",
            );
        }
        if stands_on != "stands" {
            self.wrong(
                table.place("axle"),
                Wrong::NoAxleNoStands { end: end.word() },
            );
            return None;
        }
        Some(Axle {
            name: end.word().to_owned(),
            x: x?,
            track: Length::ZERO,
            unsprung: Mass::ZERO,
            design_height: Length::ZERO,
            support: self.support(table, stands_on)?,
            suspension: Suspension::Solid {
                coilovers: Vec::new(),
                link: None,
            },
            anti_roll_bar: None,
        })
    }

    fn support(&mut self, table: &Typed, stands_on: &str) -> Option<Support> {
        match stands_on {
            "tyres" => {
                self.need(table, "tyre", "a table with 'radius' and 'rate'");
                let tyre = table.table("tyre")?;
                Some(Support::Tyres(Tyre {
                    radius: tyre.length("radius")?.value,
                    rate: tyre.spring_rate("rate")?.value,
                    rate_uncertainty: standard_share(tyre.si("rate_uncertainty")?.value.0),
                }))
            }
            "blocks" => {
                self.need(table, "blocks", "a table with 'height'");
                let (left, right) = self.blocks(table.table("blocks")?)?;
                Some(Support::Blocks { left, right })
            }
            "stands" => {
                self.need(
                    table,
                    "stand",
                    "at least one [[stand]] with 'at' and 'height'",
                );
                let stands: Option<Vec<Stand>> = table
                    .tables("stand")
                    .iter()
                    .map(|stand| {
                        Some(Stand {
                            at: stand.point("at")?.value,
                            height: stand.length("height")?.value,
                        })
                    })
                    .collect();
                stands.filter(|s| !s.is_empty()).map(Support::Stands)
            }
            _ => None,
        }
    }

    fn blocks(&mut self, blocks: &Typed) -> Option<(Length, Length)> {
        let height = blocks.length("height").map(|h| h.value);
        if !blocks.has("height") {
            for key in ["left", "right"] {
                self.need(blocks, key, "wheel centre height; or 'height' for both");
            }
        }
        let side = |key: &str| blocks.length(key).map(|h| h.value).or(height);
        Some((side("left")?, side("right")?))
    }

    /// The design height of the wheel centre: as typed, or the tyre's radius,
    /// or the mean of the blocks.
    fn design_height(&mut self, table: &Typed) -> Option<Length> {
        if table.has("axle_height") {
            return table.length("axle_height").map(|h| h.value);
        }
        if table.has("tyre") {
            return table.table("tyre")?.length("radius").map(|r| r.value);
        }
        if let Some(blocks) = table.table("blocks") {
            let height = blocks.length("height").map(|h| h.value);
            let side = |key: &str| blocks.length(key).map(|h| h.value).or(height);
            return Some((side("left")? + side("right")?) / 2.0);
        }
        if !table.has("blocks") {
            self.need(
                table,
                "axle_height",
                "height of the wheel centre over the floor as designed",
            );
        }
        None
    }

    fn solid(
        &mut self,
        table: &Typed,
        end: End,
        designed: &WhereDesigned,
        stands_on: &str,
        stands_on_place: Place,
    ) -> Option<Suspension> {
        let coilovers = if table.has("coilover") {
            self.coilovers(table, end, designed)
        } else {
            if stands_on != "stands" {
                self.wrong(stands_on_place, Wrong::NoSuspension { end: end.word() });
            }
            Some(Vec::new())
        };
        let link = if table.has("link") {
            Some(self.link(table.table("link")?, designed))
        } else {
            None
        };
        Some(Suspension::Solid {
            coilovers: coilovers?,
            link: match link {
                Some(made) => Some(made?),
                None => None,
            },
        })
    }

    /// A lateral link; its length, where not typed, from the design position.
    fn link(&mut self, typed: &Typed, designed: &WhereDesigned) -> Option<LateralLink> {
        let name = typed.text("name")?.value;
        let frame_end = typed.point("frame_end")?.value;
        let axle_end = typed.point("axle_end")?.value;
        let [x, y, z] = designed.between(frame_end, axle_end)?.m();
        let apart = (x * x + y * y + z * z).sqrt();
        let at = typed.place("axle_end");
        if apart < 1e-3 {
            self.wrong(at, Wrong::LinkNoLength { name });
            return None;
        }
        // Steepness seen from behind: what is left to hold the axle sideways.
        let steep = z.hypot(x).atan2(y.abs());
        if steep > STEEPEST_LINK.rad() {
            let wrong = Wrong::LinkSteep {
                name,
                degrees: steep.to_degrees(),
            };
            let found = Found::new(at, wrong).and(typed.place("frame_end"), "the other end");
            self.found.push(found);
            return None;
        }
        let length = match typed.length("length") {
            Some(length) => {
                let off_line = x.hypot(z);
                let reach = length.value.m().powi(2) - off_line.powi(2);
                if reach < 0.0 {
                    self.wrong(
                        length.at,
                        Wrong::LinkTooShort {
                            name,
                            length: length.value,
                            apart: Length::new(off_line),
                        },
                    );
                    return None;
                }
                let shift = Length::new(reach.sqrt() - y.abs()).abs();
                if shift > MOST_SIDE_SHIFT {
                    self.wrong(
                        length.at,
                        Wrong::LinkSideShift {
                            name,
                            length: length.value,
                            shift,
                        },
                    );
                    return None;
                }
                length.value
            }
            None if typed.has("length") => return None,
            None => Length::new(apart),
        };
        Some(LateralLink {
            name,
            frame_end,
            axle_end,
            length,
        })
    }

    fn independent(
        &mut self,
        table: &Typed,
        end: End,
        designed: &WhereDesigned,
    ) -> Option<Suspension> {
        let on_arms = table.has("arm");
        let ratio = if on_arms {
            self.one_way(table)
        } else {
            self.motion_ratio(table)
        };
        self.need(
            table,
            "coilover",
            if on_arms {
                "a table with 'extended', 'compressed', 'upper' and 'lower'"
            } else {
                "a table with 'extended', 'compressed' and 'design_length'"
            },
        );
        self.corner_keys(table, on_arms);
        let track = table.length("track").map(|t| t.value);
        let corner = |check: &mut Self, side: Side| {
            let layers = Layers::of(table, side);
            let unit = check.unit(&layers);
            let (arm, design) = if on_arms {
                let found = check.corner_on_arm(&layers, end, designed, track);
                (found.map(|f| f.0), found.map(|f| f.1))
            } else {
                (None, check.corner_length(&layers))
            };
            Some(Corner {
                name: format!("{} {}", end.word(), super::coilovers::side_word(side)),
                unit: unit?,
                design_length: design?,
                motion_ratio: ratio.clone()?,
                arm,
            })
        };
        let left = corner(self, Side::Left);
        let right = corner(self, Side::Right);
        Some(Suspension::Independent {
            left: left?,
            right: right?,
            roll_centre: table.length("roll_centre").map(|h| h.value),
        })
    }

    /// Complains of keys that do not go with corners, on arms or by a ratio.
    fn corner_keys(&mut self, table: &Typed, on_arms: bool) {
        let (keys, with, instead): (&[&str], _, _) = if on_arms {
            (
                &["design_length"],
                "coilovers on arms",
                "take it out: the mounts say how long it is",
            )
        } else {
            (
                &["upper", "lower"],
                "independent corners by a motion ratio",
                "the motion ratio stands for the mounts; give 'design_length', or an [arm]",
            )
        };
        if let Some(unit) = table.table("coilover") {
            self.refuse(unit, keys, with, instead);
        }
        for side in ["left", "right"].iter().filter_map(|s| table.table(s)) {
            self.refuse(
                side,
                &["upper_hole", "lower_hole"],
                "independent corners",
                "take it out, or write 'axle = \"solid\"'",
            );
            if let Some(unit) = side.table("coilover") {
                self.refuse(unit, keys, with, instead);
                if !on_arms {
                    self.refuse(unit, &["mirror"], with, instead);
                }
            }
        }
    }

    /// An arm stands for the motion ratio; none where both are there.
    fn one_way(&mut self, table: &Typed) -> Option<Vec<(Length, f64)>> {
        let ratio = ["motion_ratio", "motion_ratio_table"];
        let Some(key) = ratio.into_iter().find(|k| table.has(k)) else {
            return Some(Vec::new());
        };
        let wrong = Wrong::Twice {
            one: table.path_of(key),
            other: table.path_of("arm"),
        };
        self.found
            .push(Found::new(table.place(key), wrong).and(table.place("arm"), "the other one"));
        None
    }

    fn motion_ratio(&mut self, table: &Typed) -> Option<Vec<(Length, f64)>> {
        match (table.has("motion_ratio"), table.has("motion_ratio_table")) {
            (true, true) => {
                let wrong = Wrong::Twice {
                    one: table.path_of("motion_ratio"),
                    other: table.path_of("motion_ratio_table"),
                };
                self.found.push(
                    Found::new(table.place("motion_ratio"), wrong)
                        .and(table.place("motion_ratio_table"), "the other one"),
                );
                None
            }
            (false, false) => {
                self.need(
                    table,
                    "motion_ratio",
                    "spring travel over wheel travel, a bare number such as 0.62",
                );
                None
            }
            (true, false) => Some(vec![(Length::ZERO, table.number("motion_ratio")?.value)]),
            (false, true) => {
                let (rows, at) = table.rows("motion_ratio_table")?;
                let key = table.path_of("motion_ratio_table");
                if rows.is_empty() {
                    let wrong = Wrong::ListLength {
                        key,
                        due: "one or more rows",
                        found: 0,
                    };
                    self.wrong(at, wrong);
                    return None;
                }
                self.rising(rows, &key, false).then(|| {
                    rows.iter()
                        .map(|r| (Length::new(r.value.0), r.value.1))
                        .collect()
                })
            }
        }
    }

    /// Names of the links there are, readable otherwise or not.
    pub(super) fn link_names(&mut self, typed: &Typed) -> Vec<String> {
        let names: Vec<_> = [End::Rear, End::Front]
            .iter()
            .filter_map(|end| typed.table(end.word())?.table("link")?.text("name"))
            .collect();
        self.doubled("links", &names);
        names.into_iter().map(|name| name.value).collect()
    }
}
