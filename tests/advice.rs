//! Advice: the search against brute force, belief, promises.

use crate::statics::van;
use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;
use stillheight::advice::*;
use stillheight::compare::{Aim, aims};
use stillheight::leastsquares::{Settings, solve};
use stillheight::posture::{PostureState, QuantityKey, predict};
use stillheight::quantity::{Angle, Length, Point, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{Model, Parameter};

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
}

/// Source: SciPy 1.17.1, `scipy.optimize.lsq_linear(A, b, bounds, method="bvls",
/// tol=1e-15)`, run on these numbers.
#[test]
fn bounded_least_squares_agree_with_scipy() {
    let a = DMatrix::from_row_slice(
        5,
        3,
        &[
            1.0, 0.3, -0.2, 0.4, 2.0, 0.1, -0.5, 0.2, 1.5, 0.9, -1.1, 0.6, 0.2, 0.7, -0.8,
        ],
    );
    let b = DVector::from_vec(vec![1.2, -3.0, 2.5, 4.0, -1.0]);
    let table = [
        (
            [-9.0; 3],
            [9.0; 3],
            [
                1.479_557_968_342_345_7,
                -1.551_905_570_954_061,
                1.813_236_175_114_325,
            ],
        ),
        ([-0.5, -1.0, 0.0], [1.0; 3], [1.0, -1.0, 1.0]),
        ([0.0; 3], [2.0; 3], [1.420_353_982_300_885, 0.0, 2.0]),
        ([-1.0, -0.2, -1.0], [0.3, 0.5, 0.4], [0.3, -0.2, 0.4]),
    ];
    for (lower, upper, expected) in table {
        let x = bounded(
            &a.tr_mul(&a),
            &a.tr_mul(&b),
            &DVector::from_row_slice(&lower),
            &DVector::from_row_slice(&upper),
        );
        for (x, e) in x.iter().zip(expected) {
            // The small pull towards the start costs about 1e-9.
            assert!((x - e).abs() < 1e-8, "{x} {e}");
        }
    }
}

/// Source: SciPy 1.17.1, `scipy.optimize.least_squares` (trust region reflective,
/// tolerances 1e-15) on x0 cos x1 - 3, x0 sin x1 - 2, (x0^2 - x1)/2 - 4 with bounds.
#[test]
fn bounded_nonlinear_least_squares_agree_with_scipy() {
    let table = [
        (
            [0.0, 0.0],
            [10.0, 1.5],
            [3.000_135_893_630_971, 0.597_327_919_072_671_2],
            0.408_168_985_730_261_9,
        ),
        (
            [0.0, 0.0],
            [3.0, 0.5],
            [2.984_440_111_652_042_5, 0.5],
            0.510_448_353_415_439_1,
        ),
        (
            [3.6, 0.1],
            [5.0, 1.0],
            [3.6, 0.670_710_401_230_146_8],
            4.688_272_149_153_887,
        ),
    ];
    for (lower, upper, expected, square) in table {
        let settings = Settings {
            lower: Some(DVector::from_row_slice(&lower)),
            upper: Some(DVector::from_row_slice(&upper)),
            ..Settings::default()
        };
        let start = DVector::from_vec(vec![
            f64::midpoint(lower[0], upper[0]),
            f64::midpoint(lower[1], upper[1]),
        ]);
        let found = solve(&start, 3, &settings, |x, r, j| {
            let (s, c) = x[1].sin_cos();
            r[0] = x[0] * c - 3.0;
            r[1] = x[0] * s - 2.0;
            r[2] = 0.5 * (x[0] * x[0] - x[1]) - 4.0;
            if let Some(j) = j {
                j.copy_from(&DMatrix::from_row_slice(
                    3,
                    2,
                    &[c, -x[0] * s, s, x[0] * c, x[0], -0.5],
                ));
            }
        })
        .unwrap();
        for (x, e) in found.parameters.iter().zip(expected) {
            assert!((x - e).abs() < 1e-6, "{:?}", found.parameters);
        }
        let (s, c) = found.parameters[1].sin_cos();
        let x0 = found.parameters[0];
        let r = [
            x0 * c - 3.0,
            x0 * s - 2.0,
            0.5 * (x0 * x0 - found.parameters[1]) - 4.0,
        ];
        let sum: f64 = r.iter().map(|r| r * r).sum();
        assert!((sum - square).abs() < 1e-9, "{sum}");
    }
}

