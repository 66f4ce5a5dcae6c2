//! From what is known in a sitting to the record that the logbook keeps.

use crate::drivers::SampleKind;
use crate::logbook::{
    KeptBy, KeptQuantity, KeptReading, KeptSensor, KeptState, Load, Origin as LoggedOrigin, Unit,
};
use crate::posture::{Origin, Posture};
use crate::readings::kind_due;
use crate::run::sitting::Sitting;
use crate::run::sitting::tell::KeptTold;

/// Names of the posture's coordinates, as the logbook keeps them.
const COORDINATE_NAMES: [&str; crate::posture::POSTURE_COORDINATES] = [
    "frame height m",
    "frame roll rad",
    "frame pitch rad",
    "rear first",
    "rear second",
    "front first",
    "front second",
    "floor roll rad",
    "floor pitch rad",
];

/// The record of a reading that is kept now.
pub(in crate::run) fn kept_record(
    s: &Sitting,
    told: &KeptTold,
    posture: &Posture,
    by: KeptBy,
) -> KeptReading {
    KeptReading {
        at: told.at,
        still_since: Some(told.still_since),
        case: None,
        loads: s
            .sheet
            .loads
            .iter()
            .zip(&s.loads_on)
            .filter(|(_, on)| **on)
            .map(|(l, _)| Load {
                name: l.name.clone(),
                mass_kg: l.mass.kg(),
                at_m: Some(l.at.m()),
            })
            .collect(),
        by,
        note: s.reading_note.clone(),
        quantities: posture
            .quantities
            .iter()
            .zip(s.names(posture))
            .map(|(m, name)| KeptQuantity {
                name,
                unit: if m.key.is_angle() {
                    Unit::Radian
                } else {
                    Unit::Metre
                },
                value: m.value,
                standard_uncertainty: m.uncertainty,
                origin: match m.origin {
                    Origin::Measured => LoggedOrigin::Measured,
                    Origin::Assumed => LoggedOrigin::Assumed,
                },
            })
            .collect(),
        state: Some(KeptState {
            coordinates: COORDINATE_NAMES.iter().map(|&n| n.to_owned()).collect(),
            values: posture.state.iter().copied().collect(),
            covariance: posture.covariance.iter().copied().collect(),
        }),
        sensors: s
            .readings
            .iter()
            .map(|r| KeptSensor {
                name: s.sheet.sensors[r.sensor].name.clone(),
                unit: unit_of(kind_due(&s.sheet.sensors[r.sensor].reads)),
                value: r.value.is_finite().then_some(r.value),
                noise_uncertainty: r.noise_u.is_finite().then_some(r.noise_u),
                zero_uncertainty: if r.zero_u.is_finite() { r.zero_u } else { 0.0 },
                quality: r.quality.to_string(),
                temperature_c: r.temperature_c.filter(|t| t.is_finite()),
            })
            .collect(),
    }
}

/// The SI unit of a kind of sample.
pub(in crate::run) const fn unit_of(kind: SampleKind) -> Unit {
    match kind {
        SampleKind::Angle => Unit::Radian,
        SampleKind::Distance => Unit::Metre,
    }
}
