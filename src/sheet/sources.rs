//! The texts a sheet is read from: the file, then what was set from outside.
//!
//! In: the file's text and overrides `path=value`. Out: one document with the
//! overrides put in, and for every place in it the text it came from.
//! Refused: an override whose path leads nowhere.

use serde_spanned::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use super::form::{Form, Kind, SHEET};
use super::mistakes::{Found, Place, Wrong};
use crate::quantity::nearest;

/// One text.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Source {
    /// As shown before line and column.
    pub(super) name: String,
    pub(super) text: String,
    /// Where its first byte stands in the counting of [`Place`].
    pub(super) base: usize,
    /// How much of it is the path of an override, `=` included.
    path: usize,
    /// Where its lines begin; the first at 0.
    pub(super) lines: Vec<usize>,
}

impl Source {
    fn new(name: &str, text: String, base: usize, path: usize) -> Self {
        let lines = std::iter::once(0)
            .chain(text.match_indices('\n').map(|(i, _)| i + 1))
            .collect();
        Self {
            name: name.to_owned(),
            text,
            base,
            path,
            lines,
        }
    }
}

/// All of them; never empty.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sources(pub(super) Vec<Source>);

impl Sources {
    pub(super) fn new(text: &str, file_name: &str, set: &[(&str, &str)]) -> Self {
        let mut all = vec![Source::new(file_name, text.to_owned(), 0, 0)];
        let mut base = text.len() + 1;
        for (path, value) in set {
            let text = format!("{path}={value}");
            let length = text.len();
            all.push(Source::new("--set", text, base, path.len() + 1));
            base += length + 1;
        }
        Self(all)
    }

    /// The text a place is in, and the place within it, cut to fit and put on
    /// whole characters.
    pub(super) fn find(&self, place: Place) -> (&Source, std::ops::Range<usize>) {
        let index = self
            .0
            .partition_point(|s| s.base <= place.start)
            .saturating_sub(1);
        let source = &self.0[index];
        let mut start = place
            .start
            .saturating_sub(source.base)
            .min(source.text.len());
        let mut end = place.end.saturating_sub(source.base).min(source.text.len());
        while !source.text.is_char_boundary(start) {
            start -= 1;
        }
        while !source.text.is_char_boundary(end) {
            end += 1;
        }
        (source, start..end.max(start))
    }

    /// The document with every override in it.
    pub(super) fn document(&self, found: &mut Vec<Found>) -> (DeTable<'_>, bool) {
        let (document, errors) = DeTable::parse_recoverable(&self.0[0].text);
        let whole = errors.is_empty();
        for error in errors {
            let end = self.0[0].text.len();
            found.push(Found::new(
                error.span().unwrap_or(end..end).into(),
                Wrong::Syntax {
                    why: error.message().replace('`', "'"),
                },
            ));
        }
        let mut document = document.into_inner();
        for source in &self.0[1..] {
            put_in(source, &mut document, found);
        }
        (document, whole)
    }
}

fn put_in<'s>(source: &'s Source, document: &mut DeTable<'s>, found: &mut Vec<Found>) {
    let typed = &source.text[source.path..];
    let base = source.base + source.path;
    // What is TOML is taken as such, everything else as text: nobody wants to
    // quote a quantity twice on a command line.
    let mut value = match DeValue::parse(typed) {
        Ok(value) => value,
        Err(_) => Spanned::new(
            0..typed.len(),
            DeValue::String(std::borrow::Cow::Borrowed(typed)),
        ),
    };
    move_by(&mut value, base);
    let path_place = source.base..base - 1;
    let path = &source.text[..source.path - 1];
    let steps: Option<Vec<&str>> = steps(path);
    let result = match steps {
        Some(steps) => step(&SHEET, document, &steps, value, &path_place),
        None => Err("a step of the path is empty".to_owned()),
    };
    if let Err(why) = result {
        found.push(Found::new(
            path_place.into(),
            Wrong::SetPath {
                path: path.to_owned(),
                why,
            },
        ));
    }
}

