//! Candidates for the inner corners of a checkerboard, and their places to a
//! fraction of a pixel.
//!
//! An inner corner is a saddle of the smoothed picture whose surrounding ring
//! changes four times between dark and bright, opposite changes lying half a
//! turn apart. The four changes are the directions of the square's edges, and
//! that is what later links a corner to its neighbours.

use std::f64::consts::{PI, TAU};

use super::grey::Grey;
use crate::optics::PixelPoint;

/// One candidate.
#[derive(Debug, Clone)]
pub(super) struct Corner {
    /// Place in the picture in which it was found.
    pub at: PixelPoint,
    /// Directions of the four edges, rising, radians.
    pub edges: [f64; 4],
    /// Whether the sector that follows each edge (with rising angle) is bright.
    pub bright_after: [bool; 4],
    /// Difference between dark and bright, grey levels.
    pub contrast: f32,
}

/// More candidates than a crowded picture of a board needs.
const MOST: usize = 3000;
/// Smoothing before the saddle is looked for, pixels.
const SIGMA: f32 = 1.2;
/// Radius of the ring, pixels; a square must be wider than this.
const RING: f64 = 4.5;
const RING_SAMPLES: usize = 48;
/// Least difference between dark and bright, grey levels.
const LEAST_CONTRAST: f32 = 14.0;
/// A square seen more aslant than this has no usable corner.
const NARROWEST_SECTOR: f64 = 0.22;
/// Opposite edges may differ from half a turn by this much, radians.
const STRAIGHT: f64 = 0.5;

