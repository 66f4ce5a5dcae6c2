//! Least squares and quantiles against published results.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    reason = "a failing test may stop where it stands"
)]

use nalgebra::{DMatrix, DVector, dmatrix, dvector};
use stillheight::leastsquares::{
    LeastSquaresError, Outcome, Prior, Robust, Settings, Solution, WhyNotConverged,
    binomial_lower_quantile, chi_square_quantile, f_quantile, normal_quantile, solve, solve_linear,
    student_t_quantile,
};

#[track_caller]
fn relative(what: &str, found: f64, expected: f64, tolerance: f64) {
    let error = (found - expected).abs() / expected.abs();
    assert!(
        error <= tolerance,
        "{what}: found {found:.15e}, expected {expected:.15e}, relative error {error:.2e}"
    );
}

type Term = fn(f64, &DVector<f64>) -> (f64, Vec<f64>);

fn fit(data: &[(f64, f64)], start: &[f64], settings: &Settings, model: Term) -> Solution {
    solve(
        &DVector::from_row_slice(start),
        data.len(),
        settings,
        |b, r, mut jacobian| {
            for (i, &(x, y)) in data.iter().enumerate() {
                let (value, slopes) = model(x, b);
                r[i] = value - y;
                if let Some(j) = jacobian.as_deref_mut() {
                    for (k, slope) in slopes.iter().enumerate() {
                        j[(i, k)] = *slope;
                    }
                }
            }
        },
    )
    .unwrap()
}

struct Certified {
    values: &'static [(f64, f64)],
    residual_sum_of_squares: f64,
    residual_standard_deviation: f64,
}

#[track_caller]
fn agrees(found: &Solution, certified: &Certified) {
    assert!(found.is_converged(), "{:?}", found.outcome);
    let u = found.standard_uncertainties_scaled().unwrap();
    for (k, &(value, sd)) in certified.values.iter().enumerate() {
        relative(&format!("b{}", k + 1), found.parameters[k], value, 1e-9);
        relative(&format!("sd of b{}", k + 1), u[k], sd, 1e-7);
    }
    relative(
        "rss",
        found.residual_sum_of_squares,
        certified.residual_sum_of_squares,
        1e-9,
    );
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        certified.residual_standard_deviation,
        1e-9,
    );
}

fn rise(x: f64, b: &DVector<f64>) -> (f64, Vec<f64>) {
    let e = (-b[1] * x).exp();
    (b[0] * (1.0 - e), vec![1.0 - e, b[0] * x * e])
}

const BOX_BOD: [(f64, f64); 6] = [
    (1.0, 109.0),
    (2.0, 149.0),
    (3.0, 149.0),
    (5.0, 191.0),
    (7.0, 213.0),
    (10.0, 224.0),
];

const BOX_BOD_CERTIFIED: Certified = Certified {
    values: &[
        (2.138_094_088_9e2, 1.235_451_517_6e1),
        (5.472_374_854_2e-1, 1.045_599_323_7e-1),
    ],
    residual_sum_of_squares: 1.168_008_876_6e3,
    residual_standard_deviation: 1.708_807_242_3e1,
};

const MISRA: [(f64, f64); 14] = [
    (77.6, 10.07),
    (114.9, 14.73),
    (141.1, 17.94),
    (190.8, 23.93),
    (239.9, 29.61),
    (289.0, 35.18),
    (332.8, 40.02),
    (378.4, 44.82),
    (434.8, 50.76),
    (477.3, 55.05),
    (536.8, 61.01),
    (593.1, 66.40),
    (689.1, 75.47),
    (760.0, 81.78),
];

/// Source: NIST StRD, nonlinear regression, BoxBOD (higher level of difficulty), second start.
#[test]
fn box_bod_from_the_near_start() {
    agrees(
        &fit(&BOX_BOD, &[100.0, 0.75], &Settings::default(), rise),
        &BOX_BOD_CERTIFIED,
    );
}

/// Source: NIST StRD, BoxBOD, first start, from which plain Gauss-Newton runs away. Either the
/// certified values are found, or the fit says that it has no answer.
#[test]
fn box_bod_from_the_far_start_is_certified_or_reported() {
    let found = fit(&BOX_BOD, &[1.0, 1.0], &Settings::default(), rise);
    if found.is_converged() {
        agrees(&found, &BOX_BOD_CERTIFIED);
    }
}

