//! Cautions, short.

use super::Dossier;
use maud::{Markup, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(_: &Dossier<'_>) -> Option<Markup> {
    Some(html! {
        div.box {
            ul {
                li { "A number on paper is no approval. Changes to suspension, steering and brakes follow local codes and are signed off by someone licensed for it." }
                li { "Work with frame and axle on rated stands, never on a jack alone; wheels chocked; nobody underneath while the load changes." }
                li { "Tack welds carry nobody: finish the welds before anybody climbs on, or use sandbags." }
                li { "Take the load off a spring before its collar is turned. Eyes off the beam of a laser module." }
                li { "Read again after the first days and after the first drive: springs and bushings take a set." }
            }
        }
    })
}
