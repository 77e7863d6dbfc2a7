//! The thresholds that can be tuned.

use std::time::Duration;

use rand::Rng;

use crate::profile::edit::{rounded, Edit};
use crate::profile::{Profile, ProfileError};
use crate::units::Metres;

/// A threshold of the profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Knob {
    /// segment.min_area_cm2
    MinArea,
    /// segment.min_height_m
    MinHeight,
    /// segment.enter_probability
    Enter,
    /// segment.stay_probability
    Stay,
    /// track.confirm_hits
    ConfirmHits,
    /// track.coast_ms
    Coast,
}

impl Knob {
    /// Every threshold that can be tuned.
    pub const ALL: [Knob; 6] = [
        Knob::MinArea,
        Knob::MinHeight,
        Knob::Enter,
        Knob::Stay,
        Knob::ConfirmHits,
        Knob::Coast,
    ];

    /// Section and key in the profile.
    pub fn key(self) -> [&'static str; 2] {
        match self {
            Knob::MinArea => ["segment", "min_area_cm2"],
            Knob::MinHeight => ["segment", "min_height_m"],
            Knob::Enter => ["segment", "enter_probability"],
            Knob::Stay => ["segment", "stay_probability"],
            Knob::ConfirmHits => ["track", "confirm_hits"],
            Knob::Coast => ["track", "coast_ms"],
        }
    }

    /// Section and key as users write it.
    pub fn name(self) -> String {
        self.key().join(".")
    }

    /// Its value in a profile.
    pub fn get(self, profile: &Profile) -> f64 {
        match self {
            Knob::MinArea => profile.segment.min_area_cm2,
            Knob::MinHeight => profile.segment.min_height.0,
            Knob::Enter => profile.segment.enter_probability,
            Knob::Stay => profile.segment.stay_probability,
            Knob::ConfirmHits => f64::from(profile.track.confirm_hits),
            Knob::Coast => profile.track.coast.as_secs_f64() * 1e3,
        }
    }

    /// Least and greatest value that is tried, and decimals kept. A kerb of
    /// 10 cm and a leg must stay above what is left out.
    fn range(self) -> (f64, f64, u32) {
        match self {
            Knob::MinArea => (60.0, 400.0, 0),
            Knob::MinHeight => (0.05, 0.10, 3),
            Knob::Enter => (0.5, 0.95, 2),
            Knob::Stay => (0.2, 0.7, 2),
            Knob::ConfirmHits => (2.0, 5.0, 0),
            Knob::Coast => (200.0, 1000.0, 0),
        }
    }

    /// Changes its value in a profile.
    pub fn set(self, profile: &mut Profile, value: f64) {
        match self {
            Knob::MinArea => profile.segment.min_area_cm2 = value,
            Knob::MinHeight => profile.segment.min_height = Metres(value),
            Knob::Enter => profile.segment.enter_probability = value,
            Knob::Stay => profile.segment.stay_probability = value,
            Knob::ConfirmHits => profile.track.confirm_hits = value as u32,
            Knob::Coast => profile.track.coast = Duration::from_millis(value as u64),
        }
    }

    /// Draws a value: near the present one, or anywhere in the range.
    pub fn draw(self, profile: &mut Profile, rng: &mut impl Rng) {
        let (least, most, decimals) = self.range();
        let value = if rng.random_bool(0.5) {
            let spread = (most - least) * 0.15;
            (self.get(profile) + rng.random_range(-spread..=spread)).clamp(least, most)
        } else {
            rng.random_range(least..=most)
        };
        self.set(profile, rounded(value, decimals));
    }

    /// Writes the value of `profile` into its file.
    ///
    /// # Errors
    /// The section cannot be changed.
    pub fn write(self, edit: &mut Edit, profile: &Profile) -> Result<(), ProfileError> {
        let value = self.get(profile);
        match self {
            Knob::MinArea | Knob::ConfirmHits | Knob::Coast => {
                edit.set(&self.key(), value.round() as i64)?
            }
            _ => edit.set(&self.key(), value)?,
        };
        Ok(())
    }
}

/// Whether the thresholds go together, as the profile's checker wants it.
pub fn fits(profile: &Profile) -> bool {
    profile.segment.stay_probability < profile.segment.enter_probability
        && profile.track.confirm_hits <= profile.track.confirm_window
}
