//! Where, in each direction, the ground ends at the foot of something that stands.
//!
//! A small convolutional net looks at the whole panorama at once, what the cues made of it
//! included, and says for each direction how probable it is that something stands there, where
//! its foot is, and where its top (columns that stand, as those of H. Badino, U. Franke,
//! D. Pfeiffer, DAGM 2009, doi:10.1007/978-3-642-03798-6_6; a net that looks at one column of
//! the picture at a time: D. Levi, N. Garnett, E. Fetaya, "StixelNet", BMVC 2015). It halves
//! its grid three times and goes back up with what the finer grids had seen (O. Ronneberger,
//! P. Fischer, T. Brox, "U-Net", MICCAI 2015, doi:10.1007/978-3-319-24574-4_28).
//! `tests/fit/footline.py` trains it on staged scenes.

use multiversion::multiversion;

use super::footline_weights as w;
use super::ground_model::Stages;
use super::panorama::Layout;

/// The grid: rows of depression from so far above the horizon on, columns of the sine of
/// azimuth, radians and steps.
const ROWS: usize = 72;
const COLUMNS: usize = 96;
const DEPRESSION0: f32 = -0.25;
pub(super) const ROW_RAD: f32 = 0.0225;
const SINE0: f32 = -0.96;
const SINE_STEP: f32 = 0.02;
/// Planes that are cut from the panorama, and all that the net sees.
const CUT: usize = 8;
const PLANES: usize = CUT + 2;
/// Which of them tells whether a cell shows anything.
#[cfg(test)]
const SEEN: usize = 6;
#[cfg(test)]
const CONTRAST: usize = 7;

/// Planes of the layers.
const A: usize = 12;
const B: usize = 16;
const C: usize = 24;
const D: usize = 32;

/// Luma that is noise, and what makes a plane's values about one.
const NOISE_LUMA: f32 = 8.0;
const CHROMA_FLOOR: f32 = 24.0;
const LUMA: f32 = 1.0 / 1.5;
const CHROMA: f32 = 1.0 / 0.2;
const COLOUR: f32 = 1.0 / 2.5;
const HEIGHT: f32 = 1.0 / 4.0;
const UPRIGHT: f32 = 1.0 / 2.0;
/// Distances as logarithms: within these, metres, and by this scale.
const WITHIN_M: (f32, f32) = (0.1, 50.0);
const DISTANCE: f32 = 1.0 / 3.0;
/// The same of local contrast of one.
const MOST_CONTRAST: f32 = 5.55;
/// Cameras that it has learnt stand so high, metres. To one on a pole the world looks as to the
/// highest of them, but smaller.
const LEARNT_M: (f32, f32) = (0.75, 2.45);
/// Rows as near the horizon as this depression are as far off as can be told.
const LEVEL: f32 = 0.02;

/// Values of the planes of a picture, to be trained on.
pub const PLANES_TO_TRAIN_ON: usize = ROWS * COLUMNS * CUT;

/// Directions from the camera's foot point in which feet are told.
pub const DIRECTIONS: usize = COLUMNS;

/// Which of [`DIRECTIONS`] has this sine of azimuth; `None` if it is beside all.
pub fn direction_of(sine: f64) -> Option<usize> {
    let i = ((sine - f64::from(SINE0)) / f64::from(SINE_STEP)).floor();
    (i >= 0.0 && i < DIRECTIONS as f64).then_some(i as usize)
}

/// What is told of one direction.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Foot {
    /// Probability that something stands there, within the watched distance.
    pub probability: f32,
    /// Distance of its foot from the camera's foot point, metres.
    pub distance: f32,
    /// Mean error of the logarithm of that distance.
    pub doubt: f32,
    /// Depression of its top, radians.
    pub top: f32,
}

