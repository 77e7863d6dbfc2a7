//! The vehicle's own motion over the ground, from the picture alone.
//!
//! Ground that is seen twice moves by the homography that the ground plane
//! induces between two camera poses (R. Hartley, A. Zisserman, Multiple View
//! Geometry, 2nd ed. 2004, section 13.1). In the panorama that warp has a
//! closed form: cell → ground → moved ground → cell. The pose difference is
//! found by Gauss-Newton on the relief of ground cells, with robust weights so
//! that standing and moving things do not pull.

use super::own_motion::Sight;
use super::panorama::Layout;
use super::relief::{FLOOR, UNIT};

/// How the camera moved over the ground from an earlier picture to a later.
///
/// A ground point at `p` now was at `R(yaw)·p + (along, across)` before.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Motion {
    /// Metres moved rearward (positive when reversing).
    pub along: f32,
    /// Metres moved toward the vehicle's right.
    pub across: f32,
    /// Radians turned toward the vehicle's right.
    pub yaw: f32,
    /// Radians by which the picture tilted: nodding of the body.
    pub pitch: f32,
    /// Radians by which the picture rolled.
    pub roll: f32,
}

impl Motion {
    /// First `self` (older), then `later`: the motion over both.
    pub fn then(&self, later: &Motion) -> Motion {
        // p_mid = R(later)·p + t(later); p_old = R(self)·p_mid + t(self).
        let (s, c) = self.yaw.sin_cos();
        Motion {
            along: c * later.along - s * later.across + self.along,
            across: s * later.along + c * later.across + self.across,
            yaw: self.yaw + later.yaw,
            pitch: self.pitch + later.pitch,
            roll: self.roll + later.roll,
        }
    }

    /// So many times the motion, along a steady path.
    pub fn times(&self, factor: f32) -> Motion {
        Motion {
            along: factor * self.along,
            across: factor * self.across,
            yaw: factor * self.yaw,
            pitch: factor * self.pitch,
            roll: factor * self.roll,
        }
    }

    /// How far the camera moved, metres.
    pub fn distance(&self) -> f32 {
        self.along.hypot(self.across)
    }
}

/// A motion with what is known about how good it is.
#[derive(Debug, Clone, Copy, Default)]
pub struct Estimate {
    /// The motion.
    pub motion: Motion,
    /// Share of the ground points that agree with it, 0..1.
    pub inliers: f32,
    /// Robust residual of the relief.
    pub residual: f32,
    /// Correlation of the ground's relief between the two pictures under this
    /// motion: 1 is perfect, near 0 is no better than chance.
    pub quality: f32,
    /// Standard deviation of `along`, metres.
    pub along_sd: f32,
}

/// What a search found.
#[derive(Debug, Clone, Copy, Default)]
pub struct Found {
    /// The best motion.
    pub motion: Motion,
    /// Its mean disagreement.
    pub cost: f32,
    /// Mean disagreement over all motions tried.
    pub typical: f32,
}

/// A fast arc tangent, |error| < 2e-5 rad: far below a cell.
pub(super) fn fast_atan(x: f32) -> f32 {
    let a = x.abs();
    let (z, off, sign) = if a > 1.0 {
        (1.0 / a, std::f32::consts::FRAC_PI_2, -1.0)
    } else {
        (a, 0.0, 1.0)
    };
    let z2 = z * z;
    let p = z
        * (0.999_866
            + z2 * (-0.330_299_5 + z2 * (0.180_141 + z2 * (-0.085_133 + z2 * 0.020_835_1))));
    (off + sign * p).copysign(x)
}

impl Layout {
    /// Where the ground cell (or, with `lift` > 0, the point of its ray that
    /// stands `lift` camera heights over the ground) was seen before `motion`:
    /// fractional (column, row), or `None` behind the camera.
    #[inline]
    pub fn before(&self, x: f32, y: f32, lift: f32, motion: &Motion) -> Option<(f32, f32)> {
        let keep = 1.0 - lift;
        let (s, c) = motion.yaw.sin_cos();
        self.before_turned(x * keep, y * keep, self.height * keep, motion, s, c)
    }

