//! Readings -> posture, forecast and first suggestion, on vehicles whose truth
//! the estimator does not know.

use crate::statics::van;
use rand::{Rng, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use stillheight::advice::{LeaveIt, forecast, suggest};
use stillheight::compare::{COVERAGE_95, aims, compare};
use stillheight::posture::*;
use stillheight::quantity::{Angle, Length, Mass, Point};
use stillheight::sheet::*;
use stillheight::statics::{Model, Parameter};

fn sensor(name: &str, reads: Measurand) -> Sensor {
    Sensor {
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
        zero_uncertainty: 0.0,
        scale_uncertainty: 0.0,
        deadline_s: 1.0,
    }
}

/// The test van with seven sensors and targets.
fn sensed_van() -> BuildSheet {
    let mut sheet = van();
    let tilt = |on| Measurand::Tilt {
        on,
        reversed: false,
    };
    sheet.sensors.push(sensor("roll", tilt(TiltOn::FrameRoll)));
    sheet
        .sensors
        .push(sensor("pitch", tilt(TiltOn::FramePitch)));
    sheet.sensors.push(sensor("link", tilt(TiltOn::Link(0))));
    for station in sheet.stations.clone() {
        sheet.sensors.push(sensor(
            &station.name,
            Measurand::FrameToFloor { from: station.at },
        ));
    }
    sheet.targets.roll = Some(AngleTarget {
        angle: Angle::ZERO,
        tolerance: Angle::from_deg(0.2),
    });
    sheet
}

/// Standard uncertainty of a sensor of the test van: 0.03 degrees or 1 mm.
fn u(sheet: &BuildSheet, i: usize) -> f64 {
    match sheet.sensors[i].reads {
        Measurand::Tilt { .. } => 0.03_f64.to_radians(),
        _ => 0.001,
    }
}

/// A vehicle like the sheet but wrong within the sheet's uncertainties, its true
/// state with floor, and readings of the given sensors.
fn truth_and_readings(
    sheet: &BuildSheet,
    loads: &[usize],
    sensors: &[usize],
    rng: &mut StdRng,
) -> (Model, PostureState, Vec<Observation>) {
    let mut model = Model::new(sheet, loads);
    for doubt in model.doubts(sheet) {
        let by: f64 = rng.sample(StandardNormal);
        doubt.parameter.shift(&mut model, by * doubt.by);
    }
    let rest = model.equilibrium().unwrap();
    let mut x = PostureState::zeros();
    x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
    for i in 7..9 {
        let by: f64 = rng.sample(StandardNormal);
        x[i] = by * sheet.floor.slope_uncertainty.rad();
    }
    let readings = sensors
        .iter()
        .map(|&i| {
            let exact = predict(&model, &sheet.sensors[i].reads, &x).unwrap();
            let noise: f64 = rng.sample(StandardNormal);
            let spot: f64 = match sheet.sensors[i].reads {
                Measurand::FrameToFloor { .. } => sheet.floor.flatness.m(),
                _ => 0.0,
            };
            let off: f64 = rng.sample(StandardNormal);
            let value = exact + noise * u(sheet, i) + off * spot;
            Observation {
                sensor: i,
                value,
                uncertainty: u(sheet, i),
            }
        })
        .collect();
    (model, x, readings)
}

/// Over many vehicles that the sheet describes with its stated uncertainty, the
/// 95 % intervals hold the truth in at least 95 % of cases less what chance
/// allows; the prior is wider than the sheet, so more is expected, not less.
/// Limit: binomial(n, 0.95) lower 0.1 % is about 0.95 - 3.1 sqrt(0.95 0.05/n).
#[test]
fn intervals_hold_the_truth() {
    let sheet = sensed_van();
    let mut rng = StdRng::seed_from_u64(7);
    let sets: [&[usize]; 3] = [&[0, 1, 2, 3, 4, 5, 6], &[0, 2], &[3, 4]];
    for sensors in sets {
        let (mut held, mut all) = (0, 0);
        for _ in 0..60 {
            let (_, x, readings) = truth_and_readings(&sheet, &[0], sensors, &mut rng);
            let model = Model::new(&sheet, &[0]);
            let prior = Prior::new(&sheet, &model).unwrap();
            let posture = estimate(&sheet, &model, &prior, &readings, None);
            for m in &posture.quantities {
                let (truth, _) = m.key.with_gradient(&sheet, &model, &x);
                // The sag's truth hangs on the collar only through the pose: same mounts.
                all += 1;
                held += usize::from((m.value - truth).abs() <= COVERAGE_95 * m.uncertainty);
            }
        }
        let share =
            f64::from(u32::try_from(held).unwrap()) / f64::from(u32::try_from(all).unwrap());
        // 60 vehicles are the independent trials, not their 12 quantities each.
        let limit = 0.95 - 3.1 * (0.95 * 0.05 / 60.0_f64).sqrt();
        assert!(share > limit, "{sensors:?}: {held} of {all}");
    }
}

#[test]
fn seven_sensors_measure_and_two_leave_the_rest_assumed() {
    let sheet = sensed_van();
    let mut rng = StdRng::seed_from_u64(11);
    let model = Model::new(&sheet, &[]);
    let prior = Prior::new(&sheet, &model).unwrap();
    let (_, _, readings) = truth_and_readings(&sheet, &[], &[0, 1, 2, 3, 4, 5, 6], &mut rng);
    let full = estimate(&sheet, &model, &prior, &readings, None);
    for i in 0..4 {
        let m = full.get(QuantityKey::Height(i)).unwrap();
        assert_eq!(m.origin, Origin::Measured);
        assert!(m.uncertainty < 0.0016, "{m:?}");
    }
    let two = estimate(&sheet, &model, &prior, &readings[3..5], None);
    assert_eq!(
        two.get(QuantityKey::Height(0)).unwrap().origin,
        Origin::Measured
    );
    assert_eq!(two.get(QuantityKey::Pitch).unwrap().origin, Origin::Assumed);
    let none = estimate(&sheet, &model, &prior, &[], None);
    assert!(none.quantities.iter().all(|m| m.origin == Origin::Assumed));
    assert!((none.state - prior.state).amax() < 1e-12);
    assert!(none.sheet_fits && none.misfit.is_none());
}

#[test]
fn the_sensor_that_does_not_fit_is_named_and_left_out() {
    let sheet = sensed_van();
    let mut rng = StdRng::seed_from_u64(5);
    let model = Model::new(&sheet, &[]);
    let prior = Prior::new(&sheet, &model).unwrap();
    for bad in 3..7 {
        let (_, x, mut readings) =
            truth_and_readings(&sheet, &[], &[0, 1, 2, 3, 4, 5, 6], &mut rng);
        assert!(
            estimate(&sheet, &model, &prior, &readings, None)
                .misfit
                .is_none()
        );
        readings[bad].value += 0.03;
        let posture = estimate(&sheet, &model, &prior, &readings, None);
        let (named, off) = posture.misfit.unwrap();
        assert_eq!(named, bad);
        assert!(off > 4.0);
        let station = QuantityKey::Height(bad - 3);
        let (truth, _) = station.with_gradient(&sheet, &model, &x);
        let m = posture.get(station).unwrap();
        assert!(
            (m.value - truth).abs() < 3.0 * m.uncertainty,
            "{m:?} {truth}"
        );
    }
}

#[test]
fn a_sheet_that_does_not_explain_the_readings_widens_the_intervals() {
    let sheet = sensed_van();
    let mut wrong = sheet.clone();
    wrong.sprung.mass = Mass::new(900.0);
    let mut rng = StdRng::seed_from_u64(3);
    let (_, x, readings) = truth_and_readings(&sheet, &[], &[0, 3, 4], &mut rng);
    let model = Model::new(&wrong, &[]);
    let prior = Prior::new(&wrong, &model).unwrap();
    let posture = estimate(&wrong, &model, &prior, &readings, None);
    assert!(!posture.sheet_fits, "chi-square {}", posture.chi_square);
    for m in &posture.quantities {
        let (truth, _) = m.key.with_gradient(&sheet, &model, &x);
        assert!(
            (m.value - truth).abs() <= 3.0 * m.uncertainty,
            "{m:?} against {truth}"
        );
    }
}

/// A van whose left rear collar stands 8 mm too low, read by good sensors, with
/// a deck still to come: the suggestion is to raise that corner, and doing it in
/// the true vehicle brings it in.
#[test]
fn the_suggestion_does_in_the_true_vehicle_what_it_promises() {
    let mut sheet = sensed_van();
    sheet.cases.push(LoadCase {
        name: "finished".to_owned(),
        loads: vec![0],
    });
    sheet.targets.case = 1;
    sheet.loads[0].at = Point::from_mm(300.0, 0.0, 250.0);
    sheet.sprung.centre = Point::from_mm(1500.0, 0.0, 150.0);
    // The design heights of this van are what its springs give when finished.
    let finished = Model::new(&sheet, &[0]).equilibrium().unwrap();
    for i in 0..4 {
        let (height, _) =
            QuantityKey::Height(i).with_gradient(&sheet, &Model::new(&sheet, &[0]), &{
                let mut x = PostureState::zeros();
                x.fixed_rows_mut::<7>(0).copy_from(&finished.state);
                x
            });
        sheet.targets.heights.push(HeightTarget {
            station: i,
            height: Length::new(height),
            tolerance: Length::from_mm(3.0),
        });
    }
    let aims = aims(&sheet);
    let mut rng = StdRng::seed_from_u64(21);
    let model = Model::new(&sheet, &[]);
    let prior = Prior::new(&sheet, &model).unwrap();

    let good = model.equilibrium().unwrap();
    let mut x = PostureState::zeros();
    x.fixed_rows_mut::<7>(0).copy_from(&good.state);
    let read = |model: &Model, x: &PostureState, rng: &mut StdRng| -> Vec<Observation> {
        (0..7)
            .map(|i| {
                let noise: f64 = rng.sample(StandardNormal);
                let uncertainty = u(&sheet, i) * 0.3;
                let value =
                    predict(model, &sheet.sensors[i].reads, x).unwrap() + noise * uncertainty;
                Observation {
                    sensor: i,
                    value,
                    uncertainty,
                }
            })
            .collect()
    };
    let readings = read(&model, &x, &mut rng);
    let posture = estimate(&sheet, &model, &prior, &readings, None);
    let advice = suggest(&sheet, &forecast(&sheet, &model, &posture).unwrap(), &aims);
    assert_eq!(advice.leave, Some(LeaveIt::WithinTolerance), "{advice:?}");

    let mut true_vehicle = model.clone();
    Parameter::Collar(0).shift(&mut true_vehicle, -0.008);
    let low = true_vehicle.equilibrium().unwrap();
    x.fixed_rows_mut::<7>(0).copy_from(&low.state);
    let readings = read(&true_vehicle, &x, &mut rng);
    let posture = estimate(&sheet, &model, &prior, &readings, None);
    let forecast = forecast(&sheet, &model, &posture).unwrap();
    let advice = suggest(&sheet, &forecast, &aims);
    assert!(advice.leave.is_none(), "{advice:?}");
    let left = advice.turns.iter().find(|t| t.name == "rear left").unwrap();
    assert!((left.turns - 4.0).abs() <= 1.0, "{advice:?}");
    let mut finished = Model::new(&sheet, &[0]);
    Parameter::Collar(0).shift(&mut finished, -0.008);
    for turn in &advice.turns {
        Parameter::Collar(turn.unit).shift(&mut finished, turn.rise_m);
    }
    let rest = finished.equilibrium().unwrap();
    x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
    for aim in &aims {
        let (value, _) = aim.key.with_gradient(&sheet, &finished, &x);
        assert!(
            (value - aim.target).abs() <= aim.tolerance,
            "{aim:?}: {value}"
        );
    }
    assert!(compare(&aims, &forecast.quantities).len() == aims.len());
}
