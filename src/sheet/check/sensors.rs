//! Sensors: how each speaks and what it reads.
//!
//! In: the sensor tables. Out: the sensors as meant. Refused: one that nothing
//! can find, two that are the same, one that reads what is not there.

use std::collections::BTreeMap;

use super::super::mistakes::{Found, Place, Wrong};
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{
    Asking, Connection, Measurand, NumberOnLine, Protocol, Sensor, TiltOn,
};
use super::{Check, standard_share};
use crate::quantity::{Angle, Dimension, Length, Quantity, QuantityError, UnitSystem};

/// Where the sheet does not say how far a zero may be off: what a sensor that
/// was set down with care and never zeroed may show. Chosen.
const ZERO_LIMIT_TILT: Angle = Angle::from_deg(0.3);
const ZERO_LIMIT_DISTANCE: Length = Length::from_mm(2.0);

/// Keys that only a described protocol has.
const DESCRIBED_KEYS: &[&str] = &[
    "pattern",
    "header",
    "length",
    "check",
    "check_low_first",
    "at",
    "bytes",
    "digits",
    "low_first",
    "address",
    "function",
    "register",
    "number",
    "order",
    "timeout",
    "period",
    "unit",
    "scale",
    "start",
    "ask_every",
];

fn port_of(connection: &Connection) -> &str {
    connection.port.as_deref().unwrap_or_default()
}

/// Bytes as pairs of hexadecimal digits, `0x` in front and blanks between allowed.
fn hex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u32> = text
        .trim()
        .trim_start_matches("0x")
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| c.to_digit(16))
        .collect::<Option<_>>()?;
    if digits.is_empty() || digits.len() % 2 == 1 {
        return None;
    }
    digits
        .chunks(2)
        .map(|pair| u8::try_from(pair[0] * 16 + pair[1]).ok())
        .collect()
}

