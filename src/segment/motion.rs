//! The vehicle's own motion over the ground, from the picture alone.
//!
//! Ground that is seen twice moves by the homography that the ground plane
//! induces between two camera poses (R. Hartley, A. Zisserman, Multiple View
//! Geometry, 2nd ed. 2004, section 13.1). In the panorama that warp has a
//! closed form: cell → ground → moved ground → cell. The pose difference is
//! found by Gauss-Newton on the relief of ground cells, with robust weights so
//! that standing and moving things do not pull.

use multiversion::multiversion;

use super::pace::{nearest, speed, SPEEDS};
use super::panorama::Layout;
use super::relief::{BROAD_NOISE, FLOOR, UNIT};

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

/// A fast arc tangent, |error| < 2e-5 rad: far below a cell.
#[inline]
fn fast_atan(x: f32) -> f32 {
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
        self.columns.resize(l.columns, 0.0);
        self.rows.resize(l.columns, 0.0);
        seen_before(l, row, lift, motion, &mut self.columns, &mut self.rows);
    }
}

/// Writes for each column where what it shows was, as [`Places`] has it. The same on every
/// processor, to the bit.
#[multiversion(targets("x86_64+avx2"))]
fn seen_before(l: &Layout, row: usize, lift: f32, motion: &Motion, is: &mut [f32], js: &mut [f32]) {
    let keep = 1.0 - lift;
    let (rho, drop) = (keep * l.row_distance[row], keep * l.height);
    let (sin, cos) = motion.yaw.sin_cos();
    let (per_column, per_row) = (1.0 / l.sine_step, 1.0 / l.depression_step);
    for ((i, j), &(dx, dy)) in is.iter_mut().zip(js).zip(&l.column_direction) {
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

/// Whole part of a number from 0 to 2^21; of a whole number it may be one less,
/// and the fraction 1.
///
/// The last bits of a number this large are whole. A cast would see to numbers
/// that are out of range as well, at several times the cost.
#[inline]
fn whole(x: f32) -> usize {
    const LARGE: f32 = 1.5 * 8_388_608.0;
    ((x - 0.5 + LARGE).to_bits() & 0x3f_ffff) as usize
}

/// Bilinear look-up; `None` outside.
#[inline]
pub fn look(image: &[f32], columns: usize, rows: usize, c: f32, r: f32) -> Option<f32> {
    let ((i, fc), (j, fr)) = (split(c, columns)?, split(r, rows)?);
    let k = j * columns + i;
    let of = image.get(k..k + columns + 2)?;
    let top = of[0] + fc * (of[1] - of[0]);
    let bottom = of[columns] + fc * (of[columns + 1] - of[columns]);
    Some(top + fr * (bottom - top))
}

/// Which of so many places is the last before `x`, and how far `x` is from it to the next;
/// `None` outside.
#[inline]
fn split(x: f32, count: usize) -> Option<(usize, f32)> {
    // False for what is no number, too.
    if !(x >= 0.0 && x < (count - 1) as f32) {
        return None;
    }
    let i = whole(x);
    Some((i, x - i as f32))
}

/// One picture as it is aligned.
#[derive(Debug, Clone, Copy)]
pub struct Sight<'a> {
    /// Local contrast, per cell.
    pub relief: &'a [f32],
    /// Luma, per cell.
    pub luma: &'a [f32],
}

/// What is known of the newest picture's cells.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// Where the cells lie.
    pub layout: &'a Layout,
    /// Cells that may take part.
    pub usable: &'a [bool],
    /// How surely each cell's detail moves with the vehicle, 0 to 1.
    pub stuck: &'a [f32],
    /// How surely each cell shows ground, 0 to 1.
    pub ground: &'a [f32],
    /// The picture's noise.
    pub noise: &'a Noise,
}

/// Steps of brightness for which noise is known apart, cells of one that it takes, the
/// middle of what noise alone changes between two pictures, and how fast it follows down
/// and up.
const LEVELS: usize = 16;
const LEAST_CELLS: usize = 30;
const MIDDLE: f32 = 0.954;
const DOWN: f32 = 0.5;
const UP: f32 = 0.02;

/// Noise of luma (standard deviation), by luma.
#[derive(Debug, Clone, Default)]
pub struct Noise {
    levels: [f32; LEVELS],
    known: [bool; LEVELS],
    changes: [Vec<f32>; LEVELS],
}

