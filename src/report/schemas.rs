//! What the JSON of each command looks like, as JSON Schema (2020-12).
//!
//! In: the name of an output. Out: its schema. The schemas are files beside this
//! one; `tests/schemas.rs` holds real outputs against them, and the commands that have
//! `--json` against this list.

/// An output with a schema.
#[derive(Debug, Clone, Copy)]
pub struct OutputSchema {
    /// Its name.
    pub name: &'static str,
    /// The commands that print it with `--json`; of MQTT messages, the flag that sends
    /// them.
    pub commands: &'static [&'static str],
    /// The schema.
    pub text: &'static str,
}

macro_rules! schema {
    ($name:literal, $($command:literal),+) => {
        OutputSchema {
            name: $name,
            commands: &[$($command),+],
            text: include_str!(concat!("schemas/", $name, ".json")),
        }
    };
}

/// Every output with a schema.
pub const SCHEMAS: [OutputSchema; 24] = [
    schema!("sheet-check", "sheet check"),
    schema!("layout", "layout"),
    schema!("layout-lean", "layout --lean"),
    schema!("layout-wheel", "layout --wheel"),
    schema!("layout-link", "layout --link"),
    schema!("wire", "wire"),
    schema!("weigh", "weigh"),
    schema!("targets", "targets"),
    schema!("targets-sweep", "targets --sweep"),
    schema!("sensors", "sensors"),
    schema!("sensors-try", "sensors try"),
    schema!("watch", "watch", "read", "settle watch", "rehearse"),
    schema!("loadtest-plan", "loadtest plan"),
    schema!("loadtest", "loadtest", "rehearse --story loadtest"),
    schema!("loadtest-fit", "loadtest fit"),
    schema!("advise", "advise"),
    schema!("advise-why", "advise --why"),
    schema!("changed", "changed"),
    schema!("settle", "settle"),
    schema!("settle-fit", "settle fit"),
    schema!("rehearse-settling", "rehearse --story settling"),
    schema!("log", "log"),
    schema!("export", "export"),
    schema!("mqtt", "watch --publish"),
];
