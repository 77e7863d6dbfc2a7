//! What stands, place by place: a sweep of upright columns.
//!
//! A thing that stands at one distance moves through the picture all of a
//! piece: with the ground at its foot, and above it by the same ratio of
//! distances. The cells of a column are looked up in an earlier panorama as if
//! they stood at one distance after another, and the misfit is compared, cell
//! by cell, with what else would explain them: flat ground, a mirror image
//! under it, and above the horizon what is far away. The sum over a column that
//! stands is large even where each cell says little: thin, low and dim things
//! show. To describe a scene by the distance at which each column stands is the
//! idea of H. Badino, U. Franke, D. Pfeiffer, "The Stixel World", DAGM 2009,
//! doi:10.1007/978-3-642-03798-6_6; here one camera's motion gives it.

use std::ops::Range;

use super::motion::{between, fast_atan, split, Motion};
use super::panorama::Layout;
use super::parallax::{weigh, Flat, MOST};
use super::relief::{Filter, RADIUS};

/// From one distance that is tried to the next.
const STEP: f32 = 1.08;
/// Log-likelihood per unit of misfit, texture being correlated, and what a cell
/// costs a column that claims it. A column's sum ends this far below its peak.
const SCALE: f32 = 0.35;
const CLAIM: f32 = 0.10;
const FALL: f32 = 4.0;
/// Half the window over which misfit is averaged, and how far the windows of
/// the comparison reach in all.
const WINDOW: usize = 1;
const REACH: usize = RADIUS + WINDOW;
/// The usual misfit of a row is learnt at these rates, falling and rising.
const FALLS: f32 = 0.3;
const RISES: f32 = 0.05;
/// Misfit of what stands, in usual ones, at the very best; what a column may
/// bring at least to be examined.
const BEST_FIT: f32 = 0.8;
const PROMISING: f32 = 3.0;
/// How many rows behind the watched ground feet are looked for as well: what
/// stands there would else seem to stand at its end.
const BEHIND: usize = 8;
/// Rows that are looked at first of what may stand: of a drive on joints and asphalt most sums
/// end within twelve, and a window looks at eight more.
const BAND: usize = 18;
/// Distances in camera heights: of what is far away, and of what wet ground may
/// mirror, which explains a cell only if it does so better by this much.
const BEYOND: [f32; 3] = [8.0, 14.0, 40.0];
const MIRRORED: [f32; 3] = [2.5, 5.0, 12.0];
const MIRROR_PRICE: f32 = 0.3;
/// A picture that is older still must explain a cell so much better.
const OLDER_PRICE: f32 = 0.4;

/// Scratch and result of the sweep.
#[derive(Debug, Clone, Default)]
pub(super) struct Sweep {
    weight: Vec<f32>,
    other: Vec<f32>,
    usual: Vec<f32>,
    row: Vec<f32>,
    piece: Piece,
    sums: Vec<Sum>,
    /// Log-likelihood ratio of "something stands with its foot here".
    pub score: Vec<f32>,
    /// Row of the top of what stands with its foot here.
    pub top: Vec<u16>,
}

/// A part of the panorama as it should look if it stood at one distance.
#[derive(Debug, Clone, Default)]
struct Piece {
    columns: Range<usize>,
    rows: Range<usize>,
    lines: Vec<Line>,
    row: Vec<f32>,
    warped: Vec<f32>,
    seen: Vec<bool>,
    relief: Vec<f32>,
    cost: Vec<f32>,
    misfit: Vec<f32>,
}

/// How far the sum up a column has come: what it is, what it was at most and in which row.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    sum: f32,
    peak: f32,
    top: usize,
}

impl Sum {
    /// Whether it has ended.
    fn over(&self) -> bool {
        self.sum < self.peak - FALL
    }
}

/// Adds a column to the spans before it; those that windows would look at twice are one.
fn join(spans: &mut Vec<Range<usize>>, c: usize) {
    match spans.last_mut() {
        Some(last) if c <= last.end + 2 * REACH => last.end = c + 1,
        _ => spans.push(c..c + 1),
    }
}

/// Where a column that stands was seen: its column with a fraction, if in the picture, and its
/// row by the tangent of its present one, `atan(tangent · ratio) + tilt`.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    column: Option<(usize, f32)>,
    ratio: f32,
    tilt: f32,
}