/// Source: the same data; with the rate so high that the curve is flat over all readings, it is
/// not determined, and no success may be reported.
#[test]
fn box_bod_from_a_hopeless_start_is_not_called_a_success() {
    let found = fit(&BOX_BOD, &[100.0, 900.0], &Settings::default(), rise);
    assert_eq!(
        found.outcome,
        Outcome::NotDetermined {
            parameters: vec![1]
        }
    );
}

/// Source: NIST StRD, nonlinear regression, Misra1a, both starts.
#[test]
fn misra1a_from_both_starts() {
    let certified = Certified {
        values: &[
            (2.389_421_291_8e2, 2.707_007_524_1),
            (5.501_564_318_1e-4, 7.266_868_843_6e-6),
        ],
        residual_sum_of_squares: 1.245_513_889_4e-1,
        residual_standard_deviation: 1.018_787_633_0e-1,
    };
    for start in [[500.0, 0.0001], [250.0, 0.0005]] {
        agrees(&fit(&MISRA, &start, &Settings::default(), rise), &certified);
    }
}

/// Source: NIST StRD, nonlinear regression, Misra1c, both starts.
#[test]
fn misra1c_from_both_starts() {
    let certified = Certified {
        values: &[
            (6.364_272_580_9e2, 4.663_832_657_2),
            (2.081_362_725_6e-4, 1.772_842_315_5e-6),
        ],
        residual_sum_of_squares: 4.096_683_697_1e-2,
        residual_standard_deviation: 5.842_861_525_7e-2,
    };
    for start in [[500.0, 0.0001], [600.0, 0.0002]] {
        let found = fit(&MISRA, &start, &Settings::default(), |x, b| {
            let q = 1.0 + 2.0 * b[1] * x;
            (
                b[0] * (1.0 - q.powf(-0.5)),
                vec![1.0 - q.powf(-0.5), b[0] * x * q.powf(-1.5)],
            )
        });
        agrees(&found, &certified);
    }
}

/// Source: NIST StRD, nonlinear regression, DanWood, both starts.
#[test]
fn dan_wood_from_both_starts() {
    let data = [
        (1.309, 2.138),
        (1.471, 3.421),
        (1.490, 3.597),
        (1.565, 4.340),
        (1.611, 4.882),
        (1.680, 5.660),
    ];
    let certified = Certified {
        values: &[
            (7.688_622_617_6e-1, 1.828_197_386_0e-2),
            (3.860_405_587_1, 5.172_661_091_3e-2),
        ],
        residual_sum_of_squares: 4.317_308_408_3e-3,
        residual_standard_deviation: 3.285_311_403_9e-2,
    };
    for start in [[1.0, 5.0], [0.7, 4.0]] {
        let found = fit(&data, &start, &Settings::default(), |x, b| {
            let power = x.powf(b[1]);
            (b[0] * power, vec![power, b[0] * power * x.ln()])
        });
        agrees(&found, &certified);
    }
}

