//! Lines to sign on.

use super::Dossier;
use maud::{Markup, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(_: &Dossier<'_>) -> Option<Markup> {
    Some(html! {
        div.sign {
            @for (who, what) in [
                ("Built and set up by", "name, date"),
                ("Read and checked by", "name, date"),
                ("Inspected and approved by, licence no.", "name, date"),
                ("Handed over to", "name, date"),
            ] {
                div { (who) br; (what) }
            }
        }
    })
}
