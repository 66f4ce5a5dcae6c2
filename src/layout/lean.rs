//! How the wheel rate falls with lean, exact, against the rule of the squared
//! cosine, and where the difference comes from.

use super::candidates::Bench;
use super::{LayoutError, Limit, Room, StockSpring, Wish};
use crate::geometry::{State, angle_to_vertical, axle_coordinate};
use crate::quantity::{Angle, Force, Length, SpringRate};
use crate::sheet::BuildSheet;
use crate::statics::{Curve, Model, UnitPlace};

/// The fall of the wheel rate over the lean.
#[derive(Debug, Clone, PartialEq)]
pub struct LeanFall {
    /// Name of the axle.
    pub axle: String,
    /// Name of the case.
    pub case: String,
    /// Name of the spring.
    pub spring: String,
    /// Travel of both wheels up and down from rest for which the ends are given.
    pub travel: Length,
    /// One row for each lean.
    pub rows: Vec<LeanRow>,
}

/// One lean. Factors are over the rate of the same springs upright.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeanRow {
    /// As asked, in rear view.
    pub lean: Angle,
    /// Rate of the spring at rest.
    pub rate: SpringRate,
    /// Force along the unit at rest.
    pub force: Force,
    /// Squared cosine of the angle to the vertical at rest: the rule.
    pub cos2: f64,
    /// `-F sin² / (l k)`: the force turns with the unit as the wheel goes up.
    pub force_term: f64,
    /// What is left to the exact factor: the axle's way sideways on its link.
    pub rest_term: f64,
    /// Exact wheel rate over the upright one, at rest.
    pub exact: f64,
    /// With both wheels up by the travel; none beyond the unit's stroke.
    pub bump: Option<Through>,
    /// With both wheels down by the travel.
    pub droop: Option<Through>,
}

/// The unit at one end of the travel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Through {
    /// Angle of the unit to the vertical.
    pub angle: Angle,
    /// Exact wheel rate over the upright one.
    pub factor: f64,
}

/// Works out every lean with the frame at its design height in the wish's case.
///
/// # Method
/// Mounts and collars as for [`candidates`](super::candidates()); the wheel rate
/// is the second derivative of the springs' energy over the travel of both
/// wheels with the frame held. For an axle that goes straight up it is
/// `k cos² a - F sin² a / l` by virtual work; the table shows both parts.
///
/// # Errors
/// As [`candidates`](super::candidates()); a lean with no rest is an error here.
pub fn lean_fall(
    sheet: &BuildSheet,
    wish: &Wish,
    spring: &StockSpring,
    leans: &[Angle],
    travel: Length,
) -> Result<LeanFall, LayoutError> {
    let room = Room::default();
    let bench = Bench::new(sheet, wish, &room)?;
    let curve = Curve::from(&spring.spring.curve);
    let mut rows = Vec::with_capacity(leans.len());
    for &lean in leans {
        let placed = bench.placed(spring, &curve, lean, Angle::ZERO);
        if placed.limits.contains(&Limit::CannotCarry) {
            return Err(LayoutError::impossible(
                "spring",
                &spring.name,
                "it cannot carry the load of the case",
            ));
        }
        let mut model = bench.model(wish.case, &placed, spring, &curve);
        let rest = bench.level(&mut model)?;
        let unit = &model.units[bench.units[0]];
        let pose = model.pose(&rest.state);
        let l = unit.length(&pose);
        let (k, f) = (unit.spring_rate(l), unit.spring_force(l));
        let angle = unit_angle(&model, bench.units[0], &rest.state);
        let upright = k * bench.units.len() as f64;
        let factor = |q: &State| model.suspension_rates(wish.axle, q).both_wheels / upright;
        let through = |by: f64| {
            let mut q = rest.state;
            q[axle_coordinate(wish.axle)] += by;
            let there = model.pose(&q);
            let inside = bench.units.iter().all(|&u| {
                let unit = &model.units[u];
                let l = unit.length(&there);
                l > unit.compressed && l < unit.extended
            });
            inside.then(|| Through {
                angle: Angle::new(unit_angle(&model, bench.units[0], &q)),
                factor: factor(&q),
            })
        };
        let (cos2, sin2) = (angle.cos().powi(2), angle.sin().powi(2));
        let force_term = -f * sin2 / (l * k);
        let exact = factor(&rest.state);
        rows.push(LeanRow {
            lean,
            rate: SpringRate::new(k),
            force: Force::new(f),
            cos2,
            force_term,
            rest_term: exact - cos2 - force_term,
            exact,
            bump: through(travel.m()),
            droop: through(-travel.m()),
        });
    }
    Ok(LeanFall {
        axle: sheet.axles[wish.axle].name.clone(),
        case: sheet.cases[wish.case].name.clone(),
        spring: spring.name.clone(),
        travel,
        rows,
    })
}

fn unit_angle(model: &Model, u: usize, q: &State) -> f64 {
    let (unit, pose) = (&model.units[u], model.pose(q));
    match &unit.place {
        UnitPlace::Mounts { upper, lower } => {
            angle_to_vertical(pose.axle_point(unit.axle, *lower), pose.frame.point(*upper))
        }
        UnitPlace::Corner { .. } | UnitPlace::Arm { .. } => 0.0,
    }
}
