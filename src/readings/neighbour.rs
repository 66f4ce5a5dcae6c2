//! The sheet's neighbour file: which sensor is where, and its zeros.
//!
//! In: the text of `van.sensors.toml` beside `van.toml`, and what finding and
//! zeroing found out. Out: the text again; for each sensor of the sheet how it
//! is reached and its newest [`Calibration`]. Refused: unknown keys, numbers
//! that are not finite, dates that are none, a file of a newer form.
//!
//! # The form
//!
//! TOML, written by the program, readable and editable by hand (comments are
//! not kept). Every value names its unit; uncertainties are standard ones.
//!
//! ```toml
//! form = 1
//!
//! [[place]]                       # by 'sensors find': the newest of a name counts
//! sensor = "height rear left"     # name in the sheet
//! found = "2026-11-25T10:00:00Z"
//! device = "0x6b1d40c29a000021"   # what tells it from others: a device id ...
//! channel = 0
//! usb = "1209:0001"               # ... else the adapter's USB serial number or socket ...
//! usb_serial = "A1"
//! port = "/dev/ttyUSB0"           # ... else the port's path
//! baud = 115200
//!
//! [[zero]]                        # by 'zero': old ones stay
//! sensor = "frame roll"
//! at = "2026-11-25T10:05:00Z"
//! device = "0x6b1d40c29a000011/0"
//! by = "reversal"
//! readings = 4
//! zero_deg = 0.1
//! zero_standard_uncertainty_deg = 0.012
//!
//! [[floor]]                       # by 'zero --floor': the newest counts
//! at = "2026-11-25T10:30:00Z"
//! by = "water level"
//! height_standard_uncertainty_mm = 0.5
//! [[floor.spot]]
//! spot = "wheel rear left"
//! x_mm = 0.0
//! y_mm = 700.0
//! height_mm = 1.5
//! ```

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::zeroing::{FloorSpot, Shown};
use super::{Calibration, kind_due};
use crate::drivers::{SampleKind, Source};
use crate::ports::UsbIdentity;
use crate::quantity::{Moment, Span};
use crate::sheet::{BuildSheet, Protocol, Sensor, replace, text_of};

/// The form that is written, and the newest that is read.
const FORM: u32 = 1;
/// More bytes than years of zeros have.
const MOST_BYTES: usize = 1 << 22;
/// How far a sensor may be tilted across its own direction when it is read:
/// standard uncertainty, 1.5 degrees. Chosen, because a bracket is set square
/// by eye and a frame leans by about so much while it is built.
const TILT_ACROSS_RAD: f64 = 1.5 * std::f64::consts::PI / 180.0;
/// A zero older than this is said to be old, unless told otherwise.
pub const OLD_ZERO: Span = Span::from_us(30 * 86_400 * 1_000_000);

/// Everything in the file.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Neighbour {
    form: u32,
    /// Which device is where.
    #[serde(default, rename = "place", skip_serializing_if = "Vec::is_empty")]
    pub places: Vec<Place>,
    /// Every zero that was found, oldest first.
    #[serde(default, rename = "zero", skip_serializing_if = "Vec::is_empty")]
    pub zeros: Vec<Zero>,
    /// Every floor that was mapped, oldest first.
    #[serde(default, rename = "floor", skip_serializing_if = "Vec::is_empty")]
    pub floors: Vec<FloorMap>,
}

/// A device in its place.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Name of the sensor in the sheet.
    pub sensor: String,
    /// When it was found.
    pub found: String,
    /// Device id, `0x` and hexadecimal digits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device: Option<String>,
    /// Channel of the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<u8>,
    /// Name in a sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub transducer: Option<String>,
    /// Address on a Modbus.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<u8>,
    /// USB vendor and product, `1209:0001`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usb: Option<String>,
    /// The adapter's serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usb_serial: Option<String>,
    /// The socket, for an adapter without a serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usb_socket: Option<String>,
    /// Path of the port when it was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Line speed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub baud: Option<u32>,
}

