//! The vehicle from behind, from the side and from above, with heights.

use super::views::{Callout, Sight, shows_from_behind};
use super::{Dossier, figure};
use crate::logbook::Unit;
use crate::posture::QuantityKey;
use maud::{Markup, PreEscaped, html};

/// Width of a tyre that nobody gave, metres.
const TYRE_M: f64 = 0.2;

/// What the newest reading says of a quantity, with its interval.
fn read(of: &Dossier<'_>, name: &str) -> Option<String> {
    let newest = of.newest.as_ref()?;
    let q = newest.reading.quantities.iter().find(|q| q.name == name)?;
    let text = figure::interval(
        q.unit == Unit::Radian,
        q.value,
        q.standard_uncertainty,
        of.sheet.units,
    );
    Some(match q.origin {
        crate::logbook::Origin::Measured => text,
        crate::logbook::Origin::Assumed => format!("{text} *"),
    })
}

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let drawn = of.newest.as_ref().and_then(|n| Some((n, n.state?)));
    let (model, state) = match &drawn {
        Some((newest, state)) => (&newest.model, state),
        None => (&of.finished.model, &of.finished.state),
    };
    let pose = Sight::pose_of(model, state);
    let callouts = of
        .sheet
        .stations
        .iter()
        .enumerate()
        .map(|(i, station)| {
            let target = of.sheet.targets.heights.iter().find(|t| t.station == i);
            let worked_out = || {
                let c = of
                    .finished
                    .by_sheet
                    .iter()
                    .find(|c| c.aim.key == QuantityKey::Height(i));
                c.map_or_else(
                    || {
                        format!(
                            "{} {}",
                            figure::bare(false, pose.frame.height(station.at.m()), units),
                            figure::unit(false, units)
                        )
                    },
                    |c| figure::interval(false, c.value, c.uncertainty, units),
                )
            };
            Callout {
                name: station.name.clone(),
                found: drawn
                    .as_ref()
                    .and_then(|_| read(of, &QuantityKey::Height(i).name(of.sheet, model)))
                    .unwrap_or_else(worked_out),
                target: target.map_or_else(
                    || "no target".to_owned(),
                    |t| {
                        format!(
                            "target {}",
                            figure::target(false, t.height.m(), t.tolerance.m(), units)
                        )
                    },
                ),
                target_m: target.map(|t| t.height.m()),
            }
        })
        .collect();
    let link_words = (0..of.sheet.axles.len())
        .map(|i| {
            let (name, link) = model.link(i)?;
            let measured = drawn
                .as_ref()
                .and_then(|_| read(of, &QuantityKey::LinkAngle(i).name(of.sheet, model)));
            let angle = measured.or_else(|| {
                let axle = pose.axle(i)?;
                Some(format!(
                    "{} deg",
                    figure::bare(true, link.angle(&pose.frame, axle), units)
                ))
            })?;
            Some(format!("{name} {angle}"))
        })
        .collect();
    let loads = model
        .masses
        .iter()
        .skip(1)
        .filter(|m| m.on)
        .map(|m| (m.name.clone(), m.at))
        .collect();
    let sight = Sight {
        sheet: of.sheet,
        model,
        pose,
        callouts,
        tyre_m: of.room.as_ref().map_or(TYRE_M, |r| r.wheel.section.m()),
        loads,
        link_words,
    };
    let told = match &drawn {
        Some((newest, _)) => {
            let on: Vec<&str> = newest
                .reading
                .loads
                .iter()
                .map(|l| l.name.as_str())
                .collect();
            let on = if on.is_empty() {
                "nothing on".to_owned()
            } else {
                format!("{} on", on.join(" and "))
            };
            format!(
                "As it was read on {}, {on}. Heights as read; targets (dashed) are those of the finished vehicle, which carries other loads.",
                figure::when(newest.reading.at, &of.zone)
            )
        }
        None => format!(
            "As worked out from the sheet for the case '{}', with what the sheet is unsure of.",
            super::head::case_name(of)
        ),
    };
    let axles: Vec<usize> = (0..of.sheet.axles.len()).collect();
    let solid: Vec<usize> = axles
        .iter()
        .copied()
        .filter(|i| shows_from_behind(of.sheet, *i))
        .collect();
    let behind = if solid.is_empty() {
        axles.into_iter().take(1).collect()
    } else {
        solid
    };
    Some(html! {
        p { (told) }
        @for axle in behind {
            figure.behind {
                (PreEscaped(sight.behind(axle)))
                figcaption { "From behind, " (of.sheet.axles[axle].name) " axle; the vehicle's left is on the left. Springs and lateral link to scale." }
            }
        }
        figure.beside { (PreEscaped(sight.side())) figcaption { "From the left." } }
        figure {
            (PreEscaped(sight.above()))
            figcaption { "From above; circles: stations where heights are read; crossed squares: loads that are on. Rails are drawn 80 mm deep, tyres "
                (figure::bare(false, sight.tyre_m, units)) " " (figure::unit(false, units)) " wide." }
        }
        @if drawn.is_some() { p.note { "* assumed: the model tells more of it than the readings." } }
    })
}
