//! The form of a sheet: which tables and keys there are and what each holds.
//!
//! In: nothing, it is a description. Out: the same description for the reader
//! of what was typed, for the JSON Schema and for the list of keys. Refused:
//! nothing by itself.

mod plans;
mod tables;

pub(super) use tables::{COLLAR, FLOOR, SHEET, SPRING};

use crate::quantity::{Dimension, read};

/// A table.
#[derive(Debug)]
pub(super) struct Form {
    pub(super) about: &'static str,
    pub(super) fields: &'static [Field],
}

/// A key of a table.
#[derive(Debug)]
pub(super) struct Field {
    pub(super) key: &'static str,
    pub(super) kind: Kind,
    /// Whether it must be there whatever else is said.
    pub(super) required: bool,
    /// What holds where it is not there, as one would type it.
    pub(super) default: Option<&'static str>,
    pub(super) about: &'static str,
}

/// What a key holds.
#[derive(Debug)]
pub(super) enum Kind {
    /// Text that is not empty, and that may be shown as it is.
    Name,
    /// Text as it goes over a line, line ends and the like too.
    OnTheLine,
    /// One of some words.
    Word(&'static [&'static str]),
    /// True or false.
    Flag,
    /// A whole number between two.
    Whole(u32, u32),
    /// A bare number between two: a ratio.
    Ratio(f64, f64),
    /// A number with a unit.
    Quantity(Dimension, Range),
    /// Degrees or millimetres, as the sensor has it.
    AngleOrLength(Range),
    /// Three lengths.
    Point,
    /// A 64-bit id, as text or as a whole number.
    Device,
    /// Some names.
    Names,
    /// Rows of two.
    Rows(Column, Column),
    /// Rows of three, each with a unit.
    Triples([Dimension; 3]),
    /// A table.
    Table(&'static Form),
    /// A table that says only what differs: nothing is required in it.
    Partial(&'static Form),
    /// Any number of tables.
    Tables(&'static Form),
}

/// A column of a table of rows.
#[derive(Debug, Clone, Copy)]
pub(super) enum Column {
    /// With a unit.
    Quantity(Dimension),
    /// A bare number between two.
    Ratio(f64, f64),
}

/// What a quantity may be (SI).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Range {
    /// Anything.
    Any,
    /// Zero or more.
    NotNegative,
    /// More than zero.
    Positive,
    /// Between two, said in words.
    Between(f64, f64, &'static str),
}

impl Range {
    /// The complaint, where the value is outside.
    pub(super) fn refuses(self, si: f64) -> Option<&'static str> {
        match self {
            Self::Any => None,
            Self::NotNegative => (si < 0.0).then_some("zero or more"),
            Self::Positive => (si <= 0.0).then_some("more than zero"),
            Self::Between(lowest, highest, words) => (si < lowest || si > highest).then_some(words),
        }
    }
}

impl Form {
    pub(super) fn field(&self, key: &str) -> Option<&'static Field> {
        self.fields.iter().find(|f| f.key == key)
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = &'static str> + use<> {
        let fields = self.fields;
        fields.iter().map(|f| f.key)
    }
}

/// What the form assumes for a quantity that is not there, in SI.
pub(super) fn assumed_si(form: &Form, key: &str) -> Option<f64> {
    let field = form.fields.iter().find(|f| f.key == key)?;
    match field.kind {
        Kind::Quantity(of, _) => read(field.default?, of).ok().map(|w| w.si),
        _ => None,
    }
}
