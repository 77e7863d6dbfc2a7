//! Lens calibration: all boards, all parameters, least squares in the picture.
//!
//! Start: Zhang's closed form, and, because that knows no distortion, a scan of
//! focal lengths with the undistorted model; the start that leads to the least
//! residual wins. Then Levenberg–Marquardt over the lens and every board's
//! pose. Boards that stand out are left out, worst first, and named.

use nalgebra::{DVector, Vector3};

use super::board::BoardCorner;
use super::least_squares::{minimise, Normal, Problem};
use super::lens_parameters::{by_lens, by_ray, flat_pose, values, with_values, FitModel};
use super::planar::{homography, zhang, TargetPose};
use crate::optics::{Lens, PixelPoint};
use crate::units::Metres;

/// One picture's corners on a flat board.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// The picture's name in messages.
    pub name: String,
    /// Places on the board in metres and the pixels that show them.
    pub points: Vec<((f64, f64), PixelPoint)>,
}

impl View {
    /// From the corners of a board found in a picture.
    pub fn of_board(name: impl Into<String>, corners: &[BoardCorner], square: Metres) -> View {
        let place = |c: &BoardCorner| (f64::from(c.column) * square.0, f64::from(c.row) * square.0);
        View {
            name: name.into(),
            points: corners.iter().map(|c| (place(c), c.at)).collect(),
        }
    }
}

/// One picture after the fit.
#[derive(Debug, Clone, PartialEq)]
pub struct ViewFit {
    /// The picture.
    pub view: View,
    /// Where its board stands, if it was used.
    pub pose: Option<TargetPose>,
    /// Root mean square distance between seen and expected corners, pixels; of
    /// a board left out, the one that made it stand out.
    pub rms_px: f64,
    /// Seen minus expected, per point, pixels.
    pub residuals_px: Vec<(f64, f64)>,
    /// Why it was left out, if it was.
    pub left_out: Option<String>,
}

/// A calibrated lens and how far to trust it.
#[derive(Debug, Clone, PartialEq)]
pub struct LensFit {
    /// The lens.
    pub lens: Lens,
    /// The model that was asked for.
    pub model: FitModel,
    /// Standard deviations, in the order of [`FitModel::parameter_names`].
    pub sd: Vec<f64>,
    /// Values, in the same order.
    pub values: Vec<f64>,
    /// Root mean square distance over all used corners, pixels.
    pub rms_px: f64,
    /// The pictures in the order given.
    pub views: Vec<ViewFit>,
}

/// Why no lens could be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LensFitError {
    /// Too few boards.
    #[error("{0} usable boards are too few; take at least 3, better 12, tilted to all sides and into all corners of the picture")]
    TooFew(usize),
    /// No start led anywhere.
    #[error("no lens explains these boards; check --board, and tilt the board by 20 to 45 degrees in most pictures")]
    NoStart,
    /// The data leave a parameter open.
    #[error("the boards leave the lens open; tilt the board by 20 to 45 degrees to all sides and fill the corners of the picture")]
    Open,
}

/// A board stands out at this many times the median residual ...
const STANDS_OUT: f64 = 3.0;
/// ... but never below this, pixels.
const STANDS_OUT_PX: f64 = 0.5;
/// The share of boards that may be left out.
const MOST_LEFT_OUT: f64 = 0.34;

/// Fits a lens to at least three views of a picture of `size` pixels.
///
/// # Errors
/// [`LensFitError`].
pub fn fit_lens(
    views: &[View],
    size: (u32, u32),
    model: FitModel,
    leave_out_bad: bool,
) -> Result<LensFit, LensFitError> {
    let mut used: Vec<usize> = (0..views.len())
        .filter(|&i| views[i].points.len() >= 6)
        .collect();
    let mut left_out: Vec<(usize, f64, String)> = (0..views.len())
        .filter(|i| !used.contains(i))
        .map(|i| (i, f64::NAN, "too few corners".to_owned()))
        .collect();
    let most = (MOST_LEFT_OUT * views.len() as f64) as usize;
    let mut state = None;
    loop {
        if used.len() < 3 {
            return Err(LensFitError::TooFew(used.len()));
        }
        let bundle = Bundle {
            views: used.iter().map(|&i| &views[i]).collect(),
            model,
        };
        let start = match state.take() {
            Some(state) => state,
            None => start(&bundle, size)?,
        };
        let (fitted, normal) = minimise(&bundle, start, 200).ok_or(LensFitError::NoStart)?;
        let rms = bundle.rms_of_views(&fitted);
        let mut sorted = rms.clone();
        sorted.sort_by(f64::total_cmp);
        let limit = (STANDS_OUT * sorted[sorted.len() / 2]).max(STANDS_OUT_PX);
        let worst = (0..rms.len()).max_by(|&a, &b| rms[a].total_cmp(&rms[b]));
        if let Some(worst) = worst
            .filter(|&w| leave_out_bad && rms[w] > limit && left_out.len() < most && used.len() > 3)
        {
            let why = format!(
                "its corners miss by {:.2} px where {:.2} px is usual: blurred, bent or wrongly found",
                rms[worst],
                sorted[sorted.len() / 2]
            );
            left_out.push((used.remove(worst), rms[worst], why));
            let mut kept: BundleState = fitted;
            kept.poses.remove(worst);
            state = Some(kept);
            continue;
        }
        return finish(&bundle, fitted, &normal, views, &used, left_out);
    }
}

