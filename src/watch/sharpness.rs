//! Whether the picture still shows detail where it used to.
//!
//! The picture is cut into blocks; each block remembers how much fine detail
//! (mean step from pixel to pixel, along rows or down columns, whichever is more, relative to its
//! brightness) it usually has.
//! A hand, a cloth or snow before the lens, grease and rain take the detail of
//! many blocks at once; what then tells them apart is how many, and whether
//! the blocks' brightness changed too.
//!
//! Ground may have less detail than the ground before it: gravel ends at a smooth
//! floor. Then what is no ground is as sharp as ever (`lasting`), and it lies around
//! what was lost, or the loss came row by row, as a border goes by. What is usual is
//! then learnt anew; else the picture would pass for smeared as long as the vehicle
//! stays on that floor. A smear comes all at once, and takes those edges too.
//!
//! Where all detail is that of joints, leaves or the shadows of a tree, it passes from
//! block to block as the vehicle moves: many have lost it, and as many gained. Then
//! as many blocks are sharp as ever, and nothing lies on the lens.

use std::time::Duration;

use crate::camera::Plane;
use crate::zone::Reason;

use super::lasting::{Edge, Lasting};

pub(super) const ACROSS: usize = 20;
pub(super) const DOWN: usize = 15;
pub(super) const BLOCKS: usize = ACROSS * DOWN;
/// Brightness added before detail is made relative, against dark noise.
pub(super) const FLOOR: f32 = 12.0;
/// Mean step that sensor noise alone makes.
const NOISE: f32 = 0.9;
/// Up to this brightness most of the detail is noise, which light takes away.
const DARK: f32 = 60.0;
/// Blocks with less relative detail than this cannot lose any.
const LEAST_DETAIL: f32 = 0.012;
/// Blocks with so much detail that a picture has at least: even fresh snow has
/// its horizon and the own bumper.
const LEAST_SHOWN: usize = 5;
/// A block has lost its detail below this share of the usual, and has it again
/// above the other.
const LOST: f32 = 0.45;
const BACK: f32 = 0.6;
/// Share of blocks without detail that makes a picture smeared or covered.
const MOST_LOST: f32 = 0.55;
/// Change of brightness of a block that is not mere exposure.
const OTHER_LIGHT: f32 = 0.25;
/// Share of what blocks have lost by which those that are sharp must have become fewer, or their
/// detail less: dirt and smears of staged clips take 0.9 of it, joints and dappled light that go
/// by mostly less than a third. A block's detail counts up to the other.
const FELL: f32 = 0.5;
const MOST_DETAIL: f32 = 0.1;
/// How fast a block's usual detail follows, per second, and how fast it is
/// given up where it is gone but nothing was announced: another kind of ground.
const FOLLOW: f32 = 0.93;
const GIVE_UP: f32 = 0.15;
/// Frames before losses are believed. What is usual at first is the middle of them: one
/// picture alone may be half snow, or torn, and beside it any ground has lost its detail.
const LEARN: usize = 5;

/// Blocks with a lasting edge that are enough to tell by, and the share of them that
/// still has it through a clean lens. Of 76 blocks 72 had it as the ground became
/// smooth, of 50 behind a smear over two thirds of the lens 25.
const LEAST_LASTING: usize = 10;
const MOST_KEPT: f32 = 0.8;
/// Share of lost blocks up to which edges go because the vehicle moves off.
const CALM: f32 = 0.1;
/// Blocks with a sharp edge on each side of what was lost that make a frame about it.
const LEAST_FRAME: usize = 5;
/// A border of the ground goes by in no less than this from the first row to the last;
/// what hits the lens is faster, or hits all rows alike.
const BORDER: Duration = Duration::from_millis(600);
/// Share of the rows, taken in pairs, that it meets in one order less those in the other.
const IN_ORDER: f32 = 0.6;
/// Blocks of a row that must be lost for it to count, and such rows.
const LEAST_IN_ROW: usize = 3;
const LEAST_ROWS: usize = 4;
/// How long it is known when a block lost its detail, once that is usual.
const REMEMBERED: Duration = Duration::from_secs(10);

/// Correlation of the blocks' brightness from which a picture is the same one.
const ALIKE: f32 = 0.7;

/// The middle one of a few values, the lesser of two.
fn middle(values: impl Iterator<Item = f32>) -> f32 {
    let mut sorted = [0.0; LEARN];
    let mut n = 0;
    for (slot, value) in sorted.iter_mut().zip(values) {
        *slot = value;
        n += 1;
    }
    sorted[..n].sort_unstable_by(f32::total_cmp);
    sorted[..n]
        .get(n.saturating_sub(1) / 2)
        .copied()
        .unwrap_or(0.0)
}

