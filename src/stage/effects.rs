//! From linear light to the camera's bytes: lens dirt, exposure, noise,
//! sharpening, 8-bit sRGB.

use rayon::prelude::*;

use super::faults::Now;
use super::noise::{hash, normal, octaves, smoothstep, unit, value};
use super::scene::{Camera, Cover};
use super::shape::V3;

/// Longest shutter time, seconds; and the gain at which it is reached.
const SHUTTER_MAX_S: f32 = 1.0 / 30.0;
const SHUTTER_UNIT_S: f32 = 1.0 / 4000.0;
/// Highest analogue gain: 33 dB.
const AMPLIFY_MAX: f32 = 45.0;
/// Electrons of a full pixel without amplification, and read noise.
const FULL_WELL: f32 = 8000.0;
const READ_NOISE: f32 = 5.0;
/// Linear brightness that the auto-exposure aims at.
const TARGET: f32 = 0.17;

/// A drop of water on the lens.
struct Drop {
    x: f32,
    y: f32,
    r: f32,
}

/// The camera behind the lens, with its state from frame to frame.
pub struct Sensor {
    set: Camera,
    seed: u32,
    width: usize,
    height: usize,
    gain: Option<f32>,
    specks: Vec<f32>,
    mud_field: Vec<f32>,
    mud_level: Vec<f32>,
    drops: Vec<Drop>,
    linear: Vec<V3>,
    small: Vec<V3>,
    gamma: Vec<V3>,
    curve: Vec<f32>,
}

/// Block size of the strongly blurred copy, in pixels.
const BLOCK: usize = 8;