/// All candidates of a picture, those of most contrast first: print on paper
/// has more of it than grass or gravel.
pub(super) fn candidates(picture: &Grey) -> Vec<Corner> {
    let margin = 6;
    if picture.width < 4 * margin || picture.height < 4 * margin {
        return Vec::new();
    }
    let smooth = picture.blurred(SIGMA);
    let saddle = saddle_strength(&smooth);
    let w = picture.width;
    let mut peaks = Vec::new();
    for y in margin..picture.height - margin {
        for x in margin..w - margin {
            let value = saddle[y * w + x];
            // A step of contrast C gives about (C / (2π σ²))² in its saddle.
            if value < 1.0 {
                continue;
            }
            let is_peak = (y - 2..=y + 2)
                .flat_map(|j| (x - 2..=x + 2).map(move |i| (i, j)))
                .all(|(i, j)| {
                    (i, j) == (x, y) || saddle[j * w + i] < value
                    // Of two equal neighbours the first one stands.
                    || (saddle[j * w + i] == value && (j, i) > (y, x))
                });
            if is_peak {
                peaks.push((value, x, y));
            }
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
    peaks.truncate(16 * MOST);
    let mut found: Vec<Corner> = peaks
        .into_iter()
        .filter_map(|(_, x, y)| {
            let at = saddle_point(&smooth, x, y)?;
            ring(&smooth, at)
        })
        .collect();
    found.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
    found.truncate(MOST);
    found
}

/// Minus the determinant of the Hessian: positive at saddles.
fn saddle_strength(g: &Grey) -> Vec<f32> {
    let w = g.width;
    let mut out = vec![0.0; g.data.len()];
    for y in 1..g.height - 1 {
        for x in 1..w - 1 {
            let (xx, yy, xy) = hessian(g, x, y);
            out[y * w + x] = xy * xy - xx * yy;
        }
    }
    out
}

fn hessian(g: &Grey, x: usize, y: usize) -> (f32, f32, f32) {
    let c = g.at(x, y);
    let xx = g.at(x + 1, y) - 2.0 * c + g.at(x - 1, y);
    let yy = g.at(x, y + 1) - 2.0 * c + g.at(x, y - 1);
    let xy =
        0.25 * (g.at(x + 1, y + 1) + g.at(x - 1, y - 1) - g.at(x + 1, y - 1) - g.at(x - 1, y + 1));
    (xx, yy, xy)
}

/// Where the quadratic through the pixel has its saddle.
fn saddle_point(g: &Grey, x: usize, y: usize) -> Option<PixelPoint> {
    let (xx, yy, xy) = hessian(g, x, y);
    let gx = 0.5 * (g.at(x + 1, y) - g.at(x - 1, y));
    let gy = 0.5 * (g.at(x, y + 1) - g.at(x, y - 1));
    let det = xx * yy - xy * xy;
    let (dx, dy) = ((xy * gy - yy * gx) / det, (xy * gx - xx * gy) / det);
    (dx.abs() < 1.5 && dy.abs() < 1.5).then(|| PixelPoint {
        u: x as f64 + f64::from(dx),
        v: y as f64 + f64::from(dy),
    })
}

/// Walks the ring and reads the four edges off it.
fn ring(g: &Grey, at: PixelPoint) -> Option<Corner> {
    let angle = |i: usize| TAU * i as f64 / RING_SAMPLES as f64;
    let values: [f32; RING_SAMPLES] = std::array::from_fn(|i| {
        let (s, c) = angle(i).sin_cos();
        g.sample(at.u + RING * c, at.v + RING * s)
    });
    let (low, high) = values
        .iter()
        .fold((f32::MAX, f32::MIN), |(l, h), &v| (l.min(v), h.max(v)));
    if high - low < LEAST_CONTRAST {
        return None;
    }
    let middle = 0.5 * (low + high);
    let mut edges = Vec::with_capacity(4);
    for i in 0..RING_SAMPLES {
        let (a, b) = (values[i] - middle, values[(i + 1) % RING_SAMPLES] - middle);
        if (a > 0.0) != (b > 0.0) {
            if edges.len() == 4 {
                return None;
            }
            let share = f64::from(a / (a - b));
            edges.push((angle(i) + share * TAU / RING_SAMPLES as f64, b > 0.0));
        }
    }
    let edges: [(f64, bool); 4] = edges.try_into().ok()?;
    let directions = edges.map(|e| e.0);
    for i in 0..2 {
        if (directions[i + 2] - directions[i] - PI).abs() > STRAIGHT {
            return None;
        }
    }
    let narrow = (0..4)
        .any(|i| (directions[(i + 1) % 4] - directions[i]).rem_euclid(TAU) < NARROWEST_SECTOR);
    (!narrow).then_some(Corner {
        at,
        edges: directions,
        bright_after: edges.map(|e| e.1),
        contrast: high - low,
    })
}

/// Moves a corner to where all edges near it meet: the point whose connection
/// to each pixel of the window is square to that pixel's gradient (W. Förstner,
/// E. Gülch, "A fast operator for detection and precise location of distinct
/// points, corners and centres of circular features", 1987).
///
/// `half` is half the window in pixels. `None` if it wanders off or the window
/// leaves the picture.
pub(super) fn refine(g: &Grey, start: PixelPoint, half: f64) -> Option<PixelPoint> {
    let n = half.round().max(2.0) as i32;
    let fall = 1.0 / (half * half);
    let mut at = start;
    for _ in 0..40 {
        let edge = f64::from(n) + 1.0;
        if at.u < edge
            || at.v < edge
            || at.u > g.width as f64 - 1.0 - edge
            || at.v > g.height as f64 - 1.0 - edge
        {
            return None;
        }
        let (mut a, mut b, mut c, mut p, mut q) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for j in -n..=n {
            for i in -n..=n {
                let (dx, dy) = (f64::from(i), f64::from(j));
                // A disc: a square's own corners would reach the next edge.
                if dx * dx + dy * dy > half * half + 1.0 {
                    continue;
                }
                let (x, y) = (at.u + dx, at.v + dy);
                let gx = 0.5 * f64::from(g.sample(x + 1.0, y) - g.sample(x - 1.0, y));
                let gy = 0.5 * f64::from(g.sample(x, y + 1.0) - g.sample(x, y - 1.0));
                let weight = (-(dx * dx + dy * dy) * fall).exp();
                let (xx, xy, yy) = (weight * gx * gx, weight * gx * gy, weight * gy * gy);
                a += xx;
                b += xy;
                c += yy;
                p += xx * dx + xy * dy;
                q += xy * dx + yy * dy;
            }
        }
        let det = a * c - b * b;
        if det <= 1e-9 * (a + c) * (a + c) || !det.is_finite() {
            return None;
        }
        let (dx, dy) = ((c * p - b * q) / det, (a * q - b * p) / det);
        at.u += dx;
        at.v += dy;
        if (at.u - start.u).hypot(at.v - start.v) > half {
            return None;
        }
        if dx.hypot(dy) < 1e-3 {
            return Some(at);
        }
    }
    Some(at)
}
