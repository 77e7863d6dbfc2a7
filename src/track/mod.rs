//! Contacts of single frames become obstacles with an id, a speed and an age.

mod tracker;

use std::time::Duration;

use crate::optics::GroundPoint;

pub use tracker::{believed_after_s, OwnMotion, Tracker};

/// One ranged blob of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Contact {
    /// The nearest point of the contact line to the bumper.
    pub nearest: GroundPoint,
    /// Standard deviation of the distance behind, metres.
    pub sigma_m: f64,
    /// Leftmost and rightmost ground points of the contact line (by `side_m`).
    pub side_extent_m: (f64, f64),
    /// Height of the silhouette over the ground, metres.
    pub height_m: f64,
    /// Probability that this is a standing thing at all.
    pub probability: f64,
    /// The contact line in full-size pixels, left to right in the picture.
    pub line: Vec<crate::optics::PixelPoint>,
    /// The contact line on the ground.
    pub places: Vec<GroundPoint>,
}

/// A tracked thing.
#[derive(Debug, Clone, PartialEq)]
pub struct Obstacle {
    /// Stays the same while the obstacle is followed.
    pub id: u32,
    /// Nearest point now.
    pub nearest: GroundPoint,
    /// Standard deviation of the distance behind, metres.
    pub sigma_m: f64,
    /// Leftmost and rightmost ground points (by `side_m`).
    pub side_extent_m: (f64, f64),
    /// Height over the ground, metres.
    pub height_m: f64,
    /// Speed along behind, m/s; negative is closing.
    pub behind_mps: f64,
    /// Speed along side, m/s.
    pub side_mps: f64,
    /// Time until the bumper reaches it at this closing speed.
    pub time_to_contact: Option<Duration>,
    /// Since it was first seen.
    pub age: Duration,
    /// Seen in this very frame, not only expected.
    pub seen: bool,
    /// The contact line in full-size pixels when last seen.
    pub line: Vec<crate::optics::PixelPoint>,
}