/// The net with its memory of where cells lie.
#[derive(Debug, Clone)]
pub(super) struct Footline {
    /// Grid cell of each cell of the panorama that shows anything, in order.
    taps: Vec<(u32, u32)>,
    /// Distance of the ground in the middle of each row of the grid, metres.
    distance: Vec<f32>,
    /// Ground distance beyond which nothing is told.
    reach: f32,
    grid: Vec<f32>,
    count: Vec<f32>,
    layers: Layers,
    /// The grid with left and right exchanged, and what the net makes of it.
    mirror: Vec<f32>,
    mirrored: Layers,
    feet: Vec<Foot>,
}

#[derive(Debug, Clone, Default)]
struct Layers {
    a: Vec<f32>,
    b: Vec<f32>,
    c: Vec<f32>,
    d: Vec<f32>,
    e: Vec<f32>,
    f: Vec<f32>,
    odds: Vec<f32>,
    tops: Vec<f32>,
    nothing: Vec<f32>,
}

fn hue(difference: f32, luma: f32) -> f32 {
    (difference - 128.0) / (luma + CHROMA_FLOOR)
}

impl Footline {
    /// For a panorama, and what of it is usable; `reach` is the farthest watched distance from
    /// the camera's foot point, metres.
    pub fn new(l: &Layout, usable: &[bool], reach: f32) -> Footline {
        let place = |first: f32, step: f32, v: f32, of: usize| {
            let i = ((v - first) / step).floor();
            (i >= 0.0 && i < of as f32).then_some(i as usize)
        };
        let mut taps = Vec::new();
        for r in 0..l.rows {
            let depression = l.depression0 + r as f32 * l.depression_step;
            let Some(row) = place(DEPRESSION0, ROW_RAD, depression, ROWS) else {
                continue;
            };
            for c in 0..l.columns {
                let k = l.at(c, r);
                if let (true, Some(column)) = (
                    usable[k],
                    place(SINE0, SINE_STEP, l.direction(c).1, COLUMNS),
                ) {
                    taps.push((k as u32, (row * COLUMNS + column) as u32));
                }
            }
        }
        let mut count = vec![0.0; ROWS * COLUMNS];
        for &(_, cell) in &taps {
            count[cell as usize] += 1.0;
        }
        let distance = (0..ROWS)
            .map(|r| distance(l.height, r as f32 + 0.5))
            .collect();
        Footline {
            taps,
            distance,
            reach,
            grid: places(l.height.clamp(LEARNT_M.0, LEARNT_M.1)),
            count,
            layers: Layers::default(),
            mirror: Vec::new(),
            mirrored: Layers::default(),
            feet: vec![Foot::default(); COLUMNS],
        }
    }

    /// What was told of a column of the panorama in the last picture.
    pub fn foot(&self, l: &Layout, column: usize) -> Foot {
        let i = (l.direction(column).1 - SINE0) / SINE_STEP;
        self.feet[(i.max(0.0) as usize).min(COLUMNS - 1)]
    }

    /// Looks at a picture.
    pub fn step(&mut self, l: &Layout, s: &Stages) {
        self.cut(l, s);
        self.layers.run(&self.grid);
        self.ask_mirrored();
        self.tell(l.height);
    }

    /// Asks the net once more with left and right exchanged, and takes the mean of both log-odds:
    /// what it gets wrong by chance it gets wrong otherwise there.
    fn ask_mirrored(&mut self) {
        self.mirror.clear();
        for row in self.grid.chunks_exact(COLUMNS * PLANES) {
            for cell in row.chunks_exact(PLANES).rev() {
                let (seen, sine) = cell.split_at(PLANES - 1);
                self.mirror.extend_from_slice(seen);
                self.mirror.push(-sine[0]);
            }
        }
        self.mirrored.run(&self.mirror);
        let (own, other) = (&mut self.layers, &self.mirrored);
        for (own, other) in [
            (&mut own.odds, &other.odds),
            (&mut own.tops, &other.tops),
            (&mut own.nothing, &other.nothing),
        ] {
            let rows = own.chunks_exact_mut(COLUMNS);
            for (own, other) in rows.zip(other.chunks_exact(COLUMNS)) {
                for (own, other) in own.iter_mut().zip(other.iter().rev()) {
                    *own = 0.5 * (*own + other);
                }
            }
        }
    }

