//! Times of functions: medians of several runs, the things compared taking turns.
//!
//! Counted is the time of the processor that the thread took, which on a quiet machine is
//! the time that passed, and on a busy one is not stretched by others' turns. Python's side
//! counts the same of its process.

use cpu_time::ThreadTime;
use std::hint::black_box;

/// Runs of each thing that is timed.
pub const RUNS: usize = 7;
/// A run takes at least so long, in seconds.
const SHORTEST_RUN_S: f64 = 0.04;

/// A thing to be timed: so many calls of it.
pub type Timed<'a> = &'a mut dyn FnMut();

/// Seconds a call of each, medians over [`RUNS`] runs in turns.
pub fn side_by_side<const N: usize>(mut things: [Timed<'_>; N]) -> [f64; N] {
    let calls = std::array::from_fn::<usize, N, _>(|i| {
        let mut calls = 1;
        loop {
            let s = run(things[i], calls);
            if s >= SHORTEST_RUN_S {
                return calls;
            }
            calls = if s > 1e-4 {
                (calls as f64 * SHORTEST_RUN_S / s * 1.1).ceil() as usize
            } else {
                calls * 16
            };
        }
    });
    let mut times = [[0.0; RUNS]; N];
    // In turns, so that all meet the same neighbours on the machine.
    #[allow(clippy::needless_range_loop, reason = "runs outside, things inside")]
    for k in 0..RUNS {
        for i in 0..N {
            times[i][k] = run(things[i], calls[i]) / calls[i] as f64;
        }
    }
    times.map(|mut t| median(&mut t))
}

/// Seconds a call, median.
pub fn alone<T>(mut f: impl FnMut() -> T) -> f64 {
    let [s] = side_by_side([&mut || {
        black_box(f());
    }]);
    s
}

/// The middle of some values.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[values.len() / 2]
}

/// The value under which a share of the sorted values lies.
pub fn quantile(sorted: &[f64], share: f64) -> f64 {
    let at = (share * (sorted.len() as f64 - 1.0)).ceil() as usize;
    sorted.get(at).copied().unwrap_or(f64::NAN)
}

fn run(f: &mut dyn FnMut(), calls: usize) -> f64 {
    let begun = ThreadTime::now();
    for _ in 0..calls {
        f();
    }
    begun.elapsed().as_secs_f64()
}

/// Exponent b of y = a x^b, by least squares on logarithms.
pub fn exponent(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mx, my) = points
        .iter()
        .fold((0.0, 0.0), |(x, y), p| (x + p.0.ln() / n, y + p.1.ln() / n));
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (x, y) in points {
        sxy += (x.ln() - mx) * (y.ln() - my);
        sxx += (x.ln() - mx).powi(2);
    }
    sxy / sxx
}
