//! What is fitted of a lens, and how the picture depends on it.

use nalgebra::{Matrix2x3, Vector3};

use super::planar::{homography, pose, TargetPose};
use crate::optics::{Lens, LensModel, PixelPoint};

/// Which model to fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum FitModel {
    /// Radial k1, k2, k3 and decentring p1, p2: ordinary and wide lenses.
    BrownConrady,
    /// Polynomial in the angle, k1..k4: fisheye lenses, over about 110 degrees.
    KannalaBrandt,
    /// Radial k1 and k2 only, as in Zhang's paper: few pictures, mild lenses.
    #[value(skip)]
    RadialTwo,
}

impl FitModel {
    pub(super) fn undistorted(self) -> LensModel {
        match self {
            FitModel::BrownConrady | FitModel::RadialTwo => LensModel::BrownConrady {
                k1: 0.0,
                k2: 0.0,
                p1: 0.0,
                p2: 0.0,
                k3: 0.0,
            },
            FitModel::KannalaBrandt => LensModel::KannalaBrandt { k: [0.0; 4] },
        }
    }

    /// Names of the fitted parameters, in order.
    pub fn parameter_names(self) -> &'static [&'static str] {
        match self {
            FitModel::BrownConrady => &[
                "fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3",
            ],
            FitModel::KannalaBrandt => {
                &["fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "k3", "k4"]
            }
            FitModel::RadialTwo => &["fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2"],
        }
    }
}

/// A pose in closed form: rays from the lens, then the flat target.
pub(super) fn flat_pose(lens: &Lens, points: &[((f64, f64), PixelPoint)]) -> Option<TargetPose> {
    let mut places = Vec::with_capacity(points.len());
    let mut rays = Vec::with_capacity(points.len());
    for (place, pixel) in points {
        if let Some(ray) = lens.unproject(*pixel) {
            places.push(*place);
            rays.push(ray);
        }
    }
    pose(&homography(&places, &rays)?)
}

/// Change of the pixel per change of the point in the camera frame.
pub(super) fn by_ray(lens: &Lens, point: &Vector3<f64>) -> Option<Matrix2x3<f64>> {
    let step = 1e-6 * point.norm();
    let mut out = Matrix2x3::zeros();
    for k in 0..3 {
        let mut d = Vector3::zeros();
        d[k] = step;
        let (a, b) = (lens.project(&(point + d))?, lens.project(&(point - d))?);
        out[(0, k)] = (a.u - b.u) / (2.0 * step);
        out[(1, k)] = (a.v - b.v) / (2.0 * step);
    }
    Some(out)
}

/// Change of the pixel per change of each lens parameter.
pub(super) fn by_lens(
    lens: &Lens,
    model: FitModel,
    point: &Vector3<f64>,
    p: PixelPoint,
) -> Vec<[f64; 2]> {
    let (fx, fy) = (lens.fx, lens.fy);
    let mut out = vec![
        [(p.u - lens.cx) / fx, 0.0],
        [0.0, (p.v - lens.cy) / fy],
        [1.0, 0.0],
        [0.0, 1.0],
    ];
    // Both distortion models are linear in their coefficients.
    if model == FitModel::KannalaBrandt {
        let rho = point.x.hypot(point.y);
        let theta = rho.atan2(point.z);
        let (cx, cy) = if rho > 0.0 {
            (point.x / rho, point.y / rho)
        } else {
            (0.0, 0.0)
        };
        for power in [3, 5, 7, 9] {
            let t = theta.powi(power);
            out.push([fx * t * cx, fy * t * cy]);
        }
    } else {
        let (x, y) = (point.x / point.z, point.y / point.z);
        let r2 = x * x + y * y;
        out.push([fx * x * r2, fy * y * r2]);
        out.push([fx * x * r2 * r2, fy * y * r2 * r2]);
        if model == FitModel::BrownConrady {
            out.push([fx * 2.0 * x * y, fy * (r2 + 2.0 * y * y)]);
            out.push([fx * (r2 + 2.0 * x * x), fy * 2.0 * x * y]);
            out.push([fx * x * r2.powi(3), fy * y * r2.powi(3)]);
        }
    }
    out
}

/// The parameters in the order of their names.
pub(super) fn values(lens: &Lens, model: FitModel) -> Vec<f64> {
    let mut out = vec![lens.fx, lens.fy, lens.cx, lens.cy];
    match lens.model {
        LensModel::KannalaBrandt { k } => out.extend(k),
        LensModel::BrownConrady { k1, k2, p1, p2, k3 } => {
            out.extend([k1, k2]);
            if model == FitModel::BrownConrady {
                out.extend([p1, p2, k3]);
            }
        }
        LensModel::Pinhole => {}
    }
    out
}

/// The lens with other parameters.
pub(super) fn with_values(lens: &Lens, model: FitModel, v: &[f64]) -> Lens {
    let model = match model {
        FitModel::KannalaBrandt => LensModel::KannalaBrandt {
            k: [v[4], v[5], v[6], v[7]],
        },
        FitModel::BrownConrady => LensModel::BrownConrady {
            k1: v[4],
            k2: v[5],
            p1: v[6],
            p2: v[7],
            k3: v[8],
        },
        FitModel::RadialTwo => LensModel::BrownConrady {
            k1: v[4],
            k2: v[5],
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        },
    };
    Lens {
        model,
        fx: v[0],
        fy: v[1],
        cx: v[2],
        cy: v[3],
        ..*lens
    }
}
