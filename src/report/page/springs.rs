//! Coilovers and axles of the finished vehicle, as tables.

use super::{Dossier, figure};
use crate::posture::QuantityKey;
use crate::quantity::{Force, Length, Mass, Quantity, RollRate, SpringRate, decimals};
use maud::{Markup, html};

/// The section.
#[allow(clippy::unnecessary_wraps, reason = "the form of every section")]
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    let units = of.sheet.units;
    let length = |l: Length| figure::cell(figure::bare(false, l.m(), units));
    let found = &of.finished.found;
    let columns = [
        figure::words("spring"),
        figure::numbers("rate"),
        figure::numbers("collar"),
        figure::numbers("length"),
        figure::numbers("lean deg"),
        figure::numbers("force"),
        figure::numbers("squeezed"),
        figure::numbers("preload"),
        figure::numbers("bind margin"),
    ];
    let rows: Vec<Vec<Markup>> = found
        .units
        .iter()
        .map(|u| {
            let index = of
                .finished
                .model
                .units
                .iter()
                .position(|m| m.name == u.name);
            let collar = index.and_then(|i| of.finished.model.units.get(i));
            // A spring is as long as it sags: both are as unsure.
            let sag = index.and_then(|i| {
                let sags = of.finished.sags.iter();
                sags.clone().find(|s| s.key == QuantityKey::Sag(i))
            });
            vec![
                html! { (u.name) },
                figure::cell(decimals(u.rate.number(units), 2)),
                collar.map_or_else(|| figure::cell("-"), |m| length(Length::new(m.collar))),
                sag.map_or_else(
                    || length(u.length),
                    |s| {
                        figure::cell(figure::give_or_take(
                            false,
                            u.length.m(),
                            s.uncertainty,
                            units,
                        ))
                    },
                ),
                figure::cell(u.angle.map_or("-".to_owned(), |a| decimals(a.deg(), 2))),
                figure::cell(decimals(u.force.number(units), 0)),
                length(u.compression),
                length(u.preload),
                u.bind_margin.map_or_else(|| figure::cell("-"), length),
            ]
        })
        .collect();
    let basis = if of.finished.by_readings.is_some() {
        "with the best that sheet and readings together say"
    } else {
        "by the sheet"
    };
    let caption = format!(
        "Case '{}', {basis}, worked out and not measured: rate in {}, lengths in {}, force in {}. Collar: over its zero mark. Preload: squeezed when fully extended. Bind margin: left in the coils when fully compressed. ± at 95 %: what else is worked out from the length is as unsure as that.",
        super::head::case_name(of),
        SpringRate::unit(units),
        Length::unit(units),
        Force::unit(units)
    );
    Some(html! {
        (figure::table(&caption, &columns, &rows))
        (axles(of))
        @if !found.warnings.is_empty() {
            ul { @for w in &found.warnings { li { strong { "Warning. " } (w.text) } } }
        }
    })
}

fn axles(of: &Dossier<'_>) -> Markup {
    let units = of.sheet.units;
    let columns = [
        figure::words("axle"),
        figure::numbers("wheel rate"),
        figure::numbers("ride rate"),
        figure::numbers("roll rate"),
        figure::numbers("frequency Hz"),
        figure::numbers("sprung mass"),
        figure::numbers("roll centre"),
        figure::numbers("load left"),
        figure::numbers("load right"),
    ];
    let rows: Vec<Vec<Markup>> = of
        .finished
        .found
        .axles
        .iter()
        .filter(|a| a.carries)
        .map(|a| {
            vec![
                html! { (a.name) },
                figure::cell(decimals(a.wheel_rate.number(units), 2)),
                figure::cell(decimals(a.ride_rate.number(units), 2)),
                figure::cell(decimals(a.roll_rate.number(units), 0)),
                figure::cell(a.frequency.map_or("-".to_owned(), |f| decimals(f.hz(), 2))),
                figure::cell(decimals(a.sprung_mass.number(units), 0)),
                a.roll_centre_height.map_or_else(
                    || figure::cell("-"),
                    |h| figure::cell(figure::bare(false, h.m(), units)),
                ),
                figure::cell(decimals(a.wheel_loads[0].number(units), 0)),
                figure::cell(decimals(a.wheel_loads[1].number(units), 0)),
            ]
        })
        .collect();
    if rows.is_empty() {
        return html! {};
    }
    let caption = format!(
        "Axles in the same case: rates at one wheel in {}, roll rate in {}, mass in {}, loads under the wheels in {}, roll centre over the floor in {}.",
        SpringRate::unit(units),
        RollRate::unit(units),
        Mass::unit(units),
        Force::unit(units),
        Length::unit(units)
    );
    figure::table(&caption, &columns, &rows)
}
