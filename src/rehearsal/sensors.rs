//! Simulated sensors: cheap inclinometers and laser distance modules.
//!
//! In: the vehicle as it stands, and bytes from the host. Out: frames of the
//! wire protocol. Refused: requests that the device cannot carry out, by the
//! protocol's own answer; frames that do not check are counted.
//!
//! Each sensor has a zero error that nobody is told, noise, a resolution and a
//! clock that starts with the simulation.

use rand::{Rng, SeedableRng, rngs::StdRng};
use rand_distr::{Distribution, StandardNormal};
use stillheight_protocol::{
    Abilities, Blink, Done, Firmware, Identity, Kind, MAX_FRAME, Message, Quantity, Refusal,
    Refused, Sample, SetRate, Status, Unit, WHOLE_DEVICE, encode,
};

use super::chassis::Place;
use super::vehicle::Vehicle;

/// What a simulated sensor looks at.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Looks {
    /// Tilt of the frame across, against gravity.
    FrameRoll,
    /// Tilt of the frame along, against gravity.
    FramePitch,
    /// Tilt of the rear axle's lateral link, against gravity.
    RearLink,
    /// From a frame point along the frame's own z down to the floor.
    Floor(Place),
}

/// Which sensor is clipped on where.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitting {
    /// Its name in the build sheet; its port is called the same with dashes.
    pub name: &'static str,
    /// Its own number.
    pub device: u64,
    /// What it looks at.
    pub looks: Looks,
}

/// Limit of the zero error of an inclinometer, degrees, either way; the sheet
/// states the same limit.
pub(super) const TILT_ZERO_LIMIT_DEG: f64 = 0.15;
/// Limit of the zero error of a distance module, millimetres, either way; the
/// sheet states the same limit.
pub(super) const DISTANCE_ZERO_LIMIT_MM: f64 = 2.0;
/// Standard deviation of one reading of an inclinometer, degrees.
const TILT_NOISE_DEG: f64 = 0.015;
/// Standard deviation of one reading of a distance module, millimetres.
const DISTANCE_NOISE_MM: f64 = 0.6;
/// Limit of the scale error of an inclinometer, as a share, either way; the
/// sheet states the same limit.
pub(super) const TILT_SCALE_LIMIT: f64 = 0.005;
/// Limit of the scale error of a distance module, as a share, either way; the
/// sheet states the same limit.
pub(super) const DISTANCE_SCALE_LIMIT: f64 = 0.001;
/// Limit of the floor's height where a beam lands, millimetres, either way; the
/// sheet states the same limit.
pub(super) const BUMP_LIMIT_MM: f64 = 1.5;

/// What a distance module shows too much for each degree that it is warmer, metres. Chosen: some
/// 40 millionths of the distance, as cheap modules do.
const WARM_M_PER_C: f64 = 0.02e-3;

/// All sensors of the rehearsal.
pub const FITTINGS: [Fitting; 7] = [
    Fitting {
        name: "frame roll",
        device: 0x6b1d_40c2_9a00_0011,
        looks: Looks::FrameRoll,
    },
    Fitting {
        name: "frame pitch",
        device: 0x6b1d_40c2_9a00_0012,
        looks: Looks::FramePitch,
    },
    Fitting {
        name: "rear link",
        device: 0x6b1d_40c2_9a00_0013,
        looks: Looks::RearLink,
    },
    Fitting {
        name: "height rear left",
        device: 0x6b1d_40c2_9a00_0021,
        looks: Looks::Floor([-0.300, 0.480, 0.010]),
    },
    Fitting {
        name: "height rear right",
        device: 0x6b1d_40c2_9a00_0022,
        looks: Looks::Floor([-0.300, -0.480, 0.010]),
    },
    Fitting {
        name: "height front left",
        device: 0x6b1d_40c2_9a00_0023,
        looks: Looks::Floor([2.200, 0.450, 0.010]),
    },
    Fitting {
        name: "height front right",
        device: 0x6b1d_40c2_9a00_0024,
        looks: Looks::Floor([2.200, -0.450, 0.010]),
    },
];

/// Sample rate after power-up, thousandths of a sample a second.
const FIRST_RATE_MILLIHERTZ: u32 = 10_000;
/// Fastest rate taken.
const FASTEST_MILLIHERTZ: u32 = 50_000;
/// Slowest rate taken, other than none.
const SLOWEST_MILLIHERTZ: u32 = 100;
/// Longest time it will blink, tenths of a second.
const LONGEST_BLINK: u16 = 600;

