//! `sensors` and `sensors try`: which ports there are, what speaks on each.
//!
//! In: ports. Out: a list with USB identity, protocol, speed, devices, how well
//! they are heard; the lines for the sheet. Refused: nothing; a port that may
//! not be opened is listed with what to do.

pub(super) mod ear;
pub(super) mod find;
pub(super) mod fitted;
pub(super) mod guess;
pub(super) mod steps;
pub(super) mod trial;

use crate::drivers::{SampleKind, Source};
use crate::ports::{PortName, System, port_name};
use crate::quantity::decimals;
use crate::report::Table;
use crate::run::arguments::{SensorsAction, SensorsArguments, TryArguments};
use crate::run::sensors::ear::Ear;
use crate::run::sensors::trial::{
    DeviceReport, Known, Listening, PortReport, PortState, Speaks, all_ports, listen,
};
use crate::run::{Failure, sheets};
use serde_json::{Map, Value, json};
use std::fmt::Write as _;
use std::process::ExitCode;

pub(super) fn run(arguments: &SensorsArguments) -> Result<ExitCode, Failure> {
    match &arguments.action {
        Some(SensorsAction::Try(tried)) => try_port(tried),
        Some(SensorsAction::Find(find)) => find::run(find),
        None => {
            let mut given = arguments.port.clone();
            let mut known = Vec::new();
            if let Some(path) = &arguments.sheet {
                let sheet = sheets::read(path)?;
                let ports = sheet
                    .sensors
                    .iter()
                    .filter_map(|s| s.connection.port.as_ref());
                given.extend(ports.map(std::path::PathBuf::from));
                known = Known::of(&sheet);
            }
            let (ports, found) = all_ports(&given);
            let how = Listening {
                baud: None,
                seconds: arguments.length,
                known,
            };
            let mut ear = Ear::new()?;
            let reports = listen(&mut ear, &ports, &how, &found)?;
            ear.shut();
            if arguments.json {
                sheets::print_json(
                    &json!({ "ports": reports.iter().map(json_of).collect::<Vec<_>>() }),
                )?;
            } else {
                sheets::print(&list_text(&reports))?;
            }
            Ok(ExitCode::SUCCESS)
        }
    }
}

fn try_port(arguments: &TryArguments) -> Result<ExitCode, Failure> {
    let (_, found) = all_ports(&[]);
    let how = Listening {
        baud: arguments.baud,
        seconds: arguments.length,
        known: Vec::new(),
    };
    let mut ear = Ear::new()?;
    let ports = [arguments.port.clone()];
    let reports = listen(&mut ear, &ports, &how, &found)?;
    ear.shut();
    let Some(report) = reports.first() else {
        return Ok(ExitCode::SUCCESS);
    };
    match &report.state {
        PortState::Speaks(speaks) => {
            if arguments.json {
                let mut value = json_of(report);
                value["sheet"] = json!(sheet_lines(report, speaks));
                sheets::print_json(&value)?;
            } else {
                sheets::print(&list_text(&reports))?;
                sheets::print(&format!(
                    "\nfor the sheet; name each, and say what it reads:\n\n{}",
                    sheet_lines(report, speaks)
                ))?;
            }
            Ok(ExitCode::SUCCESS)
        }
        PortState::Refused(error) => Err(error.clone().into()),
        PortState::Silent { tried } => Err(Failure::users(
            "sensors.try.silent",
            format!(
                "nothing came on '{}' at {}",
                report.path.display(),
                speeds_words(tried)
            ),
            "check power and wiring (its TX to your RX), and whether it speaks only when asked: \
             then its protocol must be written in the sheet",
        )),
        PortState::Unknown {
            looks,
            guess: Some(guess),
            ..
        } => {
            if arguments.json {
                let mut value = json_of(report);
                value["sheet"] = json!(guess);
                sheets::print_json(&value)?;
            } else {
                sheets::print(&format!(
                    "{}: lines of text in no protocol known here\n  {looks}\n\nfor the sheet, to begin with; \
                     see that the number and its unit are right:\n\n{guess}",
                    report.path.display()
                ))?;
            }
            Ok(ExitCode::SUCCESS)
        }
        PortState::Unknown {
            tried,
            bytes,
            looks,
            ..
        } => Err(Failure::users(
            "sensors.try.unknown",
            format!(
                "{bytes} bytes came on '{}' and no protocol fits at {}\n  {looks}",
                report.path.display(),
                speeds_words(tried)
            ),
            "look up the sensor's speed and form in its paper, try --baud, and describe it in the sheet",
        )),
    }
}