/// Splits at the points; a step with a point in it stands in double quotes.
fn steps(path: &str) -> Option<Vec<&str>> {
    let mut steps = Vec::new();
    let mut rest = path.trim();
    loop {
        let (step, after) = if let Some(quoted) = rest.strip_prefix('"') {
            quoted.split_once('"')?
        } else {
            rest.split_at(rest.find('.').unwrap_or(rest.len()))
        };
        if step.trim().is_empty() {
            return None;
        }
        steps.push(step.trim());
        if after.is_empty() {
            return Some(steps);
        }
        rest = after.strip_prefix('.')?;
    }
}

fn move_by(value: &mut Spanned<DeValue<'_>>, base: usize) {
    let span = value.span();
    match value.get_mut() {
        DeValue::Array(items) => {
            for item in items.iter_mut() {
                move_by(item, base);
            }
        }
        DeValue::Table(table) => {
            let entries = std::mem::take(table);
            for (key, mut inner) in entries {
                move_by(&mut inner, base);
                let span = key.span();
                let key = Spanned::new(span.start + base..span.end + base, key.into_inner());
                table.insert(key, inner);
            }
        }
        _ => {}
    }
    let inner = std::mem::replace(value.get_mut(), DeValue::Boolean(false));
    *value = Spanned::new(span.start + base..span.end + base, inner);
}

/// Walks the steps down from a table and puts the value at the end.
fn step<'s>(
    form: &'static Form,
    table: &mut DeTable<'s>,
    steps: &[&'s str],
    value: Spanned<DeValue<'s>>,
    place: &std::ops::Range<usize>,
) -> Result<(), String> {
    let Some((first, rest)) = steps.split_first() else {
        return Err("it ends too early".to_owned());
    };
    let Some(field) = form.field(first) else {
        return Err(match nearest(first, form.keys()) {
            Some(meant) => format!("there is no '{first}'; did you mean '{meant}'?"),
            None => format!(
                "there is no '{first}'; there are {}",
                form.keys().collect::<Vec<_>>().join(", ")
            ),
        });
    };
    if rest.is_empty() {
        let key = Spanned::new(place.clone(), std::borrow::Cow::Borrowed(field.key));
        table.remove(field.key);
        table.insert(key, value);
        return Ok(());
    }
    match field.kind {
        Kind::Table(form) | Kind::Partial(form) => {
            if !table.contains_key(field.key) {
                table.insert(
                    Spanned::new(place.clone(), std::borrow::Cow::Borrowed(field.key)),
                    Spanned::new(place.clone(), DeValue::Table(DeTable::new())),
                );
            }
            match table.get_mut(field.key).map(Spanned::get_mut) {
                Some(DeValue::Table(inner)) => step(form, inner, rest, value, place),
                _ => Err(format!("'{first}' is no table in the sheet")),
            }
        }
        Kind::Tables(form) => match table.get_mut(field.key).map(Spanned::get_mut) {
            Some(DeValue::Array(items)) => {
                one_of(items, first, rest, |item, rest| match item.get_mut() {
                    DeValue::Table(table) => step(form, table, rest, value, place),
                    _ => Err(format!("'{first}' is no list of tables in the sheet")),
                })
            }
            _ => Err(format!("the sheet has no '{first}'")),
        },
        _ => Err(format!("'{first}' is no table")),
    }
}

/// The one of a list of tables that has the name, or else the number, counted
/// from 1.
fn one_of<'s>(
    items: &mut DeArray<'s>,
    list: &str,
    steps: &[&'s str],
    then: impl FnOnce(&mut Spanned<DeValue<'s>>, &[&'s str]) -> Result<(), String>,
) -> Result<(), String> {
    let Some((first, rest)) = steps.split_first() else {
        return Err("it ends too early".to_owned());
    };
    let names: Vec<String> = items
        .iter()
        .map(
            |item| match item.get_ref().get("name").map(Spanned::get_ref) {
                Some(DeValue::String(name)) => name.to_string(),
                _ => String::new(),
            },
        )
        .collect();
    let index = names.iter().position(|n| n == first).or_else(|| {
        let number: usize = first.parse().ok()?;
        number.checked_sub(1).filter(|i| *i < names.len())
    });
    match index.and_then(|i| items.get_mut(i)) {
        Some(item) => then(item, rest),
        None => Err(
            match nearest(
                first,
                names.iter().map(String::as_str).filter(|n| !n.is_empty()),
            ) {
                Some(meant) => format!("no {list} is named '{first}'; did you mean '{meant}'?"),
                None => format!("no {list} is named '{first}'"),
            },
        ),
    }
}