/// One sensor at work.
#[derive(Debug, Clone)]
pub struct Sensor {
    fitting: Fitting,
    /// What it shows too much, radians or metres.
    zero: f64,
    /// What it shows for one radian or metre, less one.
    scale: f64,
    /// How much the floor stands up where the beam lands, metres.
    bump_m: f64,
    rate_millihertz: u32,
    next_us: u64,
    sequence: u32,
    temperature_c: f64,
    /// How much warmer it is than at the beginning, degrees.
    warmth_c: f64,
    /// How often it was asked to show itself.
    blinks: u32,
    chance: StdRng,
}

impl Sensor {
    /// A sensor with its own zero error and its own noise, drawn from the seed.
    pub fn new(fitting: Fitting, seed: u64) -> Self {
        let mut chance = StdRng::seed_from_u64(seed ^ fitting.device);
        let mut within = |limit: f64| limit * chance.random_range(-1.0..=1.0);
        let (zero, scale, bump_m) = match fitting.looks {
            Looks::Floor(_) => (
                within(DISTANCE_ZERO_LIMIT_MM * 1e-3),
                within(DISTANCE_SCALE_LIMIT),
                within(BUMP_LIMIT_MM * 1e-3),
            ),
            _ => (
                within(TILT_ZERO_LIMIT_DEG.to_radians()),
                within(TILT_SCALE_LIMIT),
                0.0,
            ),
        };
        Self {
            fitting,
            zero,
            scale,
            bump_m,
            rate_millihertz: FIRST_RATE_MILLIHERTZ,
            next_us: chance.random_range(0..100_000),
            sequence: 0,
            temperature_c: 18.0 + 4.0 * chance.random::<f64>(),
            warmth_c: 0.0,
            blinks: 0,
            chance,
        }
    }

    /// What it is and where it sits.
    pub const fn fitting(&self) -> &Fitting {
        &self.fitting
    }

    /// What it shows too much, radians or metres.
    pub const fn zero(&self) -> f64 {
        self.zero
    }

    /// What it shows for one radian or metre, less one.
    pub const fn scale(&self) -> f64 {
        self.scale
    }

    /// How much the floor stands up where its beam lands, metres.
    pub const fn bump_m(&self) -> f64 {
        self.bump_m
    }

    /// How often it was asked to show itself.
    pub const fn blinks(&self) -> u32 {
        self.blinks
    }

    /// What a faultless sensor would show, radians or metres.
    /// (a beam that lands on a bump is really shorter).
    pub fn true_value(&self, vehicle: &Vehicle) -> f64 {
        let up = vehicle.up();
        match self.fitting.looks {
            Looks::FrameRoll => up.dot(&vehicle.frame_axis(1)).asin(),
            Looks::FramePitch => -up.dot(&vehicle.frame_axis(0)).asin(),
            Looks::RearLink => up.dot(&vehicle.link_vector().normalize()).asin(),
            Looks::Floor(from) => {
                (vehicle.frame_point(from)[2] - self.bump_m) / vehicle.frame_axis(2).z
            }
        }
    }

    /// Makes it so much warmer than at the beginning, degrees.
    pub const fn warm(&mut self, warmth_c: f64) {
        self.temperature_c += warmth_c - self.warmth_c;
        self.warmth_c = warmth_c;
    }

    /// What it shows too much because it is warm: distances only.
    fn warm_error(&self) -> f64 {
        match self.fitting.looks {
            Looks::Floor(_) => WARM_M_PER_C * self.warmth_c,
            _ => 0.0,
        }
    }

    /// A measurement, where one is due at this simulated time.
    pub fn measure(&mut self, vehicle: &Vehicle, now_us: u64) -> Option<Message> {
        if self.rate_millihertz == 0 || now_us < self.next_us {
            return None;
        }
        let time_us = self.next_us;
        self.next_us += 1_000_000_000 / u64::from(self.rate_millihertz);
        let noise: f64 = StandardNormal.sample(&mut self.chance);
        let shown = self.true_value(vehicle) * (1.0 + self.scale) + self.zero + self.warm_error();
        // Microdegrees or micrometres, on the steps that the device can show.
        let (shown, noise_step, step) = match self.fitting.looks {
            Looks::Floor(_) => (shown * 1e6, DISTANCE_NOISE_MM * 1e3, 500.0),
            _ => (shown.to_degrees() * 1e6, TILT_NOISE_DEG * 1e6, 10_000.0),
        };
        let value = whole(((shown + noise * noise_step) / step).round() * step);
        let identity = self.identity();
        let (value, status) = if identity.covers(value) {
            (value, Status::GOOD)
        } else {
            let end = value.clamp(identity.range_min, identity.range_max);
            (end, Status::OVER_RANGE)
        };
        self.temperature_c += 0.002 * self.chance.random_range(-1.0..1.0);
        let sequence = self.sequence;
        self.sequence = sequence.wrapping_add(1);
        Some(Message::Sample(Sample {
            channel: 0,
            sequence,
            time_us,
            value,
            status,
            temperature_centidegrees: i16::try_from(whole(self.temperature_c * 100.0)).ok(),
        }))
    }

