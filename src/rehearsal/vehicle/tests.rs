#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counts of steps"
)]

use super::*;
use crate::rehearsal::chassis::{
    Coilover, Floor, Frame, FrontCorners, Link, RearAxle, SetLaw, Tyre,
};
use crate::rehearsal::strut::Unit;

const STEP_S: f64 = 0.5e-3;

/// A stripped vehicle: every corner the same upright spring on the same tyre,
/// the weight in the middle, the floor level, no friction.
fn stripped(sprung_corner_kg: f64, unsprung_corner_kg: f64, spring: f64, tyre: f64) -> Chassis {
    let tyre = Tyre {
        radius_m: 0.320,
        rate_n_per_m: tyre,
        damping_n_s_per_m: 0.0,
    };
    let unit = Unit {
        extended_m: 0.80,
        compressed_m: 0.10,
        hardware_m: 0.0,
        collar_m: 0.0,
        free_length_m: 0.600,
        rate_n_per_m: spring,
        damping_n_s_per_m: 0.0,
        friction_n: 0.0,
    };
    let coilover = |side: f64| Coilover {
        upper_m: [0.0, side * 0.6, 0.300],
        lower_m: [0.0, side * 0.6, 0.0],
        unit,
    };
    let weight_n = sprung_corner_kg * 9.81;
    let settled_wheel_m =
        0.320 - (sprung_corner_kg + unsprung_corner_kg) * 9.81 / tyre.rate_n_per_m;
    let settled_frame_m = settled_wheel_m + 0.600 - weight_n / spring - 0.300;
    Chassis {
        wheelbase_m: 2.4,
        frame: Frame {
            mass_kg: 4.0 * sprung_corner_kg,
            centre_m: [1.2, 0.0, 0.1],
            roll_inertia_kg_m2: 250.0,
            pitch_inertia_kg_m2: 900.0,
            design_height_m: settled_frame_m,
        },
        rear: RearAxle {
            mass_kg: 2.0 * unsprung_corner_kg,
            roll_inertia_kg_m2: 20.0,
            track_m: 1.2,
            tyre,
            coilovers: [coilover(1.0), coilover(-1.0)],
            link: Link {
                frame_end_m: [0.0, 0.4, 0.0],
                axle_end_m: [0.0, -0.4, settled_frame_m - settled_wheel_m],
                length_m: 0.8,
            },
            start_height_m: settled_wheel_m,
        },
        front: FrontCorners {
            wheel_mass_kg: unsprung_corner_kg,
            track_m: 1.2,
            tyre,
            motion_ratio: 1.0,
            design_length_m: 0.600 - weight_n / spring,
            design_wheel_height_m: settled_wheel_m,
            units: [unit, unit],
        },
        floor: Floor {
            roll_rad: 0.0,
            pitch_rad: 0.0,
        },
        set: SetLaw::NONE,
        gravity_m_s2: 9.81,
    }
}

fn calm(chassis: &mut Chassis, damping: f64) {
    for coilover in &mut chassis.rear.coilovers {
        coilover.unit.damping_n_s_per_m = damping;
    }
    for unit in &mut chassis.front.units {
        unit.damping_n_s_per_m = damping;
    }
}

fn without_friction(chassis: &mut Chassis) {
    for coilover in &mut chassis.rear.coilovers {
        coilover.unit.friction_n = 0.0;
    }
    for unit in &mut chassis.front.units {
        unit.friction_n = 0.0;
    }
}

/// Sprung and unsprung mass, spring and tyre of the quarter car in
/// Barton and Fieldhouse.
const QUARTER: (f64, f64, f64, f64) = (317.5, 45.4, 22_000.0, 192_000.0);

/// Source: D. C. Barton and J. D. Fieldhouse, Automotive Chassis Engineering
/// (Springer 2018), section 3.13 p. 209: data of the quarter car; static spring
/// deflection 141.576 mm and tyre deflection 18.542 mm follow with g = 9.81.
/// (The tyre carries the sprung weight and the wheel's own: 18.542 mm.)
#[test]
fn rests_where_hand_statics_says() {
    let mut chassis = stripped(QUARTER.0, QUARTER.1, QUARTER.2, QUARTER.3);
    calm(&mut chassis, 2_500.0);
    let mut vehicle = Vehicle::new(chassis);
    vehicle.lift(0.020);
    vehicle.rest(&[], 12.0, STEP_S);
    let [rear, _, front, _] = vehicle.strut_lengths_m();
    for length in [rear, front] {
        let deflection_mm = (0.600 - length) * 1e3;
        assert!((deflection_mm - 141.576).abs() < 2e-3, "{deflection_mm}");
    }
    let tyre_mm = (0.320 - vehicle.pose().axle_height_m) * 1e3;
    assert!((tyre_mm - 18.542).abs() < 2e-3, "{tyre_mm}");
}

