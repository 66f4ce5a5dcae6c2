//! The vehicle from behind and from the side, to scale, in a pose.
//!
//! In: the model, a pose of it, what is known of each station. Out: SVG. What
//! the sheet does not say (the tyre's width, the depth of the rails, which is
//! drawn 80 mm) is drawn light and stands for nothing.

use super::drawing::{
    Anchor, CENTRE, INK, OUTLINE, Paper, Pen, RUST, SOFT, TARGET, THICK, THIN, WIDTH, scale_for,
    units_per_m,
};
use crate::geometry::State;
use crate::sheet::{BuildSheet, Suspension};
use crate::statics::{ArmEnd, Model, Pose, UnitPlace};

/// How deep a rail is drawn, metres.
const RAIL_M: f64 = 0.08;
/// How wide a rail is drawn, metres.
pub(super) const RAIL_WIDE_M: f64 = 0.05;
/// Radius at which a coil is drawn, metres.
pub(super) const COIL_M: f64 = 0.045;

/// What is written beside a station.
#[derive(Debug, Clone)]
pub(super) struct Callout {
    /// Its name.
    pub(super) name: String,
    /// What was measured or worked out, with its interval.
    pub(super) found: String,
    /// The target with its tolerance; may be empty.
    pub(super) target: String,
    /// The target, metres.
    pub(super) target_m: Option<f64>,
}

/// What is drawn.
#[derive(Debug)]
pub(super) struct Sight<'a> {
    pub(super) sheet: &'a BuildSheet,
    pub(super) model: &'a Model,
    pub(super) pose: Pose<f64>,
    /// One for each station.
    pub(super) callouts: Vec<Callout>,
    /// Width of a tyre, metres.
    pub(super) tyre_m: f64,
    /// Names of the loads that are on, with kilograms in words and place, metres.
    pub(super) loads: Vec<(String, [f64; 3])>,
    /// Angle of each axle's link in words.
    pub(super) link_words: Vec<Option<String>>,
}

