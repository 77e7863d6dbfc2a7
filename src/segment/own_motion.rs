//! The vehicle's own motion from picture to picture.
//!
//! The ground is one plane, so its whole movement in the picture follows from
//! a few values. They are sought on the fine relief first; where ground is
//! almost smooth (snow, a garage's floor, lamplight) its texture drowns in the
//! noise of single cells, and the search is repeated on a broad relief.

use std::time::Duration;

use super::motion::{look, Aligner, Estimate, Motion, Slack};
use super::panorama::Layout;
use super::relief::Filter;
use super::seek::seek;

/// By how much the best motion must agree better than motions do on average,
/// and below what the broad relief is asked as well.
const LEAST_DISTINCT: f32 = 0.12;
const CLEAR_DISTINCT: f32 = 0.3;
/// Correlation from which a motion is believed, and how fast speed follows.
pub(super) const TRUSTED: f32 = 0.3;
const FOLLOW: f32 = 0.5;
/// Where two pictures in a row do not tell, one that is at least so many seconds
/// older is asked, among so many; it must agree better by this much. Its weaker
/// detail counts as well: noises of the relief, as a share, that it must exceed.
const LONGER: f32 = 0.25;
const LONGER_MARGIN: f32 = 0.05;
const LONGER_NOISE: f32 = 0.35;
const MOST_PAST: usize = 12;
/// Hardest braking, m/s².
const HARDEST_MPS2: f32 = 5.0;
/// Blocks (across, down) in which the picture's detail votes on rest, contrast
/// that has a vote, how much better one of the two must agree, votes that make
/// a block count, and blocks that it takes to decide; else the slowest speed.
const BLOCKS: (usize, usize) = (6, 4);
const LEAST_DETAIL: f32 = 8.0;
const CLEARLY: f32 = 0.5;
const LEAST_VOTES: i32 = 4;
const LEAST_BLOCKS: i32 = 6;
const SLOWEST_MPS: f32 = 0.08;
/// No votes near an edge as strong as this, in usual contrasts: of the own
/// bumper or of a shadow. Half the window in which one is looked for.
const STRONG: f32 = 6.0;
const LEAST_STRONG: f32 = 25.0;
const HALO: usize = 4;
/// How fast the lasting relief follows, its step along a column from which an
/// edge begins to count as stuck, and how far ground must move meanwhile.
const STUCK_RATE: f32 = 0.12;
const STUCK_DETAIL: f32 = 6.0;
const STUCK_CALM: f32 = 1.2;
const STUCK_FROM: f32 = 0.5;
const STUCK_ROWS: f32 = 0.6;

/// One picture as it is aligned.
#[derive(Debug, Clone, Copy)]
pub struct Sight<'a> {
    /// Local contrast, per cell.
    pub relief: &'a [f32],
    /// Luma, per cell.
    pub luma: &'a [f32],
}

/// Follows the vehicle; keeps its buffers.
#[derive(Debug, Clone)]
pub(super) struct Odometry {
    fine: Aligner,
    coarse: Aligner,
    broad: Vec<f32>,
    broad_before: Vec<f32>,
    broad_earlier: Vec<f32>,
    told: Told,
    /// Broad reliefs of earlier pictures, the last one first, and how old each is.
    past: Vec<(Vec<f32>, f32)>,
    lasting: Vec<f32>,
    unrest: Vec<f32>,
    stuck: Vec<f32>,
    strong: Vec<f32>,
    velocity: Motion,
    measured: Motion,
    estimate: Estimate,
    still_since: Option<Duration>,
}

impl Odometry {
    /// At rest, over `cells` cells.
    pub fn new(cells: usize) -> Self {
        Odometry {
            fine: Aligner::default(),
            coarse: Aligner::default(),
            broad: Vec::new(),
            broad_before: Vec::new(),
            broad_earlier: Vec::new(),
            told: Told::Fine,
            past: Vec::new(),
            lasting: vec![0.0; cells],
            unrest: vec![0.0; cells],
            stuck: vec![0.0; cells],
            strong: Vec::new(),
            velocity: Motion::default(),
            measured: Motion::default(),
            estimate: Estimate::default(),
            still_since: None,
        }
    }

