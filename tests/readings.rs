//! Stillness, averages and qualities, on made-up sensors whose truth is known.

use proptest::prelude::*;
use rand::{Rng as _, SeedableRng as _, rngs::StdRng};
use rand_distr::{Distribution as _, Normal, StandardNormal};
use stillheight::drivers::{DeviceIdentity, Heard, Remark, Sample, SampleKind, Source};
use stillheight::quantity::{Moment, Point, Span};
use stillheight::readings::{
    Bench, Calibration, Channel, Distrust, Gate, MAD_SCALE, Notice, Quality, RStatistic, average,
    hampel, slope, successive_sd,
};
use stillheight::sheet::{Connection, Measurand, Protocol, Sensor, TiltOn};

const MM: f64 = 1e-3;

fn close(a: f64, b: f64, tolerance: f64, why: &str) {
    assert!((a - b).abs() <= tolerance, "{a} is not {b}: {why}");
}

mod r_statistic {
    use super::*;

    /// Quantiles of R for pure noise by a run of our own, fixed seed.
    ///
    /// Source of the 95 % value about 1.44 for the factors 0.2, 0.1, 0.1: S. Cao,
    /// R. R. Rhinehart, J. Process Control 7(2), 149-152 (1997), from memory; the
    /// other quantiles are a simulation of 1e6 independent draws made apart from
    /// this code. Tolerance: 40 000 values, each 50 values after the one
    /// before and so nearly independent; standard error of the 95 % quantile
    /// sqrt(0.05 * 0.95 / 40 000) / density 0.35 = 0.003, four of them, and
    /// 0.01 at 99.5 % for the thin tail, three of them.
    #[test]
    fn quantiles_of_pure_noise() {
        for (factors, expected) in [
            (
                [0.2, 0.1, 0.1],
                [
                    (0.05, 0.770, 0.012),
                    (0.5, 1.0, 0.012),
                    (0.95, 1.438, 0.012),
                    (0.995, 1.852, 0.03),
                ],
            ),
            (
                [0.05, 0.05, 0.05],
                [
                    (0.05, 0.803, 0.012),
                    (0.5, 1.0, 0.012),
                    (0.95, 1.327, 0.012),
                    (0.995, 1.609, 0.03),
                ],
            ),
        ] {
            let mut noise = StdRng::seed_from_u64(20);
            let [l1, l2, l3] = factors;
            let mut r = RStatistic::new(l1, l2, l3);
            let mut values = Vec::new();
            for i in 0..40_000 * 50 + 1000 {
                r.push(StandardNormal.sample(&mut noise));
                if i >= 1000 && i % 50 == 0 {
                    values.push(r.value().unwrap());
                }
            }
            values.sort_by(f64::total_cmp);
            for (share, quantile, tolerance) in expected {
                #[allow(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "an index"
                )]
                let found = values[(share * values.len() as f64) as usize];
                close(found, quantile, tolerance, &format!("{factors:?} {share}"));
            }
        }
    }

    /// The order in which v and f are brought up to date, by hand: with f
    /// brought up to date first, v would be 0.064 and not 0.1.
    #[test]
    fn v_uses_the_filtered_value_from_before() {
        let mut r = RStatistic::usual();
        r.push(0.0);
        r.push(1.0);
        // v = 0.1 * 1, d = 0.1 * 1, R = 1.8.
        close(r.value().unwrap(), 1.8, 1e-12, "first step by hand");
        r.push(1.0);
        // f was 0.2: v = 0.1 * 0.64 + 0.9 * 0.1 = 0.154; d = 0.09.
        close(
            r.value().unwrap(),
            1.8 * 0.154 / 0.09,
            1e-12,
            "second step by hand",
        );
    }

    #[test]
    fn a_constant_says_nothing_without_a_floor_and_one_with_it() {
        let mut r = RStatistic::usual();
        for _ in 0..50 {
            r.push(3.0);
        }
        assert_eq!(r.value(), None);
        close(
            r.value_with_floor(0.1).unwrap(),
            1.0,
            1e-12,
            "by definition",
        );
    }

    #[test]
    fn a_ramp_is_far_beyond_the_limit() {
        let mut noise = StdRng::seed_from_u64(1);
        let mut r = RStatistic::usual();
        for i in 0..100 {
            let x: f64 = StandardNormal.sample(&mut noise);
            r.push(x + f64::from(i));
        }
        assert!(r.value().unwrap() > 5.0);
    }
}

mod outliers {
    use super::*;

    /// Source: the constant is 1/0.674489750196, the 0.75 quantile of the
    /// normal distribution; median absolute deviation of the series from the
    /// help page of R's `mad`.
    #[test]
    fn scale_of_the_median_deviation() {
        close(MAD_SCALE, 1.0 / 0.674_489_750_196, 1e-11, "quantile");
    }

