//! The load test, on vehicles whose truth it does not know.

use crate::simulated_loadtest::{Truth, bags, light_van, person, usual_plan};
use rand::{Rng, SeedableRng, rngs::StdRng};
use stillheight::posture::QuantityKey;
use stillheight::quantity::Mass;
use stillheight::report::*;
use stillheight::sheet::BuildSheet;
use stillheight::trials::loadtest::*;

const NOISE: (f64, f64) = (0.02, 0.4);

fn plain() -> BuildSheet {
    light_van(|_| 1.0)
}

fn tested(sheet: &BuildSheet, plan: &[(Vec<Load>, Approach)], seed: u64) -> (Truth, Vec<Step>) {
    let mut rng = StdRng::seed_from_u64(seed);
    let truth = Truth::draw(sheet, plan, &mut rng);
    let steps = truth.test(sheet, plan, NOISE, &mut rng);
    (truth, steps)
}

#[test]
fn the_order_in_which_steps_are_told_does_not_matter_and_steps_can_be_added_later() {
    let sheet = plain();
    let (_, steps) = tested(&sheet, &usual_plan(), 1);
    let found = identify(&sheet, &steps).unwrap();
    let mut mixed = steps.clone();
    mixed.reverse();
    mixed.swap(2, 7);
    let again = identify(&sheet, &mixed).unwrap();
    for (a, b) in found.findings.iter().zip(&again.findings) {
        assert_eq!(
            (a.key, a.value, a.uncertainty),
            (b.key, b.value, b.uncertainty)
        );
    }
    // Interrupted after five steps: an answer, but a vaguer one.
    let half = identify(&sheet, &steps[..5]).unwrap();
    let u = |f: &Identified| f.get(Key::AxleRate(1)).unwrap().uncertainty;
    assert!(u(&half) > u(&found), "{} {}", u(&half), u(&found));
}

#[test]
fn one_bad_reading_is_named_and_left_out() {
    let sheet = plain();
    let (_, mut steps) = tested(&sheet, &usual_plan(), 2);
    let good = identify(&sheet, &steps).unwrap();
    assert!(
        good.misfits.is_empty() && good.slips.is_empty(),
        "{:?} {:?}",
        good.misfits,
        good.slips
    );
    steps[5].readings[4].value += 0.012;
    let found = identify(&sheet, &steps).unwrap();
    assert_eq!(found.misfits.len(), 1, "{:?}", found.misfits);
    assert_eq!((found.misfits[0].step, found.misfits[0].sensor), (5, 4));
    assert!((found.misfits[0].off - 0.012).abs() < 0.002);
    let f = |x: &Identified| *x.get(Key::AxleRate(0)).unwrap();
    assert!((f(&found).value - f(&good).value).abs() < 0.3 * f(&good).uncertainty);
    let verdict = verdict(&sheet, &found).unwrap();
    assert!(verdict.causes.iter().any(|c| c.code == "reading_odd"));
}

#[test]
fn a_sensor_that_slips_in_the_middle_is_named() {
    let sheet = plain();
    let (_, mut steps) = tested(&sheet, &usual_plan(), 3);
    for step in &mut steps[6..] {
        step.readings[3].value -= 0.006;
    }
    let found = identify(&sheet, &steps).unwrap();
    assert_eq!(
        found.slips.len(),
        1,
        "{:?} {:?}",
        found.slips,
        found.misfits
    );
    assert_eq!((found.slips[0].sensor, found.slips[0].before_step), (3, 6));
    assert!(
        (found.slips[0].off + 0.006).abs() < 0.0015,
        "{:?}",
        found.slips
    );
}

