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

/// Determinant of the distortion's derivatives at which it has folded, or is so
/// flat that a pixel decides nothing.
const FOLDED: f64 = 0.005;

const NEWTON_STEPS: usize = 50;
const RAY_TOLERANCE: f64 = 1e-13;

/// Tangent of the steepest ray that a plane-tangent model is asked for, 89.4°.
const STEEPEST_TANGENT: f64 = 100.0;

impl Lens {
    /// The pixel that sees along `ray` (any length, camera frame).
    ///
    /// `None` where the model does not hold: behind the camera, past the field
    /// angle at which the distortion polynomial folds back on itself, or for
    /// values that are not finite. The pixel may lie outside the picture; see
    /// [`Lens::holds`].
    pub fn project(&self, ray: &Vector3<f64>) -> Option<PixelPoint> {
        let length = ray.norm();
        if !(length > 0.0 && length.is_finite()) {
            return None;
        }
        let (xd, yd) = match self.model {
            LensModel::KannalaBrandt { k } => {
                let rho = ray.x.hypot(ray.y);
                if rho < 1e-12 * length {
                    if ray.z < 0.0 {
                        return None;
                    }
                    (0.0, 0.0)
                } else {
                    let theta = rho.atan2(ray.z);
                    if !kb_monotonic_to(&k, theta) {
                        return None;
                    }
                    let d = kb_theta_d(&k, theta) / rho;
                    (ray.x * d, ray.y * d)
                }
            }
            LensModel::Pinhole | LensModel::BrownConrady { .. } => {
                if ray.z <= 1e-9 * length {
                    return None;
                }
                let (x, y) = (ray.x / ray.z, ray.y / ray.z);
                if !self.brown_opens_to(x, y) {
                    return None;
                }
                self.brown(x, y)
            }
        };
        let p = PixelPoint {
            u: self.fx * xd + self.cx,
            v: self.fy * yd + self.cy,
        };
        (p.u.is_finite() && p.v.is_finite()).then_some(p)
    }

    /// The unit ray (camera frame) that pixel `p` looks along.
    ///
    /// `None` where no ray of the model reaches the pixel, or for values that
    /// are not finite.
    pub fn unproject(&self, p: PixelPoint) -> Option<Vector3<f64>> {
        let xd = (p.u - self.cx) / self.fx;
        let yd = (p.v - self.cy) / self.fy;
        if !(xd.is_finite() && yd.is_finite()) {
            return None;
        }
        let ray = match self.model {
            LensModel::Pinhole => Vector3::new(xd, yd, 1.0).normalize(),
            LensModel::BrownConrady { .. } => {
                let (x, y) = self.brown_inverse(xd, yd)?;
                Vector3::new(x, y, 1.0).normalize()
            }
            LensModel::KannalaBrandt { k } => {
                let theta_d = xd.hypot(yd);
                if theta_d < 1e-15 {
                    return Some(Vector3::z());
                }
                let theta = kb_theta(&k, theta_d)?;
                let s = theta.sin() / theta_d;
                Vector3::new(xd * s, yd * s, theta.cos())
            }
        };
        ray.iter().all(|c| c.is_finite()).then_some(ray)
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

    /// Derivatives of `brown`: of x along x, of either along the other, of y
    /// along y.
    fn brown_slopes(&self, x: f64, y: f64) -> (f64, f64, f64) {
        let LensModel::BrownConrady { k1, k2, p1, p2, k3 } = self.model else {
            return (1.0, 0.0, 1.0);
        };
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let dr = k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3);
        (
            radial + 2.0 * x * x * dr + 2.0 * p1 * y + 6.0 * p2 * x,
            2.0 * x * y * dr + 2.0 * p1 * x + 2.0 * p2 * y,
            radial + 2.0 * y * y * dr + 6.0 * p1 * y + 2.0 * p2 * x,
        )
    }

    /// Whether the radial curve rises all the way from the axis out to `r`;
    /// where it no longer does it has folded, and one pixel would have two rays.
    fn brown_rises_to(&self, r: f64) -> bool {
        let LensModel::BrownConrady { k1, k2, k3, .. } = self.model else {
            return true;
        };
        let slope = |s: f64| 1.0 + s * (3.0 * k1 + s * (5.0 * k2 + s * 7.0 * k3));
        // The slope is a cubic in s = r²: its least value stands at the end or
        // where its own derivative vanishes.
        let end = r * r;
        let (a, b, c) = (21.0 * k3, 10.0 * k2, 3.0 * k1);
        let root = (b * b - 4.0 * a * c).max(0.0).sqrt();
        // Both roots in the form that loses no digits when `a` is small.
        let q = -0.5 * (b + root.copysign(b));
        let inner = [q / a, c / q].into_iter().filter(|&s| s > 0.0 && s < end);
        slope(end) > 0.0 && inner.map(slope).all(|value| value > 0.0)
    }

