//! Room round the wheel.

use super::super::room_svg;
use super::{Dossier, figure};
use crate::compare::COVERAGE_95;
use crate::sheet::Side;
use maud::{Markup, PreEscaped, html};

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let room = of.room.as_ref()?;
    let units = of.sheet.units;
    let columns = [
        figure::words("body"),
        figure::words("side"),
        figure::words("nearest part"),
        figure::numbers("least distance"),
        figure::words("in the pose"),
        figure::words("verdict"),
    ];
    let rows: Vec<Vec<Markup>> = room
        .gaps
        .iter()
        .map(|g| {
            vec![
                html! { (g.body) },
                html! { (match g.side { Side::Left => "left", Side::Right => "right" }) },
                html! { (g.part.words()) },
                figure::cell(format!(
                    "{} ± {}",
                    figure::bare(false, g.distance.m(), units),
                    figure::bare(false, COVERAGE_95 * g.uncertainty.m(), units)
                )),
                html! { (g.pose) },
                html! { (g.verdict.words()) },
            ]
        })
        .collect();
    let length = |l: crate::quantity::Length| {
        format!(
            "{} {}",
            figure::bare(false, l.m(), units),
            figure::unit(false, units)
        )
    };
    let caption = format!(
        "{} axle, wheel {}: diameter {}, section {}; asked everywhere {}; distances in {}.",
        room.axle,
        room.wheel.name,
        length(room.wheel.diameter),
        length(room.wheel.section),
        length(room.least),
        figure::unit(false, units)
    );
    Some(html! {
        p { "All together: " strong { (room.verdict().words()) } "." }
        figure {
            (PreEscaped(room_svg(room)))
            figcaption { "At ride height, to scale. Bodies are drawn where they are, not cut." }
        }
        (figure::table(&caption, &columns, &rows))
        p.note { "Tyres grow with speed and differ by maker: turn the real wheel by hand through full travel, frame on rated stands and nobody underneath." }
    })
}
