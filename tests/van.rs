//! A van on tyres for trials of other stages.

use crate::vehicles::{roomy_unit, sheet, solid_axle, sprung_pair};
use stillheight::quantity::{Length, Mass, Point, SpringRate};
use stillheight::sheet::*;

/// A van on tyres: solid rear axle with a link, independent front.
pub fn van() -> BuildSheet {
    let tyre = Tyre {
        radius: Length::from_mm(330.0),
        rate: SpringRate::from_n_per_mm(210.0),
        rate_uncertainty: 0.1,
    };
    let mut rear = solid_axle(12.0, 420.0, &roomy_unit(30.0, 380.0));
    rear.support = Support::Tyres(tyre);
    if let Suspension::Solid { link, .. } = &mut rear.suspension {
        *link = Some(LateralLink {
            name: "lateral link".to_owned(),
            frame_end: Point::from_mm(-60.0, 430.0, -150.0),
            axle_end: Point::from_mm(-60.0, -430.0, 30.0),
            length: Length::from_mm(862.0),
        });
    }
    let mut front = sprung_pair("front", 2.6, 1.48, &roomy_unit(24.0, 420.0));
    front.support = Support::Tyres(tyre);
    front.unsprung = Mass::new(70.0);
    let mut sheet = sheet(vec![rear, front], 620.0, [1500.0, 10.0, 150.0]);
    for (name, x, y) in [
        ("rear left", 0.0, 400.0),
        ("rear right", 0.0, -400.0),
        ("front left", 2600.0, 400.0),
        ("front right", 2600.0, -400.0),
    ] {
        sheet.stations.push(Station {
            name: name.to_owned(),
            at: Point::from_mm(x, y, 0.0),
        });
    }
    sheet.loads.push(NamedLoad {
        name: "deck".to_owned(),
        mass: Mass::new(180.0),
        at: Point::from_mm(300.0, -20.0, 250.0),
        mass_uncertainty: Mass::new(5.0),
        place_uncertainty: Length::from_mm(30.0),
    });
    sheet
}
