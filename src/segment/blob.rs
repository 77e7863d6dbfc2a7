//! A blob: something that is not ground, as a contact line and a top line.

use crate::optics::PixelPoint;

/// A connected region that is not ground, in full-size pixels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Blob {
    /// Where it meets the ground, one point per examined column, in order of
    /// the vehicle's left to right.
    pub contact: Vec<PixelPoint>,
    /// Its upper end in the same columns.
    pub top: Vec<PixelPoint>,
    /// Probability that it stands, 0..1.
    pub probability: f64,
    /// Mean error of the logarithm of its distance from the camera, 0 if nothing is known of it.
    pub doubt: f64,
}