impl Sight<'_> {
    pub(super) fn pose_of(model: &Model, state: &State) -> Pose<f64> {
        model.pose(state)
    }

    pub(super) fn radius(&self, axle: usize) -> f64 {
        self.model.axles[axle].tyre.map_or(
            self.model.design[crate::geometry::axle_coordinate(axle)],
            |t| t.radius,
        )
    }

    /// Middle of a wheel: left (+1) or right (-1).
    pub(super) fn wheel(&self, axle: usize, side: f64) -> [f64; 3] {
        let half = self.model.axles[axle].track / 2.0;
        if self.pose.axle(axle).is_some() {
            return self.pose.axle_point(axle, [0.0, side * half, 0.0]);
        }
        let heights = self.model.wheel_heights(axle, &self.pose);
        let z = if side > 0.0 { heights[0] } else { heights[1] };
        [self.model.axle_x(axle), side * half, z]
    }

    /// Both ends of a unit over the floor, where it has places: lower, upper.
    pub(super) fn ends(&self, unit: usize) -> Option<[[f64; 3]; 2]> {
        let unit = &self.model.units[unit];
        match &unit.place {
            UnitPlace::Mounts { upper, lower } => Some([
                self.pose.axle_point(unit.axle, *lower),
                self.pose.frame.point(*upper),
            ]),
            UnitPlace::Arm {
                upper,
                arm,
                end,
                beside,
            } => {
                let height = match end {
                    ArmEnd::Wheel(c) => self.pose.coordinates[*c],
                    ArmEnd::Axle(p) => self.pose.axle_point(unit.axle, *p)[2],
                };
                let lower = arm.lower(height - self.pose.frame.height(*beside));
                Some([self.pose.frame.point(lower), self.pose.frame.point(*upper)])
            }
            UnitPlace::Corner { .. } => None,
        }
    }

    pub(super) fn link_ends(&self, axle: usize) -> Option<[[f64; 3]; 2]> {
        let (_, link) = self.model.link(axle)?;
        self.pose.axle(axle)?;
        Some([
            self.pose.frame.point(link.frame_end),
            self.pose.axle_point(axle, link.axle_end),
        ])
    }

    /// Across from the centre line to the rail at a place along: between stations,
    /// straight.
    pub(super) fn rail_y(&self, x: f64) -> f64 {
        let mut of: Vec<(f64, f64)> = self
            .sheet
            .stations
            .iter()
            .filter(|s| s.at.y.m().abs() > 0.05)
            .map(|s| (s.at.x.m(), s.at.y.m().abs()))
            .collect();
        of.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (Some(first), Some(last)) = (of.first(), of.last()) else {
            return 0.4;
        };
        if x <= first.0 {
            return first.1;
        }
        for pair in of.windows(2) {
            if x <= pair[1].0 && pair[1].0 > pair[0].0 {
                let t = (x - pair[0].0) / (pair[1].0 - pair[0].0);
                return pair[0].1 + t * (pair[1].1 - pair[0].1);
            }
        }
        last.1
    }

    /// From the rear end to the front end of the rails.
    pub(super) fn rail_span(&self) -> (f64, f64) {
        let along = |f: fn(f64, f64) -> f64, start: f64| {
            self.sheet
                .stations
                .iter()
                .map(|s| s.at.x.m())
                .fold(start, f)
        };
        let wheelbase = self.sheet.wheelbase.m();
        (
            along(f64::min, -0.15) - 0.12,
            along(f64::max, wheelbase.max(0.3) + 0.1) + 0.12,
        )
    }

    /// Front and rear end of everything, metres.
    pub(super) fn span(&self) -> (f64, f64) {
        let (mut from, mut to) = self.rail_span();
        for axle in 0..self.sheet.axles.len() {
            let (x, r) = (self.model.axle_x(axle), self.radius(axle));
            from = from.min(x - r);
            to = to.max(x + r);
        }
        (from, to)
    }

    /// From behind at an axle: the vehicle's left is on the left.
    pub(super) fn behind(&self, axle: usize) -> String {
        let half = self.model.axles[axle].track / 2.0 + self.tyre_m / 2.0;
        let one_to = scale_for(2.0 * half, 430.0);
        let s = units_per_m(one_to);
        let name = &self.sheet.axles[axle].name;
        let highest = (0..self.model.units.len())
            .filter(|u| self.model.units[*u].axle == axle)
            .filter_map(|u| self.ends(u))
            .map(|e| e[1][2])
            .fold(self.radius(axle) * 2.0, f64::max);
        let floor = 14.0 + (highest + 0.06) * s;
        let at = |p: [f64; 3]| (WIDTH / 2.0 - p[1] * s, floor - p[2] * s);
        let mut paper = Paper::default();
        paper.floor(
            WIDTH / 2.0 - half * s - 60.0,
            WIDTH / 2.0 + half * s + 60.0,
            floor,
        );
        paper.line((WIDTH / 2.0, 8.0), (WIDTH / 2.0, floor + 8.0), CENTRE);
        let (left, right) = (self.wheel(axle, 1.0), self.wheel(axle, -1.0));
        // Left side up leans the wheels to the right: clockwise on paper.
        let turn = ((left[2] - right[2]) / (2.0 * half)).atan().to_degrees();
        for wheel in [left, right] {
            paper.round_box(
                at(wheel),
                (self.tyre_m * s, 2.0 * self.radius(axle) * s),
                8.0,
                turn,
                "#e3eaea",
            );
        }
        self.rails_behind(&mut paper, axle, &at);
        if self.pose.axle(axle).is_some() {
            let inner = |side: f64| {
                self.pose
                    .axle_point(axle, [0.0, side * (half - self.tyre_m), 0.0])
            };
            paper.line(
                at(inner(1.0)),
                at(inner(-1.0)),
                Pen {
                    width: 6.0,
                    ..THICK
                },
            );
            paper.circle(
                at(self.pose.axle_point(axle, [0.0; 3])),
                0.09 * s,
                "#fff",
                Pen {
                    width: 2.2,
                    ..OUTLINE
                },
            );
        } else {
            for (side, wheel) in [(1.0, left), (-1.0, right)] {
                let x = self.model.axle_x(axle);
                let rail = self.pose.frame.point([x, side * self.rail_y(x), 0.0]);
                paper.line(
                    at(rail),
                    at([
                        wheel[0],
                        wheel[1] - side * self.tyre_m / 2.0,
                        wheel[2] - 0.03,
                    ]),
                    THICK,
                );
            }
        }
        if let Some([frame, on_axle]) = self.link_ends(axle) {
            paper.line(
                at(frame),
                at(on_axle),
                Pen {
                    colour: RUST,
                    width: 3.0,
                    dash: "",
                },
            );
            for end in [frame, on_axle] {
                paper.circle(
                    at(end),
                    3.6,
                    "#fff",
                    Pen {
                        colour: RUST,
                        width: 1.6,
                        dash: "",
                    },
                );
            }
        }
        for unit in (0..self.model.units.len()).filter(|u| self.model.units[*u].axle == axle) {
            if let Some([lower, upper]) = self.ends(unit) {
                paper.coilover(at(lower), at(upper), COIL_M * s);
            }
        }
        self.heights_behind(&mut paper, axle, half, s, floor);
        let mut bottom = floor + 22.0;
        if let Some(Some(words)) = self.link_words.get(axle) {
            paper.text(
                (WIDTH / 2.0, bottom),
                Anchor::Middle,
                11.5,
                RUST,
                true,
                words,
            );
            bottom += 16.0;
        }
        paper.scale_bar((8.0, bottom - 8.0), one_to);
        paper.finish(
            bottom + 8.0,
            &format!("The vehicle from behind at the {name} axle"),
            &format!(
                "To scale, one to {one_to}: wheels, axle, frame rails, coilovers and lateral link. {}",
                self.words(|_, x| self.nearest_axle(x) == axle)
            ),
        )
    }

    fn nearest_axle(&self, x: f64) -> usize {
        (0..self.sheet.axles.len())
            .min_by(|a, b| {
                let far = |i: usize| (self.model.axle_x(i) - x).abs();
                far(*a).total_cmp(&far(*b))
            })
            .unwrap_or(0)
    }

    fn rails_behind(&self, paper: &mut Paper, axle: usize, at: &dyn Fn([f64; 3]) -> (f64, f64)) {
        let x = self.model.axle_x(axle);
        let y = self.rail_y(x);
        let cross: Vec<_> = [(-y, 0.02), (y, 0.02), (y, 0.055), (-y, 0.055)]
            .map(|(y, z)| at(self.pose.frame.point([x, y, z])))
            .to_vec();
        paper.area(&cross, "#f6f8f8", THIN);
        for side in [1.0, -1.0] {
            let (inner, outer) = (
                side * (y - RAIL_WIDE_M / 2.0),
                side * (y + RAIL_WIDE_M / 2.0),
            );
            let rail: Vec<_> = [(inner, 0.0), (outer, 0.0), (outer, RAIL_M), (inner, RAIL_M)]
                .map(|(y, z)| at(self.pose.frame.point([x, y, z])))
                .to_vec();
            paper.area(&rail, "#cfd9db", OUTLINE);
        }
        // Posts up to the upper mounts, so that they do not hang in the air.
        for unit in (0..self.model.units.len()).filter(|u| self.model.units[*u].axle == axle) {
            if let UnitPlace::Mounts { upper, .. } = &self.model.units[unit].place {
                let side = upper[1].signum();
                paper.line(
                    at(self.pose.frame.point([upper[0], side * y, RAIL_M])),
                    at(self.pose.frame.point(*upper)),
                    Pen { width: 2.4, ..THIN },
                );
            }
        }
    }

    fn heights_behind(&self, paper: &mut Paper, axle: usize, half: f64, s: f64, floor: f64) {
        for side in [1.0, -1.0] {
            let x = WIDTH / 2.0 - side * (half * s + 26.0);
            let mut line = floor - 0.55 * self.radius(axle) * 2.0 * s;
            let here =
                self.sheet.stations.iter().enumerate().filter(|(_, t)| {
                    t.at.y.m() * side > 0.0 && self.nearest_axle(t.at.x.m()) == axle
                });
            for (i, station) in here {
                let p = self.pose.frame.point(station.at.m());
                let top = floor - p[2] * s;
                paper.line(
                    (WIDTH / 2.0 - p[1] * s, top),
                    (x - side * 6.0, top),
                    Pen {
                        width: 0.6,
                        dash: "1.5 2",
                        ..THIN
                    },
                );
                paper.upright(x, floor, top);
                let callout = &self.callouts[i];
                if let Some(target) = callout.target_m {
                    let y = floor - target * s;
                    paper.line((x - 12.0, y), (x + 12.0, y), TARGET);
                }
                let (anchor, at) = if side > 0.0 {
                    (Anchor::End, x - 18.0)
                } else {
                    (Anchor::Start, x + 18.0)
                };
                callout_lines(paper, callout, (at, line), anchor);
                line += 48.0;
            }
        }
    }

    /// From the left: forward is to the left.
    pub(super) fn side(&self) -> String {
        let (from, to) = self.span();
        let one_to = scale_for(to - from, WIDTH - 40.0);
        let s = units_per_m(one_to);
        let margin = (WIDTH - (to - from) * s) / 2.0;
        let highest = (0..self.model.units.len())
            .filter_map(|u| self.ends(u))
            .map(|e| e[1][2])
            .fold(self.pose.frame.point([0.0; 3])[2] + RAIL_M, f64::max);
        let floor = 58.0 + (highest + 0.03) * s;
        let at = |p: [f64; 3]| (margin + (to - p[0]) * s, floor - p[2] * s);
        let mut paper = Paper::default();
        paper.floor(4.0, WIDTH - 4.0, floor);
        for axle in 0..self.sheet.axles.len() {
            let (wheel, r) = (self.wheel(axle, 1.0), self.radius(axle));
            paper.circle(
                at([wheel[0], 0.0, r.min(wheel[2])]),
                r * s,
                "#e3eaea",
                OUTLINE,
            );
            paper.circle(at(wheel), 0.58 * r * s, "#fff", THIN);
            paper.circle(at(wheel), 3.0, INK, THIN);
        }
        let (rear, front) = self.rail_span();
        let y = self.rail_y(0.0);
        let rail: Vec<_> = [(rear, 0.0), (front, 0.0), (front, RAIL_M), (rear, RAIL_M)]
            .map(|(x, z)| at(self.pose.frame.point([x, y, z])))
            .to_vec();
        paper.area(&rail, "#cfd9db", OUTLINE);
        for unit in (0..self.model.units.len())
            .filter(|u| self.model.units[*u].side == crate::sheet::Side::Left)
        {
            if let Some([lower, upper]) = self.ends(unit) {
                paper.coilover(at(lower), at(upper), COIL_M * s);
            }
        }
        for load in &self.loads {
            weight(&mut paper, at(self.pose.frame.point(load.1)));
        }
        let mut shown: Vec<(f64, usize)> = self
            .sheet
            .stations
            .iter()
            .enumerate()
            .filter(|(_, t)| t.at.y.m() >= 0.0)
            .map(|(i, t)| (at([t.at.x.m(), 0.0, 0.0]).0, i))
            .collect();
        shown.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (slot, (x, i)) in apart(&shown, 150.0).into_iter().zip(&shown) {
            let p = self.pose.frame.point(self.sheet.stations[*i].at.m());
            let top = floor - p[2] * s;
            paper.line(
                (*x, top),
                (slot, 44.0),
                Pen {
                    width: 0.6,
                    dash: "1.5 2",
                    ..THIN
                },
            );
            paper.upright(*x, floor, top);
            let callout = &self.callouts[*i];
            if let Some(target) = callout.target_m {
                let y = floor - target * s;
                paper.line((x - 14.0, y), (x + 14.0, y), TARGET);
            }
            callout_lines(&mut paper, callout, (slot, 12.0), Anchor::Middle);
        }
        paper.text(
            (10.0, floor - 8.0),
            Anchor::Start,
            10.5,
            SOFT,
            false,
            "◂ forward",
        );
        paper.scale_bar((8.0, floor + 14.0), one_to);
        paper.finish(
            floor + 26.0,
            "The vehicle from the left side",
            &format!(
                "To scale, one to {one_to}, forward to the left: wheels, frame rail, coilovers. {}",
                self.words(|y, _| y >= 0.0)
            ),
        )
    }

    pub(super) fn words(&self, which: impl Fn(f64, f64) -> bool) -> String {
        self.sheet
            .stations
            .iter()
            .zip(&self.callouts)
            .filter(|(t, _)| which(t.at.y.m(), t.at.x.m()))
            .map(|(_, c)| format!("Height {}: {}; {}.", c.name, c.found, c.target))
            .collect::<Vec<_>>()
            .join(" ")
    }
}

