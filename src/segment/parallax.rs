//! What obeys the ground plane, and what does not.
//!
//! Each cell of the present picture is looked up in an earlier one under
//! several hypotheses about the height of what it shows: on the ground, some
//! way up, and below (a mirror image in wet ground moves as if it hung under
//! it). The relief of a small window must agree. Plane and parallax: H. Sawhney,
//! "3D geometry from planar parallax", CVPR 1994, doi:10.1109/CVPR.1994.323927;
//! sweeping planes: R. Collins, CVPR 1996, doi:10.1109/CVPR.1996.517097.

use multiversion::multiversion;

use super::motion::{look, Motion, Places};
use super::panorama::{Layout, Panorama};
use super::relief::Filter;

/// Heights tried, in camera heights. At most zero counts as ground.
const LIFTS: [f32; 5] = [0.0, -0.35, 0.15, 0.35, 0.65];
/// How many of [`LIFTS`], from the start, are explained by flat ground.
const FLAT: usize = 2;
/// Half the window over which disagreement is averaged.
const WINDOW: usize = 2;
/// A residual this many deviations off says no more than "wrong".
pub(super) const MOST: f32 = 3.0;
/// Share of the local slope that interpolation may be off by.
const SLOPE_SHARE: f32 = 0.3;
/// Misfit, in usual ones of the row, up to which flat ground is believed in
/// full, and from which it is not.
const FITS: (f32, f32) = (2.0, 4.0);
/// Half the window, and its shift, when ground is looked for in another light,
/// and the misfit up to which it is found.
const RELIT_WINDOW: usize = 1;
const RELIT_SHIFT: usize = 2;
const RELIT_FITS: f32 = 1.6;
/// What is left of evidence that another light would explain too: on a cell of
/// the ground's own colour, and on any other.
const RELIT_SHARE: f32 = 0.1;
const OTHER_SHARE: f32 = 0.7;
/// Appearance ratio below which a cell has the ground's own colour.
const GROUND_COLOUR: f32 = -0.1;
/// On the ground's very own colour, evidence that nothing else explains keeps
/// this share.
const PLAIN_GROUND: f32 = -0.6;
const PLAIN_SHARE: f32 = 0.6;
/// Something stood where there was this much more contrast than is usual; it
/// has gone where less than these shares of that are left.
const STOOD: f32 = 4.0;
const GONE: (f32, f32) = (0.15, 0.5);
/// One over the variance of chroma on relit ground: sky and sun differ in tint.
const TINT: f32 = 0.02;
/// Gamma-coded luma ratio of the deepest cast shadow.
const DARKEST: f32 = 0.27;

/// A panorama as it is compared: local contrast and plain luma.
#[derive(Debug, Clone, Copy)]
pub struct Look<'a> {
    /// Relief.
    pub relief: &'a [f32],
    /// Luma without what is stuck.
    pub luma: &'a [f32],
    /// Luma and chroma.
    pub colour: &'a Panorama,
}

/// One over the variance that each cell's difference has on ground, from `top`
/// row down; 0 where nothing is compared.
pub(super) fn weigh(
    l: &Layout,
    usable: &[bool],
    relief: &[f32],
    noise: f32,
    top: usize,
    weight: &mut Vec<f32>,
) {
    let columns = l.columns;
    weight.clear();
    weight.resize(columns * l.rows, 0.0);
    let slope = SLOPE_SHARE * 0.5;
    for r in top.max(1)..l.rows - 1 {
        for c in 1..columns - 1 {
            let k = r * columns + c;
            if usable[k] {
                let gx = relief[k + 1] - relief[k - 1];
                let gy = relief[k + columns] - relief[k - columns];
                weight[k] = 1.0 / (noise * noise + slope * slope * (gx * gx + gy * gy));
            }
        }
    }
}

/// How far each cell's relief is off, squared, in variances; no more than [`MOST`] deviations.
#[multiversion(targets("x86_64+avx2"))]
fn misfits(now: &[f32], then: &[f32], weight: &[f32], out: &mut [f32]) {
    for (out, ((now, then), weight)) in out.iter_mut().zip(now.iter().zip(then).zip(weight)) {
        let d = now - then;
        *out = (d * d * weight).min(MOST * MOST);
    }
}