impl Noise {
    /// From what changes between two pictures: where nothing moves that is noise
    /// alone, so that the least counts.
    pub fn learn(&mut self, usable: &[bool], now: &[f32], before: &[f32]) {
        self.changes.iter_mut().for_each(Vec::clear);
        for k in (0..now.len().min(before.len())).step_by(5) {
            if usable[k] {
                self.changes[Self::step(now[k])].push((now[k] - before[k]).abs());
            }
        }
        for (n, changes) in self.changes.iter_mut().enumerate() {
            if changes.len() < LEAST_CELLS {
                continue;
            }
            let mid = changes.len() / 2;
            let seen = *changes.select_nth_unstable_by(mid, f32::total_cmp).1 / MIDDLE;
            let level = &mut self.levels[n];
            if !self.known[n] {
                self.known[n] = true;
                *level = seen;
            } else if seen < *level {
                *level += DOWN * (seen - *level);
            } else {
                *level += UP * (seen - *level);
            }
        }
    }

    fn step(luma: f32) -> usize {
        ((luma * (LEVELS as f32 / 256.0)) as usize).min(LEVELS - 1)
    }

    /// Of a cell of this luma.
    pub fn of(&self, luma: f32) -> f32 {
        self.levels[Self::step(luma)]
    }
}

/// A ground cell that takes part in the estimate.
#[derive(Debug, Clone, Copy)]
struct Point {
    x: f32,
    y: f32,
    value: f32,
    weight: f32,
    block: usize,
}

/// Blocks (across, down) in which the ground's detail tells the speed, each by
/// itself: what walks by, or a shadow's edge, fills few of them.
const BLOCKS: (usize, usize) = (6, 4);
const BLOCK_COUNT: usize = BLOCKS.0 * BLOCKS.1;
/// The most that a block says (natural logarithm), and one of the lowest row, where
/// edges of the vehicle's own light and shadow lie; how much of what a point says is
/// its own, for neighbours share their texture.
const MOST_SAID: f32 = 3.0;
const MOST_SAID_LOW: f32 = 1.0;
const OWN_SHARE: f32 = 0.4;
/// A block whose best speed agrees by this much better than speeds do on average
/// counts in full.
const EXPLAINED: f32 = 0.25;
/// Points that are asked for the speed, and least weight of them.
const MOST_WITNESSES: usize = 250;
const LEAST_WITNESSES: f32 = 8.0;
const LEAST_IN_BLOCK: f32 = 2.0;
/// Noises at which a point counts half.
const HALF_NOISES: f32 = 5.0;

/// Points used in one estimate.
const MOST_POINTS: usize = 1400;
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
    /// The same and what stays in place, to tell the speed by.
    witnesses: Vec<Point>,
    /// By how much each block agrees better with each speed than with others, as a share.
    explained: Vec<[f32; BLOCK_COUNT]>,
    residuals: Vec<f32>,
}

impl Aligner {
    /// Chooses the ground points of the picture `now` (a relief): strong local
    /// contrast, spread over the ground. `noise_share` is the relief's share of single
    /// cells' noise.
    ///
    /// What is where it was in the `earlier` picture may move with the vehicle (its
    /// bumper, its shadow); it is a witness of rest, but not refined on.
    pub fn choose(&mut self, scene: &Scene<'_>, now: Sight<'_>, earlier: &[f32], noise_share: f32) {
        let layout = scene.layout;
        self.points.clear();
        self.witnesses.clear();
        self.candidates.clear();
        let (columns, rows) = (layout.columns, layout.rows);
        let Sight { relief: now, luma } = now;
        for r in (1..rows - 1).step_by(2) {
            if layout.row_distance[r] > FARTHEST_HEIGHTS * layout.height {
                continue;
            }
            for c in (1 + (r / 2) % 2..columns - 1).step_by(2) {
                let k = layout.at(c, r);
                if !scene.usable[k] || scene.ground[k] <= 0.3 || scene.stuck[k] >= MOST_STUCK {
                    continue;
                }
                let gx = now[k + 1] - now[k - 1];
                let gy = now[k + columns] - now[k - columns];
                let strength = gx.abs() + gy.abs();
                // Of luma one, in the relief.
                let unit = UNIT / (luma[k] + FLOOR);
                let noise = noise_share * LUMA_NOISE * unit;
                if strength < NOISES * noise {
                    continue;
                }
                let stays = earlier
                    .get(k)
                    .is_some_and(|e| (now[k] - e).abs() < 0.2 * strength + noise);
                let (x, y) = layout.cell_place(c, r);
                let seen = noise_share.max(BROAD_NOISE) * scene.noise.of(luma[k]) * unit;
                let half = (HALF_NOISES * seen).max(HALF_STRENGTH);
                let telling = strength * strength / (strength * strength + half * half);
                let point = Point {
                    x,
                    y,
                    value: now[k],
                    weight: scene.ground[k] * telling,
                    block: r * BLOCKS.1 / rows * BLOCKS.0 + c * BLOCKS.0 / columns,
                };
                self.witnesses.push(point);
                if !stays {
                    self.candidates.push(point);
                }
            }
        }
        let stride = (self.candidates.len() / MOST_POINTS).max(1);
        self.points.extend(self.candidates.iter().step_by(stride));
    }