    /// Source: tests of the repository MichaelisTrofficus/hampel_filter; its
    /// window is the full width and it skips the ends, which changes nothing
    /// in these.
    #[test]
    fn published_small_series() {
        let same = |series: &[f64], half: usize, threshold: f64, expected: &[f64]| {
            let found = hampel(series, half, threshold, 0.0);
            assert_eq!(found.len(), expected.len());
            for (a, b) in found.iter().zip(expected) {
                close(*a, *b, 1e-12, "published");
            }
        };
        let spike = [1., 2., 3., 100., 4., 5., 6.];
        same(&spike, 1, 3.0, &[1., 2., 3., 4., 4., 5., 6.]);
        same(&spike, 1, 5.0, &[1., 2., 3., 4., 4., 5., 6.]);
        let tens = [10., 20., 30., 200., 40., 50., 60.];
        same(&tens, 2, 3.0, &[10., 20., 30., 40., 40., 50., 60.]);
        same(&[1., 100., 3.], 1, 3.0, &[1., 3., 3.]);
        same(&[], 3, 3.0, &[]);
        same(&[42.], 3, 3.0, &[42.]);
    }

    /// Source: `test/runtests.jl` of the repository tobydriscoll/HampelOutliers.jl:
    /// which of seven planted values are changed, by half width and threshold.
    #[test]
    fn published_long_series() {
        let planted = [1, 5, 100, 101, 102, 103, 199];
        let mut series: Vec<f64> = (0..200)
            .map(|i| {
                let t = f64::from(i) * 10.0 / 199.0;
                t.cos() + 0.1 * (4.0 * t).sin()
            })
            .collect();
        for i in planted {
            series[i - 1] = 2.0;
        }
        for (half, threshold, expected) in [
            (3, 2.0, &[1, 5, 199][..]),
            (5, 2.0, &planted[..]),
            (5, 3.0, &[1, 5, 199][..]),
        ] {
            let cleaned = hampel(&series, half, threshold, 0.0);
            let changed: Vec<usize> = (1..=200)
                .filter(|i| (series[i - 1] - cleaned[i - 1]).abs() > 0.0)
                .filter(|i| planted.contains(i))
                .collect();
            assert_eq!(changed, expected, "{half} {threshold}");
        }
    }

    #[test]
    fn equal_values_with_a_floor_make_no_outliers_of_the_next_step() {
        let series = [5.0, 5.0, 5.0, 5.1, 5.0, 5.0];
        assert_eq!(hampel(&series, 3, 3.0, 0.05), series);
        let cleaned = hampel(&series, 3, 3.0, 0.01);
        close(cleaned[3], 5.0, 1e-12, "beyond three floors");
    }
}

mod means {
    use super::*;

    /// Identity behind the windowed check: for white noise the variance and
    /// half the mean square difference estimate the same.
    #[test]
    fn noise_by_differences_does_not_see_a_ramp() {
        let mut noise = StdRng::seed_from_u64(3);
        let normal = Normal::new(0.0, 2.0).unwrap();
        let series: Vec<f64> = (0..20_000)
            .map(|i| normal.sample(&mut noise) + 0.01 * f64::from(i))
            .collect();
        // Standard error of an sd from 20 000 differences: about 0.9 %.
        close(successive_sd(&series, 1).unwrap(), 2.0, 0.05, "simulated");
    }

    /// The scatter of many means against the uncertainty given with them, for
    /// noise without memory and with it (first-order autoregressive, for which
    /// the true correlation length is (1 + a) / (1 - a)). Fixed seed; the
    /// stated bounds are what short series can do: a quarter either way.
    #[test]
    fn uncertainty_of_a_mean_is_honest_with_and_without_memory() {
        for (memory, count) in [(0.0, 30), (0.0, 100), (0.5, 100), (0.8, 100)] {
            let mut noise = StdRng::seed_from_u64(4);
            let mut means = Vec::new();
            let mut variances = 0.0;
            for _ in 0..2000 {
                let mut x: f64 = StandardNormal.sample(&mut noise);
                let innovation = f64::sqrt(1.0 - memory * memory);
                let series: Vec<f64> = (0..count)
                    .map(|_| {
                        let e: f64 = StandardNormal.sample(&mut noise);
                        x = memory * x + innovation * e;
                        x
                    })
                    .collect();
                let found = average(&series).unwrap();
                means.push(found.mean);
                variances += found.u * found.u / 2000.0;
            }
            let scatter = (means.iter().map(|m| m * m).sum::<f64>() / means.len() as f64).sqrt();
            let ratio = variances.sqrt() / scatter;
            assert!(
                (0.75..1.3).contains(&ratio),
                "memory {memory}, {count} values: given / true {ratio}"
            );
        }
    }