/// Source: the same quarter car; exact first mode 1.253 923 53 Hz from its
/// masses and rates (printed 1.25 Hz). The frame's weight is moved 2 mm without
/// damping in the shape of the first mode and its zero crossings counted; the
/// tolerance is the rounding of one crossing in the time counted.
#[test]
fn quarter_car_bounces_at_its_frequency() {
    let mut vehicle = Vehicle::new(stripped(QUARTER.0, QUARTER.1, QUARTER.2, QUARTER.3));
    let centre = vehicle.place;
    let by_m = 0.002;
    vehicle.lift(by_m);
    for wheel in [AXLE, WHEELS[0], WHEELS[1]] {
        vehicle.place[wheel] += 0.104_175_60 * by_m;
    }
    let mut crossings = Vec::new();
    let mut last = by_m;
    for step in 1..=40_000_u32 {
        vehicle.step(&[], STEP_S);
        let now = vehicle.place[HEAVE] - centre[HEAVE];
        if last < 0.0 && now >= 0.0 {
            crossings.push((f64::from(step) - now / (now - last)) * STEP_S);
        }
        last = now;
    }
    let cycles = (crossings.len() - 1) as f64;
    let frequency = cycles / (crossings[crossings.len() - 1] - crossings[0]);
    assert!(crossings.len() > 20);
    assert!((frequency - 1.253_923_53).abs() < 0.0005, "{frequency}");
}

/// Every hand-written derivative against the energy: force = -dV/dq by central
/// differences at an odd pose.
#[test]
fn forces_are_the_slope_of_the_energy() {
    let mut chassis = Chassis::van();
    without_friction(&mut chassis);
    let mut vehicle = Vehicle::new(chassis);
    let weights = [Weight {
        mass_kg: 60.0,
        at_m: [-0.2, 0.5, 0.4],
    }];
    for (place, by) in vehicle
        .place
        .iter_mut()
        .zip([0.01, 0.02, -0.015, -0.004, -0.012, 0.003, -0.006])
    {
        *place += by;
    }
    let force = vehicle.force(&weights);
    for (index, force) in force.into_iter().enumerate() {
        let energy_at = |shift: f64| {
            let mut moved = vehicle.clone();
            moved.place[index] += shift;
            moved.stored_energy_j(&weights)
        };
        let step = 1e-5;
        let slope = (energy_at(step) - energy_at(-step)) / (2.0 * step);
        assert!(
            (force + slope).abs() < 1e-3 * force.abs().max(100.0),
            "coordinate {index}: {force} against {slope}"
        );
    }
}

#[test]
fn energy_never_rises_without_friction() {
    let mut chassis = Chassis::van();
    without_friction(&mut chassis);
    let mut vehicle = Vehicle::new(chassis);
    vehicle.lift(-0.020);
    let energy = |vehicle: &Vehicle| vehicle.motion_energy_j(&[]) + vehicle.stored_energy_j(&[]);
    let start = energy(&vehicle);
    let mut before = start;
    for _ in 0..100 {
        vehicle.rest(&[], 0.05, STEP_S);
        let now = energy(&vehicle);
        // The integrator's own error: some millionths of the energy in play.
        assert!(now <= before + 1e-3, "{before} -> {now}");
        before = now;
    }
    assert!(start - before > 1.0);
    assert!(vehicle.motion_energy_j(&[]) < 1e-6);
}

/// All weight arrives at the floor: tyre forces against the sum of masses.
#[test]
fn tyres_carry_all_weight() {
    let mut vehicle = Vehicle::new(Chassis::van());
    let weights = [Weight {
        mass_kg: 78.0,
        at_m: [0.1, 0.3, 0.4],
    }];
    vehicle.rest(&weights, 8.0, STEP_S);
    let carried: f64 = vehicle.tyres().iter().map(Squeezed::lift_n).sum();
    let chassis = vehicle.chassis();
    let mass = chassis.frame.mass_kg
        + chassis.rear.mass_kg
        + 2.0 * chassis.front.wheel_mass_kg
        + weights[0].mass_kg;
    let expected = mass * chassis.gravity_m_s2 * vehicle.up().z;
    assert!((carried - expected).abs() < 0.5, "{carried} {expected}");
}