#[test]
fn loads_in_the_middle_only_do_not_tell_left_from_right() {
    let sheet = plain();
    let plan: Vec<_> = usual_plan().into_iter().take(5).collect();
    let (_, steps) = tested(&sheet, &plan, 4);
    let found = identify(&sheet, &steps).unwrap();
    assert!(found.get(Key::AxleRate(0)).unwrap().is_told());
    assert!(!found.get(Key::SideRate(0)).unwrap().is_told());
    let untold = untold(&sheet, &found, Noise::default()).unwrap();
    let side = untold.iter().find(|u| u.key == Key::SideRate(0)).unwrap();
    assert!(side.words.contains(
        "left and right springs of the rear axle cannot be told apart: sit somebody on one side"
    ));
    assert!(
        side.remedy
            .as_ref()
            .is_some_and(|(name, _)| name.contains("left") || name.contains("right")),
        "{side:?}"
    );
    let text = loadtest_text(&sheet, &found, &untold);
    assert!(text.contains("NOT TOLD left and right springs"), "{text}");
}

#[test]
fn bad_input_is_said_and_the_rest_is_kept() {
    let sheet = plain();
    assert_eq!(
        identify(&sheet, &[]).unwrap_err().code(),
        "loadtest.no_steps"
    );
    let (_, steps) = tested(&sheet, &usual_plan(), 5);
    let mut blind = steps.clone();
    for s in &mut blind {
        s.readings.clear();
    }
    assert_eq!(
        identify(&sheet, &blind).unwrap_err().code(),
        "loadtest.no_readings"
    );

    let placed = |kg: f64, x: f64, y: f64| {
        Load::Placed(PlacedLoad {
            body: "it".to_owned(),
            mass_kg: kg,
            mass_uncertainty_kg: 0.1,
            at_m: [x, y, 0.1],
            place_uncertainty_m: 0.01,
        })
    };
    let codes = |load: Load| -> Vec<&'static str> {
        let mut with = steps.clone();
        with[2].loads = vec![load];
        let found = identify(&sheet, &with).unwrap();
        found.concerns.iter().map(Concern::code).collect()
    };
    assert!(codes(placed(0.1, 0.2, 0.0)).contains(&"loadtest.no_effect"));
    assert!(codes(placed(30.0, 0.2, 1.5)).contains(&"loadtest.outside"));
    let mut heavy = steps.clone();
    heavy[2].loads = vec![placed(9000.0, 0.2, 0.0)];
    let found = identify(&sheet, &heavy).unwrap();
    assert!(
        found
            .concerns
            .iter()
            .any(|c| matches!(c, Concern::CannotStand { step: 2, .. }))
    );
    assert!(found.residuals.iter().all(|r| r.step != 2));

    let left: Vec<_> = usual_plan()[4..8].to_vec();
    let (_, steps) = tested(&sheet, &left, 6);
    let found = identify(&sheet, &steps).unwrap();
    assert!(
        found
            .concerns
            .iter()
            .any(|c| c.code() == "loadtest.one_side")
    );
    let mut one = steps[..1].to_vec();
    one[0].readings.truncate(2);
    let found = identify(&sheet, &one).unwrap();
    let codes: Vec<_> = found.concerns.iter().map(Concern::code).collect();
    assert!(
        codes.contains(&"loadtest.few_readings") && codes.contains(&"loadtest.never_loaded"),
        "{codes:?}"
    );
}

