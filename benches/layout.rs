//! How long a full-vehicle case and a layout table take.
#![allow(
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::wildcard_imports,
    clippy::panic,
    reason = "a bench may end at once"
)]

use stillheight::layout::{Leans, Room, Stock, StockSpring, Wish, candidates};
use stillheight::quantity::{Angle, Frequency, Length, Mass, Point, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{Model, quantities};

#[allow(dead_code, reason = "tests use the rest of it")]
#[path = "../tests/vehicles.rs"]
mod vehicles;

fn van() -> BuildSheet {
    let tyre = Tyre {
        radius: Length::from_mm(330.0),
        rate: SpringRate::from_n_per_mm(210.0),
        rate_uncertainty: 0.1,
    };
    let mut unit = vehicles::roomy_unit(30.0, 300.0);
    unit.extended = Length::from_mm(460.0);
    unit.compressed = Length::from_mm(300.0);
    let mut rear = vehicles::solid_axle(12.0, 400.0, &unit);
    rear.support = Support::Tyres(tyre);
    if let Suspension::Solid { link, .. } = &mut rear.suspension {
        *link = Some(LateralLink {
            name: "lateral link".to_owned(),
            frame_end: Point::from_mm(-60.0, 430.0, -150.0),
            axle_end: Point::from_mm(-60.0, -430.0, 30.0),
            length: Length::from_mm(862.0),
        });
    }
    let front_unit = vehicles::roomy_unit(24.0, 420.0);
    let mut front = vehicles::sprung_pair("front", 2.6, 1.48, &front_unit);
    front.support = Support::Tyres(tyre);
    front.unsprung = Mass::new(70.0);
    let mut sheet = vehicles::sheet(vec![rear, front], 620.0, [1500.0, 10.0, 150.0]);
    for (name, kg, x) in [
        ("deck", 180.0, 300.0),
        ("driver", 80.0, 1700.0),
        ("cargo", 250.0, 200.0),
    ] {
        sheet.loads.push(NamedLoad {
            name: name.to_owned(),
            mass: Mass::new(kg),
            at: Point::from_mm(x, -20.0, 250.0),
            mass_uncertainty: Mass::new(5.0),
            place_uncertainty: Length::from_mm(30.0),
        });
    }
    sheet.cases = (0..4)
        .map(|n| LoadCase {
            name: format!("case {n}"),
            loads: (0..n).collect(),
        })
        .collect();
    sheet
}

/// Equilibrium, stiffness and all quantities of one load case.
#[divan::bench]
fn full_vehicle_case(bencher: divan::Bencher) {
    let sheet = van();
    bencher.bench(|| {
        let model = Model::new(&sheet, &[0, 1]);
        let rest = model.equilibrium().unwrap();
        quantities(&model, &rest, &sheet.stations)
    });
}

/// 20 rates x 25 angles x 4 cases.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn layout_table(bencher: divan::Bencher) {
    let sheet = van();
    let stock = Stock {
        springs: (0..20)
            .map(|i| StockSpring {
                name: format!("spring {i}"),
                spring: Spring {
                    curve: SpringCurve::Linear(SpringRate::from_n_per_mm(
                        18.0 + 2.0 * f64::from(i),
                    )),
                    free_length: Length::from_mm(300.0),
                    solid_length: Some(Length::from_mm(120.0)),
                    rate_uncertainty: 0.03,
                },
            })
            .collect(),
    };
    let leans = Leans::range(Angle::ZERO, Angle::from_deg(36.0), 25);
    let wish = Wish {
        frequency: Some((Frequency::new(1.2), Frequency::new(1.8))),
        ..Wish::new(0, 1)
    };
    bencher.bench(|| {
        let layout = candidates(&sheet, &wish, &stock, &leans, &Room::default()).unwrap();
        assert_eq!(layout.candidates.len(), 500);
        layout
    });
}

fn main() {
    divan::main();
}
