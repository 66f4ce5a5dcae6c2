//! Coilovers: unit, spring, collar and mounts, left and right.
//!
//! In: the tables of an end, with what differs on a side laid over what is
//! common. Out: the coilovers as meant. Refused: lengths, ranges and mounts
//! that cannot be.

use super::super::form::{COLLAR, SPRING, assumed_si};
use super::super::mistakes::{Found, Place, Wrong};
use super::super::series::in_series;
use super::super::tree::{Placed, Row, Typed};
use super::super::vehicle::{Coilover, CoiloverUnit, Collar, Side, Spring, SpringCurve};
use super::axles::End;
use super::springs::KINDS;
use super::{Check, standard, standard_share};
use crate::quantity::{Force, Length, Point};

/// What is common to both sides, with what differs on one laid over it.
pub(super) struct Layers<'t> {
    /// The end's own table.
    pub(super) end: &'t Typed,
    pub(super) side: Side,
    /// The table of the side, where there is one.
    pub(super) own: Option<&'t Typed>,
}

/// One table of the layers: the side's first, then the common one.
pub(super) struct Layered<'t> {
    pub(super) over: Option<&'t Typed>,
    pub(super) under: Option<&'t Typed>,
    end: &'t Typed,
    key: &'static str,
}

pub(super) fn side_word(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

impl<'t> Layers<'t> {
    pub(super) fn of(end: &'t Typed, side: Side) -> Self {
        Self {
            end,
            side,
            own: end.table(side_word(side)),
        }
    }

    fn of_table(&self, key: &'static str) -> Layered<'t> {
        Layered {
            over: self.own.and_then(|t| t.table(key)),
            under: self.end.table(key),
            end: self.end,
            key,
        }
    }
}

impl<'t> Layered<'t> {
    /// The table that has the key, the side's first.
    pub(super) fn with(&self, key: &str) -> Option<&'t Typed> {
        [self.over, self.under]
            .into_iter()
            .flatten()
            .find(|t| t.has(key))
    }

    fn length(&self, key: &str) -> Option<Placed<Length>> {
        self.with(key)?.length(key)
    }

    /// The table that has one of the keys, the side's first.
    pub(super) fn with_any(&self, keys: &[&str]) -> Option<&'t Typed> {
        [self.over, self.under]
            .into_iter()
            .flatten()
            .find(|t| keys.iter().any(|k| t.has(k)))
    }

    /// The tolerance of the rate. The side's table assumes nothing, so where only
    /// that is there it is the form's.
    pub(super) fn rate_tolerance(&self) -> Option<f64> {
        match self.with("rate_tolerance") {
            Some(table) => Some(table.si("rate_tolerance")?.value.0),
            None => assumed_si(&SPRING, "rate_tolerance"),
        }
    }

    fn missing(&self) -> bool {
        self.over.is_none() && self.under.is_none()
    }

    /// The tables' heading, or the end's where there are none.
    fn heading(&self) -> Place {
        self.under.or(self.over).map_or(self.end.at, |t| t.at)
    }
}

/// Where frame and axle are as designed; what of it could be read.
pub(super) struct WhereDesigned {
    pub(super) axle_x: Option<Length>,
    pub(super) axle_height: Option<Length>,
    pub(super) datum: Option<Length>,
}

impl WhereDesigned {
    /// From an axle point to a frame point in the design position.
    pub(super) fn between(&self, frame: Point, axle: Point) -> Option<Point> {
        let on_frame = frame + Point::new(Length::ZERO, Length::ZERO, self.datum?);
        let on_axle = axle + Point::new(self.axle_x?, Length::ZERO, self.axle_height?);
        Some(on_frame - on_axle)
    }

    /// The left wheel centre as designed, frame point.
    pub(super) fn wheel_on_frame(&self, track: Length) -> Option<Point> {
        let up = self.axle_height? - self.datum?;
        Some(Point::new(self.axle_x?, track / 2.0, up))
    }
}