/// A vehicle with a spring 25 % stiffer on the rear left than on the right. The
/// front takes most of the roll, so that it needs weight on both sides to be sure:
/// person and bags together.
#[test]
fn another_spring_on_one_side_is_found() {
    let sheet = plain();
    let mut rng = StdRng::seed_from_u64(8);
    let mut plan = usual_plan();
    for y in [450.0, -450.0] {
        let both = vec![person(0.0, y), bags(-100.0, y)];
        plan.push((both.clone(), Approach::Loading));
        plan.push((both, Approach::Unloading));
        plan.push((vec![], Approach::Unloading));
    }
    let mut truth = Truth::draw(&sheet, &plan, &mut rng);
    truth.model.units[0].rate_factor = 1.25;
    truth.model.units[1].rate_factor = 1.0;
    let steps = truth.test(&sheet, &plan, NOISE, &mut rng);
    let found = identify(&sheet, &steps).unwrap();
    let verdict = verdict(&sheet, &found).unwrap();
    assert!(
        verdict
            .causes
            .iter()
            .any(|c| c.code == "rate_one_side" && c.text.contains("left")),
        "{verdict:?}"
    );
    let left = verdict
        .rates
        .iter()
        .find(|r| r.key == Key::UnitRate(0))
        .unwrap();
    assert_eq!(left.agreement, Agreement::Differs, "{left:?}");
    let measured = left.measured.unwrap();
    assert!(
        (measured.value / left.catalogue.value - 1.25).abs()
            < 3.0 * measured.uncertainty / left.catalogue.value
    );
    let text = loadtest_verdict_text(&sheet, &found, &verdict);
    assert!(text.contains("differs"), "{text}");
}

#[test]
fn a_plan_names_what_each_visit_brings_and_what_otherwise_would() {
    let sheet = plain();
    let plan = plan(&sheet, &PlanOptions::default()).unwrap();
    assert!(plan.visits.len() >= 4, "{plan:?}");
    for pair in plan.visits.windows(2) {
        for (later, earlier) in pair[1].after.iter().zip(&pair[0].after) {
            assert!(later <= &(earlier * (1.0 + 1e-9)));
        }
    }
    let side = plan
        .keys
        .iter()
        .position(|k| *k == Key::SideRate(0))
        .unwrap();
    assert!(
        plan.visits.last().unwrap().after[side] < 0.6 * plan.before[side],
        "{:?}",
        plan.visits.last()
    );
    assert_eq!(plan.trades.len(), 5);
    for t in &plan.trades[1..] {
        for (with, without) in t.after.iter().zip(&plan.trades[0].after) {
            // More weight also moves other springs further; none gets worse by more than a tenth.
            assert!(*with < 1.1 * without, "{t:?}");
        }
    }
    let text = loadtest_plan_text(&sheet, &plan);
    assert!(
        text.contains("two more repeats of") && text.contains("tack"),
        "{text}"
    );
    assert!(
        loadtest_plan_json(&sheet, &plan)["visits"]
            .as_array()
            .is_some_and(|v| v.len() == plan.visits.len())
    );
}

#[test]
fn what_levels_the_link_levels_it() {
    let sheet = plain();
    let (_, steps) = tested(&sheet, &usual_plan(), 9);
    let found = identify(&sheet, &steps).unwrap();
    let forecast = finished(&sheet, &found, 1).unwrap();
    let weights = link_weights(&sheet, &found, 1).unwrap();
    let w = weights.iter().find(|w| w.place.contains("rear")).unwrap();
    let mass = w.mass.unwrap();
    let mut model = found.model.clone();
    model.masses.push(stillheight::statics::PointMass {
        name: "weight".to_owned(),
        mass: mass.value,
        at: w.at_m,
        on: true,
    });
    let rest = model.equilibrium().unwrap();
    let mut x = stillheight::posture::PostureState::zeros();
    x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
    let (angle, _) = QuantityKey::LinkAngle(0).with_gradient(&sheet, &model, &x);
    assert!(angle.abs() < 1e-7, "{angle}");
    let text = loadtest_forecast_text(&sheet, &forecast, &weights);
    assert!(
        text.contains("ride frequency rear") && text.contains("still to come"),
        "{text}"
    );
    assert!(
        loadtest_forecast_json(&sheet, &forecast, &weights)["axles"][0]["ride_frequency"]
            .is_object()
    );
}

