//! Lens models: from a ray in the camera frame to a pixel and back.
//!
//! Camera frame: origin in the centre of projection, `x` to the right of the
//! picture, `y` down the picture, `z` along the optical axis; right-handed.
//! Pixel centres lie at integer coordinates (OpenCV's convention), `u` to the
//! right and `v` down.
//!
//! Models and coefficient order follow OpenCV's `calib3d` so that figures from
//! other calibrations can be typed in:
//! * `brown-conrady`: D. C. Brown, "Close-range camera calibration",
//!   Photogrammetric Engineering 37(8), 1971; k1 k2 p1 p2 k3.
//! * `kannala-brandt`: J. Kannala, S. S. Brandt, "A generic camera model and
//!   calibration method for conventional, wide-angle, and fish-eye lenses",
//!   IEEE PAMI 28(8), 2006, doi:10.1109/TPAMI.2006.153; k1..k4.

use nalgebra::Vector3;

/// A place in the picture, in pixels of the full-size picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PixelPoint {
    /// Columns to the right; 0 is the centre of the leftmost pixel.
    pub u: f64,
    /// Rows down; 0 is the centre of the topmost pixel.
    pub v: f64,
}

/// How rays bend on their way to the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LensModel {
    /// No distortion.
    Pinhole,
    /// Radial k1, k2, k3 and decentring p1, p2 on the tangent plane.
    BrownConrady {
        /// Radial, 2nd order.
        k1: f64,
        /// Radial, 4th order.
        k2: f64,
        /// Decentring.
        p1: f64,
        /// Decentring.
        p2: f64,
        /// Radial, 6th order.
        k3: f64,
    },
    /// Polynomial in the angle from the optical axis, for fisheye lenses.
    KannalaBrandt {
        /// Coefficients of θ³, θ⁵, θ⁷ and θ⁹.
        k: [f64; 4],
    },
}

/// A lens with its sensor: intrinsics at the full picture size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Distortion.
    pub model: LensModel,
    /// Focal length along columns, in pixels.
    pub fx: f64,
    /// Focal length along rows, in pixels.
    pub fy: f64,
    /// Principal point, column.
    pub cx: f64,
    /// Principal point, row.
    pub cy: f64,
    /// Picture width in pixels.
    pub width: u32,
    /// Picture height in pixels.
    pub height: u32,
}

const NEWTON_STEPS: usize = 50;
const RAY_TOLERANCE: f64 = 1e-13;

impl Lens {
    /// The pixel that sees along `ray` (any length, camera frame).
    ///
    /// `None` where the model does not hold: behind the camera, or past the
    /// field angle at which the distortion polynomial folds back on itself.
    /// The pixel may lie outside the picture; see [`Lens::holds`].
    pub fn project(&self, ray: &Vector3<f64>) -> Option<PixelPoint> {
        let (xd, yd) = match self.model {
            LensModel::Pinhole => {
                if ray.z <= 1e-9 * ray.norm() {
                    return None;
                }
                (ray.x / ray.z, ray.y / ray.z)
            }
            LensModel::BrownConrady { .. } => {
                if ray.z <= 1e-9 * ray.norm() {
                    return None;
                }
                let (x, y) = (ray.x / ray.z, ray.y / ray.z);
                if self.brown_radial_slope((x * x + y * y).sqrt())? <= 0.0 {
                    return None;
                }
                self.brown(x, y)
            }
            LensModel::KannalaBrandt { k } => {
                let rho = ray.x.hypot(ray.y);
                let theta = rho.atan2(ray.z);
                if !kb_monotonic_to(&k, theta) {
                    return None;
                }
                if rho < 1e-12 * ray.norm() {
                    (0.0, 0.0)
                } else {
                    let d = kb_theta_d(&k, theta) / rho;
                    (ray.x * d, ray.y * d)
                }
            }
        };
        Some(PixelPoint {
            u: self.fx * xd + self.cx,
            v: self.fy * yd + self.cy,
        })
    }

    /// The unit ray (camera frame) that pixel `p` looks along.
    ///
    /// `None` where no ray of the model reaches the pixel.
    pub fn unproject(&self, p: PixelPoint) -> Option<Vector3<f64>> {
        let xd = (p.u - self.cx) / self.fx;
        let yd = (p.v - self.cy) / self.fy;
        match self.model {
            LensModel::Pinhole => Some(Vector3::new(xd, yd, 1.0).normalize()),
            LensModel::BrownConrady { .. } => {
                let (x, y) = self.brown_inverse(xd, yd)?;
                Some(Vector3::new(x, y, 1.0).normalize())
            }
            LensModel::KannalaBrandt { k } => {
                let theta_d = xd.hypot(yd);
                if theta_d < 1e-15 {
                    return Some(Vector3::z());
                }
                let theta = kb_theta(&k, theta_d)?;
                let s = theta.sin() / theta_d;
                Some(Vector3::new(xd * s, yd * s, theta.cos()))
            }
        }
    }

    /// Whether the pixel lies inside the picture.
    pub fn holds(&self, p: PixelPoint) -> bool {
        p.u >= -0.5
            && p.v >= -0.5
            && p.u < f64::from(self.width) - 0.5
            && p.v < f64::from(self.height) - 0.5
    }

