//! The default segmenter: cues per cell, and the net that looks at them all.

mod cells;
mod contours;
mod height;

use std::time::Duration;

use crate::camera::Picture;
use crate::optics::PixelPoint;
use crate::profile::{Profile, SegmentSettings};

use self::cells::{path_cells, usable_cells};
use super::appearance::Appearance;
use super::blob::Blob;
use super::change::Change;
use super::edges::Upright;
use super::footline::Footline;
use super::groups::Candidate;
use super::motion::{look, Estimate, Motion, Places, Sight};
use super::own_motion::Odometry;
use super::own_parts::OwnParts;
use super::panorama::{Layout, Panorama};
use super::parallax::Parallax;
use super::relief::Filter;

/// Log-odds that a cell of the watch area is not ground, before any cue.
const PRIOR: f32 = -1.6;
/// Weight of the appearance ratio once the model is proven, and before.
const APPEARANCE: f32 = 0.9;
const UNPROVEN: f32 = 0.5;
/// Spacing of the kept panoramas, metres, and their number.
const KEY_SPACING: f32 = 0.04;
const MOST_KEYS: usize = 24;
/// Evidence of a cell that is not seen.
const BLIND: f32 = -1.0;
/// Columns at either end of a row in which no upright edge counts.
const MARGIN: usize = 9;
/// Mean luma around a place, over so many cells, at which colour is not and is
/// to be trusted.
const AROUND: usize = 10;
const UNLIT: f32 = 25.0;
const LIT: f32 = 55.0;
/// Luma under which a cell is noise, unless its surroundings are lit, and all but this share
/// of the picture is.
const DARKEST_SEEN: f32 = 20.0;
const DARK_SHARE: f32 = 0.2;
/// Shapes need less light than colours, by this factor.
const DARK_GAIN: f32 = 3.0;
/// Spread of sideways gradients before it is learnt.
const USUAL: f32 = 12.0;
/// What the ground's own colour says at most for ground.
const SAME_COLOUR: f32 = -0.4;

/// An earlier panorama and how the camera has moved since.
#[derive(Debug, Clone, Default)]
struct Key {
    relief: Vec<f32>,
    panorama: Panorama,
    since: Motion,
}

/// Everything that a stage made of one frame, for looking at.
#[derive(Debug, Clone, Default)]
pub struct Stages {
    /// The sampled picture.
    pub panorama: Panorama,
    /// Local contrast.
    pub relief: Vec<f32>,
    /// Appearance log-likelihood ratio.
    pub appearance: Vec<f32>,
    /// Remembered parallax evidence: log-likelihood ratio of "stands up" over "lies flat".
    pub height: Vec<f32>,
    /// Change evidence at rest.
    pub change: Vec<f32>,
    /// Upright edges as evidence.
    pub upright: Vec<f32>,
    /// Appearance, height and change together, log-likelihood ratio of "not ground".
    pub odds: Vec<f32>,
    /// Cells that belong to a blob.
    pub mask: Vec<bool>,
}

/// The segmenter's state.
#[derive(Debug, Clone)]
pub struct GroundModel {
    layout: Layout,
    usable: Vec<bool>,
    /// First and last usable column of each row.
    extent: Vec<(usize, usize)>,
    settings: SegmentSettings,
    filter: Filter,
    /// Cells of the vehicle's path near behind it.
    path: Vec<usize>,
    own_motion: Odometry,
    appearance: Appearance,
    proven: f32,
    parallax: Parallax,
    footline: Footline,
    change: Change,
    stages: Stages,
    previous: Key,
    keys: Vec<Key>,
    spare: Vec<Key>,
    old: Vec<f32>,
    places: Places,
    ground: Vec<f32>,
    edges: Vec<Upright>,
    lasting: Vec<f32>,
    absolute: Vec<f32>,
    cleared: [Vec<f32>; 2],
    cleared_luma: [Vec<f32>; 2],
    lit: Vec<f32>,
    own: OwnParts,
    spread: f32,
    candidates: Vec<Candidate>,
    last: Option<Duration>,
}

