//! Height of the centre of gravity from weighings with one axle raised.
//!
//! In: the load on the lower axle at several lifts of the other. Out: height
//! over the floor with its standard uncertainty. Refused: lifts that are none,
//! fewer than two different slopes (the level weighing counts as one).

use super::{LayoutError, Weighed, Wheels};
use crate::quantity::{Length, Mass};

/// Which axle is raised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RaisedAxle {
    /// The rear one; the front stands on the scale.
    Rear,
    /// The front one; the rear stands on the scale.
    Front,
}

/// One weighing with an axle raised, suspension blocked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Raised {
    /// Which.
    pub axle: RaisedAxle,
    /// By how much its wheel centres went up.
    pub lift: Length,
    /// Standard uncertainty of the lift.
    pub lift_uncertainty: Length,
    /// Load under the lower axle.
    pub lower_load: Weighed,
}

/// What the height is worked out from.
pub(super) struct RaisedWeighings<'a> {
    pub(super) mass: Weighed,
    pub(super) wheels: &'a Wheels,
    /// Centre's distance from the rear axle, level.
    pub(super) level_x: f64,
    /// Its standard uncertainty.
    pub(super) level_x_uncertainty: f64,
    pub(super) raised: &'a [Raised],
}

/// Height of a centre over the floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CentreHeight {
    /// Over the floor, vehicle level.
    pub height: Length,
    /// Standard uncertainty.
    pub uncertainty: Length,
}

/// One point of the line: slope t, and where the weight meets the line of the
/// wheel centres, from the rear.
fn points(w: &RaisedWeighings<'_>) -> Vec<(f64, f64)> {
    let l = w.wheels.wheelbase.m();
    let (rear, front) = (w.wheels.rear_radius.m(), w.wheels.front_radius.m());
    let level = ((rear - front) / l).asin().tan();
    let mut all = vec![(level, w.level_x)];
    for r in w.raised {
        let share = r.lower_load.mass.kg() / w.mass.mass.kg() * l;
        all.push(match r.axle {
            RaisedAxle::Rear => (((rear + r.lift.m() - front) / l).asin().tan(), share),
            RaisedAxle::Front => (((rear - front - r.lift.m()) / l).asin().tan(), l - share),
        });
    }
    all
}

/// Straight line through the points; its slope is the height over the line of
/// the wheel centres.
fn fit(w: &RaisedWeighings<'_>) -> f64 {
    let points = points(w);
    let n = points.len() as f64;
    let (mt, mx) = points
        .iter()
        .fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
    let (top, bottom) = points.iter().fold((0.0, 0.0), |s, p| {
        (s.0 + (p.0 - mt) * (p.1 - mx), s.1 + (p.0 - mt).powi(2))
    });
    let over = top / bottom;
    let x = mx - over * mt;
    let l = w.wheels.wheelbase.m();
    let (rear, front) = (w.wheels.rear_radius.m(), w.wheels.front_radius.m());
    rear + (front - rear) * x / l + over * ((front - rear) / l).asin().cos()
}

/// # Method
/// With one axle raised, moments about its wheel centres give
/// `F l / (m g) = x + e tan(theta)`: F load of the lower axle, l wheelbase, x the
/// centre's distance from the raised axle along the line of the wheel centres, e
/// its height over that line, theta the slope of the line. The line through all
/// weighings against tan(theta) has the slope e, as in ISO 10392 (from memory of
/// its method). Uncertainty by shifting each reading by its own.
pub(super) fn centre_height(w: &RaisedWeighings<'_>) -> Result<CentreHeight, LayoutError> {
    let l = w.wheels.wheelbase.m();
    for (i, r) in w.raised.iter().enumerate() {
        let field = format!("weights.raised[{i}].lift");
        // A slope of some degrees at least, or the height drowns in the scale.
        if !(r.lift.m() > 0.02 * l && r.lift.m() < 0.7 * l) {
            return Err(LayoutError::impossible(
                &field,
                format!("{:.0} mm", r.lift.mm()),
                "the lift must be between 2 % and 70 % of the wheelbase",
            ));
        }
        if !(r.lower_load.mass.kg() > 0.0 && r.lower_load.mass < w.mass.mass) {
            return Err(LayoutError::Contradiction {
                first: format!("weights.raised[{i}].load"),
                first_value: format!("{:.1} kg", r.lower_load.mass.kg()),
                second: "the whole vehicle".to_owned(),
                second_value: format!("{:.1} kg", w.mass.mass.kg()),
                why: "one axle carries a part of the whole".to_owned(),
            });
        }
    }
    let height = fit(w);
    let mut square = 0.0;
    let mut add = |shifted: f64| square += (shifted - height).powi(2);
    for i in 0..w.raised.len() {
        let mut raised = w.raised.to_vec();
        raised[i].lower_load.mass = raised[i].lower_load.mass + raised[i].lower_load.uncertainty;
        add(fit(&RaisedWeighings {
            raised: &raised,
            ..*w
        }));
        let mut raised = w.raised.to_vec();
        raised[i].lift = raised[i].lift + raised[i].lift_uncertainty;
        add(fit(&RaisedWeighings {
            raised: &raised,
            ..*w
        }));
    }
    add(fit(&RaisedWeighings {
        level_x: w.level_x + w.level_x_uncertainty,
        ..*w
    }));
    let heavier = Weighed::new(
        w.mass.mass + Mass::new(w.mass.uncertainty.kg()),
        w.mass.uncertainty,
    );
    add(fit(&RaisedWeighings {
        mass: heavier,
        ..*w
    }));
    if !(height > 0.0 && height < 5.0) {
        return Err(LayoutError::Contradiction {
            first: "weights.raised".to_owned(),
            first_value: format!("height {:.0} mm", height * 1e3),
            second: "weights.scales".to_owned(),
            second_value: format!("{:.0} mm ahead of the rear axle", w.level_x * 1e3),
            why: "they put the centre under the floor or far over the roof".to_owned(),
        });
    }
    Ok(CentreHeight {
        height: Length::new(height),
        uncertainty: Length::new(square.sqrt()),
    })
}
