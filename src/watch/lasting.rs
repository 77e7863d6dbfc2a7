//! Edges that keep their place in the picture while the vehicle moves: its own bumper,
//! the horizon, what stands far off.
//!
//! The ground's own detail says little of the lens: gravel behind grease and a smooth
//! floor behind clean glass show as little. What stays where it was, though the ground
//! goes by, is no ground; if that is as sharp as ever, so is the lens.
//!
//! The step from each pixel to its neighbours is averaged over some seconds. The
//! ground's steps average out, lasting ones stay. How far a picture still has them is
//! its projection on that average, block by block.

use std::time::Duration;

use crate::camera::Plane;

use super::sharpness::{ACROSS, BLOCKS, DOWN, FLOOR};

/// Step of log brightness that makes an edge, once averaged: half of what the edge of
/// a nearly black bumper over ground in shade has.
const EDGE: f32 = 0.06;
/// Share of its usual size that a step must keep when averaged with its sign: coarse
/// gravel that goes by keeps a fifth and seldom half.
const STEADY: f32 = 0.6;
/// Pixels of so much that make a block's edge: half its side.
const LEAST_LONG: u32 = 4;
/// Share of its edge that a block still has that shows it. A tenth is left behind
/// grease; the body's rocking moves the horizon by half a pixel and takes a third.
const KEPT: f32 = 0.5;
/// Time of the average, and the greatest share of one picture in it: with few pictures
/// a second the ground's steps need longer to average out.
const MEMORY: Duration = Duration::from_secs(2);
const MOST_OF_ONE: f32 = 0.05;
/// What is left with each picture of an edge that went while the ground kept its
/// detail: the vehicle moves, and it was one on the ground. Not all is given up at
/// once, for the body rocks.
const LEFT_BEHIND: f32 = 0.7;

/// What has become of a block's lasting edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Edge {
    /// It never had one.
    None,
    Lost,
    Kept,
}

/// Steps to the right and down, of one picture or averaged.
#[derive(Debug, Clone, Default)]
struct Steps {
    right: Vec<f32>,
    down: Vec<f32>,
}

/// The lasting edges of a picture.
#[derive(Debug, Clone)]
pub(super) struct Lasting {
    width: usize,
    height: usize,
    /// Log brightness of the sum of four pixels.
    log: Vec<f32>,
    logs: Vec<f32>,
    now: Steps,
    usual: Steps,
    /// Average of their sizes.
    size: Steps,
    edges: [Edge; BLOCKS],
}

impl Default for Lasting {
    fn default() -> Self {
        Lasting {
            width: 0,
            height: 0,
            log: (0..=4 * 255)
                .map(|four| (four as f32 / 4.0 + FLOOR).ln())
                .collect(),
            logs: Vec::new(),
            now: Steps::default(),
            usual: Steps::default(),
            size: Steps::default(),
            edges: [Edge::None; BLOCKS],
        }
    }
}

impl Lasting {
    /// Compares a picture with what lasts. It teaches nothing yet: see `learn`.
    pub fn look(&mut self, y: &Plane) -> &[Edge; BLOCKS] {
        let (w, h) = (y.width / 2, y.height / 2);
        (self.width, self.height) = (w, h);
        self.halve(y, w, h);
        for steps in [&mut self.now.right, &mut self.now.down] {
            steps.clear();
            steps.resize(w * h, 0.0);
        }
        for row in 0..h {
            let line = &self.logs[row * w..(row + 1) * w];
            let right = &mut self.now.right[row * w..(row + 1) * w];
            for (step, pair) in right.iter_mut().zip(line.windows(2)) {
                *step = pair[1] - pair[0];
            }
            if row + 1 < h {
                let below = &self.logs[(row + 1) * w..(row + 2) * w];
                let down = &mut self.now.down[row * w..(row + 1) * w];
                for (step, (a, b)) in down.iter_mut().zip(line.iter().zip(below)) {
                    *step = b - a;
                }
            }
        }
        if self.usual.right.len() != w * h {
            self.usual = self.now.clone();
            self.size = self.now.clone();
            for size in [&mut self.size.right, &mut self.size.down] {
                size.iter_mut().for_each(|s| *s = s.abs());
            }
        }
        let (across, down) = (w / ACROSS, h / DOWN);
        for (b, edge) in self.edges.iter_mut().enumerate() {
            let (top, left) = (b / ACROSS * down, b % ACROSS * across);
            let (mut all, mut left_of_it, mut long) = (0.0f32, 0.0f32, 0u32);
            for row in top..top + down {
                let cells = row * w + left..row * w + left + across;
                for (usual, size, now) in [
                    (&self.usual.right, &self.size.right, &self.now.right),
                    (&self.usual.down, &self.size.down, &self.now.down),
                ] {
                    let usual = usual[cells.clone()].iter().zip(&size[cells.clone()]);
                    for ((u, s), n) in usual.zip(&now[cells.clone()]) {
                        if u.abs() > EDGE.max(STEADY * s) {
                            all += u * u;
                            left_of_it += u * n;
                            long += 1;
                        }
                    }
                }
            }
            *edge = if long < LEAST_LONG {
                Edge::None
            } else if left_of_it < KEPT * all {
                Edge::Lost
            } else {
                Edge::Kept
            };
        }
        &self.edges
    }

    /// Takes the picture looked at last into the average, `gap` after the one before it.
    /// `calm` is whether the ground keeps its detail.
    pub fn learn(&mut self, gap: Duration, calm: bool) {
        let share = 1.0 - (-gap.as_secs_f32() / MEMORY.as_secs_f32()).exp();
        let share = share.min(MOST_OF_ONE);
        for (usual, size, now) in [
            (&mut self.usual.right, &mut self.size.right, &self.now.right),
            (&mut self.usual.down, &mut self.size.down, &self.now.down),
        ] {
            for ((u, s), n) in usual.iter_mut().zip(size).zip(now) {
                *u += share * (n - *u);
                *s += share * (n.abs() - *s);
            }
        }
        if !calm {
            return;
        }
        let (across, down) = (self.width / ACROSS, self.height / DOWN);
        for b in (0..BLOCKS).filter(|b| self.edges[*b] == Edge::Lost) {
            let (top, left) = (b / ACROSS * down, b % ACROSS * across);
            for row in top..top + down {
                let cells = row * self.width + left..row * self.width + left + across;
                for usual in [&mut self.usual.right, &mut self.usual.down] {
                    usual[cells.clone()]
                        .iter_mut()
                        .for_each(|u| *u *= LEFT_BEHIND);
                }
            }
        }
    }

    /// Log brightness at half the size, so that a step is relative to the light.
    fn halve(&mut self, y: &Plane, w: usize, h: usize) {
        self.logs.clear();
        for row in 0..h {
            let (upper, lower) = (y.row(2 * row), y.row(2 * row + 1));
            let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
            self.logs.extend(pairs.take(w).map(|(a, b)| {
                self.log[[a[0], a[1], b[0], b[1]]
                    .map(usize::from)
                    .iter()
                    .sum::<usize>()]
            }));
        }
    }
}
