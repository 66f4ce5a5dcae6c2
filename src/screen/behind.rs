//! The vehicle from behind, with its links and coilovers.
//!
//! In: the view. Out: a drawing to scale (left of the vehicle is left on the
//! screen), below it one line or two for each link and one for each coilover.
//! Refused: nothing; without geometry it says so.

use super::gauge::{self, Reading};
use super::pane::{Pane, cut, wide};
use super::sketch::{Bounds, Dot, Sketch};
use super::view::{BehindPoint, CoiloverView, LinkView, View};
use super::wording;
use crate::quantity::Angle;

/// Draws all of it into the pane.
pub(super) fn draw(pane: &mut Pane<'_>, view: &View) {
    let (width, height) = (pane.width(), pane.height());
    let roomy = width >= 50;
    // The drawing needs some rows; the words get what they need of the rest.
    let free = height.saturating_sub(5);
    let few = height.saturating_sub(4);
    let links = u16::try_from(view.links.len()).unwrap_or(u16::MAX);
    let coilovers = u16::try_from(view.coilovers.len()).unwrap_or(u16::MAX);
    let long = links.saturating_mul(2).saturating_add(coilovers);
    let short = links.saturating_add(coilovers);
    let (per_link, words) = if long <= free {
        (2, long)
    } else {
        (1, short.min(few))
    };
    let picture = height - words;
    drawing(&mut pane.part(0, 0, width, picture), view);
    let mut rest = pane.part(0, picture, width, words);
    let mut row = 0;
    for link in &view.links {
        link_words(&mut rest.part(0, row, width, per_link), link, roomy);
        row = row.saturating_add(per_link);
    }
    for coilover in &view.coilovers {
        coilover_words(&mut rest.part(0, row, width, 1), view, coilover, roomy);
        row = row.saturating_add(1);
    }
    if per_link == 1 && short > words && words > 0 {
        let more = format!("+{} more on a taller screen", short - words + 1);
        let strong = rest.ink.strong();
        let mut line = rest.part(0, words - 1, width, 1);
        line.clear();
        line.write(0, 0, &more, strong);
    }
}

/// Across to the right and up, as seen from behind.
fn seen(point: BehindPoint) -> Dot {
    [-point.y.m(), point.z.m()]
}

fn wheel(wheel: &super::view::Wheel) -> [Dot; 4] {
    let [x, z] = seen(wheel.middle);
    let (half, radius) = (wheel.width.m() / 2.0, wheel.radius.m());
    [
        [x - half, z - radius],
        [x + half, z - radius],
        [x + half, z + radius],
        [x - half, z + radius],
    ]
}

fn drawing(pane: &mut Pane<'_>, view: &View) {
    let behind = &view.behind;
    let links = || view.links.iter().filter_map(|link| link.ends);
    let points = behind
        .frame
        .iter()
        .flatten()
        .copied()
        .chain(behind.axle.into_iter().flatten())
        .chain(behind.coilovers.iter().flatten().copied())
        .chain(links().flatten())
        .map(seen)
        .chain(behind.wheels.iter().flat_map(wheel));
    let Some(bounds) = Bounds::round(points) else {
        let faint = pane.ink.faint();
        pane.write_middle(pane.height() / 2, "no picture yet", faint);
        return;
    };
    let ink = pane.ink;
    let mut sketch = Sketch::new(pane.width(), pane.height(), bounds);
    for corner in &behind.wheels {
        sketch.outline(&wheel(corner), ink.text());
    }
    if let Some([from, to]) = behind.axle {
        sketch.line(seen(from), seen(to), ink.text());
    }
    for outline in &behind.frame {
        let points: Vec<Dot> = outline.iter().copied().map(seen).collect();
        sketch.outline(&points, ink.text());
    }
    for &[upper, lower] in &behind.coilovers {
        sketch.tube(seen(upper), seen(lower), 0.045, ink.text());
    }
    for [from, to] in links() {
        sketch.line_thick(seen(from), seen(to), 2, ink.link());
    }
    sketch.paint(pane);
    let bottom = pane.height().saturating_sub(1);
    pane.write_middle(bottom, "◄ left  right ►", ink.faint());
}

fn link_words(pane: &mut Pane<'_>, link: &LinkView, roomy: bool) {
    let ink = pane.ink;
    let off = link
        .angle
        .zip(link.aim)
        .map(|(angle, aim)| angle.value.rad() - aim.value.rad());
    let told = match link.aim {
        Some(_) => format!(
            "{} {}",
            wording::sign(link.verdict, off),
            link.verdict.word()
        ),
        None => "no target".to_owned(),
    };
    let second = if pane.height() < 2 {
        wording::angle(link.angle)
    } else {
        wording::lean(link.angle, "left end high", "left end low").to_owned()
    };
    let free = pane
        .width()
        .saturating_sub(wide(&told) + wide(&second) + 2)
        .min(24);
    let at = pane.write(0, 0, &cut(&link.name, free), ink.link());
    let at = pane.write(at + 1, 0, &second, ink.strong());
    let verdict = ink.verdict(link.verdict);
    if roomy {
        pane.write(at + 2, 0, &told, verdict);
    } else {
        pane.write_right(0, &told, verdict);
    }
    if pane.height() < 2 {
        return;
    }
    let mut at = pane.write(1, 1, &wording::angle(link.angle), ink.strong()) + 2;
    if let Some(aim) = link.aim {
        at = pane.write_all(
            at,
            1,
            &[
                ("aim ", ink.faint()),
                (&wording::angle_aim(aim), ink.faint()),
            ],
        );
    }
    if let (Some(angle), Some(aim), true) = (link.angle, link.aim, roomy) {
        let reading = Reading {
            value: angle.value.rad(),
            half_width: angle.half_width.map_or(0.0, Angle::rad),
            aim: aim.value.rad(),
            tolerance: aim.tolerance.rad(),
            verdict: link.verdict,
        };
        let left = at + 2;
        let free = pane.width().saturating_sub(left).min(21);
        gauge::draw(pane, left, 1, free, &reading);
    }
}

fn coilover_words(pane: &mut Pane<'_>, view: &View, coilover: &CoiloverView, roomy: bool) {
    let ink = pane.ink;
    let scale = wording::length_scale(view.units);
    let names = if roomy { 16 } else { 10 };
    let name = cut(&coilover.name, names);
    let sag = wording::length(view.units, coilover.sag);
    let percent = coilover
        .sag_percent
        .filter(|p| p.is_finite() && p.abs() < 1e4)
        .map_or_else(|| "? %".to_owned(), |p| format!("{p:.0} %"));
    let travel = coilover
        .travel_left
        .map_or_else(|| "?".to_owned(), |t| scale.number(t.m()));
    pane.write(0, 0, &name, ink.text());
    if roomy {
        let at = pane.write_all(
            names + 1,
            0,
            &[
                ("sag ", ink.faint()),
                (&sag, ink.strong()),
                (scale.unit, ink.text()),
            ],
        );
        let at = pane.write(at + 2, 0, &percent, ink.text());
        let left = format!("↑ {travel}{} left", scale.unit);
        pane.write(at + 2, 0, &left, ink.text());
    } else {
        pane.write_all(
            names + 1,
            0,
            &[
                ("sag ", ink.faint()),
                (&sag, ink.strong()),
                (" ", ink.text()),
                (&percent, ink.text()),
                (" ↑", ink.faint()),
                (&travel, ink.text()),
            ],
        );
    }
}
