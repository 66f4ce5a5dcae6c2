//! What is behind a change.

use serde::Serialize;

/// A possible cause with its evidence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cause {
    /// Its name for programs: `springs`, `tyre`, `sensor`, `temperature`.
    pub cause: &'static str,
    /// It in words.
    pub words: String,
    /// What speaks for it, a sentence each.
    pub evidence: Vec<String>,
}
