//! The search for the vehicle's motion between the newest picture and earlier ones.
//!
//! First the belief of the speed takes in what the pictures say; then the motion is
//! refined around it. The fine relief is asked first. Where ground is almost smooth
//! (snow, a garage's floor, lamplight) its texture drowns in the noise of single
//! cells, and a broad relief is asked as well, of the last picture and of an older
//! one, by which the same detail has moved on by more.

use super::motion::{Aligner, Estimate, Motion, Scene, Sight, Slack};
use super::pace::{Pace, SPEEDS};
use super::panorama::Layout;
use super::relief::{Filter, BROAD_NOISE};

/// Correlation from which a motion is believed, and from which nothing further is
/// asked.
pub(super) const TRUSTED: f32 = 0.3;
const CLEAR: f32 = 0.45;
/// An older picture must agree better by this much. Its weaker detail counts as well:
/// noises of the relief, as a share, that it must exceed.
const LONGER_MARGIN: f32 = 0.05;
const LONGER_NOISE: f32 = 0.35;
/// How far the motion may be off the belief's speed, m/s (standard deviation).
const SPEED_SD: f32 = 0.3;
/// Share of the belief around its likeliest speed from which it stands by itself, and
/// below which it takes from the quality.
const CERTAIN: f32 = 0.9;
const UNCERTAIN: f32 = 0.7;

/// What is compared: the newest picture and those before it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pictures<'a> {
    /// The newest one, its fine relief.
    pub now: Sight<'a>,
    /// Its broad relief.
    pub broad: &'a [f32],
    /// Fine and broad relief of the last one, so many seconds ago.
    pub before: &'a [f32],
    pub broad_before: Option<&'a [f32]>,
    pub dt: f32,
    /// Broad relief of an older one, and how many seconds ago it was.
    pub older: Option<(&'a [f32], f32)>,
}

/// Which pictures told the motion.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Told {
    /// The last two, cell by cell.
    Fine,
    /// The last two, by patches.
    Broad,
    /// The last and an older one, by patches.
    Older,
}

/// Points chosen in the newest picture for each of the comparisons.
#[derive(Debug, Clone)]
pub(super) struct Search {
    fine: Aligner,
    broad: Aligner,
    older: Aligner,
    earlier: Vec<f32>,
    told: Told,
}

impl Search {
    /// Nothing chosen yet.
    pub fn new() -> Self {
        Search {
            fine: Aligner::default(),
            broad: Aligner::default(),
            older: Aligner::default(),
            earlier: Vec::new(),
            told: Told::Fine,
        }
    }

    /// The motion between the last two pictures, `expected` from what went before.
    /// `pace` learns from the pictures.
    pub fn step(
        &mut self,
        scene: &Scene<'_>,
        p: &Pictures<'_>,
        expected: &Motion,
        pace: &mut Pace,
    ) -> Estimate {
        let (l, dt) = (scene.layout, p.dt);
        let turned = |seconds: f32| expected.yaw * seconds / dt;
        let patches = Sight {
            relief: p.broad,
            luma: p.now.luma,
        };
        let before = pace.clone();
        let mut likely = [0.0; SPEEDS];
        let believe = |pace: &mut Pace, likely: &[f32; SPEEDS]| {
            *pace = before.clone();
            pace.learn(likely);
        };
        self.fine.choose(scene, p.now, p.before, 1.0);
        self.fine.weigh(l, p.before, dt, expected.yaw, &mut likely);
        believe(pace, &likely);
        let (mut broad_asked, mut older_asked) = (false, false);
        if let Some(relief) = p.broad_before.filter(|_| !pace.sure()) {
            broad_asked = true;
            self.broad.choose(scene, patches, relief, BROAD_NOISE);
            self.broad.weigh(l, relief, dt, expected.yaw, &mut likely);
            believe(pace, &likely);
            if let Some((relief, age)) = p.older.filter(|_| !pace.sure()) {
                older_asked = true;
                self.older.choose(scene, patches, relief, LONGER_NOISE);
                self.older.weigh(l, relief, age, turned(age), &mut likely);
                believe(pace, &likely);
            }
        }

        let (speed, certain) = pace.likeliest();
        let start = Motion {
            along: speed * dt,
            yaw: expected.yaw,
            ..Motion::default()
        };
        let slack = |seconds: f32| Slack {
            along: SPEED_SD * seconds,
            ..Slack::BETWEEN_PICTURES
        };
        self.fine.trust_blocks(speed);
        let mut best = self.fine.refine(l, p.before, start, &start, &slack(dt));
        self.told = Told::Fine;
        if let Some(relief) = p.broad_before.filter(|_| best.quality < CLEAR) {
            if !broad_asked {
                self.broad.choose(scene, patches, relief, BROAD_NOISE);
                self.broad.explain_like(&self.fine);
            }
            self.broad.trust_blocks(speed);
            let second = self.broad.refine(l, relief, start, &start, &slack(dt));
            if second.quality > best.quality {
                best = second;
                self.told = Told::Broad;
            }
            if let Some((relief, age)) = p.older.filter(|_| best.quality < CLEAR) {
                if !older_asked {
                    self.older.choose(scene, patches, relief, LONGER_NOISE);
                    self.older.explain_like(&self.fine);
                }
                self.older.trust_blocks(speed);
                let from = start.times(age / dt);
                let mut third = self.older.refine(l, relief, from, &from, &slack(age));
                if third.quality > best.quality + LONGER_MARGIN {
                    third.motion = third.motion.times(dt / age);
                    third.along_sd *= dt / age;
                    best = third;
                    self.told = Told::Older;
                }
            }
        }
        // Many pictures together tell what none tells alone.
        if best.quality < TRUSTED && certain > CERTAIN {
            best.motion = start;
            best.quality = TRUSTED + 0.01;
        }
        best.quality *= (certain / UNCERTAIN).min(1.0);
        best
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
        if fine.quality > TRUSTED || self.told == Told::Fine {
            return fine;
        }
        filter.broad(earlier.luma, layout.columns, layout.rows, &mut self.earlier);
        let points = if self.told == Told::Broad {
            &mut self.broad
        } else {
            &mut self.older
        };
        points.refine(layout, &self.earlier, start, &start, slack)
    }
}