    #[test]
    fn too_short_gives_nothing_and_a_constant_no_noise() {
        assert_eq!(average(&[1.0]), None);
        let found = average(&[2.0; 10]).unwrap();
        close(found.mean, 2.0, 1e-15, "constant");
        close(found.u, 0.0, 1e-15, "constant");
        assert_eq!(slope(&[(1.0, 2.0)]), None);
        let line = slope(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]).unwrap();
        close(line.rate, 2.0, 1e-12, "by hand");
        close(line.u_per_noise, 1.0 / 2.0_f64.sqrt(), 1e-12, "by hand");
    }
}

/// A made-up sensor on a channel.
struct Maker {
    channel: Channel,
    noise: StdRng,
    sd: f64,
    step: f64,
    rate_hz: f64,
    t: f64,
    kind: SampleKind,
}

impl Maker {
    fn new(kind: SampleKind, rate_hz: f64, sd: f64, seed: u64) -> Self {
        let calibration = Calibration {
            zero: 0.0,
            zero_uncertainty: 0.0,
            scale_uncertainty: 0.0,
            reversed: false,
            ..Calibration::default()
        };
        Self {
            channel: Channel::new(calibration, Gate::usual(kind)),
            noise: StdRng::seed_from_u64(seed),
            sd,
            step: 0.0,
            rate_hz,
            t: 0.0,
            kind,
        }
    }

    /// Runs for some seconds with a truth over the time since the start of
    /// this stretch; gives the times (in it) at which the channel was still.
    fn run(&mut self, seconds: f64, truth: impl Fn(f64) -> f64) -> Vec<f64> {
        let start = self.t;
        let mut still = Vec::new();
        while self.t - start < seconds {
            let e: f64 = StandardNormal.sample(&mut self.noise);
            let mut value = truth(self.t - start) + self.sd * e;
            if self.step > 0.0 {
                value = (value / self.step).round() * self.step;
            }
            // Arrivals are uneven, up to 16 ms late, as behind USB.
            let late = self.noise.random_range(0.0..0.016);
            let sample = sample(self.kind, value, self.t + late);
            self.channel.push(&sample);
            if self.channel.stillness().still {
                still.push(self.t - start);
            }
            self.t += 1.0 / self.rate_hz;
        }
        still
    }

    fn now(&self) -> Moment {
        moment(self.t)
    }
}

fn moment(t: f64) -> Moment {
    Moment::from_unix_us(1_700_000_000_000_000) + Span::from_s(t)
}

fn sample(kind: SampleKind, value: f64, t: f64) -> Sample {
    Sample {
        source: source(1),
        value,
        kind,
        sequence: None,
        device_time_us: None,
        temperature_c: None,
        trusted: true,
        remark: None,
        at: moment(t),
    }
}

fn source(device: u64) -> Source {
    Source::Wire { device, channel: 0 }
}

/// A damped swing after a step: amplitude in metres, frequency, damping ratio.
fn bob(amplitude: f64, hz: f64, damping: f64) -> impl Fn(f64) -> f64 {
    move |t| {
        let w = std::f64::consts::TAU * hz;
        amplitude * (-damping * w * t).exp() * (w * t).cos()
    }
}

const DEADLINE: Span = Span::from_us(2_000_000);

mod gate {
    use super::*;

    /// What a person at the vehicle needs: not still while it swings, still
    /// soon after. Rates from 5 to 200 a second, several frequencies, dampings
    /// and noises, with and without the noise known from before.
    #[test]
    fn a_swing_is_waited_for_and_not_for_long() {
        let mut longest = [0.0_f64; 2];
        for (seed, rate) in (0..).zip([5.0, 7.3, 10.0, 20.0, 50.0, 200.0]) {
            for hz in [0.8, 1.0, 1.5, 2.0, 2.5] {
                for damping in [0.05, 0.15, 0.3] {
                    for sd in [0.05 * MM, 0.3 * MM] {
                        for known in [true, false] {
                            let mut maker = Maker::new(SampleKind::Distance, rate, sd, seed);
                            if known {
                                assert!(!maker.run(12.0, |_| 0.4).is_empty());
                            }
                            let amplitude = 15.0 * MM;
                            let swing = bob(amplitude, hz, damping);
                            // When what is left of the swing is as small as the
                            // noise of a tenth of a second.
                            let sd = sd / f64::sqrt((rate / 10.0).max(1.0));
                            let w = std::f64::consts::TAU * hz;
                            let visible = (amplitude / sd).ln() / (damping * w);
                            let seconds = visible + 8.0;
                            let still = maker.run(seconds, |t| 0.42 + swing(t));
                            let what = format!(
                                "{rate} a second, {hz} Hz, damping {damping}, noise {sd}, known {known}"
                            );
                            // From memory of the old place the first moments count as still.
                            let first = still.iter().copied().find(|t| *t > 0.6);
                            let first = first.unwrap_or_else(|| panic!("never still: {what}"));
                            // The amplitude left when it is first called still.
                            let left = amplitude * (-damping * w * first).exp();
                            assert!(
                                left < 2.0 * sd.max(0.02 * MM),
                                "still at {first:.2} s with {left} left: {what}"
                            );
                            let longest = &mut longest[usize::from(known)];
                            if first - visible > *longest {
                                *longest = first - visible;
                                eprintln!("wait {longest:.2}: {what}");
                            }
                        }
                    }
                }
            }
        }
        let [unknown, known] = longest;
        assert!(known < 4.5, "slowest {known}");
        assert!(unknown < 6.0, "slowest with the noise unknown {unknown}");
        assert!(known > 0.5, "the longest wait cannot be nothing");
    }

