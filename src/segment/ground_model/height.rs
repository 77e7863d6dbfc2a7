//! Evidence of height, remembered and carried along with the ground.

use super::super::motion::{look, Sight, Slack};
use super::super::parallax::Look;
use super::super::relief::{FLOOR, RADIUS, UNIT};
use super::super::seek::TRUSTED;
use super::{GroundModel, Key};

/// Weight of one parallax comparison and how much of the last sum is kept.
const PARALLAX: f32 = 0.8;
const KEEP: f32 = 0.8;
const MOST_MEMORY: f32 = 4.0;
const MOST_STEP: f32 = 2.0;
/// Least and best baseline for parallax, metres.
const LEAST_BASELINE: f32 = 0.12;
const BASELINE: f32 = 0.45;
/// Relief noise beyond this is texture, which the slope accounts for.
const MOST_NOISE: f32 = 5.0;
/// A cell is cleared of what is stuck in full if at least one over this of its
/// surroundings is stuck.
const STUCK_GAIN: f32 = 5.0;
/// What is left of height, against flatness: what moves by itself seems to stand as well.
const RISES: f32 = 0.25;
/// Cells around the own parts in which nothing stands.
const RIM: usize = 3;

/// By how much a motion over many pictures may be off, summed up.
const LONGER_SLACK: Slack = Slack {
    along: 0.02,
    across: 0.02,
    yaw: 0.02,
    pitch: 0.006,
    roll: 0.004,
};

impl GroundModel {
    /// Evidence moves with the ground it was found on.
    pub(super) fn carry_memory(&mut self) {
        let layout = &self.layout;
        let motion = self.own_motion.estimate().motion;
        if motion.distance() < 0.004 && motion.yaw.abs() < 0.002 {
            return;
        }
        let (columns, rows) = (layout.columns, layout.rows);
        let memory = &mut self.stages.height;
        self.old.clone_from(memory);
        for r in layout.horizon_row..rows {
            self.places.find(layout, r, 0.0, &motion);
            let fresh = &mut memory[r * columns..(r + 1) * columns];
            let places = self.places.columns.iter().zip(&self.places.rows);
            for (fresh, (&i, &j)) in fresh.iter_mut().zip(places) {
                *fresh = look(&self.old, columns, rows, i, j).unwrap_or(0.0);
            }
        }
    }

    /// Compares with the kept panorama whose baseline serves best.
    pub(super) fn judge_parallax(&mut self) {
        let best = self
            .keys
            .iter()
            .enumerate()
            .filter(|(_, k)| k.since.distance() >= LEAST_BASELINE)
            .min_by(|a, b| {
                let off = |k: &Key| (k.since.distance() - BASELINE).abs();
                off(a.1).total_cmp(&off(b.1))
            })
            .map(|(i, _)| i);
        let Some(i) = best.filter(|_| self.own_motion.moves()) else {
            return;
        };
        let start = self.keys[i].since;
        let earlier = Sight {
            relief: &self.keys[i].relief,
            luma: &self.keys[i].panorama.y,
        };
        let fine = self.own_motion.search().refine(
            &self.layout,
            earlier,
            start,
            &LONGER_SLACK,
            &mut self.filter,
        );
        if fine.quality < TRUSTED {
            return;
        }
        self.keys[i].since = fine.motion;
        self.take_out_stuck(None);
        self.take_out_stuck(Some(i));
        let [now, earlier] = &self.cleared;
        self.parallax.compare(
            &self.layout,
            &self.usable,
            Look {
                relief: now,
                luma: &self.cleared_luma[0],
                colour: &self.stages.panorama,
            },
            Look {
                relief: earlier,
                luma: &self.cleared_luma[1],
                colour: &self.keys[i].panorama,
            },
            &fine.motion,
            fine.residual.clamp(2.0, MOST_NOISE),
            &self.stages.appearance,
            &mut self.filter,
        );
        // At the rim of the own parts windows look at both.
        let (columns, rows) = (self.layout.columns, self.layout.rows);
        self.absolute.clear();
        self.absolute.extend(
            (0..self.usable.len())
                .map(|k| f32::from(self.own.may_hold(&self.layout, k) || !self.usable[k])),
        );
        let rim = self.filter.box_mean(&self.absolute, columns, rows, RIM);
        for (e, &n) in self.parallax.evidence.iter_mut().zip(rim) {
            if n > 0.01 {
                *e = e.min(0.0);
            }
        }
        for (m, &e) in self.stages.height.iter_mut().zip(&self.parallax.evidence) {
            let e = if e > 0.0 { RISES * e } else { e };
            *m = (KEEP * *m + PARALLAX * e.clamp(-MOST_STEP, MOST_STEP))
                .clamp(-MOST_MEMORY, MOST_MEMORY);
        }
    }

    /// Takes what moves with the vehicle (its own shadow's edge, its bumper) out of the
    /// present picture, or out of the one at `key`, before they are compared.
    fn take_out_stuck(&mut self, key: Option<usize>) {
        let (columns, rows) = (self.layout.columns, self.layout.rows);
        let (stuck, lasting) = (self.own_motion.stuck(), self.own_motion.lasting());
        let (n, luma) = match key {
            None => (0, &self.stages.panorama.y),
            Some(key) => (1, &self.keys[key].panorama.y),
        };
        let near = self.filter.box_mean(stuck, columns, rows, 2).to_vec();
        let mean = self.filter.box_mean(luma, columns, rows, RADIUS);
        let out = &mut self.cleared_luma[n];
        out.clone_from(luma);
        for (k, (v, &mean)) in out.iter_mut().zip(mean).enumerate() {
            let unit = (mean + FLOOR) / UNIT;
            let rest = *v - unit * (STUCK_GAIN * near[k]).min(1.0) * lasting[k];
            // A line along the way stays in place too, until it ends.
            if (rest - mean).abs() < (*v - mean).abs() {
                *v = rest;
            }
        }
        self.filter.relief(out, columns, rows, &mut self.cleared[n]);
    }
}