    /// Who it says it is.
    pub const fn identity(&self) -> Identity {
        let (quantity, unit, resolution, range_min, range_max) = match self.fitting.looks {
            Looks::Floor(_) => (Quantity::DISTANCE, Unit::MICROMETRE, 500, 40_000, 2_000_000),
            _ => (
                Quantity::INCLINATION,
                Unit::MICRODEGREE,
                10_000,
                -30_000_000,
                30_000_000,
            ),
        };
        Identity {
            channel: 0,
            channels: 1,
            device: self.fitting.device,
            quantity,
            unit,
            resolution,
            range_min,
            range_max,
            firmware: Firmware {
                major: 1,
                minor: 0,
                patch: 3,
            },
            rate_millihertz: self.rate_millihertz,
            fastest_millihertz: FASTEST_MILLIHERTZ,
            abilities: Abilities(
                Abilities::SET_RATE.0 | Abilities::BLINK.0 | Abilities::TEMPERATURE.0,
            ),
        }
    }

    /// Its answers to a message of the host; none to what is no request.
    pub fn answer(&mut self, message: &Message, now_us: u64) -> Vec<Message> {
        match *message {
            Message::Who(who) => vec![
                Message::Identity(self.identity()),
                done(who.tag, Kind::WHO, 1),
            ],
            Message::SetRate(request) => vec![self.set_rate(request, now_us)],
            Message::Blink(request) => vec![self.blink(request)],
            _ => Vec::new(),
        }
    }

    fn set_rate(&mut self, request: SetRate, now_us: u64) -> Message {
        let refuse = |reason| refused(request.tag, Kind::SET_RATE, reason);
        if !is_mine(request.channel) {
            return refuse(Refusal::NO_SUCH_CHANNEL);
        }
        let wanted = request.rate_millihertz;
        if wanted > FASTEST_MILLIHERTZ {
            return refuse(Refusal::TOO_BIG);
        }
        if wanted != 0 && wanted < SLOWEST_MILLIHERTZ {
            return refuse(Refusal::TOO_SMALL);
        }
        self.rate_millihertz = wanted;
        if let Some(interval_us) = 1_000_000_000_u64.checked_div(u64::from(wanted)) {
            self.next_us = now_us + interval_us;
        }
        done(request.tag, Kind::SET_RATE, wanted)
    }

    fn blink(&mut self, request: Blink) -> Message {
        if !is_mine(request.channel) {
            return refused(request.tag, Kind::BLINK, Refusal::NO_SUCH_CHANNEL);
        }
        let tenths = request.tenths.min(LONGEST_BLINK);
        if tenths > 0 {
            self.blinks += 1;
        }
        done(request.tag, Kind::BLINK, u32::from(tenths))
    }
}

/// The bytes of a message, its closing zero with it.
pub(super) fn frame(message: &Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME];
    // Every message made here has fields that the protocol allows; were one
    // not, nothing would be sent and the host would see a gap in the sequence.
    encode(message, &mut bytes).map_or_else(|_| Vec::new(), |length| bytes[..length].to_vec())
}

const fn is_mine(channel: u8) -> bool {
    channel == 0 || channel == WHOLE_DEVICE
}

const fn done(tag: u8, request: Kind, taken: u32) -> Message {
    Message::Done(Done {
        tag,
        request,
        taken,
    })
}

const fn refused(tag: u8, request: Kind, reason: Refusal) -> Message {
    Message::Refused(Refused {
        tag,
        request,
        reason,
    })
}

/// The nearest whole number that fits; what does not fit becomes the end.
#[allow(
    clippy::cast_possible_truncation,
    reason = "the cast of a float to an integer stops at the integer's ends"
)]
fn whole(value: f64) -> i32 {
    value.round() as i32
}

#[cfg(test)]
mod tests {
    #![allow(clippy::panic, reason = "a test says what it met")]

    use stillheight_protocol::{Accumulator, Who};

    use super::*;
    use crate::rehearsal::chassis::Chassis;

