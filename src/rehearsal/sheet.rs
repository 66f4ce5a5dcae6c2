//! The build sheet of the rehearsal: what the builder believes.
//!
//! In: the paths of the ports. Out: the TOML text of a sheet. Refuses nothing.
//!
//! The mounts and links are measured well and are as they really are. Rates,
//! weights, collars, the floor and the sensors' zeros are a little different
//! from the truth, each within the limit that the sheet states.

use std::fmt::Write as _;
use std::path::PathBuf;

use super::sensors::{
    BUMP_LIMIT_MM, DISTANCE_SCALE_LIMIT, DISTANCE_ZERO_LIMIT_MM, FITTINGS, Fitting, Looks,
    TILT_SCALE_LIMIT, TILT_ZERO_LIMIT_DEG,
};
use super::story::{HELPER, HELPER_PLACE_M, SANDBAGS, SANDBAGS_PLACE_M};

/// The vehicle's name in the sheet.
pub const VEHICLE_NAME: &str = "Bluebottle, flat-deck delivery van";

/// The sheet's text, each sensor at its port (paths in the order of
/// [`FITTINGS`]; a sensor without a path is left to be found by its id).
pub fn sheet_text(ports: &[PathBuf]) -> String {
    let mut text = format!(
        "# The build sheet of the rehearsal: a simulated vehicle, all numbers invented.\n\
         name = {}\n\
         units = \"metric\"\n",
        quoted(VEHICLE_NAME)
    );
    text.push_str(VEHICLE);
    text.push_str(&loads());
    text.push_str(AIMS);
    // Writing into a String cannot fail.
    let _ = write!(
        text,
        "\n[floor]\nslope_uncertainty = \"0.6 deg\"\nflatness = \"{BUMP_LIMIT_MM} mm\"\n"
    );
    for (index, fitting) in FITTINGS.iter().enumerate() {
        text.push_str(&sensor(fitting, ports.get(index)));
    }
    text
}

const VEHICLE: &str = r#"
[frame]
wheelbase = "2350 mm"
design_height = "420 mm"        # underside of the rails over the floor

[[station]]
name = "rear"
at = ["-300 mm", "450 mm", "0 mm"]
mirror = true

[[station]]
name = "front"
at = ["2200 mm", "420 mm", "0 mm"]
mirror = true

[rear]
axle = "solid"
stands_on = "tyres"
track = "1380 mm"
unsprung = "95 kg"
axle_height = "305 mm"

[rear.tyre]
radius = "315.5 mm"
rate = "190 N/mm"
rate_uncertainty = "10 %"

[rear.spring]
rate = "24 N/mm"
free_length = "250 mm"
solid_length = "88 mm"
rate_tolerance = "5 %"

[rear.coilover]
upper = ["-55 mm", "385 mm", "275 mm"]
lower = ["-55 mm", "500 mm", "20 mm"]
extended = "450 mm"
compressed = "300 mm"
hardware = "180 mm"
friction = "25 N"

[rear.collar]
height = "24 mm"
lowest = "0 mm"
highest = "60 mm"
pitch = "2 mm"
step = "1/4 turn"
uncertainty = "0.5 mm"

[rear.link]
name = "rear link"
frame_end = ["-120 mm", "430 mm", "-25 mm"]
axle_end = ["-120 mm", "-395 mm", "90 mm"]
length = "825 mm"

[front]
axle = "independent"
stands_on = "tyres"
track = "1340 mm"
unsprung = "60 kg"
axle_height = "308 mm"
motion_ratio = 0.62

[front.tyre]
radius = "315.5 mm"
rate = "190 N/mm"
rate_uncertainty = "10 %"

[front.spring]
rate = "55 N/mm"
free_length = "175 mm"
solid_length = "78 mm"
rate_tolerance = "5 %"

[front.coilover]
extended = "335 mm"
compressed = "250 mm"
hardware = "145 mm"
design_length = "305 mm"
friction = "35 N"

[front.collar]
height = "20 mm"
lowest = "0 mm"
highest = "45 mm"
pitch = "1.5 mm"
step = "1/4 turn"
uncertainty = "0.5 mm"

