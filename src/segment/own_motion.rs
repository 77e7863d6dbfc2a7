//! The vehicle's own motion from picture to picture.
//!
//! The ground is one plane, so its whole movement in the picture follows from a few
//! values. What is said here of a vehicle: that it has mass, and that its bumper, its
//! shadow and dirt on the lens come along.

use std::time::Duration;

use super::motion::{Estimate, Motion, Noise, Scene, Sight};
use super::pace::Pace;
use super::panorama::Layout;
use super::relief::Filter;
use super::seek::{Pictures, Search, TRUSTED};

/// How fast speed follows.
const FOLLOW: f32 = 0.5;
/// How fast the acceleration follows, seconds: between two pictures alone it is mostly noise.
const ACCELERATION_S: f32 = 0.15;
/// Of older pictures the first that is at least so many seconds old is asked, among so
/// many.
const LONGER: f32 = 0.25;
const MOST_PAST: usize = 12;
/// Hardest braking, and what is believed of acceleration at most, m/s².
const HARDEST_MPS2: f32 = 5.0;
const MOST_MPS2: f32 = 3.0;
/// The own bumper shows up to this far behind the ground point under it, metres. Its
/// edge: in usual contrasts and at least; the share by which it may change; pictures
/// for which it stays; rows over which its halo spreads.
const OWN_M: f32 = 0.45;
const STRONG: f32 = 6.0;
const LEAST_STRONG: f32 = 25.0;
const STAYS: f32 = 0.25;
const SETTLED: u8 = 4;
const HALO: usize = 4;
/// How fast the lasting relief follows, its step along a column from which an
/// edge begins to count as stuck, and how far ground must move meanwhile.
const STUCK_RATE: f32 = 0.12;
const STUCK_DETAIL: f32 = 6.0;
const STUCK_CALM: f32 = 1.2;
const STUCK_ROWS: f32 = 0.6;

/// Follows the vehicle; keeps its buffers.
#[derive(Debug, Clone)]
pub(super) struct Odometry {
    search: Search,
    pace: Pace,
    noise: Noise,
    broad: Vec<f32>,
    broad_before: Vec<f32>,
    /// Broad reliefs of earlier pictures, the last one first, and how old each is.
    past: Vec<(Vec<f32>, f32)>,
    lasting: Vec<f32>,
    unrest: Vec<f32>,
    stuck: Vec<f32>,
    /// For how many pictures a strong edge has stayed in each cell.
    settled: Vec<u8>,
    /// Cells that surely do not show the own bumper.
    open: Vec<bool>,
    velocity: Motion,
    measured: Motion,
    /// Seconds that this was measured over.
    over: f32,
    acceleration: f32,
    estimate: Estimate,
    still_since: Option<Duration>,
}

impl Odometry {
    /// At rest, over `cells` cells.
    pub fn new(cells: usize) -> Self {
        Odometry {
            search: Search::new(),
            pace: Pace::new(),
            noise: Noise::default(),
            broad: Vec::new(),
            broad_before: Vec::new(),
            past: Vec::new(),
            lasting: vec![0.0; cells],
            unrest: vec![0.0; cells],
            stuck: vec![0.0; cells],
            settled: vec![0; cells],
            open: Vec::new(),
            velocity: Motion::default(),
            measured: Motion::default(),
            over: 0.0,
            acceleration: 0.0,
            estimate: Estimate::default(),
            still_since: None,
        }
    }

    /// Nothing earlier to go by.
    pub fn begin(&mut self) {
        self.estimate = Estimate::default();
        self.rest();
        self.over = 0.0;
        self.still_since = None;
        self.pace = Pace::new();
        self.past.clear();
    }

    /// The motion since the last picture.
    pub fn estimate(&self) -> &Estimate {
        &self.estimate
    }

    /// Speed in m/s (positive rearward) so many seconds after the last picture, and turn rate in
    /// rad/s. Two pictures tell the speed half way between them; from there the vehicle speeds up
    /// or slows down as it did.
    pub fn velocity(&self, after: f32) -> (f32, f32) {
        let m = &self.measured;
        let along = m.along + self.acceleration * (0.5 * self.over + after);
        // What brakes comes to rest, and does not turn back.
        let turned = along * m.along <= 0.0;
        (if turned { 0.0 } else { along }, m.yaw)
    }