/// How many blocks have detail, and how much they have together.
fn sharp(detail: &[f32; BLOCKS]) -> [f32; 2] {
    let (mut blocks, mut sum) = (0.0, 0.0);
    for d in detail.iter().filter(|d| **d >= LEAST_DETAIL) {
        blocks += 1.0;
        sum += d.min(MOST_DETAIL);
    }
    [blocks, sum]
}

/// Correlation of two sets of blocks.
fn alike(a: &[f32; BLOCKS], b: &[f32; BLOCKS]) -> f32 {
    let mean = |v: &[f32; BLOCKS]| v.iter().sum::<f32>() / BLOCKS as f32;
    let (ma, mb) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0f32, 1e-3f32, 1e-3f32);
    for (x, y) in a.iter().zip(b) {
        ab += (x - ma) * (y - mb);
        aa += (x - ma) * (x - ma);
        bb += (y - mb) * (y - mb);
    }
    ab / (aa * bb).sqrt()
}

/// Detail per block, now and usually.
#[derive(Debug, Clone)]
pub(super) struct Sharpness {
    usual: [f32; BLOCKS],
    level: [f32; BLOCKS],
    /// How many blocks are sharp, and how much, usually.
    usually_sharp: [f32; 2],
    detail: [f32; BLOCKS],
    mean: [f32; BLOCKS],
    /// Detail and brightness of the first frames.
    first: Vec<([f32; BLOCKS], [f32; BLOCKS])>,
    announced: bool,
    lasting: Lasting,
    /// Time of all the steps.
    clock: Duration,
    /// Since when a block has been without its detail, also where that is usual by now.
    lost_at: [Option<Duration>; BLOCKS],
}

impl Default for Sharpness {
    fn default() -> Self {
        Sharpness {
            usual: [0.0; BLOCKS],
            level: [0.0; BLOCKS],
            usually_sharp: [0.0; 2],
            detail: [0.0; BLOCKS],
            mean: [0.0; BLOCKS],
            first: Vec::new(),
            announced: false,
            lasting: Lasting::default(),
            clock: Duration::ZERO,
            lost_at: [None; BLOCKS],
        }
    }
}