/// Name, what was found, target: three lines.
pub(super) fn callout_lines(paper: &mut Paper, callout: &Callout, at: (f64, f64), anchor: Anchor) {
    paper.text(at, anchor, 10.5, SOFT, false, &callout.name);
    paper.text((at.0, at.1 + 14.0), anchor, 13.0, INK, true, &callout.found);
    paper.text(
        (at.0, at.1 + 28.0),
        anchor,
        10.5,
        RUST,
        false,
        &callout.target,
    );
}

/// A weight: a square with a cross in it.
pub(super) fn weight(paper: &mut Paper, at: (f64, f64)) {
    let d = 5.5;
    let corners = [(-d, -d), (d, -d), (d, d), (-d, d)].map(|(x, y)| (at.0 + x, at.1 + y));
    paper.area(&corners, "#fff", OUTLINE);
    paper.line(corners[0], corners[2], THIN);
    paper.line(corners[1], corners[3], THIN);
}

/// Places for texts of a width, in order, near where they belong and inside.
pub(super) fn apart(of: &[(f64, usize)], width: f64) -> Vec<f64> {
    let half = width / 2.0;
    let room = WIDTH - width;
    let width = if of.len() > 1 {
        width.min(room / (of.len() - 1) as f64)
    } else {
        width
    };
    let mut places: Vec<f64> = of
        .iter()
        .map(|(x, _)| x.clamp(half, WIDTH - half))
        .collect();
    for i in 1..places.len() {
        places[i] = places[i].max(places[i - 1] + width);
    }
    let mut limit = WIDTH - half;
    for place in places.iter_mut().rev() {
        *place = place.min(limit);
        limit = *place - width;
    }
    places
}

/// Whether an axle is worth a view from behind: one with coilovers or a link.
pub(super) fn shows_from_behind(sheet: &BuildSheet, axle: usize) -> bool {
    matches!(sheet.axles[axle].suspension, Suspension::Solid { .. })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_keep_apart_and_inside() {
        let places = apart(&[(10.0, 0), (20.0, 1), (700.0, 2), (715.0, 3)], 150.0);
        assert!(
            places.windows(2).all(|p| p[1] - p[0] >= 149.0),
            "{places:?}"
        );
        assert!(places[0] >= 74.0 && places[3] <= 646.0, "{places:?}");
    }
}
