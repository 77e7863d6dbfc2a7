//! Evidence of height, remembered and carried along with the ground.

use super::super::motion::{look, Slack};
use super::super::own_motion::TRUSTED;
use super::super::parallax::Look;
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
/// Cells around the own parts in which nothing stands.
const RIM: usize = 3;

impl GroundModel {
    /// Parallax evidence moves with the ground it was found on.
    pub(super) fn carry_memory(&mut self) {
        let layout = &self.layout;
        let motion = self.own_motion.estimate().motion;
        let old = std::mem::take(&mut self.memory);
        let mut fresh = std::mem::take(&mut self.stages.parallax);
        fresh.resize(old.len(), 0.0);
        let still = motion.distance() < 0.004 && motion.yaw.abs() < 0.002;
        for r in 0..layout.rows {
            for c in 0..layout.columns {
                let k = layout.at(c, r);
                fresh[k] = if still || r < layout.horizon_row {
                    old[k]
                } else {
                    let (x, y) = layout.place(c, r as f32);
                    layout
                        .before(x, y, 0.0, &motion)
                        .and_then(|(i, j)| look(&old, layout.columns, layout.rows, i, j))
                        .unwrap_or(0.0)
                };
            }
        }
        self.memory = fresh;
        self.stages.parallax = old;
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
        let slack = Slack {
            along: 0.02,
            across: 0.02,
            yaw: 0.02,
            pitch: 0.006,
            roll: 0.004,
        };
        let start = self.keys[i].since;
        let fine = self
            .own_motion
            .refine(&self.layout, &self.keys[i].relief, start, &slack);
        if fine.quality < TRUSTED {
            return;
        }
        self.keys[i].since = fine.motion;
        self.take_out_stuck(i);
        let [now, earlier] = &self.cleared;
        self.parallax.compare(
            &self.layout,
            &self.usable,
            Look {
                relief: now,
                colour: &self.stages.panorama,
            },
            Look {
                relief: earlier,
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
        self.absolute
            .extend((0..self.usable.len()).map(|k| f32::from(self.own.holds(k))));
        let rim = self.filter.box_mean(&self.absolute, columns, rows, RIM);
        for (e, &n) in self.parallax.evidence.iter_mut().zip(rim) {
            if n > 0.0 {
                *e = e.min(0.0);
            }
        }
        for (m, e) in self.memory.iter_mut().zip(&self.parallax.evidence) {
            *m = (KEEP * *m + PARALLAX * e.clamp(-MOST_STEP, MOST_STEP))
                .clamp(-MOST_MEMORY, MOST_MEMORY);
        }
    }

    /// Takes what moves with the vehicle (its own shadow's edge, its bumper) out
    /// of both pictures before they are compared.
    fn take_out_stuck(&mut self, key: usize) {
        let (columns, rows) = (self.layout.columns, self.layout.rows);
        let (stuck, lasting) = (self.own_motion.stuck(), self.own_motion.lasting());
        let near = self.filter.box_mean(stuck, columns, rows, 2);
        let pictures = [&self.stages.relief, &self.keys[key].relief];
        for (out, relief) in self.cleared.iter_mut().zip(pictures) {
            out.clear();
            out.extend_from_slice(relief);
            for ((v, &n), &part) in out.iter_mut().zip(near).zip(lasting) {
                let rest = *v - (STUCK_GAIN * n).min(1.0) * part;
                // A line along the way stays in place too, until it ends.
                if rest.abs() < v.abs() {
                    *v = rest;
                }
            }
        }
    }
}
