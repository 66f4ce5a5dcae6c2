//! What the JSON of each command looks like, as JSON Schema (2020-12).
//!
//! In: the name of an output. Out: its schema. The schemas are files beside this
//! one; `tests/schemas.rs` holds real outputs against them.

/// Every output with a schema: its name, and the text of the schema.
pub const SCHEMAS: [(&str, &str); 6] = [
    ("targets", include_str!("schemas/targets.json")),
    ("advise", include_str!("schemas/advise.json")),
    ("settle", include_str!("schemas/settle.json")),
    ("log", include_str!("schemas/log.json")),
    ("export", include_str!("schemas/export.json")),
    ("watch", include_str!("schemas/watch.json")),
];