/// Scratch and result of the comparison.
#[derive(Debug, Clone, Default)]
pub struct Parallax {
    cost: Vec<f32>,
    flat: Vec<f32>,
    high: Vec<f32>,
    stuck: Vec<f32>,
    relit: Vec<f32>,
    warped: Vec<f32>,
    seen: Vec<bool>,
    relief: Vec<f32>,
    then: Vec<f32>,
    fresh: Vec<f32>,
    tint: Vec<f32>,
    weight: Vec<f32>,
    usual: Vec<f32>,
    row: Vec<f32>,
    sums: [Vec<f32>; 3],
    places: Places,
    /// Log-likelihood ratio of "not ground" over "ground", per cell; 0 where
    /// nothing can be said.
    pub evidence: Vec<f32>,
}

impl Parallax {
    /// Compares `now` with `earlier` under `motion`.
    ///
    /// `noise` is the standard deviation of the relief's difference on ground.
    #[allow(clippy::too_many_arguments)]
    pub fn compare(
        &mut self,
        layout: &Layout,
        usable: &[bool],
        now: Look<'_>,
        earlier: Look<'_>,
        motion: &Motion,
        noise: f32,
        appearance: &[f32],
        filter: &mut Filter,
    ) {
        let (columns, rows) = (layout.columns, layout.rows);
        let cells = columns * rows;
        for v in [
            &mut self.cost,
            &mut self.warped,
            &mut self.then,
            &mut self.tint,
            &mut self.evidence,
        ] {
            v.resize(cells, 0.0);
        }
        for v in [&mut self.flat, &mut self.high, &mut self.relit] {
            v.clear();
            v.resize(cells, f32::MAX);
        }
        weigh(
            layout,
            usable,
            now.relief,
            noise,
            layout.horizon_row,
            &mut self.weight,
        );
        for (n, &lift) in LIFTS.iter().enumerate() {
            self.disagree(layout, now, earlier.luma, lift, motion, filter);
            if lift == 0.0 {
                self.then.clone_from(&self.relief);
            }
            let mean = filter.box_mean(&self.cost, columns, rows, WINDOW);
            let best = if n < FLAT {
                &mut self.flat
            } else {
                &mut self.high
            };
            for (b, &m) in best.iter_mut().zip(mean) {
                *b = b.min(m);
            }
        }
        self.uncovered(columns, rows, now.relief, filter);
        self.relit(layout, now.colour, earlier.colour, motion, filter);
        // What stays in place in the picture moves with the vehicle: its own
        // shadow, its own bumper, dirt on the lens. That is no ground seen to
        // be flat, but no obstacle either.
        misfits(now.relief, earlier.relief, &self.weight, &mut self.cost);
        let mean = filter.box_mean(&self.cost, columns, rows, WINDOW);
        self.stuck.clear();
        self.stuck.extend_from_slice(mean);
        self.settle(columns, rows);
        for (k, &colour) in appearance.iter().enumerate().take(cells) {
            self.evidence[k] = if self.weight[k] > 0.0 {
                let e = self.flat[k] - self.high[k];
                if e <= 0.0 {
                    // What neither fits moves by itself.
                    let off = self.flat[k] / self.usual[k / columns];
                    let fits = (FITS.1 - off) / (FITS.1 - FITS.0);
                    e * fits.clamp(0.0, 1.0)
                } else if self.fresh[k] < 1.0 {
                    self.fresh[k] * e
                } else if self.stuck[k] < self.high[k] {
                    0.0
                } else if self.relit[k] < RELIT_FITS {
                    // Two explanations: the colour decides.
                    let share = if colour < GROUND_COLOUR {
                        RELIT_SHARE
                    } else {
                        OTHER_SHARE
                    };
                    share * e
                } else if colour < PLAIN_GROUND {
                    // Soft shadows that move look so too.
                    PLAIN_SHARE * e
                } else {
                    e
                }
            } else {
                0.0
            };
        }
    }