    /// Nothing earlier to go by.
    pub fn begin(&mut self) {
        self.estimate = Estimate::default();
        self.velocity = Motion::default();
        self.measured = Motion::default();
        self.still_since = None;
        self.past.clear();
    }

    /// The motion since the last picture.
    pub fn estimate(&self) -> &Estimate {
        &self.estimate
    }

    /// Motion per second between the last two pictures, or what is expected
    /// of it if they did not tell.
    pub fn measured(&self) -> &Motion {
        &self.measured
    }

    /// Since when the vehicle stands still.
    pub fn still_since(&self) -> Option<Duration> {
        self.still_since
    }

    /// Whether the vehicle is known to move.
    pub fn moves(&self) -> bool {
        self.still_since.is_none() && self.estimate.quality > TRUSTED
    }

    /// How surely each cell's detail moves with the vehicle, 0 to 1.
    pub fn stuck(&self) -> &[f32] {
        &self.stuck
    }

    /// The part of the relief that stays in place while the ground moves.
    pub fn lasting(&self) -> &[f32] {
        &self.lasting
    }

    /// Refines a motion over a longer base with the points that the last step
    /// chose: on the fine relief, or on the broad one if that tells nothing.
    pub fn refine(
        &mut self,
        layout: &Layout,
        earlier: Sight<'_>,
        start: Motion,
        slack: &Slack,
        filter: &mut Filter,
    ) -> Estimate {
        let fine = self
            .fine
            .refine(layout, earlier.relief, start, &start, slack);
        if fine.quality > TRUSTED || matches!(self.told, Told::Fine) {
            return fine;
        }
        filter.broad(
            earlier.luma,
            layout.columns,
            layout.rows,
            &mut self.broad_earlier,
        );
        self.coarse
            .refine(layout, &self.broad_earlier, start, &start, slack)
    }

    /// Estimates the motion between two pictures `dt` seconds apart.
    #[allow(clippy::too_many_arguments)]
    pub fn step(
        &mut self,
        layout: &Layout,
        usable: &[bool],
        now: Sight<'_>,
        before: Sight<'_>,
        ground: &[f32],
        filter: &mut Filter,
        dt: f32,
        time: Duration,
    ) {
        std::mem::swap(&mut self.broad, &mut self.broad_before);
        self.keep_past(dt);
        filter.broad(now.luma, layout.columns, layout.rows, &mut self.broad);
        self.fine
            .choose(layout, usable, now, before.relief, &self.stuck, ground, 1.0);
        let expected = Motion {
            along: self.velocity.along * dt,
            across: self.velocity.across * dt,
            yaw: self.velocity.yaw * dt,
            ..Motion::default()
        };
        // Which pictures told: reliefs of now and before, and how long apart.
        let mut told = Told::Fine;
        let (mut distinct, mut estimate) =
            seek(&mut self.fine, layout, before.relief, &expected, dt);
        if distinct < CLEAR_DISTINCT && self.broad_before.len() == self.broad.len() {
            let broad = Sight {
                relief: &self.broad,
                luma: now.luma,
            };
            self.coarse.choose(
                layout,
                usable,
                broad,
                &self.broad_before,
                &self.stuck,
                ground,
                super::relief::BROAD_NOISE,
            );
            let second = seek(&mut self.coarse, layout, &self.broad_before, &expected, dt);
            if second.0 > distinct {
                (distinct, estimate) = second;
                told = Told::Broad;
            }
        }
        // A picture that agrees as well with any motion says nothing.
        if distinct < LEAST_DISTINCT {
            estimate.quality *= (distinct / LEAST_DISTINCT).max(0.0);
        }
        if distinct < CLEAR_DISTINCT {
            if let Some((longer, age)) =
                self.over_longer(layout, usable, now.luma, ground, &expected, dt)
            {
                if longer.quality > estimate.quality + LONGER_MARGIN {
                    estimate = longer;
                    told = Told::Longer(age);
                }
            }
        }
        self.estimate = estimate;
        self.told = told;
        let (fresh, old, age) = match told {
            Told::Fine => (now.relief, before.relief, dt),
            Told::Broad => (&self.broad[..], &self.broad_before[..], dt),
            Told::Longer(age) => {
                let past = self.past.iter().find(|(_, a)| *a == age);
                (
                    &self.broad[..],
                    past.map_or(&[][..], |(relief, _)| relief),
                    age,
                )
            }
        };
        let motion = self.estimate.motion.times(age / dt);
        let mut strong = std::mem::take(&mut self.strong);
        let rest = self.rests(
            layout,
            usable,
            fresh,
            old,
            &motion,
            filter,
            &mut strong,
            age,
        );
        self.strong = strong;
        // A vehicle has mass: it does not stop dead.
        let rolls =
            self.velocity.along.abs() > HARDEST_MPS2 * dt && self.estimate.quality > TRUSTED;
        if rest && !rolls {
            self.estimate.motion = Motion::default();
            self.velocity = Motion::default();
            self.measured = Motion::default();
            self.still_since.get_or_insert(time);
            return;
        }
        self.still_since = None;
        if self.estimate.quality > TRUSTED {
            self.learn_stuck(layout, now.relief);
            let rate = 1.0 / dt;
            let m = &self.estimate.motion;
            self.measured = Motion {
                along: m.along * rate,
                across: m.across * rate,
                yaw: m.yaw * rate,
                ..Motion::default()
            };
            let v = &mut self.velocity;
            v.along += FOLLOW * (self.measured.along - v.along);
            v.across += FOLLOW * (self.measured.across - v.across);
            v.yaw += FOLLOW * (self.measured.yaw - v.yaw);
        } else {
            self.estimate.motion = expected;
            self.measured = self.velocity;
        }
    }

