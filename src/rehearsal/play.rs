//! The play: vehicle, loads and sensors together, moved on by simulated time.
//!
//! In: a seed and how far to go. Out: frames for each sensor's line, the truth
//! at ten times a second. Refuses nothing. It asks no clock: the same seed and
//! the same requests give the same bytes.

use stillheight_protocol::Message;

use super::burden::Burden;
use super::chassis::{Chassis, SetLaw};
use super::sensors::{FITTINGS, Looks, Sensor, frame};
use super::story::{Cue, Story};
use super::truth::{Known, Truth, TruthRecord};
use super::vehicle::{Vehicle, Weight};

/// Simulated microseconds in one step of the vehicle.
const STEP_US: u64 = 1_000;
/// Simulated microseconds between two records of the truth.
const RECORD_US: u64 = 100_000;
/// How long the vehicle comes to rest before the play begins, seconds, after
/// it was lifted by hand and let go.
const COME_TO_REST_S: f64 = 8.0;
/// How far it is lifted, metres.
const LIFT_M: f64 = 0.015;

/// How far below what the sheet says a collar stands in the story of turning, metres.
const LOW_M: f64 = 0.016;

/// Half of the difference between day and night, degrees.
const DAY_WARMTH_C: f64 = 5.0;

/// Springs as at a time of the calendar, frame rocked and come to rest.
fn settle(vehicle: &mut Vehicle, calendar_s: f64) {
    let set_m = vehicle.chassis().set.at(calendar_s);
    vehicle.set_springs(set_m);
    vehicle.lift(LIFT_M);
    vehicle.rest(&[], COME_TO_REST_S, STEP_US as f64 * 1e-6);
}

/// The play at a simulated time.
#[derive(Debug, Clone)]
pub struct Play {
    vehicle: Vehicle,
    story: Story,
    sensors: Vec<Sensor>,
    now_us: u64,
    truth: TruthRecord,
    /// Time that was skipped, seconds.
    skipped_s: f64,
}

impl Play {
    /// The load test with the van, at its beginning, the van at rest.
    pub fn new(seed: u64) -> Self {
        Self::with(Chassis::van(), Story::load_test(seed), seed)
    }

    /// Five days of settling with the bare van; the springs begin as new.
    pub fn settling(seed: u64) -> Self {
        let mut chassis = Chassis::van();
        chassis.set = SetLaw::OVER_DAYS;
        Self::with(chassis, Story::settling(), seed)
    }

    /// The bare van with its rear right collar lower than the sheet says.
    pub fn turning(seed: u64) -> Self {
        let mut chassis = Chassis::van();
        chassis.rear.coilovers[1].unit.collar_m -= LOW_M;
        Self::with(chassis, Story::turning(), seed)
    }

    /// Rocks the frame by hand: it is lifted and let go.
    pub fn rock(&mut self) {
        self.vehicle.lift(LIFT_M);
    }

    /// Raises a collar by hand, metres; the strut's number in [`UNITS`](super::UNITS).
    pub fn turn_collar(&mut self, unit: usize, rise_m: f64) {
        self.vehicle.turn_collar(unit, rise_m);
    }

    /// A load test in which weight goes on and off when it is asked for; the
    /// springs have settled before.
    pub fn guided(seed: u64) -> Self {
        let mut chassis = Chassis::van();
        chassis.set = SetLaw::NONE;
        Self::with(chassis, Story::guided(), seed)
    }

    /// One more burden, with its motion.
    pub fn put_on(&mut self, burden: Burden) {
        self.story.burdens.push(burden);
    }

    /// Takes everything off that belongs to a load, from now on.
    pub fn take_off(&mut self, load: &str) {
        let now_s = self.now_s();
        for burden in self.story.burdens.iter_mut().filter(|b| b.load == load) {
            if burden.weight_at(now_s).is_some() {
                burden.take_off(now_s);
            }
        }
    }

