//! From bytes to posture nothing is allocated once everything has its room: counted by an
//! allocator, in a test binary of its own.
#![allow(
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops by panicking"
)]

use stats_alloc::{INSTRUMENTED_SYSTEM, Region, StatsAlloc};
use std::alloc::System;
use stillheight::drivers::{Driver, Heard, Wire, Xdr};
use stillheight::posture::{Estimator, Observation, Posture, Prior};
use stillheight::quantity::{Moment, Span};
use stillheight::readings::{Bench, Quality, Reading};
use stillheight::sheet::{BuildSheet, Measurand, Protocol};
use stillheight::statics::Model;
use stillheight_protocol::{MAX_FRAME, Message, encode};

#[path = "../benches/measured/van.rs"]
#[allow(dead_code, reason = "the measurements use the rest of it")]
mod van;
#[path = "vehicles.rs"]
#[allow(dead_code, reason = "other tests use the rest of it")]
mod vehicles;

#[global_allocator]
static ALLOCATOR: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const RATE: i64 = 200;

/// Everything from bytes to posture.
struct Line {
    sheet: BuildSheet,
    model: Model,
    prior: Prior,
    drivers: Vec<Wire>,
    sentences: Xdr,
    bench: Bench,
    estimator: Estimator,
    heard: Vec<Heard>,
    readings: Vec<Reading>,
    seen: Vec<Observation>,
    posture: Posture,
    n: i64,
}

impl Line {
    fn new() -> Self {
        let mut sheet = van::van_with_sensors(16);
        // One of them speaks in sentences, on a line of its own.
        sheet.sensors[0].connection.protocol = Protocol::Xdr {
            transducer: "ROLL".to_owned(),
        };
        let model = Model::new(&sheet, &[0, 1]);
        let prior = Prior::new(&sheet, &model).unwrap();
        let ports: Vec<Option<usize>> = (0..16).map(Some).collect();
        let mut estimator = Estimator::new();
        Self {
            bench: Bench::new(&sheet.sensors, &ports),
            posture: estimator.estimate(&sheet, &model, &prior, &[], None),
            estimator,
            drivers: (0..16).map(|_| Wire::new()).collect(),
            sentences: Xdr::new(),
            heard: Vec::new(),
            readings: Vec::new(),
            seen: Vec::new(),
            sheet,
            model,
            prior,
            n: 0,
        }
    }

    fn bytes(&mut self, sensor: usize, swing: f64, at: Moment) {
        if sensor == 0 {
            // One of two sentences, made beforehand.
            let text: &[u8] = if self.n % 2 == 0 {
                b"$SMXDR,A,0.12,D,ROLL*55\r\n"
            } else {
                b"$SMXDR,A,0.13,D,ROLL*54\r\n"
            };
            self.sentences.feed(text, at, &mut self.heard);
            return;
        }
        let reads = &self.sheet.sensors[sensor].reads;
        let tilt = matches!(reads, Measurand::Tilt { .. });
        let value = stillheight::posture::predict(&self.model, reads, &self.prior.state).unwrap();
        let micro = 1e6
            * if tilt {
                value.to_degrees()
            } else {
                value + swing
            };
        let noise = (self.n * 7919 + i64::try_from(sensor).unwrap() * 104_729) % 101;
        let mut frame = [0; MAX_FRAME];
        if self.n == 0 {
            let said = identity(sensor as u64 + 1, tilt);
            let length = encode(&said, &mut frame).unwrap();
            self.drivers[sensor].feed(&frame[..length], at, &mut self.heard);
        }
        let message = Message::Sample(stillheight_protocol::Sample {
            channel: 0,
            sequence: u32::try_from(self.n).unwrap(),
            time_us: u64::try_from(self.n * 1_000_000 / RATE).unwrap(),
            #[allow(clippy::cast_possible_truncation, reason = "some metres at most")]
            value: micro as i32 + i32::try_from(noise).unwrap(),
            status: stillheight_protocol::Status(0),
            temperature_centidegrees: Some(2150),
        });
        let length = encode(&message, &mut frame).unwrap();
        self.drivers[sensor].feed(&frame[..length], at, &mut self.heard);
    }

    fn run(&mut self, seconds: i64, swing_m: f64) {
        for _ in 0..seconds * RATE {
            let us = self.n * 1_000_000 / RATE;
            let at = Moment::from_unix_us(1_700_000_000_000_000 + us);
            let swing = swing_m * (us as f64 * 2e-6).sin();
            for sensor in 0..16 {
                self.bytes(sensor, swing, at);
                for item in &self.heard {
                    self.bench.hear(sensor, item);
                }
                self.heard.clear();
            }
            self.n += 1;
            if self.n % 4 == 0 {
                self.look(at + Span::from_us(100));
            }
        }
    }

    fn look(&mut self, now: Moment) {
        self.bench.read(now, &mut self.readings);
        self.seen.clear();
        let live = self
            .readings
            .iter()
            .filter(|r| r.is_live() && r.value.is_finite());
        self.seen.extend(live.map(|r| Observation {
            sensor: r.sensor,
            value: r.value,
            uncertainty: r.uncertainty(),
        }));
        self.estimator.update(
            &self.sheet,
            &self.model,
            &self.prior,
            &self.seen,
            &mut self.posture,
        );
    }
}

fn identity(device: u64, tilt: bool) -> Message {
    use stillheight_protocol::{Abilities, Firmware, Identity, Quantity, Unit};
    Message::Identity(Identity {
        channel: 0,
        channels: 1,
        device,
        quantity: if tilt {
            Quantity::INCLINATION
        } else {
            Quantity::DISTANCE
        },
        unit: if tilt {
            Unit::MICRODEGREE
        } else {
            Unit::MICROMETRE
        },
        resolution: 1,
        range_min: -90_000_000,
        range_max: 90_000_000,
        firmware: Firmware {
            major: 1,
            minor: 0,
            patch: 0,
        },
        rate_millihertz: 200_000,
        fastest_millihertz: 200_000,
        abilities: Abilities(0),
    })
}

#[test]
fn from_bytes_to_posture_nothing_is_allocated() {
    let mut line = Line::new();
    // Room grows while the longest averages fill, at rest and moving.
    line.run(16, 0.0);
    line.run(6, 0.01);
    line.run(16, 0.0);
    assert!(line.readings.iter().all(|r| r.quality == Quality::Good));
    let region = Region::new(ALLOCATOR);
    line.run(4, 0.0);
    line.run(4, 0.01);
    assert!(line.readings.iter().any(|r| r.quality == Quality::Moving));
    line.run(14, 0.0);
    let change = region.change();
    assert!(line.readings.iter().all(|r| r.quality == Quality::Good));
    assert_eq!(
        line.posture.readings + usize::from(line.posture.misfit.is_some()),
        16
    );
    assert_eq!(
        (change.allocations, change.reallocations),
        (0, 0),
        "bytes: {}",
        change.bytes_allocated
    );
    // The counter counts at all.
    let region = Region::new(ALLOCATOR);
    let kept = vec![1_u8; line.readings.len()];
    assert!(region.change().allocations >= 1 && kept.len() == 16);
}
