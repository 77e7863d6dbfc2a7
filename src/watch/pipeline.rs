//! The loop's inside: one frame in, one verdict out. `replay` and `run` call
//! this same step with other ends.

use std::path::Path;
use std::time::Duration;

use anyhow::Context;

use crate::optics::PixelPoint;
use crate::profile::{Profile, SegmentMethod};
use crate::segment::{Blob, ColourSegmenter, Estimate, GroundModel, Ranger};
use crate::track::{Contact, Obstacle, OwnMotion, Tracker};
use crate::zone::{announced_range_m, Reason, Verdict, ZoneEvaluator};

use super::{Health, Input};

/// Motion of less quality than this is not taken as known.
const MOTION_QUALITY: f32 = 0.3;

/// Pixels that show the own vehicle.
#[derive(Debug, Clone, Default)]
pub struct SelfMask {
    width: u32,
    height: u32,
    set: Vec<bool>,
}

impl SelfMask {
    /// Reads a mask picture: any pixel that is not black is masked.
    ///
    /// # Errors
    /// The file cannot be read, or its size is not the profile's picture size.
    pub fn load(path: &Path, profile: &Profile) -> anyhow::Result<SelfMask> {
        let image = image::open(path)
            .with_context(|| {
                format!(
                    "{}: cannot read the self-mask; make one or remove camera.self_mask",
                    path.display()
                )
            })?
            .to_luma8();
        let (width, height) = image.dimensions();
        anyhow::ensure!(
            (width, height) == (profile.camera.width, profile.camera.height),
            "{}: the self-mask is {width}x{height}, the profile's picture {}x{}; make it anew",
            path.display(),
            profile.camera.width,
            profile.camera.height
        );
        Ok(SelfMask {
            width,
            height,
            set: image.into_raw().iter().map(|&v| v > 0).collect(),
        })
    }

    /// Whether the full-size pixel shows the own vehicle.
    pub fn covers(&self, p: PixelPoint) -> bool {
        let (x, y) = (p.u.round(), p.v.round());
        if x < 0.0 || y < 0.0 || x >= f64::from(self.width) || y >= f64::from(self.height) {
            return false;
        }
        self.set[y as usize * self.width as usize + x as usize]
    }
}

/// A picture that follows sooner on one that was looked at shows next to nothing new: what was
/// seen is expected where it must be by then.
const LOOKS_AGAIN: Duration = Duration::from_millis(75);

/// Seconds from one picture that is looked at to the next, of a camera with so many a second.
pub fn looks_every_s(rate_hz: f64) -> f64 {
    (LOOKS_AGAIN.as_secs_f64() * rate_hz).ceil().max(1.0) / rate_hz
}

/// With more than this share of its near path in the dark, a picture that is
/// bright elsewhere shows too little.
const MOST_DARK: f64 = 0.4;

/// What has been followed so long, and is nearer than this, fills much of the picture.
const FOLLOWED: Duration = Duration::from_millis(700);
const FILLS_M: f64 = 1.6;

/// Whether a picture shows what lies before the lens, or on it, and not the ground.
fn hides(reason: Option<Reason>) -> bool {
    matches!(reason, Some(Reason::Covered | Reason::Smeared))
}

enum Segmenter {
    Ground(Box<GroundModel>),
    Colour(ColourSegmenter),
}

/// What one frame came to.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The verdict.
    pub verdict: Verdict,
    /// All tracked obstacles, nearest first, also those outside every zone.
    pub obstacles: Vec<Obstacle>,
    /// The frame's own contacts, before tracking.
    pub contacts: Vec<Contact>,
    /// The vehicle's own motion.
    pub own: OwnMotion,
    /// How well the motion is known.
    pub estimate: Estimate,
}

/// All pure stages in their order.
pub struct Pipeline {
    health: Health,
    mask: SelfMask,
    segmenter: Segmenter,
    ranger: Ranger,
    tracker: Tracker,
    zones: ZoneEvaluator,
    half_width_m: f64,
    /// When a picture was looked at, if nothing has come between since.
    looked: Option<Duration>,
}

impl Pipeline {
    /// The stages of a profile.
    ///
    /// # Errors
    /// The self-mask cannot be read, or the camera sees nothing of the watch
    /// area.
    pub fn new(profile: &Profile) -> anyhow::Result<Self> {
        let mask = match &profile.camera.self_mask {
            Some(path) => SelfMask::load(path, profile)?,
            None => SelfMask::default(),
        };
        let segmenter = match profile.segment.method {
            SegmentMethod::GroundModel => Segmenter::Ground(Box::new(
                GroundModel::new(profile, |p| mask.covers(p)).with_context(|| {
                    format!(
                        "{}: the camera sees nothing of the watch area; check [mount] and [watch]",
                        profile.name
                    )
                })?,
            )),
            SegmentMethod::ColourRange => Segmenter::Colour(ColourSegmenter::new(&profile.segment)),
        };
        Ok(Pipeline {
            health: Health::new(profile.health),
            mask,
            segmenter,
            ranger: Ranger::new(profile),
            tracker: Tracker::new(profile.track, profile.segment.enter_probability),
            zones: ZoneEvaluator::new(profile),
            half_width_m: profile.vehicle.width.0 / 2.0,
            looked: None,
        })
    }