impl GroundModel {
    /// A segmenter for one profile; `masked` tells which full-size pixels show
    /// the own vehicle. `None` if the camera sees nothing of the watch area.
    pub fn new(profile: &Profile, masked: impl Fn(PixelPoint) -> bool) -> Option<Self> {
        let layout = Layout::new(&profile.ground(), &profile.watch, masked)?;
        let usable = usable_cells(&layout);
        let cells = layout.columns * layout.rows;
        let extent = (0..layout.rows)
            .map(|r| {
                let row = &usable[r * layout.columns..(r + 1) * layout.columns];
                let first = row.iter().position(|&u| u).unwrap_or(layout.columns);
                (first, row.iter().rposition(|&u| u).unwrap_or(0))
            })
            .collect();
        let camera = profile.ground().camera_position();
        let reach = (profile.watch.far.0 - camera.x).max(0.0) as f32;
        let footline = Footline::new(&layout, &usable, reach);
        Some(GroundModel {
            path: path_cells(&layout, &usable, profile),
            layout,
            usable,
            extent,
            settings: profile.segment.clone(),
            filter: Filter::default(),
            own_motion: Odometry::new(cells),
            appearance: Appearance::default(),
            proven: 0.0,
            parallax: Parallax::default(),
            footline,
            change: Change::default(),
            stages: Stages {
                height: vec![0.0; cells],
                ..Stages::default()
            },
            previous: Key::default(),
            keys: Vec::new(),
            spare: Vec::new(),
            old: Vec::new(),
            places: Places::default(),
            ground: vec![1.0; cells],
            edges: Vec::new(),
            lasting: Vec::new(),
            absolute: Vec::new(),
            cleared: Default::default(),
            cleared_luma: Default::default(),
            lit: Vec::new(),
            own: OwnParts::new(cells),
            spread: USUAL,
            candidates: Vec::new(),
            last: None,
        })
    }

    /// The panorama's layout.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// What the stages made of the last frame.
    pub fn stages(&self) -> &Stages {
        &self.stages
    }

    /// Everything of the picture taken at `now` that was weighed whether it stands; nothing
    /// if that picture was not examined.
    pub fn candidates(&self, now: Duration) -> &[Candidate] {
        match self.last {
            Some(last) if last == now => &self.candidates,
            _ => &[],
        }
    }

    /// What the net saw of the last picture, in 1/127, for training: rows of depression, columns
    /// of azimuth, planes of a cell side by side. `None` if the picture taken at `now` was not
    /// examined.
    pub fn planes(&self, now: Duration) -> Option<Vec<i8>> {
        (self.last == Some(now)).then(|| self.footline.planes().collect())
    }

    /// The vehicle's motion between the last two frames.
    pub fn motion(&self) -> &Estimate {
        self.own_motion.estimate()
    }

    /// Speed in m/s (positive rearward) and turn rate in rad/s at `now`.
    pub fn velocity(&self, now: Duration) -> (f32, f32) {
        let after = self
            .last
            .map_or(0.0, |l| now.saturating_sub(l).as_secs_f32());
        self.own_motion.velocity(after)
    }

    /// Share of the vehicle's path, near behind it, that is too dark to show
    /// anything, 0 to 1, in the last picture.
    pub fn dark_share(&self) -> f64 {
        let dark = self.path.iter().filter(|&&k| self.lit.get(k) == Some(&0.0));
        dark.count() as f64 / self.path.len().max(1) as f64
    }

    /// Examines one picture taken at `now`.
    pub fn step(&mut self, picture: &Picture, now: Duration) -> Vec<Blob> {
        let (columns, rows) = (self.layout.columns, self.layout.rows);
        self.layout.sample(picture, &mut self.stages.panorama);
        self.filter.relief(
            &self.stages.panorama.y,
            columns,
            rows,
            &mut self.stages.relief,
        );
        let dt = self
            .last
            .map(|l| now.saturating_sub(l).as_secs_f32())
            .filter(|d| *d > 1e-3 && *d < 0.6);
        self.last = Some(now);
        match dt {
            Some(dt) => self.follow(dt, now),
            None => self.begin(),
        }
        self.judge_appearance();
        self.judge_parallax();
        self.judge_change(now);
        self.judge_edges();
        self.fuse();
        let blobs = self.gather();
        // What stands takes no part in finding the motion of the ground.
        for (ground, &stands) in self.ground.iter_mut().zip(&self.stages.mask) {
            if stands {
                *ground = 0.0;
            }
        }
        self.learn();
        self.keep_key();
        blobs
    }