    /// How it would stand with these weights on if nothing rubbed.
    pub fn would_carry(&self, weights: &[Weight]) -> Truth {
        let mut chassis = *self.vehicle.chassis();
        for coilover in &mut chassis.rear.coilovers {
            coilover.unit.friction_n = 0.0;
        }
        for unit in &mut chassis.front.units {
            unit.friction_n = 0.0;
        }
        let mut vehicle = Vehicle::new(chassis);
        vehicle.set_springs(chassis.set.at(self.calendar_s()));
        vehicle.rest(weights, 2.0 * COME_TO_REST_S, STEP_US as f64 * 1e-6);
        Truth::of(&vehicle, self.now_s(), Vec::new())
    }

    fn with(chassis: Chassis, story: Story, seed: u64) -> Self {
        let mut vehicle = Vehicle::new(chassis);
        vehicle.lift(LIFT_M);
        vehicle.rest(&[], COME_TO_REST_S, STEP_US as f64 * 1e-6);
        let mut play = Self {
            vehicle,
            story,
            sensors: FITTINGS
                .iter()
                .map(|fitting| Sensor::new(*fitting, seed))
                .collect(),
            now_us: 0,
            truth: TruthRecord::default(),
            skipped_s: 0.0,
        };
        play.record();
        play
    }

    /// Simulated microseconds since the beginning.
    pub const fn now_us(&self) -> u64 {
        self.now_us
    }

    /// Simulated seconds since the beginning.
    pub const fn now_s(&self) -> f64 {
        self.now_us as f64 * 1e-6
    }

    /// Simulated seconds since the beginning, with those that were skipped.
    pub const fn calendar_s(&self) -> f64 {
        self.now_s() + self.skipped_s
    }

    /// Lets hours go by in which nobody looks: the springs lose what they lose, the day warms the
    /// sensors, and at the end the builder rocks the frame, so that friction holds nothing up.
    pub fn skip(&mut self, seconds: f64) {
        self.skipped_s += seconds.max(0.0);
        let calendar_s = self.calendar_s();
        let warmth_c = DAY_WARMTH_C * (std::f64::consts::TAU * calendar_s / 86_400.0).sin();
        for sensor in &mut self.sensors {
            sensor.warm(warmth_c);
        }
        settle(&mut self.vehicle, calendar_s);
    }

    /// How it will stand at a time of the calendar, after the frame has been rocked.
    pub fn would_stand(&self, calendar_s: f64) -> Truth {
        let mut vehicle = self.vehicle.clone();
        settle(&mut vehicle, calendar_s);
        Truth::of(&vehicle, calendar_s, Vec::new())
    }

    /// When nothing more happens but settling, simulated seconds.
    pub const fn ends_s(&self) -> f64 {
        self.story.ends_s
    }

    /// The builder's marks.
    pub fn cues(&self) -> &[Cue] {
        &self.story.cues
    }

    /// The sensors, in the order of [`FITTINGS`].
    pub fn sensors(&self) -> &[Sensor] {
        &self.sensors
    }

    /// What was really so.
    pub const fn truth(&self) -> &TruthRecord {
        &self.truth
    }

    /// Goes on to a simulated time; every frame that a sensor sends on the way
    /// is handed to `send` with the sensor's number.
    pub fn advance_to(&mut self, until_us: u64, mut send: impl FnMut(usize, &[u8])) {
        let mut weights: Vec<Weight> = Vec::with_capacity(self.story.burdens.len());
        while self.now_us < until_us {
            let time_s = self.now_s();
            weights.clear();
            weights.extend(
                self.story
                    .burdens
                    .iter()
                    .filter_map(|burden| burden.weight_at(time_s)),
            );
            let set_m = self.vehicle.chassis().set.at(time_s + self.skipped_s);
            self.vehicle.set_springs(set_m);
            self.vehicle.step(&weights, STEP_US as f64 * 1e-6);
            self.now_us += STEP_US;
            for (index, sensor) in self.sensors.iter_mut().enumerate() {
                if let Some(sample) = sensor.measure(&self.vehicle, self.now_us) {
                    send(index, &frame(&sample));
                }
            }
            if self.now_us.is_multiple_of(RECORD_US) {
                self.record();
            }
        }
    }

    /// What a sensor sends when it gets power: a zero byte to end whatever lay
    /// on the line, then who it is.
    pub fn greeting(&self, sensor: usize) -> Vec<u8> {
        let mut bytes = vec![0];
        if let Some(sensor) = self.sensors.get(sensor) {
            bytes.extend(frame(&Message::Identity(sensor.identity())));
        }
        bytes
    }