impl Piece {
    /// Finds [`Line`]s for all columns, if they stand at `distance`.
    fn look_where(&mut self, l: &Layout, distance: f32, motion: &Motion) {
        let (sin, cos) = motion.yaw.sin_cos();
        self.lines.clear();
        self.lines.extend(self.columns.clone().map(|c| {
            let (dx, dy) = l.direction(c);
            let (x, y) = (distance * dx, distance * dy);
            let px = cos * x - sin * y + motion.along;
            let py = sin * x + cos * y + motion.across;
            if px < 1e-3 {
                return Line::default();
            }
            let slope = py / px;
            let inv = 1.0 / (1.0 + slope * slope).sqrt();
            Line {
                column: split((slope * inv - l.sine0) / l.sine_step, l.columns),
                ratio: distance * inv / px,
                tilt: motion.pitch * inv + motion.roll * slope * inv - l.depression0,
            }
        }));
        self.row.clear();
        self.row.resize(self.lines.len(), 0.0);
    }

    fn at(&self, column: usize, row: usize) -> usize {
        (row - self.rows.start) * self.columns.len() + column - self.columns.start
    }
}

/// What a sweep compares.
#[derive(Debug, Clone, Copy)]
pub(super) struct Views<'a> {
    /// Relief of the present picture.
    pub relief: &'a [f32],
    /// Luma of the earlier picture.
    pub earlier: &'a [f32],
    /// What flat ground would show.
    pub flat: &'a Flat,
    /// The same of a picture that is older still, and the motion since.
    pub older: Option<(&'a [f32], &'a Flat, Motion)>,
}

impl Sweep {
    /// Compares two pictures under `motion`; `noise` is the standard deviation
    /// of the relief's difference on ground. Nothing stands where `rim` is not
    /// zero.
    #[allow(clippy::too_many_arguments)]
    pub fn step(
        &mut self,
        l: &Layout,
        usable: &[bool],
        rim: &[f32],
        views: Views<'_>,
        motion: &Motion,
        noise: f32,
        filter: &mut Filter,
    ) {
        weigh(l, usable, views.relief, noise, 0, &mut self.weight);
        self.explain_otherwise(l, views, motion, filter);
        self.settle(l);
        self.score.clear();
        self.score.resize(l.columns * l.rows, 0.0);
        self.top.clear();
        self.top.resize(l.columns * l.rows, 0);
        let last = (l.farthest_row.saturating_sub(BEHIND)).max(l.horizon_row + 1);
        for span in self.promising(l) {
            let mut nearer = l.rows - 1;
            let mut distance = l.distance(nearer as f32 + 0.5);
            while nearer > last {
                distance *= STEP;
                let foot = (l.row(distance) as usize).min(nearer - 1);
                self.climb(l, views, span.clone(), foot, motion, filter);
                for c in span.clone() {
                    self.note(l, rim, c, foot, nearer);
                }
                nearer = foot;
            }
        }
    }

    /// The best sums up the columns of a span from `foot`. Most end soon: looked at a band of rows
    /// after another, and only where they go on.
    fn climb(
        &mut self,
        l: &Layout,
        views: Views<'_>,
        span: Range<usize>,
        foot: usize,
        motion: &Motion,
        filter: &mut Filter,
    ) {
        let distance = l.distance(foot as f32 + 0.5);
        let from = Sum {
            top: foot,
            ..Sum::default()
        };
        self.sums.clear();
        self.sums.resize(l.columns, from);
        let (mut open, mut bottom, mut height) = (vec![span], foot + 1, BAND);
        while bottom > 0 && !open.is_empty() {
            let band = bottom.saturating_sub(height)..bottom;
            let mut next = Vec::new();
            for columns in open {
                let stands = 0..foot + 1;
                self.stand(
                    l,
                    views,
                    &columns,
                    stands,
                    band.clone(),
                    distance,
                    motion,
                    filter,
                );
                for c in columns {
                    if self.sum_up(l, c, band.clone()) {
                        join(&mut next, c);
                    }
                }
            }
            (open, bottom, height) = (next, band.start, 2 * height);
        }
    }

