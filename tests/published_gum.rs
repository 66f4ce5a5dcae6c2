//! Two examples of the GUM that the load test leans on: quantities that are
//! measured together and hang together, and scatter from stop to stop beside
//! scatter within a stop.

use nalgebra::{DMatrix, DVector, dvector};
use stillheight::leastsquares::{Settings, f_quantile, solve, solve_linear};

/// Source: JCGM 100:2008 (GUM), example H.2, table H.2: five sets of voltage
/// (V), current (mA) and phase (rad). R 127.732, u 0.071; X 219.847, u 0.295; Z
/// 254.260, u 0.236; r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993; more digits
/// recomputed from the table. Here R, X and the current are fitted to the three
/// means, whitened by their covariance.
#[test]
fn resistance_and_reactance_measured_together() {
    let sets = [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ];
    let mean = DVector::from_fn(3, |k, _| sets.iter().map(|s| s[k]).sum::<f64>() / 5.0);
    let covariance = DMatrix::from_fn(3, 3, |a, b| {
        let sum: f64 = sets
            .iter()
            .map(|s| (s[a] - mean[a]) * (s[b] - mean[b]))
            .sum();
        sum / (5.0 * 4.0)
    });
    let white = covariance.cholesky().unwrap().l().try_inverse().unwrap();
    let found = solve(
        &dvector![100.0, 200.0, 20.0],
        3,
        &Settings::default(),
        |p, r, jacobian| {
            let (real, imaginary, milliampere) = (p[0], p[1], p[2]);
            let z = real.hypot(imaginary);
            let model = dvector![milliampere * 1e-3 * z, milliampere, imaginary.atan2(real)];
            r.copy_from(&(&white * (model - &mean)));
            if let Some(j) = jacobian {
                let slopes = DMatrix::from_row_slice(
                    3,
                    3,
                    &[
                        milliampere * 1e-3 * real / z,
                        milliampere * 1e-3 * imaginary / z,
                        z * 1e-3,
                        0.0,
                        0.0,
                        1.0,
                        -imaginary / (z * z),
                        real / (z * z),
                        0.0,
                    ],
                );
                j.copy_from(&(&white * slopes));
            }
        },
    )
    .unwrap();
    assert!(found.is_converged());
    let (p, u, r) = (
        &found.parameters,
        found.standard_uncertainties_unscaled(),
        found.correlation(),
    );
    let near = |got: f64, want: f64, by: f64| assert!((got - want).abs() < by, "{got} {want}");
    near(p[0], 127.732_170, 1e-5);
    near(p[1], 219.846_512, 1e-5);
    near(u[0], 0.071_071, 2e-6);
    near(u[1], 0.295_582, 2e-6);
    near(r[(0, 1)], -0.588_430, 2e-6);
    // The modulus by the law of propagation.
    let z = p[0].hypot(p[1]);
    let (a, b) = (p[0] / z, p[1] / z);
    let shared = r[(0, 1)] * u[0] * u[1];
    let u_z = (a * a * u[0] * u[0] + b * b * u[1] * u[1] + 2.0 * a * b * shared).sqrt();
    near(z, 254.259_702, 1e-5);
    near(u_z, 0.236_336, 2e-6);
    near(
        (a * u[0] * u[0] + b * shared) / (u[0] * u_z),
        -0.485_259,
        2e-6,
    );
    near(
        (b * u[1] * u[1] + a * shared) / (u[1] * u_z),
        0.992_512,
        2e-6,
    );
}

/// Source: JCGM 100:2008 (GUM), example H.5 (values from memory, recomputed):
/// ten days with five readings each; microvolts above 10 V. Mean 97, standard
/// deviation of the day means 57, pooled within days 85; F 2.26 unrounded over
/// the limit 2.12 (9 and 40 degrees of freedom), so that the day means' own scatter counts:
/// the mean's uncertainty is 18, not 85/sqrt 50 = 12.
#[test]
fn scatter_between_days_counts_beside_scatter_within() {
    let means = dvector![
        172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0
    ];
    let within: [f64; 10] = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
    let pooled = (within.iter().map(|s| s * s).sum::<f64>() / 10.0).sqrt();
    let fit = solve_linear(&DMatrix::from_element(10, 1, 1.0), &means, None).unwrap();
    let between = fit.residual_standard_deviation().unwrap();
    assert!((fit.parameters[0] - 97.1).abs() < 1e-9);
    assert!((between - 57.0895).abs() < 1e-4, "{between}");
    assert!((pooled - 84.887).abs() < 1e-3, "{pooled}");
    let ratio = 5.0 * (between / pooled).powi(2);
    assert!((ratio - 2.26152).abs() < 1e-4, "{ratio}");
    assert!(ratio > f_quantile(0.95, 9.0, 40.0).unwrap());
    let u = fit.standard_uncertainties().unwrap()[0];
    assert!((u - 57.0895 / 10.0_f64.sqrt()).abs() < 1e-4, "{u}");
}