    fn brown(&self, x: f64, y: f64) -> (f64, f64) {
        let LensModel::BrownConrady { k1, k2, p1, p2, k3 } = self.model else {
            return (x, y);
        };
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        (
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        )
    }

    /// The smallest slope of the radial curve from the axis out to `r`; at or
    /// below zero the curve has folded and one pixel would have two rays.
    fn brown_radial_slope(&self, r: f64) -> Option<f64> {
        let LensModel::BrownConrady { k1, k2, k3, .. } = self.model else {
            return Some(1.0);
        };
        let slope = |r2: f64| 1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + r2 * 7.0 * k3));
        // Extremes of the slope in r²: roots of its derivative, and the end.
        let mut least = slope(r * r).min(1.0);
        let (a, b, c) = (21.0 * k3, 10.0 * k2, 3.0 * k1);
        let mut look = |r2: f64| {
            if r2 > 0.0 && r2 < r * r {
                least = least.min(slope(r2));
            }
        };
        if a.abs() > 1e-12 {
            let d = b * b - 4.0 * a * c;
            if d >= 0.0 {
                look((-b + d.sqrt()) / (2.0 * a));
                look((-b - d.sqrt()) / (2.0 * a));
            }
        } else if b.abs() > 1e-12 {
            look(-c / b);
        }
        least.is_finite().then_some(least)
    }

    /// Newton's method in two unknowns; the start, the distorted point itself,
    /// lies on the right branch as long as the curve has not folded.
    fn brown_inverse(&self, xd: f64, yd: f64) -> Option<(f64, f64)> {
        let LensModel::BrownConrady { k1, k2, p1, p2, k3 } = self.model else {
            return Some((xd, yd));
        };
        let (mut x, mut y) = (xd, yd);
        for _ in 0..NEWTON_STEPS {
            let (fx, fy) = self.brown(x, y);
            let (ex, ey) = (fx - xd, fy - yd);
            let r2 = x * x + y * y;
            let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
            let dr = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);
            let a = radial + 2.0 * x * x * dr + 2.0 * p1 * y + 6.0 * p2 * x;
            let b = 2.0 * x * y * dr + 2.0 * p1 * x + 2.0 * p2 * y;
            let d = radial + 2.0 * y * y * dr + 6.0 * p1 * y + 2.0 * p2 * x;
            let det = a * d - b * b;
            if det.abs() < 1e-12 {
                return None;
            }
            let (mut sx, mut sy) = ((d * ex - b * ey) / det, (a * ey - b * ex) / det);
            // A step longer than the point's own radius has left the branch.
            let limit = 0.5 * (1.0 + r2.sqrt());
            let len = sx.hypot(sy);
            if len > limit {
                sx *= limit / len;
                sy *= limit / len;
            }
            x -= sx;
            y -= sy;
            if sx.hypot(sy) < RAY_TOLERANCE * (1.0 + r2.sqrt()) {
                let on_branch = self.brown_radial_slope(x.hypot(y))? > 0.0;
                return on_branch.then_some((x, y));
            }
        }
        None
    }
}

fn kb_theta_d(k: &[f64; 4], theta: f64) -> f64 {
    let t2 = theta * theta;
    theta * (1.0 + t2 * (k[0] + t2 * (k[1] + t2 * (k[2] + t2 * k[3]))))
}

fn kb_slope(k: &[f64; 4], theta: f64) -> f64 {
    let t2 = theta * theta;
    1.0 + t2 * (3.0 * k[0] + t2 * (5.0 * k[1] + t2 * (7.0 * k[2] + t2 * 9.0 * k[3])))
}

/// Whether the curve rises all the way from the axis to `theta`. Sampled: the
/// slope is a quartic in θ² and 32 steps over π leave no room for a fold that
/// matters at picture scale.
fn kb_monotonic_to(k: &[f64; 4], theta: f64) -> bool {
    (1..=32).all(|i| kb_slope(k, theta * f64::from(i) / 32.0) > 0.0)
}

/// Inverse of the angle polynomial on its rising branch, by bisection made
/// fast with Newton steps that stay inside the bracket.
fn kb_theta(k: &[f64; 4], theta_d: f64) -> Option<f64> {
    let mut low = 0.0;
    let mut high = None;
    let mut last = 0.0;
    for i in 1..=64 {
        let theta = std::f64::consts::PI * f64::from(i) / 64.0;
        let value = kb_theta_d(k, theta);
        if value >= theta_d {
            high = Some(theta);
            break;
        }
        if value <= last {
            return None;
        }
        last = value;
        low = theta;
    }
    let mut high = high?;
    let mut theta = 0.5 * (low + high);
    for _ in 0..NEWTON_STEPS {
        let error = kb_theta_d(k, theta) - theta_d;
        if error > 0.0 {
            high = theta;
        } else {
            low = theta;
        }
        let slope = kb_slope(k, theta);
        let newton = theta - error / slope;
        let next = if slope > 0.0 && newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - theta).abs() < RAY_TOLERANCE {
            return kb_monotonic_to(k, next).then_some(next);
        }
        theta = next;
    }
    kb_monotonic_to(k, theta).then_some(theta)
}