/// Source: for independent normal variables the probability of a box is the product
/// of each one's, 0.6827 within one and 0.9545 within two standard deviations (NIST/SEMATECH
/// e-Handbook 1.3.6.7.1); a correlation of 1 leaves the narrower one's alone.
#[test]
fn probabilities_of_boxes() {
    let zero = DVector::zeros(2);
    let (low, high) = (
        DVector::from_vec(vec![-1.0, -2.0]),
        DVector::from_vec(vec![1.0, 2.0]),
    );
    let apart = inside(&zero, &DMatrix::identity(2, 2), &low, &high);
    assert!((apart - 0.682_69 * 0.954_50).abs() < 0.01, "{apart}");
    let together = inside(&zero, &DMatrix::repeat(2, 2, 1.0), &low, &high);
    assert!((together - 0.682_69).abs() < 0.01, "{together}");
}

fn sensed(sheet: &mut BuildSheet) {
    let sensor = |name: &str, reads| Sensor {
        name: name.to_owned(),
        connection: Connection {
            port: None,
            baud: 115_200,
            protocol: Protocol::Wire {
                device: 1,
                channel: 0,
            },
        },
        reads,
        zero: 0.0,
        zero_uncertainty: 0.001,
        scale_uncertainty: 0.0,
        deadline_s: 1.0,
    };
    for station in sheet.stations.clone() {
        sheet.sensors.push(sensor(
            &station.name,
            Measurand::FrameToFloor { from: station.at },
        ));
    }
}

/// What the sensors of a vehicle would say that is as `truth` makes it.
fn reading(
    sheet: &BuildSheet,
    setup: &Setup,
    really: &Setup,
    loads: &[usize],
    truth: impl Fn(&mut Model),
) -> StillReading {
    let mut model = Model::new(sheet, loads);
    really.put_on(sheet, &mut model);
    truth(&mut model);
    let rest = model.equilibrium().unwrap();
    let mut state = PostureState::zeros();
    state.fixed_rows_mut::<7>(0).copy_from(&rest.state);
    StillReading {
        loads: loads.to_vec(),
        setup: setup.clone(),
        seen: (0..sheet.sensors.len())
            .map(|sensor| Seen {
                sensor,
                value: predict(&model, &sheet.sensors[sensor].reads, &state).unwrap(),
                noise: 0.0002,
            })
            .collect(),
    }
}

/// Softer by 6 % than the sheet says at the rear left, 12 kg more on it.
fn off_the_sheet(model: &mut Model) {
    Parameter::RateFactor(0).shift(model, -0.06);
    Parameter::Mass(0).shift(model, 12.0);
}

#[test]
fn the_order_of_readings_does_not_matter_and_they_teach() {
    let mut sheet = aimed_van(500.0);
    sensed(&mut sheet);
    let setup = Setup::of(&sheet, &Model::new(&sheet, &[]));
    let mut turned = setup.clone();
    assert!(turned.change(
        &sheet,
        &Model::new(&sheet, &[]),
        Operation::Collar {
            unit: 0,
            turns: 3.0
        }
    ));
    let readings = [
        reading(&sheet, &setup, &setup, &[], off_the_sheet),
        reading(&sheet, &setup, &setup, &[0], off_the_sheet),
        reading(&sheet, &turned, &turned, &[0], off_the_sheet),
    ];
    let learnt = |order: &[usize], at_once: bool| {
        let mut belief = Belief::new(&sheet, None);
        let list: Vec<StillReading> = order.iter().map(|&i| readings[i].clone()).collect();
        if at_once {
            belief.learn(&list).unwrap();
        } else {
            for one in list {
                belief.learn(&[one]).unwrap();
            }
        }
        belief
    };
    let first = learnt(&[0, 1, 2], true);
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0]] {
        let other = learnt(&order, false);
        for i in 0..first.unknowns.len() {
            let scale = first.before(i);
            assert!(
                (first.mean[i] - other.mean[i]).abs() < 1e-6 * scale,
                "{:?}",
                first.unknowns[i]
            );
        }
        assert!((&first.covariance - &other.covariance).amax() < 1e-6 * first.covariance.amax());
    }
    // What was learnt predicts the turned vehicle's heights better than the sheet does.
    let truth = &readings[2];
    let sensors: Vec<(usize, f64)> = truth.seen.iter().map(|s| (s.sensor, s.noise)).collect();
    let miss = |belief: &Belief<'_>| {
        let (due, _) = belief.readings_due(&turned, &[0], &sensors).unwrap();
        due.iter()
            .zip(&truth.seen)
            .map(|(d, s)| (d - s.value).abs())
            .fold(0.0, f64::max)
    };
    let (sheet_alone, two) = (
        miss(&Belief::new(&sheet, None)),
        miss(&learnt(&[0, 1], true)),
    );
    assert!(
        two < 0.25 * sheet_alone && two < 0.001,
        "{two} {sheet_alone}"
    );
}