/// Source: NIST StRD, nonlinear regression, Chwirut2 (54 readings of an ultrasonic reference
/// block), both starts.
#[test]
fn chwirut2_from_both_starts() {
    let data: [(f64, f64); 54] = [
        (0.5, 92.9),
        (1.0, 57.1),
        (1.75, 31.05),
        (3.75, 11.5875),
        (5.75, 8.025),
        (0.875, 63.6),
        (2.25, 21.4),
        (3.25, 14.25),
        (5.25, 8.475),
        (0.75, 63.8),
        (1.75, 26.8),
        (2.75, 16.4625),
        (4.75, 7.125),
        (0.625, 67.3),
        (1.25, 41.0),
        (2.25, 21.15),
        (4.25, 8.175),
        (0.5, 81.5),
        (3.0, 13.12),
        (0.75, 59.9),
        (3.0, 14.62),
        (1.5, 32.9),
        (6.0, 5.44),
        (3.0, 12.56),
        (6.0, 5.44),
        (1.5, 32.0),
        (3.0, 13.95),
        (0.5, 75.8),
        (2.0, 20.0),
        (4.0, 10.42),
        (0.75, 59.5),
        (2.0, 21.67),
        (5.0, 8.55),
        (0.75, 62.0),
        (2.25, 20.2),
        (3.75, 7.76),
        (5.75, 3.75),
        (3.0, 11.81),
        (0.75, 54.7),
        (2.5, 23.7),
        (4.0, 11.55),
        (0.75, 61.3),
        (2.5, 17.7),
        (4.0, 8.74),
        (0.75, 59.2),
        (2.5, 16.3),
        (4.0, 8.62),
        (0.5, 81.0),
        (6.0, 4.87),
        (3.0, 14.62),
        (0.5, 81.7),
        (2.75, 17.17),
        (0.5, 81.3),
        (1.75, 28.9),
    ];
    let certified = Certified {
        values: &[
            (1.665_766_653_7e-1, 3.830_328_681_0e-2),
            (5.165_329_128_6e-3, 6.662_160_512_6e-4),
            (1.215_000_709_6e-2, 1.530_423_476_7e-3),
        ],
        residual_sum_of_squares: 5.130_480_294_1e2,
        residual_standard_deviation: 3.171_713_304_0,
    };
    for start in [[0.1, 0.01, 0.02], [0.15, 0.008, 0.010]] {
        let found = fit(&data, &start, &Settings::default(), |x, b| {
            let (e, q) = ((-b[0] * x).exp(), b[1] + b[2] * x);
            (e / q, vec![-x * e / q, -e / (q * q), -x * e / (q * q)])
        });
        agrees(&found, &certified);
    }
}

fn line(data: &[(f64, f64)]) -> (DMatrix<f64>, DVector<f64>) {
    let design = DMatrix::from_fn(data.len(), 2, |i, j| if j == 0 { 1.0 } else { data[i].0 });
    (
        design,
        DVector::from_iterator(data.len(), data.iter().map(|d| d.1)),
    )
}

const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
];

/// Source: NIST StRD, linear regression, Norris; the covariance from the GNU Scientific Library's
/// test of the same data, 10 digits.
#[test]
fn norris_line() {
    let (design, y) = line(&NORRIS);
    let found = solve_linear(&design, &y, None).unwrap();
    let u = found.standard_uncertainties().unwrap();
    relative("B0", found.parameters[0], -0.262_323_073_774_029, 1e-11);
    relative("B1", found.parameters[1], 1.002_116_818_020_45, 1e-13);
    relative("sd of B0", u[0], 0.232_818_234_301_152, 1e-12);
    relative("sd of B1", u[1], 0.429_796_848_199_937e-3, 1e-12);
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        0.884_796_396_144_373,
        1e-12,
    );
    relative(
        "rss",
        found.residual_sum_of_squares,
        26.617_398_529_422_4,
        1e-12,
    );
    relative(
        "covariance",
        found.covariance_scaled().unwrap()[(0, 1)],
        -7.743_275_363_395_70e-5,
        1e-9,
    );
}

/// Source: NIST StRD, linear regression, NoInt1 and NoInt2.
#[test]
fn lines_through_the_origin() {
    let x = DMatrix::from_fn(11, 1, |i, _| 60.0 + i as f64);
    let y = DVector::from_fn(11, |i, _| 130.0 + i as f64);
    let found = solve_linear(&x, &y, None).unwrap();
    relative("B1", found.parameters[0], 2.074_380_165_289_26, 1e-13);
    relative(
        "sd",
        found.standard_uncertainties().unwrap()[0],
        0.165_289_256_198_347e-1,
        1e-12,
    );
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        3.567_530_340_063_38,
        1e-12,
    );

    let found = solve_linear(&dmatrix![4.0; 5.0; 6.0], &dvector![3.0, 4.0, 4.0], None).unwrap();
    relative("B1", found.parameters[0], 0.727_272_727_272_727, 1e-13);
    relative(
        "sd",
        found.standard_uncertainties().unwrap()[0],
        0.420_827_318_078_432e-1,
        1e-12,
    );
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        0.369_274_472_937_998,
        1e-12,
    );
}

