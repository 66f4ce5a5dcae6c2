//! The whole screen: which part goes where, at any size.
//!
//! In: a view and what the keys have opened (large mode, help, a note).
//! Out: the cells of one frame. Refused: nothing; what finds no room is left
//! out, the least important first, and words end in '…'.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::keys::{Desk, Overlay};
use super::pane::{Pane, wide, wrap};
use super::view::{Source, View};
use super::{above, behind, head, large, lists, wording};

/// Draws one frame over all of `area`.
pub fn draw(buffer: &mut Buffer, area: Rect, view: &View, desk: &Desk) {
    let mut pane = Pane::new(buffer, area, desk.ink);
    pane.clear();
    let (width, height) = (pane.width(), pane.height());
    if let Some(index) = desk.large {
        large::draw(&mut pane, view, desk, index);
    } else if width >= 76 && height >= 22 {
        full(&mut pane, view, desk);
    } else {
        narrow(&mut pane, view, desk);
    }
    match desk.overlay {
        Some(Overlay::Help) => super::help::keys_and_signs(&mut pane, view),
        Some(Overlay::InFull) => super::help::in_full(&mut pane, view),
        Some(Overlay::Shared) => super::help::shared(&mut pane, view),
        None => {}
    }
    if desk.note.is_some() && height > 0 {
        foot(&mut pane.part(0, height - 1, width, 1), view, desk);
    }
}

/// Everything, from 76 by 22 upward.
fn full(pane: &mut Pane<'_>, view: &View, desk: &Desk) {
    let (width, height) = (pane.width(), pane.height());
    let top = head::rows(height);
    head::draw(&mut pane.part(0, 0, width, top), view, height);

    let foot_rows = if height < 30 { 3 } else { 4 };
    let middle = height.saturating_sub(top + foot_rows + 2);
    let wanted = view
        .sensors
        .len()
        .max(view.loads.len() + view.kept.len().min(3));
    let wanted = u16::try_from(wanted).unwrap_or(u16::MAX);
    let lower = if height < 30 {
        4.min(middle / 3)
    } else {
        wanted.clamp(6, 12).min(middle / 2)
    };
    let picture = middle.saturating_sub(lower);

    let left = if width < 100 { 38 } else { width / 2 - 2 };
    let right = width.saturating_sub(left + 1);
    let from = left + 1;
    pane.part(0, top, left, 1).rule(
        0,
        if width < 100 {
            "behind: link, sag, ↑ travel left"
        } else {
            "from behind: link, sag, ↑ travel left"
        },
    );
    let unit = wording::length_scale(view.units).unit;
    let assumed = if anything_assumed(view) {
        ", ~ assumed"
    } else {
        ""
    };
    behind::draw(&mut pane.part(1, top + 1, left - 1, picture), view);
    let looped = view.task.as_ref().filter(|task| task.course.len() > 1);
    let title = if looped.is_some() {
        "height over load: kept, ● now".to_owned()
    } else {
        format!("above: heights,{unit}{assumed}")
    };
    pane.part(from, top, right, 1).rule(0, &title);
    let mut part = pane.part(from + 1, top + 1, right.saturating_sub(2), picture);
    match looped {
        Some(task) => lists::course(&mut part, view, task),
        None => above::draw(&mut part, view),
    }

    let row = top + 1 + picture;
    let title = if view.sensors.iter().any(|sensor| sensor.off.is_some()) {
        "sensors: value, off in its noise"
    } else if left > lists::ROOMY {
        "sensors: last value, age, rate, rejected"
    } else {
        "sensors: last value, age"
    };
    pane.part(0, row, left, 1).rule(0, title);
    lists::sensors(&mut pane.part(1, row + 1, left - 1, lower), view);
    if let Some(task) = &view.task {
        pane.part(from, row, right, 1).rule(0, &task.title);
        let mut part = pane.part(from + 1, row + 1, right.saturating_sub(2), lower);
        lists::task(&mut part, view, task);
    } else if width < 150 {
        pane.part(from, row, right, 1)
            .rule(0, "loads: key puts on or off");
        let loads = u16::try_from(view.loads.len().max(1))
            .unwrap_or(u16::MAX)
            .min(lower.saturating_sub(1));
        lists::loads(
            &mut pane.part(from + 1, row + 1, right.saturating_sub(1), loads),
            view,
        );
        lists::kept(
            &mut pane.part(
                from + 1,
                row + 1 + loads,
                right.saturating_sub(1),
                lower.saturating_sub(loads),
            ),
            view,
            "kept ",
        );
    } else {
        let half = right / 2;
        pane.part(from, row, half, 1)
            .rule(0, "loads: key puts on or off");
        lists::loads(&mut pane.part(from + 1, row + 1, half - 2, lower), view);
        pane.part(from + half, row, right - half, 1)
            .rule(0, "kept last");
        lists::kept(
            &mut pane.part(from + half + 1, row + 1, right - half - 1, lower),
            view,
            "",
        );
    }
    foot(
        &mut pane.part(0, height - foot_rows, width, foot_rows),
        view,
        desk,
    );
}

