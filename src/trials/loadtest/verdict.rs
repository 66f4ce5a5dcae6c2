//! Catalogue against measured rate, and what the pattern looks like.

use super::failure::LoadTestError;
use super::finding::{Estimate, Finding, Key};
use super::identify::Identified;
use super::setup::Setup;
use crate::compare::COVERAGE_95;
use crate::sheet::BuildSheet;
use crate::statics::Model;

/// Whether a measured rate agrees with the catalogue at 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// The difference is within what both are unsure of, and the test tells enough to say so.
    Agrees,
    /// The difference is beyond it.
    Differs,
    /// The test tells less than the catalogue does.
    CannotTell,
}

impl Agreement {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Agrees => "agrees",
            Self::Differs => "differs",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// A rate held against the catalogue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateVerdict {
    /// [`Key::AxleRate`] or [`Key::UnitRate`].
    pub key: Key,
    /// Catalogue rate along the unit at the bare vehicle's length, N/m (mean
    /// over the axle), with its standard uncertainty.
    pub catalogue: Estimate,
    /// What the test alone says of it.
    pub measured: Option<Estimate>,
    /// Catalogue and test together.
    pub together: Estimate,
    /// Difference in combined standard uncertainties, measured less catalogue.
    pub sigmas: f64,
    /// What can be said at 95 %.
    pub agreement: Agreement,
}

/// A cause that the pattern points to.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// A stable code, for example `friction_large`.
    pub code: &'static str,
    /// In words, with its numbers.
    pub text: String,
    /// How far the number stands out, in standard deviations: the order of likelihood.
    pub sigmas: f64,
}

/// The verdict on a load test.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// By axle, then by spring.
    pub rates: Vec<RateVerdict>,
    /// What it looks like, the likeliest first; empty where all is as the sheet has it.
    pub causes: Vec<Cause>,
}

/// How far off in combined standard uncertainties a finding is: the test alone
/// against what was known before.
fn off(f: &Finding) -> Option<(Estimate, f64)> {
    let a = f.alone?;
    Some((
        a,
        (a.value - f.before.value) / a.uncertainty.hypot(f.before.uncertainty),
    ))
}

/// Holds catalogue rates against the test and names causes.
///
/// # Method
/// 1. The test alone (without the catalogue) gives a rate with its uncertainty;
///    it differs from the catalogue where the difference is beyond 1.96 combined
///    standard uncertainties; where the test tells less than half, nobody can tell.
/// 2. Every cause has a number of the identification tied to it, and is named
///    where that number is beyond the same limit; the order is by how far.
///
/// # Errors
/// Where the bare vehicle of the sheet has no rest.
pub fn verdict(sheet: &BuildSheet, identified: &Identified) -> Result<Verdict, LoadTestError> {
    let setup = identified.frame(sheet);
    let nominal = Model::new(sheet, &[]);
    let rest = nominal.equilibrium()?;
    let pose = nominal.pose(&rest.state);
    let catalogue: Vec<f64> = nominal
        .units
        .iter()
        .map(|u| u.spring_rate(u.length(&pose)))
        .collect();
    let mean = |axle: usize| {
        let of: Vec<f64> = (0..catalogue.len())
            .filter(|&u| nominal.units[u].axle == axle)
            .map(|u| catalogue[u])
            .collect();
        of.iter().sum::<f64>() / of.len() as f64
    };
    let rates = identified
        .findings
        .iter()
        .filter_map(|f| match f.key {
            Key::AxleRate(i) => Some((f, mean(i))),
            Key::UnitRate(u) => Some((f, catalogue[u])),
            _ => None,
        })
        .map(|(f, rate)| {
            let times = |e: Estimate| Estimate {
                value: e.value * rate,
                uncertainty: e.uncertainty * rate,
            };
            let sigmas = off(f).map_or(0.0, |(_, s)| s);
            let agreement = if sigmas.abs() > COVERAGE_95 {
                Agreement::Differs
            } else if f
                .alone
                .is_some_and(|a| a.uncertainty <= f.before.uncertainty)
            {
                Agreement::Agrees
            } else {
                Agreement::CannotTell
            };
            RateVerdict {
                key: f.key,
                catalogue: times(f.before),
                measured: f.alone.map(times),
                together: times(Estimate {
                    value: f.value,
                    uncertainty: f.uncertainty,
                }),
                sigmas,
                agreement,
            }
        })
        .collect();
    let mut causes = sensors(sheet, identified);
    causes.extend(springs(sheet, identified, &setup, &nominal)?);
    causes.extend(others(sheet, identified));
    causes.sort_by(|a, b| b.sigmas.total_cmp(&a.sigmas));
    Ok(Verdict { rates, causes })
}