/// A zero of a sensor; degrees or millimetres after the kind of sensor.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Zero {
    /// Name of the sensor in the sheet.
    pub sensor: String,
    /// When.
    pub at: String,
    /// Which device, as [`device_words`] says it.
    pub device: String,
    /// How: `reversal` or `blocks`.
    pub by: String,
    /// How many readings are in it.
    pub readings: u32,
    /// Tilt: what it shows when level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero_deg: Option<f64>,
    /// Its standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero_standard_uncertainty_deg: Option<f64>,
    /// Tilt: slope of the surface that it was turned on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub surface_slope_deg: Option<f64>,
    /// Tilt: it is mounted the other way round.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reversed: Option<bool>,
    /// Tilt: how much of a tilt across it shows, as a share.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cross_axis: Option<f64>,
    /// Distance: what it shows too much at the reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero_mm: Option<f64>,
    /// Its standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero_standard_uncertainty_mm: Option<f64>,
    /// Distance: the middle of the blocks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference_mm: Option<f64>,
    /// Distance: growth of the error, millimetres in a metre.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale_mm_per_m: Option<f64>,
    /// Its standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scale_standard_uncertainty_mm_per_m: Option<f64>,
    /// The sensor's own temperature meanwhile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Tilt: change of the zero for a degree Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warming_deg_per_c: Option<f64>,
    /// Distance: change of the zero for a degree Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warming_mm_per_c: Option<f64>,
}

/// A mapped floor.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FloorMap {
    /// When.
    pub at: String,
    /// How: `water level` or `straight edge`.
    pub by: String,
    /// Standard uncertainty of one height.
    pub height_standard_uncertainty_mm: f64,
    /// The spots.
    #[serde(rename = "spot")]
    pub spots: Vec<Spot>,
}

/// A spot of the floor.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spot {
    /// Its name: `wheel rear left`, or `under ` and a sensor's name.
    pub spot: String,
    /// Forward of the rear axle.
    pub x_mm: f64,
    /// To the left of the centre line.
    pub y_mm: f64,
    /// Over a level plane, whichever.
    pub height_mm: f64,
}

/// Why the file cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NeighbourError {
    /// The file cannot be read or written.
    #[error("cannot {doing} '{}': {source}", path.display())]
    File {
        /// `read` or `write`.
        doing: &'static str,
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Its text is no such file.
    #[error("'{}' cannot be used: {why}", path.display())]
    Text {
        /// Which.
        path: PathBuf,
        /// What is wrong and where.
        why: String,
    },
    /// A newer program wrote it.
    #[error("'{}' has form {form}, this program knows {FORM}", path.display())]
    Newer {
        /// Which.
        path: PathBuf,
        /// Its form.
        form: u32,
    },
}

impl NeighbourError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::File { .. } => "readings.neighbour.file",
            Self::Text { .. } => "readings.neighbour.text",
            Self::Newer { .. } => "readings.neighbour.newer",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::File { .. } => "check the file's permissions and the room on the disk",
            Self::Text { .. } => {
                "mend what is named, or move the file away and find and zero the sensors again"
            }
            Self::Newer { .. } => "use the newer program that wrote it",
        }
    }
}

/// The neighbour file of a sheet: `van.toml` -> `van.sensors.toml`.
pub fn neighbour_path(sheet: &Path) -> PathBuf {
    if sheet
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("toml"))
    {
        sheet.with_extension("sensors.toml")
    } else {
        let mut name = sheet.as_os_str().to_owned();
        name.push(".sensors.toml");
        PathBuf::from(name)
    }
}

/// A moment as the file has it.
pub fn date_words(at: Moment) -> String {
    jiff::Timestamp::from_microsecond(at.unix_us())
        .map_or_else(|_| "1970-01-01T00:00:00Z".to_owned(), |t| t.to_string())
}

fn date(text: &str) -> Option<Moment> {
    let date: jiff::Timestamp = text.parse().ok()?;
    Some(Moment::from_unix_us(date.as_microsecond()))
}

/// What tells one device from another, in words: its id and channel, else its
/// adapter, else its port; with its name in the sentence.
pub fn device_words(source: &Source, usb: Option<&UsbIdentity>, port: &str) -> String {
    match (source, usb.filter(|usb| usb.is_telling())) {
        (Source::Named(name), Some(usb)) => format!("usb {usb}, {name}"),
        (Source::Named(name), None) => format!("port {port}, {name}"),
        (other, _) => other.to_string(),
    }
}