/// Whether the legend of '~' is needed.
fn anything_assumed(view: &View) -> bool {
    use super::view::Basis::Assumed;
    let angle = |figure: &Option<super::view::Figure<crate::quantity::Angle>>| {
        figure.is_some_and(|f| f.basis == Assumed)
    };
    let length = |figure: &Option<super::view::Figure<crate::quantity::Length>>| {
        figure.is_some_and(|f| f.basis == Assumed)
    };
    angle(&view.roll)
        || angle(&view.pitch)
        || view.links.iter().any(|link| angle(&link.angle))
        || view.stations.iter().any(|s| length(&s.height))
        || view.coilovers.iter().any(|c| length(&c.sag))
}

/// What to do next, a message, the keys; or the note being written.
fn foot(pane: &mut Pane<'_>, view: &View, desk: &Desk) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    let Some(last) = height.checked_sub(1) else {
        return;
    };
    if let Some(note) = &desk.note {
        note_line(&mut pane.part(0, last, width, 1), note);
    } else {
        keys(&mut pane.part(0, last, width, 1), view, desk.bell);
    }
    let mut free = last;
    if let Some((weight, text)) = desk.message_for(view)
        && free > 1
    {
        free -= 1;
        let text = format!("{}: {text}", weight.word());
        pane.part(1, free, width.saturating_sub(2), 1)
            .write(0, 0, &text, ink.message(weight));
    }
    next(&mut pane.part(0, 0, width, free), view);
}

/// What to do next.
fn next(pane: &mut Pane<'_>, view: &View) {
    let ink = pane.ink;
    let label = " NEXT ";
    let room = pane.width().saturating_sub(wide(label) + 3);
    let step = view.task.as_ref().map(|task| &task.step);
    let mut lines: Vec<String> = step
        .into_iter()
        .chain(&view.next)
        .flat_map(|text| wrap(text, room))
        .collect();
    if lines.is_empty() {
        lines.push("nothing to do: wait and watch".to_owned());
    }
    let height = pane.height();
    if height == 0 {
        return;
    }
    let at = pane.write(1, 0, label, ink.bar().patch(ink.strong())) + 1;
    for (row, line) in (0..height).zip(&lines) {
        let more = row + 1 == height && lines.len() > usize::from(height);
        let text = if more {
            format!("{line} …")
        } else {
            line.clone()
        };
        pane.write(at, row, &text, ink.strong());
    }
}

/// The keys, as many as fit.
fn keys(pane: &mut Pane<'_>, view: &View, bell: bool) {
    let ink = pane.ink;
    let mut list = vec![
        ("k", "keep now"),
        ("n", "note"),
        ("?", "help"),
        ("l", "large"),
        ("w", "in full"),
    ];
    if bell {
        list.insert(0, ("b", "bell is on"));
    }
    if view.source == Source::Replay {
        list.insert(0, ("p", if view.paused { "go on" } else { "hold" }));
    }
    let marks = load_keys(view);
    if !marks.is_empty() {
        list.insert(0, (&marks, "load on/off"));
    }
    list.insert(0, ("q", "quit"));
    let own: Vec<(String, &str)> = view
        .task
        .iter()
        .flat_map(|task| &task.keys)
        .map(|key| (key.name(), key.what))
        .collect();
    list.splice(0..0, own.iter().map(|(key, what)| (key.as_str(), *what)));
    let mut at = 1;
    for (key, what) in list {
        let needs = wide(key) + wide(what) + 1;
        if at + needs > pane.width() {
            break;
        }
        at = pane.write_all(
            at,
            0,
            &[(key, ink.key()), (" ", ink.text()), (what, ink.text())],
        ) + 3;
    }
}

