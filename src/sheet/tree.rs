//! The tree of typed values: tables with what stands in them, in SI, each with
//! its place.
//!
//! In: what the reader found. Out: values by key, where they are there and
//! could be read. Refused: nothing; the reader has complained already.

use std::collections::BTreeMap;

use super::mistakes::Place;
use crate::quantity::{
    Angle, Dimension, Force, Frequency, Length, Mass, Point, Quantity, RollRate, SpringRate,
};

/// A value with its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed<T> {
    pub(super) value: T,
    pub(super) at: Place,
}

/// A row of two numbers in SI.
pub(super) type Row = Placed<(f64, f64)>;

/// A row of three numbers in SI.
pub(super) type Triple = Placed<[f64; 3]>;

/// A value as read.
#[derive(Debug)]
pub(super) enum Value {
    Text(String),
    Flag(bool),
    Number(f64),
    Whole(u32),
    /// SI and dimension.
    Quantity(f64, Dimension),
    Point(Point),
    Device(u64),
    Names(Vec<Placed<String>>),
    Rows(Vec<Row>),
    Triples(Vec<Triple>),
    Table(Typed),
    Tables(Vec<Typed>),
    /// There, but not readable; already complained of.
    Broken,
}

#[derive(Debug)]
pub(super) struct Entry {
    pub(super) at: Place,
    pub(super) value: Value,
}

/// A table as read.
#[derive(Debug)]
pub(super) struct Typed {
    /// As in overrides: `rear.spring`.
    pub(super) path: String,
    /// Its heading.
    pub(super) at: Place,
    pub(super) entries: BTreeMap<&'static str, Entry>,
}

macro_rules! quantities {
    ($($get:ident: $name:ident;)*) => { $(
        pub(super) fn $get(&self, key: &str) -> Option<Placed<$name>> {
            let entry = self.entries.get(key)?;
            match entry.value {
                Value::Quantity(si, Dimension::$name) => {
                    Some(Placed { value: $name::from_si(si), at: entry.at })
                }
                _ => None,
            }
        }
    )* };
}

impl Typed {
    quantities! {
        length: Length;
        angle: Angle;
        mass: Mass;
        force: Force;
        spring_rate: SpringRate;
        roll_rate: RollRate;
        frequency: Frequency;
    }

    /// A quantity of any dimension, in SI.
    pub(super) fn si(&self, key: &str) -> Option<Placed<(f64, Dimension)>> {
        self.get(key, |v| match v {
            Value::Quantity(si, of) => Some((*si, *of)),
            _ => None,
        })
    }

    fn get<T>(&self, key: &str, take: impl Fn(&Value) -> Option<T>) -> Option<Placed<T>> {
        let entry = self.entries.get(key)?;
        take(&entry.value).map(|value| Placed {
            value,
            at: entry.at,
        })
    }

    pub(super) fn text(&self, key: &str) -> Option<Placed<String>> {
        self.get(key, |v| match v {
            Value::Text(text) => Some(text.clone()),
            _ => None,
        })
    }

    pub(super) fn flag(&self, key: &str) -> Option<Placed<bool>> {
        self.get(key, |v| match v {
            Value::Flag(flag) => Some(*flag),
            _ => None,
        })
    }

    pub(super) fn number(&self, key: &str) -> Option<Placed<f64>> {
        self.get(key, |v| match v {
            Value::Number(number) => Some(*number),
            _ => None,
        })
    }

    pub(super) fn whole(&self, key: &str) -> Option<Placed<u32>> {
        self.get(key, |v| match v {
            Value::Whole(whole) => Some(*whole),
            _ => None,
        })
    }

    pub(super) fn point(&self, key: &str) -> Option<Placed<Point>> {
        self.get(key, |v| match v {
            Value::Point(point) => Some(*point),
            _ => None,
        })
    }

    pub(super) fn device(&self, key: &str) -> Option<Placed<u64>> {
        self.get(key, |v| match v {
            Value::Device(device) => Some(*device),
            _ => None,
        })
    }

    pub(super) fn names(&self, key: &str) -> &[Placed<String>] {
        match self.entries.get(key).map(|e| &e.value) {
            Some(Value::Names(names)) => names,
            _ => &[],
        }
    }

    pub(super) fn rows(&self, key: &str) -> Option<(&[Row], Place)> {
        let entry = self.entries.get(key)?;
        match &entry.value {
            Value::Rows(rows) => Some((rows, entry.at)),
            _ => None,
        }
    }

    pub(super) fn triples(&self, key: &str) -> Option<(&[Triple], Place)> {
        let entry = self.entries.get(key)?;
        match &entry.value {
            Value::Triples(rows) => Some((rows, entry.at)),
            _ => None,
        }
    }

    pub(super) fn table(&self, key: &str) -> Option<&Typed> {
        match self.entries.get(key).map(|e| &e.value) {
            Some(Value::Table(table)) => Some(table),
            _ => None,
        }
    }

    pub(super) fn tables(&self, key: &str) -> &[Typed] {
        match self.entries.get(key).map(|e| &e.value) {
            Some(Value::Tables(tables)) => tables,
            _ => &[],
        }
    }

    /// Whether the key stands there, readable or not.
    pub(super) fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Where the key's value stands; the heading where it does not.
    pub(super) fn place(&self, key: &str) -> Place {
        self.entries.get(key).map_or(self.at, |e| e.at)
    }

    /// The path of a key of this table.
    pub(super) fn path_of(&self, key: &str) -> String {
        joined(&self.path, key)
    }
}

pub(super) fn joined(path: &str, key: &str) -> String {
    if path.is_empty() {
        key.to_owned()
    } else {
        format!("{path}.{key}")
    }
}
