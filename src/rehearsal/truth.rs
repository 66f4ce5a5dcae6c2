//! What was really so: the pose at each tenth of a second, and the numbers of
//! the vehicle that no reading shows directly.
//!
//! In: the simulated vehicle. Out: plain numbers in millimetres and degrees, to
//! compare with what was learned. Refuses nothing.

use std::collections::VecDeque;

use super::chassis::Place;
use super::vehicle::Vehicle;

/// Stations of the rehearsal's sheet: name and frame point.
pub const STATIONS: [(&str, Place); 4] = [
    ("rear left", [-0.300, 0.450, 0.0]),
    ("rear right", [-0.300, -0.450, 0.0]),
    ("front left", [2.200, 0.420, 0.0]),
    ("front right", [2.200, -0.420, 0.0]),
];

/// Coilovers and corners in the order of [`Truth::sag_mm`].
pub const UNITS: [&str; 4] = ["rear left", "rear right", "front left", "front right"];

/// How the vehicle really stood at a time, everything relative to the floor
/// plane.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Truth {
    /// Simulated seconds.
    pub time_s: f64,
    /// Height of the frame's origin over the floor plane.
    pub heave_mm: f64,
    /// Positive = left side up.
    pub roll_deg: f64,
    /// Positive = nose down.
    pub pitch_deg: f64,
    /// Height of each of the [`STATIONS`] over the floor plane.
    pub heights_mm: [f64; 4],
    /// Of the rear lateral link to the floor plane, positive = frame end high.
    pub link_angle_deg: f64,
    /// Extended length less length, for each of the [`UNITS`].
    pub sag_mm: [f64; 4],
    /// Height of the rear axle's centre over the floor plane.
    pub axle_height_mm: f64,
    /// Roll of the rear axle, positive = left side up.
    pub axle_roll_deg: f64,
    /// Names of the loads of which anything lies on the frame.
    pub loads_on: Vec<String>,
}

impl Truth {
    /// The vehicle as it stands at this moment.
    pub fn of(vehicle: &Vehicle, time_s: f64, loads_on: Vec<String>) -> Self {
        let pose = vehicle.pose();
        let lengths = vehicle.strut_lengths_m();
        let struts = vehicle.struts();
        Self {
            time_s,
            heave_mm: pose.heave_m * 1e3,
            roll_deg: pose.roll_rad.to_degrees(),
            pitch_deg: pose.pitch_rad.to_degrees(),
            heights_mm: STATIONS.map(|(_, at)| vehicle.frame_point(at)[2] * 1e3),
            link_angle_deg: vehicle.link_angle_rad().to_degrees(),
            sag_mm: std::array::from_fn(|index| {
                (struts[index].unit.extended_m - lengths[index]) * 1e3
            }),
            axle_height_mm: pose.axle_height_m * 1e3,
            axle_roll_deg: pose.axle_roll_rad.to_degrees(),
            loads_on,
        }
    }

    /// The height over the floor plane at a station of this name, millimetres.
    pub fn height_mm(&self, station: &str) -> Option<f64> {
        let index = STATIONS.iter().position(|(name, _)| *name == station)?;
        Some(self.heights_mm[index])
    }

    /// The sag of a unit of this name, millimetres.
    pub fn unit_sag_mm(&self, unit: &str) -> Option<f64> {
        let index = UNITS.iter().position(|name| *name == unit)?;
        Some(self.sag_mm[index])
    }

    /// Whether every number is one.
    pub fn is_finite(&self) -> bool {
        let single = [
            self.time_s,
            self.heave_mm,
            self.roll_deg,
            self.pitch_deg,
            self.link_angle_deg,
            self.axle_height_mm,
            self.axle_roll_deg,
        ];
        single
            .iter()
            .chain(&self.heights_mm)
            .chain(&self.sag_mm)
            .all(|number| number.is_finite())
    }

    /// The same with every number multiplied.
    fn scaled(&self, by: f64) -> Self {
        Self {
            time_s: self.time_s * by,
            heave_mm: self.heave_mm * by,
            roll_deg: self.roll_deg * by,
            pitch_deg: self.pitch_deg * by,
            heights_mm: self.heights_mm.map(|height| height * by),
            link_angle_deg: self.link_angle_deg * by,
            sag_mm: self.sag_mm.map(|sag| sag * by),
            axle_height_mm: self.axle_height_mm * by,
            axle_roll_deg: self.axle_roll_deg * by,
            loads_on: self.loads_on.clone(),
        }
    }