impl Neighbour {
    /// Reads the file; one that is not there is an empty one.
    ///
    /// # Errors
    /// It cannot be read, or is no such file.
    pub fn load(path: &Path) -> Result<Self, NeighbourError> {
        match text_of(path, MOST_BYTES) {
            Ok(text) => Self::parse(&text, path),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(source) => Err(NeighbourError::File {
                doing: "read",
                path: path.to_owned(),
                source,
            }),
        }
    }

    /// Reads a text; the path is for messages.
    ///
    /// # Errors
    /// It is no such file.
    pub fn parse(text: &str, path: &Path) -> Result<Self, NeighbourError> {
        let wrong = |why: String| NeighbourError::Text {
            path: path.to_owned(),
            why,
        };
        let table: toml::Table = text
            .parse()
            .map_err(|e: toml::de::Error| wrong(e.to_string().trim_end().to_owned()))?;
        let form = table.get("form").and_then(toml::Value::as_integer);
        if let Some(form) = form
            && form > i64::from(FORM)
        {
            return Err(NeighbourError::Newer {
                path: path.to_owned(),
                form: u32::try_from(form).unwrap_or(u32::MAX),
            });
        }
        let read: Self =
            toml::from_str(text).map_err(|e| wrong(e.to_string().trim_end().to_owned()))?;
        for zero in &read.zeros {
            zero.check()
                .map_err(|why| wrong(format!("zero of '{}': {why}", zero.sensor)))?;
        }
        for floor in &read.floors {
            floor
                .check()
                .map_err(|why| wrong(format!("floor of '{}': {why}", floor.at)))?;
        }
        for place in &read.places {
            place
                .check()
                .map_err(|why| wrong(format!("place of '{}': {why}", place.sensor)))?;
        }
        Ok(read)
    }

    /// The text of the file.
    pub fn text(&self) -> String {
        let form = Self {
            form: FORM,
            ..self.clone()
        };
        let body = toml::to_string(&form).unwrap_or_default();
        format!(
            "# Which sensor is where, and its zeros. Written by 'stillheight sensors find' and\n\
             # 'stillheight zero'; read by 'stillheight watch'. May be edited; comments are not kept.\n\n{body}"
        )
    }

    /// Writes the file: into a new one beside it first, so that a full disk or
    /// a power cut leaves the old one whole.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn save(&self, path: &Path) -> Result<(), NeighbourError> {
        let failed = |source| NeighbourError::File {
            doing: "write",
            path: path.to_owned(),
            source,
        };
        replace(path, self.text().as_bytes()).map_err(failed)
    }

    /// Puts a device in a place. What was there before goes, and so does the
    /// place where this device was before; its name comes back.
    pub fn bind(&mut self, place: Place) -> Option<String> {
        let moved = self
            .places
            .iter()
            .find(|p| p.sensor != place.sensor && p.is_same_device(&place))
            .map(|p| p.sensor.clone());
        self.places
            .retain(|p| p.sensor != place.sensor && !p.is_same_device(&place));
        self.places.push(place);
        moved
    }

    /// The place of a sensor.
    pub fn place(&self, sensor: &str) -> Option<&Place> {
        self.places.iter().rev().find(|p| p.sensor == sensor)
    }

    /// The newest zero of a sensor that was found with this very device.
    pub fn newest_zero(&self, sensor: &str, device: &str) -> Option<&Zero> {
        self.zeros
            .iter()
            .filter(|z| z.sensor == sensor && z.device == device)
            .max_by_key(|z| date(&z.at))
    }

    /// The newest zero of a sensor, whichever device it had.
    pub fn newest_zero_of_any(&self, sensor: &str) -> Option<&Zero> {
        self.zeros
            .iter()
            .filter(|z| z.sensor == sensor)
            .max_by_key(|z| date(&z.at))
    }

    /// The newest floor.
    pub fn newest_floor(&self) -> Option<&FloorMap> {
        self.floors.iter().max_by_key(|f| date(&f.at))
    }

    /// Puts into a sheet how each sensor is reached: ids, names, ports and
    /// speeds. Gives for each sensor the adapter that carries it, where that is
    /// what it is known by.
    pub fn place_sensors(&self, sheet: &mut BuildSheet) -> Vec<Option<UsbIdentity>> {
        sheet
            .sensors
            .iter_mut()
            .map(|sensor| {
                let place = self.place(&sensor.name)?;
                place.put_into(sensor);
                let by_id = matches!(sensor.connection.protocol, Protocol::Wire { .. });
                place
                    .usb_identity()
                    .filter(|usb| !by_id && usb.is_telling())
            })
            .collect()
    }
}