[weight]
sprung = "410 kg"
centre = ["1250 mm", "0 mm", "200 mm"]
uncertainty = "12 kg"
centre_uncertainty = "30 mm"
"#;

const AIMS: &str = r#"
[[load]]
name = "deck"
weight = "95 kg"
at = ["250 mm", "0 mm", "280 mm"]
uncertainty = "3 kg"

[[load]]
name = "tank"
weight = "48 kg"
at = ["700 mm", "300 mm", "120 mm"]
uncertainty = "2 kg"

[[case]]
name = "bare"
loads = []

[[case]]
name = "helper on"
loads = ["helper"]

[[case]]
name = "helper and sandbags"
loads = ["helper", "sandbags"]

[[case]]
name = "finished"
loads = ["deck", "tank"]

[target]
case = "finished"
roll = "0 deg"
roll_tolerance = "0.3 deg"
pitch = "0 deg"
pitch_tolerance = "0.3 deg"

[[target.height]]
station = "rear left"
height = "420 mm"
tolerance = "5 mm"

[[target.height]]
station = "rear right"
height = "420 mm"
tolerance = "5 mm"

[[target.height]]
station = "front left"
height = "418 mm"
tolerance = "5 mm"

[[target.height]]
station = "front right"
height = "418 mm"
tolerance = "5 mm"

[[target.link]]
link = "rear link"
angle = "0 deg"
tolerance = "1 deg"
"#;

/// The loads of the test, where the builder tells them to go.
fn loads() -> String {
    let load = |name: &str, mass: &str, place: [f64; 3], limits: [&str; 2]| {
        format!(
            "\n[[load]]\nname = {}\nweight = \"{mass}\"\nat = {}\nuncertainty = \"{}\"\n\
             place_uncertainty = \"{}\"\n",
            quoted(name),
            point(place),
            limits[0],
            limits[1]
        )
    };
    load(HELPER, "78 kg", HELPER_PLACE_M, ["1 kg", "40 mm"])
        + &load(SANDBAGS, "50 kg", SANDBAGS_PLACE_M, ["0.5 kg", "20 mm"])
}

fn sensor(fitting: &Fitting, port: Option<&PathBuf>) -> String {
    let (reads, zero, zero_limit, scale_limit) = match fitting.looks {
        Looks::FrameRoll => ("frame roll", "0 deg", tilt_limit(), TILT_SCALE_LIMIT),
        Looks::FramePitch => ("frame pitch", "0 deg", tilt_limit(), TILT_SCALE_LIMIT),
        Looks::RearLink => ("rear link angle", "0 deg", tilt_limit(), TILT_SCALE_LIMIT),
        Looks::Floor(_) => (
            "frame to floor",
            "0 mm",
            format!("{DISTANCE_ZERO_LIMIT_MM} mm"),
            DISTANCE_SCALE_LIMIT,
        ),
    };
    let mut text = format!("\n[[sensor]]\nname = {}\n", quoted(fitting.name));
    let mut line = |key: &str, value: &str| {
        let _ = writeln!(text, "{key} = {value}");
    };
    if let Some(port) = port {
        line("port", &quoted(&port.to_string_lossy()));
    }
    line("baud", "115200");
    line("protocol", "\"wire\"");
    line("device", &format!("\"{:#018x}\"", fitting.device));
    line("channel", "0");
    line("reads", &quoted(reads));
    if let Looks::Floor(from) = fitting.looks {
        line("from", &point(from));
    }
    line("zero", &quoted(zero));
    line("zero_uncertainty", &quoted(&zero_limit));
    line(
        "scale_uncertainty",
        &format!("\"{} %\"", scale_limit * 100.0),
    );
    line("deadline", "\"2 s\"");
    text
}

fn tilt_limit() -> String {
    format!("{TILT_ZERO_LIMIT_DEG} deg")
}

fn point(place_m: [f64; 3]) -> String {
    let [x, y, z] = place_m.map(|metres| quoted(&format!("{} mm", (metres * 1e3).round())));
    format!("[{x}, {y}, {z}]")
}

