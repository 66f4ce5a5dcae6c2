//! What can be done at each unit, what it costs, and how far its collar may go.
//!
//! In: sheet, model, the set-up now. Out: for every unit its choices of holes and
//! spring with the collar's range in each; for every axle the combinations of its
//! units. Refused: a choice in which no collar height is legal; what excludes it is
//! said ([`Blocked`]).

use super::setup::{End, Setting, Setup, holes};
use crate::sheet::{BuildSheet, Side};
use crate::statics::Model;

/// What operations cost, in squared tolerances. Chosen: a collar that takes less
/// than about 0.4 of a tolerance off is not worth lying down for; a coilover that
/// has to come out is worth it where it takes most of a tolerance off.
pub(super) const EFFORT_COLLAR: f64 = 0.15;
/// The coilover has to come out.
pub(super) const EFFORT_OUT: f64 = 0.8;
/// A bolt in another hole, the coilover being out.
pub(super) const EFFORT_HOLE: f64 = 0.1;
/// Another spring, the coilover being out: it has to be compressed.
pub(super) const EFFORT_SPRING: f64 = 0.3;

/// What a plan must keep, beside thread, preload and bind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Travel left each way at rest, as a share of the stroke. Chosen: a tenth,
    /// below which small bumps reach the stop.
    pub travel_share: f64,
    /// Largest angle of a lateral link at rest and over the travel, radians.
    /// Chosen: 25 degrees, beyond which it pushes the axle aside by a tenth of its
    /// length.
    pub link_rad: f64,
    /// Most that a unit may carry, in times of what it carries in the reference pose.
    pub force_ratio: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            travel_share: 0.1,
            link_rad: 25.0_f64.to_radians(),
            force_ratio: 3.0,
        }
    }
}

/// Which limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Limit {
    /// The collar would leave its thread at the top.
    ThreadTop,
    /// The collar would leave its thread at the bottom.
    ThreadBottom,
    /// The spring would be loose with the unit pulled out.
    LooseAtDroop,
    /// The coils would touch before the unit is pushed in.
    CoilBind,
    /// Too little travel left until the unit is pushed in.
    TravelUp,
    /// Too little travel left until it is pulled out.
    TravelDown,
    /// The lateral link would stand too steep over the travel.
    LinkAngle,
    /// There is no rest.
    NoRest,
    /// The shelf has not so many of the springs.
    Shelf,
    /// One unit would carry several times of what it should; `by` is the share above.
    Overload,
}

impl Limit {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::ThreadTop => "the top of the thread",
            Self::ThreadBottom => "the bottom of the thread",
            Self::LooseAtDroop => "the spring loose at full droop",
            Self::CoilBind => "coil bind before full bump",
            Self::TravelUp => "travel left to full bump",
            Self::TravelDown => "travel left to full droop",
            Self::LinkAngle => "the lateral link's angle over the travel",
            Self::NoRest => "no rest",
            Self::Shelf => "the number of springs on the shelf",
            Self::Overload => "too much of the load on one unit",
        }
    }

    /// The stable code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::ThreadTop => "thread_top",
            Self::ThreadBottom => "thread_bottom",
            Self::LooseAtDroop => "loose_at_droop",
            Self::CoilBind => "coil_bind",
            Self::TravelUp => "travel_up",
            Self::TravelDown => "travel_down",
            Self::LinkAngle => "link_angle",
            Self::NoRest => "no_rest",
            Self::Shelf => "shelf",
            Self::Overload => "overload",
        }
    }
}

/// A limit that stands in the way, and by how much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blocked {
    /// Index of the unit (of the axle for a link).
    pub unit: usize,
    /// Which limit.
    pub limit: Limit,
    /// What would have to give way, metres or radians.
    pub by: f64,
}

/// Holes and spring of one unit, with the range of its collar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Holes and spring; the collar as it is now.
    pub setting: Setting,
    /// Whether the coilover has to come out for it.
    pub out: bool,
    /// What it costs without a turn of the collar.
    pub effort: f64,
    /// Lowest legal collar height, metres.
    pub lowest: f64,
    /// Highest legal collar height.
    pub highest: f64,
}

/// An axle's units and the combinations of their choices.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// Indices of the units.
    pub(super) units: Vec<usize>,
    /// For every combination the index of each unit's choice.
    pub(super) options: Vec<Vec<usize>>,
}