    /// The frames with which a sensor answers a message.
    pub fn answer(&mut self, sensor: usize, message: &Message) -> Vec<u8> {
        let now_us = self.now_us;
        self.sensors
            .get_mut(sensor)
            .map_or_else(Vec::new, |sensor| sensor.answer(message, now_us))
            .iter()
            .flat_map(frame)
            .collect()
    }

    /// What the simulation knows of the vehicle itself.
    pub fn known(&self) -> Known {
        let chassis = self.vehicle.chassis();
        let units = self.vehicle.struts().map(|strut| strut.unit);
        Known {
            rates_n_per_mm: units.map(|unit| unit.rate_n_per_m * 1e-3),
            friction_n: units.map(|unit| unit.friction_n),
            collars_mm: units.map(|unit| unit.collar_m * 1e3),
            sprung_kg: chassis.frame.mass_kg,
            sprung_centre_mm: chassis.frame.centre_m.map(|place| place * 1e3),
            tyre_rates_n_per_mm: [
                chassis.rear.tyre.rate_n_per_m * 1e-3,
                chassis.front.tyre.rate_n_per_m * 1e-3,
            ],
            loads_kg: self.story.load_masses_kg(),
            rear_set_mm: chassis.set.at(self.calendar_s()) * 1e3,
            rear_set_final_mm: (chassis.set.quick_m + chassis.set.slow_m) * 1e3,
            floor_roll_deg: chassis.floor.roll_rad.to_degrees(),
            floor_pitch_deg: chassis.floor.pitch_rad.to_degrees(),
            sensor_zeros: self
                .sensors
                .iter()
                .map(|sensor| {
                    let zero = match sensor.fitting().looks {
                        Looks::Floor(_) => sensor.zero() * 1e3,
                        _ => sensor.zero().to_degrees(),
                    };
                    (sensor.fitting().name.to_owned(), zero)
                })
                .collect(),
        }
    }

    fn record(&mut self) {
        let time_s = self.now_s();
        let mut loads_on: Vec<String> = Vec::new();
        for burden in &self.story.burdens {
            if burden.weight_at(time_s).is_some() && !loads_on.contains(&burden.load) {
                loads_on.push(burden.load.clone());
            }
        }
        self.truth.push(Truth::of(&self.vehicle, time_s, loads_on));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The story as told: the frame comes down under the loads, the link comes
    /// level, and afterwards it stays a little lower than before.
    #[test]
    fn the_story_happens() {
        let mut play = Play::new(5);
        play.advance_to(170_000_000, |_, _| {});
        let over = |from_s: f64, to_s: f64| play.truth().over(from_s, to_s).expect("recorded");
        let bare = over(2.0, 12.0);
        let helper = over(30.0, 42.0);
        let loaded = over(60.0, 78.0);
        let after = over(112.0, 118.0);
        let end = over(165.0, 170.0);
        assert!(bare.loads_on.is_empty());
        assert_eq!(loaded.loads_on, ["helper", "sandbags"]);
        assert!(after.loads_on.is_empty());
        assert!(bare.link_angle_deg > 1.2);
        assert!(helper.link_angle_deg < bare.link_angle_deg - 0.5);
        assert!(
            loaded.link_angle_deg.abs() < 0.25,
            "{}",
            loaded.link_angle_deg
        );
        let low_mm = bare.heave_mm - after.heave_mm;
        assert!((0.5..4.0).contains(&low_mm), "{low_mm}");
        // Most of what the springs still lose is held up by friction: some
        // hundredths of a millimetre show.
        assert!(end.heave_mm < after.heave_mm - 0.02);
        assert!(play.known().rear_set_mm > 1.4);
    }

    #[test]
    fn frames_come_at_ten_a_second_from_each() {
        let mut play = Play::new(5);
        let mut counts = [0_u32; 7];
        play.advance_to(10_000_000, |index, bytes| {
            assert_eq!(bytes.last(), Some(&0));
            counts[index] += 1;
        });
        assert!(counts.iter().all(|count| (99..=101).contains(count)));
    }
}