/// A string as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearsal::chassis::Chassis;

    fn table() -> toml::Table {
        let ports: Vec<PathBuf> = FITTINGS
            .iter()
            .map(|fitting| PathBuf::from(format!("/dev/some \"odd\" {}", fitting.name)))
            .collect();
        sheet_text(&ports).parse().expect("it is TOML")
    }

    /// A quantity of the sheet as a bare number in its own unit.
    fn number(table: &toml::Table, path: &[&str]) -> f64 {
        let (last, tables) = path.split_last().expect("a path");
        let inner = tables
            .iter()
            .fold(table, |table, key| table[*key].as_table().expect("a table"));
        let text = inner[*last].as_str().expect("text");
        let (number, _) = text.split_once(' ').expect("number and unit");
        number.parse().expect("a number")
    }

    #[test]
    fn names_every_sensor_with_its_port() {
        let table = table();
        let sensors = table["sensor"].as_array().expect("sensors");
        assert_eq!(sensors.len(), FITTINGS.len());
        for (sensor, fitting) in sensors.iter().zip(FITTINGS) {
            assert_eq!(sensor["name"].as_str(), Some(fitting.name));
            let port = format!("/dev/some \"odd\" {}", fitting.name);
            assert_eq!(sensor["port"].as_str(), Some(port.as_str()));
            let id = sensor["device"]
                .as_str()
                .and_then(|id| u64::from_str_radix(id.trim_start_matches("0x"), 16).ok());
            assert_eq!(id, Some(fitting.device));
        }
    }

    /// What the builder believes is wrong, but not by more than the sheet says
    /// it may be; and what is measured well is as it is.
    #[test]
    fn belief_is_off_within_its_limits() {
        let table = table();
        let van = Chassis::van();
        let near = |path: &[&str], truth: f64, limit: f64| {
            let believed = number(&table, path);
            let off = (believed - truth).abs();
            assert!(off <= limit, "{path:?}: {believed} against {truth}");
        };
        for coilover in van.rear.coilovers {
            let rate = coilover.unit.rate_n_per_m * 1e-3;
            near(&["rear", "spring", "rate"], rate, 0.05 * 24.0);
            assert!((rate - 24.0).abs() > 0.4);
            near(
                &["rear", "collar", "height"],
                coilover.unit.collar_m * 1e3,
                0.5,
            );
            near(
                &["rear", "coilover", "hardware"],
                coilover.unit.hardware_m * 1e3,
                1e-9,
            );
            near(
                &["rear", "coilover", "extended"],
                coilover.unit.extended_m * 1e3,
                1e-9,
            );
        }
        for unit in van.front.units {
            near(
                &["front", "spring", "rate"],
                unit.rate_n_per_m * 1e-3,
                0.05 * 55.0,
            );
            near(&["front", "collar", "height"], unit.collar_m * 1e3, 0.5);
            near(
                &["front", "coilover", "hardware"],
                unit.hardware_m * 1e3,
                1e-9,
            );
        }
        near(&["weight", "sprung"], van.frame.mass_kg, 12.0);
        near(
            &["rear", "tyre", "rate"],
            van.rear.tyre.rate_n_per_m * 1e-3,
            19.0,
        );
        near(
            &["front", "tyre", "rate"],
            van.front.tyre.rate_n_per_m * 1e-3,
            19.0,
        );
        near(
            &["rear", "link", "length"],
            van.rear.link.length_m * 1e3,
            1e-9,
        );
        near(&["frame", "wheelbase"], van.wheelbase_m * 1e3, 1e-9);
        near(&["rear", "track"], van.rear.track_m * 1e3, 1e-9);
        near(&["front", "track"], van.front.track_m * 1e3, 1e-9);
        near(
            &["front", "coilover", "design_length"],
            van.front.design_length_m * 1e3,
            1e-9,
        );
        near(
            &["floor", "slope_uncertainty"],
            van.floor.roll_rad.to_degrees(),
            0.6,
        );
        assert!(van.floor.roll_rad.to_degrees().abs() <= 0.6);
    }
}
