//! Springs on the shelf.
//!
//! In: the tables of the shelf. Out: the springs as meant. Refused: a spring
//! without rate or table, one whose coils touch at its free length, a name
//! given twice.

use super::super::mistakes::Wrong;
use super::super::tree::Typed;
use super::super::vehicle::{ShelfSpring, Spring};
use super::{Check, standard_share};

impl Check<'_> {
    pub(super) fn shelf(&mut self, typed: &Typed) -> Vec<ShelfSpring> {
        let mut names = Vec::new();
        let mut shelf = Vec::new();
        for one in typed.tables("shelf") {
            names.extend(one.text("name"));
            shelf.extend(self.shelf_spring(one));
        }
        self.doubled("springs on the shelf", &names);
        shelf
    }

    fn shelf_spring(&mut self, one: &Typed) -> Option<ShelfSpring> {
        if !one.has("rate") && !one.has("table") {
            self.wrong(
                one.at,
                Wrong::Missing {
                    key: one.path_of("rate"),
                    about: "its rate; or 'table'",
                },
            );
            return None;
        }
        let curve = self.curve_in(one);
        let (free, solid) = (one.length("free_length"), one.length("solid_length"));
        self.solid_is_shorter(free, solid);
        Some(ShelfSpring {
            name: one.text("name")?.value,
            spring: Spring {
                curve: curve?,
                free_length: free?.value,
                solid_length: solid.map(|s| s.value),
                rate_uncertainty: standard_share(one.si("rate_tolerance")?.value.0),
            },
            count: one.whole("count")?.value,
        })
    }
}
