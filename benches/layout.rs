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
use stillheight::quantity::{Angle, Frequency, Length, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{Model, quantities};

#[allow(dead_code, reason = "other measurements use the rest of it")]
#[path = "measured/van.rs"]
mod van;
#[allow(dead_code, reason = "tests use the rest of it")]
#[path = "../tests/vehicles.rs"]
mod vehicles;

/// Equilibrium, stiffness and all quantities of one load case.
#[divan::bench]
fn full_vehicle_case(bencher: divan::Bencher) {
    let sheet = van::bare();
    bencher.bench(|| {
        let model = Model::new(&sheet, &[0, 1]);
        let rest = model.equilibrium().unwrap();
        quantities(&model, &rest, &sheet.stations)
    });
}

/// 20 rates x 25 angles x 4 cases.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn layout_table(bencher: divan::Bencher) {
    let sheet = van::bare();
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
