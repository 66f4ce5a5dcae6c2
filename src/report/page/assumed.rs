//! What was assumed: what no reading carries, and what the model leaves out.

use super::{Dossier, figure};
use crate::compare::COVERAGE_95;
use crate::logbook::Origin;
use crate::quantity::{Mass, Quantity, decimals};
use crate::sheet::Support;
use maud::{Markup, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let quantities = of.newest.as_ref().map(|n| &n.reading.quantities);
    let assumed: Vec<&str> = quantities
        .into_iter()
        .flatten()
        .filter(|q| q.origin == Origin::Assumed)
        .map(|q| q.name.as_str())
        .collect();
    let sprung = &of.sheet.sprung;
    let mut unsure = vec![format!(
        "sprung weight {} ± {}, its centre ± {} {}",
        sprung.mass.shown(units),
        (sprung.mass_uncertainty * COVERAGE_95).shown(units),
        figure::bare(false, COVERAGE_95 * sprung.centre_uncertainty.m(), units),
        figure::unit(false, units)
    )];
    unsure.extend(of.sheet.loads.iter().map(|l| {
        format!(
            "{} {} ± {}",
            l.name,
            l.mass.shown(units),
            Mass::new(l.mass_uncertainty.kg() * COVERAGE_95).shown(units)
        )
    }));
    for u in &of.finished.model.units {
        if let Some(unit) = of.sheet.unit(&u.name) {
            unsure.push(format!(
                "spring {}: rate ± {} %, friction {}",
                u.name,
                decimals(100.0 * COVERAGE_95 * unit.spring.rate_uncertainty, 1),
                unit.friction.shown(units)
            ));
        }
    }
    for axle in &of.sheet.axles {
        if let Support::Tyres(t) = &axle.support {
            unsure.push(format!(
                "tyres of the {} axle: {} ± {} %",
                axle.name,
                t.rate.shown(units),
                decimals(100.0 * COVERAGE_95 * t.rate_uncertainty, 1)
            ));
        }
    }
    Some(html! {
        @if of.newest.is_some() {
            p {
                @if assumed.is_empty() { "Every quantity of the newest reading is carried by sensors more than by the model." }
                @else { "In the newest reading these are " em { "assumed" } ": the model tells more of them than the sensors do: " (assumed.join(", ")) "." }
            }
        } @else {
            p { "Nothing was measured: every number that is not typed in the sheet is worked out from it." }
        }
        p { "Taken from the sheet, with what it is unsure of (± 95 %):" }
        ul.two { @for line in &unsure { li { (line) } } }
        p { "What the model leaves out: bushings that bind, frames and axles that bend, tyres that creep, fore-and-aft motion of the axles, the sideways pull of a floor that is not level. Friction holds the vehicle anywhere within its band; it is in the intervals. Settling is not in the forecast of the finished vehicle; see there what is still to come." }
        @if !of.remarks.is_empty() {
            p { "Not used:" }
            ul { @for r in &of.remarks { li { (r) } } }
        }
    })
}