const STACK_LOSS: [[f64; 4]; 21] = [
    [80.0, 27.0, 89.0, 42.0],
    [80.0, 27.0, 88.0, 37.0],
    [75.0, 25.0, 90.0, 37.0],
    [62.0, 24.0, 87.0, 28.0],
    [62.0, 22.0, 87.0, 18.0],
    [62.0, 23.0, 87.0, 18.0],
    [62.0, 24.0, 93.0, 19.0],
    [62.0, 24.0, 93.0, 20.0],
    [58.0, 23.0, 87.0, 15.0],
    [58.0, 18.0, 80.0, 14.0],
    [58.0, 18.0, 89.0, 14.0],
    [58.0, 17.0, 88.0, 13.0],
    [58.0, 18.0, 82.0, 11.0],
    [58.0, 19.0, 93.0, 12.0],
    [50.0, 18.0, 89.0, 8.0],
    [50.0, 18.0, 86.0, 7.0],
    [50.0, 19.0, 72.0, 8.0],
    [50.0, 19.0, 79.0, 8.0],
    [50.0, 20.0, 80.0, 9.0],
    [56.0, 20.0, 82.0, 15.0],
    [70.0, 20.0, 91.0, 15.0],
];

fn stack_loss() -> (DMatrix<f64>, DVector<f64>) {
    let design = DMatrix::from_fn(
        21,
        4,
        |i, j| if j == 0 { 1.0 } else { STACK_LOSS[i][j - 1] },
    );
    (design, DVector::from_fn(21, |i, _| STACK_LOSS[i][3]))
}

/// Source: K. A. Brownlee's stack loss data as in R's `datasets::stackloss`; coefficients and
/// standard errors of `lm` (10 digits).
#[test]
fn stack_loss_with_three_predictors() {
    let (design, y) = stack_loss();
    let found = solve_linear(&design, &y, None).unwrap();
    let u = found.standard_uncertainties().unwrap();
    let expected = [
        -39.919_674_420_1,
        0.715_640_200_5,
        1.295_286_124_4,
        -0.152_122_519_1,
    ];
    let sds = [
        11.895_996_850_6,
        0.134_858_185_4,
        0.368_024_265_3,
        0.156_294_043_2,
    ];
    for j in 0..4 {
        relative("coefficient", found.parameters[j], expected[j], 1e-9);
        relative("its sd", u[j], sds[j], 1e-9);
    }
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        3.243_363_918,
        1e-9,
    );
}

fn robust_stack_loss(robust: Robust) -> Solution {
    let (design, y) = stack_loss();
    let start = solve_linear(&design, &y, None).unwrap().parameters;
    solve(
        &start,
        21,
        &Settings {
            robust,
            ..Settings::default()
        },
        |b, r, jacobian| {
            r.copy_from(&(&design * b - &y));
            if let Some(j) = jacobian {
                j.copy_from(&design);
            }
        },
    )
    .unwrap()
}

/// Source: R package MASS, `rlm(stack.loss ~ ., stackloss, acc = 1e-14)`, 15 digits printed.
/// Tolerance 1e-4: that package divides the median by 0.6745, here by 0.674490 (1.5e-5 apart).
/// The standard errors are those of statsmodels' `RLM` with `HuberT` and covariance H1, 8 digits
/// (from memory); MASS itself takes the variance of psi' over n - 1 and prints 0.16 % more.
#[test]
fn stack_loss_with_huber_weights() {
    let found = robust_stack_loss(Robust::Huber { k: 1.345 });
    assert!(found.is_converged(), "{:?}", found.outcome);
    let expected = [
        -41.026_485_373_295_01,
        0.829_385_770_253_855,
        0.926_059_415_548_607,
        -0.127_846_317_965_416,
    ];
    let sds = [9.791_898_54, 0.111_005_21, 0.302_930_16, 0.128_649_61];
    let u = found.standard_uncertainties_scaled().unwrap();
    for j in 0..4 {
        relative("coefficient", found.parameters[j], expected[j], 1e-4);
        relative("its sd", u[j], sds[j], 1e-6);
    }
    let lightest = found.weights.iamin();
    assert_eq!(lightest, 20, "the last reading is the known outlier");
}

