//! Mount calibration: six pose values from marks on the ground.
//!
//! Each mark is a place measured with a tape and the pixel that shows it. Both
//! are uncertain; the tape's share is carried into the picture, where a
//! centimetre right behind the bumper is many pixels and far off is none.

use nalgebra::{DVector, Matrix2, Matrix2x6, Matrix6, Vector2, Vector3};

use super::least_squares::{minimise, Normal, Problem};
use super::lens_parameters::flat_pose;
use super::mount_layout::{check_layout, is_line, put_at};
use crate::optics::{Ground, GroundPoint, Lens, Mount, PixelPoint};
use crate::units::{Metres, Radians};

/// A mark on the ground and where the picture shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// What it is called in messages.
    pub name: String,
    /// The pixel that shows it.
    pub at: PixelPoint,
    /// Where it is, by tape.
    pub ground: GroundPoint,
}

/// How well marks are known (one standard deviation each).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkNoise {
    /// Of the pixel, along either axis.
    pub pixel_px: f64,
    /// Of the tape measure, along either axis.
    pub tape: Metres,
}

/// How one mark fits.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkFit {
    /// The mark.
    pub mark: Mark,
    /// Seen minus measured place, metres behind; NaN if its pixel shows no ground.
    pub behind_error_m: f64,
    /// Seen minus measured place, metres toward the right.
    pub side_error_m: f64,
    /// Distance between seen and expected pixel.
    pub error_px: f64,
    /// Miss in standard deviations of its own noise.
    pub sigmas: f64,
    /// Left out because it does not fit the others.
    pub outlier: bool,
}

/// A calibrated mount.
#[derive(Debug, Clone, PartialEq)]
pub struct MountFit {
    /// Pose and covariance.
    pub mount: Mount,
    /// Every mark, in the order given.
    pub marks: Vec<MarkFit>,
    /// Misfit of the used marks against what their noise explains; about 1 is
    /// right, well above it something is measured worse than said.
    pub misfit: f64,
    /// A mark is wrong, but the others are too few to say which.
    pub one_is_wrong: bool,
}

/// Why no mount could be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MountFitError {
    /// Fewer than four.
    #[error("{have} marks are too few; give at least 4, better 8, {advice}")]
    TooFew {
        /// Marks given.
        have: usize,
        /// Where to put the next.
        advice: String,
    },
    /// Marks (nearly) on one line.
    #[error("{which} lie on one line and leave the tilt open; {advice}")]
    OneLine {
        /// Which marks.
        which: String,
        /// Where to put the next.
        advice: String,
    },
    /// Two marks with the same place or pixel.
    #[error("marks {0} and {1} have the same place or the same pixel; correct one of them")]
    Twice(String, String),
    /// A pixel that the lens has no ray for.
    #[error("mark {name}: pixel ({u:.1}, {v:.1}) is outside of what the lens shows; correct it, or calibrate the lens first")]
    NoRay {
        /// The mark.
        name: String,
        /// Its column.
        u: f64,
        /// Its row.
        v: f64,
    },
    /// The camera would be under the ground.
    #[error("the marks only fit mirrored: left and right are swapped; side_m counts toward the vehicle's right, which a camera that looks rearward shows on its left; if the camera's picture itself is mirrored, switch that off")]
    Mirrored,
    /// No pose explains the marks at all.
    #[error("no mount explains these marks; check their pixels and places, {0}")]
    NoPose(String),
    /// Poorly fixed.
    #[error("these marks leave the range at {at_m} m open by {sd_m:.2} m; {advice}")]
    Weak {
        /// Distance behind, metres.
        at_m: f64,
        /// Standard deviation there, metres.
        sd_m: f64,
        /// Where to put the next.
        advice: String,
    },
}

/// Distances at which the range error is predicted, metres.
pub const PREDICTED_AT_M: [f64; 4] = [1.0, 2.0, 3.0, 5.0];
/// A mount that leaves more than this share of the range open is refused.
const MOST_OPEN_SHARE: f64 = 0.12;
/// Above this misfit (1 is what the noise explains) a wrong mark is looked for.
const CONTRADICTION: f64 = 1.4;
/// A mark that the others' pose misses by more standard deviations than this
/// does not belong; by chance one in 450 would.
const OUTLIER_SIGMAS: f64 = 3.5;

