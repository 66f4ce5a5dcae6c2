//! What is behind a change: springs, a tyre, a sensor that slipped, temperature.
//!
//! In: the kept readings with what each sensor said, and the answers. Out: causes with their
//! evidence. Refused: series too short to say anything.
//!
//! # Method
//! 1. Each sensor's change is the mean of its last readings less that of its first, since the last
//!    entered change; its uncertainty comes from the scatter from one reading to the next.
//! 2. Each cause has a signature: how every sensor would answer to a millimetre less of a spring's
//!    length, of a tyre's radius at one corner, or to that sensor alone having slipped. The first
//!    two come from the model: rest moves by -K^-1 dg/dp, and the sensors with it.
//! 3. Causes are taken up one after another, always the one that takes most from chi-square for
//!    its number of parameters, while that is more than chance would give. A spring or tyre only
//!    loses.
//!    One that the others have made superfluous is dropped again.
//! 4. Temperature is judged by the fits themselves.

use crate::geometry::gradient;
use crate::logbook::{Kept, Unit};
use crate::posture::{PostureState, Prior, predict};
use crate::quantity::Moment;
use crate::report::SettledQuantity;
use crate::sheet::BuildSheet;
use crate::statics::{Model, Parameter};
use crate::trials::settling::Cause;
use nalgebra::{DMatrix, DVector};

/// Fewer readings tell nothing.
const LEAST: usize = 6;
/// Most readings averaged at either end.
const MOST_ENDS: usize = 8;
/// A cause must take so much from chi-square for each of its parameters. Chosen: a chance of
/// about one in ten thousand for one parameter (square of 3.9), times some ten causes tried.
const LEAST_GAIN: f64 = 15.0;
/// Most causes named.
const MOST_CAUSES: usize = 3;
/// Changes below this are not looked into: metres and radians.
const SMALL_M: f64 = 0.3e-3;
/// As above.
const SMALL_RAD: f64 = 0.5e-3;
/// The model is a model: its signatures are right to so much of the change.
const MODEL_SHARE: f64 = 0.03;

/// No change is known better than this: metres or radians (a fiftieth of a millimetre).
const FLOOR: f64 = 2e-5;

/// One sensor's change.
struct Changed {
    sensor: usize,
    change: f64,
    uncertainty: f64,
    is_angle: bool,
    /// Largest jump from one reading to the next, and after which reading.
    jump: f64,
    jump_at: Moment,
}

/// A possible cause with its signature, one column for each parameter.
struct Suspect {
    cause: &'static str,
    name: String,
    columns: Vec<DVector<f64>>,
    /// Its parameters may not be below zero.
    only_loses: bool,
}

/// Causes, the one with most behind it first.
pub(in crate::run) fn causes(
    sheet: &BuildSheet,
    loads: &[String],
    kept: &[Kept],
    quantities: &[SettledQuantity],
    since: Option<Moment>,
) -> Vec<Cause> {
    let kept: Vec<&Kept> = kept
        .iter()
        .filter(|k| since.is_none_or(|at| k.reading.at > at))
        .collect();
    let changes = changes(sheet, &kept);
    let mut found = temperature(quantities);
    let small = |c: &Changed| c.change.abs() < if c.is_angle { SMALL_RAD } else { SMALL_M };
    if changes.len() < 2 || changes.iter().all(small) {
        return found;
    }
    let mut all = from_sensors(sheet, loads, &changes).unwrap_or_default();
    all.append(&mut found);
    all
}

fn changes(sheet: &BuildSheet, kept: &[&Kept]) -> Vec<Changed> {
    let mut all = Vec::new();
    for (sensor, wanted) in sheet.sensors.iter().enumerate() {
        let track: Vec<(Moment, f64, bool)> = kept
            .iter()
            .filter_map(|k| {
                let s = k.reading.sensors.iter().find(|s| s.name == wanted.name)?;
                Some((k.reading.at, s.value?, s.unit == Unit::Radian))
            })
            .collect();
        let n = track.len();
        if n < LEAST {
            continue;
        }
        let ends = (n / 4).clamp(1, MOST_ENDS);
        let mean = |part: &[(Moment, f64, bool)]| {
            part.iter().map(|t| t.1).sum::<f64>() / part.len() as f64
        };
        // Scatter by the median of the steps: a slip is one step among many.
        let mut steps: Vec<f64> = track.windows(2).map(|w| (w[1].1 - w[0].1).abs()).collect();
        let largest = track
            .windows(2)
            .max_by(|a, b| (a[1].1 - a[0].1).abs().total_cmp(&(b[1].1 - b[0].1).abs()));
        let Some((jump, jump_at)) = largest.map(|w| (w[1].1 - w[0].1, w[1].0)) else {
            continue;
        };
        steps.sort_by(f64::total_cmp);
        // Median of |difference of two normal values| is 0.6745 sqrt(2) standard deviations.
        let scatter = steps[steps.len() / 2] / (0.674_49 * std::f64::consts::SQRT_2);
        let is_angle = track[0].2;
        all.push(Changed {
            sensor,
            change: mean(&track[n - ends..]) - mean(&track[..ends]),
            uncertainty: (scatter * (2.0 / ends as f64).sqrt()).max(FLOOR),
            is_angle,
            jump,
            jump_at,
        });
    }
    // What the signatures cannot be right to.
    for angle in [false, true] {
        let most = all
            .iter()
            .filter(|c| c.is_angle == angle)
            .map(|c| c.change.abs())
            .fold(0.0, f64::max);
        for c in all.iter_mut().filter(|c| c.is_angle == angle) {
            c.uncertainty = c.uncertainty.hypot(MODEL_SHARE * most);
        }
    }
    all
}

