//! Springs from their wire against textbook examples.

use stillheight::layout::*;
use stillheight::quantity::{Force, Length, UnitSystem};
use stillheight::report::{wire_json, wire_text};

fn wire(d_mm: f64, coil_mm: f64, active: f64, ends: Ends, free_mm: f64, g_pa: f64) -> WireSpring {
    let mm = Length::from_mm;
    Wire {
        shear_modulus_pa: g_pa,
        ..Wire::new(mm(d_mm), mm(coil_mm), active, ends, mm(free_mm))
    }
    .spring()
    .unwrap()
}

fn near(got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{got} {expected}");
}

/// Source: Bhandari, Design of Machine Elements, 3rd ed., ex. 10.1: wire 7 mm,
/// coil 42 mm, 8 active of 10 coils, squared and ground: 41.202980 N/mm, solid
/// 70 mm; 1250 N squeeze it by 30.337611 mm.
#[test]
fn squared_and_ground() {
    let s = wire(7.0, 42.0, 8.0, Ends::SquaredGround, 109.337_611, 81.37e9);
    near(s.rate.n_per_mm(), 41.202_980, 1e-6);
    near(s.total_coils, 10.0, 0.0);
    near(s.solid_length.mm(), 70.0, 1e-9);
    near(1250.0 / s.rate.n_per_mm(), 30.337_611, 1e-6);
    // The free length leaves that and the nine gaps of 1 mm.
    near(s.bind_travel.mm(), 39.337_611, 1e-6);
}

/// Source: the same example: at index 6 and half of 1090 N/mm² in shear, 1250 N
/// need a wire of 6.625083 mm.
#[test]
fn stress_with_wahls_factor() {
    let d = 6.625_083;
    let s = wire(d, 6.0 * d, 8.0, Ends::SquaredGround, 150.0, 81.37e9);
    near(s.stress_pa(Force::new(1250.0)) / 1e6, 545.0, 1e-4);
}

/// Source: Bhandari, ex. 10.7: wire 5, coil 40, 5 active, 7 in all: 19.865723
/// N/mm; 300 N and 6 gaps of 1 mm over the solid length make 56.101389 mm.
#[test]
fn free_length_of_a_spring_for_300_n() {
    let s = wire(5.0, 40.0, 5.0, Ends::SquaredGround, 60.0, 81.37e9);
    near(s.rate.n_per_mm(), 19.865_723, 1e-6);
    near(
        s.solid_length.mm() + 300.0 / s.rate.n_per_mm() + 6.0,
        56.101_389,
        1e-6,
    );
}

/// Source: Bhandari, ex. 10.3: wire 21, coil 150, 7.814775 coils for 75 N/mm.
#[test]
fn coils_for_a_rate() {
    let s = wire(21.0, 150.0, 7.814_775, Ends::SquaredGround, 400.0, 81.37e9);
    near(s.rate.n_per_mm(), 75.0, 1e-5);
}

/// Source: Sarkar, Strength of Materials, problem 8.19: wire 6, coil 65, pitch 15
/// mm, G 80 GPa: 47.191625 N/mm a coil, coils touch at 424.7246 N.
#[test]
fn coil_bind() {
    for n in [4.0, 9.5] {
        let free = 15.0 * n + 6.0;
        let s = wire(6.0, 65.0, n, Ends::Plain, free, 80e9);
        near(s.bind_travel.mm(), 9.0 * n, 1e-9);
        near(s.rate.n_per_mm() * n, 47.191_625, 1e-6);
        near(s.bind_force.n(), 424.7246, 1e-4);
    }
}

/// Source: Sarkar, problems 8.8 (wire 3, coil 30, 10 coils: 3.0 N/mm, 60 N at 20
/// mm) and 8.3 (wire 20, coil 200, 20 coils of 2 mm gap: 10 N/mm, 400 N at 40 mm).
#[test]
fn two_from_strength_of_materials() {
    let s = wire(3.0, 30.0, 10.0, Ends::PlainGround, 80.0, 80e9);
    near(s.rate.n_per_mm(), 3.0, 1e-12);
    near(s.rate.n_per_mm() * 20.0, 60.0, 1e-10);
    let s = wire(20.0, 200.0, 20.0, Ends::Plain, 20.0 * 22.0 + 20.0, 80e9);
    near(s.rate.n_per_mm(), 10.0, 1e-12);
    near(s.bind_travel.mm(), 40.0, 1e-9);
    near(s.bind_force.n(), 400.0, 1e-8);
}