    #[inline]
    fn before_turned(
        &self,
        x: f32,
        y: f32,
        drop: f32,
        motion: &Motion,
        sin: f32,
        cos: f32,
    ) -> Option<(f32, f32)> {
        let px = cos * x - sin * y + motion.along;
        let py = sin * x + cos * y + motion.across;
        if px < 1e-3 {
            return None;
        }
        let slope = py / px;
        let inv = 1.0 / (1.0 + slope * slope).sqrt();
        let depression =
            fast_atan(drop * inv / px) + motion.pitch * inv + motion.roll * slope * inv;
        Some((
            (slope * inv - self.sine0) / self.sine_step,
            (depression - self.depression0) / self.depression_step,
        ))
    }
}

/// Where the cells of a row were seen before a motion: fractional columns and
/// rows; -1 where nowhere.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    pub columns: Vec<f32>,
    pub rows: Vec<f32>,
}

impl Places {
    /// Of what each cell of `row` shows, if that stands `lift` camera heights
    /// over the ground: [`Layout::before`] for a whole row, without branches.
    pub fn find(&mut self, l: &Layout, row: usize, lift: f32, motion: &Motion) {
        let keep = 1.0 - lift;
        let (rho, drop) = (keep * l.row_distance[row], keep * l.height);
        let (sin, cos) = motion.yaw.sin_cos();
        let (per_column, per_row) = (1.0 / l.sine_step, 1.0 / l.depression_step);
        self.columns.clear();
        self.rows.clear();
        self.columns.resize(l.columns, 0.0);
        self.rows.resize(l.columns, 0.0);
        let at = self.columns.iter_mut().zip(&mut self.rows);
        for ((i, j), &(dx, dy)) in at.zip(&l.column_direction) {
            let px = rho * (cos * dx - sin * dy) + motion.along;
            let py = rho * (sin * dx + cos * dy) + motion.across;
            let ahead = px.max(1e-3);
            let slope = py / ahead;
            let inv = 1.0 / (1.0 + slope * slope).sqrt();
            let tilt = (motion.pitch + motion.roll * slope) * inv;
            let depression = fast_atan(drop * inv / ahead) + tilt;
            let column = (slope * inv - l.sine0) * per_column;
            *i = if px < 1e-3 { -1.0 } else { column };
            *j = (depression - l.depression0) * per_row;
        }
    }
}

/// Whole part of a number from 0 to 2^21; of a whole number it may be one less,
/// and the fraction 1.
///
/// The last bits of a number this large are whole. A cast would see to numbers
/// that are out of range as well, at several times the cost.
#[inline]
pub(super) fn whole(x: f32) -> usize {
    const LARGE: f32 = 1.5 * 8_388_608.0;
    ((x - 0.5 + LARGE).to_bits() & 0x3f_ffff) as usize
}

/// Bilinear look-up; `None` outside.
#[inline]
pub fn look(image: &[f32], columns: usize, rows: usize, c: f32, r: f32) -> Option<f32> {
    // False for what is no number, too.
    let inside = c >= 0.0 && r >= 0.0 && c < (columns - 1) as f32 && r < (rows - 1) as f32;
    if !inside {
        return None;
    }
    let (i, j) = (whole(c), whole(r));
    let (fc, fr) = (c - i as f32, r - j as f32);
    let k = j * columns + i;
    let of = image.get(k..k + columns + 2)?;
    let top = of[0] + fc * (of[1] - of[0]);
    let bottom = of[columns] + fc * (of[columns + 1] - of[columns]);
    Some(top + fr * (bottom - top))
}

/// A ground cell that takes part in the estimate.
#[derive(Debug, Clone, Copy)]
struct Point {
    x: f32,
    y: f32,
    value: f32,
    weight: f32,
}

/// Points used in one estimate.
const MOST_POINTS: usize = 1400;
const COARSE_POINTS: usize = 350;
/// Ground farther than this many camera heights is too flat a view to help.
const FARTHEST_HEIGHTS: f32 = 7.0;
const STEPS: usize = 8;
/// A point's disagreement counts no more than this, lest one shadow's edge
/// outweigh the texture of the ground.
const MOST_DIFFERENCE: f32 = 25.0;
/// Share of frames in which a point may stay in place while the rest moves.
const MOST_STUCK: f32 = 0.6;
/// Noise of luma (a small camera by day), and the contrast, in noises of the
/// relief, from which a point takes part.
const LUMA_NOISE: f32 = 1.5;
const NOISES: f32 = 2.5;
/// Contrast at which a point counts half: sensor noise of a small camera.
const HALF_STRENGTH: f32 = 14.0;
/// Least residual scale: quantisation and interpolation.
const LEAST_SCALE: f32 = 1.5;

