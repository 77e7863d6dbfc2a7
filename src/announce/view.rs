//! Where ground and camera pixels lie on the canvas that is drawn on.

use crate::optics::{Ground, GroundPoint, PixelPoint};
use crate::profile::Profile;

use super::layer::Spot;

/// Steps of a metre along a ground line: a fisheye's bend stays within a
/// fraction of a pixel of the chord.
const STEPS_PER_M: f64 = 16.0;

/// The canvas shows the camera's whole picture, scaled, mirrored if so wished.
#[derive(Debug, Clone)]
pub(super) struct View {
    ground: Ground,
    scale: (f64, f64),
    mirrored: bool,
    /// Canvas width and height, pixels.
    pub size: (u32, u32),
}

impl View {
    pub(super) fn new(profile: &Profile, size: (u32, u32)) -> Self {
        View {
            ground: profile.ground(),
            scale: (
                f64::from(size.0) / f64::from(profile.lens.width.max(1)),
                f64::from(size.1) / f64::from(profile.lens.height.max(1)),
            ),
            mirrored: profile.display.mirrored,
            size,
        }
    }

    /// Canvas place of a camera pixel (pixel centres at integers).
    pub(super) fn spot(&self, p: PixelPoint) -> Spot {
        let x = (p.u + 0.5) * self.scale.0 - 0.5;
        let y = (p.v + 0.5) * self.scale.1 - 0.5;
        if self.mirrored {
            (f64::from(self.size.0) - 1.0 - x, y)
        } else {
            (x, y)
        }
    }

    /// Canvas place of a ground point; `None` where the lens cannot see.
    pub(super) fn ground_spot(&self, behind_m: f64, side_m: f64) -> Option<Spot> {
        let spot = self.spot(self.ground.to_pixel(GroundPoint { behind_m, side_m })?);
        (spot.0.is_finite() && spot.1.is_finite()).then_some(spot)
    }

    /// The canvas lines that show the ground line from `a` to `b` (behind,
    /// side); more than one where the lens loses sight of it in between.
    pub(super) fn ground_lines(&self, a: (f64, f64), b: (f64, f64)) -> Vec<Vec<Spot>> {
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        let steps = ((length * STEPS_PER_M).ceil() as usize).clamp(2, 2000);
        let mut lines = vec![Vec::new()];
        for i in 0..=steps {
            let t = i as f64 / steps as f64;
            let spot = self.ground_spot(a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1));
            match (spot, lines.last_mut()) {
                (Some(spot), Some(line)) => line.push(spot),
                (None, Some(line)) if !line.is_empty() => lines.push(Vec::new()),
                _ => {}
            }
        }
        lines.retain(|line| line.len() > 1);
        lines
    }

    /// Whether a canvas place is on the canvas.
    pub(super) fn holds(&self, spot: Spot) -> bool {
        spot.0 >= 0.0
            && spot.1 >= 0.0
            && spot.0 < f64::from(self.size.0)
            && spot.1 < f64::from(self.size.1)
    }
}