impl Sharpness {
    /// Judges one luma plane, taken `gap` after the last. `dirt_share` is the share
    /// of blocks that dirt may hide before it is announced.
    pub fn step(&mut self, y: &Plane, dirt_share: f64, gap: Duration) -> Option<Reason> {
        if y.width < ACROSS * 4 || y.height < DOWN * 4 {
            return None;
        }
        self.measure(y);
        let edges = *self.lasting.look(y);
        self.clock += gap;
        let learning = self.first.len() < LEARN;
        if learning {
            self.first.push((self.detail, self.mean));
            for b in 0..BLOCKS {
                self.usual[b] = middle(self.first.iter().map(|f| f.0[b]));
                self.level[b] = middle(self.first.iter().map(|f| f.1[b]));
            }
            for (i, usual) in self.usually_sharp.iter_mut().enumerate() {
                *usual = middle(self.first.iter().map(|f| sharp(&f.0)[i]));
            }
        }
        // Exposure changes all blocks alike: take the middle ratio out.
        let mut ratios: Vec<f32> = (0..BLOCKS)
            .map(|b| (self.mean[b] + FLOOR) / (self.level[b] + FLOOR))
            .collect();
        let gain = *ratios.select_nth_unstable_by(BLOCKS / 2, f32::total_cmp).1;
        let share = if self.announced { BACK } else { LOST };
        let (mut telling, mut lost, mut other) = (0.0f32, 0.0f32, 0.0f32);
        let mut gone = [false; BLOCKS];
        for (b, gone) in gone.iter_mut().enumerate() {
            if self.usual[b] < LEAST_DETAIL {
                continue;
            }
            telling += 1.0;
            if self.detail[b] < share * self.usual[b] {
                *gone = true;
                lost += 1.0;
                let expected = (self.level[b] + FLOOR) * gain;
                let off = (self.mean[b] + FLOOR) / expected - 1.0;
                // Something in the lamps' light has come into the dark: no dirt.
                let lit = off > 0.0 && self.level[b] < DARK;
                other += f32::from(off.abs() > OTHER_LIGHT && !lit);
            }
        }
        self.note_losses(&gone);
        let shows = |(d, e): &(&f32, &Edge)| **d >= LEAST_DETAIL || **e == Edge::Kept;
        let shown = self.detail.iter().zip(&edges).filter(shows).count();
        let sharp = sharp(&self.detail);
        let left = |i: usize| sharp[i] / self.usually_sharp[i].max(1e-6);
        let fell = 1.0 - left(0).min(left(1));
        let finding = if shown < LEAST_SHOWN {
            // Also from the first picture on: what shows nothing at all is not
            // the ground's picture.
            Some(Reason::Covered)
        } else if telling < 0.15 * BLOCKS as f32 || learning || fell < FELL * lost / telling {
            None
        } else if lost / telling > MOST_LOST && self.other_ground(&gone, &edges) {
            for b in (0..BLOCKS).filter(|b| gone[*b]) {
                self.usual[b] = self.detail[b];
                self.level[b] = self.mean[b];
            }
            gone = [false; BLOCKS];
            None
        } else if lost / telling > MOST_LOST {
            // A smear keeps where it is bright and dark, a cover does not.
            if alike(&self.level, &self.mean) < ALIKE {
                Some(Reason::Covered)
            } else {
                Some(Reason::Smeared)
            }
        } else if f64::from(other / telling) > dirt_share {
            Some(Reason::Dirty)
        } else {
            None
        };
        self.announced = finding.is_some();
        if !self.announced {
            self.lasting.learn(gap, lost <= CALM * telling);
        }
        if learning {
            return finding;
        }
        let share = |per_second: f32| 1.0 - (-per_second * gap.as_secs_f32()).exp();
        let (follow, give_up) = (share(FOLLOW), share(GIVE_UP));
        if !self.announced {
            for (usual, now) in self.usually_sharp.iter_mut().zip(sharp) {
                *usual += give_up * (now - *usual);
            }
        }
        for (b, gone) in gone.into_iter().enumerate() {
            if gone {
                if !self.announced {
                    self.usual[b] *= 1.0 - give_up;
                    self.level[b] += give_up * (self.mean[b] - self.level[b]);
                }
            } else {
                self.usual[b] += follow * (self.detail[b] - self.usual[b]);
                self.level[b] += follow * (self.mean[b] - self.level[b]);
            }
        }
        finding
    }

    /// Keeps up since when each block has been without its detail.
    fn note_losses(&mut self, gone: &[bool; BLOCKS]) {
        for (b, at) in self.lost_at.iter_mut().enumerate() {
            let old = |at: Duration| self.clock.saturating_sub(at) > REMEMBERED;
            if gone[b] {
                at.get_or_insert(self.clock);
            } else if self.detail[b] >= LEAST_DETAIL || at.is_some_and(old) {
                *at = None;
            }
        }
    }

    /// Whether what was lost was lost by the ground: all else is as sharp as before, and
    /// lies above and below it, or the loss went over the picture as a border does.
    fn other_ground(&self, gone: &[bool; BLOCKS], edges: &[Edge; BLOCKS]) -> bool {
        let lasting = edges.iter().filter(|e| **e != Edge::None).count();
        let kept = edges.iter().filter(|e| **e == Edge::Kept).count();
        if lasting < LEAST_LASTING || (kept as f32) < MOST_KEPT * lasting as f32 {
            return false;
        }
        // Blocks are in the order of their rows.
        let lost = gone.iter().filter(|g| **g).count();
        let middle = (0..BLOCKS).filter(|b| gone[*b]).nth(lost / 2);
        let above = middle.map_or(0, |m| {
            edges[..m].iter().filter(|e| **e == Edge::Kept).count()
        });
        above >= LEAST_FRAME && kept - above >= LEAST_FRAME || self.border_went_by()
    }

    /// Whether row after row lost its detail, from the far end or from the near one.
    fn border_went_by(&self) -> bool {
        let rows: Vec<Duration> = self
            .lost_at
            .chunks(ACROSS)
            .filter_map(|row| {
                let mut times: Vec<Duration> = row.iter().flatten().copied().collect();
                times.sort_unstable();
                (times.len() >= LEAST_IN_ROW).then(|| times[times.len() / 2])
            })
            .collect();
        let (Some(first), Some(last)) = (rows.iter().min(), rows.iter().max()) else {
            return false;
        };
        if rows.len() < LEAST_ROWS || *last - *first < BORDER {
            return false;
        }
        let (mut downward, mut upward, mut pairs) = (0.0f32, 0.0f32, 0.0f32);
        for (n, row) in rows.iter().enumerate() {
            for below in &rows[n + 1..] {
                pairs += 1.0;
                downward += f32::from(below > row);
                upward += f32::from(below < row);
            }
        }
        (downward - upward).abs() >= IN_ORDER * pairs
    }