    /// Whether the distortion opens all the way from the axis out to a point.
    /// Decentring moves the fold of the radial curve, nearer on one side.
    /// Sampled, as it is flat long before a fold that matters.
    fn brown_opens_to(&self, x: f64, y: f64) -> bool {
        self.brown_rises_to(x.hypot(y))
            && (1..=32).all(|i| {
                let f = f64::from(i) / 32.0;
                let (a, b, d) = self.brown_slopes(f * x, f * y);
                a * d - b * b > FOLDED
            })
    }

    /// Newton's method in two unknowns. The start is the radial curve's own
    /// inverse, found inside a bracket on its rising branch; the decentring
    /// terms that remain are small.
    fn brown_inverse(&self, xd: f64, yd: f64) -> Option<(f64, f64)> {
        let rd = xd.hypot(yd);
        let scale = if rd > 0.0 {
            self.brown_radial_inverse(rd)? / rd
        } else {
            1.0
        };
        let (mut x, mut y) = (xd * scale, yd * scale);
        let determinant = |x: f64, y: f64| {
            let (a, b, d) = self.brown_slopes(x, y);
            a * d - b * b
        };
        while determinant(x, y) <= FOLDED && x.hypot(y) > 1e-3 {
            (x, y) = (0.97 * x, 0.97 * y);
        }
        for _ in 0..NEWTON_STEPS {
            let off = |x: f64, y: f64| {
                let (fx, fy) = self.brown(x, y);
                (fx - xd, fy - yd)
            };
            let (ex, ey) = off(x, y);
            let (a, b, d) = self.brown_slopes(x, y);
            let det = a * d - b * b;
            if det <= 1e-12 {
                return None;
            }
            let (sx, sy) = ((d * ex - b * ey) / det, (a * ey - b * ex) / det);
            if sx.hypot(sy) < RAY_TOLERANCE * (1.0 + x.hypot(y)) {
                return self.brown_opens_to(x, y).then_some((x, y));
            }
            // Near a fold a whole step leaps over it: it is shortened until it
            // brings the ray nearer and stays before the fold.
            let mut part = 1.0;
            loop {
                let (nx, ny) = (x - part * sx, y - part * sy);
                let (ox, oy) = off(nx, ny);
                let better = ox.hypot(oy) <= ex.hypot(ey) || sx.hypot(sy) < 1e-9;
                if better && determinant(nx, ny) > 0.0 {
                    (x, y) = (nx, ny);
                    break;
                }
                part *= 0.5;
                if part < 1e-6 {
                    return None;
                }
            }
        }
        None
    }

    /// The radius that the radial terms alone carry to `rd`.
    fn brown_radial_inverse(&self, rd: f64) -> Option<f64> {
        let LensModel::BrownConrady { k1, k2, p1, p2, k3 } = self.model else {
            return Some(rd);
        };
        let curve = |r: f64| {
            let s = r * r;
            r * (1.0 + s * (k1 + s * (k2 + s * k3)))
        };
        let mut high = rd;
        while curve(high) < rd && high < STEEPEST_TANGENT {
            high *= 1.25;
        }
        if !self.brown_rises_to(high) {
            // The fold lies nearer than that: the bracket ends at it.
            high = last_rising(0.0, high, |r| self.brown_rises_to(r));
        }
        if curve(high) < rd {
            // Past the fold, yet decentring may bring the pixel in: it adds at
            // most this, as its terms hold no more than 4 r² of either p.
            let decentring = 4.0 * (p1.abs() + p2.abs()) * high * high;
            return (curve(high) + decentring > rd).then_some(0.999 * high);
        }
        let slope = |r: f64| {
            let s = r * r;
            1.0 + s * (3.0 * k1 + s * (5.0 * k2 + s * 7.0 * k3))
        };
        Some(rising_root(0.0, high, |r| (curve(r) - rd, slope(r))))
    }
}

/// Where a curve that rises at `low` and no longer at `high` folds.
fn last_rising(mut low: f64, mut high: f64, rises: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if rises(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Root of a function that rises over the bracket, by Newton steps that fall
/// back to halving where they would leave it. `f` gives value and slope.
fn rising_root(mut low: f64, mut high: f64, f: impl Fn(f64) -> (f64, f64)) -> f64 {
    let mut at = 0.5 * (low + high);
    for _ in 0..NEWTON_STEPS {
        let (error, slope) = f(at);
        if error > 0.0 {
            high = at;
        } else {
            low = at;
        }
        let newton = at - error / slope;
        let next = if slope > 0.0 && newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        let done = (next - at).abs() < RAY_TOLERANCE;
        at = next;
        if done {
            break;
        }
    }
    at
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
    for i in 1..=64 {
        let theta = std::f64::consts::PI * f64::from(i) / 64.0;
        let value = kb_theta_d(k, theta);
        if value >= theta_d {
            high = Some(theta);
            break;
        }
        if kb_slope(k, theta) <= 0.0 {
            // The fold lies within this step: the bracket ends at it.
            let rising = last_rising(low, theta, |t| kb_slope(k, t) > 0.0);
            high = (kb_theta_d(k, rising) >= theta_d).then_some(rising);
            break;
        }
        low = theta;
    }
    let theta = rising_root(low, high?, |t| (kb_theta_d(k, t) - theta_d, kb_slope(k, t)));
    kb_monotonic_to(k, theta).then_some(theta)
}