    /// Undamped swings are never still, at any rate, also where the phase step
    /// makes neighbours look alike.
    #[test]
    fn a_lasting_swing_is_never_still() {
        for rate in [5.0, 10.0, 13.0, 100.0] {
            for hz in [0.5, 0.8, 1.0, 1.25, 1.5, 1.7, 2.0, 2.4] {
                let mut maker = Maker::new(SampleKind::Distance, rate, 0.1 * MM, 9);
                let still = maker.run(30.0, bob(3.0 * MM, hz, 0.0));
                assert!(
                    still.is_empty(),
                    "{rate} a second, {hz} Hz: still at {still:?}"
                );
            }
        }
    }

    #[test]
    fn still_stays_still_for_minutes() {
        for (kind, sd, rate) in [
            (SampleKind::Distance, 0.1 * MM, 10.0),
            (SampleKind::Distance, 1.0 * MM, 5.0),
            (SampleKind::Angle, 0.02_f64.to_radians(), 10.0),
            (SampleKind::Angle, 0.003_f64.to_radians(), 100.0),
        ] {
            let mut maker = Maker::new(kind, rate, sd, 11);
            maker.run(6.0, |_| 0.3);
            let still = maker.run(300.0, |_| 0.3);
            let share = still.len() as f64 / (300.0 * rate);
            assert!(
                share > 0.98,
                "{kind:?} {sd} {rate}: still {share} of the time"
            );
        }
    }

    #[test]
    fn slow_creep_is_let_pass_and_faster_is_not() {
        let mut slow = Maker::new(SampleKind::Distance, 10.0, 0.05 * MM, 12);
        slow.run(6.0, |_| 0.3);
        let still = slow.run(60.0, |t| 0.3 - 0.015 * MM * t);
        assert!(still.len() > 580, "{}", still.len());
        let mut fast = Maker::new(SampleKind::Distance, 10.0, 0.05 * MM, 12);
        fast.run(6.0, |_| 0.3);
        let still = fast.run(60.0, |t| 0.3 - 0.2 * MM * t);
        // The first moments until it shows.
        assert!(still.iter().all(|t| *t < 3.0), "{still:?}");
    }

    /// Somebody gets on: it must be seen within half a second.
    #[test]
    fn a_step_is_seen_at_once() {
        for rate in [5.0, 10.0, 50.0] {
            let mut maker = Maker::new(SampleKind::Distance, rate, 0.1 * MM, 13);
            maker.run(10.0, |_| 0.4);
            let still = maker.run(2.0, |_| 0.39);
            let last = still.last().copied().unwrap_or(0.0);
            assert!(last < 0.85, "{rate}: still {last} s after the step");
        }
    }

    #[test]
    fn values_without_any_noise_come_still() {
        let mut maker = Maker::new(SampleKind::Distance, 10.0, 0.0, 1);
        let still = maker.run(6.0, |_| 0.4);
        let first = still.first().copied().unwrap();
        assert!((2.0..4.0).contains(&first), "{first}");
        let reading = maker.channel.reading(0, maker.now(), DEADLINE);
        assert_eq!(reading.quality, Quality::Good);
        close(reading.value, 0.4, 1e-12, "constant");
    }

    /// A device that shows whole millimetres and stands between two of them.
    #[test]
    fn coarse_steps_come_still_with_the_uncertainty_of_the_step() {
        let mut maker = Maker::new(SampleKind::Distance, 10.0, 0.02 * MM, 2);
        maker.step = 1.0 * MM;
        maker.channel.set_resolution(1.0 * MM);
        let still = maker.run(20.0, |_| 0.4003);
        assert!(still.len() > 150);
        let reading = maker.channel.reading(0, maker.now(), DEADLINE);
        // Rectangular distribution of half width a: a / sqrt 3.
        close(
            reading.noise_u,
            0.5 * MM / 3.0_f64.sqrt(),
            1e-9,
            "GUM 4.3.7, rounding",
        );
    }