impl Check<'_> {
    pub(super) fn need_layered(&mut self, layers: &Layered<'_>, key: &str, about: &'static str) {
        if layers.with(key).is_none() {
            self.wrong(
                layers.heading(),
                Wrong::Missing {
                    key: format!("{}.{key}", layers.end.path_of(layers.key)),
                    about,
                },
            );
        }
    }

    /// Unit, spring and collar of a side.
    pub(super) fn unit(&mut self, layers: &Layers<'_>) -> Option<CoiloverUnit> {
        let spring = self.spring(layers);
        let collar = self.collar(layers);
        let unit = layers.of_table("coilover");
        if unit.missing() {
            return None;
        }
        self.need_layered(&unit, "extended", "eye to eye, pulled out");
        self.need_layered(&unit, "compressed", "eye to eye, pushed in");
        let extended = unit.length("extended");
        let compressed = unit.length("compressed");
        let hardware = unit.length("hardware");
        if let (Some(extended), Some(compressed)) = (extended, compressed)
            && compressed.value >= extended.value
        {
            let wrong = Wrong::CompressedNotShorter {
                compressed: compressed.value,
                extended: extended.value,
            };
            let found = Found::new(compressed.at, wrong).and(extended.at, "extended");
            self.found.push(found);
        }
        let (extended, hardware) = (extended?, hardware?);
        let collar = collar?;
        let taken = hardware.value + collar.height;
        if taken >= extended.value {
            self.wrong(
                hardware.at,
                Wrong::NoRoomForSpring {
                    hardware: taken,
                    extended: extended.value,
                },
            );
        }
        Some(CoiloverUnit {
            extended: extended.value,
            compressed: compressed?.value,
            hardware: hardware.value,
            spring: spring?,
            collar,
            friction: unit.with("friction")?.force("friction")?.value,
        })
    }

    fn spring(&mut self, layers: &Layers<'_>) -> Option<Spring> {
        let spring = layers.of_table("spring");
        if spring.missing() && !layers.end.has("spring") {
            self.wrong(
                layers.end.at,
                Wrong::Missing {
                    key: layers.end.path_of("spring"),
                    about: "a table with 'rate' and 'free_length'",
                },
            );
            return None;
        }
        let main = self.one_spring(&spring);
        let Some(helper) = layers.end.table("helper_spring") else {
            return main;
        };
        self.with_helper(main, helper, layers.end)
    }

    /// The pair as one spring.
    fn with_helper(&mut self, main: Option<Spring>, helper: &Typed, end: &Typed) -> Option<Spring> {
        let soft = self.one_spring(&Layered {
            over: None,
            under: Some(helper),
            end,
            key: "helper_spring",
        });
        let stop = helper.length("stop");
        if stop.is_none() {
            self.need(
                helper,
                "solid_length",
                "length with the coils touching; or 'stop'",
            );
        }
        let (main, soft) = (main?, soft?);
        let room = soft.solid_length.map(|solid| soft.free_length - solid);
        if let (Some(stop), Some(room)) = (stop, room)
            && stop.value > room
        {
            let wrong = Wrong::StopAfterCoils {
                stop: stop.value,
                room,
            };
            let found =
                Found::new(stop.at, wrong).and(helper.place("solid_length"), "solid length");
            self.found.push(found);
        }
        let between = helper.length("between")?.value;
        Some(in_series(&main, &soft, stop.map(|s| s.value), between))
    }

    /// A spring that stands in a table of its own.
    pub(super) fn stock_spring(&mut self, one: &Typed) -> Option<Spring> {
        self.one_spring(&Layered {
            over: Some(one),
            under: None,
            end: one,
            key: "stock",
        })
    }

    fn one_spring(&mut self, spring: &Layered<'_>) -> Option<Spring> {
        if let Some(table) = spring.with_any(&KINDS) {
            let kind = self.only_kind(table)?;
            if matches!(kind, "measured" | "air_table") {
                return self.known_by_measuring(spring, table, kind);
            }
        }
        if let Some(table) = spring.with("air_pressure") {
            self.refuse(
                table,
                &["air_pressure"],
                "a coil spring",
                "take it out, or give 'air_table'",
            );
        }
        let curve = self.curve(spring);
        self.need_layered(spring, "free_length", "length of the spring on the bench");
        let free_length = spring.length("free_length");
        let solid_length = spring.length("solid_length");
        self.solid_is_shorter(free_length, solid_length);
        let tolerance = spring.rate_tolerance()?;
        Some(Spring {
            curve: curve?,
            free_length: free_length?.value,
            solid_length: solid_length.map(|s| s.value),
            rate_uncertainty: standard_share(tolerance),
        })
    }

    /// Complains of a solid length that is not below the free length.
    pub(super) fn solid_is_shorter(
        &mut self,
        free: Option<Placed<Length>>,
        solid: Option<Placed<Length>>,
    ) {
        if let (Some(free), Some(solid)) = (free, solid)
            && solid.value >= free.value
        {
            let wrong = Wrong::SolidNotShorter {
                solid: solid.value,
                free: free.value,
            };
            let found = Found::new(solid.at, wrong).and(free.at, "free length");
            self.found.push(found);
        }
    }

    /// Rate or table; the side's own, whichever it gives, goes first.
    fn curve(&mut self, spring: &Layered<'_>) -> Option<SpringCurve> {
        let Some(table) = [spring.over, spring.under]
            .into_iter()
            .flatten()
            .find(|t| t.has("rate") || t.has("table"))
        else {
            if !spring.missing() {
                self.need_layered(spring, "rate", "its rate; or 'table'");
            }
            return None;
        };
        self.curve_in(table)
    }

    /// The rate or the table that a table gives.
    pub(super) fn curve_in(&mut self, table: &Typed) -> Option<SpringCurve> {
        if table.has("rate") && table.has("table") {
            let wrong = Wrong::Twice {
                one: table.path_of("rate"),
                other: table.path_of("table"),
            };
            let found =
                Found::new(table.place("rate"), wrong).and(table.place("table"), "the other one");
            self.found.push(found);
            return None;
        }
        if table.has("rate") {
            return Some(SpringCurve::Linear(table.spring_rate("rate")?.value));
        }
        let (rows, at) = table.rows("table")?;
        let key = table.path_of("table");
        let [first, _, ..] = rows else {
            let wrong = Wrong::ListLength {
                key,
                due: "two or more rows",
                found: rows.len(),
            };
            self.wrong(at, wrong);
            return None;
        };
        let (compression, force) = first.value;
        if compression.abs() > 1e-9 || force.abs() > 1e-6 {
            self.wrong(first.at, Wrong::TableStart { key });
            return None;
        }
        self.rising(rows, &key, true).then(|| {
            SpringCurve::Table(
                rows.iter()
                    .map(|r| (Length::new(r.value.0), Force::new(r.value.1)))
                    .collect(),
            )
        })
    }

    /// Whether the first column rises from row to row, and the second too
    /// where that is due.
    pub(super) fn rising(&mut self, rows: &[Row], key: &str, both: bool) -> bool {
        let mut good = true;
        for (i, pair) in rows.windows(2).enumerate() {
            let [before, after] = pair else { continue };
            if after.value.0 <= before.value.0 || (both && after.value.1 <= before.value.1) {
                let wrong = Wrong::NotRising {
                    key: key.to_owned(),
                    row: i + 2,
                };
                let found = Found::new(after.at, wrong).and(before.at, "the row before");
                self.found.push(found);
                good = false;
            }
        }
        good
    }

    fn collar(&mut self, layers: &Layers<'_>) -> Option<Collar> {
        let collar = layers.of_table("collar");
        if collar.missing() {
            // A fixed seat: a thread of no length.
            return Some(Collar {
                height: Length::ZERO,
                lowest: Length::ZERO,
                highest: Length::ZERO,
                pitch: Length::from_mm(1.0),
                step_turns: 1.0,
                uncertainty: Length::ZERO,
            });
        }
        for (key, about) in [
            ("height", "where it is, from its zero mark"),
            ("lowest", "lowest place on the thread, from the zero mark"),
            ("highest", "highest place on the thread, from the zero mark"),
            ("pitch", "rise in one turn"),
        ] {
            self.need_layered(&collar, key, about);
        }
        let height = collar.length("height");
        let lowest = collar.length("lowest");
        let highest = collar.length("highest");
        if let (Some(lowest), Some(highest)) = (lowest, highest) {
            if lowest.value > highest.value {
                let wrong = Wrong::CollarRange {
                    lowest: lowest.value,
                    highest: highest.value,
                };
                let found = Found::new(lowest.at, wrong).and(highest.at, "highest");
                self.found.push(found);
            } else if let Some(height) = height {
                // A thousandth of a millimetre for what units do to digits.
                let slack = Length::from_mm(1e-3);
                if height.value < lowest.value - slack || height.value > highest.value + slack {
                    self.wrong(
                        height.at,
                        Wrong::CollarOutside {
                            height: height.value,
                            lowest: lowest.value,
                            highest: highest.value,
                        },
                    );
                }
            }
        }
        let step_turns = match collar.with("step") {
            Some(table) => table.si("step")?.value.0,
            None => assumed_si(&COLLAR, "step")?,
        };
        let uncertainty = match collar.with("uncertainty") {
            Some(table) => table.length("uncertainty")?.value,
            None => Length::new(assumed_si(&COLLAR, "uncertainty")?),
        };
        Some(Collar {
            height: height?.value,
            lowest: lowest?.value,
            highest: highest?.value,
            pitch: collar.length("pitch")?.value,
            step_turns,
            uncertainty: standard(uncertainty),
        })
    }

    /// Length in the design position of an independent corner's unit.
    pub(super) fn corner_length(&mut self, layers: &Layers<'_>) -> Option<Length> {
        let unit = layers.of_table("coilover");
        if unit.missing() {
            return None;
        }
        self.need_layered(&unit, "design_length", "eye to eye in the design position");
        let length = unit.length("design_length")?;
        let name = format!("{} {}", layers.end.path, side_word(layers.side));
        let (extended, compressed) = (unit.length("extended")?, unit.length("compressed")?);
        self.within(&name, length.value, length.at, extended, compressed);
        Some(length.value)
    }

    /// Complains where a unit cannot have the length that the design gives it.
    fn within(
        &mut self,
        name: &str,
        length: Length,
        at: Place,
        extended: Placed<Length>,
        compressed: Placed<Length>,
    ) {
        let name = name.to_owned();
        if compressed.value >= extended.value {
            // Said already.
            return;
        }
        if length > extended.value {
            let wrong = Wrong::CoiloverTooLong {
                name,
                length,
                extended: extended.value,
            };
            let found = Found::new(at, wrong).and(extended.at, "extended");
            self.found.push(found);
        } else if length < compressed.value {
            let wrong = Wrong::CoiloverTooShort {
                name,
                length,
                compressed: compressed.value,
            };
            let found = Found::new(at, wrong).and(compressed.at, "compressed");
            self.found.push(found);
        }
    }

    /// Both coilovers of a solid axle.
    pub(super) fn coilovers(
        &mut self,
        table: &Typed,
        end: End,
        designed: &WhereDesigned,
    ) -> Option<Vec<Coilover>> {
        // Both are looked at before one that failed ends it.
        let made: Vec<Option<Coilover>> = [Side::Left, Side::Right]
            .into_iter()
            .map(|side| self.coilover(&Layers::of(table, side), end, designed))
            .collect();
        made.into_iter().collect()
    }

    fn coilover(
        &mut self,
        layers: &Layers<'_>,
        end: End,
        designed: &WhereDesigned,
    ) -> Option<Coilover> {
        let name = format!("{} {}", end.word(), side_word(layers.side));
        let unit = self.unit(layers);
        let common = layers.end.table("coilover")?;
        self.refuse(
            common,
            &["design_length"],
            "a solid axle",
            "take it out: the mounts say how long it is",
        );
        if let Some(own) = layers.own.and_then(|t| t.table("coilover")) {
            self.refuse(
                own,
                &["design_length", "mirror"],
                "one side of a solid axle",
                "take it out: each side's mounts say where and how long it is",
            );
        }
        let upper = self.mount(layers, "upper");
        let lower = self.mount(layers, "lower");
        let (upper, lower) = (upper?, lower?);
        let mut sides_right = true;
        for mount in [&upper, &lower] {
            let y = mount.at.value.y.m();
            let right_side = match layers.side {
                Side::Left => y > 0.0,
                Side::Right => y < 0.0,
            };
            if !right_side {
                sides_right = false;
                self.wrong(
                    mount.at.at,
                    Wrong::WrongSide {
                        name: name.clone(),
                        side: side_word(layers.side),
                    },
                );
            }
        }
        let apart = if layers.end.has("arm") {
            Some(upper.at.value - lower.at.value)
        } else {
            designed.between(upper.at.value, lower.at.value)
        };
        if let Some(apart) = apart.filter(|_| sides_right) {
            self.stands(&name, layers, upper.at, lower.at, apart);
        }
        let made = Coilover {
            name,
            side: layers.side,
            upper: upper.at.value,
            lower: lower.at.value,
            arm: None,
            unit: unit?,
            upper_holes: upper.holes,
            lower_holes: lower.holes,
        };
        self.on_arm(made, &lower.at, layers)
    }

    /// The length between two mounts as designed; complains where the unit would
    /// stand on its head or cannot have that length.
    pub(super) fn stands(
        &mut self,
        name: &str,
        layers: &Layers<'_>,
        upper: Placed<Point>,
        lower: Placed<Point>,
        apart: Point,
    ) -> Option<Length> {
        let [x, y, z] = apart.m();
        if z <= 0.0 {
            let wrong = Wrong::UpsideDown {
                name: name.to_owned(),
                by: Length::new(-z),
            };
            let found = Found::new(upper.at, wrong).and(lower.at, "lower mount");
            self.found.push(found);
            return None;
        }
        let length = Length::new((x * x + y * y + z * z).sqrt());
        let over = layers.of_table("coilover");
        if let (Some(extended), Some(compressed)) =
            (over.length("extended"), over.length("compressed"))
        {
            self.within(name, length, upper.at, extended, compressed);
        }
        Some(length)
    }
}