/// How loosely each value is held to its prediction (standard deviations).
/// Nodding and rolling come back to zero; a body on wheels hardly slides.
#[derive(Debug, Clone, Copy)]
pub struct Slack {
    /// Metres.
    pub along: f32,
    /// Metres.
    pub across: f32,
    /// Radians.
    pub yaw: f32,
    /// Radians.
    pub pitch: f32,
    /// Radians.
    pub roll: f32,
}

impl Slack {
    /// From one picture to the next, around what a search found.
    pub const BETWEEN_PICTURES: Slack = Slack {
        along: 0.3,
        across: 0.01,
        yaw: 0.03,
        pitch: 0.004,
        roll: 0.003,
    };
}

/// Finds motions; keeps its buffers.
#[derive(Debug, Clone, Default)]
pub struct Aligner {
    candidates: Vec<Point>,
    points: Vec<Point>,
    residuals: Vec<f32>,
}

impl Aligner {
    /// Chooses the ground points of the picture `now` (a relief): strong local
    /// contrast, spread over the ground, weighted by `ground[cell]` 0..1.
    /// `noise_share` is the relief's share of single cells' noise.
    ///
    /// What is where it was in the `earlier` picture may move with the vehicle
    /// (its bumper, its shadow) and is left out: a picture that stands still as
    /// a whole is not estimated at all.
    #[allow(clippy::too_many_arguments)]
    pub fn choose(
        &mut self,
        layout: &Layout,
        usable: &[bool],
        now: Sight<'_>,
        earlier: &[f32],
        stuck: &[f32],
        ground: &[f32],
        noise_share: f32,
    ) {
        self.points.clear();
        let noise = |k: usize| noise_share * LUMA_NOISE * UNIT / (now.luma[k] + FLOOR);
        let now = now.relief;
        let (columns, rows) = (layout.columns, layout.rows);
        self.candidates.clear();
        for r in (1..rows - 1).step_by(2) {
            if layout.row_distance[r] > FARTHEST_HEIGHTS * layout.height {
                continue;
            }
            for c in (1 + (r / 2) % 2..columns - 1).step_by(2) {
                let k = layout.at(c, r);
                if !usable[k] || ground[k] <= 0.3 || stuck[k] >= MOST_STUCK {
                    continue;
                }
                let gx = now[k + 1] - now[k - 1];
                let gy = now[k + columns] - now[k - columns];
                let (strength, noise) = (gx.abs() + gy.abs(), noise(k));
                let stays = earlier
                    .get(k)
                    .is_some_and(|e| (now[k] - e).abs() < 0.2 * strength + noise);
                if strength < NOISES * noise || stays {
                    continue;
                }
                let (x, y) = layout.cell_place(c, r);
                let telling =
                    strength * strength / (strength * strength + HALF_STRENGTH * HALF_STRENGTH);
                self.candidates.push(Point {
                    x,
                    y,
                    value: now[k],
                    weight: ground[k] * telling,
                });
            }
        }
        let stride = (self.candidates.len() / MOST_POINTS).max(1);
        self.points.extend(self.candidates.iter().step_by(stride));
    }

    /// Mean absolute disagreement for a motion on a few points, for a search.
    fn disagreement(&self, layout: &Layout, earlier: &[f32], motion: &Motion) -> f32 {
        let stride = (self.points.len() / COARSE_POINTS).max(1);
        let (s, c) = motion.yaw.sin_cos();
        let (mut sum, mut n, mut lost) = (0.0, 0.0f32, 0.0f32);
        for p in self.points.iter().step_by(stride) {
            let seen = layout
                .before_turned(p.x, p.y, layout.height, motion, s, c)
                .and_then(|(i, j)| look(earlier, layout.columns, layout.rows, i, j));
            match seen {
                Some(v) => {
                    sum += (v - p.value).abs().min(MOST_DIFFERENCE) * p.weight;
                    n += p.weight;
                }
                None => lost += p.weight,
            }
        }
        if n < 0.3 * (n + lost) || n < 8.0 {
            return f32::MAX;
        }
        sum / n
    }

