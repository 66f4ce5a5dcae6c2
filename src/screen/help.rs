//! The help: keys, signs and words, over the middle of the screen.
//!
//! In: the view (replay has one key more). Out: a framed list. Refused:
//! nothing; what finds no row is left out from the bottom.

use super::head;
use super::pane::{Pane, wide};
use super::view::{Source, View};

const KEYS: [(&str, &str); 7] = [
    ("1-9 …", "put the load with that key on or take it off"),
    ("k", "keep a reading now"),
    ("n", "write a note into the logbook"),
    ("l", "one quantity fills the screen; again: back"),
    ("Tab", "next quantity in the large mode"),
    ("?", "this help; any key closes it"),
    ("q", "quit; what was kept stays kept"),
];

const SIGNS: [(&str, &str); 9] = [
    (
        "●",
        "inside: the whole 95 % interval is within the tolerance",
    ),
    ("▲ ▼", "outside: too high, too low"),
    ("?", "cannot tell: the interval reaches over the edge"),
    ("~", "assumed: from the model, no sensor reads it"),
    ("±", "95 % interval; after 'aim' the tolerance"),
    ("═ ●", "gauge: tolerance about the target, where it is now"),
    ("roll +", "left high"),
    ("pitch +", "nose down"),
    ("box", "full: still, a reading may be kept; open: moving"),
];

/// Draws the overlay.
pub(super) fn draw(pane: &mut Pane<'_>, view: &View) {
    let mut rows: Vec<(&str, &str)> = KEYS.to_vec();
    if view.source == Source::Replay {
        rows.push(("p", "hold the replay or let it go on"));
    }
    rows.push(("", ""));
    rows.extend(SIGNS);
    let widest = rows.iter().map(|(_, text)| wide(text)).max().unwrap_or(0);
    let width = (widest + 15).min(pane.width());
    let tall = u16::try_from(rows.len() + 2)
        .unwrap_or(u16::MAX)
        .min(pane.height());
    let left = (pane.width() - width) / 2;
    let top = (pane.height() - tall) / 2;
    let mut overlay = pane.part(left, top, width, tall);
    let ink = overlay.ink;
    overlay.clear();
    head::frame(&mut overlay, ink.text());
    overlay.write(2, 0, " keys and signs ", ink.strong());
    let inner = width.saturating_sub(4);
    let mut body = overlay.part(2, 1, inner, tall.saturating_sub(2));
    for (row, (key, text)) in (0..).zip(rows) {
        body.write(0, row, key, ink.strong());
        body.write(10, row, text, ink.text());
    }
}