fn finish(
    bundle: &Bundle,
    fitted: BundleState,
    normal: &Normal,
    views: &[View],
    used: &[usize],
    left_out: Vec<(usize, f64, String)>,
) -> Result<LensFit, LensFitError> {
    let points: usize = bundle.views.iter().map(|v| v.points.len()).sum();
    let parameters = normal.gradient.len();
    let freedom = (2 * points).saturating_sub(parameters).max(1) as f64;
    let covariance = normal.inverse().ok_or(LensFitError::Open)?;
    let names = bundle.model.parameter_names();
    let sd = (0..names.len())
        .map(|i| (covariance[(i, i)] * normal.cost / freedom).sqrt())
        .collect();
    let mut fits: Vec<ViewFit> = views
        .iter()
        .map(|view| ViewFit {
            view: view.clone(),
            pose: None,
            rms_px: f64::NAN,
            residuals_px: Vec::new(),
            left_out: None,
        })
        .collect();
    let rms = bundle.rms_of_views(&fitted);
    for (n, &i) in used.iter().enumerate() {
        fits[i].pose = Some(fitted.poses[n]);
        fits[i].rms_px = rms[n];
        fits[i].residuals_px = bundle.residuals(&fitted, n).unwrap_or_default();
    }
    for (i, rms, why) in left_out {
        fits[i].rms_px = rms;
        fits[i].left_out = Some(why);
    }
    Ok(LensFit {
        lens: fitted.lens,
        model: bundle.model,
        sd,
        values: values(&fitted.lens, bundle.model),
        rms_px: (normal.cost / points as f64).sqrt(),
        views: fits,
    })
}

/// Tries Zhang's start and the scan, a few steps each.
fn start(bundle: &Bundle, size: (u32, u32)) -> Result<BundleState, LensFitError> {
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let plain = |f: f64| Lens {
        model: bundle.model.undistorted(),
        fx: f,
        fy: f,
        cx: 0.5 * (w - 1.0),
        cy: 0.5 * (h - 1.0),
        width: size.0,
        height: size.1,
    };
    let homographies: Vec<_> = bundle
        .views
        .iter()
        .filter_map(|view| {
            let (points, pixels): (Vec<_>, Vec<_>) = view.points.iter().copied().unzip();
            let rays: Vec<_> = pixels
                .iter()
                .map(|p| Vector3::new(p.u - 0.5 * w, p.v - 0.5 * h, w))
                .collect();
            homography(&points, &rays)
        })
        .collect();
    let scan = [0.22, 0.3, 0.4, 0.53, 0.7, 0.95, 1.4].map(|share| plain(share * w));
    let mut best: Option<(f64, BundleState)> = None;
    for lens in zhang(&homographies, &plain(w)).into_iter().chain(scan) {
        let Some(poses) = bundle.poses(&lens) else {
            continue;
        };
        let Some((state, normal)) = minimise(bundle, BundleState { lens, poses }, 25) else {
            continue;
        };
        if best.as_ref().is_none_or(|(cost, _)| normal.cost < *cost) {
            best = Some((normal.cost, state));
        }
    }
    best.map(|(_, state)| state).ok_or(LensFitError::NoStart)
}

struct Bundle<'a> {
    views: Vec<&'a View>,
    model: FitModel,
}

#[derive(Debug, Clone)]
struct BundleState {
    lens: Lens,
    poses: Vec<TargetPose>,
}