    /// The planes that are cut from the panorama, each value within -1..1: luma and the two colour
    /// differences against the watched ground, appearance, height, upright edges, whether it shows
    /// anything, local contrast (its logarithm).
    fn cut(&mut self, l: &Layout, s: &Stages) {
        let p = &s.panorama;
        let (mut luma, mut blue, mut red, mut n) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
        for &(k, _) in &self.taps {
            let k = k as usize;
            if l.watched[k] {
                luma += p.y[k];
                blue += hue(p.cb[k], p.y[k]);
                red += hue(p.cr[k], p.y[k]);
                n += 1.0;
            }
        }
        let share = 1.0 / n.max(1.0);
        let (luma, blue, red) = (luma * share + NOISE_LUMA, blue * share, red * share);
        for cell in self.grid.chunks_exact_mut(PLANES) {
            cell[..CUT].fill(0.0);
        }
        for &(k, cell) in &self.taps {
            let k = k as usize;
            let y = p.y[k];
            let values = [
                ((y + NOISE_LUMA) / luma).ln() * LUMA,
                (hue(p.cb[k], y) - blue) * CHROMA,
                (hue(p.cr[k], y) - red) * CHROMA,
                s.appearance[k] * COLOUR,
                s.height[k] * HEIGHT,
                s.upright[k] * UPRIGHT,
                1.0,
                s.relief[k].abs().ln_1p() / MOST_CONTRAST,
            ];
            let at = cell as usize * PLANES;
            for (sum, value) in self.grid[at..at + CUT].iter_mut().zip(values) {
                *sum += value;
            }
        }
        for (cell, &n) in self.grid.chunks_exact_mut(PLANES).zip(&self.count) {
            if n > 0.0 {
                for value in &mut cell[..CUT] {
                    *value = (*value / n).clamp(-1.0, 1.0);
                }
            }
        }
    }

    /// The planes of the last picture in 1/127, to be trained on.
    pub fn planes(&self) -> impl Iterator<Item = i8> + '_ {
        let cut = self.grid.chunks_exact(PLANES).flat_map(|cell| &cell[..CUT]);
        cut.map(|v| (v * 127.0).round() as i8)
    }

    /// From the net's log-odds to feet.
    fn tell(&mut self, height: f32) {
        let by_column = probabilities(&self.layers.odds, Some(&self.layers.nothing));
        let tops = probabilities(&self.layers.tops, None);
        let beyond = self
            .distance
            .iter()
            .take_while(|&&d| d > self.reach)
            .count();
        for (c, foot) in self.feet.iter_mut().enumerate() {
            // Nothing stands in one direction alone.
            let (left, right) = (c.saturating_sub(1), (c + 1).min(COLUMNS - 1));
            let share = |r: usize| {
                let at = |c: usize| by_column[c * ROWS + r];
                0.5 * at(c) + 0.25 * (at(left) + at(right))
            };
            let probability = (beyond..ROWS).map(share).sum::<f32>().min(1.0);
            // From the near end on, until so much of it is nearer.
            let mut rest = NEARER * probability;
            let mut row = beyond as f32;
            for r in (beyond..ROWS).rev() {
                let here = share(r);
                if here >= rest {
                    row = r as f32 + 1.0 - rest / here.max(1e-9);
                    break;
                }
                rest -= here;
            }
            let found = distance(height, row);
            let off = |r: usize| share(r) * (self.distance[r] / found).ln().abs();
            // Half of it is higher.
            let (mut rest, mut top) = (0.5, 0.0);
            for (r, &here) in tops[c * ROWS..(c + 1) * ROWS].iter().enumerate() {
                if here >= rest {
                    top = r as f32 + rest / here;
                    break;
                }
                rest -= here;
            }
            *foot = Foot {
                probability,
                distance: found,
                doubt: (beyond..ROWS).map(off).sum::<f32>() / probability.max(1e-6),
                top: DEPRESSION0 + ROW_RAD * top,
            };
        }
    }
}