    /// The best of several forward motions and turns, on the given relief.
    pub fn search(
        &self,
        layout: &Layout,
        earlier: &[f32],
        alongs: impl Iterator<Item = f32>,
        yaws: &[f32],
    ) -> Found {
        let mut found = Found {
            cost: f32::MAX,
            ..Found::default()
        };
        let (mut sum, mut n) = (0.0f32, 0.0f32);
        for along in alongs {
            for &yaw in yaws {
                let motion = Motion {
                    along,
                    yaw,
                    ..Motion::default()
                };
                let d = self.disagreement(layout, earlier, &motion);
                if d == f32::MAX {
                    continue;
                }
                sum += d;
                n += 1.0;
                if d < found.cost {
                    found.motion = motion;
                    found.cost = d;
                }
            }
        }
        found.typical = sum / n.max(1.0);
        found
    }

    /// Robust residual scale of a motion before anything is refined.
    fn first_scale(&mut self, layout: &Layout, earlier: &[f32], motion: &Motion) -> f32 {
        self.residuals.clear();
        let (s, c) = motion.yaw.sin_cos();
        for p in &self.points {
            let seen = layout
                .before_turned(p.x, p.y, layout.height, motion, s, c)
                .and_then(|(i, j)| look(earlier, layout.columns, layout.rows, i, j));
            if let Some(v) = seen {
                self.residuals.push((v - p.value).abs());
            }
        }
        if self.residuals.is_empty() {
            return LEAST_SCALE;
        }
        let mid = self.residuals.len() / 2;
        let (_, median, _) = self.residuals.select_nth_unstable_by(mid, f32::total_cmp);
        (1.4826 * *median).max(LEAST_SCALE)
    }

