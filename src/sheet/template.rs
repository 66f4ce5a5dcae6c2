//! The sheet to begin with: commented, and good as it is.
//!
//! In: the system of units. Out: TOML text. Refused: nothing.
//!
//! The text is kept once, in metric, with marks round what has a unit; in the
//! other system each marked quantity is written as one would read it there.

use crate::quantity::{
    Dimension, Force, Length, Mass, Quantity, RollRate, SpringRate, UnitSystem, read,
};

const TEXT: &str = include_str!("template.txt");

/// A fraction of an inch stands for a length where it is as near as this;
/// chosen well below what a tape gives.
const NEAR_ENOUGH: Length = Length::from_mm(0.2);

/// A commented sheet that works as it is.
pub fn template(units: UnitSystem) -> String {
    let mut text = String::with_capacity(TEXT.len());
    let mut rest = TEXT;
    while let Some((before, marked)) = rest.split_once('«') {
        let (inside, after) = marked.split_once('»').unwrap_or((marked, ""));
        text.push_str(before);
        text.push_str(&written(inside, units));
        rest = after;
    }
    text.push_str(rest);
    text
}

fn written(marked: &str, units: UnitSystem) -> String {
    match (marked, units) {
        ("units", UnitSystem::Metric) => "metric".to_owned(),
        ("units", UnitSystem::Inch) => "inch".to_owned(),
        (metric, UnitSystem::Metric) => metric.to_owned(),
        (metric, UnitSystem::Inch) => in_inches(metric),
    }
}

/// The same quantity as a person with inches and pounds would write it.
fn in_inches(metric: &str) -> String {
    let inch = UnitSystem::Inch;
    let as_of = |of| read(metric, of).ok().map(|w| w.si);
    if let Some(m) = as_of(Dimension::Length) {
        let length = Length::new(m);
        let fraction = length.show_fraction(16);
        return match fraction.parse::<Length>() {
            Ok(near) if (near - length).abs() < NEAR_ENOUGH && length.abs().inches() > 0.3 => {
                fraction
            }
            _ => length.show(inch, if length.abs().inches() < 0.3 { 3 } else { 2 }),
        };
    }
    if let Some(kg) = as_of(Dimension::Mass) {
        return Mass::new(kg).show(inch, usize::from(kg < 20.0));
    }
    if let Some(n) = as_of(Dimension::Force) {
        return Force::new(n).show(inch, 1);
    }
    if let Some(rate) = as_of(Dimension::SpringRate) {
        return SpringRate::new(rate).show(inch, 0);
    }
    if let Some(rate) = as_of(Dimension::RollRate) {
        return RollRate::new(rate).show(inch, 0);
    }
    metric.to_owned()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test stops where it fails")]

    use super::*;
    use crate::sheet::{BuildSheet, Suspension, parse};

    fn good(units: UnitSystem) -> BuildSheet {
        let text = template(units);
        match parse(&text, "new.toml") {
            Ok(checked) => checked.sheet,
            Err(mistakes) => unreachable!("{mistakes}"),
        }
    }

    #[test]
    fn it_works_as_it_is_in_both_systems() {
        let metric = good(UnitSystem::Metric);
        let inch = good(UnitSystem::Inch);
        assert_eq!(metric.units, UnitSystem::Metric);
        assert_eq!(inch.units, UnitSystem::Inch);
        assert_eq!(metric.sensors.len(), 7);
        assert_eq!(metric.stations.len(), 4);
        // The same vehicle, to what rounding a tape to 1/16 in does.
        assert!((metric.wheelbase - inch.wheelbase).abs().mm() < 0.5);
        assert!((metric.sprung.mass - inch.sprung.mass).abs().kg() < 0.5);
        assert!(!template(UnitSystem::Inch).contains('«'));
    }

    /// By hand: the finished vehicle's weight on each end against what its
    /// springs give in the design position, so that it stands near level.
    #[test]
    fn the_finished_case_is_near_its_design_height() {
        for units in [UnitSystem::Metric, UnitSystem::Inch] {
            let sheet = good(units);
            let case = &sheet.cases[sheet.targets.case];
            assert_eq!(case.name, "finished");
            let mut mass = sheet.sprung.mass.kg();
            let mut front = mass * sheet.sprung.centre.x.m();
            let mut side = mass * sheet.sprung.centre.y.m();
            for &i in &case.loads {
                let load = &sheet.loads[i];
                mass += load.mass.kg();
                front += load.mass.kg() * load.at.x.m();
                side += load.mass.kg() * load.at.y.m();
            }
            let g = crate::quantity::STANDARD_GRAVITY_M_S2;
            let on_front = front / sheet.wheelbase.m() * g;
            let on_rear = mass * g - on_front;
            assert!(side.abs() < 2.0, "{side} kg m to one side");

            let Suspension::Solid { coilovers, .. } = &sheet.axles[0].suspension else {
                unreachable!("a solid rear axle");
            };
            let coilover = &coilovers[0];
            let apart = coilover.upper - coilover.lower
                + crate::quantity::Point::new(
                    Length::ZERO,
                    Length::ZERO,
                    sheet.design_height - sheet.axles[0].design_height,
                );
            let length = apart.m().iter().map(|d| d * d).sum::<f64>().sqrt();
            let upright = apart.z.m() / length;
            assert!((upright.acos().to_degrees() - 12.0).abs() < 0.5);
            let force = |unit: &crate::sheet::CoiloverUnit, length: f64| {
                let space = length - unit.hardware.m() - unit.collar.height.m();
                let crate::sheet::SpringCurve::Linear(rate) = &unit.spring.curve else {
                    unreachable!("a linear spring");
                };
                (unit.spring.free_length.m() - space) * rate.n_per_m()
            };
            let lift = 2.0 * force(&coilover.unit, length) * upright;
            // 2 % of the load is some 2 mm of the rear springs.
            assert!((lift / on_rear - 1.0).abs() < 0.02, "{lift} N, {on_rear} N");

            let Suspension::Independent { left, .. } = &sheet.axles[1].suspension else {
                unreachable!("an independent front");
            };
            let lift = 2.0 * force(&left.unit, left.design_length.m()) * left.motion_ratio[0].1;
            assert!(
                (lift / on_front - 1.0).abs() < 0.02,
                "{lift} N, {on_front} N"
            );
        }
    }
}