    #[test]
    fn single_outliers_do_not_unsettle() {
        let mut maker = Maker::new(SampleKind::Distance, 10.0, 0.1 * MM, 21);
        maker.run(8.0, |_| 0.4);
        // A stray echo every three seconds, for one sample.
        let still = maker.run(60.0, |t| if (t % 3.0) < 0.099 { 0.9 } else { 0.4 });
        assert!(still.len() > 590, "{} of 600", still.len());
        let reading = maker.channel.reading(0, maker.now(), DEADLINE);
        assert_eq!(reading.quality, Quality::Good);
        assert!(
            (reading.value - 0.4).abs() < 4.0 * reading.noise_u,
            "{reading:?}"
        );
    }

    /// A grinder runs nearby: noise five times as big, for good.
    #[test]
    fn noise_that_has_grown_for_good_is_accepted_after_a_while() {
        let mut maker = Maker::new(SampleKind::Angle, 10.0, 0.01_f64.to_radians(), 22);
        assert!(!maker.run(8.0, |_| 0.02).is_empty());
        maker.sd = 0.05_f64.to_radians();
        let still = maker.run(40.0, |_| 0.02);
        assert!(still.iter().any(|t| *t > 8.0));
        assert!(
            !still.iter().any(|t| (3.0..7.0).contains(t)),
            "not at once: {still:?}"
        );
    }

    /// The 95 % interval of what would be kept, over many stretches.
    #[test]
    fn what_is_kept_holds_the_truth() {
        let mut inside = 0;
        let mut waiting = 0;
        for seed in 0..400 {
            let mut maker = Maker::new(SampleKind::Distance, 10.0, 0.2 * MM, seed);
            maker.run(9.0, |t| 0.4 + bob(5.0 * MM, 1.5, 0.25)(t));
            let reading = maker.channel.reading(0, maker.now(), DEADLINE);
            if reading.quality != Quality::Good {
                waiting += 1;
                continue;
            }
            assert!(reading.samples > 20);
            if (reading.value - 0.4).abs() <= 1.96 * reading.noise_u {
                inside += 1;
            }
        }
        // An unlucky stretch of noise may look like motion now and then.
        assert!(
            waiting <= 8,
            "{waiting} of 400 not still after five seconds"
        );
        // Binomial with 0.95: 380 and 4.4; the uncertainty errs on the big side.
        assert!((362..=398).contains(&inside), "{inside} of 400");
    }

    #[test]
    fn a_device_that_says_it_has_not_settled_is_not_still() {
        let mut maker = Maker::new(SampleKind::Angle, 10.0, 1e-4, 5);
        maker.run(6.0, |_| 0.1);
        let mut doubtful = sample(SampleKind::Angle, 0.1, maker.t);
        doubtful.remark = Some(Remark::NotSettled);
        maker.channel.push(&doubtful);
        assert!(!maker.channel.stillness().still);
    }

    #[test]
    fn the_same_samples_give_the_same_to_the_last_digit() {
        let run = || {
            let mut maker = Maker::new(SampleKind::Angle, 17.0, 1e-4, 6);
            maker.run(20.0, |t| 0.1 * (-t).exp());
            maker.channel.reading(0, maker.now(), DEADLINE)
        };
        let (one, two) = (run(), run());
        assert_eq!(one.value.to_bits(), two.value.to_bits());
        assert_eq!(one.noise_u.to_bits(), two.noise_u.to_bits());
    }
}

mod bench {
    use super::*;

    fn sensor(name: &str, protocol: Protocol, reads: Measurand) -> Sensor {
        Sensor {
            name: name.into(),
            connection: Connection {
                port: None,
                baud: 115_200,
                protocol,
            },
            reads,
            zero: 0.0,
            zero_uncertainty: 0.0,
            scale_uncertainty: 0.0,
            deadline_s: 1.0,
        }
    }

    fn tilt(device: u64) -> Sensor {
        sensor(
            "across",
            Protocol::Wire { device, channel: 0 },
            Measurand::Tilt {
                on: TiltOn::FrameRoll,
                reversed: false,
            },
        )
    }

    fn height(device: u64) -> Sensor {
        sensor(
            "rear left",
            Protocol::Wire { device, channel: 0 },
            Measurand::FrameToFloor {
                from: Point::default(),
            },
        )
    }

    fn heard(device: u64, kind: SampleKind, value: f64, t: f64) -> Heard {
        Heard::Sample(Sample {
            source: source(device),
            ..sample(kind, value, t)
        })
    }

