//! A full-vehicle case against the same energy in SciPy.

use super::{Asked, clock, peers, table, van};
use serde_json::json;
use stillheight::statics::{Model, quantities};

pub fn row(_: &Asked) {
    let sheet = van::van();
    let case = || {
        let model = Model::new(&sheet, &[0, 1]);
        let rest = model.equilibrium().unwrap();
        quantities(&model, &rest, &sheet.stations)
    };
    let ours = clock::alone(case);
    let what = "full-vehicle case: rest, stiffness, all quantities";
    let goal = "300x SciPy, < 100 us";
    let rest = Model::new(&sheet, &[0, 1]).equilibrium().unwrap();
    match peers::ask(
        "vehicle_case.py",
        &json!({ "vehicle": van::described(&sheet, &[0, 1]) }),
    ) {
        Err(why) => table::not_run(what, &format!("{} alone; {why}", table::time(ours)), goal),
        Ok(answer) => {
            let state: Vec<f64> = serde_json::from_value(answer["state"].clone()).unwrap();
            let off = state
                .iter()
                .zip(rest.state.iter())
                .map(|(a, b)| (a - b).abs())
                .fold(0.0, f64::max);
            assert!(
                off < 1e-7,
                "SciPy rests elsewhere: {state:?} {}",
                rest.state
            );
            let trust = peers::number(&answer, "trust-exact");
            let own = peers::number(&answer, "own");
            let best = peers::number(&answer, "fastest");
            let figures = format!(
                "{} ({} steps); SciPy trust-exact, rest and stiffness alone, derivatives by SciPy {} = {:.0}x, by complex steps on arrays {} = {:.0}x; the fastest way tried there ({}) {} = {:.0}x; same rest to {off:.0e} m",
                table::time(ours),
                rest.steps,
                table::time(own),
                own / ours,
                table::time(trust),
                trust / ours,
                answer["fastest way"].as_str().unwrap_or("?"),
                table::time(best),
                best / ours,
            );
            table::row(what, &figures, goal, own / ours >= 300.0 && ours < 100e-6);
        }
    }
}
