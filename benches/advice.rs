//! How long the search takes on a full car, and against brute force on a smaller one.
//!
//! `cargo bench --bench advice`

#![allow(unreachable_pub, reason = "shares the car with the measuring program")]

mod cars;

use cars::{car, cases, prepared};
use stillheight::advice::{Belief, Setup};
use stillheight::sheet::BuildSheet;

fn main() {
    let sheet = car(5, 3, 6);
    let belief = Belief::new(&sheet, None);
    let cases = cases(&sheet, &["driver", "full tank", "loaded"]);
    let setup = Setup::of(&sheet, &belief.model(&Setup(Vec::new()), &[]));
    let search = prepared(&belief, &setup, &cases);
    let outcome = search.best(5);
    println!(
        "full car: {:.3e} combinations, {} bounded whole, {} worked out, margin {:.3} tolerances",
        outcome.tally.combinations,
        outcome.tally.bounded,
        outcome.tally.valued,
        outcome.tally.slack
    );
    for found in &outcome.found {
        println!(
            "  value {:.3}: misfit {:.3}, effort {:.2}, risk {:.2}",
            found.value, found.misfit, found.effort, found.risk
        );
    }
    divan::main();
}

fn run(bencher: divan::Bencher<'_, '_>, car: &BuildSheet, names: &[&str], every: bool) {
    let belief = Belief::new(car, None);
    let cases = cases(car, names);
    let setup = Setup::of(car, &belief.model(&Setup(Vec::new()), &[]));
    bencher.bench_local(|| {
        let search = prepared(&belief, &setup, &cases);
        if every {
            search.every(5).len()
        } else {
            search.best(5).found.len()
        }
    });
}

/// Five lower and three upper holes at each corner, left and right independent, six
/// springs, three cases: must stay under a second.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn full_car(bencher: divan::Bencher<'_, '_>) {
    run(
        bencher,
        &car(5, 3, 6),
        &["driver", "full tank", "loaded"],
        false,
    );
}

/// Two lower holes, no upper ones, one spring: 256 combinations, by the search.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn small_car_search(bencher: divan::Bencher<'_, '_>) {
    run(bencher, &car(2, 1, 1), &["driver", "loaded"], false);
}

/// The same by working out every combination.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn small_car_brute_force(bencher: divan::Bencher<'_, '_>) {
    run(bencher, &car(2, 1, 1), &["driver", "loaded"], true);
}