/// Fits the mount to at least four marks.
///
/// # Errors
/// [`MountFitError`], with advice where to put the next mark.
pub fn fit_mount(lens: &Lens, marks: &[Mark], noise: MarkNoise) -> Result<MountFit, MountFitError> {
    check_layout(lens, marks)?;
    let all: Vec<usize> = (0..marks.len()).collect();
    let fit = |used: &[usize]| Solved::of(lens, marks, used, noise);
    let mut used = all.clone();
    let mut solved = fit(&used)?;
    let mut one_is_wrong = false;
    // Leave out the mark without which the others agree, if there is one.
    while solved.misfit > CONTRADICTION {
        let mut without: Vec<(f64, usize, Solved)> = (0..used.len())
            .filter(|_| used.len() > 4)
            .filter_map(|n| {
                let rest: Vec<usize> = used.iter().copied().filter(|&i| i != used[n]).collect();
                let points: Vec<&Mark> = rest.iter().map(|&i| &marks[i]).collect();
                let solved = (!is_line(&points)).then(|| fit(&rest).ok())??;
                let miss = solved.sigmas_of_other(&marks[used[n]]);
                (miss > OUTLIER_SIGMAS).then_some((solved.misfit, n, solved))
            })
            .collect();
        without.sort_by(|a, b| a.0.total_cmp(&b.0));
        let best = without.first().map_or(f64::INFINITY, |w| w.0);
        let second = without.get(1).map_or(f64::INFINITY, |w| w.0);
        let clear = best < 0.5 * solved.misfit && best < 0.7 * second;
        if !clear || all.len() - used.len() + 1 > marks.len() / 3 {
            one_is_wrong = solved.misfit > 2.5;
            break;
        }
        let (_, n, better) = without.swap_remove(0);
        used.remove(n);
        solved = better;
    }
    let mount = solved.mount(noise)?;
    let ground = Ground::new(*lens, mount);
    for at_m in PREDICTED_AT_M {
        let Some(sd_m) = range_sd_m(&ground, at_m, 0.0) else {
            continue;
        };
        if sd_m > MOST_OPEN_SHARE * at_m.max(1.0) && at_m <= 3.0 {
            let advice = next_mark(lens, &mount, marks, noise);
            return Err(MountFitError::Weak { at_m, sd_m, advice });
        }
    }
    let fits = marks
        .iter()
        .enumerate()
        .map(|(i, mark)| {
            let seen = ground.to_ground(mark.at);
            let expected = ground.to_pixel(mark.ground);
            MarkFit {
                mark: mark.clone(),
                behind_error_m: seen.map_or(f64::NAN, |g| g.behind_m - mark.ground.behind_m),
                side_error_m: seen.map_or(f64::NAN, |g| g.side_m - mark.ground.side_m),
                error_px: expected.map_or(f64::NAN, |p| (p.u - mark.at.u).hypot(p.v - mark.at.v)),
                sigmas: solved.sigmas(mark),
                outlier: !used.contains(&i),
            }
        })
        .collect();
    Ok(MountFit {
        mount,
        marks: fits,
        misfit: solved.misfit,
        one_is_wrong,
    })
}

/// Standard deviation of the range straight behind; `None` if the picture does
/// not show that place.
pub fn range_sd_m(ground: &Ground, at_m: f64, pixel_sd: f64) -> Option<f64> {
    let p = ground.to_pixel(GroundPoint {
        behind_m: at_m,
        side_m: 0.0,
    })?;
    if !ground.lens().holds(p) {
        return None;
    }
    ground.behind_sd_m(p, pixel_sd)
}

/// Of all places in the picture, the one where a mark would help most.
fn next_mark(lens: &Lens, mount: &Mount, marks: &[Mark], noise: MarkNoise) -> String {
    let ground = Ground::new(*lens, *mount);
    let mut best: Option<(f64, f64, f64)> = None;
    for i in 1..=12 {
        for j in -4..=4 {
            let g = GroundPoint {
                behind_m: 0.5 * f64::from(i),
                side_m: 0.5 * f64::from(j),
            };
            let Some(at) = ground.to_pixel(g).filter(|p| lens.holds(*p)) else {
                continue;
            };
            let mut more: Vec<Mark> = marks
                .iter()
                .filter_map(|m| {
                    // As the pose explains them: only the layout counts here.
                    Some(Mark {
                        at: ground.to_pixel(m.ground)?,
                        ..m.clone()
                    })
                })
                .collect();
            more.push(Mark {
                name: String::new(),
                at,
                ground: g,
            });
            let problem = MountProblem::new(lens, more.iter().collect(), mount, noise);
            let Some(covariance) = problem
                .and_then(|p| p.normal(&mount.values()))
                .and_then(|n| n.inverse())
            else {
                continue;
            };
            let with = Mount {
                covariance: Matrix6::from_iterator(covariance.iter().copied()),
                ..*mount
            };
            let with = Ground::new(*lens, with);
            let sd = range_sd_m(&with, 3.0, 0.0).or_else(|| range_sd_m(&with, 2.0, 0.0));
            if let Some(sd) = sd.filter(|s| best.is_none_or(|b| *s < b.0)) {
                best = Some((sd, g.behind_m, g.side_m));
            }
        }
    }
    match best {
        Some((_, behind_m, side_m)) => put_at(behind_m, side_m),
        None => "spread the marks over all the ground that the picture shows".to_owned(),
    }
}

