//! All sensors of the sheet together.
//!
//! In: what the drivers heard, with the number of the port, and the moment
//! that is now. Out: a reading for each sensor, who else is there, and whether
//! a reading may be kept. Refused: samples of the wrong kind, and samples
//! under one name from two ports at once.

use std::collections::BTreeMap;

use super::{Calibration, Channel, Distrust, Gate, Quality, Reading, Stillness, kind_due};
use crate::drivers::{
    DeviceIdentity, Heard, Sample, SampleKind, Source, is_weakly_checked, source_of,
};
use crate::quantity::{Moment, Span};
use crate::sheet::Sensor;

/// Two ports that carry one name within this time are two devices.
const TWO_DEVICES: Span = Span::from_us(2_000_000);

/// So many devices that are not in the sheet are remembered. Chosen: more than
/// anybody plugs in; a device that makes up a new name every time must not fill
/// the memory.
const MOST_STRANGERS: usize = 64;

/// All sensors of a sheet.
#[derive(Debug, Clone)]
pub struct Bench {
    places: Vec<Place>,
    /// When each source was last heard, by port.
    heard: BTreeMap<Source, BTreeMap<usize, Moment>>,
    identities: BTreeMap<Source, DeviceIdentity>,
    strangers: BTreeMap<(usize, Source), Stranger>,
}

/// One sensor of the sheet.
#[derive(Debug, Clone)]
struct Place {
    source: Source,
    /// The port it is on, where the sheet says one.
    port: Option<usize>,
    kind: SampleKind,
    deadline: Span,
    channel: Channel,
    /// When a value of the wrong kind was last heard.
    wrong_kind: Option<Moment>,
    two_devices: Option<Moment>,
}

/// A device that speaks and is not in the sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Stranger {
    /// The port it is on.
    pub port: usize,
    /// Its name, to be put in the sheet.
    pub source: Source,
    /// What its values are.
    pub kind: Option<SampleKind>,
    /// What it says it is, where it has said so.
    pub identity: Option<DeviceIdentity>,
    /// How many samples came.
    pub samples: u64,
    /// Its last value in radians or metres.
    pub value: Option<f64>,
    /// When it was last heard.
    pub last: Moment,
}

/// Something that the person should know about the sensors.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Notice {
    /// A device of another kind than the sheet says.
    WrongKind {
        /// Index of the sensor.
        sensor: usize,
        /// What is due.
        due: SampleKind,
    },
    /// Two devices send under one name.
    TwoDevices {
        /// The name.
        source: Source,
        /// The ports.
        ports: Vec<usize>,
    },
    /// Two sensors of the sheet have one name.
    TwoSensors {
        /// One.
        first: usize,
        /// The other.
        second: usize,
    },
    /// A device that is not in the sheet.
    Stranger(Stranger),
}

impl Notice {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::WrongKind { .. } => "readings.sensor.wrong_kind",
            Self::TwoDevices { .. } => "readings.sensor.two_devices",
            Self::TwoSensors { .. } => "readings.sensor.two_places",
            Self::Stranger(_) => "readings.sensor.stranger",
        }
    }

    /// The message, with the names that the sheet gives the sensors.
    pub fn words(&self, sensors: &[Sensor]) -> String {
        let name = |index: usize| {
            sensors
                .get(index)
                .map_or_else(|| index.to_string(), |sensor| sensor.name.clone())
        };
        match self {
            Self::WrongKind { sensor, due } => format!(
                "sensor '{}' should give {}, and its device does not",
                name(*sensor),
                match due {
                    SampleKind::Angle => "an angle",
                    SampleKind::Distance => "a distance",
                }
            ),
            Self::TwoDevices { source, .. } => {
                format!("two devices say that they are '{source}'")
            }
            Self::TwoSensors { first, second } => format!(
                "sensors '{}' and '{}' are one and the same device",
                name(*first),
                name(*second)
            ),
            Self::Stranger(stranger) => {
                let what = stranger.kind.map_or_else(
                    || "nothing that can be used".to_owned(),
                    |kind| kind.to_string(),
                );
                format!(
                    "device '{}' is not in the sheet; it gives {what}",
                    stranger.source
                )
            }
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::WrongKind { .. } => {
                "swap the two sensors, or put the right device in the sheet: an inclinometer cannot stand in for a distance"
            }
            Self::TwoDevices { .. } => {
                "unplug one of the two and give it a number or a name of its own"
            }
            Self::TwoSensors { .. } => {
                "give each sensor in the sheet a device or channel of its own"
            }
            Self::Stranger(_) => "put it in the sheet to use it, or leave it",
        }
    }
}

/// Whether readings may be kept: indices of sensors.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Readiness {
    /// Still.
    pub still: Vec<usize>,
    /// Moving, or not yet known to be still.
    pub moving: Vec<usize>,
    /// Silent, not to be believed, of the wrong kind or never heard: the
    /// posture goes on without them.
    pub missing: Vec<usize>,
}

