//! The upper band, to be read from three metres: how it stands, how far to
//! go, is it still.
//!
//! In: the view. Out: a head line, a band of big letters and digits, and two
//! rows of plain words that say the same. Refused: nothing; words that are too
//! long for big letters are written small.

use super::digits;
use super::pane::{Pane, cut, wide};
use super::view::{Motion, Source, Stance, ToGo, Verdict, View};
use super::wording;

/// Size of the big letters on a screen of that many rows.
const fn size(rows: u16) -> u16 {
    match rows {
        0..30 => 1,
        30..48 => 2,
        _ => 3,
    }
}

/// Rows that the band takes on a screen of that many rows.
pub(super) const fn rows(screen_rows: u16) -> u16 {
    let air = if screen_rows < 30 { 0 } else { 2 };
    3 + digits::rows(size(screen_rows)) + air
}

/// How it stands, the worst first.
pub(super) fn stance(view: &View) -> (Stance, &[Stance]) {
    view.stance
        .split_first()
        .map_or((Stance::CannotTell, &[]), |(first, rest)| (*first, rest))
}

/// Digits and words of how far there is to go.
pub(super) fn to_go(view: &View) -> (String, String) {
    match &view.to_go {
        ToGo::CannotTell => ("?".to_owned(), "cannot tell how far to go".to_owned()),
        ToGo::Nothing => ("0".to_owned(), "nothing to go".to_owned()),
        ToGo::Move { place, amount, way } => {
            let (value, half, basis, scale) = wording::parts(view.units, *amount);
            let half = half.map_or_else(|| "?".to_owned(), |half| scale.interval(half));
            (
                format!("{}{}", wording::mark(basis), scale.number(value.abs())),
                format!(
                    "± {half}{} to go {} {}: {place}",
                    scale.unit,
                    wording::arrow(*way),
                    way.word()
                ),
            )
        }
    }
}

/// Draws the band; `screen_rows` decides how big.
pub(super) fn draw(pane: &mut Pane<'_>, view: &View, screen_rows: u16) {
    let ink = pane.ink;
    let width = pane.width();
    bar(pane, view);
    let size = size(screen_rows);
    let air = u16::from(screen_rows >= 30);
    let (top, tall) = (1 + air, digits::rows(size));

    let shout = view.task.as_ref().and_then(|task| task.shout.as_ref());
    let (number, distance) = shout.map_or_else(
        || to_go(view),
        |shout| (shout.number.clone(), shout.below.clone()),
    );
    let box_width = if size == 1 { 15 } else { 17 };
    let digits_left = width
        .saturating_sub(box_width + 2)
        .saturating_sub(digits::columns(&number, size).max(if number.len() > 1 { 16 } else { 9 }));
    let (worst, _) = stance(view);
    let style = ink.verdict(view.verdict);
    big(
        &mut pane.part(1, top, digits_left.saturating_sub(3), tall),
        shout.map_or(worst.word(), |shout| &shout.word),
        size,
        style,
    );
    big(
        &mut pane.part(
            digits_left,
            top,
            width.saturating_sub(box_width + 1 + digits_left),
            tall,
        ),
        &number,
        size,
        style,
    );
    motion_box(
        &mut pane.part(width.saturating_sub(box_width), top, box_width, tall),
        view,
    );

    // The same in plain words.
    let row = top + tall + air;
    let sign = match view.verdict {
        Verdict::Inside => '●',
        Verdict::Outside => '■',
        Verdict::CannotTell => '?',
    };
    let mut told = match view.verdict {
        Verdict::CannotTell => format!("{sign} cannot tell whether inside"),
        verdict => format!("{sign} {} target", verdict.word()),
    };
    let words: Vec<&str> = view.stance.iter().map(|stance| stance.word()).collect();
    if !words.is_empty() && view.stance != [Stance::CannotTell] {
        told.push_str(": ");
        told.push_str(&words.join(", "));
    }
    // The words stand under what they explain, moved left where they must be.
    let room = width.saturating_sub(digits_left.min(width / 2));
    let distance = cut(&distance, room);
    let distance_left = width.saturating_sub(wide(&distance)).min(digits_left);
    pane.part(1, row, distance_left.saturating_sub(2), 1)
        .write(0, 0, &told, style);
    pane.write(distance_left, row, &distance, style);

    let row = row + 1;
    let roll = wording::lean(view.roll, "left high", "right high");
    let pitch = wording::lean(view.pitch, "nose down", "nose up");
    pane.write_all(
        1,
        row,
        &[
            ("roll ", ink.faint()),
            (&wording::angle(view.roll), ink.strong()),
            (" ", ink.text()),
            (roll, ink.text()),
            ("   pitch ", ink.faint()),
            (&wording::angle(view.pitch), ink.strong()),
            (" ", ink.text()),
            (pitch, ink.text()),
        ],
    );
}