fn from_sensors(sheet: &BuildSheet, loads: &[String], changes: &[Changed]) -> Option<Vec<Cause>> {
    let on: Vec<usize> = loads
        .iter()
        .filter_map(|name| sheet.loads.iter().position(|l| l.name == *name))
        .collect();
    let model = Model::new(sheet, &on);
    let rest = model.equilibrium().ok()?;
    let prior = Prior::new(sheet, &model).ok()?;
    let answer = |moved: &crate::geometry::State| -> DVector<f64> {
        let step = 1e-3 / moved.amax().max(1e-9);
        let at = |by: f64| {
            let mut x: PostureState = prior.state;
            for k in 0..moved.len() {
                x[k] += by * moved[k];
            }
            x
        };
        let (up, down) = (at(step), at(-step));
        DVector::from_iterator(
            changes.len(),
            changes.iter().map(|c| {
                let reads = &sheet.sensors[c.sensor].reads;
                match (predict(&model, reads, &up), predict(&model, reads, &down)) {
                    (Some(a), Some(b)) => (a - b) / (2.0 * step),
                    _ => 0.0,
                }
            }),
        )
    };
    let mut suspects = Vec::new();
    for (index, axle) in sheet.axles.iter().enumerate() {
        let units: Vec<usize> = (0..model.units.len())
            .filter(|&i| model.units[i].axle == index)
            .collect();
        if !units.is_empty() {
            suspects.push(Suspect {
                cause: "springs",
                name: format!("{} springs", axle.name),
                columns: units
                    .iter()
                    .map(|&i| -answer(&rest.response(&model, Parameter::Collar(i))))
                    .collect(),
                only_loses: true,
            });
        }
    }
    for (i, axle) in sheet.axles.iter().enumerate() {
        let Some(tyre) = model.axles.get(i).and_then(|a| a.tyre) else {
            continue;
        };
        for (side, word) in ["left", "right"].into_iter().enumerate() {
            let (_, by) = gradient(
                |x| model.wheel_heights(i, &model.pose(x))[side],
                &rest.state,
            );
            // A smaller radius: the tyre pushes less by its rate.
            let force = by * (tyre.rate * tyre.rate_factor);
            let moved = -(rest.compliance * force);
            suspects.push(Suspect {
                cause: "tyre",
                name: format!("{} {word} tyre", axle.name),
                columns: vec![answer(&moved)],
                only_loses: true,
            });
        }
    }
    for (k, c) in changes.iter().enumerate() {
        let mut alone = DVector::zeros(changes.len());
        alone[k] = 1.0;
        suspects.push(Suspect {
            cause: "sensor",
            name: sheet.sensors[c.sensor].name.clone(),
            columns: vec![alone],
            only_loses: false,
        });
    }
    Some(select(sheet, changes, &suspects))
}

/// Takes up causes one after another.
fn select(sheet: &BuildSheet, changes: &[Changed], suspects: &[Suspect]) -> Vec<Cause> {
    let n = changes.len();
    let y = DVector::from_iterator(n, changes.iter().map(|c| c.change / c.uncertainty));
    let mut taken: Vec<usize> = Vec::new();
    let mut left = y.norm_squared();
    let start = left;
    let mut sizes = Vec::new();
    while taken.len() < MOST_CAUSES {
        let mut best: Option<(f64, usize, f64, Vec<f64>)> = None;
        for i in 0..suspects.len() {
            if taken.contains(&i) {
                continue;
            }
            let mut with = taken.clone();
            with.push(i);
            let Some((squares, found)) = explain(changes, suspects, &with, &y) else {
                continue;
            };
            let parameters = suspects[i].columns.len() as f64;
            let gain = (left - squares) / parameters;
            if best.as_ref().is_none_or(|b| gain > b.0) {
                best = Some((gain, i, squares, found));
            }
        }
        let Some((_, i, squares, found)) = best.filter(|b| b.0 > LEAST_GAIN) else {
            break;
        };
        taken.push(i);
        left = squares;
        sizes = found;
    }
    // Taken up early and not needed any more: out again.
    while taken.len() > 1 {
        let spare = (0..taken.len()).find_map(|k| {
            let mut without = taken.clone();
            let out = without.remove(k);
            let (squares, found) = explain(changes, suspects, &without, &y)?;
            let parameters = suspects[out].columns.len() as f64;
            ((squares - left) / parameters <= LEAST_GAIN).then_some((without, squares, found))
        });
        let Some((without, squares, found)) = spare else {
            break;
        };
        (taken, left, sizes) = (without, squares, found);
    }
    let mut place = 0;
    let mut causes = Vec::new();
    for &i in &taken {
        let suspect = &suspects[i];
        let own = &sizes[place..place + suspect.columns.len()];
        place += suspect.columns.len();
        causes.push(cause_of(sheet, changes, suspect, own, left / start));
    }
    causes
}