impl Place {
    fn check(&self) -> Result<(), String> {
        if let Some(device) = &self.device
            && device_id(device).is_none()
        {
            return Err(format!(
                "device '{device}' is not like '0x6b1d40c29a000021'"
            ));
        }
        if let Some(usb) = &self.usb
            && usb_pair(usb).is_none()
        {
            return Err(format!("usb '{usb}' is not like '1209:0001'"));
        }
        if self.device.is_none() && self.usb.is_none() && self.port.is_none() {
            return Err("neither device nor usb nor port".to_owned());
        }
        Ok(())
    }

    /// The adapter it names.
    pub fn usb_identity(&self) -> Option<UsbIdentity> {
        let (vendor, product) = usb_pair(self.usb.as_deref()?)?;
        Some(UsbIdentity {
            vendor,
            product,
            serial: self.usb_serial.clone(),
            socket: self.usb_socket.clone(),
        })
    }

    fn is_same_device(&self, other: &Self) -> bool {
        if self.device.is_some() || other.device.is_some() {
            return self.device == other.device && self.channel == other.channel;
        }
        let same_adapter = match (self.usb_identity(), other.usb_identity()) {
            (Some(one), Some(two)) if one.is_telling() => one.is_same_adapter(&two),
            _ => self.port == other.port,
        };
        same_adapter && self.transducer == other.transducer && self.address == other.address
    }

    fn put_into(&self, sensor: &mut Sensor) {
        let connection = &mut sensor.connection;
        match &mut connection.protocol {
            Protocol::Wire { device, channel } => {
                if let Some(id) = self.device.as_deref().and_then(device_id) {
                    (*device, *channel) = (id, self.channel.unwrap_or(0));
                    // Its id finds it on any port.
                    connection.port = None;
                } else if self.port.is_some() {
                    connection.port.clone_from(&self.port);
                }
            }
            other => {
                if let (Protocol::Xdr { transducer }, Some(name)) = (&mut *other, &self.transducer)
                {
                    transducer.clone_from(name);
                }
                if let (Protocol::Modbus { address, .. }, Some(found)) = (other, self.address) {
                    *address = found;
                }
                if self.port.is_some() {
                    connection.port.clone_from(&self.port);
                }
            }
        }
        if let Some(baud) = self.baud {
            connection.baud = baud;
        }
    }
}

fn device_id(text: &str) -> Option<u64> {
    let digits = text
        .strip_prefix("0x")
        .or_else(|| text.strip_prefix("0X"))?;
    u64::from_str_radix(digits, 16).ok()
}

fn usb_pair(text: &str) -> Option<(u16, u16)> {
    let (vendor, product) = text.split_once(':')?;
    let hex = |t: &str| u16::from_str_radix(t, 16).ok();
    Some((hex(vendor)?, hex(product)?))
}

