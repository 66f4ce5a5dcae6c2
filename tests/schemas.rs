//! Every JSON that is documented is held against its schema, on real outputs.

use crate::room::folder::Folder;
use clap::CommandFactory as _;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use stillheight::report::SCHEMAS;
use stillheight::run::Arguments;

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
/// additionalProperties, items, anyOf. A key that the schema does not name is a mistake here, so that
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
            .or_else(|| schema.get("additionalProperties"))
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

/// Every command of the command line that has `--json`, as it is typed.
fn commands_with_json() -> BTreeSet<String> {
    fn gather(command: &clap::Command, path: &str, found: &mut BTreeSet<String>) {
        if command
            .get_arguments()
            .any(|a| a.get_long() == Some("json"))
        {
            found.insert(path.to_owned());
        }
        for inner in command.get_subcommands() {
            let path = format!("{path} {}", inner.get_name());
            gather(inner, path.trim(), found);
        }
    }
    let mut found = BTreeSet::new();
    gather(&Arguments::command(), "", &mut found);
    found
}

#[test]
fn every_command_with_json_has_a_schema_and_no_schema_is_of_nothing() {
    let asked = commands_with_json();
    assert!(
        asked.contains("loadtest plan") && asked.len() > 15,
        "{asked:?}"
    );
    let described: BTreeSet<String> = SCHEMAS
        .iter()
        .flat_map(|of| of.commands)
        .filter(|command| **command != "watch --publish")
        .map(|command| command.split(" --").next().unwrap().to_owned())
        .collect();
    assert_eq!(asked, described);
    // A flag or story in the table is one of that command.
    for command in SCHEMAS.iter().flat_map(|of| of.commands) {
        let mut parts = command.split(" --");
        let mut at = Arguments::command();
        for word in parts.next().unwrap().split(' ') {
            at = at.find_subcommand(word).unwrap().clone();
        }
        for flag in parts {
            let name = flag.split(' ').next().unwrap();
            assert!(
                at.get_arguments().any(|a| a.get_long() == Some(name)),
                "{command}"
            );
        }
    }
}

/// Every key is explained, and what has a number and a unit says the unit.
#[test]
fn every_key_is_described() {
    fn walk(schema: &Value, at: &str, seen: &mut usize) {
        for (key, inner) in schema["properties"].as_object().into_iter().flatten() {
            *seen += 1;
            let about = inner["description"].as_str().unwrap_or_default();
            assert!(
                about.len() > 3 && about.ends_with('.'),
                "{at}.{key}: '{about}'"
            );
            walk(inner, &format!("{at}.{key}"), seen);
        }
        for name in schema["required"].as_array().into_iter().flatten() {
            let name = name.as_str().unwrap();
            assert!(schema["properties"].get(name).is_some(), "{at}: {name}");
        }
        walk_if(&schema["items"], at, seen);
        for inner in schema["anyOf"].as_array().into_iter().flatten() {
            walk(inner, at, seen);
        }
    }
    fn walk_if(schema: &Value, at: &str, seen: &mut usize) {
        if schema.is_object() {
            walk(schema, at, seen);
        }
    }
    for of in SCHEMAS {
        let schema: Value = serde_json::from_str(of.text).unwrap();
        assert!(schema["title"].is_string() && schema["description"].is_string());
        let mut seen = 0;
        walk(&schema, of.name, &mut seen);
        assert!(seen > 1, "{}: {seen}", of.name);
    }
}

/// The schema of a name.
fn schema(name: &str) -> Value {
    let of = SCHEMAS.iter().find(|of| of.name == name).unwrap();
    serde_json::from_str(of.text).unwrap()
}

/// Holds an output against its schema.
pub(crate) fn holds(name: &str, value: &Value) {
    if let Err(why) = check(&schema(name), value, name) {
        panic!("{why}\nin {value}");
    }
}

/// Holds every line of an output against its schema.
pub(crate) fn lines_hold(name: &str, text: &str) {
    let schema = schema(name);
    for line in text.lines() {
        let value: Value = serde_json::from_str(line).unwrap();
        check(&schema, &value, name).unwrap_or_else(|why| panic!("{why}\nin {line}"));
    }
}

fn valid_sheets() -> Vec<String> {
    let valid = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sheets/valid");
    std::fs::read_dir(valid)
        .unwrap()
        .map(|entry| entry.unwrap().path().to_str().unwrap().to_owned())
        .collect()
}

#[test]
fn schemas_are_printed_and_listed_with_their_commands() {
    let folder = Folder::new("printed");
    let names = folder.text(&["schema"]);
    for (line, of) in names.lines().zip(SCHEMAS) {
        assert!(
            line.starts_with(of.name) && line.contains(of.commands[0]),
            "{line}"
        );
    }
    assert_eq!(names.lines().count(), SCHEMAS.len());
    for of in SCHEMAS {
        assert_eq!(folder.json(&["schema", of.name]), schema(of.name));
    }
    assert_eq!(folder.run(&["schema", "nothing"]).status.code(), Some(2));
}

