//! The form as JSON Schema, for editors.
//!
//! In: the form. Out: JSON Schema, draft 2020-12. Refused: nothing; what takes
//! more than one value to judge is left to the checks.

use serde_json::{Map, Value, json};

use super::form::{Column, Field, Form, Kind, Range, SHEET};
use crate::quantity::Dimension;

/// The JSON Schema of a sheet.
pub fn schema() -> Value {
    let mut schema = object(&SHEET, false);
    if let Value::Object(map) = &mut schema {
        map.insert(
            "$schema".to_owned(),
            json!("https://json-schema.org/draft/2020-12/schema"),
        );
        map.insert("title".to_owned(), json!("build sheet"));
        let definitions: Map<String, Value> = Dimension::ALL
            .iter()
            .flat_map(|of| {
                [true, false].map(|signed| (definition_name(*of, signed), definition(*of, signed)))
            })
            .collect();
        map.insert("$defs".to_owned(), Value::Object(definitions));
    }
    schema
}

fn object(form: &Form, partial: bool) -> Value {
    let mut properties = Map::new();
    for field in form.fields {
        properties.insert(field.key.to_owned(), property(field, partial));
    }
    let mut schema = json!({
        "type": "object",
        "description": form.about,
        "properties": properties,
        "additionalProperties": false,
    });
    let required: Vec<&str> = form
        .fields
        .iter()
        .filter(|f| f.required && !partial)
        .map(|f| f.key)
        .collect();
    if let (Value::Object(map), false) = (&mut schema, required.is_empty()) {
        map.insert("required".to_owned(), json!(required));
    }
    schema
}

fn property(field: &Field, partial: bool) -> Value {
    let mut schema = kind(&field.kind, partial);
    if let Value::Object(map) = &mut schema {
        map.insert("description".to_owned(), json!(field.about));
        if let (Some(default), false) = (field.default, partial) {
            let default = match field.kind {
                Kind::Flag | Kind::Whole(..) => {
                    serde_json::from_str(default).unwrap_or_else(|_| json!(default))
                }
                _ => json!(default),
            };
            map.insert("default".to_owned(), default);
        }
    }
    schema
}

fn kind(kind: &Kind, partial: bool) -> Value {
    match kind {
        Kind::Name | Kind::OnTheLine => json!({"type": "string", "minLength": 1}),
        Kind::Word(words) => json!({"type": "string", "enum": words}),
        Kind::Flag => json!({"type": "boolean"}),
        Kind::Whole(lowest, highest) => {
            json!({"type": "integer", "minimum": lowest, "maximum": highest})
        }
        Kind::Ratio(lowest, highest) => ratio(*lowest, *highest),
        Kind::Quantity(of, range) => quantity(*of, *range),
        Kind::AngleOrLength(range) => {
            json!({"anyOf": [quantity(Dimension::Angle, *range), quantity(Dimension::Length, *range)]})
        }
        Kind::Point => json!({
            "type": "array",
            "items": quantity(Dimension::Length, Range::Any),
            "minItems": 3,
            "maxItems": 3,
        }),
        Kind::Device => json!({"anyOf": [
            {"type": "string", "pattern": "^(0[xX][0-9A-Fa-f_]+|[0-9_]+)$"},
            {"type": "integer", "minimum": 1},
        ]}),
        Kind::Names => json!({"type": "array", "items": {"type": "string", "minLength": 1}}),
        Kind::Rows(left, right) => json!({
            "type": "array",
            "items": {
                "type": "array",
                "prefixItems": [column(*left), column(*right)],
                "minItems": 2,
                "maxItems": 2,
            },
        }),
        Kind::Triples(of) => json!({
            "type": "array",
            "items": {
                "type": "array",
                "prefixItems": of.map(|of| quantity(of, Range::Any)),
                "minItems": 3,
                "maxItems": 3,
            },
        }),
        Kind::Table(form) => object(form, partial),
        Kind::Partial(form) => object(form, true),
        Kind::Tables(form) => json!({"type": "array", "items": object(form, false)}),
    }
}

fn column(column: Column) -> Value {
    match column {
        Column::Quantity(of) => quantity(of, Range::Any),
        Column::Ratio(lowest, highest) => ratio(lowest, highest),
    }
}

fn ratio(lowest: f64, highest: f64) -> Value {
    json!({"type": "number", "minimum": lowest, "maximum": highest})
}

/// A number with a unit, by reference.
fn quantity(of: Dimension, range: Range) -> Value {
    let signed = match range {
        Range::NotNegative | Range::Positive => false,
        Range::Any => true,
        Range::Between(lowest, ..) => lowest < 0.0,
    };
    json!({"$ref": format!("#/$defs/{}", definition_name(of, signed))})
}

fn definition_name(of: Dimension, signed: bool) -> String {
    let code = of.code();
    if signed {
        format!("signed_{code}")
    } else {
        code.to_owned()
    }
}

/// A number with a unit of the dimension. The pattern takes the number
/// loosely, and the unit in any of its spellings, capitals or not.
fn definition(of: Dimension, signed: bool) -> Value {
    let torque = of == Dimension::RollRate;
    let units: Vec<String> = of.spellings().map(|u| loosely(u, torque)).collect();
    let sign = if signed { "[-+−]?" } else { "[+]?" };
    let pattern = format!(
        "^\\s*{sign}\\s*[0-9.½¼¾⅛⅜⅝⅞][-0-9.eE+/ ½¼¾⅛⅜⅝⅞]*({})\\.?\\s*$",
        units.join("|")
    );
    json!({
        "type": "string",
        "description": format!(
            "{} with its unit: {}",
            of.with_article(),
            of.units_to_read()
        ),
        "pattern": pattern,
        "examples": [of.example()],
    })
}

/// A unit as a pattern: small letters or capitals, spaces beside a stroke,
/// and in a torque spaces or dots between its parts.
fn loosely(unit: &str, torque: bool) -> String {
    let mut pattern = String::new();
    for (i, c) in unit.chars().enumerate() {
        if torque && i > 0 && c != '/' && c.is_ascii_alphabetic() {
            pattern.push_str("[ ·⋅*.]*");
        }
        if c == '/' {
            pattern.push_str("\\s*/\\s*");
        } else if c.is_ascii_alphabetic() {
            pattern.push('[');
            pattern.push(c.to_ascii_lowercase());
            pattern.push(c.to_ascii_uppercase());
            pattern.push(']');
        } else {
            pattern.push(c);
        }
    }
    pattern
}
