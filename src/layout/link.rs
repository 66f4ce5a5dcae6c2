//! The lateral link through the travel: side shift, angle, roll centre.

use super::LayoutError;
use crate::geometry::{HEAVE, PITCH, ROLL, State};
use crate::quantity::{Angle, Length};
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// What the link does over the travel in use.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkStudy {
    /// Name of the axle.
    pub axle: String,
    /// Name of the link.
    pub link: String,
    /// Name of the case whose rest is travel zero.
    pub case: String,
    /// From full droop to full bump in use.
    pub rows: Vec<LinkRow>,
    /// Greatest less smallest side shift over the travel.
    pub spread: Length,
    /// Travel at which the link is level.
    pub level_at: Length,
    /// What halves the trouble.
    pub better: BetterLink,
}

/// One place of the travel: the frame goes down on a standing axle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkRow {
    /// Both wheels up against the frame is positive.
    pub travel: Length,
    /// How far the axle's centre is to the left of the frame's centre plane.
    pub side_shift: Length,
    /// To the floor's plane; positive with the frame end high.
    pub angle: Angle,
    /// Over the floor.
    pub roll_centre: Length,
}

/// The link with its level position in the middle of the travel in use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BetterLink {
    /// Travel at which it is level then: the middle.
    pub level_at: Length,
    /// Raise the frame end by this (or lower the axle end by it).
    pub raise_frame_end: Length,
    /// Length of the link then, with the axle as far to the side at both ends of
    /// the travel as it is to the other side in the middle.
    pub length: Length,
    /// Greatest less smallest side shift then.
    pub spread: Length,
}

/// Works out a link over `down` (droop) and `up` (bump) of travel from rest in a
/// case, in `steps` equal steps and travel zero.
///
/// # Method
/// Exact poses of the model, the frame kept level in roll, both wheels alike. A
/// link of fixed length reaches farthest when level and equally far on both
/// sides of that; level in the middle of the travel, the spread is smallest. A
/// length that puts the axle half of that spread to each side then halves the
/// greatest shift.
///
/// # Errors
/// No such axle or case, no link, no travel, a link that cannot reach, no rest.
pub fn link_study(
    sheet: &BuildSheet,
    axle: usize,
    case: usize,
    (down, up): (Length, Length),
    steps: usize,
) -> Result<LinkStudy, LayoutError> {
    let there = sheet.axles.get(axle).ok_or(LayoutError::NoSuch {
        what: "axle",
        index: axle,
    })?;
    let in_case = sheet.cases.get(case).ok_or(LayoutError::NoSuch {
        what: "case",
        index: case,
    })?;
    if !(down.m() >= 0.0 && up.m() >= 0.0 && (down + up).m() > 0.0 && (down + up).m() < 2.0) {
        return Err(LayoutError::Contradiction {
            first: "travel down".to_owned(),
            first_value: format!("{:.0} mm", down.mm()),
            second: "travel up".to_owned(),
            second_value: format!("{:.0} mm", up.mm()),
            why: "together they must be more than nothing, each not negative".to_owned(),
        });
    }
    let model = Model::new(sheet, &in_case.loads);
    let Some((name, link)) = model.link(axle) else {
        return Err(LayoutError::NoLink {
            axle: there.name.clone(),
        });
    };
    let mut rest = model.equilibrium()?.state;
    rest[ROLL] = 0.0;
    rest[PITCH] = 0.0;
    rest[crate::geometry::axle_coordinate(axle) + 1] = 0.0;
    let at = |travel: f64| -> Result<LinkRow, LayoutError> {
        let mut q: State = rest;
        q[HEAVE] -= travel;
        let pose = model.pose(&q);
        match pose.axle(axle) {
            Some(a) if a.reaches() => Ok(LinkRow {
                travel: Length::new(travel),
                side_shift: Length::new(a.side_shift()),
                angle: Angle::new(link.angle(&pose.frame, a)),
                roll_centre: Length::new(link.roll_centre_height(&pose.frame, a)),
            }),
            _ => Err(crate::statics::StaticsError::LinkCannotReach {
                axle: there.name.clone(),
            }
            .into()),
        }
    };
    let steps = steps.clamp(2, 1000);
    let mut places: Vec<f64> = (0..=steps)
        .map(|i| -down.m() + (down + up).m() * i as f64 / steps as f64)
        .collect();
    // One of them is rest itself: the inner one that is nearly there, or one more.
    let step = (down + up).m() / steps as f64;
    let inner = 1..places.len() - 1;
    let has_rest = places.iter().any(|z| z.abs() < 1e-9);
    if let Some(near) = places[inner].iter_mut().find(|z| z.abs() < step / 4.0) {
        *near = 0.0;
    } else if !has_rest {
        places.push(0.0);
        places.sort_by(f64::total_cmp);
    }
    let rows = places.into_iter().map(at).collect::<Result<Vec<_>, _>>()?;

    let pose = model.pose(&rest);
    let frame_end = pose.frame.point(link.frame_end);
    let axle_end = pose.axle_point(axle, link.axle_end);
    let [dx, dy, rise] = [0, 1, 2].map(|i| frame_end[i] - axle_end[i]);
    // Exact ends, the level position too where it is inside.
    let spread = {
        let reach = |z: f64| (link.length.powi(2) - dx * dx - (rise - z).powi(2)).sqrt();
        spread_of(reach, -down.m(), up.m(), rise)
    };
    let middle = (up.m() - down.m()) / 2.0;
    let half = (up + down).m() / 2.0;
    // The axle stays where it is in the middle of the travel; half the spread is taken off the reach.
    let across = dy.abs();
    let drop = {
        // sqrt(across² - half²) at the ends with the reach `across` when level.
        across - (across * across - half * half).max(0.0).sqrt()
    };
    let level_reach = across + drop / 2.0;
    let better_drop = level_reach - (level_reach * level_reach - half * half).max(0.0).sqrt();
    Ok(LinkStudy {
        axle: there.name.clone(),
        link: name.to_owned(),
        case: in_case.name.clone(),
        rows,
        spread: Length::new(spread),
        level_at: Length::new(rise),
        better: BetterLink {
            level_at: Length::new(middle),
            raise_frame_end: Length::new(middle - rise),
            length: Length::new(level_reach.hypot(dx)),
            spread: Length::new(better_drop),
        },
    })
}

/// Greatest less smallest of a reach over the travel; greatest where level.
fn spread_of(reach: impl Fn(f64) -> f64, from: f64, to: f64, level: f64) -> f64 {
    let ends = [reach(from), reach(to)];
    let most = if (from..=to).contains(&level) {
        reach(level)
    } else {
        ends[0].max(ends[1])
    };
    most - ends[0].min(ends[1])
}