    fn identity(device: u64, kind: Option<SampleKind>, t: f64) -> Heard {
        Heard::Identity(Box::new(DeviceIdentity {
            source: source(device),
            channels: 1,
            kind,
            words: "made up".into(),
            resolution: None,
            range: None,
            firmware: "1.0.0".into(),
            rate_hz: 10.0,
            fastest_hz: None,
            sets_rate: false,
            blinks: false,
            at: moment(t),
        }))
    }

    #[test]
    fn never_heard_then_live_then_silent_and_never_zero() {
        let mut bench = Bench::new(&[tilt(1)], &[Some(0)]);
        let reading = &bench.readings(moment(0.0))[0];
        assert_eq!(reading.quality, Quality::NeverHeard);
        assert!(reading.value.is_nan(), "never a zero");
        bench.hear(0, &heard(1, SampleKind::Angle, 0.25, 1.0));
        let reading = &bench.readings(moment(1.5))[0];
        assert_eq!(reading.quality, Quality::Moving);
        close(reading.value, 0.25, 1e-12, "as sent");
        let reading = &bench.readings(moment(2.5))[0];
        assert_eq!(reading.quality, Quality::Silent { since: moment(1.0) });
        assert!(!reading.is_live());
        assert_eq!(bench.kept_ready(moment(2.5)).missing, [0]);
    }

    #[test]
    fn slack_makes_the_deadline_longer() {
        let mut bench = Bench::new(&[tilt(1)], &[]).with_slack(Span::from_s(4.0));
        bench.hear(0, &heard(1, SampleKind::Angle, 0.25, 1.0));
        assert_eq!(bench.readings(moment(5.9))[0].quality, Quality::Moving);
        assert!(matches!(
            bench.readings(moment(6.1))[0].quality,
            Quality::Silent { .. }
        ));
    }

    /// A computer that was busy takes a second and a half of samples at once:
    /// by the device's clock nothing is missing.
    #[test]
    fn bunched_arrivals_do_not_end_stillness() {
        let mut bench = Bench::new(&[tilt(1)], &[]);
        for i in 0..100_u32 {
            let t = f64::from(i) * 0.1;
            let late = if (50..70).contains(&i) { 7.0 } else { t };
            bench.hear(
                0,
                &Heard::Sample(Sample {
                    device_time_us: Some(u64::from(i) * 100_000),
                    ..sample(
                        SampleKind::Angle,
                        0.1 + 1e-5 * f64::from(i % 3),
                        t.max(late),
                    )
                }),
            );
            if i > 40 {
                assert!(bench.stillness(0).unwrap().still, "{i}");
            }
        }
    }

    #[test]
    fn zero_scale_and_direction() {
        let mut turned = tilt(1);
        turned.zero = 0.1;
        turned.zero_uncertainty = 0.003;
        turned.scale_uncertainty = 0.02;
        turned.reads = Measurand::Tilt {
            on: TiltOn::FrameRoll,
            reversed: true,
        };
        let mut bench = Bench::new(&[turned], &[]);
        bench.hear(7, &heard(1, SampleKind::Angle, 0.3, 0.0));
        let reading = &bench.readings(moment(0.0))[0];
        // -(0.3 - 0.1); u = sqrt(0.003² + (0.02 * 0.2)²) = 0.005.
        close(reading.value, -0.2, 1e-12, "by hand");
        close(reading.zero_u, 0.005, 1e-12, "by hand");
    }

    #[test]
    fn an_inclinometer_in_place_of_a_distance_is_the_wrong_kind() {
        let mut bench = Bench::new(&[height(1)], &[]);
        bench.hear(0, &identity(1, Some(SampleKind::Angle), 0.0));
        bench.hear(0, &heard(1, SampleKind::Angle, 0.3, 0.1));
        assert_eq!(bench.readings(moment(0.2))[0].quality, Quality::WrongKind);
        assert_eq!(
            bench.notices(moment(0.2))[0].words(&[height(1)]),
            "sensor 'rear left' should give a distance, and its device does not"
        );
        assert!(matches!(
            bench.notices(moment(0.2))[..],
            [Notice::WrongKind {
                sensor: 0,
                due: SampleKind::Distance
            }]
        ));
        // The right one is plugged in.
        bench.hear(0, &identity(1, Some(SampleKind::Distance), 1.0));
        bench.hear(0, &heard(1, SampleKind::Distance, 0.3, 1.1));
        assert_eq!(bench.readings(moment(1.2))[0].quality, Quality::Moving);
        assert!(bench.notices(moment(1.2)).is_empty());
    }

    #[test]
    fn values_in_steps_of_unknown_size_are_the_wrong_kind() {
        let mut bench = Bench::new(&[height(1)], &[]);
        bench.hear(0, &identity(1, None, 0.0));
        assert_eq!(bench.readings(moment(0.2))[0].quality, Quality::WrongKind);
    }