/// Source: common practice, no source: the wheel rate of a leaning spring is
/// k cos² a where the spring carries no force; where it does, F sin² a / length
/// comes off. Checked by the extra sinking under a small weight, the rear axle
/// held by tyres that hardly give.
#[test]
fn leaning_spring_works_with_the_square_of_the_cosine() {
    let lean = 25.0_f64.to_radians();
    let length = 0.400;
    let mut chassis = stripped(100.0, 20.0, 20_000.0, 2.0e6);
    calm(&mut chassis, 2_000.0);
    for (side, coilover) in [1.0, -1.0].into_iter().zip(&mut chassis.rear.coilovers) {
        coilover.lower_m = [0.0, side * 0.6, 0.0];
        coilover.upper_m[1] = side * (0.6 - length * lean.sin());
        coilover.upper_m[2] = length * lean.cos() - 0.1;
    }
    let rest = |mass_kg: f64| {
        let mut vehicle = Vehicle::new(chassis);
        let weights = [Weight {
            mass_kg,
            at_m: [0.0, 0.0, 0.0],
        }];
        vehicle.rest(&weights, 15.0, STEP_S);
        let between = vehicle.place[HEAVE] - vehicle.place[AXLE];
        (between, vehicle.strut_lengths_m()[0], vehicle)
    };
    let (light, light_length, _) = rest(0.0);
    let (heavy, _, vehicle) = rest(10.0);
    let measured = 10.0 * 9.81 / (light - heavy) / 2.0;
    let (compression, middle) = {
        let strut = &vehicle.struts()[0];
        (strut.compression_m(light_length), light_length)
    };
    let inward = 0.4 * lean.sin();
    let sin = inward / middle;
    let by_hand = 20_000.0 * (1.0 - sin * sin) - 20_000.0 * compression * sin * sin / middle;
    // The two poses are some 2.5 mm apart: the slope changes by some tenths of
    // a percent between them.
    assert!(
        (measured / by_hand - 1.0).abs() < 0.01,
        "{measured} against {by_hand}"
    );
}

/// A load put on gently and taken off gently leaves the frame lower by up to
/// twice the friction over the rate; without friction by nothing.
#[test]
fn friction_keeps_it_a_little_low() {
    let left_low_mm = |friction: bool| {
        let mut chassis = Chassis::van();
        chassis.set = SetLaw::NONE;
        if !friction {
            without_friction(&mut chassis);
        }
        let mut vehicle = Vehicle::new(chassis);
        vehicle.rest(&[], 6.0, STEP_S);
        let load = |vehicle: &mut Vehicle, from: f64, to: f64| {
            // Slow enough that it does not swing past the end and back.
            for step in 0..20_000_u32 {
                let share = (f64::from(step) / 18_000.0).min(1.0);
                let share = share * share * (3.0 - 2.0 * share);
                let weights = [Weight {
                    mass_kg: from + (to - from) * share,
                    at_m: [0.0, 0.0, 0.3],
                }];
                vehicle.step(&weights, STEP_S);
            }
        };
        // Once up and down first, so that both ends are reached from the same
        // side as in a hysteresis loop: unloading from 200 kg, loading from 0.
        load(&mut vehicle, 0.0, 200.0);
        load(&mut vehicle, 200.0, 100.0);
        let coming_down = vehicle.strut_lengths_m()[0];
        load(&mut vehicle, 100.0, 0.0);
        load(&mut vehicle, 0.0, 100.0);
        let going_up = vehicle.strut_lengths_m()[0];
        (going_up - coming_down) * 1e3
    };
    let band_mm = left_low_mm(true);
    // 2 F / k along the unit: 2 x 24 N / 24.72 N/mm = 1.94 mm, were only this
    // unit rubbing; the lean makes the frame's weight see a little less rate.
    assert!((1.6..2.4).contains(&band_mm), "{band_mm}");
    assert!(left_low_mm(false).abs() < 1e-3);
}

#[test]
fn stands_still_for_good() {
    let mut vehicle = Vehicle::new(Chassis::van());
    vehicle.lift(0.015);
    vehicle.rest(&[], 8.0, 1e-3);
    let before = vehicle.pose();
    vehicle.rest(&[], 30.0, 1e-3);
    let after = vehicle.pose();
    assert!((before.heave_m - after.heave_m).abs() < 1e-6);
    assert!((before.roll_rad - after.roll_rad).abs() < 1e-6);
}

#[test]
fn link_keeps_its_length() {
    let mut vehicle = Vehicle::new(Chassis::van());
    vehicle.lift(0.03);
    for _ in 0..200 {
        vehicle.step(&[], 1e-3);
        assert!((vehicle.link_vector().norm() - 0.825).abs() < 1e-12);
    }
}
