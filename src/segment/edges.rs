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
/// A step counts no more than so many deviations where the lower end is sought.
const MOST_STEP: f32 = 8.0;
/// How many columns beside an edge its flanks are.
const FLANK: usize = 2;
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
    /// Mean step sideways, in deviations.
    step: f32,
    /// Whether it is brighter to the right.
    rising: bool,
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
                        let step = |r: usize| {
                            let k = r * columns + c;
                            sign * (relief[k + 1] - relief[k - 1]) * scale
                        };
                        let (bottom, step) = lower_end(peak.1, bottom, step);
                        out.push(Upright {
                            column: c,
                            top: peak.1,
                            bottom,
                            strength: peak.0,
                            step,
                            rising: sign > 0.0,
                        });
                    }
                    sum = 0.0;
                }
            }
        }
    }
    share_lower_ends(out);
}

/// Beside an edge its fainter flanks run on into the texture: a flank ends where
/// the edge does.
fn share_lower_ends(edges: &mut [Upright]) {
    for i in 0..edges.len() {
        let e = edges[i];
        let beside = edges[..i]
            .iter()
            .rev()
            .take_while(|f| f.column + FLANK >= e.column)
            .chain(
                edges[i + 1..]
                    .iter()
                    .take_while(|f| f.column <= e.column + FLANK),
            );
        let end = beside
            .filter(|f| {
                f.rising == e.rising && f.step > e.step && f.top <= e.bottom && e.top <= f.bottom
            })
            .map(|f| f.bottom)
            .max();
        if let Some(end) = end.filter(|&end| end > e.top) {
            edges[i].bottom = e.bottom.min(end);
        }
    }
}

/// Where a stretch begins that is as strong as its rows `top..=bottom` are on
/// average: texture that happens to have the same sign below its lower end is no
/// part of it. The test for a change by a known amount subtracts half of it. Also
/// gives the mean step.
fn lower_end(top: usize, bottom: usize, step: impl Fn(usize) -> f32) -> (usize, f32) {
    let clipped = |r: usize| step(r).clamp(-MOST_STEP, MOST_STEP);
    let mean = (top..=bottom).map(clipped).sum::<f32>() / (bottom - top + 1) as f32;
    let (mut sum, mut least, mut end) = (0.0f32, 0.0f32, bottom);
    for r in (top + 1..=bottom).rev() {
        sum += clipped(r) - 0.5 * mean;
        if sum < least {
            (least, end) = (sum, r - 1);
        }
    }
    (end, mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texture_below_an_edge_is_no_part_of_it() {
        // From the top: an edge of eight rows, then noise, most of it of the same
        // sign.
        let rows = [
            5.0, 6.0, 5.5, 4.0, 5.0, 6.0, 5.0, 4.5, 1.2, -0.3, 1.4, 0.9, 1.5,
        ];
        assert_eq!(lower_end(0, 12, |r| rows[r]).0, 7);
        // A weak edge goes on as long as it is itself.
        let rows = [1.2, 0.6, 1.4, 0.9, 1.1, 0.7, 1.3, 1.0];
        assert_eq!(lower_end(0, 7, |r| rows[r]).0, 7);
    }
}
