//! What moves while the vehicle stands still.
//!
//! A background of each cell is kept while nothing moves. A cell has changed
//! when no small window next to it is the background times one factor: light
//! that comes and goes (cloud, headlamps, a moving shadow and its edge, the
//! exposure control) scales a window, a thing that steps in replaces it.

use super::panorama::Panorama;
use super::relief::Filter;

/// Half the window's side.
const WINDOW: usize = 1;
/// How far the window may be shifted up, down and sideways to lie on one side of a
/// shadow's edge.
const SHIFT: usize = 2;
const SIDE: usize = 3;
/// How fast the background follows, per frame.
const FOLLOW: f32 = 0.05;
/// Misfit of a cell that has changed, and share of such cells that is too much
/// for a thing that has come.
const CHANGED: f32 = 2.3;
const EVERYWHERE: f32 = 0.3;
/// Gamma-coded luma factors that light alone makes, against the whole picture.
const DARKEST: f32 = 0.27;
const BRIGHTEST: f32 = 3.5;

/// The background and its scratch.
#[derive(Debug, Clone, Default)]
pub struct Change {
    mean: Vec<f32>,
    blue: Vec<f32>,
    red: Vec<f32>,
    noise: f32,
    frames: u32,
    product: Vec<f32>,
    square: Vec<f32>,
    own: Vec<f32>,
    misfit: Vec<f32>,
    /// Log-likelihood ratio of "something has come here", per cell.
    pub evidence: Vec<f32>,
}

impl Change {
    /// Forgets the background: the vehicle moved.
    pub fn forget(&mut self) {
        self.frames = 0;
        self.evidence.fill(0.0);
    }

    /// Whether there is a background to compare with.
    pub fn ready(&self) -> bool {
        self.frames >= 3
    }

    /// Compares the picture with the background, then lets the background
    /// follow where nothing has come.
    pub fn step(
        &mut self,
        p: &Panorama,
        usable: &[bool],
        columns: usize,
        rows: usize,
        filter: &mut Filter,
    ) {
        let n = p.y.len();
        self.evidence.resize(n, 0.0);
        if self.frames == 0 || self.mean.len() != n {
            self.mean.clone_from(&p.y);
            self.blue.clone_from(&p.cb);
            self.red.clone_from(&p.cr);
            self.noise = 2.0;
            self.frames = 1;
            self.evidence.fill(0.0);
            return;
        }
        let mut boxed = |of: &mut dyn FnMut(usize) -> f32, into: &mut Vec<f32>| {
            self.own.resize(n, 0.0);
            for (k, o) in self.own.iter_mut().enumerate() {
                *o = of(k);
            }
            into.clear();
            into.extend_from_slice(filter.box_mean(&self.own, columns, rows, WINDOW));
        };
        boxed(&mut |k| p.y[k] * self.mean[k], &mut self.product);
        boxed(&mut |k| self.mean[k] * self.mean[k], &mut self.square);
        let mut own = std::mem::take(&mut self.misfit);
        boxed(&mut |k| p.y[k] * p.y[k], &mut own);
        for (k, own) in own.iter_mut().enumerate() {
            let factor = self.product[k] / self.square[k].max(1.0);
            let left = (*own - factor * self.product[k]).max(0.0);
            let mut misfit = left / (self.noise * self.noise * (1.0 + factor * factor) * 0.5 + 1.0);
            if !(DARKEST..=BRIGHTEST).contains(&factor) {
                misfit += 3.0;
            }
            // Colour that light does not explain: chroma follows luma.
            let blue = (p.cb[k] - 128.0) - factor * (self.blue[k] - 128.0);
            let red = (p.cr[k] - 128.0) - factor * (self.red[k] - 128.0);
            misfit += ((blue * blue + red * red) / 40.0 - 1.0).clamp(0.0, 4.0);
            *own = misfit;
        }
        self.misfit = own;
        let mut sample = Vec::with_capacity(n / 7 + 1);
        for r in SHIFT..rows.saturating_sub(SHIFT) {
            for c in SIDE..columns.saturating_sub(SIDE) {
                let k = r * columns + c;
                let m = &self.misfit;
                let least = m[k]
                    .min(m[k - SIDE])
                    .min(m[k + SIDE])
                    .min(m[k - SHIFT * columns])
                    .min(m[k + SHIFT * columns]);
                self.evidence[k] = if usable[k] && self.ready() {
                    (0.7 * (least - 1.6)).clamp(-1.0, 3.0)
                } else {
                    0.0
                };
                if k.is_multiple_of(7) && usable[k] {
                    sample.push(least);
                }
            }
        }
        // What has come is somewhere; if all has changed, the vehicle moved.
        let changed = sample.iter().filter(|m| **m > CHANGED).count();
        if changed as f32 > EVERYWHERE * sample.len() as f32 && self.ready() {
            self.forget();
            return;
        }
        // Calm places tell the noise: the lower part of all misfits is noise.
        if sample.len() > 20 {
            let q = sample.len() * 2 / 5;
            let (_, low, _) = sample.select_nth_unstable_by(q, f32::total_cmp);
            let wanted = (*low / 0.45).clamp(0.25, 4.0);
            self.noise = (self.noise * wanted.powf(0.15)).clamp(0.8, 12.0);
        }
        for k in 0..n {
            let follow = if self.frames < 4 {
                1.0 / (self.frames as f32 + 1.0)
            } else if self.evidence[k] > 0.0 {
                0.0
            } else {
                FOLLOW
            };
            self.mean[k] += follow * (p.y[k] - self.mean[k]);
            self.blue[k] += follow * (p.cb[k] - self.blue[k]);
            self.red[k] += follow * (p.cr[k] - self.red[k]);
        }
        self.frames = self.frames.saturating_add(1);
    }
}
