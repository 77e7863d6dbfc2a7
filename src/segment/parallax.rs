//! What obeys the ground plane, and what does not.
//!
//! Each cell of the present picture is looked up in an earlier one under
//! several hypotheses about the height of what it shows: on the ground, some
//! way up, and below (a mirror image in wet ground moves as if it hung under
//! it). The relief of a small window must agree. Plane and parallax: H. Sawhney,
//! "3D geometry from planar parallax", CVPR 1994, doi:10.1109/CVPR.1994.323927;
//! sweeping planes: R. Collins, CVPR 1996, doi:10.1109/CVPR.1996.517097.

use super::motion::{look, Motion};
use super::panorama::Layout;

/// Heights tried, in camera heights. At most zero counts as ground.
const LIFTS: [f32; 7] = [0.0, -0.35, 0.12, 0.26, 0.45, 0.65, 0.85];
/// How many of [`LIFTS`], from the start, are explained by flat ground.
const FLAT: usize = 2;
/// Half the window over which disagreement is averaged.
const WINDOW: usize = 2;
/// A residual this many deviations off says no more than "wrong".
const MOST: f32 = 3.0;
/// Share of the local slope that interpolation may be off by.
const SLOPE_SHARE: f32 = 0.25;

/// Scratch and result of the comparison.
#[derive(Debug, Clone, Default)]
pub struct Parallax {
    cost: Vec<f32>,
    flat: Vec<f32>,
    high: Vec<f32>,
    /// Log-likelihood ratio of "not ground" over "ground", per cell; 0 where
    /// nothing can be said.
    pub evidence: Vec<f32>,
    /// Mean squared disagreement with flat ground, in variances, per cell.
    pub misfit: Vec<f32>,
}

impl Parallax {
    /// Compares `now` with `earlier` (reliefs) under `motion`.
    ///
    /// `noise` is the standard deviation of the relief's difference on ground.
    pub fn compare(
        &mut self,
        layout: &Layout,
        usable: &[bool],
        now: &[f32],
        earlier: &[f32],
        motion: &Motion,
        noise: f32,
        filter: &mut super::relief::Filter,
    ) {
        let (columns, rows) = (layout.columns, layout.rows);
        let cells = columns * rows;
        self.cost.resize(cells, 0.0);
        self.flat.clear();
        self.flat.resize(cells, f32::MAX);
        self.high.clear();
        self.high.resize(cells, f32::MAX);
        self.evidence.resize(cells, 0.0);
        self.misfit.resize(cells, 0.0);
        let variance = noise * noise;
        for (n, &lift) in LIFTS.iter().enumerate() {
            for r in 0..rows {
                for c in 0..columns {
                    let k = r * columns + c;
                    // Nothing to compare is neither: half of the worst.
                    self.cost[k] = 1.0;
                    if r < layout.horizon_row
                        || r == 0
                        || r + 1 >= rows
                        || c == 0
                        || c + 1 >= columns
                        || !usable[k]
                    {
                        continue;
                    }
                    let (x, y) = layout.place(c, r as f32);
                    let Some(v) = layout
                        .before(x, y, lift, motion)
                        .and_then(|(i, j)| look(earlier, columns, rows, i, j))
                    else {
                        continue;
                    };
                    let gx = now[k + 1] - now[k - 1];
                    let gy = now[k + columns] - now[k - columns];
                    let slope = SLOPE_SHARE * 0.5;
                    let scale = variance + slope * slope * (gx * gx + gy * gy);
                    let d = now[k] - v;
                    self.cost[k] = (d * d / scale).min(MOST * MOST);
                }
            }
            let mean = filter.box_mean(&self.cost, columns, rows, WINDOW);
            let best = if n < FLAT {
                &mut self.flat
            } else {
                &mut self.high
            };
            if n == 0 {
                self.misfit.copy_from_slice(mean);
            }
            for (b, &m) in best.iter_mut().zip(mean) {
                *b = b.min(m);
            }
        }
        for k in 0..cells {
            self.evidence[k] = if usable[k] {
                self.flat[k] - self.high[k]
            } else {
                0.0
            };
        }
    }
}