    fn rest(&mut self) {
        self.velocity = Motion::default();
        self.measured = Motion::default();
        self.acceleration = 0.0;
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

    /// The search, to refine a motion over a longer base.
    pub fn search(&mut self) -> &mut Search {
        &mut self.search
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
        self.leave_out_own(layout, usable, now.relief, before.relief);
        self.noise.learn(&self.open, now.luma, before.luma);
        filter.broad(now.luma, layout.columns, layout.rows, &mut self.broad);
        let expected = self.velocity.times(dt);
        self.pace.pass(dt);
        let cells = self.broad.len();
        let older = self.past.iter().find(|(_, age)| *age >= LONGER);
        let scene = Scene {
            layout,
            usable: &self.open,
            stuck: &self.stuck,
            ground,
            noise: &self.noise,
        };
        let pictures = Pictures {
            now,
            broad: &self.broad,
            before: before.relief,
            broad_before: Some(&self.broad_before[..]).filter(|relief| relief.len() == cells),
            dt,
            older: older
                .map(|(relief, age)| (&relief[..], *age))
                .filter(|(relief, _)| relief.len() == cells),
        };
        self.estimate = self
            .search
            .step(&scene, &pictures, &expected, &mut self.pace);
        let rest = self.pace.rest() > 0.5;
        // A vehicle has mass: it does not stop dead.
        let rolls =
            self.velocity.along.abs() > HARDEST_MPS2 * dt && self.estimate.quality > TRUSTED;
        if rest && !rolls {
            self.estimate.motion = Motion::default();
            self.rest();
            self.over = dt;
            self.still_since.get_or_insert(time);
            return;
        }
        self.still_since = None;
        if self.estimate.quality > TRUSTED {
            self.learn_stuck(layout, now.relief);
            let rate = 1.0 / dt;
            let m = &self.estimate.motion;
            if self.over > 0.0 {
                let faster = (m.along * rate - self.measured.along) / (0.5 * (self.over + dt));
                let off = faster.clamp(-MOST_MPS2, MOST_MPS2) - self.acceleration;
                self.acceleration += (1.0 - (-dt / ACCELERATION_S).exp()) * off;
            }
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
            self.acceleration = 0.0;
        }
        self.over = dt;
    }

    /// Leaves out what may be the own bumper: what lies below a strong edge that
    /// stays in place close behind the vehicle. It would pass for a vehicle at rest
    /// where the ground is smooth.
    fn leave_out_own(&mut self, l: &Layout, usable: &[bool], now: &[f32], old: &[f32]) {
        self.open.clear();
        self.open.extend_from_slice(usable);
        let near = OWN_M - l.foot.0 as f32;
        let mut usual: Vec<f32> = now.iter().step_by(7).map(|v| v.abs()).collect();
        let mid = usual.len() / 2;
        let usual = *usual.select_nth_unstable_by(mid, f32::total_cmp).1;
        let strong = (STRONG * usual).max(LEAST_STRONG);
        for c in 0..l.columns {
            let mut cut = l.rows;
            for r in (l.horizon_row + 1..l.rows).rev() {
                if l.cell_place(c, r).0 > near {
                    break;
                }
                let k = l.at(c, r);
                let stays = now[k].abs() > strong && (now[k] - old[k]).abs() < STAYS * now[k].abs();
                let n = &mut self.settled[k];
                *n = if stays {
                    (*n + 1).min(2 * SETTLED)
                } else {
                    n.saturating_sub(2)
                };
                if *n >= SETTLED {
                    cut = r;
                }
            }
            if cut < l.rows {
                for r in cut.saturating_sub(HALO)..l.rows {
                    self.open[l.at(c, r)] = false;
                }
            }
        }
    }

    /// Keeps the last picture's broad relief to be asked later.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Uniform acceleration: the speed now is that half way back, and what came since.
    #[test]
    fn speed_is_told_of_now_and_not_of_between_two_pictures() {
        let mut own = Odometry::new(1);
        own.measured.along = 0.4;
        own.over = 0.2;
        own.acceleration = 0.5;
        assert!((own.velocity(0.0).0 - 0.45).abs() < 1e-6);
        assert!((own.velocity(0.1).0 - 0.5).abs() < 1e-6);
        // What brakes stops, and does not turn back.
        own.acceleration = -3.0;
        assert_eq!(own.velocity(0.1).0, 0.0);
        own.rest();
        assert_eq!(own.velocity(0.1).0, 0.0);
    }
}
