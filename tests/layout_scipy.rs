//! Three whole vehicles against a general solver.
//!
//! The numbers were made once with NumPy and SciPy: the potential energy of each
//! vehicle written anew there from its definition (rotation matrices for frame
//! and axles, the link's root for the axle's side shift, springs, tyres, bar,
//! weights), its gradient by the complex step, its zero by `scipy.optimize.root`
//! (hybr) and three Newton steps; residual under 2e-11 N or N m. Stiffness is
//! the central difference of that gradient. Nothing of this project was used.

use crate::statics::van;
use crate::vehicles::{corner, leaning, roomy_unit};
use stillheight::quantity::{Force, Length, Point, RollRate};
use stillheight::sheet::*;
use stillheight::statics::{Model, quantities};

struct Expected {
    rest: [f64; 7],
    /// Second derivatives in heave, roll, pitch.
    stiffness: [f64; 3],
    lengths: [f64; 4],
    shift: Option<f64>,
}

/// Metres and radians to 1e-9, stiffness to 1e-6 of itself.
fn confirm(sheet: &BuildSheet, loads: &[usize], expected: &Expected) {
    let model = Model::new(sheet, loads);
    let rest = model.equilibrium().unwrap();
    for (i, (got, want)) in rest.state.iter().zip(expected.rest).enumerate() {
        assert!((got - want).abs() < 1e-9, "state {i}: {got} {want}");
    }
    for (i, want) in expected.stiffness.iter().enumerate() {
        let got = rest.stiffness[(i, i)];
        assert!(
            (got / want - 1.0).abs() < 1e-6,
            "stiffness {i}: {got} {want}"
        );
    }
    let found = quantities(&model, &rest, &[]);
    for (unit, want) in found.units.iter().zip(expected.lengths) {
        assert!(
            (unit.length.m() - want).abs() < 1e-9,
            "{} {want}",
            unit.name
        );
    }
    if let Some(want) = expected.shift {
        assert!((found.links[0].side_shift.m() - want).abs() < 1e-9);
    }
}

/// Source: SciPy, as said above. Solid rear on leaning coilovers and a link,
/// independent front, tyres, a load aside.
#[test]
fn a_van_on_tyres() {
    confirm(
        &van(),
        &[0],
        &Expected {
            rest: [
                0.506_795_229_058,
                -0.000_571_394_575_032,
                -0.021_419_798_586_8,
                0.317_789_565_364,
                -9.186_099_677_58e-5,
                0.319_518_385_537,
                0.319_605_100_402,
            ],
            stiffness: [104_794.938_572_63, 37_811.558_357_68, 323_721.893_946_56],
            lengths: [
                0.408_586_585_563_19,
                0.409_883_876_995_26,
                0.442_587_238_028_91,
                0.443_345_993_097_76,
            ],
            shift: Some(-0.002_050_112_104_43),
        },
    );
}

/// Source: SciPy, as said above. Rear axle on uneven blocks, coilovers leaning by
/// 25 deg with a progressive table, an anti-roll bar, one front collar 4 mm up.
#[test]
fn a_van_on_uneven_blocks_with_progressive_springs() {
    let mut sheet = van();
    let mut unit = roomy_unit(1.0, 400.0);
    unit.spring.curve = SpringCurve::Table(
        [(0.0, 0.0), (50.0, 1200.0), (120.0, 4000.0)]
            .map(|(x, f)| (Length::from_mm(x), Force::new(f)))
            .into(),
    );
    sheet.axles[0].support = Support::Blocks {
        left: Length::from_mm(305.0),
        right: Length::from_mm(290.0),
    };
    sheet.axles[0].anti_roll_bar = Some(RollRate::new(9000.0));
    if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
        *coilovers = vec![
            leaning("rear left", Side::Left, 25.0, 420.0, unit.clone()),
            leaning("rear right", Side::Right, 25.0, 420.0, unit),
        ];
    }
    if let Suspension::Independent { right, .. } = &mut sheet.axles[1].suspension {
        right.unit.collar.height = Length::from_mm(4.0);
    }
    confirm(
        &sheet,
        &[],
        &Expected {
            rest: [
                0.524_835_368_475,
                0.002_846_409_687_19,
                -0.017_028_766_741_5,
                0.2975,
                0.010_000_166_674_2,
                0.320_455_641_012,
                0.319_613_377_436,
            ],
            stiffness: [114_203.902_430_84, 48_859.047_206_00, 323_878.161_469_49],
            lengths: [
                0.441_476_324_028_79,
                0.448_337_567_843_45,
                0.450_788_223_439_73,
                0.447_418_417_147_05,
            ],
            shift: Some(0.000_268_978_823_74),
        },
    );
}

/// Source: SciPy, as said above. Independent all round with a motion ratio that
/// changes through the travel, a rear bar, a load far to the right.
#[test]
fn a_van_with_motion_ratio_tables() {
    let mut sheet = van();
    let table = vec![
        (Length::from_mm(-100.0), 0.55),
        (Length::ZERO, 0.62),
        (Length::from_mm(100.0), 0.74),
    ];
    for (i, (name, rate, free)) in [("rear", 70.0, 400.0), ("front", 60.0, 390.0)]
        .into_iter()
        .enumerate()
    {
        let one = |side: &str| {
            let mut c = corner(&format!("{name} {side}"), roomy_unit(rate, free), 1.0);
            c.motion_ratio.clone_from(&table);
            c
        };
        sheet.axles[i].suspension = Suspension::Independent {
            left: one("left"),
            right: one("right"),
            roll_centre: None,
        };
    }
    sheet.axles[0].unsprung = stillheight::quantity::Mass::new(80.0);
    sheet.axles[0].anti_roll_bar = Some(RollRate::new(15_000.0));
    sheet.loads[0].at = Point::from_mm(300.0, -250.0, 250.0);
    confirm(
        &sheet,
        &[0],
        &Expected {
            rest: [
                0.598_948_561_182,
                0.006_865_325_178_1,
                0.007_207_842_771_92,
                0.319_099_929_313,
                0.317_517_640_887,
                0.319_996_478_924,
                0.319_022_534_209,
            ],
            stiffness: [94_116.223_083_27, 64_345.173_267_69, 297_749.526_145_05],
            lengths: [
                0.450_175_375_238_11,
                0.445_263_880_865_95,
                0.438_994_677_154_72,
                0.433_689_499_615_22,
            ],
            shift: None,
        },
    );
}