impl Bundle<'_> {
    fn poses(&self, lens: &Lens) -> Option<Vec<TargetPose>> {
        self.views
            .iter()
            .map(|v| flat_pose(lens, &v.points))
            .collect()
    }

    fn residuals(&self, at: &BundleState, view: usize) -> Option<Vec<(f64, f64)>> {
        let pose = at.poses[view];
        let points = self.views[view].points.iter();
        points
            .map(|((x, y), seen)| {
                let p = at.lens.project(&pose.carry(*x, *y))?;
                Some((seen.u - p.u, seen.v - p.v))
            })
            .collect()
    }

    fn rms_of_views(&self, at: &BundleState) -> Vec<f64> {
        (0..self.views.len())
            .map(|n| {
                self.residuals(at, n).map_or(f64::INFINITY, |r| {
                    let sum: f64 = r.iter().map(|(a, b)| a * a + b * b).sum();
                    (sum / r.len() as f64).sqrt()
                })
            })
            .collect()
    }
}

impl Problem for Bundle<'_> {
    type State = BundleState;

    fn cost(&self, at: &BundleState) -> Option<f64> {
        let mut cost = 0.0;
        for n in 0..self.views.len() {
            for (a, b) in self.residuals(at, n)? {
                cost += a * a + b * b;
            }
        }
        Some(cost)
    }

    fn normal(&self, at: &BundleState) -> Option<Normal> {
        let inner = self.model.parameter_names().len();
        let mut sums = Normal::zeros(inner + 6 * self.views.len());
        for (n, view) in self.views.iter().enumerate() {
            for ((x, y), seen) in &view.points {
                let arm = at.poses[n].rotation * Vector3::new(*x, *y, 0.0);
                let point = arm + at.poses[n].shift;
                let p = at.lens.project(&point)?;
                let by_ray = by_ray(&at.lens, &point)?;
                let by_lens = by_lens(&at.lens, self.model, &point, p);
                // Turning by a small vector w moves the point by w × arm.
                let by_turn = by_ray * -arm.cross_matrix();
                for (axis, residual) in [(0, p.u - seen.u), (1, p.v - seen.v)] {
                    let mut row: Vec<(usize, f64)> = Vec::with_capacity(inner + 6);
                    row.extend(by_lens.iter().enumerate().map(|(i, d)| (i, d[axis])));
                    for k in 0..3 {
                        row.push((inner + 6 * n + k, by_turn[(axis, k)]));
                        row.push((inner + 6 * n + 3 + k, by_ray[(axis, k)]));
                    }
                    sums.add(residual, &row);
                }
            }
        }
        Some(sums)
    }

    fn moved(&self, at: &BundleState, step: &DVector<f64>) -> BundleState {
        let inner = self.model.parameter_names().len();
        let mut new = values(&at.lens, self.model);
        new.iter_mut().zip(step.iter()).for_each(|(v, s)| *v += s);
        let three = |from: usize| Vector3::new(step[from], step[from + 1], step[from + 2]);
        BundleState {
            lens: with_values(&at.lens, self.model, &new),
            poses: at
                .poses
                .iter()
                .enumerate()
                .map(|(n, pose)| pose.moved(three(inner + 6 * n), three(inner + 6 * n + 3)))
                .collect(),
        }
    }
}

impl LensFit {
    /// Corners seen in each cell of a `columns` × `rows` division of the
    /// picture, row by row, boards left out not counted.
    pub fn coverage(&self, columns: usize, rows: usize) -> Vec<usize> {
        let mut counts = vec![0; columns * rows];
        for fit in self.views.iter().filter(|v| v.left_out.is_none()) {
            for (_, p) in &fit.view.points {
                let i = (p.u + 0.5) / f64::from(self.lens.width) * columns as f64;
                let j = (p.v + 0.5) / f64::from(self.lens.height) * rows as f64;
                let (i, j) = ((i as usize).min(columns - 1), (j as usize).min(rows - 1));
                counts[j * columns + i] += 1;
            }
        }
        counts
    }

    /// Share of the picture's border pixels, every eighth looked at, that the
    /// fitted curve gives no ray: where it folds inside the picture.
    pub fn folded_border(&self) -> f64 {
        let (w, h) = (self.lens.width, self.lens.height);
        let mut border = Vec::new();
        for u in (0..w).step_by(8) {
            border.extend([(u, 0), (u, h - 1)]);
        }
        for v in (0..h).step_by(8) {
            border.extend([(0, v), (w - 1, v)]);
        }
        let lost = border
            .iter()
            .filter(|(u, v)| {
                let p = PixelPoint {
                    u: f64::from(*u),
                    v: f64::from(*v),
                };
                self.lens.unproject(p).is_none()
            })
            .count();
        lost as f64 / border.len().max(1) as f64
    }
}
