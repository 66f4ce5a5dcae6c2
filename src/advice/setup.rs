//! How the vehicle is set: for every spring unit its holes, its spring and its
//! collar; and what can be done to it.
//!
//! In: a sheet, and operations one after the other. Out: the set-up, and a model
//! with it put on. Refused: a hole, spring or unit that the sheet does not have.

use crate::quantity::Length;
use crate::sheet::{BuildSheet, Coilover, Hole, Spring, Suspension};
use crate::statics::{Curve, Model};

/// Which end of a coilover.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum End {
    /// At the frame.
    Upper,
    /// At the axle.
    Lower,
}

impl End {
    /// In a word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Upper => "upper",
            Self::Lower => "lower",
        }
    }
}

/// One unit as it is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// Index of the upper hole in the sheet's list; none where there are no holes.
    pub upper: Option<usize>,
    /// The same at the axle.
    pub lower: Option<usize>,
    /// Index of the spring on the shelf; none is the sheet's own.
    pub spring: Option<usize>,
    /// Collar height above its zero mark, metres.
    pub collar: f64,
}

/// Every unit as it is set, in the order of the model's units.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup(pub Vec<Setting>);

/// Something done to one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Operation {
    /// A collar turned; positive raises it.
    Collar {
        /// Index of the unit.
        unit: usize,
        /// Turns.
        turns: f64,
    },
    /// A mount moved to another hole.
    Hole {
        /// Index of the unit.
        unit: usize,
        /// Which end.
        end: End,
        /// Index of the hole in the sheet's list.
        hole: usize,
    },
    /// Another spring fitted.
    Spring {
        /// Index of the unit.
        unit: usize,
        /// Index on the shelf; none is the sheet's own.
        spring: Option<usize>,
    },
}

impl Operation {
    /// The unit it is done to.
    pub const fn unit(self) -> usize {
        match self {
            Self::Collar { unit, .. } | Self::Hole { unit, .. } | Self::Spring { unit, .. } => unit,
        }
    }
}

/// The coilover of that name, where it is one between two points.
pub fn coilover<'s>(sheet: &'s BuildSheet, name: &str) -> Option<&'s Coilover> {
    sheet.axles.iter().find_map(|axle| match &axle.suspension {
        Suspension::Solid { coilovers, .. } => coilovers.iter().find(|c| c.name == name),
        Suspension::Independent { .. } => None,
    })
}

/// The holes of one end of a unit; empty where it has none.
pub fn holes<'s>(sheet: &'s BuildSheet, name: &str, end: End) -> &'s [Hole] {
    coilover(sheet, name).map_or(&[], |c| match end {
        End::Upper => &c.upper_holes,
        End::Lower => &c.lower_holes,
    })
}

/// The spring of a setting: from the shelf, or the sheet's own.
pub fn spring_of<'s>(
    sheet: &'s BuildSheet,
    name: &str,
    shelf: Option<usize>,
) -> Option<&'s Spring> {
    match shelf {
        Some(i) => sheet.shelf.get(i).map(|s| &s.spring),
        None => sheet.unit(name).map(|u| &u.spring),
    }
}

impl Setup {
    /// As the sheet says.
    pub fn of(sheet: &BuildSheet, model: &Model) -> Self {
        let in_use = |name: &str, end| holes(sheet, name, end).iter().position(|h| h.in_use);
        Self(
            model
                .units
                .iter()
                .map(|unit| Setting {
                    upper: in_use(&unit.name, End::Upper),
                    lower: in_use(&unit.name, End::Lower),
                    spring: None,
                    collar: sheet
                        .unit(&unit.name)
                        .map_or(unit.collar, |u| u.collar.height.m()),
                })
                .collect(),
        )
    }

    /// Does an operation; false where there is no such unit, hole or spring.
    pub fn change(&mut self, sheet: &BuildSheet, model: &Model, operation: Operation) -> bool {
        let Some(unit) = model.units.get(operation.unit()) else {
            return false;
        };
        let setting = &mut self.0[operation.unit()];
        match operation {
            Operation::Collar { turns, .. } => setting.collar += turns * unit.pitch,
            Operation::Hole { end, hole, .. } => {
                if hole >= holes(sheet, &unit.name, end).len() {
                    return false;
                }
                match end {
                    End::Upper => setting.upper = Some(hole),
                    End::Lower => setting.lower = Some(hole),
                }
            }
            Operation::Spring { spring, .. } => {
                if spring.is_some_and(|s| s >= sheet.shelf.len()) {
                    return false;
                }
                setting.spring = spring;
            }
        }
        true
    }

    /// Puts it on a model. What the model knows of its units (rate factors, collar
    /// offsets) is put on afterwards by who knows it.
    pub fn put_on(&self, sheet: &BuildSheet, model: &mut Model) {
        for (i, setting) in self.0.iter().enumerate() {
            setting.put_on(sheet, model, i);
        }
    }

    /// What leads from here to another set-up, unit by unit: holes, spring, collar.
    pub fn operations_to(&self, other: &Self, model: &Model) -> Vec<Operation> {
        let mut all = Vec::new();
        for (unit, (from, to)) in self.0.iter().zip(&other.0).enumerate() {
            for (end, a, b) in [
                (End::Upper, from.upper, to.upper),
                (End::Lower, from.lower, to.lower),
            ] {
                if let Some(hole) = b.filter(|_| a != b) {
                    all.push(Operation::Hole { unit, end, hole });
                }
            }
            if from.spring != to.spring {
                all.push(Operation::Spring {
                    unit,
                    spring: to.spring,
                });
            }
            let turns = (to.collar - from.collar) / model.units[unit].pitch;
            if turns.abs() > 1e-6 {
                all.push(Operation::Collar { unit, turns });
            }
        }
        all
    }
}

impl Setting {
    /// Puts it on one unit of a model.
    pub fn put_on(&self, sheet: &BuildSheet, model: &mut Model, unit: usize) {
        let name = model.units[unit].name.clone();
        for (end, hole) in [(End::Upper, self.upper), (End::Lower, self.lower)] {
            if let Some(hole) = hole.and_then(|h| holes(sheet, &name, end).get(h)) {
                model.move_mount(&name, end == End::Upper, hole.at.m());
            }
        }
        let made = &mut model.units[unit];
        if let Some(spring) = spring_of(sheet, &name, self.spring) {
            made.curve = Curve::from(&spring.curve);
            made.free_length = spring.free_length.m();
            made.solid_length = spring.solid_length.map(Length::m);
        }
        made.collar = self.collar;
    }
}
