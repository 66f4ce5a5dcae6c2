//! Mounts and bracket holes.
//!
//! In: the mount as given for both sides or for one, the holes, and which of
//! them has the bolt. Out: the mount and the holes of one side. Refused: no
//! hole in use, two in use, a mount that is not at the hole in use.
//!
//! # Method
//! What is common is the left side's. The right side is its mirror image. A
//! mount given for one side alone moves that side's holes with it.

use super::super::mistakes::{Found, Wrong};
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{Hole, Side};
use super::Check;
use super::coilovers::Layers;
use crate::quantity::{Length, Point};

/// A mount given beside the hole in use may differ from it by this: what a
/// tape and a rounding to the nearest 1/16 in do. Chosen.
const SAME_PLACE: Length = Length::from_mm(1.6);

/// A mount of one side with its holes.
pub(super) struct Mount {
    pub(super) at: Placed<Point>,
    pub(super) holes: Vec<Hole>,
}

fn distance(a: Point, b: Point) -> Length {
    let [x, y, z] = (a - b).m();
    Length::new((x * x + y * y + z * z).sqrt())
}

impl Check<'_> {
    /// The mount `which` (`upper` or `lower`) of a side.
    pub(super) fn mount(&mut self, layers: &Layers<'_>, which: &'static str) -> Option<Mount> {
        let common = layers.end.table("coilover")?;
        let own = layers.own.and_then(|t| t.table("coilover"));
        let (list_key, about): (&'static str, &'static str) = match which {
            "upper" => ("upper_hole", "upper mount, frame point; or [[upper_hole]]"),
            _ => ("lower_hole", "lower mount, axle point; or [[lower_hole]]"),
        };
        let holes = layers.end.tables(list_key);
        let has_holes = layers.end.has(list_key);
        let mirrored = common.flag("mirror").is_none_or(|m| m.value);
        let own_has = own.is_some_and(|t| t.has(which));
        if layers.side == Side::Right && !mirrored && !own_has {
            let path = format!("{}.right.coilover.{which}", layers.end.path);
            let wrong = Wrong::Missing {
                key: path,
                about: "with 'mirror = false' the right mounts are given under [... .right.coilover]",
            };
            self.wrong(common.place("mirror"), wrong);
            return None;
        }
        if !own_has && !common.has(which) && !has_holes {
            let key = common.path_of(which);
            self.wrong(common.at, Wrong::Missing { key, about });
            return None;
        }
        let turned = |point: Point| match layers.side {
            Side::Left => point,
            Side::Right => point.mirrored(),
        };
        let given = common.point(which);
        let in_use = if has_holes {
            Some(self.in_use(layers.end, list_key, holes, given, which)?)
        } else {
            if let Some(name) = layers.own.and_then(|t| t.text(list_key)) {
                self.index_of("hole", &name, &[]);
            }
            None
        };
        let base = match in_use {
            Some(index) => holes.get(index)?.point("at")?,
            None if common.has(which) => given?,
            None => own?.point(which)?,
        };
        let base = Placed {
            value: turned(base.value),
            at: base.at,
        };
        let mount = if own_has { own?.point(which)? } else { base };
        let moved = mount.value - base.value;
        let mut made: Option<Vec<Hole>> = holes
            .iter()
            .enumerate()
            .map(|(i, hole)| {
                Some(Hole {
                    name: hole.text("name")?.value,
                    at: turned(hole.point("at")?.value) + moved,
                    in_use: in_use == Some(i),
                })
            })
            .collect();
        let mut at = mount;
        if let (Some(made), Some(name)) = (
            made.as_mut().filter(|_| has_holes),
            layers.own.and_then(|t| t.text(list_key)),
        ) {
            let known: Vec<String> = made.iter().map(|h| h.name.clone()).collect();
            let chosen = self.index_of("hole", &name, &known)?;
            for (i, hole) in made.iter_mut().enumerate() {
                hole.in_use = i == chosen;
            }
            at = Placed {
                value: made.get(chosen)?.at,
                at: name.at,
            };
        }
        Some(Mount { at, holes: made? })
    }

    /// Which hole has the bolt: the one marked, or else the one that is where
    /// the mount is.
    fn in_use(
        &mut self,
        end: &Typed,
        list_key: &'static str,
        holes: &[Typed],
        given: Option<Placed<Point>>,
        which: &'static str,
    ) -> Option<usize> {
        let names: Vec<Placed<String>> = holes.iter().filter_map(|h| h.text("name")).collect();
        self.doubled("holes", &names);
        let marked: Vec<usize> = holes
            .iter()
            .enumerate()
            .filter(|(_, h)| h.flag("in_use").is_some_and(|f| f.value))
            .map(|(i, _)| i)
            .collect();
        let key = end.path_of(list_key);
        match (marked.as_slice(), given) {
            ([], Some(given)) => {
                let near = holes.iter().position(|h| {
                    h.point("at")
                        .is_some_and(|p| distance(p.value, given.value) <= SAME_PLACE)
                });
                if near.is_none() {
                    self.wrong(given.at, Wrong::NoHoleInUse { key });
                }
                near
            }
            ([], None) => {
                let at = holes.first().map_or(end.place(list_key), |h| h.at);
                self.wrong(at, Wrong::NoHoleInUse { key });
                None
            }
            ([one], given) => {
                let hole = holes.get(*one)?.point("at")?;
                if let Some(given) = given {
                    let by = distance(hole.value, given.value);
                    if by > SAME_PLACE {
                        let key = format!("{}.coilover.{which}", end.path);
                        let wrong = Wrong::HoleElsewhere { key, by };
                        let found = Found::new(given.at, wrong).and(hole.at, "the hole in use");
                        self.found.push(found);
                        return None;
                    }
                }
                Some(*one)
            }
            ([first, second, ..], _) => {
                let place = |i: &usize| holes.get(*i).map_or(end.at, |h| h.place("in_use"));
                let found = Found::new(place(second), Wrong::TwoHolesInUse { key })
                    .and(place(first), "the other one");
                self.found.push(found);
                None
            }
        }
    }
}
