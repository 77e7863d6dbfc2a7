//! Where things stand, remembered and carried along with the ground.

use super::motion::fast_atan;
use super::panorama::Layout;
use super::sweep::Sweep;

/// How much of the last sum is kept at each sweep, what a new one counts, and
/// the most that is remembered.
const KEEP: f32 = 0.64;
const FRESH: f32 = 1.8;
const MOST_MEMORY: f32 = 300.0;
/// The most that one sweep says, and what is kept where it shows next to nothing,
/// give or take so many rows, of what is remembered.
const MOST_SWEEP: f32 = 30.0;
const KEEP_REFUTED: f32 = 0.25;
const REFUTED: f32 = 0.1;
const NEAR: usize = 2;
/// A place stands out from the rows this near, and is believed from this sum.
const PEAK: usize = 3;
const LEAST: f32 = 3.6;
/// Distances that are as likely as the best count from this share of its sum.
const PLATEAU: f32 = 0.94;
/// Of what is so many rows high, rows that are seen to be ground are taken off.
const TALL: usize = 10;
const SEEN_FLAT: f32 = -3.3;
/// Broad things may be low: from this sum if the mean over so many columns to
/// both sides reaches that.
const LEAST_IN_BROAD: f32 = 1.2;
const LEAST_BROAD: f32 = 2.1;
const BROAD: usize = 9;
/// What each cell brings: a share of the sum, and no more than this.
const SHARE: f32 = 1.2;
const MOST_EACH: f32 = 2.5;

/// What stands in a column.
#[derive(Debug, Clone, Copy)]
struct Foot {
    /// Row of its foot.
    row: usize,
    /// Row of its top.
    top: usize,
}

/// What stands with its foot in each cell.
#[derive(Debug, Clone, Default)]
pub(super) struct Feet {
    /// Log-likelihood ratio, remembered.
    memory: Vec<f32>,
    /// The same times the height of the top, in camera heights.
    lifted: Vec<f32>,
    scratch: Vec<f32>,
    gain: Vec<f32>,
    broad: Vec<f32>,
    /// Evidence per cell, 0 where nothing stands.
    pub evidence: Vec<f32>,
}

impl Feet {
    /// Nothing stands.
    pub fn forget(&mut self) {
        self.memory.fill(0.0);
        self.lifted.fill(0.0);
    }

    /// Log-likelihood ratio of "something stands with its foot here", per cell.
    pub fn memory(&self) -> &[f32] {
        &self.memory
    }

    /// The memories, to be carried along with the ground.
    pub fn memories(&mut self) -> [&mut Vec<f32>; 2] {
        [&mut self.memory, &mut self.lifted]
    }

    /// Adds what a sweep found; it counts `surely`, 0 to 1.
    pub fn remember(&mut self, l: &Layout, sweep: &Sweep, surely: f32) {
        self.memory.resize(l.columns * l.rows, 0.0);
        self.lifted.resize(l.columns * l.rows, 0.0);
        // One sweep alone says no more than so much, whatever its sum: what
        // moves by itself fits some distance very well, and then another.
        self.gain.clear();
        self.gain.resize(l.columns, 0.0);
        for r in l.horizon_row..l.rows {
            for (g, &score) in self.gain.iter_mut().zip(&sweep.score[l.at(0, r)..]) {
                *g = g.max(score);
            }
        }
        for g in &mut self.gain {
            *g = surely * FRESH * (MOST_SWEEP / g.max(1e-3)).min(1.0);
        }
        for r in l.horizon_row..l.rows {
            let foot = l.row_tangent[r];
            let near = r.saturating_sub(NEAR).max(l.horizon_row)..=(r + NEAR).min(l.rows - 1);
            for c in 0..l.columns {
                let k = l.at(c, r);
                let score = self.gain[c] * sweep.score[k];
                let best = near
                    .clone()
                    .fold(0.0f32, |m, q| m.max(sweep.score[l.at(c, q)]));
                let keep = if self.gain[c] * best < REFUTED * self.memory[k] {
                    KEEP_REFUTED
                } else {
                    KEEP
                };
                self.memory[k] = (keep * self.memory[k] + score).min(MOST_MEMORY);
                self.lifted[k] *= keep;
                if score > 0.0 {
                    let height = 1.0 - l.row_tangent[usize::from(sweep.top[k])] / foot;
                    self.lifted[k] += score * height;
                }
            }
        }
    }

    /// Finds what stands in each column, and the evidence that its cells bring.
    ///
    /// `flatness` is the evidence of height that single windows gave, negative
    /// on ground: what moves by itself seems to stand nearer than it does, but
    /// not on ground that is seen to lie there.
    pub fn find(&mut self, l: &Layout, flatness: &[f32]) {
        self.evidence.clear();
        self.evidence.resize(l.columns * l.rows, 0.0);
        if self.memory.is_empty() {
            return;
        }
        self.support(l);
        for c in 0..l.columns {
            let mut r = l.rows - 1;
            while r > l.horizon_row {
                let Some(foot) = self.foot(l, c, r, flatness) else {
                    r -= 1;
                    continue;
                };
                let each = SHARE * self.memory[l.at(c, r)] / (foot.row - foot.top + 1) as f32;
                for q in foot.top..=foot.row {
                    let e = &mut self.evidence[l.at(c, q)];
                    *e = e.max(each.min(MOST_EACH));
                }
                r = foot.top.saturating_sub(1).clamp(l.horizon_row, r - 1);
            }
        }
    }

    /// What stands with its foot in row `r`, if that stands out.
    fn foot(&self, l: &Layout, c: usize, r: usize, flatness: &[f32]) -> Option<Foot> {
        let k = l.at(c, r);
        let here = self.memory[k];
        let believed = here >= LEAST || here >= LEAST_IN_BROAD && self.broad[k] >= LEAST_BROAD;
        let mut near = r.saturating_sub(PEAK).max(l.horizon_row)..=(r + PEAK).min(l.rows - 1);
        if !believed || !near.all(|q| self.memory[l.at(c, q)] <= here) {
            return None;
        }
        let height = (self.lifted[k] / here).max(0.0);
        let depression = fast_atan(l.row_tangent[r] * (1.0 - height));
        let top = ((depression - l.depression0) / l.depression_step).max(0.0) as usize;
        // A smooth thing looks the same from several distances: what lies
        // before the farthest of them may as well be ground.
        let mut row = r;
        while row > l.horizon_row + 1 && self.memory[l.at(c, row - 1)] >= PLATEAU * here {
            row -= 1;
        }
        let top = top.min(row);
        let least = (top + row) / 2;
        if row - top >= TALL {
            while row > least && flatness[l.at(c, row)] < SEEN_FLAT {
                row -= 1;
            }
        }
        Some(Foot { row, top })
    }

    /// Mean over the neighbours of the best of each, give or take a row.
    fn support(&mut self, l: &Layout) {
        self.broad.clear();
        self.broad.resize(l.columns * l.rows, 0.0);
        self.scratch.resize(l.columns, 0.0);
        let width = 2 * BROAD + 1;
        for r in l.horizon_row..l.rows {
            let (low, high) = (
                r.saturating_sub(1).max(l.horizon_row),
                (r + 1).min(l.rows - 1),
            );
            for c in 0..l.columns {
                self.scratch[c] = (low..=high).fold(0.0f32, |m, q| m.max(self.memory[l.at(c, q)]));
            }
            for (c, window) in self.scratch[..l.columns].windows(width).enumerate() {
                self.broad[l.at(c + BROAD, r)] = window.iter().sum::<f32>() / width as f32;
            }
        }
    }
}
