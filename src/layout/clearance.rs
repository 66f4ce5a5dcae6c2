//! Room round the wheel: every body against the wheel, in every pose.
//!
//! In: the sheet, a wheel, bodies on the frame, the axle or between both. Out:
//! the least distance of each with its uncertainty and a verdict, and the
//! largest wheel that clears. Refused: wheels that cannot be, bodies without size.

use super::error::over;
use super::tyre::{Nearest, Wheel, WheelPart};
use super::{LayoutError, TyreSize};
use crate::geometry::{State, axle_coordinate};
use crate::quantity::{Length, Point};
use crate::sheet::{BuildSheet, Side, Suspension};
use crate::statics::Model;

/// What the end of a body is fixed to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum On {
    /// The frame; its place is a frame point.
    Frame,
    /// The axle; its place is an axle point.
    Axle,
}

/// One end of a body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// Fixed to.
    pub on: On,
    /// Where.
    pub at: Point,
}

/// Something that the wheel must not touch: a ball, or a cylinder with round
/// ends between two places.
#[derive(Debug, Clone, PartialEq)]
pub struct Body {
    /// What the builder calls it.
    pub name: String,
    /// One end.
    pub from: End,
    /// The other end; none for a ball.
    pub to: Option<End>,
    /// Radius; zero for a bare point such as a bracket's corner.
    pub radius: Length,
    /// Standard uncertainty of its place, from the tape.
    pub uncertainty: Length,
}

/// What is asked of the room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomWish {
    /// Index of the axle.
    pub axle: usize,
    /// Index of the case whose rest is ride height.
    pub case: usize,
    /// Distance asked everywhere.
    pub least: Length,
    /// From the vehicle's centre plane to the hub face.
    pub hub_face: Length,
    /// Wheel travel to full bump from rest, where the sheet's units do not say
    /// (independent corners), or less than they would give (bump stops).
    pub bump: Option<Length>,
    /// The same to full droop.
    pub droop: Option<Length>,
}

/// How a distance is to be taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RoomVerdict {
    /// Clears what is asked, all uncertainty (95 %) taken off.
    Clears,
    /// Clears, but surely by less than asked.
    TooClose,
    /// Touches, whatever the uncertainty.
    Touches,
    /// The uncertainty is too large to tell: measure.
    CannotTell,
}

impl RoomVerdict {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Clears => "clears",
            Self::TooClose => "clears, closer than asked",
            Self::Touches => "touches",
            Self::CannotTell => "cannot tell until measured",
        }
    }
}

/// The least distance of one body to one wheel, over all poses.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// The body.
    pub body: String,
    /// The wheel's side.
    pub side: Side,
    /// The pose in which it is least.
    pub pose: &'static str,
    /// The nearest part of the wheel.
    pub part: WheelPart,
    /// Surface to surface; negative where they overlap.
    pub distance: Length,
    /// Standard uncertainty.
    pub uncertainty: Length,
    /// What to make of it.
    pub verdict: RoomVerdict,
    /// The same in every pose, in the order of [`WheelRoom::poses`].
    pub by_pose: Vec<Length>,
}

/// A pose that was looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomPose {
    /// `ride height`, `full bump`, `full droop`, `left wheel up`, `right wheel up`.
    pub name: &'static str,
    /// Travel of the left wheel against the frame from rest, up positive.
    pub left: Length,
    /// The same of the right wheel.
    pub right: Length,
    /// How far the link has shifted the axle to the left.
    pub shift: Length,
}

/// How far a measure of the wheel can go before something is in the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// The last value that clears.
    pub at: Length,
    /// Nothing was in the way up to there, where the search ends: the true one is
    /// further on.
    pub beyond: bool,
}

/// The room round both wheels of an axle.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelRoom {
    /// Name of the axle.
    pub axle: String,
    /// The wheel.
    pub wheel: Wheel,
    /// What was asked.
    pub least: Length,
    /// Poses looked at.
    pub poses: Vec<RoomPose>,
    /// Nearest first.
    pub gaps: Vec<Gap>,
    /// Largest overall diameter, all else as it is, at which every body still
    /// clears; none where none does (something else is in the way).
    pub largest_diameter: Option<Edge>,
    /// Widest section in the same way.
    pub widest_section: Option<Edge>,
    /// Smallest radius inside the barrel in the same way.
    pub smallest_barrel: Option<Edge>,
    /// Bodies in axle points at ride height, for drawing: name, ends, radius.
    pub drawn: Vec<(String, [[f64; 3]; 2], f64)>,
    /// Across from the axle's centre to the wheel's centre plane.
    pub centre_plane: Length,
}