impl Zero {
    fn check(&self) -> Result<(), String> {
        if date(&self.at).is_none() {
            return Err(format!(
                "the date '{}' is not like 2026-11-25T09:19:23Z",
                self.at
            ));
        }
        let numbers = [
            self.zero_deg,
            self.zero_standard_uncertainty_deg,
            self.surface_slope_deg,
            self.cross_axis,
            self.zero_mm,
            self.zero_standard_uncertainty_mm,
            self.reference_mm,
            self.scale_mm_per_m,
            self.scale_standard_uncertainty_mm_per_m,
            self.temperature_c,
            self.warming_deg_per_c,
            self.warming_mm_per_c,
        ];
        if numbers.iter().flatten().any(|x| !x.is_finite()) {
            return Err("a number that is not finite".to_owned());
        }
        let angle = self.zero_deg.is_some() && self.zero_standard_uncertainty_deg.is_some();
        let length = self.zero_mm.is_some() && self.zero_standard_uncertainty_mm.is_some();
        if angle == length {
            return Err(
                "either zero_deg or zero_mm, with its standard uncertainty, must be there"
                    .to_owned(),
            );
        }
        let below_zero = [
            self.zero_standard_uncertainty_deg,
            self.zero_standard_uncertainty_mm,
            self.scale_standard_uncertainty_mm_per_m,
        ];
        if below_zero.iter().flatten().any(|x| *x < 0.0) {
            return Err("a standard uncertainty below zero".to_owned());
        }
        Ok(())
    }

    /// When it was found.
    pub fn moment(&self) -> Moment {
        date(&self.at).unwrap_or_default()
    }

    /// The zero in radians or metres.
    pub fn shown(&self) -> Shown {
        let si = |deg: Option<f64>, mm: Option<f64>| {
            deg.map(f64::to_radians)
                .or(mm.map(|mm| mm * 1e-3))
                .unwrap_or(0.0)
        };
        Shown {
            value: si(self.zero_deg, self.zero_mm),
            u: si(
                self.zero_standard_uncertainty_deg,
                self.zero_standard_uncertainty_mm,
            ),
        }
    }

    /// What it is for a sensor of the sheet; nothing where it is a zero of
    /// another kind of sensor.
    pub fn calibration(&self, sensor: &Sensor) -> Option<Calibration> {
        let kind = kind_due(&sensor.reads);
        let of_sheet = Calibration::of(sensor);
        let shown = self.shown();
        match kind {
            SampleKind::Angle => {
                self.zero_deg?;
                let across = self.cross_axis.unwrap_or(0.0) * TILT_ACROSS_RAD;
                Some(Calibration {
                    zero: shown.value,
                    zero_uncertainty: shown.u.hypot(across),
                    reversed: self.reversed.unwrap_or(of_sheet.reversed),
                    warming: self
                        .warming_deg_per_c
                        .map(f64::to_radians)
                        .zip(self.temperature_c),
                    ..of_sheet
                })
            }
            SampleKind::Distance => {
                self.zero_mm?;
                Some(Calibration {
                    zero: shown.value,
                    zero_uncertainty: shown.u,
                    scale: self.scale_mm_per_m.unwrap_or(0.0) * 1e-3,
                    scale_uncertainty: self
                        .scale_standard_uncertainty_mm_per_m
                        .map_or(of_sheet.scale_uncertainty, |u| u * 1e-3),
                    reference: self.reference_mm.unwrap_or(0.0) * 1e-3,
                    warming: self
                        .warming_mm_per_c
                        .map(|mm| mm * 1e-3)
                        .zip(self.temperature_c),
                    ..of_sheet
                })
            }
        }
    }
}

impl FloorMap {
    fn check(&self) -> Result<(), String> {
        if date(&self.at).is_none() {
            return Err("the date is not like 2026-11-25T09:19:23Z".to_owned());
        }
        let mut numbers = self
            .spots
            .iter()
            .flat_map(|s| [s.x_mm, s.y_mm, s.height_mm]);
        let u = self.height_standard_uncertainty_mm;
        if !(u.is_finite() && u >= 0.0 && numbers.all(f64::is_finite)) {
            return Err("a number that is not finite, or an uncertainty below zero".to_owned());
        }
        Ok(())
    }

    /// When it was mapped.
    pub fn moment(&self) -> Moment {
        date(&self.at).unwrap_or_default()
    }

    /// The spots in metres.
    pub fn spots_m(&self) -> Vec<FloorSpot> {
        self.spots
            .iter()
            .map(|s| FloorSpot {
                x: s.x_mm * 1e-3,
                y: s.y_mm * 1e-3,
                height: s.height_mm * 1e-3,
            })
            .collect()
    }
}
