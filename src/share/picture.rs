//! The view as the page shows it: JSON with the words and the numbers. Pure.
//!
//! In: a [`View`], what is allowed. Out: JSON, numbers in deg and mm with the unit
//! in the key, beside them the text in the sheet's own units. Refused: nothing.

use super::{Allowed, View};
use crate::quantity::{Angle, Length, Moment, Quantity, UnitSystem};
use crate::screen::view::{Aim, Amount, Basis, Figure, Motion, StationView, ToGo, Verdict};
use serde_json::{Value, json};

fn figure_text<Q: Quantity>(figure: &Figure<Q>, units: UnitSystem) -> String {
    let assumed = if figure.basis == Basis::Assumed {
        "~"
    } else {
        ""
    };
    let value = figure.value.shown(units);
    match figure.half_width {
        Some(half) => {
            let number = value.split(' ').next().unwrap_or_default();
            format!("{assumed}{number} ± {}", half.shown(units))
        }
        None => format!("{assumed}{value}"),
    }
}

fn angle(figure: Option<&Figure<Angle>>, units: UnitSystem) -> Value {
    figure
        .filter(|f| f.value.is_finite())
        .map_or(Value::Null, |f| {
            json!({
                "text": figure_text(f, units),
                "value_deg": f.value.deg(),
                "half_width_deg": f.half_width.map(Angle::deg),
                "assumed": f.basis == Basis::Assumed,
            })
        })
}

fn length(figure: Option<&Figure<Length>>, units: UnitSystem) -> Value {
    figure
        .filter(|f| f.value.is_finite())
        .map_or(Value::Null, |f| {
            json!({
                "text": figure_text(f, units),
                "value_mm": f.value.mm(),
                "half_width_mm": f.half_width.map(Length::mm),
                "assumed": f.basis == Basis::Assumed,
            })
        })
}

fn aim_text<Q: Quantity>(aim: Option<&Aim<Q>>, units: UnitSystem) -> Value {
    aim.map_or(Value::Null, |a| {
        let value = a.value.shown(units);
        let number = value.split(' ').next().unwrap_or_default();
        json!(format!("{number} ± {}", a.tolerance.shown(units)))
    })
}

fn station(s: &StationView, units: UnitSystem) -> Value {
    let off = s.height.zip(s.aim).map(|(h, a)| h.value - a.value);
    json!({
        "name": s.name,
        "height": length(s.height.as_ref(), units),
        "aim": aim_text(s.aim.as_ref(), units),
        "off_mm": off.map(Length::mm),
        "tolerance_mm": s.aim.map(|a| a.tolerance.mm()),
        "verdict": s.verdict.word(),
    })
}

fn to_go(of: &ToGo, units: UnitSystem) -> String {
    match of {
        ToGo::CannotTell => "cannot tell".to_owned(),
        ToGo::Nothing => "nothing to go".to_owned(),
        ToGo::Move { place, amount, way } => {
            let text = match amount {
                Amount::Length(f) => figure_text(f, units),
                Amount::Angle(f) => figure_text(f, units),
                Amount::Force(f) => figure_text(f, units),
            };
            format!("{place} {} {text}", way.word())
        }
    }
}

fn motion(view: &View) -> (&'static str, Option<f64>) {
    let since = |at: Moment| Some(view.now.since(at).s().max(0.0));
    match view.motion {
        Motion::Unheard => ("nothing heard", None),
        Motion::Moving(at) => ("moving", since(at)),
        Motion::Still(at) => ("still", since(at)),
    }
}

/// What the page shows.
pub fn picture(view: &View, allowed: Allowed) -> Value {
    let units = view.units;
    let (motion, motion_s) = motion(view);
    let stance: Vec<&str> = view.stance.iter().map(|s| s.word()).collect();
    let silent: Vec<&str> = view
        .sensors
        .iter()
        .filter(|s| {
            use crate::screen::view::Quality::{Good, Moving};
            !matches!(s.quality, Good | Moving)
        })
        .map(|s| s.name.as_str())
        .collect();
    json!({
        "vehicle": view.vehicle,
        "case": view.case,
        "source": view.source.word(),
        "stance": if stance.is_empty() { "cannot tell".to_owned() } else { stance.join(", ") },
        "level": view.stance == [crate::screen::view::Stance::Level],
        "verdict": view.verdict.word(),
        "inside": view.verdict == Verdict::Inside,
        "motion": motion,
        "motion_s": motion_s,
        "to_go": to_go(&view.to_go, units),
        "roll": angle(view.roll.as_ref(), units),
        "pitch": angle(view.pitch.as_ref(), units),
        "links": view.links.iter().map(|l| json!({
            "name": l.name,
            "angle": angle(l.angle.as_ref(), units),
            "aim": aim_text(l.aim.as_ref(), units),
            "verdict": l.verdict.word(),
        })).collect::<Vec<_>>(),
        "stations": view.stations.iter().map(|s| station(s, units)).collect::<Vec<_>>(),
        "coilovers": view.coilovers.iter().map(|c| json!({
            "name": c.name,
            "sag": length(c.sag.as_ref(), units),
            "sag_percent": c.sag_percent,
        })).collect::<Vec<_>>(),
        "loads": view.loads.iter().map(|l| json!({
            "name": l.name, "weight": l.weight, "on": l.on,
        })).collect::<Vec<_>>(),
        "task": view.task.as_ref().map(|t| json!({
            "title": t.title, "step": t.step, "caution": t.caution,
            "words": t.gauges.iter().map(|g| json!({"name": g.name, "word": g.word})).collect::<Vec<_>>(),
        })),
        "not_heard": silent,
        "kept": view.kept.first(),
        "kept_units": match units {
            UnitSystem::Metric => "heights mm, link deg",
            UnitSystem::Inch => "heights in, link deg",
        },
        "next": view.next.first(),
        "message": view.message.as_ref().map(|m| json!({"weight": m.weight.word(), "text": m.text})),
        "allowed": { "keep": allowed.keep, "load": allowed.load },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screen::view::Stance;

    #[test]
    fn the_picture_has_words_and_numbers_with_units() {
        let view = View {
            vehicle: "<b>van</b>".to_owned(),
            stance: vec![Stance::LeftHigh],
            now: Moment::from_unix_us(5_000_000),
            motion: Motion::Still(Moment::from_unix_us(2_000_000)),
            roll: Some(Figure {
                value: Angle::from_deg(0.31),
                half_width: Some(Angle::from_deg(0.05)),
                basis: Basis::Assumed,
            }),
            stations: vec![StationView {
                name: "rear left".to_owned(),
                height: Some(Figure {
                    value: Length::from_mm(424.0),
                    half_width: Some(Length::from_mm(2.0)),
                    basis: Basis::Measured,
                }),
                aim: Some(Aim {
                    value: Length::from_mm(420.0),
                    tolerance: Length::from_mm(5.0),
                }),
                verdict: Verdict::Inside,
                ..StationView::default()
            }],
            ..View::default()
        };
        let p = picture(&view, Allowed::default());
        assert_eq!(p["stance"], "left high");
        assert_eq!(p["motion"], "still");
        assert_eq!(p["motion_s"], 3.0);
        assert_eq!(p["roll"]["text"], "~0.31 ± 0.05 deg");
        assert_eq!(p["stations"][0]["height"]["text"], "424.0 ± 2.0 mm");
        assert!((p["stations"][0]["off_mm"].as_f64().unwrap_or(f64::NAN) - 4.0).abs() < 1e-9);
        assert_eq!(p["allowed"]["keep"], false);
        assert_eq!(p["pitch"], Value::Null);
    }
}