    /// First picture, or the first after a gap: nothing earlier to go by.
    fn begin(&mut self) {
        self.keys.clear();
        self.stages.height.fill(0.0);
        self.change.forget();
        self.own_motion.begin();
        // Neither does what was seen before the gap tell of edges.
        self.lasting.clear();
        self.spread = USUAL;
        // Nothing bears out yet what passed for ground: it may have been snow.
        if !self.appearance.knows() || self.proven == 0.0 {
            self.appearance = Appearance::default();
            let l = &self.layout;
            let cells = (0..l.rows)
                .filter(|&r| l.row_distance[r] < 6.0 * l.height)
                .flat_map(|r| (0..l.columns).map(move |c| r * l.columns + c))
                .filter(|&k| l.watched[k]);
            self.appearance.begin(&self.stages.panorama, cells);
        }
    }

    /// The own motion since the last picture, and what follows from it.
    fn follow(&mut self, dt: f32, now: Duration) {
        let s = &self.stages;
        self.own_motion.step(
            &self.layout,
            &self.usable,
            Sight {
                relief: &s.relief,
                luma: &s.panorama.y,
            },
            Sight {
                relief: &self.previous.relief,
                luma: &self.previous.panorama.y,
            },
            &self.ground,
            &mut self.filter,
            dt,
            now,
        );
        if self.own_motion.moves() {
            self.own.step(
                &self.layout,
                &self.usable,
                &s.panorama.y,
                &self.previous.panorama.y,
                self.own_motion.estimate().motion.along,
            );
        }
        let motion = self.own_motion.estimate().motion;
        for key in &mut self.keys {
            key.since = key.since.then(&motion);
        }
        self.relight();
        self.carry_memory();
    }

    /// The exposure against the last picture: the middle of luma ratios.
    fn relight(&mut self) {
        let layout = &self.layout;
        let motion = self.own_motion.estimate().motion;
        let mut ratios = Vec::with_capacity(600);
        for r in (layout.horizon_row..layout.rows).step_by(4) {
            for c in (1..layout.columns).step_by(5) {
                let k = layout.at(c, r);
                if !self.usable[k] {
                    continue;
                }
                let (x, y) = layout.cell_place(c, r);
                let before = layout.before(x, y, 0.0, &motion).and_then(|(i, j)| {
                    look(&self.previous.panorama.y, layout.columns, layout.rows, i, j)
                });
                if let Some(v) = before {
                    if v > 8.0 && v < 245.0 {
                        ratios.push(self.stages.panorama.y[k] / v);
                    }
                }
            }
        }
        if ratios.len() < 20 {
            return;
        }
        let mid = ratios.len() / 2;
        let (_, median, _) = ratios.select_nth_unstable_by(mid, f32::total_cmp);
        self.appearance.relight(*median);
    }

    fn judge_appearance(&mut self) {
        self.appearance
            .judge(&self.stages.panorama, &mut self.stages.appearance);
        // Past the reach of the lamps colours are noise.
        let (columns, rows) = (self.layout.columns, self.layout.rows);
        let light = self
            .filter
            .box_mean(&self.stages.panorama.y, columns, rows, AROUND);
        self.lit.clear();
        self.lit.extend(
            light
                .iter()
                .map(|v| ((v - UNLIT) / (LIT - UNLIT)).clamp(0.0, 1.0)),
        );
        // By day what is black with light all around it has a colour; by lamps shade is black.
        let seen = || {
            self.lit
                .iter()
                .zip(&self.layout.visible)
                .filter(|(_, s)| **s)
        };
        let unlit = seen().filter(|(lit, _)| **lit < 0.5).count();
        let by_lamps = unlit as f32 > DARK_SHARE * seen().count() as f32;
        let luma = &self.stages.panorama.y;
        for ((a, &lit), &y) in self.stages.appearance.iter_mut().zip(&self.lit).zip(luma) {
            if y < DARKEST_SEEN && (by_lamps || lit < 1.0) {
                *a = 0.0;
            } else if *a > 0.0 {
                *a *= lit;
            }
        }
    }