    /// Goes on with the sum up a column, over a band of rows; whether it goes on after that.
    fn sum_up(&mut self, l: &Layout, c: usize, band: Range<usize>) -> bool {
        let s = &mut self.sums[c];
        for r in band.rev() {
            if s.over() {
                break;
            }
            let k = l.at(c, r);
            if self.weight[k] > 0.0 {
                s.sum += SCALE * (self.other[k] - self.piece.misfit[self.piece.at(c, r)]);
            }
            s.sum -= CLAIM;
            if s.sum > s.peak {
                (s.peak, s.top) = (s.sum, r);
            }
        }
        !s.over()
    }

    /// Notes the best sum up a column from `foot`; between it and the nearer foot that was tried
    /// before, sums are interpolated.
    fn note(&mut self, l: &Layout, rim: &[f32], c: usize, foot: usize, nearer: usize) {
        let Sum { peak, top, .. } = self.sums[c];
        let before = self.score[l.at(c, nearer)];
        for r in foot..nearer {
            let k = l.at(c, r);
            // Windows leave traces of rounding.
            if rim[k] < 0.01 {
                let share = (r - foot) as f32 / (nearer - foot) as f32;
                self.score[k] = peak + share * (before - peak);
                self.top[k] = top as u16;
            }
        }
    }

    /// Spans of columns in which so much is not explained otherwise that
    /// something might stand.
    fn promising(&self, l: &Layout) -> Vec<Range<usize>> {
        let mut spans: Vec<Range<usize>> = Vec::new();
        for c in 0..l.columns {
            let (mut sum, mut most) = (0.0f32, 0.0f32);
            for r in (0..l.rows).rev() {
                let k = l.at(c, r);
                if self.weight[k] > 0.0 {
                    sum = (sum + SCALE * (self.other[k] - BEST_FIT) - CLAIM).max(0.0);
                    most = most.max(sum);
                }
            }
            if most >= PROMISING {
                join(&mut spans, c);
            }
        }
        spans
    }

    /// Misfit of the best of the other explanations.
    fn explain_otherwise(
        &mut self,
        l: &Layout,
        views: Views<'_>,
        motion: &Motion,
        filter: &mut Filter,
    ) {
        let (columns, rows) = (l.columns, l.rows);
        let below = l.horizon_row * columns..rows * columns;
        self.other.clear();
        self.other.resize(columns * rows, 1.0);
        self.other[below.clone()].fill(f32::MAX);
        for cost in &views.flat.cost {
            let mean = filter.box_mean(cost, columns, rows, WINDOW);
            for k in below.clone() {
                self.other[k] = self.other[k].min(mean[k]);
            }
        }
        self.other[..below.start].fill(MOST * MOST);
        self.explain_beyond(l, views, motion, 0.0, filter);
        // Where someone stood in the earlier picture who has gone on since, one that is
        // older still shows what is there.
        if let Some((earlier, flat, motion)) = views.older {
            let older = Views {
                earlier,
                flat,
                older: None,
                ..views
            };
            let mean = filter.box_mean(&flat.cost[0], columns, rows, WINDOW);
            for k in below {
                self.other[k] = self.other[k].min(mean[k] + OLDER_PRICE);
            }
            self.explain_beyond(l, older, &motion, OLDER_PRICE, filter);
        }
        // What wet ground mirrors hangs as deep under it as it stands over it.
        for heights in MIRRORED {
            let distance = heights * l.height;
            let part = (l.row(distance) as usize + 1).min(rows)..rows;
            self.stand(
                l,
                views,
                &(0..columns),
                part.clone(),
                part.clone(),
                distance,
                motion,
                filter,
            );
            self.explain(l, part, MIRROR_PRICE);
        }
    }

    /// What is far away, over the horizon.
    fn explain_beyond(
        &mut self,
        l: &Layout,
        views: Views<'_>,
        motion: &Motion,
        price: f32,
        filter: &mut Filter,
    ) {
        for heights in BEYOND {
            let part = 0..l.horizon_row;
            self.stand(
                l,
                views,
                &(0..l.columns),
                part.clone(),
                part.clone(),
                heights * l.height,
                motion,
                filter,
            );
            self.explain(l, part, price);
        }
    }