/// Source: the property of the biweight (Beaton and Tukey, Technometrics 16, 1974): on stack loss
/// the readings 1, 3, 4 and 21 are the ones known as outliers in the literature (from memory).
#[test]
fn tukey_weights_name_the_known_outliers_of_stack_loss() {
    let found = robust_stack_loss(Robust::Tukey { k: 4.685 });
    assert!(found.is_converged(), "{:?}", found.outcome);
    let mut order: Vec<usize> = (0..21).collect();
    order.sort_by(|&a, &b| found.weights[a].total_cmp(&found.weights[b]));
    let mut worst = order[..3].to_vec();
    worst.sort_unstable();
    assert!(
        [0, 2, 3, 20].iter().filter(|i| worst.contains(i)).count() == 3,
        "{worst:?}"
    );
    assert!(worst.contains(&20) && worst.contains(&3), "{worst:?}");
}

/// Source: JCGM 100:2008 (GUM), example H.3, calibration line of a thermometer; unrounded values
/// by the Measurement Standards Laboratory of New Zealand's `GTC`.
#[test]
fn gum_h3_thermometer_line() {
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let data: Vec<(f64, f64)> = t.iter().zip(b).map(|(t, b)| (t - 20.0, b)).collect();
    let (design, y) = line(&data);
    let found = solve_linear(&design, &y, None).unwrap();
    let u = found.standard_uncertainties().unwrap();
    relative("y1", found.parameters[0], -0.171_203_790_131, 1e-11);
    relative("y2", found.parameters[1], 0.002_182_697_74, 1e-8);
    relative("s(y1)", u[0], 0.002_877_597_835, 1e-9);
    relative("s(y2)", u[1], 0.000_667_938_773, 1e-8);
    relative(
        "r",
        found.correlation()[(0, 1)],
        -0.930_429_603_093_445_8,
        1e-12,
    );
    let at_30 = found.predict(&dvector![1.0, 10.0]).unwrap();
    relative("b(30)", at_30.value, -0.149_376_812_73, 1e-10);
    relative("u of the line", at_30.u_of_line, 0.004_138_595_75, 1e-8);
    relative("u of one new reading", at_30.u_of_new, 0.005_418_6, 1e-5);
}

const CARS: [(f64, f64); 50] = [
    (4.0, 2.0),
    (4.0, 10.0),
    (7.0, 4.0),
    (7.0, 22.0),
    (8.0, 16.0),
    (9.0, 10.0),
    (10.0, 18.0),
    (10.0, 26.0),
    (10.0, 34.0),
    (11.0, 17.0),
    (11.0, 28.0),
    (12.0, 14.0),
    (12.0, 20.0),
    (12.0, 24.0),
    (12.0, 28.0),
    (13.0, 26.0),
    (13.0, 34.0),
    (13.0, 34.0),
    (13.0, 46.0),
    (14.0, 26.0),
    (14.0, 36.0),
    (14.0, 60.0),
    (14.0, 80.0),
    (15.0, 20.0),
    (15.0, 26.0),
    (15.0, 54.0),
    (16.0, 32.0),
    (16.0, 40.0),
    (17.0, 32.0),
    (17.0, 40.0),
    (17.0, 50.0),
    (18.0, 42.0),
    (18.0, 56.0),
    (18.0, 76.0),
    (18.0, 84.0),
    (19.0, 36.0),
    (19.0, 46.0),
    (19.0, 68.0),
    (20.0, 32.0),
    (20.0, 48.0),
    (20.0, 52.0),
    (20.0, 56.0),
    (20.0, 64.0),
    (22.0, 66.0),
    (23.0, 54.0),
    (24.0, 70.0),
    (24.0, 92.0),
    (24.0, 93.0),
    (24.0, 120.0),
    (25.0, 85.0),
];

