//! A sheet as typed: the document read against the form.
//!
//! In: the TOML document with the place of everything in it. Out: a tree of
//! values in SI, each with its place, as far as it can be read. Refused, all
//! of it at once: unknown keys, missing keys, wrong types, bare numbers,
//! quantities outside what can be.

use std::collections::BTreeMap;

use serde_spanned::Spanned;
use toml::de::{DeTable, DeValue};

use super::Understood;
use super::form::{Column, Field, Form, Kind, Range};
use super::mistakes::{Found, Place, Wrong};
use super::tree::{Entry, Placed, Typed, Value, joined};
use crate::quantity::{Dimension, Length, Point, QuantityError, nearest, read};

/// The words for what stands there.
fn found(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a bare number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// Reads the document, complaining as it goes.
pub(super) struct Reader<'s> {
    pub(super) found: &'s mut Vec<Found>,
    pub(super) understood: &'s mut Vec<Understood>,
}

impl Reader<'_> {
    /// Reads a table against its form. In a partial one nothing is required
    /// and nothing assumed.
    pub(super) fn table(
        &mut self,
        form: &'static Form,
        table: &DeTable<'_>,
        path: &str,
        at: Place,
        partial: bool,
    ) -> Typed {
        let mut entries = BTreeMap::new();
        for key in table.keys() {
            if form.field(key.get_ref()).is_none() {
                self.unknown_key(form, key, path);
            }
        }
        for field in form.fields {
            let path = joined(path, field.key);
            if let Some(value) = table.get(field.key) {
                let entry = Entry {
                    at: value.span().into(),
                    value: self
                        .value(field, value, &path, partial)
                        .unwrap_or(Value::Broken),
                };
                entries.insert(field.key, entry);
            } else if partial {
            } else if field.required {
                self.found.push(Found::new(
                    at,
                    Wrong::Missing {
                        key: path,
                        about: field.about,
                    },
                ));
                // So that no later check complains of the same.
                let value = Value::Broken;
                entries.insert(field.key, Entry { at, value });
            } else if let Some(value) = field.default.and_then(|d| assumed(field, d)) {
                entries.insert(field.key, Entry { at, value });
            }
        }
        Typed {
            path: path.to_owned(),
            at,
            entries,
        }
    }

    fn unknown_key(
        &mut self,
        form: &'static Form,
        key: &Spanned<std::borrow::Cow<'_, str>>,
        path: &str,
    ) {
        let table = if path.is_empty() {
            "the sheet".to_owned()
        } else {
            format!("[{path}]")
        };
        self.found.push(Found::new(
            key.span().into(),
            Wrong::UnknownKey {
                key: key.get_ref().chars().take(40).collect(),
                table,
                meant: nearest(key.get_ref(), form.keys()),
                known: form.keys().collect(),
            },
        ));
    }

    fn complain(&mut self, at: Place, wrong: Wrong) -> Option<Value> {
        self.found.push(Found::new(at, wrong));
        None
    }

    fn wrong_type(
        &mut self,
        value: &Spanned<DeValue<'_>>,
        key: &str,
        due: &'static str,
        example: &'static str,
    ) -> Option<Value> {
        let found = found(value.get_ref());
        let key = key.to_owned();
        self.complain(
            value.span().into(),
            Wrong::WrongType {
                key,
                due,
                found,
                example,
            },
        )
    }

    fn value(
        &mut self,
        field: &Field,
        value: &Spanned<DeValue<'_>>,
        key: &str,
        partial: bool,
    ) -> Option<Value> {
        let at: Place = value.span().into();
        match (&field.kind, value.get_ref()) {
            // A name goes to screens and pages as it is: nothing in it may command them.
            (Kind::Name, DeValue::String(text)) if text.trim().contains(char::is_control) => self
                .complain(
                    at,
                    Wrong::CommandInName {
                        key: key.to_owned(),
                    },
                ),
            (Kind::Name | Kind::OnTheLine, DeValue::String(text)) => {
                if text.trim().is_empty() {
                    return self.complain(
                        at,
                        Wrong::EmptyName {
                            key: key.to_owned(),
                        },
                    );
                }
                Some(Value::Text(text.trim().to_owned()))
            }
            (Kind::Name | Kind::OnTheLine, _) => {
                self.wrong_type(value, key, "text", "\"text in quotes\"")
            }
            (Kind::Word(words), DeValue::String(text)) => self.word(words, text, key, at),
            (Kind::Word(_), _) => self.wrong_type(value, key, "a word", "\"a word in quotes\""),
            (Kind::Flag, DeValue::Boolean(flag)) => Some(Value::Flag(*flag)),
            (Kind::Flag, _) => {
                self.wrong_type(value, key, "true or false", "true or false, without quotes")
            }
            (Kind::Whole(lowest, highest), other) => {
                self.whole(*lowest, *highest, other, value, key)
            }
            (Kind::Ratio(lowest, highest), _) => {
                self.ratio(*lowest, *highest, value, key).map(Value::Number)
            }
            (Kind::Quantity(of, range), _) => self
                .quantity(*of, *range, value, key)
                .map(|si| Value::Quantity(si, *of)),
            (Kind::AngleOrLength(range), _) => self.angle_or_length(*range, value, key),
            (Kind::Point, DeValue::Array(items)) => self.point(items, at, key),
            (Kind::Point, _) => self.wrong_type(
                value,
                key,
                "a point",
                "[\"0 mm\", \"420 mm\", \"310 mm\"]: forward, left, up",
            ),
            (Kind::Device, other) => self.device(other, value, key),
            (Kind::Names, DeValue::Array(items)) => self.names(items, key),
            (Kind::Names, _) => {
                self.wrong_type(value, key, "a list of names", "[\"one\", \"another\"]")
            }
            (Kind::Rows(left, right), DeValue::Array(items)) => {
                self.rows(*left, *right, items, key)
            }
            (Kind::Rows(..), _) => self.wrong_type(
                value,
                key,
                "a list of rows",
                "[[\"0 mm\", \"0 N\"], [\"20 mm\", \"500 N\"]]",
            ),
            (Kind::Triples(of), DeValue::Array(items)) => self.triples(*of, items, key),
            (Kind::Triples(_), _) => self.wrong_type(
                value,
                key,
                "a list of rows",
                "[[\"180 mm\", \"3 bar\", \"2250 N\"], [\"140 mm\", \"3 bar\", \"2900 N\"]]",
            ),
            (Kind::Table(form), DeValue::Table(table)) => {
                Some(Value::Table(self.table(form, table, key, at, partial)))
            }
            (Kind::Partial(form), DeValue::Table(table)) => {
                Some(Value::Table(self.table(form, table, key, at, true)))
            }
            (Kind::Table(_) | Kind::Partial(_), _) => {
                self.wrong_type(value, key, "a table", "a heading [...] with keys under it")
            }
            (Kind::Tables(form), DeValue::Array(items)) => Some(Value::Tables(
                items
                    .iter()
                    .enumerate()
                    .filter_map(|(i, item)| self.one_of_tables(form, i, item, key))
                    .collect(),
            )),
            (Kind::Tables(_), _) => self.wrong_type(
                value,
                key,
                "a list of tables",
                "a heading in double brackets [[...]], once for each",
            ),
        }
    }

    fn one_of_tables(
        &mut self,
        form: &'static Form,
        index: usize,
        item: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<Typed> {
        let DeValue::Table(table) = item.get_ref() else {
            self.wrong_type(item, key, "a table", "a heading in double brackets [[...]]");
            return None;
        };
        let name = match table.get("name").map(Spanned::get_ref) {
            Some(DeValue::String(name)) => name.to_string(),
            _ => (index + 1).to_string(),
        };
        Some(self.table(form, table, &joined(key, &name), item.span().into(), false))
    }

    fn word(
        &mut self,
        words: &'static [&'static str],
        text: &str,
        key: &str,
        at: Place,
    ) -> Option<Value> {
        if words.contains(&text) {
            return Some(Value::Text(text.to_owned()));
        }
        self.complain(
            at,
            Wrong::UnknownWord {
                key: key.to_owned(),
                typed: text.chars().take(40).collect(),
                meant: nearest(text, words.iter().copied()),
                words,
            },
        )
    }

    fn whole(
        &mut self,
        lowest: u32,
        highest: u32,
        other: &DeValue<'_>,
        value: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<Value> {
        let DeValue::Integer(integer) = other else {
            return self.wrong_type(value, key, "a whole number", "115200, without quotes");
        };
        match i64::from_str_radix(integer.as_str(), integer.radix())
            .ok()
            .and_then(|n| u32::try_from(n).ok())
            .filter(|n| (lowest..=highest).contains(n))
        {
            Some(whole) => Some(Value::Whole(whole)),
            None => self.complain(
                value.span().into(),
                Wrong::NumberRange {
                    key: key.to_owned(),
                    typed: integer.to_string(),
                    lowest: f64::from(lowest),
                    highest: f64::from(highest),
                },
            ),
        }
    }

    fn ratio(
        &mut self,
        lowest: f64,
        highest: f64,
        value: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<f64> {
        let (typed, number) = match value.get_ref() {
            DeValue::Integer(integer) => (
                integer.to_string(),
                i64::from_str_radix(integer.as_str(), integer.radix())
                    .ok()
                    .map(|n| n as f64),
            ),
            DeValue::Float(float) => (float.to_string(), float.as_str().parse::<f64>().ok()),
            _ => {
                self.wrong_type(value, key, "a bare number", "0.62, without quotes or unit");
                return None;
            }
        };
        let number = number.filter(|n| (lowest..=highest).contains(n));
        if number.is_none() {
            self.complain(
                value.span().into(),
                Wrong::NumberRange {
                    key: key.to_owned(),
                    typed,
                    lowest,
                    highest,
                },
            );
        }
        number
    }

    fn quantity(
        &mut self,
        of: Dimension,
        range: Range,
        value: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<f64> {
        let at: Place = value.span().into();
        let typed = match value.get_ref() {
            DeValue::String(text) => text.to_string(),
            DeValue::Integer(integer) => integer.to_string(),
            DeValue::Float(float) => float.to_string(),
            _ => {
                self.wrong_type(
                    value,
                    key,
                    of.with_article(),
                    "a number with its unit, in quotes: \"47.6 mm\", \"24.5 N/mm\", \"63 kg\"",
                );
                return None;
            }
        };
        match read(&typed, of) {
            Err(error) => {
                let key = key.to_owned();
                self.complain(
                    at,
                    Wrong::Quantity {
                        key,
                        due: of,
                        error,
                    },
                );
                None
            }
            Ok(written) => {
                if let Some(range) = range.refuses(written.si) {
                    self.complain(
                        at,
                        Wrong::QuantityRange {
                            key: key.to_owned(),
                            typed: typed.trim().to_owned(),
                            of,
                            range,
                        },
                    );
                    return None;
                }
                self.understood.push(Understood {
                    path: key.to_owned(),
                    typed: typed.trim().to_owned(),
                    written,
                });
                Some(written.si)
            }
        }
    }

    /// Takes the dimension that the unit has; where it has neither, a length
    /// is said to be due.
    fn angle_or_length(
        &mut self,
        range: Range,
        value: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<Value> {
        let of = match value.get_ref() {
            DeValue::String(text)
                if read(text, Dimension::Angle).is_ok()
                    || matches!(
                        read(text, Dimension::Length),
                        Err(QuantityError::OtherDimension {
                            is: Dimension::Angle,
                            ..
                        })
                    ) =>
            {
                Dimension::Angle
            }
            _ => Dimension::Length,
        };
        self.quantity(of, range, value, key)
            .map(|si| Value::Quantity(si, of))
    }

    fn point(&mut self, items: &[Spanned<DeValue<'_>>], at: Place, key: &str) -> Option<Value> {
        if items.len() != 3 {
            return self.complain(
                at,
                Wrong::ListLength {
                    key: key.to_owned(),
                    due: "three lengths",
                    found: items.len(),
                },
            );
        }
        let mut lengths = items.iter().zip(["x", "y", "z"]).map(|(item, axis)| {
            self.quantity(Dimension::Length, Range::Any, item, &joined(key, axis))
                .map(Length::new)
        });
        // All three are read before one that failed ends it.
        let (x, y, z) = (lengths.next()?, lengths.next()?, lengths.next()?);
        Some(Value::Point(Point::new(x?, y?, z?)))
    }

    fn device(
        &mut self,
        other: &DeValue<'_>,
        value: &Spanned<DeValue<'_>>,
        key: &str,
    ) -> Option<Value> {
        let (typed, id) = match other {
            DeValue::String(text) => {
                let plain = text.trim().replace('_', "");
                let id = match plain.strip_prefix("0x").or(plain.strip_prefix("0X")) {
                    Some(hex) if !hex.starts_with('+') => u64::from_str_radix(hex, 16).ok(),
                    Some(_) => None,
                    None if plain.starts_with('+') => None,
                    None => plain.parse().ok(),
                };
                (text.chars().take(40).collect(), id)
            }
            DeValue::Integer(integer) => (
                integer.to_string(),
                u64::from_str_radix(integer.as_str(), integer.radix()).ok(),
            ),
            _ => {
                return self.wrong_type(value, key, "a device id", "\"0x51c4000000000001\"");
            }
        };
        match id.filter(|id| *id != 0) {
            Some(id) => Some(Value::Device(id)),
            None => self.complain(value.span().into(), Wrong::DeviceId { typed }),
        }
    }

    fn names(&mut self, items: &[Spanned<DeValue<'_>>], key: &str) -> Option<Value> {
        let mut names = Vec::new();
        let mut all = true;
        for item in items {
            if let DeValue::String(text) = item.get_ref() {
                names.push(Placed {
                    value: text.trim().to_owned(),
                    at: item.span().into(),
                });
            } else {
                self.wrong_type(item, key, "a name", "\"a name in quotes\"");
                all = false;
            }
        }
        all.then_some(Value::Names(names))
    }

    fn rows(
        &mut self,
        left: Column,
        right: Column,
        items: &[Spanned<DeValue<'_>>],
        key: &str,
    ) -> Option<Value> {
        let mut rows = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let key = joined(key, &(i + 1).to_string());
            let at: Place = item.span().into();
            let DeValue::Array(pair) = item.get_ref() else {
                self.wrong_type(item, &key, "a row", "[\"20 mm\", \"500 N\"]");
                continue;
            };
            let [one, other] = &pair[..] else {
                self.complain(
                    at,
                    Wrong::ListLength {
                        key,
                        due: "two",
                        found: pair.len(),
                    },
                );
                continue;
            };
            let one = self.cell(left, one, &key);
            let other = self.cell(right, other, &key);
            if let (Some(one), Some(other)) = (one, other) {
                rows.push(Placed {
                    value: (one, other),
                    at,
                });
            }
        }
        (rows.len() == items.len()).then_some(Value::Rows(rows))
    }

    fn triples(
        &mut self,
        of: [Dimension; 3],
        items: &[Spanned<DeValue<'_>>],
        key: &str,
    ) -> Option<Value> {
        let mut rows = Vec::new();
        for (i, item) in items.iter().enumerate() {
            let key = joined(key, &(i + 1).to_string());
            let at: Place = item.span().into();
            let DeValue::Array(cells) = item.get_ref() else {
                self.wrong_type(item, &key, "a row", "[\"180 mm\", \"3 bar\", \"2250 N\"]");
                continue;
            };
            let [one, two, three] = &cells[..] else {
                let found = cells.len();
                let due = "three";
                self.complain(at, Wrong::ListLength { key, due, found });
                continue;
            };
            let read = [(of[0], one), (of[1], two), (of[2], three)]
                .map(|(of, cell)| self.quantity(of, Range::Any, cell, &key));
            if let [Some(one), Some(two), Some(three)] = read {
                let value = [one, two, three];
                rows.push(Placed { value, at });
            }
        }
        (rows.len() == items.len()).then_some(Value::Triples(rows))
    }

    fn cell(&mut self, column: Column, value: &Spanned<DeValue<'_>>, key: &str) -> Option<f64> {
        match column {
            Column::Quantity(of) => self.quantity(of, Range::Any, value, key),
            Column::Ratio(lowest, highest) => self.ratio(lowest, highest, value, key),
        }
    }
}

/// The value of a default, written in the form as one would type it.
fn assumed(field: &Field, default: &str) -> Option<Value> {
    match &field.kind {
        Kind::Name | Kind::OnTheLine | Kind::Word(_) => Some(Value::Text(default.to_owned())),
        Kind::Flag => default.parse().ok().map(Value::Flag),
        Kind::Whole(..) => default.parse().ok().map(Value::Whole),
        Kind::Quantity(of, _) => read(default, *of).ok().map(|w| Value::Quantity(w.si, *of)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::form::SHEET;

    /// Every default of the form and of the tables in it can be read and is
    /// within its own range; a slip there would leave a value silently out.
    #[test]
    fn every_default_of_the_form_is_good() {
        fn walk(form: &'static Form, seen: &mut usize) {
            for field in form.fields {
                if let Some(default) = field.default {
                    *seen += 1;
                    let value = assumed(field, default);
                    assert!(value.is_some(), "{}: '{default}'", field.key);
                    if let (Kind::Quantity(_, range), Some(Value::Quantity(si, _))) =
                        (&field.kind, value)
                    {
                        assert_eq!(range.refuses(si), None, "{}", field.key);
                    }
                    if let Kind::Word(words) = field.kind {
                        assert!(words.contains(&default), "{}", field.key);
                    }
                    assert!(!field.required, "{} is required and assumed", field.key);
                }
                match field.kind {
                    Kind::Table(form) | Kind::Partial(form) | Kind::Tables(form) => {
                        walk(form, seen);
                    }
                    _ => {}
                }
            }
        }
        let mut seen = 0;
        walk(&SHEET, &mut seen);
        assert!(seen > 20);
    }
}