/// A grid in which nothing is seen yet: the last planes of each cell tell its distance and its
/// direction.
fn places(height: f32) -> Vec<f32> {
    let mut grid = vec![0.0; ROWS * COLUMNS * PLANES];
    for (i, cell) in grid.chunks_exact_mut(PLANES).enumerate() {
        let (row, column) = ((i / COLUMNS) as f32 + 0.5, (i % COLUMNS) as f32 + 0.5);
        let far = distance(height, row).clamp(WITHIN_M.0, WITHIN_M.1);
        cell[CUT] = far.ln() * DISTANCE;
        cell[CUT + 1] = SINE0 + SINE_STEP * column;
    }
    grid
}

/// Share of the probability that is nearer than the foot that is told: a little less than half,
/// to err to the near side.
const NEARER: f32 = 0.36;

/// Ground distance of a fractional row of the grid, metres.
fn distance(height: f32, row: f32) -> f32 {
    height / (DEPRESSION0 + ROW_RAD * row).max(LEVEL).tan()
}

/// Of each column its rows' probabilities, from log-odds in rows; `nothing` is a further answer.
fn probabilities(odds: &[f32], nothing: Option<&[f32]>) -> Vec<f32> {
    let mut out = vec![0.0; odds.len()];
    for c in 0..COLUMNS {
        let own = || odds[c..].iter().step_by(COLUMNS);
        let none = nothing.map(|n| n[c]);
        let most = own().copied().fold(none.unwrap_or(f32::MIN), f32::max);
        let mut sum = none.map_or(0.0, |n| (n - most).exp());
        let column = &mut out[c * ROWS..(c + 1) * ROWS];
        for (p, o) in column.iter_mut().zip(own()) {
            *p = (o - most).exp();
            sum += *p;
        }
        column.iter_mut().for_each(|p| *p /= sum);
    }
    out
}

impl Layers {
    fn run(&mut self, grid: &[f32]) {
        let (h, v) = (COLUMNS, ROWS);
        convolve::<PLANES, A>(grid, v, h, 2, &w::C1, &w::C1B, &mut self.a);
        convolve::<A, B>(&self.a, v / 2, h / 2, 1, &w::C2, &w::C2B, &mut self.b);
        convolve::<B, C>(&self.b, v / 2, h / 2, 2, &w::C3, &w::C3B, &mut self.c);
        convolve::<C, C>(&self.c, v / 4, h / 4, 1, &w::C4, &w::C4B, &mut self.d);
        convolve::<C, D>(&self.d, v / 4, h / 4, 2, &w::C5, &w::C5B, &mut self.e);
        convolve::<D, D>(&self.e, v / 8, h / 8, 1, &w::C6, &w::C6B, &mut self.f);
        convolve::<D, D>(&self.f, v / 8, h / 8, 1, &w::C9, &w::C9B, &mut self.e);
        convolve::<D, D>(&self.e, v / 8, h / 8, 1, &w::C10, &w::C10B, &mut self.f);
        widen::<D, C>(&self.f, h / 8, &w::U1, &w::U1B, &mut self.d);
        convolve::<C, C>(&self.d, v / 4, h / 4, 1, &w::C7, &w::C7B, &mut self.c);
        convolve::<C, C>(&self.c, v / 4, h / 4, 1, &w::C11, &w::C11B, &mut self.d);
        widen::<C, B>(&self.d, h / 4, &w::U2, &w::U2B, &mut self.b);
        convolve::<B, B>(&self.b, v / 2, h / 2, 1, &w::C8, &w::C8B, &mut self.a);
        self.answer(v / 2, h / 2);
    }