/// A promise kept, and three broken on purpose, each explained by what was done.
#[test]
fn a_broken_promise_is_explained() {
    let mut sheet = aimed_van(500.0);
    drill(&mut sheet, &[-30.0, 30.0], &[]);
    sensed(&mut sheet);
    let model = Model::new(&sheet, &[0]);
    let setup = Setup::of(&sheet, &model);
    let mut belief = Belief::new(&sheet, None);
    belief
        .learn(&[reading(&sheet, &setup, &setup, &[0], off_the_sheet)])
        .unwrap();

    let collar = Operation::Collar {
        unit: 0,
        turns: 8.0,
    };
    let mut then = setup.clone();
    then.change(&sheet, &model, collar);
    let judged = |done: &[Operation], after: &StillReading| {
        held(&belief, &setup, done, after, &[]).unwrap().unwrap()
    };

    let kept = judged(
        &[collar],
        &reading(&sheet, &then, &then, &[0], off_the_sheet),
    );
    assert!(kept.kept(), "{kept:?}");

    // A thread of 1.25 mm where the sheet says 2 mm.
    let mut really = setup.clone();
    really.0[0].collar += 8.0 * 0.00125;
    let wrong = judged(
        &[collar],
        &reading(&sheet, &then, &really, &[0], off_the_sheet),
    );
    assert!(!wrong.kept());
    let pitch = wrong.explanations.iter().find_map(|(e, _)| match e {
        Explanation::Pitch { pitch, .. } => Some(*pitch),
        _ => None,
    });
    assert!(
        (pitch.unwrap() - 0.00125).abs() < 0.0002,
        "{:?}",
        wrong.explanations
    );

    // Nothing turned at the right, but its collar slipped by 7 mm.
    let mut really = then.clone();
    really.0[1].collar -= 0.007;
    let wrong = judged(
        &[collar],
        &reading(&sheet, &then, &really, &[0], off_the_sheet),
    );
    assert!(!wrong.kept());
    assert!(
        matches!(wrong.explanations[0].0, Explanation::Slipped { unit: 1, by } if (by + 0.007).abs() < 0.001),
        "{:?}",
        wrong.explanations
    );

    // Said hole 1, is in hole 2.
    let moved = Operation::Hole {
        unit: 0,
        end: End::Lower,
        hole: 1,
    };
    let (mut said, mut really) = (setup.clone(), setup.clone());
    said.change(&sheet, &model, moved);
    really.change(
        &sheet,
        &model,
        Operation::Hole {
            unit: 0,
            end: End::Lower,
            hole: 2,
        },
    );
    let wrong = judged(
        &[moved],
        &reading(&sheet, &said, &really, &[0], off_the_sheet),
    );
    assert!(!wrong.kept());
    assert!(
        matches!(
            wrong.explanations[0].0,
            Explanation::OtherHole { hole: 2, .. }
        ),
        "{:?}",
        wrong.explanations
    );
}

fn advised(sheet: &BuildSheet, loads: &[&[usize]]) -> Advice {
    let belief = Belief::new(sheet, None);
    let setup = Setup::of(sheet, &Model::new(sheet, &[]));
    let cases = cases(sheet, loads);
    let search = Search::new(&belief, &setup, &cases, false, Limits::default()).unwrap();
    advise(&search, &Circumstances::default()).unwrap()
}

/// A level of 1 degree and heights that are alike left and right exclude each other.
#[test]
fn contradictory_targets_are_named() {
    let mut sheet = aimed_van(500.0);
    assert!(advised(&sheet, &[&[0]]).contradiction.is_none());
    sheet.targets.roll = Some(AngleTarget {
        angle: Angle::from_deg(3.0),
        tolerance: Angle::from_deg(0.1),
    });
    let (a, b) = advised(&sheet, &[&[0]]).contradiction.unwrap();
    assert!(a.share() > 1.0 && b.share() > 0.3);
}

#[test]
fn no_target_is_refused() {
    let sheet = van();
    let belief = Belief::new(&sheet, None);
    let setup = Setup::of(&sheet, &Model::new(&sheet, &[]));
    let search = Search::new(
        &belief,
        &setup,
        &cases(&sheet, &[&[]]),
        false,
        Limits::default(),
    )
    .unwrap();
    assert_eq!(
        advise(&search, &Circumstances::default())
            .unwrap_err()
            .code(),
        "advice.no_target"
    );
}