fn speeds_words(tried: &[u32]) -> String {
    let all: Vec<String> = tried.iter().map(u32::to_string).collect();
    format!("{} baud", all.join(", "))
}

/// The `[[sensor]]` tables for what speaks on a port.
pub(super) fn sheet_lines(report: &PortReport, speaks: &Speaks) -> String {
    let mut text = String::new();
    for (i, device) in speaks.devices.iter().enumerate() {
        let quoted = |s: &str| toml::Value::String(s.to_owned()).to_string();
        let _ = writeln!(text, "[[sensor]]\nname = \"sensor {}\"", i + 1);
        let _ = writeln!(text, "protocol = \"{}\"", speaks.protocol);
        match &device.source {
            Source::Wire { device, channel } => {
                let _ = writeln!(text, "device = \"{device:#018x}\"\nchannel = {channel}");
            }
            Source::Named(name) => {
                let _ = writeln!(text, "transducer = {}", quoted(name));
            }
        }
        let pinned = match &device.source {
            Source::Wire { .. } => {
                "     # only here; without this line it is found by its id on any port"
            }
            Source::Named(_) => "",
        };
        let port = quoted(&report.path.to_string_lossy());
        let _ = writeln!(text, "port = {port}{pinned}");
        let _ = writeln!(text, "baud = {}", speaks.baud);
        let reads = match device.kind {
            SampleKind::Angle => {
                "reads = \"frame roll\"     # or frame pitch, rear axle roll, rear link angle, ..."
            }
            SampleKind::Distance => {
                "reads = \"frame to floor\"\nfrom = [\"0 mm\", \"500 mm\", \"0 mm\"]     # where the beam starts: x forward of the rear axle, y left, z up"
            }
        };
        let _ = writeln!(text, "{reads}\n");
    }
    text
}

fn list_text(reports: &[PortReport]) -> String {
    if reports.is_empty() {
        return "no serial port is there; plug a sensor in, or name a port: --port PATH\n"
            .to_owned();
    }
    let mut table = Table::new([
        "port", "USB", "speaks", "good", "rejected", "rate", "jitter",
    ])
    .left(3);
    let mut after = String::new();
    for report in reports {
        let usb = report
            .found
            .as_ref()
            .and_then(|f| f.usb.as_ref())
            .map_or_else(|| by_name(&report.path).to_owned(), ToString::to_string);
        let path = report.path.display().to_string();
        let Some(speaks) = report.speaks() else {
            let mut cells = vec![path.clone(), usb, report.words()];
            cells.resize(7, String::new());
            table.row_of(cells);
            match &report.state {
                PortState::Refused(error) => {
                    let _ = writeln!(after, "{path}: {}", error.help());
                }
                PortState::Unknown { looks, .. } => {
                    let _ = writeln!(after, "{path}: {looks}");
                }
                _ => {}
            }
            continue;
        };
        let reasons: Vec<String> = speaks
            .counts
            .by_reason()
            .map(|(why, n)| format!("{n} {}", why.name()))
            .collect();
        table.row([
            path.clone(),
            usb,
            format!("{} {}", speaks.protocol, speaks.baud),
            speaks.counts.good.to_string(),
            if reasons.is_empty() {
                "0".to_owned()
            } else {
                reasons.join(", ")
            },
            String::new(),
            String::new(),
        ]);
        for device in &speaks.devices {
            table.row([
                format!("  {}", device.source),
                String::new(),
                device_words(device),
                device.samples.to_string(),
                String::new(),
                device
                    .rate_hz
                    .map_or_else(String::new, |r| format!("{} /s", decimals(r, 1))),
                device
                    .jitter_s
                    .map_or_else(String::new, |j| format!("{} ms", decimals(j * 1e3, 1))),
            ]);
        }
    }
    let mut text = table.lines(0);
    if !after.is_empty() {
        text.push('\n');
        text.push_str(&after);
    }
    text
}