    /// How likely the earlier picture is for each speed, as far as natural logarithms
    /// of it differ; adds to `likely`. The pictures are `dt` seconds apart, the vehicle
    /// turned by `yaw`.
    pub fn weigh(
        &mut self,
        layout: &Layout,
        earlier: &[f32],
        dt: f32,
        yaw: f32,
        likely: &mut [f32; SPEEDS],
    ) {
        self.explained.clear();
        self.explained.resize(SPEEDS, [0.0; BLOCK_COUNT]);
        let stride = (self.witnesses.len() / MOST_WITNESSES).max(1);
        let (s, c) = yaw.sin_cos();
        // Sums of disagreement and of weight, for each speed and block.
        let mut sums = [[(0.0f32, 0.0f32); BLOCK_COUNT]; SPEEDS];
        let mut most = 0.0f32;
        for (n, blocks) in sums.iter_mut().enumerate() {
            let motion = Motion {
                along: speed(n) * dt,
                yaw,
                ..Motion::default()
            };
            for p in self.witnesses.iter().step_by(stride) {
                let seen = layout
                    .before_turned(p.x, p.y, layout.height, &motion, s, c)
                    .and_then(|(i, j)| look(earlier, layout.columns, layout.rows, i, j));
                if let Some(v) = seen {
                    let (sum, weight) = &mut blocks[p.block];
                    *sum += (v - p.value).abs().min(MOST_DIFFERENCE) * p.weight;
                    *weight += p.weight;
                }
            }
            most = most.max(blocks.iter().map(|b| b.1).sum());
        }
        if most < LEAST_WITNESSES {
            return;
        }
        for b in 0..BLOCK_COUNT {
            let most = sums.iter().map(|s| s[b].1).fold(0.0, f32::max);
            if most < LEAST_IN_BLOCK {
                continue;
            }
            // Of a speed at which too little of the block was in view nothing is known.
            let off = |n: usize| {
                let (sum, weight) = sums[n][b];
                (weight > 0.5 * most).then(|| sum / weight)
            };
            let (mut sum, mut met, mut least) = (0.0, 0.0f32, f32::MAX);
            for v in (0..SPEEDS).filter_map(off) {
                sum += v;
                met += 1.0;
                least = least.min(v);
            }
            let usual = sum / met.max(1.0);
            let scale = least.max(LEAST_SCALE);
            let low = b >= BLOCK_COUNT - BLOCKS.0;
            let cap = if low { MOST_SAID_LOW } else { MOST_SAID };
            for (n, l) in likely.iter_mut().enumerate() {
                if let Some(v) = off(n) {
                    self.explained[n][b] = (1.0 - v / usual.max(1e-3)).max(0.0);
                    *l += (OWN_SHARE * most * (usual - v) / scale).clamp(-cap, cap);
                }
            }
        }
    }

    /// Takes over what another comparison's blocks said.
    pub fn explain_like(&mut self, other: &Aligner) {
        self.explained.clone_from(&other.explained);
    }

    /// Of the points chosen, those count whose block agrees better with the speed
    /// `mps` than with others: elsewhere is nothing but noise.
    pub fn trust_blocks(&mut self, mps: f32) {
        let Some(explained) = self.explained.get(nearest(mps)) else {
            return;
        };
        for p in &mut self.points {
            p.weight *= (explained[p.block] / EXPLAINED).min(1.0);
        }
        self.points.retain(|p| p.weight > 0.02);
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