impl Sensor {
    /// A camera for pictures of this size.
    pub fn new(set: &Camera, width: usize, height: usize, seed: u32) -> Sensor {
        let mut specks = vec![0.0f32; width * height];
        let (w, h) = (width as f32, height as f32);
        let at = |i: u32, s: u32| unit(hash(i as i32, s as i32, seed ^ 0x5EC5));
        for i in 0..set.specks {
            let (cx, cy) = (at(i, 1) * w, at(i, 2) * h);
            let r = (0.004 + 0.016 * at(i, 3) * at(i, 3)) * w;
            let alpha = 0.25 + 0.45 * at(i, 4);
            let reach = (r * 1.6) as isize + 1;
            for y in (cy as isize - reach).max(0)..(cy as isize + reach).min(height as isize) {
                for x in (cx as isize - reach).max(0)..(cx as isize + reach).min(width as isize) {
                    let d = (x as f32 - cx).hypot(y as f32 - cy);
                    let a = alpha * (1.0 - smoothstep(0.4 * r, 1.6 * r, d));
                    let s = &mut specks[y as usize * width + x as usize];
                    *s = 1.0 - (1.0 - *s) * (1.0 - a);
                }
            }
        }
        let mud_field: Vec<f32> = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f32 / w, (i / width) as f32 / w);
                octaves(
                    x,
                    y,
                    &[(0.5, 0.6), (0.2, 0.4), (0.07, 0.2), (0.03, 0.08)],
                    0.0,
                    seed ^ 0x30D,
                )
            })
            .collect();
        let mut mud_level: Vec<f32> = mud_field.iter().step_by(7).copied().collect();
        mud_level.sort_by(|a, b| b.total_cmp(a));
        let drops = (0..set.drops)
            .map(|i| Drop {
                x: at(i, 11) * w,
                y: at(i, 12) * h,
                r: (0.012 + 0.035 * at(i, 13) * at(i, 13)) * w,
            })
            .collect();
        let curve = (0..=4096)
            .map(|i| {
                // IEC 61966-2-1, on 0..255.
                let x = i as f32 / 4096.0;
                255.0
                    * if x <= 0.003_130_8 {
                        12.92 * x
                    } else {
                        1.055 * x.powf(1.0 / 2.4) - 0.055
                    }
            })
            .collect();
        Sensor {
            set: set.clone(),
            seed,
            width,
            height,
            gain: None,
            specks,
            mud_field,
            mud_level,
            drops,
            linear: Vec::new(),
            small: Vec::new(),
            gamma: Vec::new(),
            curve,
        }
    }

    /// Shutter time that the present gain means.
    pub fn shutter_s(&self) -> f32 {
        (self.gain.unwrap_or(1.0) * SHUTTER_UNIT_S).clamp(SHUTTER_UNIT_S * 0.2, SHUTTER_MAX_S)
    }

    /// Takes the picture `scene` (linear light). `flow` gives the movement of
    /// each block of pixels during a second, for the motion blur.
    pub fn take(
        &mut self,
        scene: &[V3],
        flow: &dyn Fn(usize, usize) -> (f32, f32),
        now: &Now,
        dt_s: f32,
        frame: u32,
        out: &mut Vec<u8>,
    ) {
        let (w, h) = (self.width, self.height);
        self.linear.clear();
        self.linear.extend_from_slice(scene);
        self.dirty_lens(now);
        self.expose(now, dt_s);
        let gain = self.gain.unwrap_or(1.0);
        if self.set.motion_blur {
            self.motion_blur(flow);
        }
        self.soften();
        let factor = gain * now.exposure * if now.washed_out { 60.0 } else { 1.0 };
        let amplify = (gain * SHUTTER_UNIT_S / SHUTTER_MAX_S).max(1.0);
        let noise = self.set.noise;
        let read = READ_NOISE * amplify / FULL_WELL;
        // Cheap cameras hide their noise by smoothing, the more the darker.
        let smooth = 0.6 * smoothstep(1.0, 12.0, amplify);
        let (set, seed, curve, linear) = (&self.set, self.seed, &self.curve, &self.linear);
        let black = now.black;
        let balance = V3::new(
            set.white_balance[0] * now.balance[0],
            set.white_balance[1] * now.balance[1],
            set.white_balance[2] * now.balance[2],
        );
        self.gamma.resize(w * h, V3::zeros());
        let (cx, cy) = (w as f32 / 2.0, h as f32 / 2.0);
        let far2 = cx * cx + cy * cy;
        let exposed = |x: usize, y: usize| {
            let (dx, dy) = (x as f32 - cx, y as f32 - cy);
            let corner = 1.0 - set.vignette * (dx * dx + dy * dy) / far2;
            let l = if black {
                V3::zeros()
            } else {
                linear[y * w + x]
            };
            let mut v = l.component_mul(&balance) * (factor * corner);
            for k in 0..3 {
                let n = normal(hash(
                    (y * w + x) as i32,
                    (frame * 3 + k as u32) as i32,
                    seed ^ 0x4015E,
                ));
                let s = v[k].clamp(0.0, 1.5);
                v[k] += n * noise * (s * amplify / FULL_WELL + read * read).sqrt();
            }
            v
        };
        self.gamma
            .par_chunks_mut(w)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, value) in row.iter_mut().enumerate() {
                    *value = exposed(x, y);
                }
            });
        if smooth > 0.01 {
            std::mem::swap(&mut self.gamma, &mut self.linear);
            blur3(&self.linear, &mut self.gamma, w, h, smooth / 9.0 * 1.6);
        }
        self.gamma.par_iter_mut().for_each(|v| {
            for k in 0..3 {
                let s = v[k].max(0.0);
                // A soft shoulder, then the sensor is full.
                let s = if s < 0.8 {
                    s
                } else {
                    0.8 + 0.2 * (1.0 - (-(s - 0.8) / 0.2).exp())
                };
                let i = s * 4096.0;
                let j = (i as usize).min(4095);
                v[k] = curve[j] + (curve[j + 1] - curve[j]) * (i - j as f32).min(1.0);
            }
        });
        let amount = self.set.sharpen;
        let gamma = &self.gamma;
        out.resize(w * h * 3, 0);
        out.par_chunks_mut(w * 3).enumerate().for_each(|(y, row)| {
            for x in 0..w {
                let v = gamma[y * w + x];
                let mut s = v;
                if amount > 0.0 && x > 0 && y > 0 && x + 1 < w && y + 1 < h {
                    let around = gamma[y * w + x - 1]
                        + gamma[y * w + x + 1]
                        + gamma[(y - 1) * w + x]
                        + gamma[(y + 1) * w + x];
                    s += (v - around * 0.25) * amount;
                }
                for k in 0..3 {
                    row[x * 3 + k] = (s[k] + 0.5).clamp(0.0, 255.0) as u8;
                }
            }
        });
    }

    /// Follows the brightness of the picture, weighted to its lower middle.
    fn expose(&mut self, now: &Now, dt_s: f32) {
        let (w, h) = (self.width, self.height);
        let (mut sum, mut weight) = (0.0f64, 0.0f64);
        let gain = self.gain.unwrap_or(1.0);
        for y in (0..h).step_by(6) {
            for x in (0..w).step_by(6) {
                let l = self.linear[y * w + x];
                let k = if y * 3 > h { 2.0 } else { 0.6 };
                let luma = 0.2126 * l.x + 0.7152 * l.y + 0.0722 * l.z;
                // What is burnt out counts as burnt out, not as more.
                let seen = if self.gain.is_some() {
                    (luma * gain).min(1.2) / gain
                } else {
                    luma
                };
                sum += f64::from(seen) * k;
                weight += k;
            }
        }
        let mean = (sum / weight.max(1.0)) as f32;
        let high = SHUTTER_MAX_S / SHUTTER_UNIT_S * AMPLIFY_MAX;
        // The camera sees its own steps too, and works against them.
        let want = (self.set.exposure * TARGET / (mean * now.exposure).max(1e-9)).clamp(0.1, high);
        self.gain = Some(match self.gain {
            None => want,
            Some(_) if !self.set.auto_exposure => gain,
            Some(g) => {
                let k = 1.0 - (-dt_s / self.set.lag_s.max(1e-3)).exp();
                (g.ln() + (want.ln() - g.ln()) * k).exp()
            }
        });
    }

    fn shrink(&mut self) -> (usize, usize) {
        let (w, h) = (self.width, self.height);
        let (sw, sh) = (w.div_ceil(BLOCK), h.div_ceil(BLOCK));
        self.small.resize(sw * sh, V3::zeros());
        for by in 0..sh {
            for bx in 0..sw {
                let (mut sum, mut n) = (V3::zeros(), 0.0);
                for y in (by * BLOCK..((by + 1) * BLOCK).min(h)).step_by(2) {
                    for x in (bx * BLOCK..((bx + 1) * BLOCK).min(w)).step_by(2) {
                        sum += self.linear[y * w + x];
                        n += 1.0;
                    }
                }
                self.small[by * sw + bx] = sum / n;
            }
        }
        let mut next = self.small.clone();
        for _ in 0..6 {
            blur3(&self.small, &mut next, sw, sh, 1.0 / 9.0);
            std::mem::swap(&mut self.small, &mut next);
        }
        (sw, sh)
    }

    /// Dirt, drops, smear, covers and the glow around bright lamps.
    fn dirty_lens(&mut self, now: &Now) {
        let (w, h) = (self.width, self.height);
        let (sw, sh) = self.shrink();
        let mean = self.small.iter().sum::<V3>() / self.small.len() as f32;
        let mud = self.set.mud.max(now.mud);
        let smear = self.set.smear.max(now.smear);
        let level = |share: f32| {
            let i = (share.clamp(0.0, 1.0) * (self.mud_level.len() - 1) as f32) as usize;
            self.mud_level[i]
        };
        let (mud_at, smear_at) = (level(mud), level(smear));
        let (small, field, specks, drops, seed) = (
            &self.small,
            &self.mud_field,
            &self.specks,
            &self.drops,
            self.seed,
        );
        let wide = |x: f32, y: f32| {
            let (fx, fy) = (
                (x / BLOCK as f32 - 0.5).clamp(0.0, sw as f32 - 1.001),
                (y / BLOCK as f32 - 0.5).clamp(0.0, sh as f32 - 1.001),
            );
            let (ix, iy) = (fx as usize, fy as usize);
            let (tx, ty) = (fx - ix as f32, fy - iy as f32);
            let s =
                |dx: usize, dy: usize| small[(iy + dy).min(sh - 1) * sw + (ix + dx).min(sw - 1)];
            (s(0, 0) * (1.0 - tx) + s(1, 0) * tx) * (1.0 - ty)
                + (s(0, 1) * (1.0 - tx) + s(1, 1) * tx) * ty
        };
        let sharp = if drops.is_empty() {
            Vec::new()
        } else {
            self.linear.clone()
        };
        let cover = now.cover;
        self.linear
            .par_chunks_mut(w)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, v) in row.iter_mut().enumerate() {
                    let i = y * w + x;
                    let around = wide(x as f32, y as f32);
                    // Every lens scatters a little: glare.
                    *v = *v * 0.985 + around * 0.01 + mean * 0.005;
                    for drop in drops {
                        let (dx, dy) = ((x as f32 - drop.x) / drop.r, (y as f32 - drop.y) / drop.r);
                        let r2 = dx * dx + dy * dy;
                        if r2 < 1.0 {
                            // A drop is a small lens: upside down, wide, soft.
                            let sx =
                                (drop.x - dx * drop.r * 2.5).clamp(0.0, w as f32 - 1.0) as usize;
                            let sy =
                                (drop.y - dy * drop.r * 2.5).clamp(0.0, h as f32 - 1.0) as usize;
                            let inner = sharp[sy * w + sx] * 0.3 + wide(sx as f32, sy as f32) * 0.7;
                            let rim = 1.0 - 0.45 * smoothstep(0.7, 1.0, r2);
                            let k = 1.0 - smoothstep(0.75, 1.0, r2);
                            *v = *v * (1.0 - k) + inner * (rim * k);
                        }
                    }
                    if smear > 0.0 {
                        let k = 0.9 * smoothstep(smear_at - 0.05, smear_at + 0.05, field[i]);
                        let streak =
                            1.0 + 0.12 * value(x as f32 / 60.0, y as f32 / 5.0, seed ^ 0x53EA);
                        *v = *v * (1.0 - k) + (around * 0.75 + mean * 0.25) * (k * streak);
                    }
                    if mud > 0.0 {
                        let k = smoothstep(mud_at - 0.02, mud_at + 0.06, field[i]);
                        let tone =
                            0.8 + 0.3 * value(x as f32 / 25.0, y as f32 / 25.0, seed ^ 0x30D5);
                        *v = *v * (1.0 - k)
                            + V3::new(0.20, 0.15, 0.11).component_mul(&mean) * (k * tone);
                    }
                    if specks[i] > 0.0 {
                        *v = *v * (1.0 - specks[i]) + mean * (specks[i] * 0.35);
                    }
                    if let Some((by, k)) = cover {
                        let (nx, ny) = (x as f32 / w as f32, y as f32 / w as f32);
                        let blot = octaves(
                            nx,
                            ny,
                            &[(0.6, 0.5), (0.22, 0.3), (0.09, 0.12)],
                            0.0,
                            seed ^ 0xC0E,
                        );
                        let leak = smoothstep(0.86, 1.05, nx + 0.06 * blot);
                        let (colour, through) = match by {
                            Cover::Hand => (V3::new(0.10, 0.022, 0.012), 0.0),
                            Cover::Cloth => (V3::new(0.06, 0.065, 0.07), 0.0),
                            Cover::Snow => (V3::new(0.85, 0.9, 1.0), 0.05),
                            Cover::Mud => (V3::new(0.05, 0.035, 0.022), 0.0),
                        };
                        let weave = if by == Cover::Cloth {
                            1.0 + 0.05 * ((x as f32 * 0.9).sin() * (y as f32 * 0.9).sin())
                        } else {
                            1.0
                        };
                        let over = colour.component_mul(&mean)
                            * ((1.0 + 0.45 * blot).max(0.1) * weave)
                            + around * (through + 0.12 * leak);
                        // It closes from the left.
                        let edge = smoothstep(-0.1, 0.1, k * 1.3 - 0.1 - nx + 0.05 * blot);
                        *v = *v * (1.0 - edge) + over * edge;
                    }
                }
            });
    }

    fn motion_blur(&mut self, flow: &dyn Fn(usize, usize) -> (f32, f32)) {
        let shutter = self.shutter_s();
        let (w, h) = (self.width, self.height);
        let mut source: Option<Vec<V3>> = None;
        for by in 0..h.div_ceil(BLOCK) {
            for bx in 0..w.div_ceil(BLOCK) {
                let (fx, fy) = flow(bx * BLOCK + BLOCK / 2, by * BLOCK + BLOCK / 2);
                let (fx, fy) = (fx * shutter, fy * shutter);
                let len = fx.hypot(fy).min(40.0);
                if len < 0.5 {
                    continue;
                }
                let from = source.get_or_insert_with(|| self.linear.clone());
                let n = (len.ceil() as usize + 1).min(12);
                for y in by * BLOCK..((by + 1) * BLOCK).min(h) {
                    for x in bx * BLOCK..((bx + 1) * BLOCK).min(w) {
                        let mut sum = V3::zeros();
                        for i in 0..n {
                            let k = i as f32 / (n - 1) as f32 - 0.5;
                            let sx =
                                (x as f32 + fx * k).round().clamp(0.0, w as f32 - 1.0) as usize;
                            let sy =
                                (y as f32 + fy * k).round().clamp(0.0, h as f32 - 1.0) as usize;
                            sum += from[sy * w + sx];
                        }
                        self.linear[y * w + x] = sum / n as f32;
                    }
                }
            }
        }
    }

    /// The lens's own softness.
    fn soften(&mut self) {
        let s = self.set.blur_px;
        if s < 0.2 {
            return;
        }
        // A 3 × 3 Gaussian; beyond one pixel it is repeated.
        let passes = (s * s / 0.6).ceil().max(1.0);
        let var = s * s / passes;
        let e = (-0.5 / var).exp();
        let side = e / (1.0 + 2.0 * e);
        for _ in 0..passes as usize {
            self.gamma.resize(self.linear.len(), V3::zeros());
            separable(&self.linear, &mut self.gamma, self.width, self.height, side);
            std::mem::swap(&mut self.linear, &mut self.gamma);
        }
    }
}