/// Source: M. Ezekiel's stopping distances as in R's `datasets::cars`; `predict(lm(dist ~ speed),
/// interval = "confidence" | "prediction")`, 95 %.
#[test]
fn confidence_and_prediction_intervals_of_stopping_distances() {
    let (design, y) = line(&CARS);
    let found = solve_linear(&design, &y, None).unwrap();
    relative("a", found.parameters[0], -17.579_094_890_5, 1e-11);
    relative("b", found.parameters[1], 3.932_408_759_1, 1e-11);
    relative(
        "rsd",
        found.residual_standard_deviation().unwrap(),
        15.379_586_75,
        1e-9,
    );
    let t = student_t_quantile(0.975, found.degrees_of_freedom as f64).unwrap();
    for (speed, fit, confidence, prediction) in [
        (
            15.0,
            41.407_036_50,
            (37.021_152_15, 45.792_920_84),
            (10.174_820_505, 72.639_252_49),
        ),
        (
            21.0,
            65.001_489_05,
            (58.597_383_78, 71.405_594_32),
            (33.422_573_640, 96.580_404_46),
        ),
    ] {
        let p = found.predict(&dvector![1.0, speed]).unwrap();
        relative("fit", p.value, fit, 1e-9);
        relative(
            "confidence low",
            p.value - t * p.u_of_line,
            confidence.0,
            1e-9,
        );
        relative(
            "confidence high",
            p.value + t * p.u_of_line,
            confidence.1,
            1e-9,
        );
        relative(
            "prediction low",
            p.value - t * p.u_of_new,
            prediction.0,
            1e-9,
        );
        relative(
            "prediction high",
            p.value + t * p.u_of_new,
            prediction.1,
            1e-9,
        );
    }
}

/// Source: table of Student's t, computed with SciPy (10 decimals); agrees with the NIST/SEMATECH
/// e-Handbook, section 1.3.6.7.2, to its three decimals.
#[test]
fn student_t_table() {
    let at = [0.90, 0.95, 0.975, 0.99, 0.995];
    for (df, row) in [
        (
            1.0,
            [
                3.077_683_537_2,
                6.313_751_514_7,
                12.706_204_736_2,
                31.820_515_953_8,
                63.656_741_162_9,
            ],
        ),
        (
            2.0,
            [
                1.885_618_083_2,
                2.919_985_580_4,
                4.302_652_729_7,
                6.964_556_734_3,
                9.924_843_200_9,
            ],
        ),
        (
            3.0,
            [
                1.637_744_353_7,
                2.353_363_434_8,
                3.182_446_305_3,
                4.540_702_858_6,
                5.840_909_309_7,
            ],
        ),
        (
            5.0,
            [
                1.475_884_048_8,
                2.015_048_373_3,
                2.570_581_835_6,
                3.364_929_998_9,
                4.032_142_983_6,
            ],
        ),
        (
            10.0,
            [
                1.372_183_641_1,
                1.812_461_122_8,
                2.228_138_852_0,
                2.763_769_458_1,
                3.169_272_672_6,
            ],
        ),
        (
            30.0,
            [
                1.310_415_025_4,
                1.697_260_886_6,
                2.042_272_456_3,
                2.457_261_542_4,
                2.749_995_653_6,
            ],
        ),
        (
            60.0,
            [
                1.295_821_093_5,
                1.670_648_864_9,
                2.000_297_822_0,
                2.390_119_472_6,
                2.660_283_028_9,
            ],
        ),
        (
            120.0,
            [
                1.288_646_233_7,
                1.657_650_899_4,
                1.979_930_405_1,
                2.357_824_612_6,
                2.617_421_145_1,
            ],
        ),
    ] {
        for (probability, expected) in at.iter().zip(row) {
            let found = student_t_quantile(*probability, df).unwrap();
            assert!(
                (found - expected).abs() < 6e-11,
                "t {probability} {df}: {found:.12} for {expected:.12}"
            );
            let mirrored = student_t_quantile(1.0 - probability, df).unwrap();
            // 1 - p itself is rounded, which the far tail of one degree of freedom magnifies.
            assert!(
                (found + mirrored).abs() < 1e-10,
                "t {probability} {df} is not symmetric"
            );
        }
    }
}