/// Two places (axle points) and a radius.
#[derive(Debug, Clone)]
struct Placed<'a> {
    body: &'a Body,
    ends: [[f64; 3]; 2],
}

struct Posed<'a> {
    pose: RoomPose,
    bodies: Vec<Placed<'a>>,
}

/// Points looked at along a cylinder before the best is refined.
const ALONG: usize = 48;

/// Works out the room.
///
/// # Method
/// A wheel is a solid of revolution, so the distance to a point is that in the
/// half-plane (radius from the axis, place across). A bracket's corner ahead of
/// or behind the axle is therefore nearer to the round barrel than one as low
/// right under it. Along a cylinder the least is searched and refined.
/// Poses are exact poses of the model: both wheels up until the first unit is
/// fully compressed, down until fully extended, one wheel up with the other at
/// rest; the link shifts the axle as it does. The tyre keeps its free outline.
///
/// # Errors
/// No such axle or case, a wheel that cannot be, a case without rest.
pub fn wheel_room(
    sheet: &BuildSheet,
    wish: &RoomWish,
    wheel: &Wheel,
    bodies: &[Body],
) -> Result<WheelRoom, LayoutError> {
    wheel.check()?;
    let axle = sheet.axles.get(wish.axle).ok_or(LayoutError::NoSuch {
        what: "axle",
        index: wish.axle,
    })?;
    let posed = poses(sheet, wish, bodies)?;
    let plane = |w: &Wheel| wish.hub_face.m() - w.offset.m();
    if !over(plane(wheel), 0.0) {
        return Err(LayoutError::Contradiction {
            first: "wheel.offset".to_owned(),
            first_value: format!("{:.1} mm", wheel.offset.mm()),
            second: "wheel.hub_face".to_owned(),
            second_value: format!("{:.1} mm", wish.hub_face.mm()),
            why: "they put the wheel on the other side of the vehicle".to_owned(),
        });
    }
    let mut gaps = all_gaps(&posed, wheel, plane(wheel), wish.least);
    gaps.sort_by(|a, b| a.distance.m().total_cmp(&b.distance.m()));
    let clears = |w: &Wheel| {
        w.check().is_ok()
            && all_gaps(&posed, w, plane(w), wish.least)
                .iter()
                .all(|g| g.verdict == RoomVerdict::Clears)
    };
    let with = |f: fn(&mut Wheel, f64)| {
        move |x: f64| {
            let mut w = wheel.clone();
            f(&mut w, x);
            w
        }
    };
    let diameter = with(|w, x| w.diameter = Length::new(x));
    let section = with(|w, x| w.section = Length::new(x));
    let barrel = with(|w, x| w.barrel_radius = Length::new(x));
    let flange = wheel.flange_radius.m();
    Ok(WheelRoom {
        axle: axle.name.clone(),
        least: wish.least,
        poses: posed.iter().map(|p| p.pose).collect(),
        largest_diameter: edge(flange * 2.0 + 1e-3, flange * 2.0 + 1.0, |x| {
            clears(&diameter(x))
        }),
        widest_section: edge(0.05, 0.6, |x| clears(&section(x))),
        smallest_barrel: edge(-flange + 1e-4, -0.05, |x| clears(&barrel(-x)))
            .map(|e| Edge { at: -e.at, ..e }),
        drawn: posed[0]
            .bodies
            .iter()
            .map(|b| (b.body.name.clone(), b.ends, b.body.radius.m()))
            .collect(),
        centre_plane: Length::new(plane(wheel)),
        gaps,
        wheel: wheel.clone(),
    })
}

/// The largest by diameter of those sizes that clears everywhere, on the wheel
/// as given otherwise; rim measures by each code.
///
/// # Errors
/// As [`wheel_room`].
pub fn largest_of(
    sheet: &BuildSheet,
    wish: &RoomWish,
    wheel: &Wheel,
    bodies: &[Body],
    sizes: &[TyreSize],
) -> Result<Option<TyreSize>, LayoutError> {
    let posed = poses(sheet, wish, bodies)?;
    let rule = super::DiameterRule::Standard;
    Ok(sizes
        .iter()
        .filter(|size| {
            let w = Wheel::by_code(**size, wheel.rim_width, wheel.offset);
            let plane = wish.hub_face.m() - w.offset.m();
            w.check().is_ok()
                && all_gaps(&posed, &w, plane, wish.least)
                    .iter()
                    .all(|g| g.verdict == RoomVerdict::Clears)
        })
        .max_by(|a, b| a.diameter(rule).m().total_cmp(&b.diameter(rule).m()))
        .copied())
}

