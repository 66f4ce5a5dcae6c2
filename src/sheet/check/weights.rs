//! What weighs on the springs: the bare vehicle and the named loads.
//!
//! In: the weights as given or as the four scales show them. Out: mass,
//! centre, and how sure each is. Refused: scales that show less than what is
//! unsprung, and both ways at once.

use super::super::mistakes::{Found, Wrong};
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{Axle, NamedLoad, SprungWeight};
use super::{Check, standard};
use crate::quantity::{Length, Mass, Point};

impl Check<'_> {
    pub(super) fn weight(
        &mut self,
        typed: &Typed,
        axles: Option<&[Axle]>,
        wheelbase: Option<Length>,
    ) -> Option<SprungWeight> {
        let weight = typed.table("weight")?;
        if let Some(scales) = weight.table("scales") {
            for key in ["sprung", "centre"] {
                if weight.has(key) {
                    let wrong = Wrong::Twice {
                        one: weight.path_of(key),
                        other: scales.path.clone(),
                    };
                    self.found
                        .push(Found::new(weight.place(key), wrong).and(scales.at, "the other one"));
                }
            }
            return self.weighed(weight, scales, axles?, wheelbase?);
        }
        if !weight.has("scales") {
            self.need(weight, "sprung", "mass on the springs; or [weight.scales]");
            self.need(
                weight,
                "centre",
                "its centre, frame point; or [weight.scales]",
            );
        }
        let mass = weight.mass("sprung")?.value;
        Some(SprungWeight {
            mass,
            centre: weight.point("centre")?.value,
            mass_uncertainty: standard(weight.mass("uncertainty").map_or(mass * 0.03, |u| u.value)),
            centre_uncertainty: standard(weight.length("centre_uncertainty")?.value),
        })
    }

    /// From four scale readings.
    ///
    /// # Method
    /// 1. Sprung share of an end: its two readings less its unsprung mass.
    /// 2. x of the centre: wheelbase times the front's share of the sprung
    ///    mass; y: moments of the four readings about the centre line (what is
    ///    unsprung is alike on both sides), over the sprung mass.
    /// 3. Uncertainties: the four readings are independent; first-order
    ///    propagation. The centre's is the largest of its coordinates and of
    ///    what the sheet says (which stands for the height).
    fn weighed(
        &mut self,
        weight: &Typed,
        scales: &Typed,
        axles: &[Axle],
        wheelbase: Length,
    ) -> Option<SprungWeight> {
        let [rear, front] = axles else { return None };
        let reading = |key: &str| scales.mass(key).map(|m| m.value.kg());
        let (fl, fr) = (reading("front_left")?, reading("front_right")?);
        let (rl, rr) = (reading("rear_left")?, reading("rear_right")?);
        let mut good = true;
        for (end, axle, shown, key) in [
            ("front", front, fl + fr, "front_left"),
            ("rear", rear, rl + rr, "rear_left"),
        ] {
            if axle.track.m() <= 0.0 {
                self.wrong(scales.at, Wrong::ScalesWithoutAxle { end });
                good = false;
            } else if shown <= axle.unsprung.kg() {
                self.wrong(
                    scales.place(key),
                    Wrong::LessThanUnsprung {
                        end,
                        shown: Mass::new(shown),
                        unsprung: axle.unsprung,
                    },
                );
                good = false;
            }
        }
        if !good {
            return None;
        }
        let sprung_front = fl + fr - front.unsprung.kg();
        let sprung_rear = rl + rr - rear.unsprung.kg();
        let sprung = sprung_front + sprung_rear;
        let (half_front, half_rear) = (front.track.m() / 2.0, rear.track.m() / 2.0);
        let x = wheelbase.m() * sprung_front / sprung;
        let y = ((fl - fr) * half_front + (rl - rr) * half_rear) / sprung;

        let u = standard(scales.mass("uncertainty")?.value).kg();
        let ux = wheelbase.m() / sprung.powi(2)
            * (sprung_rear.powi(2) + sprung_front.powi(2)).sqrt()
            * u
            * 2.0_f64.sqrt();
        let uy = ([
            half_front - y,
            -half_front - y,
            half_rear - y,
            -half_rear - y,
        ]
        .iter()
        .map(|arm| arm.powi(2))
        .sum::<f64>())
        .sqrt()
            * u
            / sprung;
        let typed_u = standard(weight.length("centre_uncertainty")?.value);
        Some(SprungWeight {
            mass: Mass::new(sprung),
            centre: Point::new(
                Length::new(x),
                Length::new(y),
                scales.length("centre_height")?.value,
            ),
            mass_uncertainty: weight
                .mass("uncertainty")
                .map_or(Mass::new(2.0 * u), |m| standard(m.value)),
            centre_uncertainty: Length::new(ux.max(uy).max(typed_u.m())),
        })
    }

    pub(super) fn loads(&mut self, typed: &Typed) -> Vec<NamedLoad> {
        let mut loads = Vec::new();
        let mut names: Vec<Placed<String>> = Vec::new();
        for one in typed.tables("load") {
            let Some(name) = one.text("name") else {
                continue;
            };
            names.push(name.clone());
            // A load that is wrong elsewhere still has its name, so that
            // cases which name it are not complained of.
            let mass = one.mass("weight").map_or(Mass::ZERO, |m| m.value);
            loads.push(NamedLoad {
                name: name.value,
                mass,
                at: one.point("at").map_or_else(Point::default, |p| p.value),
                mass_uncertainty: standard(
                    one.mass("uncertainty").map_or(mass * 0.01, |u| u.value),
                ),
                place_uncertainty: standard(
                    one.length("place_uncertainty")
                        .map_or(Length::ZERO, |u| u.value),
                ),
            });
        }
        self.doubled("loads", &names);
        loads
    }
}
