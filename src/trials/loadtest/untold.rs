//! What the steps do not tell, in words, and which step would.

use super::design::{Design, Noise, Visit};
use super::failure::LoadTestError;
use super::finding::{Key, TOLD};
use super::identify::Identified;
use super::plan::visits;
use crate::sheet::BuildSheet;

/// Correlation from which two quantities count as moving together.
const TOGETHER: f64 = 0.9;

/// A visit helps, too, where it takes away so much more of the variance.
const HELPS: f64 = 0.2;

/// A quantity that the steps do not tell.
#[derive(Debug, Clone, PartialEq)]
pub struct Untold {
    /// Which.
    pub key: Key,
    /// Share of its variance that the steps took away.
    pub told: f64,
    /// In words, with what to do.
    pub words: String,
    /// Another quantity with which it can be traded, and their correlation.
    pub together: Option<(Key, f64)>,
    /// The visit that would tell most of it (or the two, where one alone does not do),
    /// and the share told with it; none where none of those that make sense helps.
    pub remedy: Option<(String, f64)>,
}

/// Names what was asked for and not told.
///
/// # Method
/// A quantity is not told where the steps took away less than half of the
/// variance it had before. Every visit that makes sense, then every two, are weighed on
/// top of what is known now; those that leave least variance are named.
///
/// # Errors
/// Where the identified vehicle has no rest.
pub fn untold(
    sheet: &BuildSheet,
    identified: &Identified,
    noise: Noise,
) -> Result<Vec<Untold>, LoadTestError> {
    let missing: Vec<_> = identified
        .findings
        .iter()
        .filter(|f| (f.key.is_asked() || matches!(f.key, Key::Tyre(_))) && !f.is_told())
        .collect();
    if missing.is_empty() {
        return Ok(Vec::new());
    }
    let person = identified
        .who
        .iter()
        .find(|b| b.name == "person")
        .map_or((75.0, 1.0), |b| (b.mass_kg, b.mass_uncertainty_kg));
    let choice = visits(sheet, Some(person));
    let design = Design::new(
        identified.frame(sheet),
        &identified.z,
        &identified.covariance,
        &choice,
        noise,
    )?;
    Ok(missing
        .into_iter()
        .map(|f| {
            let told_with = |made: &[usize]| {
                let after = design.expect(made, &[f.key])[0];
                1.0 - (after / f.before.uncertainty).powi(2)
            };
            let remedy = remedy(&design, &choice, f.told, told_with);
            let together = identified
                .findings
                .iter()
                .filter(|o| o.key != f.key)
                .map(|o| (o.key, identified.correlation(sheet, f.key, o.key)))
                .filter(|(_, r)| r.abs() >= TOGETHER)
                .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            Untold {
                key: f.key,
                told: f.told,
                words: words(sheet, f.key, remedy.as_ref()),
                together,
                remedy,
            }
        })
        .collect())
}

/// The visit that helps; where none does alone, the two that help together.
fn remedy(
    design: &Design,
    choice: &[Visit],
    told: f64,
    told_with: impl Fn(&[usize]) -> f64,
) -> Option<(String, f64)> {
    let can = |v: &usize| design.visits[*v].information.is_ok();
    let helps = |with: f64| with >= TOLD || with > told + HELPS;
    let best = |all: Vec<(String, f64)>| all.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let ones = (0..choice.len())
        .filter(can)
        .map(|v| (choice[v].name.clone(), told_with(&[v])));
    if let Some(one) = best(ones.collect()).filter(|(_, with)| helps(*with)) {
        return Some(one);
    }
    let twos = (0..choice.len()).filter(can).flat_map(|v| {
        let told_with = &told_with;
        (v..choice.len()).filter(can).map(move |w| {
            let name = if v == w {
                format!("{}, twice", choice[v].name)
            } else {
                format!("{}, then {}", choice[v].name, choice[w].name)
            };
            (name, told_with(&[v, w]))
        })
    });
    best(twos.collect()).filter(|(_, with)| helps(*with))
}

fn words(sheet: &BuildSheet, key: Key, remedy: Option<&(String, f64)>) -> String {
    let axle = |i: usize| sheet.axles.get(i).map_or("?", |a| a.name.as_str());
    let what = match key {
        Key::AxleRate(i) => format!("the spring rate of the {} axle is not told: it hardly moved, put weight near it", axle(i)),
        Key::SideRate(i) => {
            format!("left and right springs of the {} axle cannot be told apart: sit somebody on one side", axle(i))
        }
        Key::Friction(i) => format!(
            "friction of the {} axle is not told: read the same load coming from above and from below",
            axle(i)
        ),
        Key::Weight => {
            "the sprung weight is not told: heights alone cannot tell a heavier vehicle from shorter springs; weigh it wheel by wheel"
                .to_owned()
        }
        Key::Tyre(i) => format!(
            "tyres and springs of the {} axle cannot be told apart well: read a distance between frame and axle as well",
            axle(i)
        ),
        _ => "not told".to_owned(),
    };
    match remedy {
        Some((visit, told)) => format!("{what} ({visit}: {:.0} % told)", told * 100.0),
        None if matches!(key, Key::Weight) => what,
        None => format!("{what}; one more step alone will not do, plan several or quieter sensors"),
    }
}