/// Source: Wentzell, Machine Design, ex. 8.2: wire 0.105 in, coil 0.620 in, G
/// 11.85e6 psi, 10.792261 active coils: 70.00 lbf/in.
#[test]
fn in_inches() {
    let s = wire(
        0.105 * 25.4,
        0.620 * 25.4,
        10.792_261,
        Ends::SquaredGround,
        2.0 * 25.4,
        11.85e6 * 6_894.757_293_168_361,
    );
    near(s.rate.lbf_per_in(), 70.0, 1e-4);
    near(s.total_coils, 12.79, 0.01);
}

/// Source: Shigley's Mechanical Engineering Design, ex. 10-1 (from memory; 0.5 %):
/// wire 0.037 in, outside 7/16 in, squared ends, 12.5 coils, 11.85e6 psi: 10.5
/// active, 4.13 lbf/in, solid 0.500 in, 6.46 lbf squeeze it by 1.56 in.
#[test]
fn squared_not_ground() {
    let s = wire(
        0.037 * 25.4,
        0.400 * 25.4,
        10.5,
        Ends::Squared,
        2.06 * 25.4,
        11.85e6 * 6_894.757_293_168_361,
    );
    near(s.total_coils, 12.5, 0.0);
    near(s.rate.lbf_per_in(), 4.13, 0.005 * 4.13);
    near(s.solid_length.inches(), 0.500, 0.0025);
    near(6.46 / s.rate.lbf_per_in(), 1.56, 0.005 * 1.56);
}

/// Source: table of Wahl's factor in Bhandari, ch. 10 (recomputed to six places).
#[test]
fn wahls_factor() {
    for (c, k) in [
        (3.0, 1.58),
        (4.0, 1.403_75),
        (6.0, 1.2525),
        (8.0, 1.184_018),
        (10.0, 1.144_833),
        (20.0, 1.070_224),
    ] {
        near(wahl(c), k, 6e-7);
    }
}

/// The rate's doubt: four times the wire's share, three times the coil's.
#[test]
fn a_calliper_makes_the_rate_doubtful() {
    let mm = Length::from_mm;
    let s = Wire {
        wire_uncertainty: mm(0.05),
        coil_uncertainty: mm(0.3),
        active_uncertainty: 0.1,
        ..Wire::new(mm(10.0), mm(90.0), 8.0, Ends::SquaredGround, mm(300.0))
    }
    .spring()
    .unwrap();
    let expected = (0.02_f64.powi(2) + 0.01_f64.powi(2) + 0.0125_f64.powi(2)).sqrt();
    near(s.rate_uncertainty, expected, 1e-12);
    let text = wire_text(&s, &[Force::new(1000.0)], UnitSystem::Metric);
    assert!(text.contains("5.1 % (95 %"), "{text}");
    assert!(wire_text(&s, &[], UnitSystem::Inch).contains("ksi"));
    assert_eq!(wire_json(&s, &[])["total_coils"], 10.0);
    // As a spring of the sheet it is what it is.
    near(s.spring().rate_uncertainty, expected, 1e-12);
}

#[test]
fn no_spring_is_refused_with_both_fields() {
    let mm = Length::from_mm;
    let refuse = |d, coil, n, free| {
        Wire::new(mm(d), mm(coil), n, Ends::SquaredGround, mm(free))
            .spring()
            .unwrap_err()
            .to_string()
    };
    let coil = refuse(10.0, 9.0, 8.0, 300.0);
    assert!(coil.contains("wire.coil_diameter") && coil.contains("wire.diameter"));
    let free = refuse(10.0, 90.0, 8.0, 99.0);
    assert!(free.contains("wire.free_length") && free.contains("wire.active_coils"));
    assert!(refuse(10.0, 90.0, 0.0, 99.0).contains("wire.active_coils"));
    assert!(refuse(f64::NAN, 90.0, 5.0, 99.0).contains("wire.diameter"));
}