fn sensors(sheet: &BuildSheet, identified: &Identified) -> Vec<Cause> {
    let name = |i: usize| sheet.sensors.get(i).map_or("?", |s| s.name.as_str());
    let shown = |i: usize, off: f64| match sheet.sensors.get(i).map(|s| &s.reads) {
        Some(crate::sheet::Measurand::Tilt { .. }) => format!("{:+.2} deg", off.to_degrees()),
        _ => format!("{:+.1} mm", off * 1e3),
    };
    let slips = identified.slips.iter().map(|s| Cause {
        code: "sensor_slipped",
        text: format!(
            "sensor '{}' reads {} from step {} on: it slipped or was knocked; fasten it and take its zero again",
            name(s.sensor),
            shown(s.sensor, s.off),
            s.before_step + 1
        ),
        sigmas: s.sigmas.abs(),
    });
    let misfits = identified.misfits.iter().map(|m| Cause {
        code: "reading_odd",
        text: format!(
            "the reading of '{}' in step {} is {} off all others and was left out: a foot on the spot, or read before it was still",
            name(m.sensor),
            m.step + 1,
            shown(m.sensor, m.off)
        ),
        sigmas: m.sigmas.abs(),
    });
    slips.chain(misfits).collect()
}

fn springs(
    sheet: &BuildSheet,
    identified: &Identified,
    setup: &Setup,
    nominal: &Model,
) -> Result<Vec<Cause>, LoadTestError> {
    let mut causes = Vec::new();
    for (i, axle) in sheet.axles.iter().enumerate() {
        let both = identified.get(Key::AxleRate(i)).and_then(off);
        let apart = identified.get(Key::SideRate(i)).and_then(off);
        if let Some((a, s)) = apart.filter(|(_, s)| s.abs() > COVERAGE_95) {
            let (stiffer, softer) = if a.value > 0.0 {
                ("left", "right")
            } else {
                ("right", "left")
            };
            causes.push(Cause {
                code: "rate_one_side",
                text: format!(
                    "{}: the {stiffer} spring is {:.0} ± {:.0} % stiffer than the {softer} one: another spring on one side, or a coil that touches",
                    axle.name,
                    a.value.abs() * 100.0,
                    a.uncertainty * 100.0 * COVERAGE_95
                ),
                sigmas: s.abs(),
            });
        }
        let Some((a, s)) = both.filter(|(_, s)| s.abs() > COVERAGE_95) else {
            continue;
        };
        let way = if a.value > 1.0 { "stiffer" } else { "softer" };
        causes.push(Cause {
            code: "rate_both_sides",
            text: format!(
                "{}: both springs together are {:.0} ± {:.0} % {way} than the catalogue: other springs, or a lean or motion ratio that is not as in the sheet",
                axle.name,
                (a.value - 1.0).abs() * 100.0,
                a.uncertainty * 100.0 * COVERAGE_95
            ),
            sigmas: s.abs(),
        });
        if let Some((change, u)) = height_change(sheet, identified, setup, nominal, i)?
            && change.abs() < COVERAGE_95 * u
        {
            causes.push(Cause {
                code: "height_right_rate_wrong",
                text: format!(
                    "{}: bare, it stands where the sheet has it ({:+.1} ± {:.1} mm) although the rate is not: preload or weight makes up for it, and it will be off once loaded",
                    axle.name,
                    change * 1e3,
                    u * 1e3 * COVERAGE_95
                ),
                // As sure as the rate it goes with, but after it.
                sigmas: s.abs() * 0.999,
            });
        }
    }
    for (u, unit) in nominal.units.iter().enumerate() {
        if let Some(f) = identified.get(Key::Seat(u)) {
            let sigmas = (f.value - f.before.value) / f.before.uncertainty;
            if sigmas.abs() > COVERAGE_95 {
                let way = if f.value > 0.0 { "higher" } else { "lower" };
                causes.push(Cause {
                    code: "seat_off",
                    text: format!(
                        "{}: the spring sits {:.1} ± {:.1} mm {way} than the sheet says: collar, free length or mount",
                        unit.name,
                        f.value.abs() * 1e3,
                        f.uncertainty * 1e3 * COVERAGE_95
                    ),
                    sigmas: sigmas.abs(),
                });
            }
        }
    }
    Ok(causes)
}

