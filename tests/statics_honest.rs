//! The statics never lie: random vehicles, legal and illegal, and every answer
//! held against a judge who knows the energy alone.
//!
//! 256 vehicles of each kind here; `cargo run --release --example
//! statics_trials -- 10000` does the same with as many as one likes.

use crate::statics_judge::{GENES, HARMS, Verdict, illegal, judge, judge_illegal, legal};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use rand::{Rng, SeedableRng};
use std::cell::Cell;

const CASES: u32 = 256;

/// The same vehicles every time.
fn runner() -> TestRunner {
    let config = Config {
        cases: CASES,
        failure_persistence: None,
        ..Config::default()
    };
    TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha))
}

fn genes() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(0.0..1.0_f64, GENES)
}

#[test]
fn an_answer_about_a_legal_vehicle_is_a_rest_or_there_is_none() {
    let (rests, none) = (Cell::new(0), Cell::new(0));
    runner()
        .run(&genes(), |genes| {
            let mut draws = rand::rngs::SmallRng::seed_from_u64(1);
            match judge(&legal(&genes), &mut || draws.random()) {
                Ok(Verdict::Rest | Verdict::OtherRest) => rests.set(rests.get() + 1),
                Ok(Verdict::None(_) | Verdict::NoneUpright(_)) => none.set(none.get() + 1),
                Err(lie) => return Err(TestCaseError::fail(lie)),
            }
            Ok(())
        })
        .unwrap();
    // Both kinds were there, so that the judge had something to judge.
    assert_eq!(rests.get() + none.get(), CASES);
    assert!(
        rests.get() >= CASES / 2 && none.get() >= 5,
        "{rests:?} {none:?}"
    );
}

#[test]
fn an_answer_about_an_impossible_vehicle_ends_and_is_a_number() {
    let harm = prop::collection::vec((0..HARMS, 0..12_u8), 1..4);
    let refused = Cell::new(0);
    runner()
        .run(&(genes(), harm), |(genes, harm)| {
            match judge_illegal(&illegal(&genes, &harm)) {
                Ok("rest") => {}
                Ok(_) => refused.set(refused.get() + 1),
                Err(lie) => return Err(TestCaseError::fail(lie)),
            }
            Ok(())
        })
        .unwrap();
    assert!(refused.get() >= CASES / 4, "{refused:?}");
}
