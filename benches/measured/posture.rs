//! The posture of sixteen sensors against SciPy's least squares on the same model.

use super::{Asked, clock, peers, table, van};
use serde_json::json;
use std::hint::black_box;
use stillheight::posture::{Estimator, Observation, PostureState, Prior, predict};
use stillheight::sheet::{BuildSheet, Measurand};
use stillheight::statics::Model;

/// A vehicle with its readings, a little off what the sheet expects.
pub struct Scene {
    pub sheet: BuildSheet,
    pub model: Model,
    pub prior: Prior,
    pub seen: Vec<Observation>,
}

/// So many sensors on the van.
pub fn scene(sensors: usize) -> Scene {
    let sheet = van::van_with_sensors(sensors);
    let model = Model::new(&sheet, &[0, 1]);
    let prior = Prior::new(&sheet, &model).unwrap();
    let mut truth = prior.state;
    for (i, by) in [
        0.004, 0.003, -0.002, 0.002, -0.003, 0.001, -0.001, 0.002, -0.001,
    ]
    .into_iter()
    .enumerate()
    {
        truth[i] += by;
    }
    let mut scene = Scene {
        seen: Vec::new(),
        sheet,
        model,
        prior,
    };
    scene.seen = scene.read(&truth, 1);
    scene
}

impl Scene {
    /// What the sensors say in a state, with a little of a fixed noise.
    pub fn read(&self, state: &PostureState, turn: u64) -> Vec<Observation> {
        let mut chance = 88_172_645_463_325_252_u64.wrapping_add(turn);
        let sensors = self.sheet.sensors.iter().enumerate();
        sensors
            .map(|(sensor, s)| {
                // Marsaglia's xorshift with his triple 13, 7, 17.
                chance ^= chance << 13;
                chance ^= chance >> 7;
                chance ^= chance << 17;
                let noise = (chance >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
                let tilt = matches!(s.reads, Measurand::Tilt { .. });
                let uncertainty = if tilt { 2e-4 } else { 5e-4 };
                Observation {
                    sensor,
                    value: predict(&self.model, &s.reads, state).unwrap() + noise * uncertainty,
                    uncertainty,
                }
            })
            .collect()
    }
}

/// A posture update from cold, and warm ones while little moves: seconds each.
pub fn times(scene: &Scene) -> (f64, f64) {
    let Scene {
        sheet,
        model,
        prior,
        seen,
    } = scene;
    let mut estimator = Estimator::new();
    let cold = estimator.estimate(sheet, model, prior, seen, None);
    let mut near: Vec<Vec<Observation>> = Vec::new();
    for turn in 0..16 {
        let mut state = cold.state;
        state[0] += 2e-5 * f64::from(turn % 4);
        near.push(scene.read(&state, 2 + turn as u64));
    }
    let mut warm = cold.clone();
    let mut turn = 0;
    let [cold_s, warm_s] = clock::side_by_side([
        &mut || {
            black_box(estimator.estimate(sheet, model, prior, black_box(seen), None));
        },
        &mut || {
            let mut estimator = Estimator::new();
            for _ in 0..64 {
                turn = (turn + 1) % near.len();
                estimator.update(sheet, model, prior, black_box(&near[turn]), &mut warm);
            }
            black_box(&warm);
        },
    ]);
    (cold_s, warm_s / 64.0)
}

pub fn row(_: &Asked) {
    let scene = scene(16);
    let (cold, warm) = times(&scene);
    let what = "posture update, 16 sensors";
    let goal = "300x SciPy, < 20 us warm";
    let posture =
        Estimator::new().estimate(&scene.sheet, &scene.model, &scene.prior, &scene.seen, None);
    let floor = |o: &Observation| match scene.sheet.sensors[o.sensor].reads {
        Measurand::FrameToFloor { .. } => scene.sheet.floor.flatness.m(),
        _ => 0.0,
    };
    let problem = json!({
        "vehicle": van::described(&scene.sheet, &[0, 1]),
        "sensors": van::sensors_described(&scene.sheet),
        "prior": scene.prior.state.as_slice(),
        "covariance": scene.prior.covariance.as_slice(),
        "values": scene.seen.iter().map(|o| o.value).collect::<Vec<_>>(),
        "uncertainties": scene.seen.iter().map(|o| o.uncertainty.hypot(floor(o))).collect::<Vec<_>>(),
    });
    let own = format!("warm {}, cold {}", table::time(warm), table::time(cold));
    match peers::ask("posture.py", &problem) {
        Err(why) => table::not_run(what, &format!("{own}; {why}"), goal),
        Ok(answer) => {
            let state: Vec<f64> = serde_json::from_value(answer["state"].clone()).unwrap();
            let off = state
                .iter()
                .zip(posture.state.iter())
                .map(|(a, b)| (a - b).abs())
                .fold(0.0, f64::max);
            assert!(
                off < 1e-6 && posture.sheet_fits && posture.misfit.is_none(),
                "SciPy finds another posture: {state:?} {}",
                posture.state
            );
            let (theirs, exact) = (
                peers::number(&answer, "warm"),
                peers::number(&answer, "warm, exact derivatives"),
            );
            let figures = format!(
                "{own}; SciPy least_squares, warm, state alone {} = {:.0}x (with derivatives by complex steps {} = {:.0}x); same state to {off:.0e}",
                table::time(theirs),
                theirs / warm,
                table::time(exact),
                exact / warm,
            );
            table::row(what, &figures, goal, theirs / warm >= 300.0 && warm < 20e-6);
        }
    }
}