    #[test]
    fn a_device_that_is_not_in_the_sheet_is_shown_with_its_number() {
        let mut bench = Bench::new(&[tilt(1)], &[Some(0)]);
        bench.hear(4, &identity(0xABCD, Some(SampleKind::Distance), 0.0));
        bench.hear(4, &heard(0xABCD, SampleKind::Distance, 0.3, 0.1));
        let notices = bench.notices(moment(0.2));
        let [Notice::Stranger(stranger)] = &notices[..] else {
            panic!("{notices:?}");
        };
        assert_eq!(stranger.source.to_string(), "0x000000000000abcd/0");
        assert_eq!((stranger.port, stranger.samples), (4, 1));
        assert_eq!(
            notices[0].words(&[]),
            "device '0x000000000000abcd/0' is not in the sheet; it gives distance"
        );
        assert_eq!(stranger.identity.as_ref().unwrap().firmware, "1.0.0");
        bench.port_gone(4);
        assert!(bench.notices(moment(0.3)).is_empty());
    }

    #[test]
    fn two_devices_with_one_number_are_both_refused() {
        let mut bench = Bench::new(&[tilt(1)], &[]);
        for i in 0..40 {
            let t = f64::from(i) * 0.1;
            bench.hear(0, &heard(1, SampleKind::Angle, 0.1, t));
            bench.hear(1, &heard(1, SampleKind::Angle, 0.5, t + 0.05));
        }
        let reading = &bench.readings(moment(4.0))[0];
        assert_eq!(reading.quality, Quality::Untrusted(Distrust::TwoDevices));
        assert!(matches!(
            &bench.notices(moment(4.0))[..],
            [Notice::TwoDevices { ports, .. }] if ports[..] == [0, 1]
        ));
        // One is unplugged: a little later the other is believed.
        for i in 41..80 {
            bench.hear(0, &heard(1, SampleKind::Angle, 0.1, f64::from(i) * 0.1));
        }
        let reading = &bench.readings(moment(8.0))[0];
        assert_eq!(reading.quality, Quality::Moving);
        close(reading.value, 0.1, 1e-12, "the one that is left");
    }

    #[test]
    fn a_device_may_come_back_on_another_port() {
        let mut bench = Bench::new(&[tilt(1)], &[Some(0)]);
        bench.hear(0, &heard(1, SampleKind::Angle, 0.1, 0.0));
        bench.port_gone(0);
        bench.hear(1, &heard(1, SampleKind::Angle, 0.2, 0.5));
        let reading = &bench.readings(moment(0.6))[0];
        assert_eq!(reading.quality, Quality::Moving);
    }

    #[test]
    fn what_was_unplugged_has_to_come_still_anew() {
        let mut bench = Bench::new(&[tilt(1)], &[Some(0)]);
        let say = |bench: &mut Bench, from: i32, to: i32| {
            for i in from..to {
                bench.hear(0, &heard(1, SampleKind::Angle, 0.1, f64::from(i) * 0.1));
            }
        };
        say(&mut bench, 0, 40);
        assert_eq!(bench.readings(moment(4.0))[0].quality, Quality::Good);
        bench.port_gone(0);
        // Back within the time in which silence is not noticed.
        say(&mut bench, 45, 60);
        assert_eq!(bench.readings(moment(6.0))[0].quality, Quality::Moving);
        say(&mut bench, 60, 90);
        assert_eq!(bench.readings(moment(9.0))[0].quality, Quality::Good);
    }

    #[test]
    fn names_are_one_on_their_port_only() {
        let named = |port| {
            let mut sensor = height(0);
            sensor.connection.protocol = Protocol::Xdr {
                transducer: "RL".into(),
            };
            sensor.connection.port = Some(port);
            sensor
        };
        let mut bench = Bench::new(
            &[named("/dev/a".into()), named("/dev/b".into())],
            &[Some(0), Some(1)],
        );
        let say = |value, t| {
            Heard::Sample(Sample {
                source: Source::Named("RL".into()),
                ..sample(SampleKind::Distance, value, t)
            })
        };
        // The check of a sentence is weak: the first value waits for the second.
        for t in [0.0, 0.1] {
            bench.hear(0, &say(0.3, t));
            bench.hear(1, &say(0.4, t));
        }
        let readings = bench.readings(moment(0.2));
        close(readings[0].value, 0.3, 1e-12, "first port");
        close(readings[1].value, 0.4, 1e-12, "second port");
        assert!(bench.notices(moment(0.2)).is_empty());
    }