/// Chi-square left with these causes, and their sizes; none where a sign forbids it.
fn explain(
    changes: &[Changed],
    suspects: &[Suspect],
    which: &[usize],
    y: &DVector<f64>,
) -> Option<(f64, Vec<f64>)> {
    let columns: Vec<(&DVector<f64>, bool)> = which
        .iter()
        .flat_map(|&i| {
            let suspect = &suspects[i];
            suspect.columns.iter().map(|c| (c, suspect.only_loses))
        })
        .collect();
    if columns.len() >= changes.len() {
        return None;
    }
    let design = DMatrix::from_fn(changes.len(), columns.len(), |r, c| {
        columns[c].0[r] / changes[r].uncertainty
    });
    let sizes = design.clone().svd(true, true).solve(y, 1e-9).ok()?;
    let most = sizes.amax();
    // One spring of a pair may have lost nothing; gained it has none.
    if columns
        .iter()
        .zip(sizes.iter())
        .any(|((_, loses), s)| *loses && *s < -0.15 * most)
    {
        return None;
    }
    let rest = y - design * &sizes;
    Some((rest.norm_squared(), sizes.iter().copied().collect()))
}

fn shown(value: f64, is_angle: bool) -> String {
    if is_angle {
        format!("{:+.2} deg", value.to_degrees())
    } else {
        format!("{:+.1} mm", value * 1e3)
    }
}

fn cause_of(
    sheet: &BuildSheet,
    changes: &[Changed],
    suspect: &Suspect,
    sizes: &[f64],
    share_left: f64,
) -> Cause {
    let mut by = DVector::zeros(changes.len());
    for (column, size) in suspect.columns.iter().zip(sizes) {
        by += column * *size;
    }
    let mut order: Vec<usize> = (0..changes.len()).collect();
    order.sort_by(|&a, &b| {
        let weight = |k: usize| (by[k] / changes[k].uncertainty).abs();
        weight(b).total_cmp(&weight(a))
    });
    let line = |k: usize| {
        let c = &changes[k];
        format!(
            "'{}' went {}, this explains {}",
            sheet.sensors[c.sensor].name,
            shown(c.change, c.is_angle),
            shown(by[k], c.is_angle)
        )
    };
    let mut evidence: Vec<String> = Vec::new();
    let words = match suspect.cause {
        "springs" => {
            let each: Vec<String> = sizes.iter().map(|s| format!("{:.1}", s * 1e3)).collect();
            evidence.extend(order.iter().take(4).map(|&k| line(k)));
            format!(
                "{} settle: they have lost {} mm of their length",
                suspect.name,
                each.join(" and ")
            )
        }
        "tyre" => {
            evidence.extend(order.iter().take(4).map(|&k| line(k)));
            evidence.push(
                "a spring there would have moved the frame against the axle, a tyre moves both"
                    .to_owned(),
            );
            format!(
                "{} loses pressure: it stands {:.1} mm lower; pump it up before anything is turned",
                suspect.name,
                sizes.first().copied().unwrap_or(0.0) * 1e3
            )
        }
        _ => {
            let k = order[0];
            let c = &changes[k];
            evidence.push(line(k));
            let when = crate::report::moment_words(c.jump_at);
            evidence.push(format!(
                "its largest jump from one reading to the next: {} before {when}",
                shown(c.jump, c.is_angle)
            ));
            evidence.push("no spring and no tyre would move it alone".to_owned());
            format!(
                "sensor '{}' has slipped, by {}",
                suspect.name,
                shown(by[k], c.is_angle)
            )
        }
    };
    evidence.push(format!(
        "all named causes together leave {:.0} % of the change (chi-square)",
        share_left * 100.0
    ));
    Cause {
        cause: suspect.cause,
        words,
        evidence,
    }
}

/// Temperature, where a fit found that it counts.
fn temperature(quantities: &[SettledQuantity]) -> Vec<Cause> {
    let evidence: Vec<String> = quantities
        .iter()
        .filter_map(|q| {
            let t = q.prospect.temperature?;
            let known = &q.prospect.options.temperature_c;
            let (low, high) = known
                .iter()
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| {
                    (a.min(*t), b.max(*t))
                });
            let unit = if q.is_angle { "deg" } else { "mm" };
            Some(format!(
                "{}: {:+.3} {unit} a degree, {:.2} {unit} over the {:.0} degrees seen",
                q.name,
                t.value,
                (t.value * (high - low)).abs(),
                high - low
            ))
        })
        .collect();
    if evidence.is_empty() {
        return Vec::new();
    }
    vec![Cause {
        cause: "temperature",
        words: "part of it goes with the temperature of day and night, and is taken out".to_owned(),
        evidence,
    }]
}