/// Kind, value and abilities of a device in words.
pub(super) fn device_words(device: &DeviceReport) -> String {
    let mut text = value_words(device.kind, device.value);
    if device.samples > 0 && !device.trusted {
        text.push_str(", not trusted by the device itself");
    }
    if let Some(t) = device.temperature_c {
        let _ = write!(text, ", {} degC", decimals(t, 1));
    }
    if let Some(identity) = &device.identity {
        let _ = write!(text, ", firmware {}", identity.firmware);
        if identity.blinks {
            text.push_str(", blinks");
        }
    }
    text
}

/// `angle +1.23 deg`, `distance 412.3 mm`.
pub(super) fn value_words(kind: SampleKind, value: f64) -> String {
    if !value.is_finite() {
        return format!("{kind}, no value yet");
    }
    match kind {
        SampleKind::Angle => format!("angle {} deg", decimals(value.to_degrees(), 2)),
        SampleKind::Distance => format!("distance {} mm", decimals(value * 1e3, 1)),
    }
}

fn json_of(report: &PortReport) -> Value {
    let mut map = Map::new();
    map.insert("port".to_owned(), json!(report.path.to_string_lossy()));
    let usb = report.found.as_ref().and_then(|f| {
        let usb = f.usb.as_ref()?;
        Some(json!({
            "vendor": format!("{:04x}", usb.vendor), "product": format!("{:04x}", usb.product),
            "serial": usb.serial, "socket": usb.socket, "name": f.product_name,
        }))
    });
    map.insert("usb".to_owned(), json!(usb));
    match &report.state {
        PortState::Refused(error) => {
            map.insert("state".to_owned(), json!("refused"));
            map.insert(
                "error".to_owned(),
                json!({ "code": error.code(), "message": error.to_string(), "help": error.help() }),
            );
        }
        PortState::Silent { tried } => {
            map.insert("state".to_owned(), json!("silent"));
            map.insert("tried_baud".to_owned(), json!(tried));
        }
        PortState::Unknown {
            tried,
            bytes,
            looks,
            ..
        } => {
            map.insert("state".to_owned(), json!("unknown"));
            map.insert("tried_baud".to_owned(), json!(tried));
            map.insert("bytes".to_owned(), json!(bytes));
            map.insert("looks".to_owned(), json!(looks));
        }
        PortState::Speaks(speaks) => {
            map.insert("state".to_owned(), json!("speaks"));
            map.insert("protocol".to_owned(), json!(speaks.protocol));
            map.insert("baud".to_owned(), json!(speaks.baud));
            map.insert("good".to_owned(), json!(speaks.counts.good));
            let rejected: Map<String, Value> = speaks
                .counts
                .by_reason()
                .map(|(why, n)| (why.name().to_owned(), json!(n)))
                .collect();
            map.insert("rejected".to_owned(), Value::Object(rejected));
            map.insert("lost".to_owned(), json!(speaks.counts.lost));
            let devices: Vec<Value> = speaks.devices.iter().map(device_json).collect();
            map.insert("devices".to_owned(), json!(devices));
        }
    }
    Value::Object(map)
}

fn device_json(device: &DeviceReport) -> Value {
    let finite = |x: f64| x.is_finite().then_some(x);
    let mut value = json!({
        "source": device.source.to_string(), "kind": device.kind.to_string(), "samples": device.samples,
        "trusted": device.trusted, "temperature_c": device.temperature_c,
        "rate_hz": device.rate_hz, "jitter_ms": device.jitter_s.map(|s| s * 1e3),
    });
    match device.kind {
        SampleKind::Angle => value["value_deg"] = json!(finite(device.value.to_degrees())),
        SampleKind::Distance => value["value_mm"] = json!(finite(device.value * 1e3)),
    }
    if let Some(identity) = &device.identity {
        value["measures"] = json!(identity.words);
        value["firmware"] = json!(identity.firmware);
        value["blinks"] = json!(identity.blinks);
        value["sets_rate"] = json!(identity.sets_rate);
    }
    value
}

/// What a port without USB is, where its name tells.
fn by_name(path: &std::path::Path) -> &'static str {
    match port_name(System::HERE, path) {
        PortName::BuiltIn => "built in",
        PortName::Bluetooth => "bluetooth",
        PortName::Pseudo => "pseudo",
        _ => "-",
    }
}