impl Readiness {
    /// Whether there is a sensor, and none that speaks is moving.
    pub fn may_keep(&self) -> bool {
        self.moving.is_empty() && !self.still.is_empty()
    }
}

impl Bench {
    /// The sensors of a sheet. `ports` gives for each the number of its port,
    /// where the sheet names one; missing entries count as none.
    pub fn new(sensors: &[Sensor], ports: &[Option<usize>]) -> Self {
        let places = sensors
            .iter()
            .enumerate()
            .map(|(index, sensor)| {
                let kind = kind_due(&sensor.reads);
                Place {
                    source: source_of(&sensor.connection.protocol),
                    port: ports.get(index).copied().flatten(),
                    kind,
                    deadline: Span::from_s(sensor.deadline_s),
                    channel: Channel::new(Calibration::of(sensor), Gate::usual(kind))
                        .weakly_checked(is_weakly_checked(&sensor.connection.protocol)),
                    wrong_kind: None,
                    two_devices: None,
                }
            })
            .collect();
        Self {
            places,
            heard: BTreeMap::new(),
            identities: BTreeMap::new(),
            strangers: BTreeMap::new(),
        }
    }

    /// Waits so much longer before a sensor counts as silent: for a clock that
    /// runs faster than real time, where the computer's own delays count for
    /// more.
    #[must_use]
    pub fn with_slack(mut self, slack: Span) -> Self {
        for place in &mut self.places {
            place.deadline = Span::from_us(place.deadline.us().saturating_add(slack.us().max(0)));
        }
        self
    }

    /// Takes what a driver heard on a port.
    pub fn hear(&mut self, port: usize, heard: &Heard) {
        match heard {
            Heard::Sample(sample) => self.sample(port, sample),
            Heard::Identity(identity) => self.identity(port, identity),
            _ => {}
        }
    }

    /// The port has gone: what it carried may come back on another one, and
    /// may have been moved meanwhile, so that nothing is known to be still.
    pub fn port_gone(&mut self, port: usize) {
        for (source, ports) in &mut self.heard {
            if ports.remove(&port).is_none() {
                continue;
            }
            for place in &mut self.places {
                if place.is_from(port, source) {
                    place.channel.forget();
                }
            }
        }
        self.strangers.retain(|(on, _), _| *on != port);
        self.heard.retain(|_, ports| !ports.is_empty());
        self.forget_unknown();
    }

    /// Drops what is known of devices that are neither in the sheet nor remembered
    /// as strangers.
    fn forget_unknown(&mut self) {
        let Self {
            places,
            heard,
            identities,
            strangers,
        } = self;
        let known = |source: &Source| {
            places.iter().any(|place| place.source == *source)
                || strangers.keys().any(|(_, stranger)| stranger == source)
        };
        heard.retain(|source, _| known(source));
        identities.retain(|source, _| known(source));
    }

    /// The place of a stranger, which is made where there is none; where there are
    /// too many, the one that has said least, and of these the one longest silent,
    /// makes room.
    fn stranger(&mut self, port: usize, source: &Source, at: Moment) -> &mut Stranger {
        let key = (port, source.clone());
        if !self.strangers.contains_key(&key) && self.strangers.len() >= MOST_STRANGERS {
            let least = self
                .strangers
                .iter()
                .min_by_key(|(_, stranger)| (stranger.samples, stranger.last))
                .map(|(key, _)| key.clone());
            if let Some(least) = least {
                self.strangers.remove(&least);
            }
            self.strangers
                .insert(key.clone(), Stranger::new(port, source.clone(), at));
            self.forget_unknown();
        }
        self.strangers
            .entry(key)
            .or_insert_with(|| Stranger::new(port, source.clone(), at))
    }

    /// Forgets what every channel saw so far: a load went on or off, and nothing
    /// from before may be averaged with what comes.
    pub fn forget(&mut self) {
        for place in &mut self.places {
            place.channel.forget();
        }
    }

    /// Follows a slow movement from now on, or no longer (see [`Channel::follow`]).
    pub fn follow(&mut self, followed: bool) {
        for place in &mut self.places {
            place.channel.follow(followed);
        }
    }

    /// What every sensor says now, in the order of the sheet.
    pub fn readings(&self, now: Moment) -> Vec<Reading> {
        let mut readings = Vec::with_capacity(self.places.len());
        self.read(now, &mut readings);
        readings
    }

    /// The same into room that is kept.
    pub fn read(&self, now: Moment, readings: &mut Vec<Reading>) {
        readings.clear();
        let places = self.places.iter().enumerate();
        readings.extend(places.map(|(index, place)| place.reading(index, now)));
    }

    /// Whether a sensor stands still; nothing for an index beyond the sheet.
    pub fn stillness(&self, sensor: usize) -> Option<Stillness> {
        self.places
            .get(sensor)
            .map(|place| place.channel.stillness())
    }

    /// The channel of a sensor.
    pub fn channel(&self, sensor: usize) -> Option<&Channel> {
        self.places.get(sensor).map(|place| &place.channel)
    }

