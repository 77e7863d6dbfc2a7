//! Upright edges as evidence.

use super::super::edges::{uprights, BELIEVED};
use super::{GroundModel, MARGIN};

/// How fast the relief in which upright edges are sought follows: ground
/// texture runs through a column and averages out, an upright edge stays.
const LASTING: f32 = 0.3;

impl GroundModel {
    /// Seeks upright edges in what lasts of the relief; learns the spread of
    /// gradients.
    pub(super) fn judge_edges(&mut self) {
        let l = &self.layout;
        if self.lasting.len() != self.stages.relief.len() {
            self.lasting.clone_from(&self.stages.relief);
        }
        for (old, &new) in self.lasting.iter_mut().zip(&self.stages.relief) {
            *old += LASTING * (new - *old);
        }
        let relief = &self.lasting;
        let mut sample: Vec<f32> = Vec::with_capacity(2000);
        for r in (l.horizon_row + 2..l.rows).step_by(3) {
            for c in (1..l.columns - 1).step_by(3) {
                let k = l.at(c, r);
                if self.usable[k] && l.watched[k] {
                    sample.push((relief[k + 1] - relief[k - 1]).abs());
                }
            }
        }
        if sample.len() > 50 {
            let q = sample.len() / 2;
            let median = *sample.select_nth_unstable_by(q, f32::total_cmp).1;
            let spread = (1.4826 * median).max(4.0);
            self.spread += 0.3 * (spread - self.spread);
        }
        uprights(l, &self.usable, relief, self.spread, &mut self.edges);
        let out = &mut self.stages.upright;
        out.resize(relief.len(), 0.0);
        out.fill(0.0);
        for e in &self.edges {
            let value = (0.8 * e.strength / BELIEVED).min(2.0);
            for r in e.top..=e.bottom {
                let (first, last) = self.extent[r];
                for c in e.column - 1..=e.column + 1 {
                    // The ends of the own bumper are upright as well.
                    if c < first + MARGIN || c + MARGIN > last {
                        continue;
                    }
                    let k = r * l.columns + c;
                    out[k] = out[k].max(value);
                }
            }
        }
    }
}