    /// Adds the numbers of another; the loads become those of the other.
    fn add(&mut self, other: &Self) {
        self.time_s += other.time_s;
        self.heave_mm += other.heave_mm;
        self.roll_deg += other.roll_deg;
        self.pitch_deg += other.pitch_deg;
        self.link_angle_deg += other.link_angle_deg;
        self.axle_height_mm += other.axle_height_mm;
        self.axle_roll_deg += other.axle_roll_deg;
        for index in 0..4 {
            self.heights_mm[index] += other.heights_mm[index];
            self.sag_mm[index] += other.sag_mm[index];
        }
        self.loads_on.clone_from(&other.loads_on);
    }
}

/// How many records are kept: five and a half simulated hours. Older ones go.
const MOST_RECORDS: usize = 200_000;

/// The truth at ten times a simulated second.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TruthRecord {
    records: VecDeque<Truth>,
}

impl TruthRecord {
    /// Adds a record, later than all before.
    pub fn push(&mut self, truth: Truth) {
        if self.records.len() == MOST_RECORDS {
            self.records.pop_front();
        }
        self.records.push_back(truth);
    }

    /// All records, oldest first.
    pub fn iter(&self) -> impl Iterator<Item = &Truth> {
        self.records.iter()
    }

    /// The newest record.
    pub fn latest(&self) -> Option<&Truth> {
        self.records.back()
    }

    /// The average over a stretch of simulated time, both ends included; where
    /// the stretch is shorter than the distance of two records, the last record
    /// before its end. Nothing where none was kept.
    pub fn over(&self, from_s: f64, to_s: f64) -> Option<Truth> {
        // A hair of tolerance, so that a record at the very end counts.
        let hair_s = 1e-6;
        let start = self
            .records
            .partition_point(|record| record.time_s < from_s - hair_s);
        let end = self
            .records
            .partition_point(|record| record.time_s <= to_s + hair_s);
        if start >= end {
            return self.records.get(end.checked_sub(1)?).cloned();
        }
        let share = 1.0 / (end - start) as f64;
        let mut mean = Truth::default();
        for record in self.records.range(start..end) {
            mean.add(&record.scaled(share));
        }
        Some(mean)
    }
}

/// What the simulation knows of the vehicle itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// Spring rates of the [`UNITS`].
    pub rates_n_per_mm: [f64; 4],
    /// Half-widths of the friction bands along the [`UNITS`].
    pub friction_n: [f64; 4],
    /// Collar heights of the [`UNITS`].
    pub collars_mm: [f64; 4],
    /// What the springs carry before any load.
    pub sprung_kg: f64,
    /// Its centre, frame point.
    pub sprung_centre_mm: [f64; 3],
    /// Tyre rates, rear and front.
    pub tyre_rates_n_per_mm: [f64; 2],
    /// What the loads really weigh, by their names in the sheet.
    pub loads_kg: Vec<(String, f64)>,
    /// How much length the rear springs have lost by now.
    pub rear_set_mm: f64,
    /// How much they will have lost in the end.
    pub rear_set_final_mm: f64,
    /// Floor: positive = left side up.
    pub floor_roll_deg: f64,
    /// Floor: positive = falls to the front.
    pub floor_pitch_deg: f64,
    /// What each sensor shows too much, by its name: degrees or millimetres.
    pub sensor_zeros: Vec<(String, f64)>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record() -> TruthRecord {
        let mut record = TruthRecord::default();
        for index in 0..=20_u32 {
            record.push(Truth {
                time_s: f64::from(index) * 0.1,
                heave_mm: f64::from(index),
                ..Truth::default()
            });
        }
        record
    }

    #[test]
    fn averages_over_the_stretch_asked_for() {
        let mean = record().over(0.5, 1.5).expect("records there");
        assert!((mean.heave_mm - 10.0).abs() < 1e-9);
        assert!((mean.time_s - 1.0).abs() < 1e-9);
    }

    #[test]
    fn short_stretch_takes_the_record_before() {
        let truth = record().over(1.02, 1.04).expect("records there");
        assert!((truth.heave_mm - 10.0).abs() < 1e-9);
        assert!(TruthRecord::default().over(0.0, 1.0).is_none());
    }
}