/// Source: the same tables for chi-square, F and normal.
#[test]
fn chi_square_f_and_normal_tables() {
    for (df, row) in [
        (
            1.0,
            [
                0.000_982_07,
                0.003_932_14,
                0.454_936_42,
                3.841_458_82,
                5.023_886_19,
            ],
        ),
        (
            2.0,
            [
                0.050_635_62,
                0.102_586_59,
                1.386_294_36,
                5.991_464_55,
                7.377_758_91,
            ],
        ),
        (
            5.0,
            [
                0.831_211_61,
                1.145_476_23,
                4.351_460_19,
                11.070_497_69,
                12.832_501_99,
            ],
        ),
        (
            10.0,
            [
                3.246_972_78,
                3.940_299_14,
                9.341_817_77,
                18.307_038_05,
                20.483_177_35,
            ],
        ),
        (
            30.0,
            [
                16.790_772_27,
                18.492_660_98,
                29.336_031_52,
                43.772_971_83,
                46.979_242_24,
            ],
        ),
        (
            100.0,
            [
                74.221_927_47,
                77.929_465_17,
                99.334_129_24,
                124.342_113_40,
                129.561_197_19,
            ],
        ),
    ] {
        for (probability, expected) in [0.025, 0.05, 0.5, 0.95, 0.975].iter().zip(row) {
            let found = chi_square_quantile(*probability, df).unwrap();
            assert!(
                (found - expected).abs() < 6e-9,
                "chi2 {probability} {df}: {found:.10} for {expected:.10}"
            );
        }
    }
    for (a, b, expected) in [
        (2.0, 10.0, 4.102_821_015_1),
        (3.0, 20.0, 3.098_391_212_1),
        (9.0, 40.0, 2.124_029_264_0),
    ] {
        let found = f_quantile(0.95, a, b).unwrap();
        assert!((found - expected).abs() < 1e-9, "F {a} {b}: {found:.12}");
    }
    for (probability, expected) in [
        (0.75, 0.674_489_750_196),
        (0.975, 1.959_963_984_540),
        (0.995, 2.575_829_303_549),
    ] {
        assert!((normal_quantile(probability).unwrap() - expected).abs() < 1e-11);
    }
}

/// Source: by hand. Ten fair tosses: P(X <= 1) = 11/1024 = 0.0107, P(X <= 2) = 56/1024 = 0.0547.
#[test]
fn binomial_lower_tail() {
    assert_eq!(binomial_lower_quantile(0.05, 10, 0.5).unwrap(), 2);
    assert_eq!(binomial_lower_quantile(0.0107, 10, 0.5).unwrap(), 1);
    assert_eq!(binomial_lower_quantile(0.0108, 10, 0.5).unwrap(), 2);
    assert_eq!(binomial_lower_quantile(0.999_999, 10, 0.5).unwrap(), 10);
    assert!(binomial_lower_quantile(0.5, 10, 1.5).is_err());
}

/// Source: definition. Readings at one place only determine the height of a line there, not its
/// two coefficients.
#[test]
fn what_the_data_cannot_determine_is_named() {
    let x = DMatrix::from_fn(5, 3, |i, j| if j == 0 { i as f64 } else { 4.0 });
    let refused = solve_linear(&x, &dvector![1.0, 2.0, 3.0, 4.0, 6.0], None).unwrap_err();
    assert_eq!(
        refused,
        LeastSquaresError::NotDetermined {
            parameters: vec![1, 2]
        }
    );
    assert_eq!(refused.code(), "leastsquares.not_determined");

    // Flat data: the time constant of a decay of no height is anything.
    let flat: Vec<(f64, f64)> = (0..20).map(|i| (f64::from(i), 5.0)).collect();
    let found = fit(&flat, &[4.0, 0.5, 3.0], &Settings::default(), |x, b| {
        let e = (-x / b[2]).exp();
        (b[0] + b[1] * e, vec![1.0, e, b[1] * e * x / (b[2] * b[2])])
    });
    assert!(
        !found.is_converged(),
        "{:?} at {}",
        found.outcome,
        found.parameters
    );

    // More unknowns than readings.
    let two = fit(
        &[(1.0, 2.0), (2.0, 3.0)],
        &[1.0, 1.0, 1.0],
        &Settings::default(),
        |x, b| (b[0] + b[1] * x + b[2] * x * x, vec![1.0, x, x * x]),
    );
    assert!(
        matches!(two.outcome, Outcome::NotDetermined { .. }),
        "{:?}",
        two.outcome
    );

    // A limit on what still counts as determined.
    let settings = Settings {
        loosest: Some(dvector![f64::INFINITY, 0.01]),
        ..Settings::default()
    };
    let loose = fit(&BOX_BOD, &[100.0, 0.75], &settings, rise);
    assert_eq!(
        loose.outcome,
        Outcome::NotDetermined {
            parameters: vec![1]
        }
    );
}

