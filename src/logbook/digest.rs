//! A digest of records: FNV-1a, 64 bit. It finds accidents, not forgery.

use super::records::{KeptReading, Load};

/// Source: IETF draft-eastlake-fnv, 64-bit parameters.
const OFFSET_BASIS: u64 = 0xcbf2_9ce4_8422_2325;
/// Source: as above.
const PRIME: u64 = 0x0000_0100_0000_01b3;

/// The digest so far.
#[derive(Debug, Clone, Copy)]
struct Digest(u64);

impl Digest {
    fn bytes(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.0 = (self.0 ^ u64::from(byte)).wrapping_mul(PRIME);
        }
    }
    fn count(&mut self, n: usize) {
        self.bytes(&(n as u64).to_le_bytes());
    }
    /// The length first, so that two texts cannot pass for one.
    fn text(&mut self, text: &str) {
        self.count(text.len());
        self.bytes(text.as_bytes());
    }
    fn number(&mut self, value: f64) {
        // SQLite keeps no sign of zero.
        self.bytes(&(value + 0.0).to_le_bytes());
    }
    fn maybe(&mut self, value: Option<f64>) {
        self.count(usize::from(value.is_some()));
        if let Some(value) = value {
            self.number(value);
        }
    }
    fn load(&mut self, load: &Load) {
        self.text(&load.name);
        self.number(load.mass_kg);
        for axis in 0..3 {
            self.maybe(load.at_m.map(|at| at[axis]));
        }
    }
}

/// Digest of a text.
pub(super) fn of_text(text: &str) -> i64 {
    let mut digest = Digest(OFFSET_BASIS);
    digest.bytes(text.as_bytes());
    digest.0.cast_signed()
}

/// Digest of everything in a reading. The order is part of the file format:
/// new fields go to the end and only where they are filled.
pub(super) fn of_reading(reading: &KeptReading) -> i64 {
    let mut digest = Digest(OFFSET_BASIS);
    digest.bytes(&reading.at.unix_us().to_le_bytes());
    digest.count(usize::from(reading.still_since.is_some()));
    if let Some(since) = reading.still_since {
        digest.bytes(&since.unix_us().to_le_bytes());
    }
    digest.count(usize::from(reading.case.is_some()));
    digest.text(reading.case.as_deref().unwrap_or_default());
    digest.text(reading.by.word());
    digest.text(&reading.note);
    digest.count(reading.loads.len());
    for load in &reading.loads {
        digest.load(load);
    }
    digest.count(reading.quantities.len());
    for quantity in &reading.quantities {
        digest.text(&quantity.name);
        digest.text(quantity.unit.word());
        digest.number(quantity.value);
        digest.number(quantity.standard_uncertainty);
        digest.text(quantity.origin.word());
    }
    digest.count(reading.sensors.len());
    for sensor in &reading.sensors {
        digest.text(&sensor.name);
        digest.text(sensor.unit.word());
        digest.maybe(sensor.value);
        digest.maybe(sensor.noise_uncertainty);
        digest.number(sensor.zero_uncertainty);
        digest.text(&sensor.quality);
    }
    if let Some(state) = &reading.state {
        digest.count(state.coordinates.len());
        for name in &state.coordinates {
            digest.text(name);
        }
        for &value in state.values.iter().chain(&state.covariance) {
            digest.number(value);
        }
    }
    for sensor in &reading.sensors {
        if let Some(temperature_c) = sensor.temperature_c {
            digest.text(&sensor.name);
            digest.number(temperature_c);
        }
    }
    digest.0.cast_signed()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: test vectors of IETF draft-eastlake-fnv (64-bit FNV-1a),
    /// from memory.
    #[test]
    fn published_vectors() {
        for (text, expected) in [
            ("", 0xcbf2_9ce4_8422_2325_u64),
            ("a", 0xaf63_dc4c_8601_ec8c),
            ("foobar", 0x8594_4171_f739_67e8),
        ] {
            assert_eq!(of_text(text).cast_unsigned(), expected, "{text}");
        }
    }
}