/// The limits of a collar with its spring: each with the height at which it acts.
pub(super) fn collar_limits(sheet: &BuildSheet, model: &Model, unit: usize) -> [(Limit, f64); 4] {
    let u = &model.units[unit];
    let (lowest, highest) = sheet.unit(&u.name).map_or((u.collar, u.collar), |t| {
        (t.collar.lowest.m(), t.collar.highest.m())
    });
    let droop = u.extended - u.free_length - u.hardware;
    let bind = u
        .solid_length
        .map_or(f64::INFINITY, |solid| u.compressed - u.hardware - solid);
    [
        (Limit::ThreadBottom, lowest),
        (Limit::LooseAtDroop, droop),
        (Limit::ThreadTop, highest),
        (Limit::CoilBind, bind),
    ]
}

/// Every choice of a unit; the first is as it is now.
pub(super) fn choices(
    sheet: &BuildSheet,
    model: &Model,
    setup: &Setup,
    unit: usize,
) -> (Vec<Choice>, Vec<Blocked>) {
    let now = setup.0[unit];
    let name = &model.units[unit].name;
    let among = |end, now: Option<usize>| -> Vec<Option<usize>> {
        let mut list = vec![now];
        list.extend(
            (0..holes(sheet, name, end).len())
                .map(Some)
                .filter(|h| *h != now),
        );
        list
    };
    let mut springs = vec![now.spring];
    springs.extend(
        std::iter::once(None)
            .chain((0..sheet.shelf.len()).map(Some))
            .filter(|s| *s != now.spring),
    );
    let (mut all, mut blocked) = (Vec::new(), Vec::new());
    let mut probe = model.clone();
    for &spring in &springs {
        let fitted = Setting { spring, ..now };
        fitted.put_on(sheet, &mut probe, unit);
        let [bottom, droop, top, bind] = collar_limits(sheet, &probe, unit);
        let (mut lowest, mut highest) = (bottom.1.max(droop.1), top.1.min(bind.1));
        if spring == now.spring {
            // What is there may stay as it is.
            lowest = lowest.min(now.collar);
            highest = highest.max(now.collar);
        } else if lowest > highest {
            let limit = if droop.1 > bottom.1 { droop.0 } else { bind.0 };
            blocked.push(Blocked {
                unit,
                limit,
                by: lowest - highest,
            });
            continue;
        }
        for &upper in &among(End::Upper, now.upper) {
            for &lower in &among(End::Lower, now.lower) {
                let moved = f64::from(u8::from(upper != now.upper) + u8::from(lower != now.lower));
                let swapped = spring != now.spring;
                let out = swapped || moved > 0.0;
                all.push(Choice {
                    setting: Setting {
                        upper,
                        lower,
                        ..fitted
                    },
                    out,
                    effort: if out { EFFORT_OUT } else { 0.0 }
                        + EFFORT_HOLE * moved
                        + if swapped { EFFORT_SPRING } else { 0.0 },
                    lowest,
                    highest,
                });
            }
        }
    }
    (all, blocked)
}

/// The combinations of each axle. Left and right end up with the same holes and
/// springs, or both stay as they are, unless `independent`.
pub(super) fn groups(model: &Model, choices: &[Vec<Choice>], independent: bool) -> Vec<Group> {
    let axles = model.units.iter().map(|u| u.axle + 1).max().unwrap_or(0);
    (0..axles)
        .filter_map(|axle| {
            let units: Vec<usize> = (0..model.units.len())
                .filter(|&u| model.units[u].axle == axle)
                .collect();
            let of_side = |side| -> Vec<usize> {
                let on = (0..units.len()).filter(|&i| model.units[units[i]].side == side);
                on.collect()
            };
            let pairs: Vec<(usize, usize)> = of_side(Side::Left)
                .into_iter()
                .zip(of_side(Side::Right))
                .collect();
            let mut options: Vec<Vec<usize>> = vec![Vec::new()];
            for (position, &unit) in units.iter().enumerate() {
                let mate = pairs.iter().find(|p| p.0.max(p.1) == position);
                let mate = mate.filter(|_| !independent).map(|p| p.0.min(p.1));
                let mut longer = Vec::new();
                for chosen in &options {
                    for c in 0..choices[unit].len() {
                        let fits = mate.is_none_or(|m| {
                            let first = &choices[units[m]][chosen[m]];
                            let second = &choices[unit][c];
                            (chosen[m] == 0 && c == 0) || same(&first.setting, &second.setting)
                        });
                        if fits {
                            let mut option = chosen.clone();
                            option.push(c);
                            longer.push(option);
                        }
                    }
                }
                options = longer;
            }
            (!units.is_empty()).then_some(Group { units, options })
        })
        .collect()
}

fn same(a: &Setting, b: &Setting) -> bool {
    a.upper == b.upper && a.lower == b.lower && a.spring == b.spring
}
