//! Wish, stock and wheel: what a sheet says before the weld.
//!
//! In: their tables. Out: [`Plans`]. Refused: bands upside down, names that
//! nothing has, a wheel of which the measures are not all there.

use super::super::mistakes::{Found, Wrong};
use super::super::plans::{BodyPlan, Plans, WheelPlan, WishPlan};
use super::super::tree::Typed;
use super::super::vehicle::BuildSheet;
use super::{Check, standard};
use crate::quantity::{Angle, Length};

/// More leans than a table is read for.
const MOST_LEANS: usize = 200;

/// The plans of a sheet that is good otherwise.
pub(in super::super) fn plans(typed: &Typed, sheet: &BuildSheet, found: &mut Vec<Found>) -> Plans {
    let mut check = Check { found };
    Plans {
        wish: typed.table("wish").and_then(|wish| check.wish(wish, sheet)),
        stock: check.stock(typed),
        wheel: typed.table("wheel").and_then(|w| check.wheel(w)),
    }
}

fn axle(table: &Typed) -> Option<usize> {
    Some(usize::from(table.text("axle")?.value == "front"))
}

impl Check<'_> {
    fn backwards(&mut self, table: &Typed, from: &'static str, to: &'static str) {
        let wrong = Wrong::BandBackwards {
            from: table.path_of(from),
            to: table.path_of(to),
        };
        let found = Found::new(table.place(to), wrong).and(table.place(from), "the other end");
        self.found.push(found);
    }

    fn wish(&mut self, wish: &Typed, sheet: &BuildSheet) -> Option<WishPlan> {
        let case = match wish.text("case") {
            Some(name) => {
                let known: Vec<_> = sheet.cases.iter().map(|c| c.name.clone()).collect();
                self.index_of("case", &name, &known)?
            }
            None => sheet.targets.case,
        };
        let sag = (wish.si("sag_from")?.value.0, wish.si("sag_to")?.value.0);
        if sag.0 >= sag.1 {
            self.backwards(wish, "sag_from", "sag_to");
        }
        let frequency = match (
            wish.frequency("frequency_from"),
            wish.frequency("frequency_to"),
        ) {
            (Some(from), Some(to)) => {
                if from.value >= to.value {
                    self.backwards(wish, "frequency_from", "frequency_to");
                }
                Some((from.value, to.value))
            }
            (None, None) => None,
            (from, _) => {
                let key = if from.is_some() {
                    "frequency_to"
                } else {
                    "frequency_from"
                };
                self.need(wish, key, "the other end of the band");
                None
            }
        };
        let (from, to) = (wish.angle("lean_from")?.value, wish.angle("lean_to")?.value);
        if from > to {
            self.backwards(wish, "lean_from", "lean_to");
        }
        let step = wish.angle("lean_step")?.value;
        let leans: Vec<Angle> = (0..MOST_LEANS)
            .map(|i| from + step * i as f64)
            // Half a thousandth of a step for rounding.
            .take_while(|a| *a <= to + step * 5e-4)
            .collect();
        let (lowest, highest) = (wish.length("mount_lowest"), wish.length("mount_highest"));
        if let (Some(low), Some(high)) = (&lowest, &highest)
            && low.value > high.value
        {
            self.backwards(wish, "mount_lowest", "mount_highest");
        }
        Some(WishPlan {
            axle: axle(wish)?,
            case,
            sag,
            frequency,
            travel_up: wish.length("travel_up")?.value,
            travel_down: wish.length("travel_down")?.value,
            leans,
            rake: wish.angle("rake")?.value,
            mount_lowest: lowest.map(|l| l.value),
            mount_highest: highest.map(|l| l.value),
            mount_inmost: wish.length("mount_inmost").map(|l| l.value),
        })
    }

    fn stock(&mut self, typed: &Typed) -> Vec<(String, super::super::vehicle::Spring)> {
        let mut names = Vec::new();
        let mut stock = Vec::new();
        for one in typed.tables("stock") {
            let spring = self.stock_spring(one);
            if let Some(name) = one.text("name") {
                if let Some(spring) = spring {
                    stock.push((name.value.clone(), spring));
                }
                names.push(name);
            }
        }
        self.doubled("springs in stock", &names);
        stock
    }

    fn wheel(&mut self, wheel: &Typed) -> Option<WheelPlan> {
        if !wheel.has("size") {
            for key in ["diameter", "section", "barrel_radius", "flange_radius"] {
                self.need(wheel, key, "as measured; or 'size'");
            }
        }
        let mut names = Vec::new();
        let mut bodies = Vec::new();
        for body in wheel.tables("body") {
            if let Some(name) = body.text("name") {
                names.push(name);
            }
            bodies.extend(body_plan(body));
        }
        self.doubled("bodies", &names);
        let length = |key: &str| wheel.length(key).map(|l| l.value);
        Some(WheelPlan {
            axle: axle(wheel)?,
            size: wheel.text("size").map(|s| s.value),
            diameter: length("diameter"),
            section: length("section"),
            rim_width: length("rim_width")?,
            offset: length("offset")?,
            hub_face: length("hub_face")?,
            barrel_radius: length("barrel_radius"),
            flange_radius: length("flange_radius"),
            clearance: length("clearance")?,
            tape: standard(length("tape")?),
            bump: length("bump"),
            droop: length("droop"),
            coilover_radius: length("coilover_radius"),
            bodies,
        })
    }
}

fn body_plan(body: &Typed) -> Option<BodyPlan> {
    let on_axle = body.text("on")?.value == "axle";
    let to_on = body.text("to_on").map_or(on_axle, |w| w.value == "axle");
    Some(BodyPlan {
        name: body.text("name")?.value,
        on_axle,
        at: body.point("at")?.value,
        to: body.point("to").map(|p| (to_on, p.value)),
        radius: body.length("radius").map_or(Length::ZERO, |r| r.value),
    })
}