/// 3 × 3 kernel with `side` at the direct neighbours' weight per axis.
fn separable(from: &[V3], to: &mut [V3], w: usize, h: usize, side: f32) {
    let mid = 1.0 - 2.0 * side;
    to.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        let (a, b, c) = (y.saturating_sub(1) * w, y * w, (y + 1).min(h - 1) * w);
        let column = |x: usize| from[b + x] * mid + (from[a + x] + from[c + x]) * side;
        let (mut left, mut here) = (column(0), column(0));
        for (x, v) in row.iter_mut().enumerate() {
            let right = column((x + 1).min(w - 1));
            *v = here * mid + (left + right) * side;
            left = here;
            here = right;
        }
    });
}

/// Mixes each pixel with its eight neighbours, each of weight `k`.
fn blur3(from: &[V3], to: &mut [V3], w: usize, h: usize, k: f32) {
    let k = k.min(1.0 / 9.0);
    to.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            let mut sum = V3::zeros();
            for yy in [y.saturating_sub(1), y, (y + 1).min(h - 1)] {
                for xx in [x.saturating_sub(1), x, (x + 1).min(w - 1)] {
                    sum += from[yy * w + xx];
                }
            }
            let own = from[y * w + x];
            *v = own + (sum - own * 9.0) * k;
        }
    });
}