    fn measure(&mut self, y: &Plane) {
        let (w, h) = (y.width / ACROSS, y.height / DOWN);
        for j in 0..DOWN {
            for i in 0..ACROSS {
                let (mut steps, mut down, mut sum, mut n) = (0u32, 0u32, 0u32, 0u32);
                for row in (j * h..(j + 1) * h - 1).step_by(2) {
                    let cells = &y.row(row)[i * w..(i + 1) * w];
                    let below = &y.row(row + 1)[i * w..(i + 1) * w];
                    for ((a, b), c) in cells.iter().zip(&cells[1..]).zip(below) {
                        steps += u32::from(a.abs_diff(*b));
                        down += u32::from(a.abs_diff(*c));
                        sum += u32::from(*a);
                        n += 1;
                    }
                }
                let steps = steps.max(down);
                let n = n.max(1) as f32;
                let b = j * ACROSS + i;
                self.mean[b] = sum as f32 / n;
                self.detail[b] = (steps as f32 / n - NOISE).max(0.0) / (self.mean[b] + FLOOR);
            }
        }
    }
}

/// Whether the picture jumps to and fro.
#[derive(Debug, Clone, Default)]
pub(super) struct Steadiness {
    rows: Vec<f32>,
    columns: Vec<f32>,
    jumps: std::collections::VecDeque<(i32, i32)>,
}

/// Widest jump that is looked for, samples.
const WIDEST: i32 = 14;
/// A jump, as a share of the picture's height, and frames looked back.
const JUMP_SHARE: f64 = 0.02;
const LOOK_BACK: usize = 8;
/// Turns to and fro within the frames looked back that make a shake.
const TURNS: usize = 2;

impl Steadiness {
    /// Takes one luma plane in; whether the picture shakes.
    pub fn step(&mut self, y: &Plane) -> bool {
        let rows: Vec<f32> = (0..y.height)
            .map(|r| y.row(r).iter().map(|&v| f32::from(v)).sum::<f32>() / y.width.max(1) as f32)
            .collect();
        let mut columns = vec![0.0f32; y.width];
        for r in (0..y.height).step_by(2) {
            for (c, &v) in columns.iter_mut().zip(y.row(r)) {
                *c += f32::from(v);
            }
        }
        let scale = 2.0 / y.height.max(2) as f32;
        columns.iter_mut().for_each(|c| *c *= scale);
        let jump = (shift(&self.rows, &rows), shift(&self.columns, &columns));
        self.rows = rows;
        self.columns = columns;
        self.jumps.push_back(jump);
        if self.jumps.len() > LOOK_BACK {
            self.jumps.pop_front();
        }
        let least = (JUMP_SHARE * y.height as f64).max(2.0) as i32;
        let turns = |pick: fn(&(i32, i32)) -> i32| {
            let big: Vec<i32> = self
                .jumps
                .iter()
                .map(pick)
                .filter(|j| j.abs() >= least)
                .collect();
            big.windows(2).filter(|w| w[0] * w[1] < 0).count()
        };
        turns(|j| j.0) >= TURNS || turns(|j| j.1) >= TURNS
    }
}