    /// Misfit of every cell if what it shows stands `lift` camera heights up.
    ///
    /// The earlier picture is warped before its relief is taken: the windows of
    /// the relief would else show more of the surroundings in the one picture
    /// than in the other, since what comes nearer grows.
    fn disagree(
        &mut self,
        layout: &Layout,
        now: Look<'_>,
        earlier: &[f32],
        lift: f32,
        motion: &Motion,
        filter: &mut Filter,
    ) {
        let (columns, rows) = (layout.columns, layout.rows);
        self.seen.clear();
        self.seen.resize(columns * rows, false);
        self.warped.clear();
        self.warped.extend_from_slice(now.luma);
        for r in layout.horizon_row..rows {
            self.places.find(layout, r, lift, motion);
            for (c, (&i, &j)) in self
                .places
                .columns
                .iter()
                .zip(&self.places.rows)
                .enumerate()
            {
                let k = r * columns + c;
                if self.weight[k] == 0.0 {
                    continue;
                }
                if let Some(v) = look(earlier, columns, rows, i, j) {
                    self.warped[k] = v;
                    self.seen[k] = true;
                }
            }
        }
        filter.relief(&self.warped, columns, rows, &mut self.relief);
        misfits(now.relief, &self.relief, &self.weight, &mut self.cost);
        for (cost, seen) in self.cost.iter_mut().zip(&self.seen) {
            // Nothing to compare says neither the one nor the other.
            *cost = if *seen { *cost } else { 1.0 };
        }
    }

    /// What misfit is usual in each row: what comes near is seen finer than it was.
    fn settle(&mut self, columns: usize, rows: usize) {
        self.usual.clear();
        self.usual.resize(rows, 1.0);
        for r in 0..rows {
            self.row.clear();
            let cells = r * columns..(r + 1) * columns;
            let shown = cells.filter(|&k| self.weight[k] > 0.0);
            self.row.extend(shown.map(|k| self.flat[k]));
            if self.row.len() >= 16 {
                let mid = self.row.len() / 2;
                let (_, median, _) = self.row.select_nth_unstable_by(mid, f32::total_cmp);
                self.usual[r] = median.max(1.0);
            }
        }
    }

    /// Where something stood that has gone on, ground is seen again: the earlier
    /// picture shows a detail there that the present one does not. The share of
    /// the evidence that is left goes into `fresh`.
    fn uncovered(&mut self, columns: usize, rows: usize, now: &[f32], filter: &mut Filter) {
        self.fresh.clear();
        self.cost.clear();
        self.cost.extend(now.iter().map(|v| v * v));
        self.fresh
            .extend_from_slice(filter.box_mean(&self.cost, columns, rows, WINDOW));
        self.cost.clear();
        self.cost.extend(self.then.iter().map(|v| v * v));
        let then = filter.box_mean(&self.cost, columns, rows, WINDOW);
        let mut usual: Vec<f32> = then
            .iter()
            .zip(&self.weight)
            .step_by(11)
            .filter(|(_, &w)| w > 0.0)
            .map(|(&v, _)| v)
            .collect();
        if usual.is_empty() {
            return;
        }
        let mid = usual.len() / 2;
        let usual = *usual.select_nth_unstable_by(mid, f32::total_cmp).1;
        for (fresh, &then) in self.fresh.iter_mut().zip(then) {
            let share = *fresh / then.max(1e-3);
            *fresh = if then > STOOD * usual {
                ((share - GONE.0) / (GONE.1 - GONE.0)).clamp(0.0, 1.0)
            } else {
                1.0
            };
        }
    }

