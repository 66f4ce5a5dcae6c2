//! What lies over the middle of the screen: the help (keys, signs, words), or
//! what to do next in full.
//!
//! In: the view. Out: a framed list. Refused: nothing; what finds no row is
//! left out from the bottom.

use super::head;
use super::pane::{Ink, Pane, wide, wrap};
use super::view::{Source, View};

const KEYS: [(&str, &str); 10] = [
    ("1-9 …", "put the load with that key on or take it off"),
    ("k", "keep a reading now"),
    (
        "t",
        "turn the suggested collar until it says stop; again: done",
    ),
    ("n", "write a note into the logbook"),
    ("w", "what to do next and what was kept, in full"),
    ("l", "one quantity fills the screen; again: back"),
    ("Tab", "next quantity in the large mode"),
    ("b", "the bell on still, level and stop turning; again: off"),
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

/// Keys and signs.
pub(super) fn keys_and_signs(pane: &mut Pane<'_>, view: &View) {
    let mut rows: Vec<(&str, &str)> = KEYS.to_vec();
    if view.shared.is_some() {
        rows.push(("a", "the address of the page for phones"));
    }
    if view.source == Source::Replay {
        rows.push(("p", "hold the replay or let it go on"));
    }
    rows.push(("", ""));
    rows.extend(SIGNS);
    let widest = rows.iter().map(|(_, text)| wide(text)).max().unwrap_or(0);
    let mut body = framed(pane, " keys and signs ", widest + 10, rows.len());
    let ink = body.ink;
    for (row, (key, text)) in (0..).zip(rows) {
        body.write(0, row, key, ink.strong());
        body.write(10, row, text, ink.text());
    }
}

/// The address of the page for phones, as a QR code and in words.
pub(super) fn shared(pane: &mut Pane<'_>, view: &View) {
    let Some(shared) = &view.shared else { return };
    let code = match pane.ink {
        Ink::Colour => &shared.code,
        Ink::Plain => &shared.code_light,
    };
    let widest = code.iter().map(|row| wide(row)).max().unwrap_or(0);
    let columns = widest.max(wide(&shared.address));
    let mut body = framed(
        pane,
        " on a phone; any key closes it ",
        columns,
        code.len() + 1,
    );
    let paper = body.ink.paper();
    let left = (body.width().saturating_sub(widest)) / 2;
    for (row, text) in (0..).zip(code) {
        body.write(left, row, text, paper);
    }
    let at = u16::try_from(code.len()).unwrap_or(u16::MAX);
    let ink = body.ink;
    body.write(0, at, &shared.address, ink.strong());
}

/// What to do next, the message and what was kept.
pub(super) fn in_full(pane: &mut Pane<'_>, view: &View) {
    let width = pane.width().saturating_sub(6).min(90);
    let mut rows: Vec<(bool, String)> = Vec::new();
    let mut add = |title: &str, texts: &[String]| {
        if texts.is_empty() {
            return;
        }
        if !rows.is_empty() {
            rows.push((false, String::new()));
        }
        rows.push((true, title.to_owned()));
        for text in texts {
            rows.extend(wrap(text, width).into_iter().map(|line| (false, line)));
        }
    };
    if let Some(message) = &view.message {
        add(message.weight.word(), std::slice::from_ref(&message.text));
    }
    if let Some(task) = &view.task {
        add(&task.title, std::slice::from_ref(&task.step));
        if let Some(caution) = &task.caution {
            add("caution", std::slice::from_ref(caution));
        }
    }
    add("next", &view.next);
    add("kept", &view.kept);
    let mut body = framed(pane, " in full ", width, rows.len());
    let ink = body.ink;
    for (row, (title, text)) in (0..).zip(rows) {
        let style = if title { ink.key() } else { ink.text() };
        body.write(0, row, &text, style);
    }
}

/// A blank framed pane in the middle, for `rows` of `columns`.
fn framed<'a>(pane: &'a mut Pane<'_>, title: &str, columns: u16, rows: usize) -> Pane<'a> {
    let width = columns.saturating_add(4).min(pane.width());
    let tall = u16::try_from(rows.saturating_add(2))
        .unwrap_or(u16::MAX)
        .min(pane.height());
    let left = (pane.width() - width) / 2;
    let top = (pane.height() - tall) / 2;
    let mut overlay = pane.part(left, top, width, tall);
    let ink = overlay.ink;
    overlay.clear();
    head::frame(&mut overlay, ink.text());
    overlay.write(2, 0, title, ink.strong());
    pane.part(
        left + 2.min(width),
        top + 1.min(tall),
        width.saturating_sub(4),
        tall.saturating_sub(2),
    )
}
