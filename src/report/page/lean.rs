//! How the wheel rate falls with lean.

use super::super::lean_svg;
use super::{Dossier, figure};
use crate::quantity::{Force, Quantity, decimals};
use maud::{Markup, PreEscaped, html};

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let fall = of.lean.as_ref()?;
    let units = of.sheet.units;
    let travel = fall.travel.shown(units);
    let columns = [
        figure::numbers("lean deg"),
        figure::numbers(&format!("force {}", Force::unit(units))),
        figure::numbers("squared cosine"),
        figure::numbers("force term"),
        figure::numbers("sideways"),
        figure::numbers("exact, at rest"),
        figure::numbers(&format!("{travel} up")),
        figure::numbers(&format!("{travel} down")),
    ];
    let rows: Vec<Vec<Markup>> = fall
        .rows
        .iter()
        .map(|r| {
            let end = |t: Option<crate::layout::Through>| {
                figure::cell(t.map_or("beyond".to_owned(), |t| decimals(t.factor, 3)))
            };
            vec![
                figure::cell(decimals(r.lean.deg(), 1)),
                figure::cell(decimals(r.force.number(units), 0)),
                figure::cell(decimals(r.cos2, 4)),
                figure::cell(decimals(r.force_term, 4)),
                figure::cell(decimals(r.rest_term, 4)),
                figure::cell(decimals(r.exact, 4)),
                end(r.bump),
                end(r.droop),
            ]
        })
        .collect();
    let caption = format!(
        "{} axle, spring '{}', case '{}': wheel rate as a share of the same springs upright. Worked out, not measured.",
        fall.axle, fall.spring, fall.case
    );
    Some(html! {
        figure.narrow {
            (PreEscaped(lean_svg(fall, units)))
            figcaption { "Each line has dashes of its own; the table below has the numbers." }
        }
        (figure::table(&caption, &columns, &rows))
        p.note { "The rule of the squared cosine knows the rate and the angle at rest only. Exact, the force that the spring already carries counts too: as the wheel goes up the unit lies flatter and its force turns away from the vertical. 'Sideways' is the axle's way across the vehicle on its link." }
    })
}