    /// Another zero for a sensor.
    pub fn set_calibration(&mut self, sensor: usize, calibration: Calibration) {
        if let Some(place) = self.places.get_mut(sensor) {
            place.channel.set_calibration(calibration);
        }
    }

    /// What a sensor's device said it is.
    pub fn identity_of(&self, sensor: usize) -> Option<&DeviceIdentity> {
        self.identities.get(&self.places.get(sensor)?.source)
    }

    /// Which sensors are still, which move, which are missing.
    pub fn kept_ready(&self, now: Moment) -> Readiness {
        let mut ready = Readiness::default();
        for reading in self.readings(now) {
            match reading.quality {
                Quality::Good => ready.still.push(reading.sensor),
                Quality::Moving => ready.moving.push(reading.sensor),
                _ => ready.missing.push(reading.sensor),
            }
        }
        ready
    }

    /// What the person should know about the sensors now.
    pub fn notices(&self, now: Moment) -> Vec<Notice> {
        let mut notices = Vec::new();
        for (index, place) in self.places.iter().enumerate() {
            if place.is_wrong_kind(now) {
                notices.push(Notice::WrongKind {
                    sensor: index,
                    due: place.kind,
                });
            }
            let other = self.places.iter().take(index).position(|other| {
                other.source == place.source
                    && (other.port == place.port || is_unique(&place.source))
            });
            if let Some(first) = other {
                notices.push(Notice::TwoSensors {
                    first,
                    second: index,
                });
            }
        }
        for (source, ports) in &self.heard {
            let live: Vec<usize> = ports
                .iter()
                .filter(|(_, at)| now.since(**at) <= TWO_DEVICES)
                .map(|(port, _)| *port)
                .collect();
            if live.len() > 1 && is_unique(source) {
                notices.push(Notice::TwoDevices {
                    source: source.clone(),
                    ports: live,
                });
            }
        }
        notices.extend(self.strangers.values().cloned().map(Notice::Stranger));
        notices
    }

    fn sample(&mut self, port: usize, sample: &Sample) {
        let ports = self.heard.entry(sample.source.clone()).or_default();
        ports.insert(port, sample.at);
        let elsewhere = ports
            .iter()
            .any(|(other, at)| *other != port && sample.at.since(*at) <= TWO_DEVICES);
        let two_devices = elsewhere && is_unique(&sample.source);
        let mut known = false;
        for place in &mut self.places {
            if !place.is_from(port, &sample.source) {
                continue;
            }
            known = true;
            if sample.kind != place.kind {
                place.wrong_kind = Some(sample.at);
            } else if two_devices {
                place.two_devices = Some(sample.at);
                place.channel.forget();
            } else {
                place.wrong_kind = None;
                place.channel.push(sample);
            }
        }
        if !known {
            let identity = self.identities.get(&sample.source).cloned();
            let stranger = self.stranger(port, &sample.source, sample.at);
            stranger.identity = identity;
            stranger.kind = Some(sample.kind);
            stranger.samples += 1;
            stranger.value = Some(sample.value);
            stranger.last = sample.at;
        }
    }

    fn identity(&mut self, port: usize, identity: &DeviceIdentity) {
        let mut known = false;
        for place in &mut self.places {
            if !place.is_from(port, &identity.source) {
                continue;
            }
            known = true;
            place.wrong_kind = (identity.kind != Some(place.kind)).then_some(identity.at);
            if let Some(resolution) = identity.resolution {
                place.channel.set_resolution(resolution);
            }
        }
        if !known {
            let stranger = self.stranger(port, &identity.source, identity.at);
            stranger.kind = identity.kind;
            stranger.identity = Some(identity.clone());
            stranger.last = identity.at;
        }
        self.identities
            .insert(identity.source.clone(), identity.clone());
    }
}

impl Stranger {
    fn new(port: usize, source: Source, last: Moment) -> Self {
        Self {
            port,
            source,
            kind: None,
            identity: None,
            samples: 0,
            value: None,
            last,
        }
    }
}

impl Place {
    /// A device number is one in the world; a name is one on its port.
    fn is_from(&self, port: usize, source: &Source) -> bool {
        self.source == *source
            && (is_unique(source) || self.port.is_none_or(|expected| expected == port))
    }

    fn is_wrong_kind(&self, now: Moment) -> bool {
        // Until something of the right kind is heard; an identity says so once.
        self.wrong_kind.is_some_and(|at| at <= now)
    }

    fn reading(&self, index: usize, now: Moment) -> Reading {
        let mut reading = self.channel.reading(index, now, self.deadline);
        if self.is_wrong_kind(now) {
            reading.quality = Quality::WrongKind;
        } else if self
            .two_devices
            .is_some_and(|at| now.since(at) <= TWO_DEVICES)
        {
            reading.quality = Quality::Untrusted(Distrust::TwoDevices);
        }
        reading
    }
}

/// Whether the name is meant to be the only one in the world.
const fn is_unique(source: &Source) -> bool {
    matches!(source, Source::Wire { .. })
}
