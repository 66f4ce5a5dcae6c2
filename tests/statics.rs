//! The statics against themselves: derivatives, influence, one-sided laws.

pub use crate::van::van;
use proptest::prelude::*;
use stillheight::geometry::State;
use stillheight::quantity::{Length, Mass, Point};
use stillheight::sheet::*;
use stillheight::statics::{Cause, Model, Parameter, StaticsError, influences, quantities};

#[test]
fn gradient_and_hessian_agree_with_differences() {
    let model = Model::new(&van(), &[0]);
    let q = model.design + State::from([0.01, 0.02, -0.01, -0.012, 0.008, -0.01, -0.02]);
    let (_, g, h) = model.derivatives(&q);
    for i in 0..7 {
        let mut step = State::zeros();
        step[i] = 1e-6;
        let (up, gu, _) = model.derivatives(&(q + step));
        let (down, gd, _) = model.derivatives(&(q - step));
        let slope = (up - down) / 2e-6;
        assert!(
            (slope - g[i]).abs() < 1e-3 * g[i].abs().max(1.0),
            "gradient {i}: {slope} {}",
            g[i]
        );
        let row = (gu - gd) / 2e-6;
        for j in 0..7 {
            assert!(
                (row[j] - h[(i, j)]).abs() < 1e-2 + 1e-6 * h[(i, j)].abs(),
                "hessian {i},{j}"
            );
        }
    }
}

#[test]
fn every_response_agrees_with_a_new_equilibrium() {
    let sheet = van();
    let model = Model::new(&sheet, &[0]);
    let rest = model.equilibrium().unwrap();
    let mut parameters: Vec<(Parameter, f64)> = Vec::new();
    for i in 0..model.units.len() {
        parameters.extend([
            (Parameter::Collar(i), 1e-6),
            (Parameter::RateFactor(i), 1e-6),
            (Parameter::Push(i), 1e-3),
        ]);
    }
    for i in 0..2 {
        parameters.extend([
            (Parameter::TyreFactor(i), 1e-5),
            (Parameter::TyreRadius(i), 1e-6),
        ]);
        parameters.push((Parameter::Mass(i), 1e-3));
        parameters.extend((0..3).map(|axis| (Parameter::MassAt(i, axis), 1e-5)));
    }
    for (parameter, step) in parameters {
        let solve = |by: f64| {
            let mut changed = model.clone();
            parameter.shift(&mut changed, by);
            changed.equilibrium_from(&rest.state).unwrap().state
        };
        let slope = (solve(step) - solve(-step)) / (2.0 * step);
        let response = rest.response(&model, parameter);
        let scale = slope.amax().max(1e-9);
        assert!(
            (slope - response).amax() < 2e-4 * scale,
            "{parameter:?}: {slope} against {response}"
        );
    }
}

#[test]
fn a_turn_lifts_its_corner_and_holes_are_solved_exactly() {
    let mut sheet = van();
    if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
        let at = coilovers[0].lower;
        for (name, dz, in_use) in [("high", 15.0, false), ("middle", 0.0, true)] {
            let at = at + Point::from_mm(0.0, 0.0, dz);
            coilovers[0].lower_holes.push(Hole {
                name: name.to_owned(),
                at,
                in_use,
            });
        }
    }
    let model = Model::new(&sheet, &[]);
    let rest = model.equilibrium().unwrap();
    let all = influences(&sheet, &model, &rest).unwrap();
    let turn = all
        .iter()
        .find(|i| matches!(&i.cause, Cause::CollarTurn { unit, .. } if unit == "rear left"))
        .unwrap();
    assert!(turn.heights[0].1.mm() > 0.5, "{turn:?}");
    assert!(turn.roll.deg() > 0.0);
    let hole = all
        .iter()
        .find(|i| matches!(&i.cause, Cause::Hole { .. }))
        .unwrap();
    // The lower mount moved up presses the spring: the corner rises.
    assert!(hole.exact && hole.heights[0].1.mm() > 5.0, "{hole:?}");
    // 4 collars, 4 stations and 1 load for a kilogram, 1 hole.
    assert_eq!(all.len(), 10);
}

#[test]
fn a_vehicle_that_cannot_be_carried_tips_or_falls_says_so() {
    let mut heavy = van();
    heavy.sprung.mass = Mass::new(9000.0);
    let error = Model::new(&heavy, &[]).equilibrium().unwrap_err();
    assert!(
        matches!(&error, StaticsError::CannotCarry { .. }),
        "{error}"
    );

    let mut tips = van();
    tips.sprung.centre = Point::from_mm(1300.0, 1500.0, 300.0);
    let error = Model::new(&tips, &[]).equilibrium().unwrap_err();
    assert!(
        matches!(
            error,
            StaticsError::Tips {
                towards: "to the left"
            }
        ),
        "{error}"
    );

    let mut behind = van();
    behind.sprung.centre = Point::from_mm(-900.0, 0.0, 300.0);
    let error = Model::new(&behind, &[]).equilibrium().unwrap_err();
    assert!(
        matches!(
            error,
            StaticsError::Tips {
                towards: "backward"
            }
        ),
        "{error}"
    );
}

#[test]
fn a_frame_held_on_stands_rests_on_them() {
    let mut sheet = van();
    let stand = |y| Stand {
        at: Point::from_mm(2600.0, y, 0.0),
        height: Length::from_mm(500.0),
    };
    sheet.axles[1].support = Support::Stands(vec![stand(350.0), stand(-350.0)]);
    let model = Model::new(&sheet, &[]);
    let rest = model.equilibrium().unwrap();
    let found = quantities(&model, &rest, &sheet.stations);
    let front = f64::midpoint(found.heights[2].1.mm(), found.heights[3].1.mm());
    assert!((front - 500.0).abs() < 0.1, "{front}");
    let stands: f64 = found.stands.iter().map(|f| f.n()).sum();
    let rear = found.axles[0].sprung_mass.kg() * 9.806_65;
    assert!((stands + rear - model.sprung_weight_n()).abs() < 1e-3);
    assert!(!found.axles[1].carries);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// A load anywhere on the deck never lifts the point that it stands on.
    #[test]
    fn prop_more_load_never_rises(x in 0.0..2500.0_f64, y in -500.0..500.0_f64, kg in 1.0..150.0_f64) {
        let mut sheet = van();
        sheet.loads[0].at = Point::from_mm(x, y, 100.0);
        sheet.loads[0].mass = Mass::new(kg);
        let at = sheet.loads[0].at.m();
        let without = Model::new(&sheet, &[]).equilibrium().unwrap().frame().height(at);
        let with = Model::new(&sheet, &[0]).equilibrium().unwrap().frame().height(at);
        prop_assert!(with < without);
    }

    /// Turning collars there and back again leaves everything as it was, and
    /// every rest found balances to a thousandth of a newton.
    #[test]
    fn prop_turns_then_back_is_zero(turns in prop::array::uniform4(-8.0..8.0_f64)) {
        let model = Model::new(&van(), &[0]);
        let before = model.equilibrium().unwrap();
        let mut turned = model.clone();
        for (i, t) in turns.iter().enumerate() {
            Parameter::Collar(i).shift(&mut turned, t * 0.002);
        }
        let there = turned.equilibrium().unwrap();
        prop_assert!(there.gradient.amax() < 1e-3);
        for (i, t) in turns.iter().enumerate() {
            Parameter::Collar(i).shift(&mut turned, -t * 0.002);
        }
        let back = turned.equilibrium_from(&there.state).unwrap();
        prop_assert!((back.state - before.state).amax() < 1e-9);
    }
}
