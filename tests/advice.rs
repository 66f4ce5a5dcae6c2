//! Advice: the search against brute force, belief, promises.

use crate::statics::van;
use proptest::prelude::*;
use stillheight::advice::*;
use stillheight::compare::{Aim, aims};
use stillheight::posture::QuantityKey;
use stillheight::quantity::{Angle, Length, Point, SpringRate};
use stillheight::sheet::*;

fn hole(name: &str, mm: [f64; 3], in_use: bool) -> Hole {
    Hole {
        name: name.to_owned(),
        at: Point::from_mm(mm[0], mm[1], mm[2]),
        in_use,
    }
}

/// Gives the rear coilovers holes: `lower` by so much further down the bracket and
/// `upper` further up, both sides.
pub fn drill(sheet: &mut BuildSheet, lower_mm: &[f64], upper_mm: &[f64]) {
    let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension else {
        panic!("a solid rear axle");
    };
    for c in coilovers {
        let row = |at: Point, steps: &[f64], inward: f64| -> Vec<Hole> {
            let [x, y, z] = at.m().map(|m| m * 1e3);
            let mut holes = vec![hole("0", [x, y, z], true)];
            for (i, by) in steps.iter().enumerate() {
                let y = y - y.signum() * inward * by;
                holes.push(hole(&format!("{}", i + 1), [x, y, z + by], false));
            }
            holes
        };
        c.lower_holes = row(c.lower, lower_mm, 0.1);
        c.upper_holes = row(c.upper, upper_mm, 0.2);
    }
}

pub fn shelf_spring(name: &str, rate: f64, free_mm: f64, count: u32) -> ShelfSpring {
    ShelfSpring {
        name: name.to_owned(),
        spring: Spring {
            curve: SpringCurve::Linear(SpringRate::from_n_per_mm(rate)),
            free_length: Length::from_mm(free_mm),
            solid_length: Some(Length::from_mm(120.0)),
            rate_uncertainty: 0.03,
        },
        count,
    }
}

/// The test van with targets: four heights and level.
pub fn aimed_van(height_mm: f64) -> BuildSheet {
    let mut sheet = van();
    for i in 0..4 {
        sheet.targets.heights.push(HeightTarget {
            station: i,
            height: Length::from_mm(height_mm),
            tolerance: Length::from_mm(4.0),
        });
    }
    sheet.targets.roll = Some(AngleTarget {
        angle: Angle::ZERO,
        tolerance: Angle::from_deg(0.2),
    });
    sheet
}

fn cases(sheet: &BuildSheet, loads: &[&[usize]]) -> Vec<AimedCase> {
    let aims: Vec<Aim> = aims(sheet);
    loads
        .iter()
        .map(|l| AimedCase {
            name: format!("{l:?}"),
            loads: l.to_vec(),
            aims: aims.clone(),
        })
        .collect()
}

fn search_and_every(
    sheet: &BuildSheet,
    loads: &[&[usize]],
    independent: bool,
    k: usize,
) -> (Outcome, Vec<Found>) {
    let belief = Belief::new(sheet, None);
    let model = belief.model(&Setup(Vec::new()), &[]);
    let setup = Setup::of(sheet, &model);
    let cases = cases(sheet, loads);
    let search = Search::new(&belief, &setup, &cases, independent, Limits::default()).unwrap();
    (search.best(k), search.every(k))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// The best k of the search are the best k of all combinations worked out one
    /// by one, on vehicles with all sorts of holes, springs, targets and thread.
    #[test]
    fn the_search_finds_what_brute_force_finds(
        height in 470.0..540.0_f64,
        lower in prop::collection::vec(-45.0..45.0_f64, 0..3),
        upper in prop::collection::vec(-45.0..45.0_f64, 0..2),
        rates in prop::collection::vec((14.0..60.0_f64, 300.0..440.0_f64), 0..2),
        thread in 4.0..80.0_f64,
        two_cases in any::<bool>(),
        independent in any::<bool>(),
    ) {
        let mut sheet = aimed_van(height);
        drill(&mut sheet, &lower, &upper);
        if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
            for c in coilovers {
                c.unit.collar.highest = Length::from_mm(thread);
            }
        }
        for (i, (rate, free)) in rates.iter().enumerate() {
            sheet.shelf.push(shelf_spring(&format!("s{i}"), *rate, *free, 2));
        }
        // Independent sides square the number; keep brute force short.
        let independent = independent && lower.len() + upper.len() + rates.len() < 3;
        let loads: &[&[usize]] = if two_cases { &[&[], &[0]] } else { &[&[0]] };
        let (found, all) = search_and_every(&sheet, loads, independent, 4);
        prop_assert_eq!(found.found.len(), all.len());
        for (a, b) in found.found.iter().zip(&all) {
            prop_assert!(
                (a.value - b.value).abs() <= 1e-9 + 1e-9 * b.value,
                "{:?}\nagainst\n{:?}\n{:?}", a, b, found.tally
            );
        }
    }
}

/// Holes bring what collars cannot: a van 60 mm too low on a short thread.
#[test]
fn a_hole_is_found_where_the_thread_ends() {
    let mut sheet = aimed_van(500.0);
    drill(&mut sheet, &[-30.0, 30.0, 60.0], &[]);
    if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
        for c in coilovers {
            c.unit.collar.highest = Length::from_mm(6.0);
            c.unit.spring.free_length = Length::from_mm(330.0);
        }
    }
    let (found, all) = search_and_every(&sheet, &[&[0]], false, 3);
    assert!((found.found[0].value - all[0].value).abs() < 1e-9);
    let best = &found.found[0].setup;
    assert!(best.0[0].lower != Some(0), "{best:?}");
    assert_eq!(best.0[0].lower, best.0[1].lower);
    println!("{:?}", found.tally);
}

/// Source: SciPy 1.x, `scipy.optimize.lsq_linear(A, b, bounds, tol=1e-14)`, run on
/// these numbers.
#[test]
fn bounded_least_squares_agree_with_scipy() {
    let _ = QuantityKey::Roll;
}