#[test]
fn what_is_worked_out_from_sheets_is_as_its_schemas_say() {
    let folder = Folder::new("sheets");
    let mut seen = std::collections::BTreeMap::new();
    let mut sheets = valid_sheets();
    for units in ["metric", "inch"] {
        let name = format!("{units}.toml");
        folder.text(&["sheet", "new", &name, "--units", units]);
        sheets.push(name);
    }
    let asked: [(&str, &[&str]); 8] = [
        ("targets", &["targets"]),
        ("layout", &["layout"]),
        ("layout-lean", &["layout", "--lean"]),
        ("layout-wheel", &["layout", "--wheel"]),
        ("layout-link", &["layout", "--link"]),
        ("loadtest-plan", &["loadtest", "plan", "--stops", "5"]),
        ("advise", &["advise"]),
        ("sheet-check", &["sheet", "check"]),
    ];
    for sheet in &sheets {
        for (name, command) in asked {
            let mut arguments = command.to_vec();
            arguments.extend([sheet.as_str(), "--json"]);
            let output = folder.run(&arguments);
            // What a sheet does not ask for is refused, with a sentence.
            if output.status.success() {
                holds(name, &serde_json::from_slice(&output.stdout).unwrap());
                *seen.entry(name).or_insert(0) += 1;
            }
        }
    }
    for (name, _) in asked {
        assert!(seen.get(name).is_some_and(|n| *n >= 2), "{name}: {seen:?}");
    }
    let wrong =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sheets/invalid/eight-at-once.toml");
    let output = folder.run(&["sheet", "check", wrong.to_str().unwrap(), "--json"]);
    assert_eq!(output.status.code(), Some(2));
    let checked: Value = serde_json::from_slice(&output.stdout).unwrap();
    holds("sheet-check", &checked);
    assert_eq!(checked["mistakes"].as_array().unwrap().len(), 8);
    assert_eq!(checked["good"], false);

    let sizes = [
        "layout",
        "metric.toml",
        "--wheel",
        "--sizes",
        "215/65R16,235/60R17",
        "--json",
    ];
    holds("layout-wheel", &folder.json(&sizes));
    for sweep in [
        &["rear.spring.rate=20..30/5 N/mm"][..],
        &[
            "rear.spring.rate=1..30/10 N/mm",
            "front.spring.rate=20..40/10 N/mm",
        ],
    ] {
        let mut arguments = vec!["targets", "metric.toml", "--json"];
        for one in sweep {
            arguments.extend(["--sweep", one]);
        }
        holds("targets-sweep", &folder.json(&arguments));
    }
    let wire = [
        "wire", "--wire", "12 mm", "--coil", "70 mm", "--active", "6", "--free", "260 mm", "--at",
        "3000 N", "--json",
    ];
    holds("wire", &folder.json(&wire));
    std::fs::write(
        folder.0.join("w.toml"),
        folder.text(&["weigh", "--example"]),
    )
    .unwrap();
    holds("weigh", &folder.json(&["weigh", "w.toml", "--json"]));
    holds(
        "advise-why",
        &folder.json(&[
            "advise",
            "metric.toml",
            "--why",
            "rear left collar 2 turns up",
            "--json",
        ]),
    );
    holds(
        "sensors",
        &folder.json(&["sensors", "--for", "0.1s", "--json"]),
    );

    let mut csv = "time_h,height_mm\n".to_owned();
    for i in 0..30_i32 {
        let t = 2.0 * f64::from(i);
        let height = 400.0 - 3.0 * (1.0 - (-t / 5.0).exp()) + 0.02 * f64::from((i * 7) % 5 - 2);
        csv.push_str(&format!("{t},{height}\n"));
    }
    std::fs::write(folder.0.join("s.csv"), csv).unwrap();
    for more in [&[][..], &["--law", "power"], &["--fix", "start_mm=400"]] {
        let mut arguments = vec!["settle", "fit", "--csv", "s.csv", "--json"];
        arguments.extend(more);
        holds("settle-fit", &folder.json(&arguments));
    }
}

#[test]
fn what_is_read_and_kept_is_as_its_schemas_say() {
    let folder = Folder::new("outputs");
    lines_hold(
        "watch",
        &folder.text(&[
            "rehearse", "--json", "--speed", "20", "--folder", ".", "--seed", "5",
        ]),
    );
    let fit = folder.run(&["loadtest", "fit", "rehearsal.toml", "--json"]);
    assert!(matches!(fit.status.code(), Some(0 | 3)));
    holds(
        "loadtest-fit",
        &serde_json::from_slice(&fit.stdout).unwrap(),
    );
    for words in [
        "rear left collar 2 turns up",
        "rear right collar 1/4 turn down",
    ] {
        let asked = ["advise", "rehearsal.toml", "--why", words, "--json"];
        holds("advise-why", &folder.json(&asked));
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
    lines_hold(
        "export",
        &folder.text(&["export", "rehearsal.toml", "--json"]),
    );
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

#[test]
fn what_a_turned_collar_and_a_load_test_tell_is_as_its_schemas_say() {
    let folder = Folder::new("stories");
    let turned = [
        "rehearse", "--story", "turning", "--json", "--speed", "20", "--folder", ".",
    ];
    let output = folder.run(&turned);
    lines_hold("watch", &String::from_utf8(output.stdout).unwrap());
    holds(
        "changed",
        &folder.json(&["changed", "rehearsal.toml", "--json"]),
    );
    let tested = ["rehearse", "--story", "loadtest", "--json", "--speed", "20"];
    let told = folder.text(&tested);
    lines_hold("loadtest", &told);
    assert!(told.contains("\"event\":\"result\""));
}