    /// Log-odds of foot and top by row and column, and of nothing by column.
    fn answer(&mut self, rows: usize, columns: usize) {
        for of in [&mut self.odds, &mut self.tops] {
            of.resize(4 * rows * columns, 0.0);
        }
        self.nothing.resize(2 * columns, 0.0);
        let mut pool = vec![0.0f32; 2 * B * columns];
        for (i, cell) in self.a.chunks_exact(B).enumerate() {
            let (r, c) = (i / columns, i % columns);
            let said = linear::<B, 8>(cell, &w::H, &w::HB);
            for part in 0..4 {
                let at = (2 * r + part / 2) * 2 * columns + 2 * c + part % 2;
                (self.odds[at], self.tops[at]) = (said[part], said[4 + part]);
            }
            let (most, mean) = pool[2 * B * c..2 * B * (c + 1)].split_at_mut(B);
            for ((&v, most), mean) in cell.iter().zip(most).zip(mean) {
                *most = most.max(v);
                *mean += v / rows as f32;
            }
        }
        for (pool, nothing) in pool
            .chunks_exact(2 * B)
            .zip(self.nothing.chunks_exact_mut(2))
        {
            nothing.copy_from_slice(&linear::<{ 2 * B }, 2>(pool, &w::N, &w::NB));
        }
    }
}

fn linear<const IN: usize, const OUT: usize>(
    values: &[f32],
    weights: &[f32],
    bias: &[f32; OUT],
) -> [f32; OUT] {
    let mut sums = *bias;
    for (&value, weights) in values[..IN].iter().zip(weights.chunks_exact(OUT)) {
        for (sum, weight) in sums.iter_mut().zip(weights) {
            *sum += value * weight;
        }
    }
    sums
}

/// Windows of 3 × 3 over `IN` planes, every `stride` cells, what is negative to 0. Values of a
/// cell lie side by side, then columns, then rows. Outside the grid is nothing; with a stride of
/// 2 windows reach over its far ends only. The same on every processor, to the bit.
#[multiversion(targets("x86_64+avx2"))]
fn convolve<const IN: usize, const OUT: usize>(
    input: &[f32],
    rows: usize,
    columns: usize,
    stride: usize,
    weights: &[f32],
    bias: &[f32; OUT],
    output: &mut Vec<f32>,
) {
    let before = usize::from(stride == 1);
    output.clear();
    for r in 0..rows / stride {
        for c in 0..columns / stride {
            let mut sums = *bias;
            for (window, weights) in weights.chunks_exact(IN * OUT).enumerate() {
                let (y, x) = (r * stride + window / 3, c * stride + window % 3);
                if y < before || x < before || y - before >= rows || x - before >= columns {
                    continue;
                }
                let cell = ((y - before) * columns + x - before) * IN;
                for (&value, weights) in
                    input[cell..cell + IN].iter().zip(weights.chunks_exact(OUT))
                {
                    for (sum, weight) in sums.iter_mut().zip(weights) {
                        *sum += value * weight;
                    }
                }
            }
            output.extend(sums.map(|s| s.max(0.0)));
        }
    }
}

