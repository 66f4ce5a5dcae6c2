//! A spring with its damper, its friction and its stops, worked by a length.
//!
//! In: the length between the mounts and its rate of change. Out: the force
//! that pushes the mounts apart. Refuses nothing: any finite length has a
//! force.
//!
//! Friction follows Dahl's model: a bristle is bent while the strut moves and
//! stays bent when it stands, so that the strut holds a force at standstill
//! and comes to rest at a place that depends on where it came from.

/// The numbers of one unit, in SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Eye to eye, fully extended, metres.
    pub extended_m: f64,
    /// Eye to eye, fully compressed, metres.
    pub compressed_m: f64,
    /// Part of the length the spring cannot use with the collar at its mark.
    pub hardware_m: f64,
    /// Collar height above its mark.
    pub collar_m: f64,
    /// Free length of the spring before any set.
    pub free_length_m: f64,
    /// Spring rate, newtons per metre.
    pub rate_n_per_m: f64,
    /// Damping along the unit, newton seconds per metre.
    pub damping_n_s_per_m: f64,
    /// Half-width of the friction band along the unit, newtons.
    pub friction_n: f64,
}

/// Stiffness of a bent bristle, newtons per metre, for a friction of one
/// newton: the band is crossed to 63 % in 0.25 mm. Chosen, because a seal
/// breaks loose within some tenths of a millimetre.
const BRISTLE_PER_M: f64 = 1.0 / 0.25e-3;

/// Stiffness of the stops at both ends, newtons per metre. Chosen soft enough
/// for steps of 1 ms, hard enough to give way by less than a millimetre.
const STOP_N_PER_M: f64 = 3.0e6;

/// One strut with what it remembers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strut {
    /// Its numbers.
    pub unit: Unit,
    /// How much of its free length the spring has lost, metres.
    pub set_m: f64,
    /// Force of the bent bristle, newtons, positive when it resists
    /// compression.
    bristle_n: f64,
}

impl Strut {
    /// A strut with its bristle straight.
    pub const fn new(unit: Unit) -> Self {
        Self {
            unit,
            set_m: 0.0,
            bristle_n: 0.0,
        }
    }

    /// How far the spring is pressed together at this length, metres.
    pub fn compression_m(&self, length_m: f64) -> f64 {
        let space = length_m - self.unit.hardware_m - self.unit.collar_m;
        (self.unit.free_length_m - self.set_m - space).max(0.0)
    }

    /// Force that pushes the mounts apart, newtons.
    pub fn push_n(&self, length_m: f64, rate_m_s: f64) -> f64 {
        let unit = &self.unit;
        let spring = unit.rate_n_per_m * self.compression_m(length_m);
        let stops = STOP_N_PER_M
            * ((unit.compressed_m - length_m).max(0.0) - (length_m - unit.extended_m).max(0.0));
        spring + stops + self.bristle_n - unit.damping_n_s_per_m * rate_m_s
    }

    /// Energy stored in spring and stops, joules.
    pub fn energy_j(&self, length_m: f64) -> f64 {
        let unit = &self.unit;
        let spring = unit.rate_n_per_m * self.compression_m(length_m).powi(2);
        let stop_m =
            (unit.compressed_m - length_m).max(0.0) + (length_m - unit.extended_m).max(0.0);
        0.5 * (spring + STOP_N_PER_M * stop_m * stop_m)
    }

    /// Bends the bristle by a change of length (Dahl: the force goes towards
    /// the band's edge, exponentially in the way gone, not in time).
    pub fn slide(&mut self, change_m: f64) {
        let edge = -self.unit.friction_n * change_m.signum();
        let share = (-BRISTLE_PER_M * change_m.abs()).exp();
        self.bristle_n = edge + (self.bristle_n - edge) * share;
    }

    /// Force of the bristle, newtons, positive when it pushes apart.
    pub const fn friction_now_n(&self) -> f64 {
        self.bristle_n
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UNIT: Unit = Unit {
        extended_m: 0.450,
        compressed_m: 0.300,
        hardware_m: 0.180,
        collar_m: 0.020,
        free_length_m: 0.250,
        rate_n_per_m: 24_000.0,
        damping_n_s_per_m: 0.0,
        friction_n: 30.0,
    };

    /// By hand: space 0.400 - 0.180 - 0.020 = 0.200, compression 0.050,
    /// 24 kN/m x 0.050 m = 1200 N.
    #[test]
    fn spring_force_by_hand() {
        let strut = Strut::new(UNIT);
        assert!((strut.push_n(0.400, 0.0) - 1200.0).abs() < 1e-9);
    }

    #[test]
    fn spring_never_pulls() {
        let strut = Strut::new(Unit {
            free_length_m: 0.1,
            ..UNIT
        });
        assert!(strut.push_n(0.440, 0.0).abs() < 1e-12);
    }

    /// Down and up through the same length the forces differ by twice the
    /// friction, and the force stays when the strut stands.
    #[test]
    fn friction_band_is_twice_the_friction() {
        let mut strut = Strut::new(UNIT);
        strut.slide(-0.010);
        let pressing = strut.push_n(0.400, 0.0);
        strut.slide(0.0);
        assert!((strut.push_n(0.400, 0.0) - pressing).abs() < 1e-12);
        strut.slide(0.010);
        let releasing = strut.push_n(0.400, 0.0);
        assert!((pressing - releasing - 60.0).abs() < 1e-6);
    }

    #[test]
    fn stops_hold_at_both_ends() {
        let strut = Strut::new(UNIT);
        assert!(strut.push_n(0.299, 0.0) > 24_000.0 * 0.151 + 2900.0);
        assert!(strut.push_n(0.452, 0.0) < -5900.0);
    }
}
