//! The vehicle from above, to scale, in a pose.

use super::drawing::{
    Anchor, CENTRE, INK, OUTLINE, Paper, Pen, RUST, SOFT, STEEL, THICK, THIN, WIDTH, scale_for,
    units_per_m,
};
use super::views::{COIL_M, RAIL_WIDE_M, Sight, apart, callout_lines, weight};

impl Sight<'_> {
    /// From above: forward is to the left, the vehicle's left is below.
    pub(super) fn above(&self) -> String {
        let (from, to) = self.span();
        let one_to = scale_for(to - from, WIDTH - 40.0);
        let s = units_per_m(one_to);
        let margin = (WIDTH - (to - from) * s) / 2.0;
        let half = (0..self.sheet.axles.len())
            .map(|i| self.model.axles[i].track / 2.0 + self.tyre_m / 2.0)
            .fold(0.5, f64::max);
        let middle = 62.0 + half * s;
        let at = |p: [f64; 3]| (margin + (to - p[0]) * s, middle + p[1] * s);
        let mut paper = Paper::default();
        paper.line((4.0, middle), (WIDTH - 4.0, middle), CENTRE);
        self.axles_above(&mut paper, s, &at);
        self.frame_above(&mut paper, s, &at);
        for axle in 0..self.sheet.axles.len() {
            if let Some([frame, on_axle]) = self.link_ends(axle) {
                paper.line(
                    at(frame),
                    at(on_axle),
                    Pen {
                        colour: RUST,
                        width: 2.6,
                        dash: "",
                    },
                );
                for end in [frame, on_axle] {
                    paper.circle(
                        at(end),
                        3.2,
                        "#fff",
                        Pen {
                            colour: RUST,
                            width: 1.5,
                            dash: "",
                        },
                    );
                }
            }
        }
        for unit in 0..self.model.units.len() {
            if let Some([lower, upper]) = self.ends(unit) {
                paper.coilover(at(lower), at(upper), COIL_M * s * 0.9);
            }
        }
        for (name, place) in &self.loads {
            let p = at(self.pose.frame.point(*place));
            weight(&mut paper, p);
            paper.text(
                (p.0 + 10.0, p.1 + 4.0),
                Anchor::Start,
                10.5,
                INK,
                false,
                name,
            );
        }
        let below = middle + half * s + 26.0;
        self.labels_above(&mut paper, below, &at);
        paper.text(
            (WIDTH - 8.0, middle - 8.0),
            Anchor::End,
            10.5,
            SOFT,
            false,
            "rear",
        );
        paper.text(
            (8.0, middle - 8.0),
            Anchor::Start,
            10.5,
            SOFT,
            false,
            "◂ forward",
        );
        paper.scale_bar((8.0, below + 42.0), one_to);
        paper.finish(
            below + 54.0,
            "The vehicle from above",
            &format!(
                "To scale, one to {one_to}, forward to the left, the vehicle's left side below: wheels, axles, rails, coilovers, lateral link, loads that are on. {}",
                self.words(|_, _| true)
            ),
        )
    }

    /// Wheels, axles, and the arms of independent corners.
    fn axles_above(&self, paper: &mut Paper, s: f64, at: &dyn Fn([f64; 3]) -> (f64, f64)) {
        for axle in 0..self.sheet.axles.len() {
            let r = self.radius(axle);
            for side in [1.0, -1.0] {
                paper.round_box(
                    at(self.wheel(axle, side)),
                    (2.0 * r * s, self.tyre_m * s),
                    7.0,
                    0.0,
                    "#e3eaea",
                );
            }
            let (left, right) = (self.wheel(axle, 1.0), self.wheel(axle, -1.0));
            if self.pose.axle(axle).is_some() {
                let inner = |p: [f64; 3], side: f64| [p[0], p[1] - side * self.tyre_m / 2.0, p[2]];
                paper.line(
                    at(inner(left, 1.0)),
                    at(inner(right, -1.0)),
                    Pen {
                        width: 5.0,
                        ..THICK
                    },
                );
                paper.circle(
                    at(self.pose.axle_point(axle, [0.0; 3])),
                    0.09 * s,
                    "#fff",
                    Pen {
                        width: 2.0,
                        ..OUTLINE
                    },
                );
            } else {
                let x = self.model.axle_x(axle);
                for (side, wheel) in [(1.0, left), (-1.0, right)] {
                    let root = |dx: f64| at([x + dx, side * self.rail_y(x), 0.0]);
                    let tip = at([wheel[0], wheel[1] - side * self.tyre_m / 2.0, 0.0]);
                    paper.line(
                        root(0.12),
                        tip,
                        Pen {
                            width: 2.4,
                            ..THICK
                        },
                    );
                    paper.line(
                        root(-0.12),
                        tip,
                        Pen {
                            width: 2.4,
                            ..THICK
                        },
                    );
                }
            }
        }
    }

    /// What is known of each station, outside of the wheels.
    fn labels_above(&self, paper: &mut Paper, below: f64, at: &dyn Fn([f64; 3]) -> (f64, f64)) {
        for (side, y) in [(1.0, below), (-1.0, 12.0)] {
            let mut shown: Vec<(f64, usize)> = self
                .sheet
                .stations
                .iter()
                .enumerate()
                .filter(|(_, t)| {
                    if side > 0.0 {
                        t.at.y.m() >= 0.0
                    } else {
                        t.at.y.m() < 0.0
                    }
                })
                .map(|(i, t)| (at(t.at.m()).0, i))
                .collect();
            shown.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (slot, (_, i)) in apart(&shown, 150.0).into_iter().zip(&shown) {
                let p = at(self.pose.frame.point(self.sheet.stations[*i].at.m()));
                let edge = if side > 0.0 { y - 12.0 } else { y + 34.0 };
                paper.line(
                    p,
                    (slot, edge),
                    Pen {
                        width: 0.6,
                        dash: "1.5 2",
                        ..THIN
                    },
                );
                paper.circle(
                    p,
                    4.0,
                    "#fff",
                    Pen {
                        colour: STEEL,
                        width: 2.0,
                        dash: "",
                    },
                );
                callout_lines(paper, &self.callouts[*i], (slot, y), Anchor::Middle);
            }
        }
    }

    fn frame_above(&self, paper: &mut Paper, s: f64, at: &dyn Fn([f64; 3]) -> (f64, f64)) {
        let (rear, front) = self.rail_span();
        let mut places: Vec<f64> = self.sheet.stations.iter().map(|t| t.at.x.m()).collect();
        places.extend([rear, front]);
        places.sort_by(f64::total_cmp);
        for side in [1.0, -1.0] {
            let edge = |x: f64, by: f64| at([x, side * (self.rail_y(x) + by), 0.0]);
            let mut outline: Vec<_> = places.iter().map(|x| edge(*x, RAIL_WIDE_M / 2.0)).collect();
            outline.extend(places.iter().rev().map(|x| edge(*x, -RAIL_WIDE_M / 2.0)));
            paper.area(&outline, "#cfd9db", OUTLINE);
        }
        let inner = |x: f64, side: f64| at([x, side * (self.rail_y(x) - RAIL_WIDE_M / 2.0), 0.0]);
        for x in [rear + 0.04, f64::midpoint(rear, front), front - 0.04] {
            paper.line(
                inner(x, 1.0),
                inner(x, -1.0),
                Pen {
                    width: (0.04 * s).max(1.0),
                    colour: "#cfd9db",
                    dash: "",
                },
            );
        }
    }
}