    fn explain(&mut self, l: &Layout, rows: Range<usize>, price: f32) {
        for r in rows {
            for c in 0..l.columns {
                let k = l.at(c, r);
                let misfit = self.piece.misfit[self.piece.at(c, r)];
                self.other[k] = self.other[k].min(misfit + price);
            }
        }
    }

    /// What comes near is seen finer than it was: there all misfits are larger.
    /// What is usual in a row is learnt, and misfits counted in units of it.
    fn settle(&mut self, l: &Layout) {
        self.usual.resize(l.rows, 1.0);
        for r in 0..l.rows {
            let cells = l.at(0, r)..l.at(0, r + 1);
            self.row.clear();
            self.row.extend(
                cells
                    .clone()
                    .filter(|&k| self.weight[k] > 0.0)
                    .map(|k| self.other[k]),
            );
            if self.row.len() >= 16 {
                let mid = self.row.len() / 2;
                let median = *self.row.select_nth_unstable_by(mid, f32::total_cmp).1;
                let rate = if median < self.usual[r] { FALLS } else { RISES };
                self.usual[r] += rate * (median - self.usual[r]);
            }
            let scale = 1.0 / self.usual[r].max(1.0);
            for k in cells {
                self.other[k] *= scale;
                self.weight[k] *= scale;
            }
        }
    }

    /// Misfit of the part `rows` of the panorama if all from `stands` stands at `distance`, into
    /// `piece`. Around that, windows see flat ground.
    #[allow(clippy::too_many_arguments)]
    fn stand(
        &mut self,
        l: &Layout,
        views: Views<'_>,
        columns: &Range<usize>,
        stands: Range<usize>,
        rows: Range<usize>,
        distance: f32,
        motion: &Motion,
        filter: &mut Filter,
    ) {
        let piece = &mut self.piece;
        piece.columns = columns.start.saturating_sub(REACH)..(columns.end + REACH).min(l.columns);
        piece.rows = rows.start.saturating_sub(REACH)..(rows.end + REACH).min(l.rows);
        let (width, height) = (piece.columns.len(), piece.rows.len());
        piece.warped.clear();
        for r in piece.rows.clone() {
            let from = l.at(piece.columns.start, r);
            piece
                .warped
                .extend_from_slice(&views.flat.luma[from..from + width]);
        }
        piece.seen.clear();
        piece.seen.resize(width * height, false);
        piece.look_where(l, distance, motion);
        let looked_up = piece.rows.start.max(stands.start)..piece.rows.end.min(stands.end);
        for r in looked_up {
            let tangent = l.row_tangent[r];
            for (j, line) in piece.row.iter_mut().zip(&piece.lines) {
                *j = (fast_atan(tangent * line.ratio) + line.tilt) * (1.0 / l.depression_step);
            }
            let from = l.at(piece.columns.start, r);
            let part = piece.at(piece.columns.start, r);
            let part = part..part + width;
            let out = piece.warped[part.clone()]
                .iter_mut()
                .zip(&mut piece.seen[part]);
            let places = piece.lines.iter().zip(&piece.row);
            let weights = &self.weight[from..from + width];
            for (((warped, seen), (line, &j)), &weight) in out.zip(places).zip(weights) {
                if weight == 0.0 {
                    continue;
                }
                let before = (line.column.zip(split(j, l.rows)))
                    .and_then(|(column, row)| between(views.earlier, l.columns, column, row));
                if let Some(v) = before {
                    *warped = v;
                    *seen = true;
                }
            }
        }
        filter.relief(&piece.warped, width, height, &mut piece.relief);
        piece.cost.clear();
        for (n, r) in piece.rows.clone().enumerate() {
            let from = l.at(piece.columns.start, r);
            let (cells, part) = (from..from + width, n * width..(n + 1) * width);
            let now = views.relief[cells.clone()]
                .iter()
                .zip(&self.weight[cells.clone()]);
            let then = piece.relief[part.clone()].iter().zip(&piece.seen[part]);
            let other = &self.other[cells];
            piece.cost.extend(now.zip(then).zip(other).map(
                |(((now, weight), (then, &seen)), &other)| {
                    let d = now - then;
                    let misfit = (d * d * weight).min(MOST * MOST);
                    // Nothing to compare says neither the one nor the other.
                    if seen {
                        misfit
                    } else {
                        other
                    }
                },
            ));
        }
        piece.misfit.clear();
        piece
            .misfit
            .extend_from_slice(filter.box_mean(&piece.cost, width, height, WINDOW));
    }
}

