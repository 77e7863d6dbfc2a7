//! Between the picture and the ground: pixel → ray → `up = 0`, and back.

use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

use super::{Lens, Mount, PixelPoint};

/// A place on the ground, in the ground frame of the vehicle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroundPoint {
    /// Metres rearward of the rearmost bumper point.
    pub behind_m: f64,
    /// Metres toward the vehicle's right of its centre line.
    pub side_m: f64,
}

/// Rays flatter than this (sine of the angle below the horizon) meet the
/// ground so far off that a hundredth of a pixel decides: they have no answer.
const FLATTEST_SINE: f64 = 1e-3;

/// Step of the central differences, in pixels. The lens curves bend by parts
/// in a thousand over a whole pixel, so this is exact to about 1e-7.
const PIXEL_STEP: f64 = 0.05;

/// Lens and mount together: what turns pixels into metres.
#[derive(Debug, Clone)]
pub struct Ground {
    lens: Lens,
    mount: Mount,
    rotation: Matrix3<f64>,
    position: Vector3<f64>,
}

impl Ground {
    /// Joins a lens and a mount.
    pub fn new(lens: Lens, mount: Mount) -> Self {
        Ground {
            lens,
            mount,
            rotation: mount.rotation(),
            position: mount.position(),
        }
    }

    /// The lens.
    pub fn lens(&self) -> &Lens {
        &self.lens
    }

    /// The mount.
    pub fn mount(&self) -> &Mount {
        &self.mount
    }

    /// Lens centre in the ground frame (behind, side, up), metres.
    pub fn camera_position(&self) -> Vector3<f64> {
        self.position
    }

    /// Unit ray in the ground frame along which pixel `p` looks.
    pub fn ray(&self, p: PixelPoint) -> Option<Vector3<f64>> {
        Some(self.rotation * self.lens.unproject(p)?)
    }

    /// Where pixel `p` meets the ground; `None` at and above the horizon.
    pub fn to_ground(&self, p: PixelPoint) -> Option<GroundPoint> {
        let ray = self.ray(p)?;
        let t = self.position.z / -ray.z;
        // A camera at or under the ground, or a value that is not a number,
        // has no answer either.
        if ray.z > -FLATTEST_SINE || !(t.is_finite() && t > 0.0) {
            return None;
        }
        let g = GroundPoint {
            behind_m: self.position.x + t * ray.x,
            side_m: self.position.y + t * ray.y,
        };
        (g.behind_m.is_finite() && g.side_m.is_finite()).then_some(g)
    }

    /// The pixel that shows a point of the ground; `None` if the lens cannot
    /// see there. The pixel may lie outside the picture.
    pub fn to_pixel(&self, g: GroundPoint) -> Option<PixelPoint> {
        self.point_to_pixel(&Vector3::new(g.behind_m, g.side_m, 0.0))
    }

    /// The pixel that shows a point (behind, side, up) in metres.
    pub fn point_to_pixel(&self, point: &Vector3<f64>) -> Option<PixelPoint> {
        let ray = self.rotation.transpose() * (point - self.position);
        self.lens.project(&ray)
    }

    /// Change of the ground point (rows: behind, side) per pixel (columns: u,
    /// v), in metres per pixel.
    pub fn jacobian(&self, p: PixelPoint) -> Option<Matrix2<f64>> {
        let at = |du: f64, dv: f64| {
            self.to_ground(PixelPoint {
                u: p.u + du,
                v: p.v + dv,
            })
            .map(|g| Vector2::new(g.behind_m, g.side_m))
        };
        let h = PIXEL_STEP;
        let du = (at(h, 0.0)? - at(-h, 0.0)?) / (2.0 * h);
        let dv = (at(0.0, h)? - at(0.0, -h)?) / (2.0 * h);
        Some(Matrix2::from_columns(&[du, dv]))
    }

    /// Covariance of the ground point (behind, side), m², that follows from
    /// `pixel_sd` pixels of noise and from the mount's covariance.
    pub fn covariance(&self, p: PixelPoint, pixel_sd: f64) -> Option<Matrix2<f64>> {
        let j = self.jacobian(p)?;
        let pixel = j * j.transpose() * (pixel_sd * pixel_sd);
        let values = self.mount.values();
        let mut m = nalgebra::Matrix2x6::zeros();
        for i in 0..6 {
            let h = 1e-5;
            let at = |d: f64| {
                let mut v = values;
                v[i] += d;
                Ground::new(self.lens, self.mount.with_values(v))
                    .to_ground(p)
                    .map(|g| Vector2::new(g.behind_m, g.side_m))
            };
            m.set_column(i, &((at(h)? - at(-h)?) / (2.0 * h)));
        }
        Some(pixel + m * self.mount.covariance * m.transpose())
    }

    /// Standard deviation of the distance behind, metres.
    pub fn behind_sd_m(&self, p: PixelPoint, pixel_sd: f64) -> Option<f64> {
        Some(self.covariance(p, pixel_sd)?[(0, 0)].max(0.0).sqrt())
    }
}
