//! What of the ground and of standing things the picture shows.

use nalgebra::Vector3;

use crate::optics::{Ground, GroundPoint, PixelPoint};
use crate::profile::Profile;
use crate::watch::SelfMask;

/// Scans of the ground go in steps of a centimetre, as fine as a tape reads.
const STEP_M: f64 = 0.01;
/// No width or strip is looked for beyond.
pub(super) const GREATEST_M: f64 = 15.0;

/// Geometry and self-mask together: whether a point shows in the picture.
pub(super) struct Sight {
    pub ground: Ground,
    mask: SelfMask,
}

impl Sight {
    pub fn new(profile: &Profile) -> anyhow::Result<Self> {
        let mask = match &profile.camera.self_mask {
            Some(path) => SelfMask::load(path, profile)?,
            None => SelfMask::default(),
        };
        Ok(Sight {
            ground: profile.ground(),
            mask,
        })
    }

    /// The same camera under another pitch. The self-mask moves with it: it is
    /// fixed to the picture.
    pub fn with_pitch(&self, pitch_deg: f64) -> Sight {
        let mut mount = *self.ground.mount();
        mount.pitch = crate::units::Radians::from_degrees(pitch_deg);
        Sight {
            ground: Ground::new(*self.ground.lens(), mount),
            mask: self.mask.clone(),
        }
    }

    /// The pixel that shows a point (behind, side, up), if it lies inside the
    /// picture and off the own vehicle.
    pub fn pixel(&self, behind_m: f64, side_m: f64, up_m: f64) -> Option<PixelPoint> {
        let point = Vector3::new(behind_m, side_m, up_m);
        let p = self.ground.point_to_pixel(&point)?;
        if !self.ground.lens().holds(p) {
            return None;
        }
        (!self.mask.covers(p)).then_some(p)
    }

    /// Whether the picture shows this place of the ground.
    pub fn sees_ground(&self, behind_m: f64, side_m: f64) -> bool {
        self.pixel(behind_m, side_m, 0.0).is_some()
    }

    /// The nearest distance from which on the ground shows at this `side`;
    /// `None` if it never does.
    pub fn first_seen_m(&self, side_m: f64) -> Option<f64> {
        steps(GREATEST_M).find(|d| self.sees_ground(*d, side_m))
    }

    /// The nearest distance at which the whole width of the vehicle shows.
    pub fn blind_strip_m(&self, width_m: f64) -> Option<f64> {
        (-10..=10)
            .map(|i| self.first_seen_m(0.5 * width_m * f64::from(i) / 10.0))
            .try_fold(0.0, |most: f64, seen| seen.map(|s| most.max(s)))
    }

    /// Leftmost and rightmost ground that shows at a distance, as `side_m`.
    pub fn width_seen_m(&self, behind_m: f64) -> Option<(f64, f64)> {
        let seen = |side: &f64| self.sees_ground(behind_m, *side);
        let left = steps(GREATEST_M).map(|s| -s).filter(seen).last();
        let right = steps(GREATEST_M).filter(seen).last();
        match (left, right) {
            (Some(l), Some(r)) => Some((l, r)),
            (Some(l), None) => Some((l, steps(GREATEST_M).map(|s| -s).find(seen)?)),
            (None, Some(r)) => Some((steps(GREATEST_M).find(seen)?, r)),
            (None, None) => None,
        }
    }

    /// Standard deviation of a distance on the centre line, metres: from the
    /// noise of the contact row, from the mount, and both.
    pub fn deviation_m(&self, behind_m: f64, contact_sd_px: f64) -> Option<Deviation> {
        let p = self.ground.to_pixel(GroundPoint {
            behind_m,
            side_m: 0.0,
        })?;
        let variance = |pixel_sd: f64| Some(self.ground.covariance(p, pixel_sd)?[(0, 0)].max(0.0));
        let mount = variance(0.0)?;
        let all = variance(contact_sd_px)?;
        Some(Deviation {
            pixel_m: (all - mount).max(0.0).sqrt(),
            mount_m: mount.sqrt(),
            all_m: all.sqrt(),
        })
    }
}

/// Parts of a standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Deviation {
    pub pixel_m: f64,
    pub mount_m: f64,
    pub all_m: f64,
}

fn steps(to_m: f64) -> impl Iterator<Item = f64> {
    (0..=(to_m / STEP_M) as u32).map(|i| f64::from(i) * STEP_M)
}