/// By how many samples `new` is `old` moved on; 0 if that cannot be told.
fn shift(old: &[f32], new: &[f32]) -> i32 {
    if old.len() != new.len() || old.len() < 4 * WIDEST as usize {
        return 0;
    }
    let cost = |s: i32| -> f32 {
        let from = WIDEST as usize;
        let to = old.len() - from;
        (from..to)
            .map(|i| (new[i] - old[(i as i32 - s) as usize]).abs())
            .sum()
    };
    let still = cost(0);
    let mut best = (still, 0);
    for s in -WIDEST..=WIDEST {
        let c = cost(s);
        if c < best.0 {
            best = (c, s);
        }
    }
    // Little gained is noise, or ground that moves under a steady picture.
    if best.0 < 0.5 * still {
        best.1
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From one picture to the next, at 15 Hz.
    const GAP: Duration = Duration::from_millis(67);

    /// The bars of a gate lie along the rows, its posts along the columns.
    #[test]
    fn bars_are_detail_whichever_way_they_lie() {
        for level in [true, false] {
            let mut bars = Plane::filled(320, 240, 60);
            for (i, v) in bars.data.iter_mut().enumerate() {
                let (x, y) = (i % 320, i / 320);
                if (if level { y } else { x }) % 8 < 3 {
                    *v = 200;
                }
            }
            let mut s = Sharpness::default();
            s.measure(&bars);
            assert!(s.detail.iter().all(|d| *d > 10.0 * LEAST_DETAIL), "{level}");
        }
        let mut s = Sharpness::default();
        s.measure(&Plane::filled(320, 240, 60));
        assert!(s.detail.iter().all(|d| *d == 0.0));
    }

    fn textured(seed: u32) -> Plane {
        let mut p = Plane::filled(320, 240, 0);
        let mut state = seed.max(1);
        for (i, v) in p.data.iter_mut().enumerate() {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            // Darker toward the top, like sky over a horizon the other way.
            *v = (60 + (i / 320) / 4 + (state as usize % 40)) as u8;
        }
        p
    }

    #[test]
    fn texture_that_moves_is_no_fault() {
        let mut s = Sharpness::default();
        for i in 0..30 {
            assert_eq!(s.step(&textured(i + 1), 0.15, GAP), None);
        }
    }

    /// Texture in bands that go by, a third of the picture; what is between them is plain.
    fn banded(frame: u32) -> Plane {
        let mut p = textured(frame + 1);
        for (i, v) in p.data.iter_mut().enumerate() {
            if (i / 320 + frame as usize) % 60 >= 20 {
                *v = 80;
            }
        }
        p
    }

    /// Joints, leaves or dappled light: most blocks have lost their detail by and by, and
    /// others have it. A smear then is told all the same.
    #[test]
    fn detail_that_passes_from_block_to_block_is_no_fault() {
        let mut s = Sharpness::default();
        for i in 0..120 {
            assert_eq!(s.step(&banded(i), 0.15, GAP), None, "picture {i}");
        }
        let mut smeared = banded(120);
        for line in smeared.data[..320 * 180].chunks_mut(320) {
            let sum: u32 = line.iter().map(|&v| u32::from(v)).sum();
            line.fill((sum / 320) as u8);
        }
        let told = s.step(&smeared, 0.15, GAP);
        assert!(
            matches!(told, Some(Reason::Smeared | Reason::Covered)),
            "{told:?}"
        );
    }

    #[test]
    fn a_cover_is_named_and_goes() {
        let mut s = Sharpness::default();
        for i in 0..20 {
            s.step(&textured(i + 1), 0.15, GAP);
        }
        let cover = Plane::filled(320, 240, 30);
        for _ in 0..50 {
            assert_eq!(s.step(&cover, 0.15, GAP), Some(Reason::Covered));
        }
        assert_eq!(s.step(&textured(99), 0.15, GAP), None);
    }

    /// What a camera over its own bumper sees at 15 Hz: background above row 50, grainy
    /// ground that goes by, and smooth ground from row `from` down to row `to`.
    fn drive(n: u32, from: usize, to: usize, bumper: bool) -> Plane {
        let mut p = textured(n + 1);
        for (row, line) in p.data.chunks_mut(320).enumerate() {
            if row < 50 {
                line.fill(220);
            } else if bumper && row >= 200 {
                line.fill(20);
            } else if (from..to).contains(&row) {
                line.iter_mut().for_each(|v| *v = 100 + *v % 3);
            }
        }
        p
    }

    /// Through grease: a tenth is left of all that differs from a broad average.
    fn greasy(p: &Plane) -> Plane {
        let mut seen = p.clone();
        for (row, line) in seen.data.chunks_mut(320).enumerate() {
            let broad = 180.0 - 0.5 * row as f32;
            for v in line {
                *v = (broad + 0.1 * (f32::from(*v) - broad)) as u8;
            }
        }
        seen
    }

    /// From grainy ground onto a smooth floor, reversing or forward, at many and at few
    /// pictures a second: never a fault, and grease is one before and after.
    #[test]
    fn smooth_ground_after_grainy_is_no_smear() {
        for (step, bumper, forward) in [
            (1, true, false),
            (1, false, false),
            (1, false, true),
            (6, false, false),
        ] {
            let mut s = Sharpness::default();
            // The border takes two seconds to go by.
            let seen = |n: u32| {
                let gone = (n.saturating_sub(30) as usize * 5).min(150);
                let (from, to) = if forward {
                    (200 - gone, 200)
                } else {
                    (50, 50 + gone)
                };
                drive(n, from, if to == 200 { 240 } else { to }, bumper)
            };
            for n in (0..150).step_by(step) {
                let told = s.step(&seen(n), 0.15, GAP * step as u32);
                assert_eq!(told, None, "{step} {bumper} {forward} {n}");
                if n == 30 {
                    let greased = s.clone().step(&greasy(&seen(n)), 0.15, GAP);
                    assert!(greased.is_some(), "{step} {bumper} {forward}");
                }
            }
            let greased = s.step(&greasy(&seen(150)), 0.15, GAP);
            assert!(greased.is_some(), "{step} {bumper} {forward} at the end");
        }
    }

    /// Without the bumper in view, what takes the ground's detail all at once, or that of
    /// all rows alike, hides the lens, though the horizon above it be sharp.
    #[test]
    fn what_comes_over_all_rows_alike_is_a_smear() {
        for over in [0, 30] {
            let mut s = Sharpness::default();
            for n in 0..30 {
                s.step(&drive(n, 0, 0, false), 0.15, GAP);
            }
            let mut told = None;
            for n in 30..100 {
                // From the left.
                let wide = 320 * (n as usize - 29).min(over + 1) / (over + 1);
                let mut p = drive(n, 0, 0, false);
                let smeared = greasy(&p);
                for row in 60..240 {
                    let at = row * 320..row * 320 + wide;
                    p.data[at.clone()].copy_from_slice(&smeared.data[at]);
                }
                told = s.step(&p, 0.15, GAP);
            }
            assert!(told.is_some(), "over {over} pictures");
        }
    }

    /// What comes near slowly, smooth and dark, is not taken for dirt because the
    /// camera gives few pictures.
    #[test]
    fn few_pictures_a_second_tell_the_same_as_many() {
        for rate in [30, 15, 5] {
            let gap = Duration::from_secs(1) / rate;
            let mut s = Sharpness::default();
            for i in 0..6 * rate {
                let mut p = textured(i + 1);
                // The third to the left fades from the second second on.
                let left = (f64::from(i) / f64::from(rate) - 2.0).max(0.0);
                let keep = (-0.5 * left).exp();
                for row in p.data.chunks_mut(320) {
                    for v in &mut row[..100] {
                        *v = (20.0 + keep * (f64::from(*v) - 20.0)) as u8;
                    }
                }
                assert_eq!(s.step(&p, 0.15, gap), None, "{rate} Hz, picture {i}");
            }
        }
    }

    #[test]
    fn half_the_detail_gone_in_dark_patches_is_dirt() {
        let mut s = Sharpness::default();
        for i in 0..20 {
            s.step(&textured(i + 1), 0.15, GAP);
        }
        let mut p = textured(50);
        for row in p.data.chunks_mut(320) {
            row[..100].fill(20);
        }
        assert_eq!(s.step(&p, 0.15, GAP), Some(Reason::Dirty));
    }

    /// Noise in the dark looks like detail; a wall that comes into the lamps' light takes
    /// it away and is no dirt.
    #[test]
    fn what_comes_into_the_light_at_night_is_no_dirt() {
        let night = |seed: u32, wall: bool| {
            let mut p = textured(seed);
            for (row, line) in p.data.chunks_mut(320).enumerate() {
                for (column, v) in line.iter_mut().enumerate().take(100) {
                    let grain = (*v % 20) as i16 - 10;
                    let bricks = 10 * i16::from((column / 8 + row / 4) % 2 == 0);
                    let luma = if wall { 110 + bricks } else { 20 + grain };
                    *v = luma as u8;
                }
            }
            p
        };
        let mut s = Sharpness::default();
        for i in 0..20 {
            s.step(&night(i + 1, false), 0.15, GAP);
        }
        assert_eq!(s.step(&night(50, true), 0.15, GAP), None);
    }

    #[test]
    fn a_picture_that_nods_shakes_and_one_that_pans_does_not() {
        let stripe = |at: usize| {
            let mut p = Plane::filled(320, 240, 90);
            for r in at..240 {
                let start = r * 320;
                p.data[start..start + 320].fill(40);
            }
            p
        };
        let mut s = Steadiness::default();
        let mut shaken = false;
        for i in 0..8 {
            shaken = s.step(&stripe(if i % 2 == 0 { 100 } else { 109 }));
        }
        assert!(shaken);
        let mut s = Steadiness::default();
        for i in 0..12 {
            assert!(!s.step(&stripe(60 + 6 * i)));
        }
    }
}
