//! The lateral link through the travel: side shift, angle, roll centre.

use super::super::link_svg;
use super::{Dossier, figure};
use crate::quantity::{Length, Quantity, decimals};
use maud::{Markup, PreEscaped, html};

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let study = of.link.as_ref()?;
    let units = of.sheet.units;
    let fine = |l: Length| figure::cell(decimals(l.number(units), 2));
    let columns = [
        figure::numbers("travel"),
        figure::numbers("axle to the left"),
        figure::numbers("link deg"),
        figure::numbers("roll centre"),
    ];
    let rows: Vec<Vec<Markup>> = study
        .rows
        .iter()
        .map(|r| {
            vec![
                fine(r.travel),
                fine(r.side_shift),
                figure::cell(decimals(r.angle.deg(), 2)),
                fine(r.roll_centre),
            ]
        })
        .collect();
    let unit = Length::unit(units);
    let caption = format!(
        "'{}' of the {} axle, from rest in the case '{}', bump positive, in {unit}; worked out, not measured.",
        study.link, study.axle, study.case
    );
    Some(html! {
        p {
            "Over this travel the axle wanders " (study.spread.show(units, 2)) "; the link is level at "
            (figure::off(false, study.level_at.m(), units)) " of travel."
        }
        div.pair { @for plot in link_svg(study, units) { figure { (PreEscaped(plot)) } } }
        (figure::table(&caption, &columns, &rows))
    })
}
