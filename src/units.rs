//! Quantities that must not be mixed up, as types.
//!
//! Where a type would be too much (profile keys, table columns, struct fields
//! read by name) the name ends in the unit instead: `height_m`, `yaw_rate_rps`.

use std::fmt;

/// A length in metres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Metres(pub f64);

/// An angle in radians.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct Radians(pub f64);

impl Radians {
    /// The angle given in degrees, as people measure it.
    pub fn from_degrees(degrees: f64) -> Self {
        Radians(degrees.to_radians())
    }

    /// The same angle in degrees.
    pub fn degrees(self) -> f64 {
        self.0.to_degrees()
    }
}

/// A speed in metres per second.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct MetresPerSecond(pub f64);

impl MetresPerSecond {
    /// The speed given in kilometres per hour, as speedometers show it.
    pub fn from_kmh(kmh: f64) -> Self {
        MetresPerSecond(kmh / 3.6)
    }
}

impl fmt::Display for Metres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2} m", self.0)
    }
}