/// The head line.
pub(super) fn bar(pane: &mut Pane<'_>, view: &View) {
    let bar = pane.ink.bar();
    pane.fill(0, bar);
    let mut right = view.source.word().to_owned();
    if view.paused {
        right.push_str(", held");
    }
    right.push(' ');
    let free = pane.width().saturating_sub(wide(&right) + 2);
    let on: Vec<&str> = view
        .loads
        .iter()
        .filter(|load| load.on)
        .map(|load| load.name.as_str())
        .collect();
    let on = if on.is_empty() {
        "nothing".to_owned()
    } else {
        on.join(" + ")
    };
    // A source that is not the vehicle itself must not be cut away.
    let text = format!(
        "{}  ·  targets for {}  ·  on: {on}",
        view.vehicle, view.case
    );
    pane.part(1, 0, free, 1).write(0, 0, &text, bar);
    if view.source != Source::Live || view.paused || pane.width() > 40 {
        pane.write_right(0, &right, bar);
    }
}

/// A word as big as fits, at most `size`; small where it does not fit at all.
fn big(pane: &mut Pane<'_>, word: &str, size: u16, style: ratatui::style::Style) {
    let word = word.to_uppercase();
    let fits = digits::fitting(&word, pane.width(), pane.height()).min(size);
    let spare = pane.height().saturating_sub(digits::rows(fits.max(1)));
    if fits == 0 {
        pane.write(0, pane.height() / 2, &word, style);
    } else {
        digits::draw(pane, 0, spare / 2, &word, fits, style);
    }
}

/// Still is a full box, moving an open one.
fn motion_box(pane: &mut Pane<'_>, view: &View) {
    let ink = pane.ink;
    let (word, since) = wording::motion(view);
    let (width, height) = (pane.width(), pane.height());
    if width < 4 || height < 3 {
        return;
    }
    let still = matches!(view.motion, Motion::Still(_));
    if still {
        for row in 0..height {
            pane.fill(row, ink.bar());
        }
    } else {
        frame(pane, ink.text());
    }
    let style = if still {
        ink.bar().patch(ink.strong())
    } else {
        ink.strong()
    };
    let word = word.to_uppercase();
    if height > 3 && !since.is_empty() {
        pane.write_middle(height / 2 - 1, &word, style);
        pane.write_middle(height / 2 + 1, &format!("for {since}"), style);
    } else {
        let text = format!("{word} {since}");
        pane.write_middle(height / 2, text.trim_end(), style);
    }
}

/// A line round the edge of a pane.
pub(super) fn frame(pane: &mut Pane<'_>, style: ratatui::style::Style) {
    let (right, bottom) = (
        pane.width().saturating_sub(1),
        pane.height().saturating_sub(1),
    );
    for column in 0..=right {
        pane.set(column, 0, '─', style);
        pane.set(column, bottom, '─', style);
    }
    for row in 0..=bottom {
        pane.set(0, row, '│', style);
        pane.set(right, row, '│', style);
    }
    pane.set(0, 0, '┌', style);
    pane.set(right, 0, '┐', style);
    pane.set(0, bottom, '└', style);
    pane.set(right, bottom, '┘', style);
}