/// Height over an axle, bare: identified less the sheet's, with its uncertainty.
fn height_change(
    sheet: &BuildSheet,
    identified: &Identified,
    setup: &Setup,
    nominal: &Model,
    axle: usize,
) -> Result<Option<(f64, f64)>, LoadTestError> {
    let at = [sheet.axles[axle].x.m(), 0.0, 0.0];
    let mut model = identified.model.clone();
    setup.load(&mut model, &[]);
    let (now, then) = (model.equilibrium()?, nominal.equilibrium()?);
    let (moves, _) = setup.moves(&model, &now);
    let (_, g) = crate::geometry::gradient(
        |x| crate::geometry::FramePose::new(x).height(at),
        &now.state,
    );
    let slope = g.transpose() * moves;
    let variance = (&slope * &identified.covariance * slope.transpose())[0] * identified.stretch;
    Ok(Some((
        now.frame().height(at) - then.frame().height(at),
        variance.max(0.0).sqrt(),
    )))
}

fn others(sheet: &BuildSheet, identified: &Identified) -> Vec<Cause> {
    let mut causes = Vec::new();
    for band in &identified.friction {
        let Some((a, s)) = identified.get(Key::Friction(band.axle)).and_then(off) else {
            continue;
        };
        if s > COVERAGE_95 {
            causes.push(Cause {
                code: "friction_large",
                text: format!(
                    "{}: friction is {:.0} ± {:.0} N along each unit (±{:.1} mm of height): bushings clamped away from ride height, mounts that bind, or a bent damper",
                    sheet.axles[band.axle].name,
                    a.value,
                    a.uncertainty * COVERAGE_95,
                    band.height_m * 1e3
                ),
                sigmas: s,
            });
        }
    }
    if let Some(f) = identified.get(Key::Weight) {
        let sigmas = (f.value - f.before.value) / f.before.uncertainty;
        if sigmas.abs() > COVERAGE_95 {
            causes.push(Cause {
                code: "weight_off",
                text: format!(
                    "the sprung weight is {:.0} ± {:.0} kg rather than {:.0} kg: something is on the frame that the sheet does not know, or not yet on it",
                    f.value,
                    f.uncertainty * COVERAGE_95,
                    f.before.value
                ),
                sigmas: sigmas.abs(),
            });
        }
    }
    for (name, f) in &identified.bodies {
        let sigmas = if f.before.uncertainty > 0.0 {
            (f.value - f.before.value) / f.before.uncertainty
        } else {
            0.0
        };
        if sigmas.abs() > COVERAGE_95 {
            causes.push(Cause {
                code: "load_off",
                text: format!(
                    "'{name}' weighs {:.1} ± {:.1} kg rather than {:.1} kg: weigh it again, clothes and tools included",
                    f.value,
                    f.uncertainty * COVERAGE_95,
                    f.before.value
                ),
                sigmas: sigmas.abs(),
            });
        }
    }
    if !identified.fits() {
        let spread = (2.0 * identified.readings as f64).sqrt();
        causes.push(Cause {
            code: "scatter",
            text: format!(
                "the readings scatter {:.1} times as much as they claim: something moved that nobody told (a brake on, a person shifting, a tyre creeping); all intervals are widened by it",
                identified.stretch.sqrt()
            ),
            sigmas: (identified.chi_square - identified.readings as f64) / spread,
        });
    }
    causes
}