    /// Keeps the last picture's broad relief for [`Self::over_longer`].
    fn keep_past(&mut self, dt: f32) {
        let mut spare = if self.past.len() >= MOST_PAST {
            self.past
                .pop()
                .map(|(relief, _)| relief)
                .unwrap_or_default()
        } else {
            Vec::new()
        };
        spare.clone_from(&self.broad_before);
        self.past.insert(0, (spare, 0.0));
        for (_, age) in &mut self.past {
            *age += dt;
        }
    }

    /// The motion since the last picture, if the vehicle went on steadily since
    /// an older one: detail that drowns in the noise from picture to picture has
    /// moved on by more.
    fn over_longer(
        &mut self,
        layout: &Layout,
        usable: &[bool],
        luma: &[f32],
        ground: &[f32],
        expected: &Motion,
        dt: f32,
    ) -> Option<(Estimate, f32)> {
        let (relief, age) = self.past.iter().find(|(_, age)| *age >= LONGER)?;
        let age = *age;
        if relief.len() != self.broad.len() {
            return None;
        }
        let broad = Sight {
            relief: &self.broad,
            luma,
        };
        self.coarse.choose(
            layout,
            usable,
            broad,
            relief,
            &self.stuck,
            ground,
            LONGER_NOISE,
        );
        let (on, back) = (age / dt, dt / age);
        let (_, mut estimate) = seek(&mut self.coarse, layout, relief, &expected.times(on), age);
        estimate.motion = estimate.motion.times(back);
        estimate.along_sd *= back;
        Some((estimate, age))
    }