/// The loads' keys: `1-3`, or one after another.
fn load_keys(view: &View) -> String {
    let keys: Vec<char> = view.loads.iter().filter_map(|load| load.key).collect();
    match keys.as_slice() {
        [first, .., last]
            if keys
                .windows(2)
                .all(|pair| u32::from(pair[0]) + 1 == u32::from(pair[1])) =>
        {
            format!("{first}-{last}")
        }
        _ => keys.into_iter().take(10).collect(),
    }
}

/// The note being written, its end in sight.
fn note_line(pane: &mut Pane<'_>, note: &str) {
    let ink = pane.ink;
    let bar = ink.bar();
    pane.fill(0, bar);
    let hint = "Enter keeps it, Esc drops it ";
    let hint = if pane.width() >= 60 { hint } else { "" };
    let free = pane.width().saturating_sub(wide(hint) + 9);
    let mut shown = note;
    while wide(shown) > free {
        let mut letters = shown.chars();
        if letters.next().is_none() {
            break;
        }
        shown = letters.as_str();
    }
    pane.write(1, 0, &format!("note: {shown}_"), bar);
    pane.write_right(0, hint, bar);
}

/// What fits on a small screen, the most important first.
fn narrow(pane: &mut Pane<'_>, view: &View, desk: &Desk) {
    let ink = pane.ink;
    let (width, height) = (pane.width(), pane.height());
    let (worst, others) = head::stance(view);
    let (number, distance) = head::to_go(view);
    let style = ink.verdict(view.verdict);
    let mut row = 0;
    if height >= 12 {
        head::bar(&mut pane.part(0, 0, width, 1), view);
        row = 1;
    }
    let word = worst.word().to_uppercase();
    let size = super::digits::fitting(&word, width.saturating_sub(1), height / 4).min(1);
    if size > 0 {
        super::digits::draw(pane, 1, row, &word, size, style);
        row += super::digits::rows(size);
    } else {
        pane.write(0, row, &word, style);
        row += 1;
    }
    let mut lines: Vec<(String, ratatui::style::Style)> = vec![
        (wording::motion_text(view), ink.strong()),
        (format!("{number} {distance}"), style),
        (view.verdict.word().to_owned(), style),
    ];
    if let Some((weight, text)) = desk.message_for(view) {
        lines.push((format!("{}: {text}", weight.word()), ink.message(weight)));
    }
    lines.extend(
        others
            .iter()
            .map(|other| (format!("and {}", other.word()), style)),
    );
    lines.extend(
        view.next
            .iter()
            .take(1)
            .map(|next| (format!("next: {next}"), ink.strong())),
    );
    let roll = wording::lean(view.roll, "left high", "right high");
    let pitch = wording::lean(view.pitch, "nose down", "nose up");
    lines.push((
        format!("roll {} {roll}", wording::angle(view.roll)),
        ink.text(),
    ));
    lines.push((
        format!("pitch {} {pitch}", wording::angle(view.pitch)),
        ink.text(),
    ));
    for link in &view.links {
        let told = link.verdict.word();
        let text = format!("{} {} {told}", link.name, wording::angle(link.angle));
        lines.push((text, ink.verdict(link.verdict)));
    }
    for station in &view.stations {
        let text = format!(
            "{} {} {}",
            station.name,
            wording::length(view.units, station.height),
            wording::station_verdict(view.units, station)
        );
        lines.push((text, ink.verdict(station.verdict)));
    }
    for sensor in &view.sensors {
        let text = format!("{}: {}", sensor.name, sensor.quality.word());
        lines.push((text, ink.quality(sensor.quality)));
    }
    let bottom = height.saturating_sub(u16::from(height >= 6));
    for (text, style) in lines {
        if row >= bottom {
            break;
        }
        pane.write(0, row, text.trim_end(), style);
        row += 1;
    }
    if bottom < height {
        keys(&mut pane.part(0, bottom, width, 1), view, desk.bell);
    }
}
