//! Texture that is missing.

use super::{GroundModel, MARGIN};

/// A row's ground shows that it is flat below this evidence, and is rough above
/// this relief; a cell is smooth below this share of it. Most that brings.
const SHOWN_FLAT: f32 = -1.2;
const LEAST_ROUGH: f32 = 5.0;
const SMOOTH_SHARE: f32 = 0.6;
const MOST_SMOOTH: f32 = 2.0;
/// Shade hides texture and paint covers it: how bright a smooth cell is against
/// its row.
const SMOOTH_LIGHT: (f32, f32) = (0.6, 1.35);
/// Parallax evidence of ground that is seen to be ground, and cells of it.
const GROUNDED: f32 = -0.8;
const GROUNDED_CELLS: u32 = 4;

impl GroundModel {
    /// Where the ground of a row shows texture that lies flat, a place of the
    /// ground's own colour without that texture is something else: a smooth
    /// post of the ground's grey shows itself in no other way.
    pub(super) fn judge_smoothness(&mut self) {
        let l = &self.layout;
        let (columns, rows) = (l.columns, l.rows);
        let s = &mut self.stages;
        s.smooth.resize(self.memory.len(), 0.0);
        s.smooth.fill(0.0);
        self.absolute.clear();
        self.absolute.extend(s.relief.iter().map(|v| v.abs()));
        let energy = self.filter.box_mean(&self.absolute, columns, rows, 1);
        let mut flatness = Vec::with_capacity(columns);
        let mut texture = Vec::with_capacity(columns);
        let mut light = Vec::with_capacity(columns);
        for r in l.horizon_row..rows {
            light.clear();
            flatness.clear();
            texture.clear();
            let (first, last) = self.extent[r];
            let row = r * columns + (first + MARGIN).min(columns)
                ..r * columns
                    + (last + 1)
                        .saturating_sub(MARGIN)
                        .max((first + MARGIN).min(columns));
            for (k, &energy) in row.clone().zip(&energy[row.clone()]) {
                if self.usable[k] && l.watched[k] {
                    flatness.push(self.memory[k]);
                    texture.push(energy);
                    light.push(s.panorama.y[k]);
                }
            }
            if flatness.len() < 16 {
                continue;
            }
            let mid = flatness.len() / 2;
            let usual = *flatness.select_nth_unstable_by(mid, f32::total_cmp).1;
            let rough = *texture.select_nth_unstable_by(mid, f32::total_cmp).1;
            let bright = *light.select_nth_unstable_by(mid, f32::total_cmp).1;
            if usual > SHOWN_FLAT || rough < LEAST_ROUGH {
                continue;
            }
            for (k, &energy) in row.clone().zip(&energy[row.clone()]) {
                if energy < SMOOTH_SHARE * rough
                    && !self.own.holds(k)
                    && self.usable[k]
                    && self.memory[k] > 0.5 * usual
                    && s.appearance[k] < 0.0
                    && (SMOOTH_LIGHT.0..SMOOTH_LIGHT.1).contains(&(s.panorama.y[k] / bright))
                {
                    s.smooth[k] = (self.memory[k] - usual).clamp(0.0, MOST_SMOOTH);
                }
            }
        }
    }

    /// Missing texture is only telling behind ground that is seen to be ground:
    /// the own bumper is smooth as well, with nothing before it.
    pub(super) fn ground_smoothness(&mut self) {
        let l = &self.layout;
        for c in 0..l.columns {
            let mut seen = 0;
            for r in (l.horizon_row..l.rows).rev() {
                let k = l.at(c, r);
                if self.memory[k] < GROUNDED {
                    seen += 1;
                } else if seen < GROUNDED_CELLS {
                    self.stages.smooth[k] = 0.0;
                }
            }
        }
    }
}