/// The last value from `from` towards `to` that is still good, to a tenth of a
/// millimetre, or that all up to `to` are; none where `from` is not good.
fn edge(from: f64, to: f64, good: impl Fn(f64) -> bool) -> Option<Edge> {
    if !good(from) {
        return None;
    }
    let (mut inside, mut outside) = (from, to);
    if good(to) {
        return Some(Edge {
            at: Length::new(to),
            beyond: true,
        });
    }
    while (outside - inside).abs() > 1e-4 {
        let middle = f64::midpoint(inside, outside);
        if good(middle) {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    Some(Edge {
        at: Length::new(inside),
        beyond: false,
    })
}

fn all_gaps(posed: &[Posed<'_>], wheel: &Wheel, plane: f64, least: Length) -> Vec<Gap> {
    let count = posed.first().map_or(0, |p| p.bodies.len());
    let mut gaps = Vec::with_capacity(count * 2);
    for i in 0..count {
        for (side, sign) in [(Side::Left, 1.0), (Side::Right, -1.0)] {
            let found: Vec<_> = posed
                .iter()
                .map(|p| (p.pose.name, gap(&p.bodies[i], wheel, plane, sign)))
                .collect();
            let Some(worst) = found
                .iter()
                .min_by(|a, b| a.1.0.distance.total_cmp(&b.1.0.distance))
            else {
                continue;
            };
            let (pose, (nearest, u)) = *worst;
            gaps.push(Gap {
                body: posed[0].bodies[i].body.name.clone(),
                side,
                pose,
                part: nearest.part,
                distance: Length::new(nearest.distance),
                uncertainty: Length::new(u),
                verdict: verdict(nearest.distance, u, least.m()),
                by_pose: found.iter().map(|f| Length::new(f.1.0.distance)).collect(),
            });
        }
    }
    // A body far on one side is no matter of the other wheel: keep the nearer one.
    let half = gaps.chunks(2).map(|pair| match pair {
        [l, r] if r.distance < l.distance => r.clone(),
        pair => pair[0].clone(),
    });
    half.collect()
}

fn verdict(distance: f64, u: f64, least: f64) -> RoomVerdict {
    let (low, high) = (distance - 2.0 * u, distance + 2.0 * u);
    if low >= least && low > 0.0 {
        RoomVerdict::Clears
    } else if high <= 0.0 {
        RoomVerdict::Touches
    } else if low > 0.0 && high < least {
        RoomVerdict::TooClose
    } else {
        RoomVerdict::CannotTell
    }
}

/// Distance of a body to the wheel on one side (`sign` +1 left), with its
/// standard uncertainty.
fn gap(placed: &Placed<'_>, wheel: &Wheel, plane: f64, sign: f64) -> (Nearest, f64) {
    let at = |t: f64| -> Nearest {
        let [a, b] = placed.ends;
        let p = [0, 1, 2].map(|i| a[i] + (b[i] - a[i]) * t);
        wheel.nearest(p[0].hypot(p[2]), p[1] * sign - plane)
    };
    let mut best = (at(0.0), 0.0);
    if placed.body.to.is_some() {
        let step = 1.0 / ALONG as f64;
        for i in 1..=ALONG {
            let t = i as f64 * step;
            let here = at(t);
            if here.distance < best.0.distance {
                best = (here, t);
            }
        }
        let (mut from, mut to) = ((best.1 - step).max(0.0), (best.1 + step).min(1.0));
        for _ in 0..60 {
            let (a, b) = (from + (to - from) / 3.0, to - (to - from) / 3.0);
            if at(a).distance < at(b).distance {
                to = b;
            } else {
                from = a;
            }
        }
        let here = at(f64::midpoint(from, to));
        if here.distance < best.0.distance {
            best.0 = here;
        }
    }
    let mut nearest = best.0;
    nearest.distance -= placed.body.radius.m();
    let u = wheel.doubt(&nearest).hypot(placed.body.uncertainty.m());
    (nearest, u)
}

/// A frame point in axle points, in a pose of the model.
fn in_axle(model: &Model, axle: usize, q: &State, p: [f64; 3]) -> [f64; 3] {
    let pose = model.pose(q);
    let f = pose.frame.point(p);
    let c = axle_coordinate(axle);
    if let Some(a) = pose.axle(axle) {
        let o = a.point([0.0; 3]);
        let [dx, dy, dz] = [0, 1, 2].map(|i| f[i] - o[i]);
        let (sin, cos) = q[c + 1].sin_cos();
        [dx, dy * cos + dz * sin, dz * cos - dy * sin]
    } else {
        // Independent corners: each wheel goes straight up.
        let height = if p[1] >= 0.0 { q[c] } else { q[c + 1] };
        [f[0] - model.axle_x(axle), f[1], f[2] - height]
    }
}

fn poses<'a>(
    sheet: &BuildSheet,
    wish: &RoomWish,
    bodies: &'a [Body],
) -> Result<Vec<Posed<'a>>, LayoutError> {
    let case = sheet.cases.get(wish.case).ok_or(LayoutError::NoSuch {
        what: "case",
        index: wish.case,
    })?;
    let axle = sheet.axles.get(wish.axle).ok_or(LayoutError::NoSuch {
        what: "axle",
        index: wish.axle,
    })?;
    for body in bodies {
        if !(body.radius.m() >= 0.0 && body.uncertainty.m() >= 0.0) {
            return Err(LayoutError::impossible(
                &format!("room.body '{}' radius", body.name),
                format!("{:.1} mm", body.radius.mm()),
                "neither radius nor uncertainty may be negative",
            ));
        }
    }
    let model = Model::new(sheet, &case.loads);
    let rest = model.equilibrium()?.state;
    let solid = matches!(axle.suspension, Suspension::Solid { .. });
    let half = axle.track.m() / 2.0;
    let c = axle_coordinate(wish.axle);
    let moved = |left: f64, right: f64| {
        let mut q = rest;
        if solid {
            q[c] += f64::midpoint(left, right);
            q[c + 1] += ((left - right) / (2.0 * half)).clamp(-0.9, 0.9).asin();
        } else {
            q[c] += left;
            q[c + 1] += right;
        }
        q
    };
    // Shares of travel: (left, right).
    let reach = |left: f64, right: f64, asked: Option<Length>| {
        let most = asked.map_or(0.5, Length::m);
        let inside = |z: f64| {
            let pose = model.pose(&moved(left * z, right * z));
            model.units.iter().filter(|u| u.axle == wish.axle).all(|u| {
                let l = u.length(&pose);
                l >= u.compressed - 1e-9 && l <= u.extended + 1e-9
            })
        };
        edge(0.0, most, inside).map_or(0.0, |e| e.at.m())
    };
    let bump = wish.bump;
    let list = [
        ("ride height", 0.0_f64, 0.0_f64, None),
        ("full bump", 1.0, 1.0, bump),
        ("full droop", -1.0, -1.0, wish.droop),
        ("left wheel up", 1.0, 0.0, bump),
        ("right wheel up", 0.0, 1.0, bump),
    ];
    Ok(list
        .into_iter()
        .map(|(name, left, right, asked)| {
            let z = if left.abs() + right.abs() < 0.5 {
                0.0
            } else {
                reach(left, right, asked)
            };
            let q = moved(left * z, right * z);
            let place = |e: &End| match e.on {
                On::Axle => e.at.m(),
                On::Frame => in_axle(&model, wish.axle, &q, e.at.m()),
            };
            Posed {
                pose: RoomPose {
                    name,
                    left: Length::new(left * z),
                    right: Length::new(right * z),
                    shift: Length::new(
                        model
                            .pose(&q)
                            .axle(wish.axle)
                            .map_or(0.0, crate::geometry::AxlePose::side_shift),
                    ),
                },
                bodies: bodies
                    .iter()
                    .map(|body| {
                        let from = place(&body.from);
                        Placed {
                            body,
                            ends: [from, body.to.as_ref().map_or(from, place)],
                        }
                    })
                    .collect(),
            }
        })
        .collect())
}

impl WheelRoom {
    /// The worst verdict of all.
    pub fn verdict(&self) -> RoomVerdict {
        let has = |v| self.gaps.iter().any(|g| g.verdict == v);
        [
            RoomVerdict::Touches,
            RoomVerdict::CannotTell,
            RoomVerdict::TooClose,
        ]
        .into_iter()
        .find(|v| has(*v))
        .unwrap_or(RoomVerdict::Clears)
    }
}

/// Coilover bodies of a sheet's solid axle as cylinders between their mounts. Those
/// on arms are left out: give them as bodies of the wheel.
pub fn coilover_bodies(sheet: &BuildSheet, axle: usize, radius: Length, u: Length) -> Vec<Body> {
    match sheet.axles.get(axle).map(|a| &a.suspension) {
        Some(Suspension::Solid { coilovers, .. }) => coilovers
            .iter()
            .filter(|c| c.arm.is_none())
            .map(|c| Body {
                name: c.name.clone(),
                from: End {
                    on: On::Axle,
                    at: c.lower,
                },
                to: Some(End {
                    on: On::Frame,
                    at: c.upper,
                }),
                radius,
                uncertainty: u,
            })
            .collect(),
        _ => Vec::new(),
    }
}
