//! Sensors: how each speaks and what it reads.
//!
//! In: the sensor tables. Out: the sensors as meant. Refused: one that nothing
//! can find, two that are the same, one that reads what is not there.

use std::collections::BTreeMap;

use super::super::mistakes::{Found, Place, Wrong};
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{Connection, Measurand, Protocol, Sensor, TiltOn};
use super::{Check, standard_share};
use crate::quantity::{Angle, Dimension, Length, Quantity, QuantityError, UnitSystem};

/// Where the sheet does not say how far a zero may be off: what a sensor that
/// was set down with care and never zeroed may show. Chosen.
const ZERO_LIMIT_TILT: Angle = Angle::from_deg(0.3);
const ZERO_LIMIT_DISTANCE: Length = Length::from_mm(2.0);

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
