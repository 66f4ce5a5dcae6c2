//! From what the sheet says to what this stage asks.
//!
//! In: the sheet's plans. Out: wish, stock, leans and room for the mounts;
//! wheel, bodies and what is asked of the room. Refused: a size code that is none.

use super::clearance::coilover_bodies;
use super::{
    Body, End, LayoutError, Leans, On, Room, RoomWish, Stock, StockSpring, TyreSize, Wheel, Wish,
};
use crate::quantity::{Angle, Length};
use crate::sheet::{BuildSheet, Plans, Suspension, WheelPlan, WishPlan};

/// What [`candidates`](super::candidates()) needs, from the sheet. Without a stock
/// the axle's own spring is the only one; without a wish the first solid axle in
/// the targets' case, with leans from 0 to 30 deg.
pub fn planned(sheet: &BuildSheet, plans: &Plans) -> (Wish, Stock, Leans, Room) {
    let (wish, leans, room) = if let Some(plan) = &plans.wish {
        of_plan(plan)
    } else {
        let axle = sheet
            .axles
            .iter()
            .position(|a| matches!(a.suspension, Suspension::Solid { .. }))
            .unwrap_or(0);
        let leans = Leans::range(Angle::ZERO, Angle::from_deg(30.0), 7);
        (Wish::new(axle, sheet.targets.case), leans, Room::default())
    };
    let mut stock = Stock {
        springs: plans
            .stock
            .iter()
            .map(|(name, spring)| StockSpring {
                name: name.clone(),
                spring: spring.clone(),
            })
            .collect(),
    };
    if stock.springs.is_empty()
        && let Some(Suspension::Solid { coilovers, .. }) =
            sheet.axles.get(wish.axle).map(|a| &a.suspension)
        && let Some(first) = coilovers.first()
    {
        stock.springs.push(StockSpring {
            name: "as in the sheet".to_owned(),
            spring: first.unit.spring.clone(),
        });
    }
    (wish, stock, leans, room)
}

fn of_plan(plan: &WishPlan) -> (Wish, Leans, Room) {
    (
        Wish {
            axle: plan.axle,
            case: plan.case,
            sag: plan.sag,
            frequency: plan.frequency,
            travel_up: plan.travel_up,
            travel_down: plan.travel_down,
        },
        Leans {
            lean: plan.leans.clone(),
            rake: vec![plan.rake],
        },
        Room {
            upper_lowest: plan.mount_lowest,
            upper_highest: plan.mount_highest,
            upper_inmost: plan.mount_inmost,
        },
    )
}

/// What [`wheel_room`](super::wheel_room) needs, from the sheet. Ride height is the
/// targets' case.
///
/// # Errors
/// A size code that is none, or neither code nor measures.
pub fn planned_wheel(
    sheet: &BuildSheet,
    plan: &WheelPlan,
) -> Result<(RoomWish, Wheel, Vec<Body>), LayoutError> {
    let mut wheel = match &plan.size {
        Some(code) => {
            let size = code.parse::<TyreSize>().map_err(in_sheet)?;
            Wheel::by_code(size, plan.rim_width, plan.offset)
        }
        None => measured(plan)?,
    };
    // What was measured goes before what a code says.
    if let Some(d) = plan.diameter {
        wheel.diameter = d;
        wheel.diameter_uncertainty = plan.tape;
    }
    if let Some(s) = plan.section {
        wheel.section = s;
        wheel.section_uncertainty = plan.tape;
    }
    if let Some(r) = plan.barrel_radius {
        wheel.barrel_radius = r;
    }
    if let Some(r) = plan.flange_radius {
        wheel.flange_radius = r;
    }
    if plan.barrel_radius.is_some() && plan.flange_radius.is_some() {
        wheel.rim_uncertainty = plan.tape;
    }
    let on = |axle: bool| if axle { On::Axle } else { On::Frame };
    let mut bodies: Vec<_> = plan
        .bodies
        .iter()
        .map(|b| Body {
            name: b.name.clone(),
            from: End {
                on: on(b.on_axle),
                at: b.at,
            },
            to: b.to.map(|(axle, at)| End { on: on(axle), at }),
            radius: b.radius,
            uncertainty: plan.tape,
        })
        .collect();
    if let Some(radius) = plan.coilover_radius {
        bodies.extend(coilover_bodies(sheet, plan.axle, radius, plan.tape));
    }
    let wish = RoomWish {
        axle: plan.axle,
        case: sheet.targets.case,
        least: plan.clearance,
        hub_face: plan.hub_face,
        bump: plan.bump,
        droop: plan.droop,
    };
    Ok((wish, wheel, bodies))
}

/// The same error under the sheet's name for the field.
fn in_sheet(error: LayoutError) -> LayoutError {
    match error {
        LayoutError::Impossible { value, why, .. } => LayoutError::Impossible {
            field: "wheel.size".to_owned(),
            value,
            why,
        },
        other => other,
    }
}

fn measured(plan: &WheelPlan) -> Result<Wheel, LayoutError> {
    let need = |value: Option<Length>, field: &str| {
        value.ok_or_else(|| {
            LayoutError::impossible(field, "not given", "measure it, or give a size code")
        })
    };
    let barrel = need(plan.barrel_radius, "wheel.barrel_radius")?;
    Ok(Wheel {
        name: "as measured".to_owned(),
        diameter: need(plan.diameter, "wheel.diameter")?,
        diameter_uncertainty: plan.tape,
        section: need(plan.section, "wheel.section")?,
        section_uncertainty: plan.tape,
        rim_diameter: barrel * 2.0,
        rim_width: plan.rim_width,
        offset: plan.offset,
        barrel_radius: barrel,
        flange_radius: need(plan.flange_radius, "wheel.flange_radius")?,
        flange_thickness: super::tyre::FLANGE_THICKNESS,
        rim_uncertainty: plan.tape,
    })
}