/// Adds what a grid of half as many rows and columns says to each cell, what is negative to 0.
fn widen<const IN: usize, const OUT: usize>(
    half: &[f32],
    columns: usize,
    weights: &[f32],
    bias: &[f32; OUT],
    fine: &mut [f32],
) {
    for (i, cell) in half.chunks_exact(IN).enumerate() {
        let (r, c) = (i / columns, i % columns);
        let said = linear::<IN, OUT>(cell, weights, bias);
        for part in 0..4 {
            let at = ((2 * r + part / 2) * 2 * columns + 2 * c + part % 2) * OUT;
            for (v, s) in fine[at..at + OUT].iter_mut().zip(said) {
                *v = (*v + s).max(0.0);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::relief::UNIT;
    use super::*;

    fn footline(l: &Layout) -> Footline {
        Footline::new(l, &l.visible, 5.0)
    }

    /// Reference: the same net computed by JAX, for a picture drawn by lot.
    #[test]
    fn the_net_says_what_jax_says() {
        let table = include_str!("../../tests/reference/footline.csv");
        let line = |name: &str| {
            let line = table.lines().find(|l| l.split(',').next() == Some(name));
            let mut numbers = line.unwrap_or_else(|| panic!("{name}")).split(',');
            numbers.next();
            numbers.map(|v| v.parse().unwrap()).collect::<Vec<f32>>()
        };
        let planes = line("planes");
        let (height, planes) = planes.split_first().unwrap();
        assert_eq!(planes.len(), PLANES_TO_TRAIN_ON);
        let mut grid = places(*height);
        for (cell, cut) in grid.chunks_exact_mut(PLANES).zip(planes.chunks_exact(CUT)) {
            for (value, cut) in cell.iter_mut().zip(cut) {
                *value = cut / 127.0;
            }
        }
        let mut net = Layers::default();
        net.run(&grid);
        for c in 0..COLUMNS {
            let odds = line(&format!("odds {c}"));
            let tops = line(&format!("tops {c}"));
            assert_eq!((odds.len(), tops.len()), (ROWS + 1, ROWS));
            let told = (0..ROWS).map(|r| net.odds[r * COLUMNS + c]);
            for (r, (told, odds)) in told.chain([net.nothing[c]]).zip(odds).enumerate() {
                assert!((told - odds).abs() < 0.02, "{r}, {c}: {told}, not {odds}");
            }
            for (r, top) in tops.into_iter().enumerate() {
                let told = net.tops[r * COLUMNS + c];
                assert!((told - top).abs() < 0.02, "{r}, {c}: {told}, not {top}");
            }
        }
    }

    /// Something dark 0.4 m wide and 0.5 m high at 2 m shows where its direction and its
    /// depressions are, and nowhere else.
    #[test]
    fn what_is_seen_is_cut_where_it_is() {
        let l = Layout::of_hatch();
        let cells = l.columns * l.rows;
        let (top, foot) = (l.row_over(2.0, 0.5), l.row(2.0));
        let dark = |k: usize| {
            let (c, r) = (k % l.columns, (k / l.columns) as f32);
            (2.0 * l.direction(c).1).abs() < 0.2 && r >= top && r <= foot
        };
        let mut s = Stages {
            appearance: vec![0.0; cells],
            height: vec![0.0; cells],
            upright: vec![0.0; cells],
            // The ground has 5 % of contrast, and what stands hardly any.
            relief: (0..cells)
                .map(|k| if dark(k) { 0.3 } else { -0.05 * UNIT })
                .collect(),
            ..Stages::default()
        };
        let luma = |k: usize| if dark(k) { 20.0 } else { 120.0 };
        s.panorama.y = (0..cells).map(luma).collect();
        s.panorama.cb = vec![128.0; cells];
        s.panorama.cr = vec![128.0; cells];
        let mut f = footline(&l);
        // What was there before leaves nothing behind.
        for _ in 0..2 {
            f.cut(&l, &s);
        }
        let middle = |r: usize, c: usize| {
            let depression = DEPRESSION0 + ROW_RAD * (r as f32 + 0.5);
            let height = l.height - 2.0 * depression.tan();
            (2.0 * (SINE0 + SINE_STEP * (c as f32 + 0.5)), height)
        };
        let (mut inside, mut outside) = (0, 0);
        for (i, cell) in f.grid.chunks_exact(PLANES).enumerate() {
            let (side, height) = middle(i / COLUMNS, i % COLUMNS);
            if cell[SEEN] == 0.0 {
                assert_eq!(cell[..CUT], [0.0; CUT]);
            } else if side.abs() < 0.15 && (0.08..0.42).contains(&height) {
                assert!(cell[0] < -0.9, "{side} {height}: {cell:?}");
                assert!(cell[CONTRAST] < 0.1, "{side} {height}: {cell:?}");
                inside += 1;
            } else if side.abs() > 0.25 || !(-0.1..0.6).contains(&height) {
                assert!(cell[0].abs() < 0.2, "{side} {height}: {cell:?}");
                let contrast = cell[CONTRAST];
                assert!((0.4..0.6).contains(&contrast), "{side} {height}: {cell:?}");
                outside += 1;
            }
        }
        assert!(inside > 20 && outside > 1000, "{inside}, {outside}");
        assert_eq!(f.planes().count(), PLANES_TO_TRAIN_ON);
    }

    /// The same mount with all lengths five times as large: the net, which knows no such camera,
    /// is shown the highest that it knows.
    #[test]
    fn a_camera_on_a_pole_looks_like_the_highest_that_was_learnt() {
        let mut l = Layout::of_hatch();
        assert_eq!(footline(&l).grid, places(l.height));
        l.height *= 5.0;
        assert_eq!(footline(&l).grid, places(LEARNT_M.1));
    }

    /// What is seen is told the same, mirrored, if left and right are exchanged: by a picture with
    /// values of no symmetry.
    #[test]
    fn left_and_right_are_alike() {
        let l = Layout::of_hatch();
        let mut f = footline(&l);
        let mut told = Vec::new();
        for turned in [false, true] {
            for (i, cell) in f.grid.chunks_exact_mut(PLANES).enumerate() {
                let (row, column) = (i / COLUMNS, i % COLUMNS);
                let column = if turned { COLUMNS - 1 - column } else { column };
                for (plane, value) in cell[..CUT].iter_mut().enumerate() {
                    *value = ((row * 7 + column * column * (3 + plane)) as f32).sin();
                }
            }
            f.layers.run(&f.grid);
            f.ask_mirrored();
            told.push(f.layers.clone());
        }
        for (once, turned) in [
            (&told[0].odds, &told[1].odds),
            (&told[0].tops, &told[1].tops),
            (&told[0].nothing, &told[1].nothing),
        ] {
            assert!(once.iter().any(|v| v.abs() > 0.1));
            for (i, &v) in once.iter().enumerate() {
                let w = turned[i / COLUMNS * COLUMNS + COLUMNS - 1 - i % COLUMNS];
                assert!((v - w).abs() < 1e-3, "{i}: {v}, mirrored {w}");
            }
        }
    }

    /// A net that is sure of one row in some directions, and of nothing in the others.
    #[test]
    fn feet_are_told_where_the_net_is_sure_of_them() {
        let l = Layout::of_hatch();
        let mut f = footline(&l);
        let (row, top) = (45, 30);
        f.layers.odds = vec![0.0; ROWS * COLUMNS];
        f.layers.tops = vec![0.0; ROWS * COLUMNS];
        f.layers.nothing = vec![15.0; COLUMNS];
        for c in 40..50 {
            f.layers.nothing[c] = 0.0;
            f.layers.odds[row * COLUMNS + c] = 15.0;
            f.layers.tops[top * COLUMNS + c] = 15.0;
        }
        f.tell(l.height);
        let within = |r: usize| {
            (
                distance(l.height, r as f32 + 1.0),
                distance(l.height, r as f32),
            )
        };
        let (near, far) = within(row);
        for foot in &f.feet[41..49] {
            assert!(foot.probability > 0.99, "{foot:?}");
            assert!(near <= foot.distance && foot.distance < far, "{foot:?}");
            assert!(foot.doubt < (far / near).ln(), "{foot:?}");
            let top = DEPRESSION0 + ROW_RAD * (top as f32 + 0.5);
            assert!((foot.top - top).abs() < ROW_RAD, "{foot:?}, not {top}");
        }
        assert!(f.feet[..39].iter().all(|f| f.probability < 0.01));
        // As likely here as there: the near one is told, with doubt.
        for c in 40..50 {
            f.layers.odds[(row - 10) * COLUMNS + c] = 15.0;
        }
        f.tell(l.height);
        assert!(f.feet[45].distance < far, "{:?}", f.feet[45]);
        assert!(f.feet[45].doubt > 0.1, "{:?}", f.feet[45]);
        // What is beyond the watched ground is not told.
        f.reach = near;
        f.tell(l.height);
        assert!(f.feet[45].probability < 0.01, "{:?}", f.feet[45]);
    }
}
