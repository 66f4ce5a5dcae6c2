//! The large mode: one quantity fills the screen.
//!
//! In: the view and which quantity. Out: a title, digits as large as fit, the
//! interval, the words. Refused: nothing; an index past the end goes round.

use super::digits;
use super::head;
use super::keys::Desk;
use super::pane::Pane;
use super::view::{Amount, Motion, Verdict, View};
use super::wording;

/// One quantity, ready to be shown.
#[derive(Debug, Clone, PartialEq)]
struct Quantity {
    title: String,
    number: String,
    below: String,
    word: String,
    verdict: Verdict,
}

impl Quantity {
    fn new(view: &View, title: &str, now: Option<Amount>, word: String, verdict: Verdict) -> Self {
        let title = title.to_owned();
        let Some((value, half, basis, scale)) = now
            .map(|now| wording::parts(view.units, now))
            .filter(|(value, ..)| value.is_finite())
        else {
            return Self {
                title,
                number: "?".to_owned(),
                below: wording::CANNOT_TELL.to_owned(),
                word,
                verdict: Verdict::CannotTell,
            };
        };
        let half = half.map_or_else(|| "?".to_owned(), |half| scale.interval(half));
        let assumed = match wording::mark(basis) {
            "" => "",
            _ => ", ~ assumed",
        };
        let number = if matches!(now, Some(Amount::Angle(_))) {
            scale.signed(value)
        } else {
            scale.number(value)
        };
        Self {
            title,
            number: format!("{}{number}", wording::mark(basis)),
            below: format!("± {half}{}{assumed}", scale.unit),
            word,
            verdict,
        }
    }
}

/// What can be shown large: gauges of the work at hand first, then what is
/// still to go, roll, pitch, links and heights.
fn quantities(view: &View) -> Vec<Quantity> {
    let mut list = Vec::new();
    if let Some(task) = &view.task {
        for gauge in &task.gauges {
            let verdict = super::lists::gauge_reading(view, gauge)
                .map_or(Verdict::CannotTell, |reading| reading.verdict);
            let word = gauge.word.clone();
            list.push(Quantity::new(view, &gauge.name, gauge.now, word, verdict));
        }
    }
    let (number, below) = head::to_go(view);
    let (worst, _) = head::stance(view);
    list.push(Quantity {
        title: "still to go".to_owned(),
        number,
        below,
        word: worst.word().to_owned(),
        verdict: view.verdict,
    });
    for (title, figure, positive, negative) in [
        ("roll", view.roll, "left high", "right high"),
        ("pitch", view.pitch, "nose down", "nose up"),
    ] {
        let word = wording::lean(figure, positive, negative).to_owned();
        let now = figure.map(Amount::Angle);
        list.push(Quantity::new(view, title, now, word, view.verdict));
    }
    for link in &view.links {
        let now = link.angle.map(Amount::Angle);
        let word = link.verdict.word().to_owned();
        list.push(Quantity::new(view, &link.name, now, word, link.verdict));
    }
    for station in &view.stations {
        let now = station.height.map(Amount::Length);
        let word = wording::station_verdict(view.units, station);
        list.push(Quantity::new(
            view,
            &station.name,
            now,
            word,
            station.verdict,
        ));
    }
    list
}

/// Draws the quantity with that index.
pub(super) fn draw(pane: &mut Pane<'_>, view: &View, desk: &Desk, index: usize) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    let list = quantities(view);
    let Some(quantity) = list.get(index % list.len().max(1)) else {
        return;
    };
    let style = ink.verdict(quantity.verdict);
    let motion = wording::motion_text(view);
    if height < 7 {
        pane.write(
            0,
            0,
            &format!("{} {}", quantity.number, quantity.word),
            style,
        );
        pane.write(
            0,
            1,
            &format!("{} {}", quantity.title, quantity.below),
            style,
        );
        pane.write(0, 2, &motion, ink.strong());
        return;
    }
    head::bar(pane, view);
    pane.write(1, 1, &quantity.title.to_uppercase(), ink.strong());
    let still = matches!(view.motion, Motion::Still(_));
    let motion_style = if still {
        ink.bar().patch(ink.strong())
    } else {
        ink.strong()
    };
    pane.write_right(1, &format!(" {motion} "), motion_style);
    // The word big as well, where that leaves the digits more than it takes.
    let word = quantity.word.to_uppercase();
    let free = height - 5;
    let word_size = digits::fitting(&word, width.saturating_sub(2), free / 3);
    let word_rows = if word_size > 0 {
        digits::rows(word_size) + 1
    } else {
        1
    };
    let room = free.saturating_sub(word_rows);
    let size = digits::fitting(&quantity.number, width.saturating_sub(2), room);
    let mut row = 2;
    if size > 0 {
        row += room.saturating_sub(digits::rows(size)) / 2;
        let left = (width - digits::columns(&quantity.number, size)) / 2;
        digits::draw(pane, left, row, &quantity.number, size, style);
        row += digits::rows(size);
    } else {
        pane.write_middle(row, &quantity.number, style);
        row += 1;
    }
    pane.write_middle(row, &quantity.below, ink.strong());
    row += 2;
    if word_size > 0 {
        let left = (width - digits::columns(&word, word_size)) / 2;
        digits::draw(pane, left, row, &word, word_size, style);
    } else {
        pane.write_middle(row, &word, style);
    }
    let bottom = height - 1;
    if let Some((weight, text)) = desk.message_for(view) {
        let text = format!("{}: {text}", weight.word());
        let mut line = pane.part(1, bottom - 1, width.saturating_sub(2), 1);
        line.clear();
        line.write(0, 0, &text, ink.message(weight));
    }
    pane.write_all(
        1,
        bottom,
        &[
            ("Tab", ink.key()),
            (" next quantity   ", ink.text()),
            ("l", ink.key()),
            (" back   ", ink.text()),
            ("k", ink.key()),
            (" keep now   ", ink.text()),
            ("q", ink.key()),
            (" quit", ink.text()),
        ],
    );
}
