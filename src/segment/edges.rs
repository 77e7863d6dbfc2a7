//! Upright edges: what stands has sides, and sides are columns here.
//!
//! In the panorama every vertical line of the world lies in one column, while
//! paint, joints and shadow edges slant through it (unless they point straight
//! at the camera). A cumulative-sum test (E. S. Page, Biometrika 41, 1954) runs
//! up each column over the sideways gradient of one sign and finds stretches
//! too long for the ground's texture.

use super::panorama::Layout;

/// What a row must bring, in deviations, for a stretch to grow.
const DRIFT: f32 = 0.7;
/// One row counts no more than this.
const MOST_PER_ROW: f32 = 1.6;
/// Sum at which a stretch is believed.
pub const BELIEVED: f32 = 11.0;

/// An upright edge: rows `top..=bottom` of a column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Upright {
    /// Column.
    pub column: usize,
    /// Upper row.
    pub top: usize,
    /// Lower row.
    pub bottom: usize,
    /// Sum of the test; at least [`BELIEVED`].
    pub strength: f32,
}

/// Finds upright edges in a relief. `spread` is the standard deviation of the
/// sideways gradient on bare ground.
pub fn uprights(
    layout: &Layout,
    usable: &[bool],
    relief: &[f32],
    spread: f32,
    out: &mut Vec<Upright>,
) {
    out.clear();
    let columns = layout.columns;
    let scale = 1.0 / spread.max(1.0);
    for c in 1..columns - 1 {
        for sign in [1.0f32, -1.0] {
            let mut sum = 0.0f32;
            let mut bottom = 0;
            let mut peak = (0.0f32, 0);
            for r in (0..layout.rows).rev() {
                let k = r * columns + c;
                let gain = if usable[k] {
                    let g = sign * (relief[k + 1] - relief[k - 1]) * scale;
                    g.clamp(-MOST_PER_ROW, MOST_PER_ROW) - DRIFT
                } else {
                    -MOST_PER_ROW
                };
                if sum == 0.0 {
                    bottom = r;
                    peak = (0.0, r);
                }
                sum = (sum + gain).max(0.0);
                if sum > peak.0 {
                    peak = (sum, r);
                }
                let over = sum == 0.0 || r == 0 || sum < peak.0 - 6.0;
                if over {
                    if peak.0 >= BELIEVED {
                        out.push(Upright {
                            column: c,
                            top: peak.1,
                            bottom,
                            strength: peak.0,
                        });
                    }
                    sum = 0.0;
                }
            }
        }
    }
}