/// Source: by hand. The unbounded minimum of (a-3)^2 + (b-1)^2 lies at 3, 1; with a at most 2 it
/// lies on that bound.
#[test]
fn a_bound_that_holds_the_answer_is_reported() {
    let quadratic =
        |b: &DVector<f64>, r: &mut DVector<f64>, jacobian: Option<&mut DMatrix<f64>>| {
            r.copy_from(&dvector![b[0] - 3.0, b[1] - 1.0, 0.1]);
            if let Some(j) = jacobian {
                j.copy_from(&dmatrix![1.0, 0.0; 0.0, 1.0; 0.0, 0.0]);
            }
        };
    let bounded = Settings {
        upper: Some(dvector![2.0, 9.0]),
        ..Settings::default()
    };
    let found = solve(&dvector![0.0, 0.0], 3, &bounded, quadratic).unwrap();
    assert_eq!(
        found.outcome,
        Outcome::RanToBound {
            parameters: vec![0]
        }
    );
    assert!((found.parameters - dvector![2.0, 1.0]).amax() < 1e-12);

    let open = Settings {
        upper: Some(dvector![4.0, 9.0]),
        ..Settings::default()
    };
    let found = solve(&dvector![0.0, 0.0], 3, &open, quadratic).unwrap();
    assert!(found.is_converged());
    assert!((found.parameters - dvector![3.0, 1.0]).amax() < 1e-9);

    let crossed = Settings {
        lower: Some(dvector![2.0, 0.0]),
        upper: Some(dvector![1.0, 9.0]),
        ..Settings::default()
    };
    let refused = solve(&dvector![0.0, 0.0], 3, &crossed, quadratic).unwrap_err();
    assert_eq!(refused.code(), "leastsquares.bounds.crossed");
}

/// Source: the mean of two independent results weighted by their inverse variances (GUM, or any
/// textbook): readings 10 +- 1 and a prior 13 +- 2 give (10/1 + 13/4)/(1/1 + 1/4) = 10.6, with
/// variance 1/(1 + 1/4) = 0.8.
#[test]
fn a_prior_counts_as_one_more_reading() {
    let settings = Settings {
        priors: vec![Prior {
            parameter: 0,
            mean: 13.0,
            standard_uncertainty: 2.0,
        }],
        unit_variance: true,
        ..Settings::default()
    };
    let found = fit(&[(0.0, 10.0)], &[0.0], &settings, |_, b| (b[0], vec![1.0]));
    assert!(found.is_converged(), "{:?}", found.outcome);
    relative("mean", found.parameters[0], 10.6, 1e-12);
    relative("variance", found.covariance_unscaled[(0, 0)], 0.8, 1e-12);
    assert_eq!(found.degrees_of_freedom, 1);
}

/// Source: definition of the outcomes: a model that cannot be evaluated, and too few iterations.
#[test]
fn what_did_not_converge_says_so() {
    let nowhere = fit(&BOX_BOD, &[1.0, 1.0], &Settings::default(), |_, _| {
        (f64::NAN, vec![0.0, 0.0])
    });
    assert_eq!(
        nowhere.outcome,
        Outcome::NotConverged {
            why: WhyNotConverged::NotFinite
        }
    );
    let hasty = fit(
        &MISRA,
        &[500.0, 0.0001],
        &Settings {
            max_iterations: 2,
            ..Settings::default()
        },
        rise,
    );
    assert_eq!(
        hasty.outcome,
        Outcome::NotConverged {
            why: WhyNotConverged::IterationLimit
        }
    );
}