impl Check<'_> {
    pub(super) fn sensors(&mut self, typed: &Typed) -> Vec<Sensor> {
        let mut sensors = Vec::new();
        let mut names: Vec<Placed<String>> = Vec::new();
        let mut ids: BTreeMap<String, (String, Place)> = BTreeMap::new();
        for one in typed.tables("sensor") {
            let Some(name) = one.text("name") else {
                continue;
            };
            names.push(name.clone());
            let connection = self.connection(one, &name.value);
            let reads = self.reads(typed, one, &name.value);
            let zero = self.zero(one, "zero");
            let zero_uncertainty = self.zero(one, "zero_uncertainty");
            if let Some(connection) = &connection {
                self.not_the_same(one, &name, connection, &mut ids);
            }
            let (Some(connection), Some(reads), Some(zero), Some(limit)) =
                (connection, reads, zero, zero_uncertainty)
            else {
                continue;
            };
            let (Some(scale), Some(deadline)) = (one.si("scale_uncertainty"), one.si("deadline"))
            else {
                continue;
            };
            sensors.push(Sensor {
                name: name.value,
                connection,
                reads,
                zero,
                zero_uncertainty: standard_share(limit),
                scale_uncertainty: standard_share(scale.value.0),
                deadline_s: deadline.value.0,
            });
        }
        self.doubled("sensors", &names);
        sensors
    }

    fn connection(&mut self, one: &Typed, name: &str) -> Option<Connection> {
        let protocol = one.text("protocol")?.value;
        let port = one.text("port").map(|p| p.value);
        if one.has("port") && port.is_none() {
            return None;
        }
        let unfindable = !one.has("port") && !one.has("device");
        if unfindable {
            let name = name.to_owned();
            self.wrong(one.at, Wrong::SensorUnfindable { name });
        }
        if matches!(protocol.as_str(), "lines" | "frames" | "modbus") {
            self.refuse(
                one,
                &["device", "transducer"],
                "a protocol that is described here",
                "take it out: such a sensor says no id; it is found by 'port'",
            );
            if !unfindable {
                self.need(one, "port", "path of the serial port");
            }
            let baud = match one.whole("baud") {
                Some(baud) => baud.value,
                None if one.has("baud") => return None,
                None => 9600,
            };
            let protocol = self.described(one, &protocol, baud)?;
            port.as_ref()?;
            return Some(Connection {
                port,
                baud,
                protocol,
            });
        }
        self.refuse(
            one,
            DESCRIBED_KEYS,
            "'wire' and 'xdr'",
            "take it out: these protocols need no description",
        );
        let (protocol, usual_baud) = if protocol == "wire" {
            self.refuse(
                one,
                &["transducer"],
                "protocol 'wire'",
                "take it out, or write 'protocol = \"xdr\"'",
            );
            if !unfindable {
                self.need(
                    one,
                    "device",
                    "the 64-bit id that the device says of itself",
                );
            }
            let device = one.device("device")?.value;
            let channel = u8::try_from(one.whole("channel")?.value).ok()?;
            (Protocol::Wire { device, channel }, 115_200)
        } else {
            self.refuse(
                one,
                &["device"],
                "protocol 'xdr'",
                "take it out: such a sensor says no id; it is found by 'port'",
            );
            if !unfindable {
                self.need(one, "port", "path of the serial port");
            }
            self.need(
                one,
                "transducer",
                "the name of the transducer in the sentence",
            );
            let transducer = one.text("transducer")?.value;
            port.as_ref()?;
            (Protocol::Xdr { transducer }, 4800)
        };
        let baud = match one.whole("baud") {
            Some(baud) => baud.value,
            None if one.has("baud") => return None,
            None => usual_baud,
        };
        Some(Connection {
            port,
            baud,
            protocol,
        })
    }

    /// A module whose numbers are described in the sheet.
    fn described(&mut self, one: &Typed, protocol: &str, baud: u32) -> Option<Protocol> {
        let needed: &[(&str, &'static str)] = match protocol {
            "lines" => &[("pattern", "the line as it is sent, with {value}")],
            "frames" => &[
                ("header", "the bytes at the beginning of each frame"),
                ("length", "how many bytes a frame has"),
                ("at", "the first byte of the number"),
                ("bytes", "how many bytes the number takes"),
                ("digits", "\"text\", \"signed\" or \"unsigned\""),
            ],
            _ => &[
                ("address", "the device's address on the bus"),
                ("register", "the first register, counted from 0"),
            ],
        };
        for (key, about) in needed {
            self.need(one, key, about);
        }
        self.need(one, "unit", "the number's unit");
        let word =
            |key: &str, usual: &str| one.text(key).map_or_else(|| usual.to_owned(), |w| w.value);
        let flag = |key: &str| one.flag(key).is_some_and(|f| f.value);
        let small = |key: &str| u8::try_from(one.whole(key)?.value).ok();
        let seconds = |key: &str| one.si(key).map(|s| s.value.0);
        let number = NumberOnLine {
            scale: one.number("scale").map_or(1.0, |n| n.value),
            unit: one.text("unit")?.value,
        };
        let asking = Asking {
            start: self.bytes_or_text(one, "start")?,
            every_s: seconds("ask_every"),
        };
        match protocol {
            "lines" => Some(Protocol::Lines {
                pattern: one.text("pattern")?.value,
                number,
                asking,
            }),
            "frames" => Some(Protocol::Frames {
                header: self.bytes(one, "header")?,
                length: small("length")?,
                check: word("check", "none"),
                check_low_first: flag("check_low_first"),
                at: small("at")?,
                bytes: small("bytes")?,
                digits: one.text("digits")?.value,
                low_first: flag("low_first"),
                number,
                asking,
            }),
            _ => Some(Protocol::Modbus {
                address: small("address")?,
                function: one
                    .whole("function")
                    .map_or(Some(3), |_| small("function"))?,
                register: u16::try_from(one.whole("register")?.value).ok()?,
                form: word("number", "i16"),
                order: word("order", "abcd"),
                number,
                baud,
                timeout_s: seconds("timeout").unwrap_or(0.2),
                period_s: seconds("period").unwrap_or(0.2),
            }),
        }
    }

    /// Bytes as `aa 55`.
    fn bytes(&mut self, one: &Typed, key: &str) -> Option<Vec<u8>> {
        let text = one.text(key)?;
        let bytes = hex(&text.value);
        if bytes.is_none() {
            self.wrong(
                text.at,
                Wrong::NotBytes {
                    typed: text.value.clone(),
                },
            );
        }
        bytes
    }

    /// Text, or bytes where it begins with `0x`; nothing is no bytes.
    fn bytes_or_text(&mut self, one: &Typed, key: &str) -> Option<Vec<u8>> {
        match one.text(key) {
            None => Some(Vec::new()),
            Some(text) if text.value.starts_with("0x") => self.bytes(one, key),
            Some(text) => Some(text.value.into_bytes()),
        }
    }

    fn not_the_same(
        &mut self,
        one: &Typed,
        name: &Placed<String>,
        connection: &Connection,
        ids: &mut BTreeMap<String, (String, Place)>,
    ) {
        let (what, key) = match &connection.protocol {
            Protocol::Wire { device, channel } => (
                format!("device {device:#018x}, channel {channel}"),
                "device",
            ),
            Protocol::Xdr { transducer } => (
                format!(
                    "port '{}', transducer '{transducer}'",
                    connection.port.as_deref().unwrap_or_default()
                ),
                "transducer",
            ),
            Protocol::Lines { pattern, .. } => (
                format!("port '{}', line '{pattern}'", port_of(connection)),
                "pattern",
            ),
            Protocol::Frames { header, at, .. } => (
                format!(
                    "port '{}', frames that begin with {header:02x?}, byte {at}",
                    port_of(connection)
                ),
                "at",
            ),
            Protocol::Modbus {
                address,
                function,
                register,
                ..
            } => (
                format!(
                    "port '{}', address {address}, function {function}, register {register}",
                    port_of(connection)
                ),
                "register",
            ),
        };
        let place = one.place(key);
        if let Some((first, before)) = ids.get(&what) {
            let wrong = Wrong::SameSensor {
                first: first.clone(),
                second: name.value.clone(),
                what,
            };
            let found = Found::new(place, wrong).and(*before, "the other one");
            self.found.push(found);
        } else {
            ids.insert(what, (name.value.clone(), place));
        }
    }

    fn reads(&mut self, typed: &Typed, one: &Typed, name: &str) -> Option<Measurand> {
        let reads = one.text("reads")?;
        let tilt = |on| {
            Some(Measurand::Tilt {
                on,
                reversed: one.flag("reversed")?.value,
            })
        };
        let distance = reads.value.starts_with("frame to");
        if !distance {
            self.refuse(
                one,
                &["from", "to", "axle"],
                "a tilt",
                "take it out: a tilt is the same all over what it is clipped on",
            );
        }
        match reads.value.as_str() {
            "frame roll" => tilt(TiltOn::FrameRoll),
            "frame pitch" => tilt(TiltOn::FramePitch),
            "rear axle roll" => tilt(TiltOn::AxleRoll(self.axle_there(typed, &reads, name, 0)?)),
            "front axle roll" => tilt(TiltOn::AxleRoll(self.axle_there(typed, &reads, name, 1)?)),
            "rear link angle" => tilt(TiltOn::Link(self.link_there(typed, &reads, name, 0)?)),
            "front link angle" => tilt(TiltOn::Link(self.link_there(typed, &reads, name, 1)?)),
            "frame to floor" => {
                self.refuse(
                    one,
                    &["to", "axle"],
                    "'frame to floor'",
                    "take it out, or write 'reads = \"frame to axle\"'",
                );
                self.need(one, "from", "frame point where the beam starts");
                Some(Measurand::FrameToFloor {
                    from: one.point("from")?.value,
                })
            }
            _ => {
                self.need(one, "from", "frame point where the beam starts");
                self.need(one, "to", "axle point where it ends");
                self.need(one, "axle", "\"rear\" or \"front\"");
                let word = one.text("axle")?;
                let index = usize::from(word.value == "front");
                let axle = self.axle_there(typed, &word, name, index)?;
                Some(Measurand::FrameToAxle {
                    from: one.point("from")?.value,
                    axle,
                    to: one.point("to")?.value,
                })
            }
        }
    }

    /// The index, where that end has an axle.
    fn axle_there(
        &mut self,
        typed: &Typed,
        reads: &Placed<String>,
        name: &str,
        index: usize,
    ) -> Option<usize> {
        let end = if index == 0 { "rear" } else { "front" };
        let kind = typed.table(end)?.text("axle")?.value;
        if kind == "none" {
            self.nothing_to_read(reads, name, &format!("{end} axle"));
            return None;
        }
        Some(index)
    }

    /// The index, where that end has a link.
    fn link_there(
        &mut self,
        typed: &Typed,
        reads: &Placed<String>,
        name: &str,
        index: usize,
    ) -> Option<usize> {
        let end = if index == 0 { "rear" } else { "front" };
        if !typed.table(end)?.has("link") {
            self.nothing_to_read(reads, name, &format!("[{end}.link]"));
            return None;
        }
        Some(index)
    }

    fn nothing_to_read(&mut self, reads: &Placed<String>, name: &str, lacks: &str) {
        self.wrong(
            reads.at,
            Wrong::NothingToRead {
                name: name.to_owned(),
                reads: reads.value.clone(),
                lacks: lacks.to_owned(),
            },
        );
    }

    /// A zero or its limit, in radians or metres as the sensor reads.
    fn zero(&mut self, one: &Typed, key: &str) -> Option<f64> {
        let reads = one.text("reads")?.value;
        let (due, limit) = if reads.starts_with("frame to") {
            (Dimension::Length, ZERO_LIMIT_DISTANCE.m())
        } else {
            (Dimension::Angle, ZERO_LIMIT_TILT.rad())
        };
        if !one.has(key) {
            return Some(if key == "zero" { 0.0 } else { limit });
        }
        let given = one.si(key)?;
        let (si, is) = given.value;
        if is != due {
            self.wrong(
                given.at,
                Wrong::Quantity {
                    key: one.path_of(key),
                    due,
                    error: QuantityError::OtherDimension {
                        typed: match is {
                            Dimension::Angle => Angle::new(si).shown(UnitSystem::Metric),
                            _ => Length::new(si).shown(UnitSystem::Metric),
                        },
                        is,
                        due,
                    },
                },
            );
            return None;
        }
        Some(si)
    }
}
