//! Vehicles that tests build without a sheet file.

use stillheight::quantity::{Angle, Force, Length, Mass, Point, SpringRate, UnitSystem};
use stillheight::sheet::*;

/// A coilover unit with room for everything: stroke from 200 to 600 mm.
pub fn roomy_unit(rate_n_per_mm: f64, free_mm: f64) -> CoiloverUnit {
    CoiloverUnit {
        extended: Length::from_mm(600.0),
        compressed: Length::from_mm(200.0),
        hardware: Length::from_mm(100.0),
        spring: Spring {
            curve: SpringCurve::Linear(SpringRate::from_n_per_mm(rate_n_per_mm)),
            free_length: Length::from_mm(free_mm),
            solid_length: None,
            rate_uncertainty: 0.03,
        },
        collar: Collar {
            height: Length::ZERO,
            lowest: Length::ZERO,
            highest: Length::from_mm(80.0),
            pitch: Length::from_mm(2.0),
            step_turns: 0.25,
            uncertainty: Length::from_mm(0.5),
        },
        friction: Force::ZERO,
    }
}

/// An independent corner of motion ratio `ratio`, its unit 400 mm long at zero travel.
pub fn corner(name: &str, unit: CoiloverUnit, ratio: f64) -> Corner {
    Corner {
        name: name.to_owned(),
        unit,
        design_length: Length::from_mm(400.0),
        motion_ratio: vec![(Length::ZERO, ratio)],
        arm: None,
    }
}

/// An axle of two equal independent corners on blocks, wheel centres 300 mm high.
pub fn sprung_pair(name: &str, x_m: f64, track_m: f64, unit: &CoiloverUnit) -> Axle {
    Axle {
        name: name.to_owned(),
        x: Length::new(x_m),
        track: Length::new(track_m),
        unsprung: Mass::new(0.0),
        design_height: Length::from_mm(300.0),
        support: Support::Blocks {
            left: Length::from_mm(300.0),
            right: Length::from_mm(300.0),
        },
        suspension: Suspension::Independent {
            left: corner(&format!("{name} left"), unit.clone(), 1.0),
            right: corner(&format!("{name} right"), unit.clone(), 1.0),
            roll_centre: None,
        },
        anti_roll_bar: None,
    }
}

/// A sheet around axles: wheelbase from them, one sprung mass, no loads.
pub fn sheet(axles: Vec<Axle>, mass_kg: f64, centre_mm: [f64; 3]) -> BuildSheet {
    let wheelbase = axles.iter().map(|a| a.x.m()).fold(0.0, f64::max);
    BuildSheet {
        name: "test vehicle".to_owned(),
        units: UnitSystem::Metric,
        wheelbase: Length::new(wheelbase),
        design_height: Length::from_mm(500.0),
        stations: Vec::new(),
        axles,
        sprung: SprungWeight {
            mass: Mass::new(mass_kg),
            centre: Point::from_mm(centre_mm[0], centre_mm[1], centre_mm[2]),
            mass_uncertainty: Mass::new(10.0),
            centre_uncertainty: Length::from_mm(20.0),
        },
        loads: Vec::new(),
        cases: vec![LoadCase {
            name: "bare".to_owned(),
            loads: Vec::new(),
        }],
        targets: Targets {
            case: 0,
            heights: Vec::new(),
            roll: None,
            pitch: None,
            links: Vec::new(),
        },
        shelf: Vec::new(),
        floor: Floor {
            roll: Angle::ZERO,
            pitch: Angle::ZERO,
            slope_uncertainty: Angle::from_deg(0.3),
            flatness: Length::from_mm(1.0),
            under_wheels: [[Length::ZERO; 2]; 2],
        },
        sensors: Vec::new(),
    }
}

/// A coilover leaning in by `lean_deg` in rear view, `length_mm` long with the
/// frame at 500 mm and the axle centre at 300 mm, lower mount 500 mm out.
pub fn leaning(
    name: &str,
    side: Side,
    lean_deg: f64,
    length_mm: f64,
    unit: CoiloverUnit,
) -> Coilover {
    let lean = lean_deg.to_radians();
    let lower = Point::from_mm(0.0, 500.0, 0.0);
    let upper = Point::from_mm(
        0.0,
        500.0 - length_mm * lean.sin(),
        length_mm * lean.cos() - 200.0,
    );
    let (upper, lower) = if side == Side::Left {
        (upper, lower)
    } else {
        (upper.mirrored(), lower.mirrored())
    };
    Coilover {
        name: name.to_owned(),
        side,
        upper,
        lower,
        unit,
        upper_holes: Vec::new(),
        lower_holes: Vec::new(),
        arm: None,
    }
}

/// A solid axle with two leaning coilovers on blocks 300 mm high, no link.
pub fn solid_axle(lean_deg: f64, length_mm: f64, unit: &CoiloverUnit) -> Axle {
    Axle {
        name: "rear".to_owned(),
        x: Length::ZERO,
        track: Length::from_mm(1500.0),
        unsprung: Mass::new(100.0),
        design_height: Length::from_mm(300.0),
        support: Support::Blocks {
            left: Length::from_mm(300.0),
            right: Length::from_mm(300.0),
        },
        suspension: Suspension::Solid {
            coilovers: vec![
                leaning("rear left", Side::Left, lean_deg, length_mm, unit.clone()),
                leaning("rear right", Side::Right, lean_deg, length_mm, unit.clone()),
            ],
            link: None,
        },
        anti_roll_bar: None,
    }
}
