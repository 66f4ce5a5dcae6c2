//! The left wheel with what is round it, drawn to scale at ride height: for the
//! terminal, and as SVG.
//!
//! Two views: from behind (the vehicle's left is on the left) as a section
//! through the axle, and from the left (forward is to the left). Bodies are
//! drawn where they are, not cut.

use super::layout_plot::xml;
use crate::layout::{WheelPart, WheelRoom};
use std::fmt::Write as _;

/// Bodies get letters in their order.
fn letter(i: usize) -> char {
    char::from(b'a' + u8::try_from(i % 26).unwrap_or(0))
}

/// Distance in a plane from a point to a segment.
fn to_segment(p: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let square = dx * dx + dy * dy;
    let t = if square > 0.0 {
        (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / square).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

/// A view: where the bodies are, in metres right and up on the paper.
struct View {
    title: &'static str,
    bodies: Vec<([[f64; 2]; 2], f64)>,
    /// Left, right, bottom, top.
    window: [f64; 4],
}

fn views(room: &WheelRoom) -> [View; 2] {
    let radius = room.wheel.diameter.m() / 2.0;
    let plane = room.centre_plane.m();
    let half = room.wheel.section.m() / 2.0;
    let top = radius * 1.5;
    let bodies = |f: fn(&[f64; 3]) -> [f64; 2]| -> Vec<_> {
        room.drawn
            .iter()
            .map(|(_, ends, r)| (ends.each_ref().map(f), *r))
            .collect()
    };
    [
        View {
            title: "from behind, cut through the axle",
            bodies: bodies(|p| [-p[1], p[2]]),
            window: [
                -(plane + half * 1.2 + 0.03),
                -(plane - half - radius),
                -radius * 1.1,
                top,
            ],
        },
        View {
            title: "from the left, forward is to the left",
            bodies: bodies(|p| [-p[0], p[2]]),
            window: [-radius * 1.2, radius * 1.2, -radius * 1.1, top],
        },
    ]
}

/// What of the wheel is at a place of the view from behind; nothing thinner than
/// `rough` falls between the rows. The rim is drawn over the rest.
fn behind(room: &WheelRoom, p: [f64; 2], rough: f64) -> Option<WheelPart> {
    let (radius, across) = (p[1].abs(), -p[0] - room.centre_plane.m());
    let [tyre, rim, disc] = room.wheel.rings();
    [rim, tyre, disc]
        .iter()
        .find(|r| {
            let middle = f64::midpoint(r.radius[0], r.radius[1]);
            let half = ((r.radius[1] - r.radius[0]) / 2.0).max(rough / 2.0);
            (radius - middle).abs() <= half && (r.across[0]..=r.across[1]).contains(&across)
        })
        .map(|r| r.part)
}

/// Both views as text, `columns` wide at most; a row is as high as two columns
/// are wide.
pub fn room_drawing(room: &WheelRoom, columns: usize) -> String {
    let views = views(room);
    let columns = columns.clamp(40, 200);
    let width = views
        .iter()
        .map(|v| v.window[1] - v.window[0])
        .fold(0.0, f64::max);
    let cell = width / (columns as f64 / 2.0 - 2.0);
    let height = views[0].window[3] - views[0].window[2];
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of rows under a hundred or so"
    )]
    let (rows, across) = (
        (height / (2.0 * cell)).ceil().clamp(1.0, 400.0) as usize,
        (width / cell).ceil().clamp(1.0, 400.0) as usize,
    );
    let w = &room.wheel;
    let circles = [
        (w.diameter.m() / 2.0, '#'),
        (w.flange_radius.m(), '='),
        (w.barrel_radius.m(), '-'),
    ];
    let mut text = format!(
        "left wheel {}\n  left: {}\n  right: {}\n",
        w.name, views[0].title, views[1].title
    );
    for row in 0..rows {
        let z = views[0].window[3] - (row as f64 + 0.5) * 2.0 * cell;
        let mut line = String::new();
        for (v, view) in views.iter().enumerate() {
            for column in 0..across {
                let x = view.window[0] + (column as f64 + 0.5) * cell;
                let body = view
                    .bodies
                    .iter()
                    .position(|(ends, r)| to_segment([x, z], *ends) <= r.max(cell * 0.8));
                let wheel = if v == 0 {
                    behind(room, [x, z], 2.0 * cell).map_or(' ', |part| match part {
                        WheelPart::Tyre => '#',
                        WheelPart::Rim => '=',
                        WheelPart::Disc => ':',
                    })
                } else {
                    let r = x.hypot(z);
                    circles
                        .iter()
                        .find(|(at, _)| (r - at).abs() < cell * 0.75)
                        .map_or(' ', |(_, c)| *c)
                };
                line.push(body.map_or(wheel, letter));
            }
            line.push_str("  ");
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    let _ = writeln!(
        text,
        "# tyre  = rim  - barrel  : disc; one column is {:.0} mm, one row {:.0} mm",
        cell * 1e3,
        cell * 2e3
    );
    for (i, (name, _, _)) in room.drawn.iter().enumerate() {
        let _ = writeln!(text, "{} {name}", letter(i));
    }
    text
}

/// Both views as one SVG, millimetres as its unit.
pub fn room_svg(room: &WheelRoom) -> String {
    const GAP_MM: f64 = 60.0;
    let views = views(room);
    let w = &room.wheel;
    let (mut left, mut content) = (0.0, String::new());
    let top = views[0].window[3] * 1e3;
    let height = top - views[0].window[2] * 1e3;
    for (v, view) in views.iter().enumerate() {
        let px = |x: f64| left + (x - view.window[0]) * 1e3;
        let py = |z: f64| 40.0 + top - z * 1e3;
        let _ = writeln!(
            content,
            "<text x=\"{left:.0}\" y=\"24\">{}</text>",
            xml(view.title)
        );
        if v == 0 {
            for ring in w.rings() {
                let colour = match ring.part {
                    WheelPart::Tyre => "#555",
                    WheelPart::Rim => "#8aa",
                    WheelPart::Disc => "#cdd",
                };
                for (low, high) in [
                    (ring.radius[0], ring.radius[1]),
                    (-ring.radius[1], -ring.radius[0]),
                ] {
                    let _ = writeln!(
                        content,
                        "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{colour}\" \
                         fill-opacity=\"0.6\" stroke=\"#333\"/>",
                        px(-(room.centre_plane.m() + ring.across[1])),
                        py(high),
                        (ring.across[1] - ring.across[0]) * 1e3,
                        (high - low) * 1e3,
                    );
                }
            }
        } else {
            for (r, colour) in [
                (w.diameter.m() / 2.0, "#555"),
                (w.flange_radius.m(), "#8aa"),
                (w.barrel_radius.m(), "#8aa"),
            ] {
                let _ = writeln!(
                    content,
                    "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{:.1}\" fill=\"none\" stroke=\"{colour}\" \
                     stroke-width=\"2\"/>",
                    px(0.0),
                    py(0.0),
                    r * 1e3
                );
            }
        }
        for (i, ([a, b], r)) in view.bodies.iter().enumerate() {
            // Only what is in the window: the other side's bodies are not drawn here.
            let inside = |p: &[f64; 2]| p[0] >= view.window[0] && p[0] <= view.window[1];
            if !(inside(a) || inside(b)) {
                continue;
            }
            let _ = writeln!(
                content,
                "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"#a04000\" \
                 stroke-opacity=\"0.7\" stroke-linecap=\"round\" stroke-width=\"{:.1}\"/>\n\
                 <text x=\"{:.1}\" y=\"{:.1}\" font-size=\"16\">{}</text>",
                px(a[0]),
                py(a[1]),
                // A line of no length is not drawn by every program, even with round ends.
                px(b[0]) + 0.1,
                py(b[1]),
                (2.0 * r * 1e3).max(4.0),
                px(b[0]) + 8.0,
                py(b[1]) - 4.0,
                letter(i),
            );
        }
        left += (view.window[1] - view.window[0]) * 1e3 + GAP_MM;
    }
    let mut below = 40.0 + height;
    for (i, (name, _, _)) in room.drawn.iter().enumerate() {
        below += 22.0;
        let _ = writeln!(
            content,
            "<text x=\"0\" y=\"{below:.0}\">{} {}</text>",
            letter(i),
            xml(name)
        );
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-10 0 {:.0} {:.0}\" role=\"img\" \
         font-family=\"sans-serif\" font-size=\"18\">\n<title>Left wheel {}, to scale, ride height</title>\n{content}</svg>\n",
        left,
        below + 20.0,
        xml(&w.name),
    )
}