    /// Ground in a light that has changed: some small window at the cell, or
    /// just beside it, is the earlier ground times one factor. That explains
    /// a moving shadow and its edge, which the relief alone would not.
    fn relit(
        &mut self,
        layout: &Layout,
        now: &Panorama,
        earlier: &Panorama,
        motion: &Motion,
        filter: &mut Filter,
    ) {
        let (columns, rows) = (layout.columns, layout.rows);
        self.warped.fill(0.0);
        self.tint.fill(0.0);
        for r in layout.horizon_row..rows {
            self.places.find(layout, r, 0.0, motion);
            for (c, (&i, &j)) in self
                .places
                .columns
                .iter()
                .zip(&self.places.rows)
                .enumerate()
            {
                let k = r * columns + c;
                if self.weight[k] == 0.0 {
                    continue;
                }
                let at = |v: &[f32]| look(v, columns, rows, i, j);
                let Some(luma) = at(&earlier.y) else { continue };
                self.warped[k] = luma;
                // Light scales chroma with luma; another thing has its own.
                let factor = now.y[k] / luma.max(1.0);
                let off = |new: f32, old: &[f32]| {
                    (new - 128.0) - factor * (at(old).unwrap_or(128.0) - 128.0)
                };
                let (blue, red) = (off(now.cb[k], &earlier.cb), off(now.cr[k], &earlier.cr));
                let noise = 0.5 * (1.0 + factor * factor);
                self.tint[k] = (TINT * (blue * blue + red * red) / noise - 1.0).clamp(0.0, 4.0);
            }
        }
        let products: [fn(f32, f32) -> f32; 3] = [|a, _| a * a, |a, b| a * b, |_, b| b * b];
        for (sum, product) in self.sums.iter_mut().zip(products) {
            for k in 0..columns * rows {
                // The relief's weight in luma: contrast times brightness.
                let unit = super::relief::UNIT / (now.y[k] + super::relief::FLOOR);
                self.cost[k] = if self.warped[k] > 0.0 {
                    product(now.y[k], self.warped[k]) * self.weight[k] * unit * unit
                } else {
                    0.0
                };
            }
            sum.clear();
            sum.extend_from_slice(filter.box_mean(&self.cost, columns, rows, RELIT_WINDOW));
        }
        let [own, both, other] = &self.sums;
        for (k, m) in self.cost.iter_mut().enumerate() {
            let factor = both[k] / other[k].max(1e-6);
            *m = if other[k] > 0.0 && (DARKEST..=1.0 / DARKEST).contains(&factor) {
                // The earlier picture's noise is scaled along with it.
                let noise = 0.5 * (1.0 + factor * factor);
                (own[k] - factor * both[k]).max(0.0) * 1.25 / noise + self.tint[k]
            } else {
                MOST * MOST
            };
        }
        for r in RELIT_SHIFT..rows - RELIT_SHIFT {
            for c in RELIT_SHIFT..columns - RELIT_SHIFT {
                let k = r * columns + c;
                let m = &self.cost;
                let least = m[k]
                    .min(m[k - RELIT_SHIFT])
                    .min(m[k + RELIT_SHIFT])
                    .min(m[k - RELIT_SHIFT * columns])
                    .min(m[k + RELIT_SHIFT * columns]);
                self.relit[k] = least;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::SmallRng;
    use rand::{Rng, SeedableRng};

    /// Textured ground under a vehicle that has moved by 0.4 m, and one place of it that shows
    /// what is 0.35 camera heights up.
    #[test]
    fn what_is_up_is_told_from_what_lies_flat() {
        let l = Layout::of_hatch();
        let (columns, rows) = (l.columns, l.rows);
        let (cells, mut filter) = (columns * rows, Filter::default());
        let mut rng = SmallRng::seed_from_u64(3);
        let noise: Vec<f32> = (0..cells).map(|_| rng.random_range(60.0..180.0)).collect();
        // Texture of a few cells, so that it can be looked up between them.
        let earlier = filter.box_mean(&noise, columns, rows, 1).to_vec();
        let motion = Motion {
            along: 0.4,
            ..Motion::default()
        };
        let (row, column) = (l.row(2.0) as usize, columns / 2);
        let up = |k: usize| (k / columns).abs_diff(row) <= 6 && (k % columns).abs_diff(column) <= 8;
        let mut now = earlier.clone();
        let mut places = Places::default();
        for r in l.horizon_row..rows {
            for lift in [0.0, 0.35] {
                places.find(&l, r, lift, &motion);
                for c in 0..columns {
                    let k = l.at(c, r);
                    let seen = look(&earlier, columns, rows, places.columns[c], places.rows[c]);
                    if let (Some(v), true) = (seen, up(k) == (lift > 0.0)) {
                        now[k] = v + rng.random_range(-1.0..1.0);
                    }
                }
            }
        }
        let picture = |y: &[f32]| Panorama {
            y: y.to_vec(),
            cb: vec![128.0; cells],
            cr: vec![128.0; cells],
        };
        let pictures = [picture(&now), picture(&earlier)];
        let mut reliefs = [Vec::new(), Vec::new()];
        for (relief, p) in reliefs.iter_mut().zip(&pictures) {
            filter.relief(&p.y, columns, rows, relief);
        }
        let look = |n: usize| Look {
            relief: &reliefs[n],
            luma: &pictures[n].y,
            colour: &pictures[n],
        };
        let mut parallax = Parallax::default();
        let (usable, colour) = (vec![true; cells], vec![0.0; cells]);
        parallax.compare(
            &l,
            &usable,
            look(0),
            look(1),
            &motion,
            4.0,
            &colour,
            &mut filter,
        );
        let at = |r: usize, c: usize| parallax.evidence[l.at(c, r)];
        assert!(at(row, column) > 1.0, "{}", at(row, column));
        let beside: Vec<f32> = (column + 20..column + 40).map(|c| at(row, c)).collect();
        assert!(beside.iter().all(|&e| e < -1.0), "{beside:?}");
    }
}
