//! Compare: posture x targets -> inside, outside or cannot tell. Pure.
//!
//! In: a value with its standard uncertainty, a target with its tolerance.
//! Out: a [`Verdict`] at 95 %. Refused: a pass or a fail that the uncertainty
//! does not carry.

use crate::posture::{Measured, QuantityKey};
use crate::sheet::{AngleTarget, BuildSheet, Suspension};

/// Coverage factor of the 95 % intervals shown everywhere: the normal quantile
/// at 0.975.
///
/// Source: NIST/SEMATECH e-Handbook 1.3.6.7.1 (1.960 to its digits).
pub const COVERAGE_95: f64 = 1.959_963_984_540_054;

/// What can be said of a quantity against its target, at 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The whole interval is within the tolerance.
    Inside,
    /// The whole interval is out of the tolerance.
    Outside,
    /// The interval has a part on both sides of the limit.
    CannotTell,
}

impl Verdict {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Outside => "outside",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// Holds a value with a standard uncertainty against a target and its tolerance.
///
/// # Method
/// The 95 % interval is value ± 1.96 u. Inside: it lies wholly within
/// target ± tolerance. Outside: it lies wholly beyond one limit. Else nobody can
/// tell (decision rule with guard bands, after JCGM 106:2012, from memory).
pub fn judge(value: f64, uncertainty: f64, target: f64, tolerance: f64) -> Verdict {
    let half = COVERAGE_95 * uncertainty;
    let off = (value - target).abs();
    if off + half <= tolerance {
        Verdict::Inside
    } else if off - half > tolerance {
        Verdict::Outside
    } else {
        Verdict::CannotTell
    }
}

/// A quantity that has a target, SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Aim {
    /// Which quantity.
    pub key: QuantityKey,
    /// What it should come to.
    pub target: f64,
    /// How far off is still good.
    pub tolerance: f64,
}

impl Aim {
    fn angle(key: QuantityKey, target: AngleTarget) -> Self {
        Self {
            key,
            target: target.angle.rad(),
            tolerance: target.tolerance.rad(),
        }
    }
}

/// Every aim of a sheet, for the finished vehicle.
pub fn aims(sheet: &BuildSheet) -> Vec<Aim> {
    let targets = &sheet.targets;
    let link_of = |name: &str| {
        sheet.axles.iter().position(|a| match &a.suspension {
            Suspension::Solid {
                link: Some(link), ..
            } => link.name == name,
            _ => false,
        })
    };
    let mut aims = Vec::new();
    aims.extend(targets.roll.map(|t| Aim::angle(QuantityKey::Roll, t)));
    aims.extend(targets.pitch.map(|t| Aim::angle(QuantityKey::Pitch, t)));
    aims.extend(targets.heights.iter().map(|t| Aim {
        key: QuantityKey::Height(t.station),
        target: t.height.m(),
        tolerance: t.tolerance.m(),
    }));
    aims.extend(
        targets
            .links
            .iter()
            .filter_map(|(name, t)| Some(Aim::angle(QuantityKey::LinkAngle(link_of(name)?), *t))),
    );
    aims
}

/// An aim held against what is known of its quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    /// The aim.
    pub aim: Aim,
    /// The value known.
    pub value: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
    /// What can be said.
    pub verdict: Verdict,
}

impl Compared {
    /// How far the value is above its target.
    pub fn deviation(&self) -> f64 {
        self.value - self.aim.target
    }

    /// Deviation as a share of the tolerance, without sign.
    pub fn share(&self) -> f64 {
        self.deviation().abs() / self.aim.tolerance
    }
}

/// Holds every aim against quantities, measured or forecast; an aim whose
/// quantity is not among them is left out.
pub fn compare(aims: &[Aim], quantities: &[Measured]) -> Vec<Compared> {
    aims.iter()
        .filter_map(|aim| {
            let m = quantities.iter().find(|m| m.key == aim.key)?;
            let verdict = judge(m.value, m.uncertainty, aim.target, aim.tolerance);
            Some(Compared {
                aim: *aim,
                value: m.value,
                uncertainty: m.uncertainty,
                verdict,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_verdict_needs_the_whole_interval() {
        let table = [
            (500.0, 0.1, Verdict::Inside),
            (502.0, 0.5, Verdict::Inside),
            (502.5, 0.5, Verdict::CannotTell),
            (504.5, 0.5, Verdict::Outside),
            (495.5, 0.5, Verdict::Outside),
            (503.5, 0.5, Verdict::CannotTell),
            (500.0, 2.0, Verdict::CannotTell),
        ];
        for (value, uncertainty, expected) in table {
            assert_eq!(
                judge(value, uncertainty, 500.0, 3.0),
                expected,
                "{value} {uncertainty}"
            );
        }
    }
}