    fn judge_change(&mut self, now: Duration) {
        let still = self
            .own_motion
            .still_since()
            .is_some_and(|s| now.saturating_sub(s) > Duration::from_millis(150));
        if !still {
            self.change.forget();
            self.stages.change.clear();
            self.stages.change.resize(self.usable.len(), 0.0);
            return;
        }
        self.change.step(
            &self.stages.panorama,
            &self.usable,
            self.layout.columns,
            self.layout.rows,
            &mut self.filter,
        );
        self.stages.change.clone_from(&self.change.evidence);
    }

    /// How probable it is by appearance, height and change that each cell is ground.
    fn fuse(&mut self) {
        let l = &self.layout;
        let s = &mut self.stages;
        let weight = APPEARANCE * (UNPROVEN + (1.0 - UNPROVEN) * self.proven);
        s.odds.resize(s.height.len(), 0.0);
        for r in 0..l.rows {
            for c in 0..l.columns {
                let k = l.at(c, r);
                if !self.usable[k] || self.own.holds(k) {
                    s.odds[k] = BLIND;
                } else if r < l.horizon_row {
                    s.odds[k] = 0.0;
                } else {
                    // A thing may well have the colour of the ground.
                    let colour = s.appearance[k].max(SAME_COLOUR);
                    s.odds[k] = weight * colour + s.height[k] + s.change[k];
                }
                // In the dark there is nothing but noise to see.
                if s.odds[k] > 0.0 {
                    s.odds[k] *= (DARK_GAIN * self.lit[k]).min(1.0);
                }
                self.ground[k] = 1.0 / (1.0 + (PRIOR + s.odds[k]).exp());
            }
        }
    }

    fn gather(&mut self) -> Vec<Blob> {
        self.footline.step(&self.layout, &self.stages);
        super::groups::gather(
            &self.layout,
            &mut self.stages,
            &self.footline,
            &self.settings,
            &mut self.candidates,
        )
    }

    /// Teaches the model what is known to be ground.
    fn learn(&mut self) {
        let l = &self.layout;
        let moving = self.own_motion.moves();
        self.appearance.fade(if moving { 0.985 } else { 0.998 });
        let mut shown = 0u32;
        for r in (l.horizon_row..l.rows).step_by(2) {
            for c in ((r / 2) % 2..l.columns).step_by(2) {
                let k = l.at(c, r);
                if !l.watched[k] || !self.usable[k] || self.stages.mask[k] {
                    continue;
                }
                let odds = self.stages.odds[k];
                if self.stages.height[k] < -0.6 {
                    shown += 1;
                    self.appearance.learn(&self.stages.panorama, k, 1.0);
                } else if odds < -0.8 {
                    let weight = if moving { 0.3 } else { 0.05 };
                    self.appearance.learn(&self.stages.panorama, k, weight);
                }
            }
        }
        if shown > 100 {
            self.proven = (self.proven + 0.05).min(1.0);
        }
    }

    /// Keeps the present panorama for later comparison.
    fn keep_key(&mut self) {
        self.previous.relief.clone_from(&self.stages.relief);
        self.previous.panorama.y.clone_from(&self.stages.panorama.y);
        let due = self
            .keys
            .last()
            .is_none_or(|k| k.since.distance() >= KEY_SPACING || k.since.yaw.abs() > 0.03);
        if !due {
            return;
        }
        let mut key = if self.keys.len() >= MOST_KEYS {
            self.keys.remove(0)
        } else {
            self.spare.pop().unwrap_or_default()
        };
        key.relief.clone_from(&self.stages.relief);
        key.panorama.clone_from(&self.stages.panorama);
        key.since = Motion::default();
        self.keys.push(key);
    }
}