#[cfg(test)]
mod tests {
    use super::super::feet::Feet;
    use super::super::motion::look;
    use super::*;

    /// A value between -1 and 1 for a corner of a grid, by the finalizer of
    /// SplitMix64 (G. Steele, D. Lea, C. Flood, OOPSLA 2014).
    fn corner(i: i64, j: i64, seed: u64) -> f32 {
        let mut z = (i as u64 ^ (j as u64).rotate_left(32)).wrapping_add(seed << 17);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 40) as f32 / (1 << 23) as f32 - 1.0
    }

    /// Spots of so many metres, the same in any view and nowhere repeated: luma
    /// about its mean.
    fn spots(a: f32, b: f32, size: f32, seed: u64) -> f32 {
        let (x, y) = (a / size, b / size);
        let (i, j) = (x.floor(), y.floor());
        let (fx, fy) = (x - i, y - j);
        let at = |di: i64, dj: i64| corner(i as i64 + di, j as i64 + dj, seed);
        let near = at(0, 0) + fx * (at(1, 0) - at(0, 0));
        let far = at(0, 1) + fx * (at(1, 1) - at(0, 1));
        near + fy * (far - near)
    }

    fn texture(a: f32, b: f32, seed: u64) -> f32 {
        128.0 + 40.0 * spots(a, b, 0.09, seed) + 20.0 * spots(a, b, 0.25, seed + 1)
    }

    /// What the camera sees `back` metres before it gets to where it is: ground,
    /// and at `distance`, if given, a board 30 cm wide and 80 cm high.
    fn view(l: &Layout, back: f32, distance: Option<f32>, seed: u64) -> Vec<f32> {
        let mut luma = Vec::with_capacity(l.columns * l.rows);
        for r in 0..l.rows {
            for c in 0..l.columns {
                let (dx, dy) = l.direction(c);
                let board = distance.and_then(|d| {
                    let along = (d + back) / dx.max(1e-3);
                    let (side, high) = (along * dy, l.height - along * l.row_tangent[r]);
                    let hit = side.abs() < 0.15 && (0.0..0.8).contains(&high);
                    hit.then(|| texture(side + 40.0, high, seed))
                });
                luma.push(board.unwrap_or_else(|| {
                    // Far off, where cells are coarser than the spots, they fade.
                    let rho = l.row_distance[r].min(60.0);
                    let (x, y) = (rho * dx - back, rho * dy);
                    let fade = ((4.5 - x.hypot(y)) / 2.0).clamp(0.0, 1.0);
                    128.0 + fade * (texture(x, y, seed) - 128.0)
                }));
            }
        }
        luma
    }

    /// What the earlier view would show if all of it were flat.
    fn as_flat(l: &Layout, relief: &[f32], now: &[f32], earlier: &[f32], moved: f32) -> Flat {
        let motion = reversed(moved);
        let (cells, mut filter) = (l.columns * l.rows, Filter::default());
        let mut luma = now.to_vec();
        let mut seen = vec![false; cells];
        for r in l.horizon_row..l.rows {
            for c in 0..l.columns {
                let (x, y) = l.cell_place(c, r);
                let at = l.before(x, y, 0.0, &motion);
                if let Some(v) = at.and_then(|(i, j)| look(earlier, l.columns, l.rows, i, j)) {
                    luma[l.at(c, r)] = v;
                    seen[l.at(c, r)] = true;
                }
            }
        }
        let (mut warped, mut weight) = (Vec::new(), Vec::new());
        filter.relief(&luma, l.columns, l.rows, &mut warped);
        weigh(l, &vec![true; cells], relief, NOISE, 0, &mut weight);
        let cost: Vec<f32> = (0..cells)
            .map(|k| {
                let d = relief[k] - warped[k];
                if seen[k] {
                    (d * d * weight[k]).min(MOST * MOST)
                } else {
                    1.0
                }
            })
            .collect();
        Flat {
            luma,
            cost: [cost.clone(), cost],
        }
    }

    fn reversed(along: f32) -> Motion {
        Motion {
            along,
            ..Motion::default()
        }
    }

    const NOISE: f32 = 5.0;
    /// How far back the earlier picture was taken, and the one before it.
    const MOVED: f32 = 0.3;
    const MOVED_MORE: f32 = 0.5;

    /// Sweeps the ground with a board at each distance, if any: now, in the earlier
    /// picture, and in one that is older still, if that is asked.
    fn swept(
        l: &Layout,
        now: Option<f32>,
        earlier: Option<f32>,
        older: Option<Option<f32>>,
        seed: u64,
    ) -> Feet {
        let cells = l.columns * l.rows;
        let mut filter = Filter::default();
        let now = view(l, 0.0, now, seed);
        let earlier = view(l, MOVED, earlier, seed);
        let mut relief = Vec::new();
        filter.relief(&now, l.columns, l.rows, &mut relief);
        let flat = as_flat(l, &relief, &now, &earlier, MOVED);
        let older = older.map(|board| {
            let older = view(l, MOVED_MORE, board, seed);
            let flat = as_flat(l, &relief, &now, &older, MOVED_MORE);
            (older, flat)
        });
        let views = Views {
            relief: &relief,
            earlier: &earlier,
            flat: &flat,
            older: (older.as_ref()).map(|(view, flat)| (&view[..], flat, reversed(MOVED_MORE))),
        };
        let (usable, rim) = (vec![true; cells], vec![0.0; cells]);
        let mut sweep = Sweep::default();
        sweep.step(
            l,
            &usable,
            &rim,
            views,
            &reversed(MOVED),
            NOISE,
            &mut filter,
        );
        let mut feet = Feet::default();
        feet.remember(l, &sweep, 1.0);
        feet.find(l, &vec![0.0; cells]);
        feet
    }

    /// Row of the nearest foot in a column.
    fn foot(l: &Layout, feet: &Feet, column: usize) -> Option<usize> {
        let stands = |r: &usize| feet.evidence[l.at(column, *r)] > 0.0;
        (0..l.rows).rev().find(stands)
    }

    fn columns(l: &Layout, feet: &Feet) -> usize {
        let found = |c: &usize| foot(l, feet, *c).is_some();
        (0..l.columns).filter(found).count()
    }

    /// Textures that the tests are tried on.
    const SEEDS: u64 = 12;

    #[test]
    fn a_board_of_the_grounds_own_texture_is_found_where_it_stands() {
        let l = Layout::of_hatch();
        let (mut told, mut right, mut boards) = (0, 0, 0);
        for distance in [1.2, 2.0, 3.0] {
            for seed in 0..SEEDS {
                let board = Some(distance);
                let feet = swept(&l, board, board, Some(board), seed);
                let middle = l.columns / 2 - 2..l.columns / 2 + 3;
                let found: Vec<f32> = middle
                    .filter_map(|c| foot(&l, &feet, c))
                    .map(|row| l.distance(row as f32 + 0.5))
                    .collect();
                boards += usize::from(!found.is_empty());
                told += found.len();
                right += found
                    .iter()
                    .filter(|&at| (at - distance).abs() < 0.15 * distance)
                    .count();
            }
        }
        assert!(boards as u64 == 3 * SEEDS, "{boards} boards were found");
        assert!(100 * right >= 95 * told, "{right} of {told} columns right");
    }

    #[test]
    fn next_to_nothing_is_found_on_flat_ground() {
        let l = Layout::of_hatch();
        let found: usize = (0..SEEDS)
            .map(|seed| columns(&l, &swept(&l, None, None, None, seed)))
            .sum();
        let columns = l.columns * SEEDS as usize;
        assert!(200 * found <= columns, "{found} of {columns} columns");
    }

    #[test]
    fn where_something_has_gone_an_older_picture_shows_the_ground() {
        let l = Layout::of_hatch();
        let found = |older: Option<Option<f32>>| -> usize {
            (0..SEEDS)
                .map(|seed| columns(&l, &swept(&l, None, Some(2.0), older, seed)))
                .sum()
        };
        let (alone, with_older) = (found(None), found(Some(None)));
        assert!(alone > 0, "two pictures alone are not misled: no test");
        assert!(
            4 * with_older <= alone,
            "{with_older} columns left of {alone}"
        );
    }
}
