//! Every JSON that is documented is held against its schema, on real outputs.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path =
            std::env::temp_dir().join(format!("stillheight-schema-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(arguments)
            .current_dir(&self.0)
            .output()
            .unwrap()
    }

    fn text(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert!(
            output.status.success(),
            "{arguments:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }

    fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.text(arguments)).unwrap()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    }
}

/// The part of JSON Schema that the schemas use: type, const, properties, required,
/// items, anyOf. A key that the schema does not name is a mistake here, so that
/// nothing goes undocumented.
fn check(schema: &Value, value: &Value, at: &str) -> Result<(), String> {
    if let Some(all) = schema["anyOf"].as_array() {
        let tried: Vec<String> = all
            .iter()
            .filter_map(|s| check(s, value, at).err())
            .collect();
        return if tried.len() < all.len() {
            Ok(())
        } else {
            Err(tried.join("\n"))
        };
    }
    if let Some(wanted) = schema.get("const") {
        return if wanted == value {
            Ok(())
        } else {
            Err(format!("{at}: {value} is not {wanted}"))
        };
    }
    let types: Vec<&str> = match &schema["type"] {
        Value::String(one) => vec![one.as_str()],
        Value::Array(many) => many.iter().filter_map(Value::as_str).collect(),
        _ => return Ok(()),
    };
    if !types.contains(&kind(value)) {
        return Err(format!("{at}: {} where {types:?} is due", kind(value)));
    }
    for key in schema["required"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
    {
        if value.is_object() && value.get(key).is_none() {
            return Err(format!("{at}: '{key}' is missing"));
        }
    }
    for (key, inner) in value.as_object().into_iter().flatten() {
        let known = schema["properties"]
            .get(key)
            .ok_or_else(|| format!("{at}: '{key}' is not in the schema"))?;
        check(known, inner, &format!("{at}.{key}"))?;
    }
    for (i, inner) in value.as_array().into_iter().flatten().enumerate() {
        if schema.get("items").is_some() {
            check(&schema["items"], inner, &format!("{at}[{i}]"))?;
        }
    }
    Ok(())
}

#[test]
fn the_check_itself_finds_what_is_wrong() {
    let schema = serde_json::json!({"type": "object", "properties": {"a_mm": {"type": ["number", "null"]}}, "required": ["a_mm"]});
    assert!(check(&schema, &serde_json::json!({"a_mm": 1.0}), "").is_ok());
    assert!(check(&schema, &serde_json::json!({"a_mm": null}), "").is_ok());
    for wrong in [
        serde_json::json!({"a_mm": "1"}),
        serde_json::json!({}),
        serde_json::json!({"a_mm": 1, "b": 2}),
        serde_json::json!([1]),
    ] {
        assert!(check(&schema, &wrong, "").is_err(), "{wrong}");
    }
}

#[test]
fn real_outputs_are_as_their_schemas_say() {
    let folder = Folder::new("outputs");
    let schema = |name: &str| folder.json(&["schema", name]);
    let holds = |name: &str, value: &Value| {
        if let Err(why) = check(&schema(name), value, name) {
            panic!("{why}");
        }
    };
    let names = folder.text(&["schema"]);
    assert_eq!(
        names.lines().collect::<Vec<_>>(),
        ["targets", "advise", "settle", "log", "export", "watch"]
    );
    assert_eq!(folder.run(&["schema", "nothing"]).status.code(), Some(2));

    let valid = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sheets/valid");
    let mut seen = 0;
    for entry in std::fs::read_dir(valid).unwrap() {
        let path = entry.unwrap().path();
        let sheet = path.to_str().unwrap();
        let output = folder.run(&["targets", sheet, "--json"]);
        if output.status.success() {
            holds("targets", &serde_json::from_slice(&output.stdout).unwrap());
            seen += 1;
        }
    }
    assert!(seen >= 4, "{seen}");

    folder.text(&["sheet", "new", "van.toml", "--units", "inch"]);
    holds("advise", &folder.json(&["advise", "van.toml", "--json"]));
    let watched = folder.text(&[
        "rehearse", "--json", "--speed", "20", "--folder", ".", "--seed", "5",
    ]);
    let (events, line) = (schema("watch"), schema("export"));
    for text in watched.lines() {
        let value: Value = serde_json::from_str(text).unwrap();
        check(&events, &value, "watch").unwrap_or_else(|why| panic!("{why}"));
    }
    folder.text(&[
        "changed",
        "rehearsal.toml",
        "--collar",
        "rear right",
        "--turns",
        "-1/2",
        "--note",
        "half a turn",
    ]);
    folder.text(&["changed", "rehearsal.toml", "--note", "tyres pumped"]);
    for text in folder.text(&["export", "rehearsal.toml", "--json"]).lines() {
        let value: Value = serde_json::from_str(text).unwrap();
        check(&line, &value, "export").unwrap_or_else(|why| panic!("{why}"));
    }
    holds("log", &folder.json(&["log", "rehearsal.toml", "--json"]));
    holds(
        "advise",
        &folder.json(&["advise", "rehearsal.toml", "--json"]),
    );
    holds(
        "settle",
        &folder.json(&["settle", "rehearsal.toml", "--bare", "--json"]),
    );
}