    /// Refines `start` against the relief of the earlier picture. `prior` is
    /// where the values are pulled to, by `slack`.
    pub fn refine(
        &mut self,
        layout: &Layout,
        earlier: &[f32],
        start: Motion,
        prior: &Motion,
        slack: &Slack,
    ) -> Estimate {
        let mut motion = start;
        let mut estimate = Estimate {
            motion: *prior,
            ..Estimate::default()
        };
        if self.points.len() < 40 {
            return estimate;
        }
        let (columns, rows) = (layout.columns, layout.rows);
        let mut scale = f32::MAX;
        for step in 0..STEPS {
            let mut h = nalgebra::Matrix5::<f32>::zeros();
            let mut g = nalgebra::Vector5::<f32>::zeros();
            self.residuals.clear();
            let (s, c) = motion.yaw.sin_cos();
            if step == 0 {
                scale = self.first_scale(layout, earlier, &motion);
            }
            let (mut agreeing, mut met) = (0.0f32, 0.0f32);
            let (mut both, mut own, mut other) = (0.0f32, 1e-3f32, 1e-3f32);
            for p in &self.points {
                let px = c * p.x - s * p.y + motion.along;
                let py = s * p.x + c * p.y + motion.across;
                if px < 1e-2 {
                    continue;
                }
                let rho2 = px * px + py * py;
                let rho = rho2.sqrt();
                let (ca, sa) = (px / rho, py / rho);
                let depression =
                    fast_atan(layout.height / rho) + motion.pitch * ca + motion.roll * sa;
                let i = (sa - layout.sine0) / layout.sine_step;
                let j = (depression - layout.depression0) / layout.depression_step;
                let inside =
                    i >= 1.0 && j >= 1.0 && i < (columns - 2) as f32 && j < (rows - 2) as f32;
                if !inside {
                    continue;
                }
                let (ii, jj) = (whole(i), whole(j));
                let (fi, fj) = (i - ii as f32, j - jj as f32);
                let k = jj * columns + ii;
                let (a, b) = (earlier[k], earlier[k + 1]);
                let (d, e) = (earlier[k + columns], earlier[k + columns + 1]);
                let value = a + fi * (b - a) + fj * (d - a) + fi * fj * (a - b - d + e);
                let gi = (b - a) + fj * (e - d - b + a);
                let gj = (d - a) + fi * (e - b - d + a);
                let residual = value - p.value;
                self.residuals.push(residual.abs());
                met += p.weight;
                let clip = |v: f32| v.clamp(-MOST_DIFFERENCE, MOST_DIFFERENCE);
                let (a, b) = (clip(value), clip(p.value));
                both += a * b;
                own += b * b;
                other += a * a;
                // Tukey's biweight: what stands or moves has no pull at all.
                let u = residual / (4.7 * scale);
                if u.abs() >= 1.0 {
                    continue;
                }
                let w = p.weight * (1.0 - u * u) * (1.0 - u * u);
                agreeing += p.weight;
                // Cell per metre: column and row steps of the moved point.
                let ga = gi * ca / layout.sine_step;
                let gd = gj / layout.depression_step;
                let h2 = layout.height * layout.height;
                let dd = -layout.height / (h2 + rho2);
                let dx = ga * (-sa / rho) + gd * dd * ca;
                let dy = ga * (ca / rho) + gd * dd * sa;
                let (rx, ry) = (px - motion.along, py - motion.across);
                let j = nalgebra::Vector5::new(dx, dy, dx * -ry + dy * rx, gd * ca, gd * sa);
                h += j * j.transpose() * w;
                g += j * (residual * w);
            }
            if self.residuals.len() < 40 {
                return estimate;
            }
            let mid = self.residuals.len() / 2;
            let (_, median, _) = self.residuals.select_nth_unstable_by(mid, f32::total_cmp);
            let fresh = (1.4826 * *median).max(LEAST_SCALE);
            estimate.inliers = agreeing / met.max(1e-3);
            estimate.residual = fresh;
            // The prior counts as measurements of the residual's own variance.
            let pulls = [
                (motion.along - prior.along, slack.along),
                (motion.across - prior.across, slack.across),
                (motion.yaw - prior.yaw, slack.yaw),
                (motion.pitch - prior.pitch, slack.pitch),
                (motion.roll - prior.roll, slack.roll),
            ];
            for (n, (off, sd)) in pulls.iter().enumerate() {
                let w = scale * scale / (sd * sd);
                h[(n, n)] += w;
                g[n] += w * off;
            }
            let Some(inverse) = h.try_inverse() else {
                return estimate;
            };
            let delta = inverse * g;
            motion.along -= delta[0].clamp(-0.1, 0.1);
            motion.across -= delta[1].clamp(-0.05, 0.05);
            motion.yaw -= delta[2].clamp(-0.03, 0.03);
            motion.pitch -= delta[3].clamp(-0.02, 0.02);
            motion.roll -= delta[4].clamp(-0.02, 0.02);
            // Neighbouring cells share their texture: count a third of them.
            estimate.along_sd = (3.0 * inverse[(0, 0)]).sqrt() * fresh;
            // Correlation of all points met, agreeing or not.
            estimate.quality = (both / (own * other).sqrt()).max(0.0);
            let small = delta[0].abs() < 3e-4 && delta[2].abs() < 3e-4 && delta[3].abs() < 3e-4;
            // Tighten step by step, never below what the data show.
            scale = fresh.max(scale * 0.5);
            if small && step > 1 {
                break;
            }
        }
        estimate.motion = motion;
        estimate
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_parts_leave_a_fraction_from_0_to_1() {
        for n in 0..4000 {
            let x = n as f32 * 0.05;
            let rest = x - whole(x) as f32;
            assert!((0.0..=1.0).contains(&rest), "{x}: {rest}");
        }
    }

    #[test]
    fn a_row_at_a_time_is_the_same_as_cell_by_cell() {
        let l = Layout::of_hatch();
        let motion = Motion {
            along: 0.21,
            across: -0.02,
            yaw: 0.03,
            pitch: 0.004,
            roll: -0.002,
        };
        let mut places = Places::default();
        for lift in [0.0, 0.35, -0.35] {
            for r in l.horizon_row..l.rows {
                places.find(&l, r, lift, &motion);
                for c in 0..l.columns {
                    let (x, y) = l.cell_place(c, r);
                    let (i, j) = l.before(x, y, lift, &motion).unwrap_or((-1.0, 0.0));
                    let (a, b) = (places.columns[c], places.rows[c]);
                    let close = (a - i).abs() < 0.01 && (b - j).abs() < 0.01;
                    assert!(close || i < 0.0 && a < 0.0, "{a}, {b}; not {i}, {j}");
                }
            }
        }
    }
}