    /// Whether the vehicle stands still. Detail all over the picture votes: it
    /// agrees with the motion found, or with none. Votes are counted by blocks,
    /// for what walks by or the own bumper fills few of them.
    #[allow(clippy::too_many_arguments)]
    fn rests(
        &self,
        l: &Layout,
        usable: &[bool],
        now: &[f32],
        old: &[f32],
        motion: &Motion,
        filter: &mut Filter,
        edges: &mut Vec<f32>,
        dt: f32,
    ) -> bool {
        // The windows of the relief spread a strong edge over its surroundings.
        let mut usual: Vec<f32> = now.iter().step_by(7).map(|v| v.abs()).collect();
        let mid = usual.len() / 2;
        let usual = *usual.select_nth_unstable_by(mid, f32::total_cmp).1;
        let strong = (STRONG * usual).max(LEAST_STRONG);
        edges.clear();
        edges.extend(now.iter().map(|v| f32::from(v.abs() > strong)));
        let halo = filter.box_mean(edges, l.columns, l.rows, HALO);
        let mut votes = [[0i32; 2]; BLOCKS.0 * BLOCKS.1];
        let top = l.horizon_row.max(2);
        for r in (top..l.rows - 2).step_by(3) {
            for c in (2..l.columns - 2).step_by(3) {
                let k = l.at(c, r);
                if !usable[k] || self.stuck[k] > STUCK_FROM || halo[k] > 0.0 {
                    continue;
                }
                let across = (now[k + 1] - now[k - 1]).abs();
                let along = (now[k + l.columns] - now[k - l.columns]).abs();
                let detail = across.max(along);
                if detail < LEAST_DETAIL {
                    continue;
                }
                let stays = (now[k] - old[k]).abs();
                let (x, y) = l.cell_place(c, r);
                let moves = l
                    .before(x, y, 0.0, motion)
                    .and_then(|(i, j)| look(old, l.columns, l.rows, i, j))
                    .map_or(f32::MAX, |v| (now[k] - v).abs());
                let block =
                    (r - top) * BLOCKS.1 / (l.rows - top) * BLOCKS.0 + c * BLOCKS.0 / l.columns;
                // Without any motion both are the same: it stays.
                if stays <= CLEARLY * moves || moves >= stays && stays < CLEARLY * detail {
                    votes[block][0] += 1;
                } else if moves < CLEARLY * stays {
                    votes[block][1] += 1;
                }
            }
        }
        let (mut still, mut moving) = (0, 0);
        for [stay, go] in votes {
            if stay + go >= LEAST_VOTES {
                still += i32::from(stay > go);
                moving += i32::from(go > stay);
            }
        }
        tracing::debug!(still, moving, "blocks");
        if still + moving >= LEAST_BLOCKS {
            return 2 * moving < still;
        }
        // Hardly anything to see: whether the little that there is moves.
        self.estimate.quality < TRUSTED || motion.along.abs() < SLOWEST_MPS * dt
    }

    /// While the ground runs through the picture, its relief averages out; an
    /// edge across the way that lasts moves with the vehicle: its bumper, the
    /// edge of its shadow, dirt on the lens.
    fn learn_stuck(&mut self, l: &Layout, now: &[f32]) {
        let moved = self.estimate.motion.along.abs();
        for r in l.horizon_row.max(1)..l.rows - 1 {
            // Only where ground would clearly have moved on.
            let rho = l.row_distance[r];
            let rows_moved =
                moved * l.height / (l.height * l.height + rho * rho) / l.depression_step;
            if rows_moved < STUCK_ROWS {
                continue;
            }
            for c in 0..l.columns {
                let k = l.at(c, r);
                let off = now[k] - self.lasting[k];
                self.lasting[k] += STUCK_RATE * off;
                self.unrest[k] += STUCK_RATE * (off * off - self.unrest[k]);
                let detail = (self.lasting[k + l.columns] - self.lasting[k - l.columns]).abs();
                // What merely passes slowly leaves more unrest than detail.
                let calm = f32::from(detail * detail > STUCK_CALM * self.unrest[k]);
                self.stuck[k] = calm * ((detail - STUCK_DETAIL) / STUCK_DETAIL).clamp(0.0, 1.0);
            }
        }
    }
}

/// Which pictures told the motion.
#[derive(Debug, Clone, Copy)]
enum Told {
    /// The last two, cell by cell.
    Fine,
    /// The last two, by patches.
    Broad,
    /// The last and one that is so many seconds older, by patches.
    Longer(f32),
}