/// A fit to some of the marks.
struct Solved {
    lens: Lens,
    values: [f64; 6],
    normal: Normal,
    misfit: f64,
    noise: MarkNoise,
}

impl Solved {
    fn of(
        lens: &Lens,
        marks: &[Mark],
        used: &[usize],
        noise: MarkNoise,
    ) -> Result<Solved, MountFitError> {
        let names = "and the lens in the profile";
        let no_pose = || MountFitError::NoPose(names.to_owned());
        let marks: Vec<&Mark> = used.iter().map(|&i| &marks[i]).collect();
        let mut mount = closed_form(lens, &marks)?;
        let mut normal = None;
        // The tape's share in the picture depends on the pose: settle it.
        for _ in 0..4 {
            let problem =
                MountProblem::new(lens, marks.clone(), &mount, noise).ok_or_else(no_pose)?;
            let (values, sums) = minimise(&problem, mount.values(), 100).ok_or_else(no_pose)?;
            mount = mount.with_values(values);
            normal = Some(sums);
        }
        let normal = normal.ok_or_else(no_pose)?;
        let freedom = (2 * marks.len()).saturating_sub(6).max(1) as f64;
        Ok(Solved {
            lens: *lens,
            values: mount.values(),
            misfit: (normal.cost / freedom).sqrt(),
            normal,
            noise,
        })
    }

    /// The mount, its covariance widened if the marks fit worse than said.
    fn mount(&self, noise: MarkNoise) -> Result<Mount, MountFitError> {
        let mount = zero_mount().with_values(self.values);
        let Some(inverse) = self.normal.inverse() else {
            let advice = next_mark(&self.lens, &mount, &[], noise);
            return Err(MountFitError::NoPose(advice));
        };
        let widen = self.misfit.max(1.0).powi(2);
        Ok(Mount {
            covariance: Matrix6::from_iterator(inverse.iter().map(|c| c * widen)),
            ..mount
        })
    }

    /// Miss of a mark in standard deviations of its own noise.
    fn sigmas(&self, mark: &Mark) -> f64 {
        self.miss(mark, &Matrix6::zeros()).unwrap_or(f64::INFINITY)
    }

    /// The same for a mark that was not used: what is not known about the pose
    /// adds to its noise.
    fn sigmas_of_other(&self, mark: &Mark) -> f64 {
        let Some(covariance) = self.normal.inverse() else {
            return 0.0;
        };
        let covariance = Matrix6::from_iterator(covariance.iter().copied());
        self.miss(mark, &covariance).unwrap_or(f64::INFINITY)
    }

    fn miss(&self, mark: &Mark, pose: &Matrix6<f64>) -> Option<f64> {
        let mount = zero_mount().with_values(self.values);
        let problem = MountProblem::new(&self.lens, vec![mark], &mount, self.noise)?;
        let residual = problem.residual(&self.values, 0)?;
        let by_value = problem.by_value(&self.values, 0)?;
        let noise = Matrix2::identity() + by_value * pose * by_value.transpose();
        let square = residual.dot(&(noise.try_inverse()? * residual));
        Some(square.sqrt())
    }
}

fn zero_mount() -> Mount {
    Mount {
        height: Metres(0.0),
        pitch: Radians(0.0),
        roll: Radians(0.0),
        yaw: Radians(0.0),
        set_back: Metres(0.0),
        side_offset: Metres(0.0),
        covariance: Matrix6::zeros(),
    }
}