#[test]
fn a_second_test_shows_what_changed_and_only_that() {
    let sheet = plain();
    let plan = usual_plan();
    let mut rng = StdRng::seed_from_u64(10);
    let truth = Truth::draw(&sheet, &plan, &mut rng);
    let first = identify(&sheet, &truth.test(&sheet, &plan, NOISE, &mut rng)).unwrap();
    let same = identify(&sheet, &truth.test(&sheet, &plan, NOISE, &mut rng)).unwrap();
    let rates = |c: &Change| matches!(c.key, Key::AxleRate(_) | Key::Friction(_));
    assert!(
        changes(&first, &same)
            .iter()
            .filter(|c| rates(c))
            .all(|c| !c.significant)
    );
    let mut worn = truth.clone();
    for f in &mut worn.friction[..2] {
        *f *= 2.5;
    }
    let then = identify(&sheet, &worn.test(&sheet, &plan, NOISE, &mut rng)).unwrap();
    let changed = changes(&first, &then);
    assert!(
        changed
            .iter()
            .any(|c| c.key == Key::Friction(0) && c.significant && c.difference.value > 0.0),
        "{changed:?}"
    );
    let text = loadtest_changes_text(&sheet, &changed);
    assert!(text.contains("friction rear"), "{text}");
}

/// A small edition of the coverage table; the large one is an example. Over
/// 16 vehicles the intervals of the main quantities together must hold the truth
/// as often as chance allows: 16 x 6 trials are not independent, so the limit is
/// taken for half of them, binomial(48, 0.95) at 0.1 %: 39 of 48, 81 %.
#[test]
fn intervals_hold_the_truth() {
    let (mut inside, mut all) = (0.0, 0.0);
    for seed in 100..116 {
        let mut rng = StdRng::seed_from_u64(seed);
        let sheet = light_van(|by| 1.0 + by * rng.random_range(-1.0..1.0));
        let plan = usual_plan();
        let truth = Truth::draw(&sheet, &plan, &mut rng);
        let steps = truth.test(&sheet, &plan, NOISE, &mut rng);
        let found = identify(&sheet, &steps).unwrap();
        let rate = |u: usize| truth.model.units[u].rate_factor;
        let mut count = |value: f64, uncertainty: f64, real: f64| {
            all += 1.0;
            inside += f64::from(u8::from((value - real).abs() <= 1.96 * uncertainty));
        };
        for f in &found.findings {
            match f.key {
                Key::AxleRate(i) => count(
                    f.value,
                    f.uncertainty,
                    f64::midpoint(rate(2 * i), rate(2 * i + 1)),
                ),
                Key::Friction(i) => count(f.value, f.uncertainty, truth.axle_friction[i]),
                Key::Weight => count(f.value, f.uncertainty, truth.model.masses[0].mass),
                _ => {}
            }
        }
        let forecast = finished(&sheet, &found, 1).unwrap();
        let height = forecast
            .quantities
            .iter()
            .find(|q| q.key == QuantityKey::Height(0))
            .unwrap();
        count(
            height.expected.value,
            height.expected.uncertainty,
            truth.finished_quantity(&sheet, height.key),
        );
    }
    assert!(inside / all > 0.81, "{inside} of {all}");
}

/// Loads of the sheet are taken at their places, and a weight that the sheet has wrong shows.
#[test]
fn named_loads_are_taken_from_the_sheet() {
    let sheet = plain();
    let plan = vec![
        (vec![], Approach::Bounced),
        (vec![Load::Named(0)], Approach::Loading),
        (vec![], Approach::Unloading),
        (vec![bags(200.0, 300.0)], Approach::Loading),
        (vec![], Approach::Unloading),
        (vec![person(0.0, -400.0)], Approach::Loading),
        (vec![], Approach::Unloading),
    ];
    let (_, steps) = tested(&sheet, &plan, 12);
    let mut wrong = sheet.clone();
    wrong.loads[0].mass = Mass::new(100.0);
    wrong.loads[0].mass_uncertainty = Mass::new(6.0);
    let found = identify(&wrong, &steps).unwrap();
    let (_, deck) = found
        .bodies
        .iter()
        .find(|(name, _)| name == "deck")
        .unwrap();
    assert!(deck.value > 106.0, "{deck:?}");
}