    fn settled() -> Vehicle {
        let mut vehicle = Vehicle::new(Chassis::van());
        vehicle.rest(&[], 6.0, 1e-3);
        vehicle
    }

    /// A frame level on the floor shows the floor's own slope (0.35 deg left
    /// side up, 0.20 deg nose up), by the definition of the two angles.
    #[test]
    fn level_frame_shows_the_floor() {
        let vehicle = Vehicle::new(Chassis::van());
        let shown = |index: usize| {
            Sensor::new(FITTINGS[index], 1)
                .true_value(&vehicle)
                .to_degrees()
        };
        assert!((shown(0) - 0.35).abs() < 1e-5);
        assert!((shown(1) + 0.20).abs() < 1e-9);
    }

    /// Many readings on average show the true value and the zero error,
    /// scattered as the noise says.
    #[test]
    fn readings_scatter_about_truth_and_zero() {
        let vehicle = settled();
        for fitting in FITTINGS {
            let mut sensor = Sensor::new(fitting, 11);
            let expected = sensor.true_value(&vehicle) * (1.0 + sensor.scale()) + sensor.zero();
            let mut sum = 0.0;
            let mut count = 0.0;
            for step in 0..400_000_u64 {
                let Some(Message::Sample(sample)) = sensor.measure(&vehicle, step * 1000) else {
                    continue;
                };
                assert!(sample.status.is_usable());
                sum += f64::from(sample.value) * 1e-6;
                count += 1.0;
            }
            let (mean, noise) = match fitting.looks {
                Looks::Floor(_) => (sum / count, 0.7e-3),
                _ => ((sum / count).to_radians(), 0.016_f64.to_radians()),
            };
            assert!((count - 4000.0_f64).abs() <= 1.0);
            // Five standard deviations of a mean of 4000.
            assert!((mean - expected).abs() < 5.0 * noise / count.sqrt());
        }
    }

    #[test]
    fn zero_errors_stay_within_the_stated_limit() {
        for seed in 0..200 {
            for fitting in FITTINGS {
                let sensor = Sensor::new(fitting, seed);
                let limit = match fitting.looks {
                    Looks::Floor(_) => DISTANCE_ZERO_LIMIT_MM * 1e-3,
                    _ => TILT_ZERO_LIMIT_DEG.to_radians(),
                };
                assert!(sensor.zero().abs() <= limit);
            }
        }
    }

    #[test]
    fn says_who_it_is_in_frames_that_decode() {
        let mut sensor = Sensor::new(FITTINGS[3], 1);
        let mut bytes = Vec::new();
        for answer in sensor.answer(&Message::Who(Who { tag: 9 }), 0) {
            bytes.extend(frame(&answer));
        }
        let mut heard = Vec::new();
        Accumulator::new().feed(&bytes, |message| heard.push(message));
        assert_eq!(
            heard,
            [
                Ok(Message::Identity(sensor.identity())),
                Ok(done(9, Kind::WHO, 1))
            ]
        );
    }

    #[test]
    fn keeps_to_the_rate_it_was_set_to() {
        let vehicle = settled();
        let mut sensor = Sensor::new(FITTINGS[0], 1);
        let request = |rate_millihertz| {
            Message::SetRate(SetRate {
                tag: 2,
                channel: 0,
                rate_millihertz,
            })
        };
        assert_eq!(
            sensor.answer(&request(25_000), 0),
            [done(2, Kind::SET_RATE, 25_000)]
        );
        let count = (0..4000_u64)
            .filter(|step| sensor.measure(&vehicle, step * 1000).is_some())
            .count();
        assert_eq!(count, 99);
        assert_eq!(
            sensor.answer(&request(60_000), 0),
            [refused(2, Kind::SET_RATE, Refusal::TOO_BIG)]
        );
        assert_eq!(sensor.answer(&request(0), 0), [done(2, Kind::SET_RATE, 0)]);
        assert!(sensor.measure(&vehicle, 9_000_000).is_none());
    }

    #[test]
    fn blinks_and_knows_its_channel() {
        let mut sensor = Sensor::new(FITTINGS[0], 1);
        let blink = |channel| {
            Message::Blink(Blink {
                tag: 4,
                channel,
                tenths: 30,
            })
        };
        assert_eq!(
            sensor.answer(&blink(WHOLE_DEVICE), 0),
            [done(4, Kind::BLINK, 30)]
        );
        assert_eq!(
            sensor.answer(&blink(1), 0),
            [refused(4, Kind::BLINK, Refusal::NO_SUCH_CHANNEL)]
        );
        assert_eq!(sensor.blinks(), 1);
    }
}