    /// One damaged sentence in 256 passes its check of eight bits.
    #[test]
    fn a_single_far_value_of_a_sentence_is_not_read() {
        let read = |protocol: Option<Protocol>, source: Source| {
            let mut sensor = height(1);
            sensor.connection.protocol = protocol.unwrap_or(sensor.connection.protocol);
            let mut bench = Bench::new(&[sensor], &[Some(0)]);
            let mut worst = 0.0_f64;
            for n in 0..60 {
                let t = 0.1 * f64::from(n);
                // Before it is known to be still, when no mean puts it aside.
                let value = if n == 8 { 0.9 } else { 0.4 };
                let sample = Sample {
                    source: source.clone(),
                    ..sample(SampleKind::Distance, value, t)
                };
                bench.hear(0, &Heard::Sample(sample));
                let reading = &bench.readings(moment(t))[0];
                if reading.value.is_finite() {
                    worst = worst.max((reading.value - 0.4).abs());
                }
            }
            worst
        };
        let name = "RL";
        let transducer = Protocol::Xdr {
            transducer: name.into(),
        };
        let weak = read(Some(transducer), Source::Named(name.into()));
        assert!(weak < 1e-9, "{weak}");
        // With a check of sixteen bits it is believed.
        let strong = read(None, source(1));
        assert!(strong > 0.1, "{strong}");
    }

    #[test]
    fn two_sensors_of_the_sheet_with_one_name() {
        let bench = Bench::new(&[tilt(5), height(5)], &[Some(0), Some(1)]);
        assert!(matches!(
            bench.notices(moment(0.0))[..],
            [Notice::TwoSensors {
                first: 0,
                second: 1
            }]
        ));
    }

    #[test]
    fn no_echo_for_long_is_said_and_now_and_then_is_not() {
        let mut bench = Bench::new(&[height(1)], &[]);
        let no_echo = |t| {
            Heard::Sample(Sample {
                trusted: false,
                remark: Some(Remark::NoSignal),
                source: source(1),
                ..sample(SampleKind::Distance, 0.0, t)
            })
        };
        for i in 0..100 {
            let t = f64::from(i) * 0.1;
            if i % 10 == 5 {
                bench.hear(0, &no_echo(t));
            } else {
                bench.hear(0, &heard(1, SampleKind::Distance, 0.3, t));
            }
        }
        let reading = &bench.readings(moment(9.95))[0];
        assert_eq!(reading.quality, Quality::Good);
        close(reading.value, 0.3, 1e-12, "never the zero of no echo");
        for i in 100..110 {
            bench.hear(0, &no_echo(f64::from(i) * 0.1));
        }
        assert_eq!(
            bench.readings(moment(11.0))[0].quality,
            Quality::Untrusted(Distrust::Device(Remark::NoSignal))
        );
    }

    #[test]
    fn may_keep_when_all_that_speak_are_still() {
        let mut bench = Bench::new(&[tilt(1), height(2), height(3)], &[]);
        assert!(!bench.kept_ready(moment(0.0)).may_keep());
        for i in 0..60 {
            let t = f64::from(i) * 0.1;
            bench.hear(0, &heard(1, SampleKind::Angle, 0.01, t));
            let swing = 0.3 + 0.01 * (9.0 * t).sin();
            bench.hear(1, &heard(2, SampleKind::Distance, swing, t));
        }
        let ready = bench.kept_ready(moment(5.95));
        assert_eq!(
            (&ready.still[..], &ready.moving[..], &ready.missing[..]),
            (&[0][..], &[1][..], &[2][..])
        );
        assert!(!ready.may_keep());
        for i in 60..120 {
            let t = f64::from(i) * 0.1;
            bench.hear(0, &heard(1, SampleKind::Angle, 0.01, t));
            bench.hear(1, &heard(2, SampleKind::Distance, 0.3, t));
        }
        assert!(bench.kept_ready(moment(11.95)).may_keep());
    }
}

proptest! {
    /// Whatever comes, in whatever order of time: no panic, and what counts as
    /// still has a value and an uncertainty.
    #[test]
    fn prop_any_samples_never_panic(
        samples in prop::collection::vec(
            (any::<f64>(), -5.0_f64..60.0, prop::option::of(any::<u64>()), any::<bool>()),
            0..200,
        ),
        steady in 0_u32..80,
    ) {
        let mut maker = Maker::new(SampleKind::Distance, 10.0, 0.1 * MM, 1);
        for (value, t, device_time_us, trusted) in samples {
            maker.channel.push(&Sample {
                device_time_us,
                trusted,
                ..sample(SampleKind::Distance, value, t)
            });
            let reading = maker.channel.reading(0, moment(t), DEADLINE);
            if reading.quality == Quality::Good {
                prop_assert!(reading.value.is_finite() && reading.noise_u.is_finite());
            }
        }
        maker.t = 100.0;
        maker.run(f64::from(steady) * 0.1, |_| 0.4);
        let reading = maker.channel.reading(0, maker.now(), DEADLINE);
        if reading.quality == Quality::Good {
            prop_assert!((reading.value - 0.4).abs() < 1.0 * MM);
        }
    }
}
