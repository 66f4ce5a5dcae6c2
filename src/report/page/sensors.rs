//! Which sensors there were, and their zeros with dates.

use super::{Dossier, figure};
use crate::compare::COVERAGE_95;
use crate::quantity::{Angle, Length, decimals};
use crate::readings::neighbour::Zero;
use crate::sheet::{Measurand, Protocol, Sensor, TiltOn};
use maud::{Markup, html};

/// What a sensor is clipped on, in words.
fn reads(of: &Dossier<'_>, sensor: &Sensor) -> String {
    let axle = |i: usize| of.sheet.axles.get(i).map_or("?", |a| a.name.as_str());
    match &sensor.reads {
        Measurand::Tilt { on, .. } => match on {
            TiltOn::FrameRoll => "roll of the frame".to_owned(),
            TiltOn::FramePitch => "pitch of the frame".to_owned(),
            TiltOn::AxleRoll(i) => format!("roll of the {} axle", axle(*i)),
            TiltOn::Link(i) => format!("angle of the {} axle's link", axle(*i)),
        },
        Measurand::FrameToFloor { .. } => "frame to floor".to_owned(),
        Measurand::FrameToAxle { axle: i, .. } => format!("frame to {} axle", axle(*i)),
    }
}

/// What tells the device from others; never a path of this machine.
fn device(of: &Dossier<'_>, sensor: &Sensor) -> String {
    if let Some(id) = of
        .neighbour
        .place(&sensor.name)
        .and_then(|p| p.device.clone())
    {
        return id;
    }
    match &sensor.connection.protocol {
        Protocol::Wire { device, channel } => format!("{device:#018x}/{channel}"),
        Protocol::Xdr { transducer } => format!("sentence name {transducer}"),
        Protocol::Modbus { address, .. } => format!("bus address {address}"),
        _ => "described in the sheet".to_owned(),
    }
}

fn zero_words(of: &Dossier<'_>, sensor: &Sensor, zero: Option<&Zero>) -> String {
    let units = of.sheet.units;
    let number = |z: &Zero| {
        let deg = z.zero_deg.zip(z.zero_standard_uncertainty_deg);
        let mm = z.zero_mm.zip(z.zero_standard_uncertainty_mm);
        match (deg, mm) {
            (Some((v, u)), _) => {
                let (v, u) = (Angle::from_deg(v), Angle::from_deg(u));
                format!(
                    "{} ± {} deg",
                    decimals(v.deg(), 3),
                    decimals(COVERAGE_95 * u.deg(), 3)
                )
            }
            (_, Some((v, u))) => {
                figure::interval(false, Length::from_mm(v).m(), Length::from_mm(u).m(), units)
            }
            _ => "-".to_owned(),
        }
    };
    zero.map_or_else(
        || {
            let angle = matches!(sensor.reads, Measurand::Tilt { .. });
            figure::interval(angle, sensor.zero, sensor.zero_uncertainty, units)
        },
        number,
    )
}

fn date(text: &str, of: &Dossier<'_>) -> String {
    text.parse::<jiff::Timestamp>().map_or_else(
        |_| text.to_owned(),
        |t| {
            figure::short_when(
                crate::quantity::Moment::from_unix_us(t.as_microsecond()),
                &of.zone,
            )
        },
    )
}

/// The section.
pub(super) fn section(of: &Dossier<'_>) -> Option<Markup> {
    if of.sheet.sensors.is_empty() {
        return None;
    }
    let columns = [
        figure::words("sensor"),
        figure::words("reads"),
        figure::words("device"),
        figure::numbers("zero"),
        figure::words("how, and when"),
    ];
    let rows: Vec<Vec<Markup>> = of
        .sheet
        .sensors
        .iter()
        .map(|sensor| {
            let zero = of.neighbour.newest_zero_of_any(&sensor.name);
            let how = zero.map_or_else(
                || "by the sheet alone, never zeroed".to_owned(),
                |z| format!("{}, {} readings, {}", z.by, z.readings, date(&z.at, of)),
            );
            vec![
                html! { (sensor.name) },
                html! { (reads(of, sensor)) },
                html! { (device(of, sensor)) },
                figure::cell(zero_words(of, sensor, zero)),
                html! { (how) },
            ]
        })
        .collect();
    let floor = of.neighbour.newest_floor().map_or_else(
        || {
            "The floor was not mapped: it is taken as level and flat within the sheet's limits."
                .to_owned()
        },
        |f| {
            format!(
                "The floor was mapped on {} by {}, {} spots, each height ± {} mm.",
                date(&f.at, of),
                f.by,
                f.spots.len(),
                decimals(COVERAGE_95 * f.height_standard_uncertainty_mm, 1)
            )
        },
    );
    Some(html! {
        (figure::table("Sensors of the sheet with their newest zeros; ± holds 95 %.", &columns, &rows))
        p { (floor) }
    })
}