/// The pose from the marks' homography.
fn closed_form(lens: &Lens, marks: &[&Mark]) -> Result<Mount, MountFitError> {
    let points: Vec<_> = marks
        .iter()
        .map(|m| ((m.ground.behind_m, m.ground.side_m), m.at))
        .collect();
    let pose = flat_pose(lens, &points).ok_or_else(|| {
        let advice = "and spread the marks over all the ground that the picture shows";
        MountFitError::NoPose(advice.to_owned())
    })?;
    let to_ground = pose.rotation.inverse();
    let position = -(to_ground * pose.shift);
    if position.z <= 0.0 {
        return Err(MountFitError::Mirrored);
    }
    let axis = to_ground * Vector3::z();
    let pitch = (-axis.z).clamp(-1.0, 1.0).asin();
    let yaw = axis.y.atan2(axis.x);
    let level = zero_mount().with_values([0.0, pitch, 0.0, yaw, 0.0, 0.0]);
    let rolled = level.rotation().transpose() * to_ground.matrix();
    let roll = rolled[(1, 0)].atan2(rolled[(0, 0)]);
    Ok(zero_mount().with_values([position.z, pitch, roll, yaw, -position.x, position.y]))
}

/// Marks with their noise in the picture at some pose.
struct MountProblem<'a> {
    lens: &'a Lens,
    marks: Vec<&'a Mark>,
    /// Makes residuals independent with a standard deviation of one.
    whiten: Vec<Matrix2<f64>>,
}

impl<'a> MountProblem<'a> {
    fn new(lens: &'a Lens, marks: Vec<&'a Mark>, mount: &Mount, noise: MarkNoise) -> Option<Self> {
        let ground = Ground::new(*lens, *mount);
        let whiten: Option<Vec<Matrix2<f64>>> = marks
            .iter()
            .map(|mark| {
                let step = 1e-4;
                let at = |db: f64, ds: f64| {
                    ground
                        .to_pixel(GroundPoint {
                            behind_m: mark.ground.behind_m + db,
                            side_m: mark.ground.side_m + ds,
                        })
                        .map(|p| Vector2::new(p.u, p.v))
                };
                let by_ground = Matrix2::from_columns(&[
                    (at(step, 0.0)? - at(-step, 0.0)?) / (2.0 * step),
                    (at(0.0, step)? - at(0.0, -step)?) / (2.0 * step),
                ]);
                let tape = noise.tape.0 * noise.tape.0;
                let cov = Matrix2::identity() * (noise.pixel_px * noise.pixel_px)
                    + by_ground * by_ground.transpose() * tape;
                cov.cholesky()?.l().try_inverse()
            })
            .collect();
        Some(MountProblem {
            lens,
            marks,
            whiten: whiten?,
        })
    }

    fn residual(&self, values: &[f64; 6], n: usize) -> Option<Vector2<f64>> {
        let mark = self.marks[n];
        let ground = Ground::new(*self.lens, zero_mount().with_values(*values));
        let p = ground.to_pixel(mark.ground)?;
        Some(self.whiten[n] * Vector2::new(p.u - mark.at.u, p.v - mark.at.v))
    }

    /// Change of a mark's residual per change of each value.
    fn by_value(&self, at: &[f64; 6], n: usize) -> Option<Matrix2x6<f64>> {
        let mut out = Matrix2x6::zeros();
        let step = 1e-6;
        for k in 0..6 {
            let moved = |d: f64| {
                let mut v = *at;
                v[k] += d;
                self.residual(&v, n)
            };
            out.set_column(k, &((moved(step)? - moved(-step)?) / (2.0 * step)));
        }
        Some(out)
    }
}

impl Problem for MountProblem<'_> {
    type State = [f64; 6];

    fn cost(&self, at: &[f64; 6]) -> Option<f64> {
        (0..self.marks.len()).try_fold(0.0, |sum, n| {
            Some(sum + self.residual(at, n)?.norm_squared())
        })
    }

    fn normal(&self, at: &[f64; 6]) -> Option<Normal> {
        let mut sums = Normal::zeros(6);
        for n in 0..self.marks.len() {
            let residual = self.residual(at, n)?;
            let by_value = self.by_value(at, n)?;
            for axis in 0..2 {
                let row: [(usize, f64); 6] = std::array::from_fn(|k| (k, by_value[(axis, k)]));
                sums.add(residual[axis], &row);
            }
        }
        Some(sums)
    }

    fn moved(&self, at: &[f64; 6], step: &DVector<f64>) -> [f64; 6] {
        std::array::from_fn(|k| at[k] + step[k])
    }
}