    /// The default segmenter's stages of the last frame, for looking at.
    pub fn ground_model(&self) -> Option<&GroundModel> {
        match &self.segmenter {
            Segmenter::Ground(g) => Some(g),
            Segmenter::Colour(_) => None,
        }
    }

    /// Judges what arrived at `now`. `lap` is called with the name of each
    /// stage when it is done, for timing; it has no other effect.
    pub fn step(
        &mut self,
        input: Input<'_>,
        now: Duration,
        lap: &mut dyn FnMut(&'static str),
    ) -> Outcome {
        let reason = self.health.step(input, now);
        if self.health.doubts() {
            self.zones.doubt();
        }
        lap("health");
        // If the clock has gone back, what was looked at is no measure.
        let soon = |l| now.checked_sub(l).is_some_and(|gap| gap < LOOKS_AGAIN);
        let looks = !self.health.repeated() && !self.looked.is_some_and(soon);
        if matches!(input, Input::Picture(_)) && !looks {
            let obstacles = self.tracker.expect(now);
            let (own, estimate) = self.own_motion(now);
            return Outcome {
                verdict: self.zones.step(&obstacles, reason, now),
                obstacles,
                contacts: Vec::new(),
                own,
                estimate,
            };
        }
        self.looked = None;
        let blobs: Vec<Blob> = match (input, &mut self.segmenter) {
            // Neither does what lies before the lens show anything of the ground: after it
            // the ground is seen as after a gap.
            (Input::Picture(_), _) if self.health.snows() || hides(reason) => Vec::new(),
            (Input::Picture(picture), Segmenter::Ground(model)) => {
                self.looked = Some(now);
                let blobs = model.step(picture, now);
                self.health.path_dark(model.dark_share() > MOST_DARK);
                blobs
            }
            (Input::Picture(picture), Segmenter::Colour(colour)) => {
                self.looked = Some(now);
                let mask = &self.mask;
                colour.step(picture, |p| mask.covers(p))
            }
            _ => Vec::new(),
        };
        let (own, estimate) = self.own_motion(now);
        lap("segment");
        let contacts: Vec<Contact> = blobs.iter().filter_map(|b| self.ranger.step(b)).collect();
        lap("range");
        let obstacles = self.tracker.step(&contacts, own, now);
        lap("track");
        let verdict = self.zones.step(&obstacles, reason, now);
        let near = |o: &Obstacle| {
            let beside = o.nearest.side_m.abs() <= self.half_width_m;
            o.seen && o.age >= FOLLOWED && beside && announced_range_m(o) < FILLS_M
        };
        let told = matches!(verdict, Verdict::Obstacle(_));
        self.health.filled(told && obstacles.iter().any(near));
        lap("zone");
        Outcome {
            verdict,
            obstacles,
            contacts,
            own,
            estimate,
        }
    }

    /// How the vehicle moves at `now` by the pictures that were looked at, and how well that is
    /// known. The same picture once more shows no motion, which there may well be.
    fn own_motion(&self, now: Duration) -> (OwnMotion, Estimate) {
        let shown = self.looked.is_some() && !self.health.repeated();
        let (Segmenter::Ground(model), true) = (&self.segmenter, shown) else {
            return Default::default();
        };
        let estimate = *model.motion();
        if estimate.quality < MOTION_QUALITY {
            return (OwnMotion::default(), estimate);
        }
        let (speed, yaw_rate) = model.velocity(now);
        let own = OwnMotion {
            speed_mps: f64::from(speed),
            yaw_rate_rps: f64::from(yaw_rate),
            known: true,
        };
        (own, estimate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::{Picture, Plane};
    use rand::rngs::SmallRng;
    use rand::{Rng, SeedableRng};

    fn picture(mut luma: impl FnMut(usize, usize) -> u8) -> Picture {
        let mut y = Plane::filled(320, 240, 0);
        for row in 0..240 {
            for column in 0..320 {
                y.data[row * 320 + column] = luma(column, row);
            }
        }
        Picture {
            full_width: 640,
            full_height: 480,
            y,
            cb: Plane::filled(160, 120, 128),
            cr: Plane::filled(160, 120, 128),
        }
    }

    /// Of thirty pictures a second every third is looked at; between them the own speed goes on.
    #[test]
    fn pictures_that_follow_closely_are_not_all_looked_at() {
        for (rate_hz, every) in [(30.0, 3), (25.0, 2), (15.0, 2), (13.0, 1), (2.5, 1)] {
            let seconds = f64::from(every) / rate_hz;
            assert!((looks_every_s(rate_hz) - seconds).abs() < 1e-9, "{rate_hz}");
        }
        let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(profile.as_ref()).unwrap();
        let mut pipeline = Pipeline::new(&profile).unwrap();
        let mut rng = SmallRng::seed_from_u64(5);
        let mut shown = Vec::new();
        for n in 0..12u64 {
            let seen = picture(|_, _| rng.random_range(90..130));
            let now = Duration::from_micros(n * 33_333);
            pipeline.step(Input::Picture(&seen), now, &mut |_| ());
            let looked = pipeline.ground_model().unwrap().stages().panorama.y.clone();
            assert_eq!(looked != shown, n % 3 == 0, "picture {n}");
            shown = looked;
        }
        // A clock that goes back stops nothing.
        let seen = picture(|_, _| rng.random_range(90..130));
        pipeline.step(Input::Picture(&seen), Duration::ZERO, &mut |_| ());
        assert_ne!(pipeline.ground_model().unwrap().stages().panorama.y, shown);
    }

    /// What is seen after snow is what is seen where there was no picture at all.
    #[test]
    fn snow_teaches_nothing() {
        let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(profile.as_ref()).unwrap();
        let mut rng = SmallRng::seed_from_u64(9);
        let ground: Vec<u8> = (0..400 * 300).map(|_| rng.random_range(90..130)).collect();
        let mut after_snow = Pipeline::new(&profile).unwrap();
        let mut after_nothing = Pipeline::new(&profile).unwrap();
        let mut moved = false;
        for n in 0..24 {
            let now = Duration::from_millis(n * 66);
            let snow = picture(|_, _| rng.random());
            let shift = n as usize;
            let seen = picture(|x, y| ground[(y + shift) * 400 + x]);
            let outcome = |pipeline: &mut Pipeline, input| {
                let outcome = pipeline.step(input, now, &mut |_| ());
                format!("{:?} {:?}", outcome.estimate, outcome.contacts)
            };
            if n < 10 {
                outcome(&mut after_snow, Input::Picture(&snow));
                continue;
            }
            let told = outcome(&mut after_snow, Input::Picture(&seen));
            assert_eq!(
                told,
                outcome(&mut after_nothing, Input::Picture(&seen)),
                "{n}"
            );
            moved |= !told.starts_with(&format!("{:?} ", Estimate::default()));
        }
        assert!(moved, "the ground is seen to move");
    }

    /// However slow a fault is to be announced, what never showed any ground is not clear:
    /// a still, coloured picture, and snow.
    #[test]
    fn what_never_showed_ground_is_never_clear() {
        let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let mut profile = Profile::load(profile.as_ref()).unwrap();
        profile.health.settle = Duration::from_secs(2);
        assert!(profile.health.recover < profile.health.settle);
        let mut rng = SmallRng::seed_from_u64(2);
        let bars = picture(|x, y| (x / 40 * 30) as u8 + (y % 7) as u8);
        let snow = || picture(|_, _| rng.random());
        let still = || bars.clone();
        let shown: [(Box<dyn FnMut() -> Picture>, _); 2] = [
            (Box::new(still), Reason::Frozen),
            (Box::new(snow), Reason::Broken),
        ];
        for (mut next, reason) in shown {
            let mut pipeline = Pipeline::new(&profile).unwrap();
            for n in 0..100 {
                let now = Duration::from_millis(n * 33);
                let outcome = pipeline.step(Input::Picture(&next()), now, &mut |_| ());
                assert_ne!(outcome.verdict, Verdict::Clear, "{reason:?}, picture {n}");
                if n > 70 {
                    assert_eq!(outcome.verdict, Verdict::CannotTell { reason }, "{n}");
                }
            }
        }
    }

    /// What lies before the lens is not looked at, once it is known to lie there.
    #[test]
    fn a_cover_teaches_nothing() {
        let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(profile.as_ref()).unwrap();
        let mut rng = SmallRng::seed_from_u64(4);
        let mut pipeline = Pipeline::new(&profile).unwrap();
        let mut looked_at = Vec::new();
        for n in 0..45 {
            let now = Duration::from_millis(n * 66);
            let noise = rng.random_range(0..3);
            let seen = if n < 20 {
                picture(|_, _| rng.random_range(90..130))
            } else {
                picture(|x, _| 40 + noise + (x / 60) as u8)
            };
            let outcome = pipeline.step(Input::Picture(&seen), now, &mut |_| ());
            let shown = pipeline.ground_model().unwrap().stages().panorama.y.clone();
            let covered = Verdict::CannotTell {
                reason: Reason::Covered,
            };
            if outcome.verdict == covered {
                assert!(shown == looked_at, "picture {n} was looked at");
            } else {
                assert!(n < 40, "the cover is announced by then");
                looked_at = shown;
            }
        }
    }
}
