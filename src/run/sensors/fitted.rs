//! What finding and zeroing found out, made ready for a sitting.
//!
//! In: the sheet, its neighbour file, the ports there are, the moment that is
//! now. Out: the sheet with its sensors in their places and its floor as
//! mapped; a calibration for each sensor that has one; what is to be said of
//! zeros that are old, missing or of another device. Refused: a neighbour file
//! that cannot be read.

use crate::drivers::source_of;
use crate::ports::{FoundPort, UsbIdentity};
use crate::quantity::{Angle, Length, Moment, Span};
use crate::readings::Calibration;
use crate::readings::neighbour::{
    FloorMap, Neighbour, NeighbourError, device_words, neighbour_path,
};
use crate::readings::zeroing::floor_plane;
use crate::run::Failure;
use crate::run::sitting::Grade;
use crate::sheet::{BuildSheet, Measurand, Sensor};
use std::path::{Path, PathBuf};

/// What is known beside the sheet.
#[derive(Debug, Clone)]
pub(in crate::run) struct Fitted {
    /// The adapter that carries each sensor, where that is how it is known.
    pub(in crate::run) usb: Vec<Option<UsbIdentity>>,
    /// The zero of each sensor, where there is one for this very device.
    pub(in crate::run) calibrations: Vec<Option<Calibration>>,
    /// Height of the floor over its plane under each sensor's beam, metres.
    pub(in crate::run) floor_m: Vec<f64>,
    /// What the person should know.
    pub(in crate::run) said: Vec<(Grade, String)>,
    /// Ports named by places, beside those that the system lists.
    pub(in crate::run) ports: Vec<PathBuf>,
}

impl Fitted {
    /// Reads the neighbour file and puts what it says into the sheet.
    pub(in crate::run) fn read(
        sheet_path: &Path,
        sheet: &mut BuildSheet,
        found: &[FoundPort],
        now: Moment,
        old: Span,
    ) -> Result<Self, Failure> {
        let neighbour = Neighbour::load(&neighbour_path(sheet_path))?;
        Ok(Self::of(&neighbour, sheet, found, now, old))
    }

    /// The same from what was read.
    pub(in crate::run) fn of(
        neighbour: &Neighbour,
        sheet: &mut BuildSheet,
        found: &[FoundPort],
        now: Moment,
        old: Span,
    ) -> Self {
        let usb = neighbour.place_sensors(sheet);
        let mut said = Vec::new();
        let calibrations = sheet
            .sensors
            .iter()
            .zip(&usb)
            .map(|(sensor, usb)| {
                let device = device_of(sensor, usb.as_ref(), found);
                calibration(neighbour, sensor, &device, now, old, &mut said)
            })
            .collect();
        let floor_m = match neighbour.newest_floor() {
            Some(map) => use_floor(sheet, map, &mut said),
            None => vec![0.0; sheet.sensors.len()],
        };
        let ports = neighbour
            .places
            .iter()
            .filter(|p| p.device.is_some())
            .filter_map(|p| p.port.as_ref().map(PathBuf::from))
            .collect();
        Self {
            usb,
            calibrations,
            floor_m,
            said,
            ports,
        }
    }
}

/// The words for the device that a sensor of the sheet is now.
pub(in crate::run) fn device_of(
    sensor: &Sensor,
    usb: Option<&UsbIdentity>,
    found: &[FoundPort],
) -> String {
    let port = sensor.connection.port.as_deref().unwrap_or_default();
    let there = found
        .iter()
        .find(|f| f.path == Path::new(port))
        .and_then(|f| f.usb.as_ref());
    device_words(&source_of(&sensor.connection.protocol), usb.or(there), port)
}

fn calibration(
    neighbour: &Neighbour,
    sensor: &Sensor,
    device: &str,
    now: Moment,
    old: Span,
    said: &mut Vec<(Grade, String)>,
) -> Option<Calibration> {
    let name = &sensor.name;
    let Some(zero) = neighbour.newest_zero(name, device) else {
        if let Some(other) = neighbour.newest_zero_of_any(name) {
            said.push((
                Grade::Warning,
                format!(
                    "'{name}' is another device now ({device}) than when it was zeroed ({}): its zero is not used. \
                     Zero it again",
                    other.device
                ),
            ));
        }
        return None;
    };
    let calibration = zero.calibration(sensor);
    if calibration.is_none() {
        said.push((
            Grade::Warning,
            format!("the zero of '{name}' is one for another kind of sensor and is not used"),
        ));
    }
    let age = now.since(zero.moment());
    if age > old {
        said.push((
            Grade::Warning,
            format!(
                "the zero of '{name}' is {:.0} days old: zero it again before it matters",
                age.s() / 86_400.0
            ),
        ));
    }
    calibration
}

/// Puts a mapped floor into the sheet; gives the bump under each beam.
fn use_floor(sheet: &mut BuildSheet, map: &FloorMap, said: &mut Vec<(Grade, String)>) -> Vec<f64> {
    let u = map.height_standard_uncertainty_mm * 1e-3;
    let none = vec![0.0; sheet.sensors.len()];
    let plane = match floor_plane(&map.spots_m(), u) {
        Ok(plane) => plane,
        Err(e) => {
            said.push((
                Grade::Warning,
                format!("the mapped floor is not used: {e}. {}", e.help()),
            ));
            return none;
        }
    };
    let bump = |spot: &str| {
        let at = map.spots.iter().position(|s| s.spot == spot)?;
        plane.bumps.get(at).copied()
    };
    sheet.floor.roll = Angle::new(plane.roll.value);
    sheet.floor.pitch = Angle::new(plane.pitch.value);
    sheet.floor.slope_uncertainty = Angle::new(plane.roll.u.max(plane.pitch.u));
    let names: Vec<String> = sheet.axles.iter().map(|a| a.name.clone()).collect();
    for (axle, under) in names.iter().zip(&mut sheet.floor.under_wheels) {
        for (side, under) in ["left", "right"].iter().zip(under) {
            *under = Length::new(bump(&wheel_spot(axle, side)).unwrap_or(0.0));
        }
    }
    let mut all = true;
    let under = sheet
        .sensors
        .iter()
        .map(|s| match s.reads {
            Measurand::FrameToFloor { .. } => {
                let bump = bump(&beam_spot(&s.name));
                all &= bump.is_some();
                bump.unwrap_or(0.0)
            }
            _ => 0.0,
        })
        .collect();
    if all {
        // Every beam lands on a spot whose height is known.
        sheet.floor.flatness = Length::new(u);
    }
    said.push((
        Grade::Notice,
        format!(
            "the floor as mapped on {} is used: roll {:+.2} deg, pitch {:+.2} deg",
            map.at.get(..10).unwrap_or(&map.at),
            plane.roll.value.to_degrees(),
            plane.pitch.value.to_degrees()
        ),
    ));
    under
}

/// Name of the spot under a wheel.
pub(in crate::run) fn wheel_spot(axle: &str, side: &str) -> String {
    format!("wheel {axle} {side}")
}

/// Name of the spot under a sensor's beam.
pub(in crate::run) fn beam_spot(sensor: &str) -> String {
    format!("under {sensor}")
}

impl From<NeighbourError> for Failure {
    fn from(e: NeighbourError) -> Self {
        let (code, help) = (e.code().to_owned(), e.help().to_owned());
        Self {
            message: e.to_string(),
            code,
            help,
            exit: 2,
        }
    }
}
