//! An operation in a builder's words: `rear left collar 2 turns up`, `rear right
//! lower hole C`, `front left spring red 30`.
//!
//! In: words. Out: [`Operation`]s. Refused, with what would be right: a unit, hole,
//! spring or number that is not there. `rear` or `front` alone, or `both`, means
//! both sides.

use super::setup::{End, Operation, Setup, holes};
use crate::quantity::nearest;
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// Why words are no operation.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum OrderError {
    /// No coilover or corner is named.
    #[error("'{words}' names no coilover or corner; there are {}", known.join(", "))]
    NoUnit {
        /// As typed.
        words: String,
        /// The names.
        known: Vec<String>,
    },
    /// It is not said what to do.
    #[error("'{words}' does not say what to do: a collar, a hole or a spring")]
    NoKind {
        /// As typed.
        words: String,
    },
    /// The turns cannot be read.
    #[error("'{words}' is no number of turns")]
    Turns {
        /// As typed.
        words: String,
    },
    /// There is no such hole or spring.
    #[error("there is no {what} '{name}'{}", nearby(meant.as_ref(), known))]
    Unknown {
        /// Hole or spring.
        what: &'static str,
        /// As typed.
        name: String,
        /// Probably meant.
        meant: Option<String>,
        /// What there is.
        known: Vec<String>,
    },
}

fn nearby(meant: Option<&String>, known: &[String]) -> String {
    match (meant, known) {
        (Some(meant), _) => format!("; did you mean '{meant}'?"),
        (None, []) => "; the sheet names none".to_owned(),
        (None, known) => format!("; there are {}", known.join(", ")),
    }
}

impl OrderError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NoUnit { .. } => "advice.order.unit",
            Self::NoKind { .. } => "advice.order.kind",
            Self::Turns { .. } => "advice.order.turns",
            Self::Unknown { .. } => "advice.order.unknown",
        }
    }

    /// What would be right.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NoUnit { .. } => "for example 'rear left collar 2 turns up'",
            Self::NoKind { .. } => {
                "for example 'rear left collar 2 turns up', 'rear lower hole B', 'front left spring NAME'"
            }
            Self::Turns { .. } => {
                "for example '2 turns up', '+1 1/2' or '3/4 turn down'; '+' and 'up' raise the collar"
            }
            Self::Unknown { .. } => {
                "holes and springs are named in the sheet: [[rear.lower_hole]], [[shelf]]"
            }
        }
    }
}

/// Turns as written: `2`, `1 1/2`, `+3/4`, `-0.5`, with `turn(s)` and `up` or `down`.
///
/// # Errors
/// What is no number of turns.
pub fn turns(words: &str) -> Result<f64, OrderError> {
    let wrong = || OrderError::Turns {
        words: words.to_owned(),
    };
    let (mut sign, mut total, mut seen) = (1.0, 0.0, false);
    for part in words.split_whitespace() {
        match part.to_lowercase().as_str() {
            "turn" | "turns" | "up" => continue,
            "down" => {
                sign = -sign;
                continue;
            }
            _ => {}
        }
        let (way, digits) = match part.strip_prefix('-') {
            Some(rest) => (-1.0, rest),
            None => (1.0, part.strip_prefix('+').unwrap_or(part)),
        };
        if way < 0.0 {
            if seen {
                return Err(wrong());
            }
            sign = -sign;
        }
        let value = match digits.split_once('/') {
            Some((a, b)) => {
                let (a, b): (f64, f64) = (
                    a.parse().map_err(|_| wrong())?,
                    b.parse().map_err(|_| wrong())?,
                );
                a / b
            }
            None => digits.parse().map_err(|_| wrong())?,
        };
        if !f64::is_finite(value) || value < 0.0 {
            return Err(wrong());
        }
        total += value;
        seen = true;
    }
    if !seen || total > 1000.0 {
        return Err(wrong());
    }
    Ok(sign * total)
}

/// The units that words name, and what is left of the words.
///
/// # Errors
/// No unit is named.
pub fn units<'w>(model: &Model, words: &'w str) -> Result<(Vec<usize>, &'w str), OrderError> {
    let trimmed = words.trim();
    let lower = trimmed.to_lowercase();
    let exact = (0..model.units.len())
        .filter(|&u| lower.starts_with(&model.units[u].name.to_lowercase()))
        .max_by_key(|&u| model.units[u].name.len());
    if let Some(unit) = exact {
        let rest = trimmed.get(model.units[unit].name.len()..).unwrap_or("");
        return Ok((vec![unit], rest.trim()));
    }
    for end in ["rear", "front"] {
        if let Some(rest) = lower.strip_prefix(end) {
            let of_end: Vec<usize> = (0..model.units.len())
                .filter(|&u| model.units[u].name.to_lowercase().starts_with(end))
                .collect();
            if !of_end.is_empty() {
                let at = trimmed.len() - rest.len();
                let rest = trimmed.get(at..).unwrap_or("").trim();
                let rest = rest.strip_prefix("both").unwrap_or(rest).trim();
                return Ok((of_end, rest));
            }
        }
    }
    Err(OrderError::NoUnit {
        words: words.to_owned(),
        known: model.units.iter().map(|u| u.name.clone()).collect(),
    })
}