/// On a thread of 2 mm and far too low, the collars cannot do it: the limit and the
/// least that would have to give way are named, and a new equilibrium with that much
/// more thread meets the target.
#[test]
fn what_is_in_the_way_is_enough_when_it_gives_way() {
    let mut sheet = aimed_van(540.0);
    // The front stands too high rather than too low; the rear is what this is about.
    sheet.targets.heights.truncate(2);
    let thread = |sheet: &mut BuildSheet, mm: f64| {
        for axle in &mut sheet.axles {
            match &mut axle.suspension {
                Suspension::Solid { coilovers, .. } => {
                    for c in coilovers {
                        c.unit.collar.highest = Length::from_mm(mm);
                    }
                }
                Suspension::Independent { left, right, .. } => {
                    for c in [left, right] {
                        c.unit.collar.highest = Length::from_mm(mm);
                    }
                }
            }
        }
    };
    thread(&mut sheet, 2.0);
    let advice = advised(&sheet, &[&[0]]);
    let most = advice
        .in_the_way
        .iter()
        .filter(|b| b.limit == Limit::ThreadTop)
        .map(|b| b.by)
        .fold(0.0, f64::max);
    assert!(most > 0.005, "{:?}", advice.in_the_way);
    // The van's own stops allow it, and its spring stays tight.
    thread(&mut sheet, 2.0 + most * 1e3 + 1.0);
    let more = advised(&sheet, &[&[0]]);
    let best = &more.plans[0].cases[0];
    assert!(
        best.compared.iter().all(|c| c.share() <= 1.0),
        "{:?}",
        best.compared
    );
}

/// Properties of plans: in order of value, none breaks its thread, each says what it
/// does by a new equilibrium.
#[test]
fn plans_are_ranked_and_on_their_threads() {
    let mut sheet = aimed_van(520.0);
    drill(&mut sheet, &[-30.0, 30.0], &[25.0]);
    sheet.shelf.push(shelf_spring("hard", 40.0, 380.0, 2));
    let advice = advised(&sheet, &[&[0]]);
    assert!(!advice.plans.is_empty() && advice.plans.len() <= MOST_PLANS);
    assert!(
        advice
            .plans
            .windows(2)
            .all(|w| w[0].found.value <= w[1].found.value)
    );
    for plan in &advice.plans {
        assert!((0.0..=1.0).contains(&plan.probability));
        for (setting, unit) in plan.setup.0.iter().zip(&Model::new(&sheet, &[]).units) {
            let typed = sheet.unit(&unit.name).unwrap().collar;
            assert!(
                setting.collar >= typed.lowest.m() - 1e-9
                    && setting.collar <= typed.highest.m() + 1e-9
            );
            let steps = (setting.collar - typed.height.m()) / (typed.pitch.m() * typed.step_turns);
            assert!((steps - steps.round()).abs() < 1e-6, "{steps}");
        }
        let mut model = Model::new(&sheet, &[0]);
        plan.setup.put_on(&sheet, &mut model);
        let rest = model.equilibrium().unwrap();
        for i in 0..4 {
            let height = rest.frame().height(sheet.stations[i].at.m());
            let told = plan.cases[0]
                .quantities
                .iter()
                .find(|m| m.key == QuantityKey::Height(i))
                .unwrap();
            assert!((told.value - height).abs() < 1e-9);
        }
    }
}

/// The builder's own operation: raising a side that is too high already is spoken
/// against, with the height it would come to.
#[test]
fn an_own_operation_is_answered() {
    let sheet = aimed_van(500.0);
    let belief = Belief::new(&sheet, None);
    let model = Model::new(&sheet, &[]);
    let setup = Setup::of(&sheet, &model);
    let all = cases(&sheet, &[&[0]]);
    let search = Search::new(&belief, &setup, &all, false, Limits::default()).unwrap();
    let now = as_it_is(&search).unwrap();
    let answer = |words: &str| {
        why(&search, &now, &order(&sheet, &model, words).unwrap())
            .unwrap()
            .unwrap()
    };
    let off = answer("rear left collar 50 turns up");
    assert!(
        off.against.iter().any(|o| matches!(
            o,
            Objection::Limit {
                limit: Limit::ThreadTop,
                ..
            }
        )),
        "{:?}",
        off.against
    );
    let small = answer("rear left collar 1/4 turn up");
    assert!(
        small
            .against
            .iter()
            .any(|o| matches!(o, Objection::TooSmall { .. })),
        "{:?}",
        small.against
    );
    assert!(matches!(
        order(&sheet, &model, "rear left lower hole Z"),
        Err(OrderError::Unknown { .. })
    ));
    assert!(matches!(
        order(&sheet, &model, "boot lid"),
        Err(OrderError::NoUnit { .. })
    ));
}

#[test]
fn a_twist_is_told_apart() {
    let flat = [0.5, 0.5, 0.5, 0.5];
    let warped = [0.506, 0.5, 0.5, 0.506];
    let more = [0.512, 0.5, 0.5, 0.512];
    let whose = |readings: &[[f64; 4]]| twist(readings, 0.0005, 0.001).unwrap().whose;
    assert_eq!(whose(&[flat, flat]), TwistOf::Nobody);
    assert_eq!(whose(&[warped]), TwistOf::FloorOrFrame);
    assert_eq!(whose(&[warped, warped]), TwistOf::Floor);
    assert_eq!(whose(&[warped, more]), TwistOf::Frame);
    assert!(twist(&[], 0.0005, 0.001).is_none());
}