/// Operations from words; several are separated by commas or `and`.
///
/// # Errors
/// The first part that is none.
pub fn order(sheet: &BuildSheet, model: &Model, words: &str) -> Result<Vec<Operation>, OrderError> {
    let mut all = Vec::new();
    for part in words.split([',', ';']).flat_map(|p| p.split(" and ")) {
        let (units, rest) = units(model, part)?;
        let (kind, rest) = rest.split_once(char::is_whitespace).unwrap_or((rest, ""));
        let rest = rest.trim();
        for unit in units {
            let operation = match kind.to_lowercase().as_str() {
                "collar" => Operation::Collar {
                    unit,
                    turns: turns(rest)?,
                },
                "upper" | "lower" => {
                    let end = if kind.eq_ignore_ascii_case("upper") {
                        End::Upper
                    } else {
                        End::Lower
                    };
                    let name = rest.strip_prefix("hole").unwrap_or(rest).trim();
                    hole(sheet, model, unit, end, name)?
                }
                "spring" => spring(sheet, unit, rest)?,
                _ => {
                    return Err(OrderError::NoKind {
                        words: part.trim().to_owned(),
                    });
                }
            };
            all.push(operation);
        }
    }
    Ok(all)
}

/// A bolt to the hole of that name.
///
/// # Errors
/// There is no such hole.
pub fn hole(
    sheet: &BuildSheet,
    model: &Model,
    unit: usize,
    end: End,
    name: &str,
) -> Result<Operation, OrderError> {
    let list = holes(sheet, &model.units[unit].name, end);
    match list.iter().position(|h| h.name.eq_ignore_ascii_case(name)) {
        Some(hole) => Ok(Operation::Hole { unit, end, hole }),
        None => Err(unknown(
            "hole",
            name,
            list.iter().map(|h| h.name.clone()).collect(),
        )),
    }
}

/// A spring of that name from the shelf; `own` is the sheet's own.
///
/// # Errors
/// There is no such spring.
pub fn spring(sheet: &BuildSheet, unit: usize, name: &str) -> Result<Operation, OrderError> {
    if name.eq_ignore_ascii_case("own") {
        return Ok(Operation::Spring { unit, spring: None });
    }
    match sheet
        .shelf
        .iter()
        .position(|s| s.name.eq_ignore_ascii_case(name))
    {
        Some(i) => Ok(Operation::Spring {
            unit,
            spring: Some(i),
        }),
        None => Err(unknown(
            "spring",
            name,
            sheet.shelf.iter().map(|s| s.name.clone()).collect(),
        )),
    }
}

fn unknown(what: &'static str, name: &str, known: Vec<String>) -> OrderError {
    OrderError::Unknown {
        what,
        name: name.to_owned(),
        meant: nearest(name, known.iter().map(String::as_str)).map(str::to_owned),
        known,
    }
}

/// What an operation of the builder's own would lead to, where the sheet has it.
pub fn changed(
    sheet: &BuildSheet,
    model: &Model,
    setup: &Setup,
    operations: &[Operation],
) -> Option<Setup> {
    let mut setup = setup.clone();
    operations
        .iter()
        .all(|o| setup.change(sheet, model, *o))
        .then_some(setup)
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        clippy::float_cmp,
        reason = "a test may end; exact values"
    )]
    use super::*;

    #[test]
    fn turns_are_read_as_a_hand_counts_them() {
        let table = [
            ("2 turns up", 2.0),
            ("+1 1/2", 1.5),
            ("3/4 turn down", -0.75),
            ("-0.5", -0.5),
            ("-1 1/4 turns", -1.25),
            ("1", 1.0),
        ];
        for (words, expected) in table {
            assert_eq!(turns(words).unwrap(), expected, "{words}");
        }
        for wrong in ["", "up", "two", "1/0", "nan", "1 -1", "5000", "inf"] {
            assert!(turns(wrong).is_err(), "{wrong}");
        }
    }
}
