//! Whether the picture can be trusted at all.

use std::time::Duration;

use crate::camera::Picture;
use crate::profile::HealthSettings;
use crate::zone::Reason;

use super::sharpness::{Sharpness, Steadiness};

/// What arrived in this turn of the loop.
#[derive(Debug, Clone, Copy)]
pub enum Input<'a> {
    /// A new picture.
    Picture(&'a Picture),
    /// A frame that could not be read.
    Broken,
    /// Nothing.
    Missing,
}

/// Every how many samples of the plane one is looked at, each way.
const STRIDE: usize = 2;
/// Luma from which a pixel is burnt out.
const BURNT: u8 = 250;
/// Share of samples that may differ in a picture that is still frozen:
/// re-encoding an identical picture changes next to nothing.
const FROZEN_SHARE: f64 = 0.001;

/// Steps from sample to sample that make noise, of 255, after halving: full-range snow
/// has more than 40, that of the kernel's `vivid` 30 and as little as 27 in a tenth of
/// its blocks. In nine tenths of its blocks no picture of the suite has more than 6.
const NOISE_STEP: u32 = 18;
/// Share of the picture that is noise where no signal comes.
const NOISE_SHARE: f64 = 0.9;
/// Noise changes as much from picture to picture as from sample to sample;
/// independent values do so exactly, and this leaves room for chance.
const NOISE_ALIKE: f64 = 0.8;

/// What a picture has of the snow that a receiver shows without a signal: strong, and
/// all of it new in each picture. Gravel under a moving vehicle is new only where it is
/// near.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Snow {
    None,
    /// As strong as snow, but not all of it new: snow where a picture was, for one.
    Strong,
    Falling,
}

fn snow(now: &[u8], before: &[u8], width: usize) -> Snow {
    const BLOCK: usize = 16;
    let height = now.len() / width.max(1);
    let (mut blocks, mut strong, mut new) = (0u32, 0u32, 0u32);
    for top in (0..height.saturating_sub(BLOCK - 1)).step_by(BLOCK) {
        for left in (0..width.saturating_sub(BLOCK)).step_by(BLOCK) {
            let (mut across, mut over) = (0u32, 0u32);
            for y in top..top + BLOCK {
                let at = y * width + left;
                let (row, next) = (&now[at..at + BLOCK], &now[at + 1..at + BLOCK + 1]);
                let old = &before[at..at + BLOCK];
                for ((a, b), o) in row.iter().zip(next).zip(old) {
                    across += u32::from(a.abs_diff(*b));
                    over += u32::from(a.abs_diff(*o));
                }
            }
            blocks += 1;
            if across >= NOISE_STEP * (BLOCK * BLOCK) as u32 {
                strong += 1;
                new += u32::from(f64::from(over) >= NOISE_ALIKE * f64::from(across));
            }
        }
    }
    let nearly_all = |n| blocks > 0 && f64::from(n) >= NOISE_SHARE * f64::from(blocks);
    match (nearly_all(new), nearly_all(strong)) {
        (true, _) => Snow::Falling,
        (false, true) => Snow::Strong,
        (false, false) => Snow::None,
    }
}

/// Whether a reason is that detail is missing, which a near thing hides as well.
fn blurs(reason: Reason) -> bool {
    matches!(reason, Reason::Covered | Reason::Smeared | Reason::Dirty)
}

/// The state of the picture over time.
#[derive(Debug, Clone)]
pub struct Health {
    settings: HealthSettings,
    samples: Vec<u8>,
    path_dark: bool,
    filled: bool,
    sharpness: Sharpness,
    steadiness: Steadiness,
    previous: Vec<u8>,
    /// The picture has been the same again since then.
    repeats_since: Option<Duration>,
    snow: Snow,
    suspect: Option<(Reason, Duration)>,
    announced: Option<Reason>,
    good_since: Option<Duration>,
    last_picture: Option<Duration>,
}

impl Health {
    /// Nothing seen yet.
    pub fn new(settings: HealthSettings) -> Self {
        Health {
            settings,
            samples: Vec::new(),
            path_dark: false,
            filled: false,
            sharpness: Sharpness::default(),
            steadiness: Steadiness::default(),
            previous: Vec::new(),
            repeats_since: None,
            snow: Snow::None,
            suspect: None,
            announced: None,
            good_since: None,
            last_picture: None,
        }
    }

    /// Takes in whether the vehicle's near path was too dark in the last picture:
    /// lamps may light the rest of it.
    pub fn path_dark(&mut self, dark: bool) {
        self.path_dark = dark;
    }

    /// Takes in whether a thing is being announced that has been followed for a while and
    /// stands so near that it fills the picture: then detail is not missing, but hidden
    /// behind it, and the driver must not hear of a fault in place of the thing. The picture
    /// is doubted all the same, and the fault told soon after the thing is.
    pub fn filled(&mut self, filled: bool) {
        self.filled = filled;
    }

    /// Whether the last picture was the one before it, once more.
    pub fn repeated(&self) -> bool {
        self.repeats_since.is_some()
    }

    /// Whether the last picture says nothing for the camera: it was at fault, though not for
    /// so long that it is announced, or the one before it once more.
    pub fn doubts(&self) -> bool {
        self.suspect.is_some() || self.repeated()
    }

    /// Whether the last picture was snow, from which nothing is to be learnt of the
    /// ground. What is only as strong is looked at: unseen it would pass for clear.
    pub fn snows(&self) -> bool {
        self.snow == Snow::Falling
    }

    /// Judges what arrived at `now`; a reason if the picture cannot be trusted.
    pub fn step(&mut self, input: Input<'_>, now: Duration) -> Option<Reason> {
        let finding = match input {
            Input::Missing => {
                let since = self.last_picture?;
                let late = now.saturating_sub(since) >= self.settings.stale;
                return if late {
                    self.enter(Reason::Late, now)
                } else {
                    self.announced
                };
            }
            Input::Broken => {
                self.repeats_since = None;
                Some(Reason::Broken)
            }
            Input::Picture(p) => {
                let gap = self
                    .last_picture
                    .map_or(Duration::ZERO, |l| now.saturating_sub(l));
                self.last_picture = Some(now);
                if gap >= self.settings.stale {
                    self.enter(Reason::Late, now);
                    // Power may have been off meanwhile, and the place another.
                    self.sharpness = Sharpness::default();
                }
                let finding = self.look(p, gap);
                if finding == Some(Reason::Frozen) {
                    let since = *self.repeats_since.get_or_insert(now);
                    if now.saturating_sub(since) < self.settings.settle {
                        // A converter from one rate to another shows pictures twice.
                        // That is no fault, and must not keep one from ending.
                        return self.announced;
                    }
                    self.suspect.get_or_insert((Reason::Frozen, since));
                } else {
                    self.repeats_since = None;
                }
                finding
            }
        };
        match finding {
            Some(reason) => {
                self.good_since = None;
                let since = match self.suspect {
                    Some((_, since)) if !(self.filled && blurs(reason)) => since,
                    _ => now,
                };
                self.suspect = Some((reason, since));
                if now.saturating_sub(since) >= self.settings.settle || self.announced.is_some() {
                    self.announced = Some(reason);
                }
            }
            None => {
                self.suspect = None;
                let since = *self.good_since.get_or_insert(now);
                if now.saturating_sub(since) >= self.settings.settle {
                    self.announced = None;
                }
            }
        }
        self.announced
    }

    fn enter(&mut self, reason: Reason, now: Duration) -> Option<Reason> {
        self.suspect = Some((reason, now));
        self.good_since = None;
        self.announced = Some(reason);
        self.announced
    }

    fn look(&mut self, p: &Picture, gap: Duration) -> Option<Reason> {
        std::mem::swap(&mut self.samples, &mut self.previous);
        self.samples.clear();
        for y in (0..p.y.height).step_by(STRIDE) {
            self.samples
                .extend(p.y.row(y).iter().step_by(STRIDE).copied());
        }
        let fell = std::mem::replace(&mut self.snow, Snow::None);
        let shaken = self.steadiness.step(&p.y);
        let n = self.samples.len().max(1) as f64;
        let (mut sum, mut burnt) = (0u64, 0u32);
        for &v in &self.samples {
            sum += u64::from(v);
            burnt += u32::from(v >= BURNT);
        }
        if self.path_dark || sum as f64 / n < self.settings.dark_luma {
            return Some(Reason::Dark);
        }
        if f64::from(burnt) / n > self.settings.washed_share {
            return Some(Reason::WashedOut);
        }
        let width = p.y.width.div_ceil(STRIDE);
        if self.samples.len() != self.previous.len() {
            // Strong all over it may be, new it is anyway.
            self.snow = snow(&self.samples, &self.samples, width);
        } else {
            let differ = self
                .samples
                .iter()
                .zip(&self.previous)
                .filter(|(a, b)| a != b)
                .count();
            if (differ as f64) < FROZEN_SHARE * n {
                return Some(Reason::Frozen);
            }
            self.snow = match (fell, snow(&self.samples, &self.previous, width)) {
                (Snow::Falling, Snow::Strong) => Snow::Falling,
                (_, seen) => seen,
            };
        }
        if self.snow != Snow::None {
            // Beside a single picture of snow any ground has lost its detail.
            self.sharpness = Sharpness::default();
            return (self.snow == Snow::Falling).then_some(Reason::Broken);
        }
        if let Some(reason) = self.sharpness.step(&p.y, self.settings.dirt_share, gap) {
            return Some(reason);
        }
        shaken.then_some(Reason::Shaken)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::Plane;
    use rand::rngs::SmallRng;
    use rand::{Rng, SeedableRng};

    const SETTINGS: HealthSettings = HealthSettings {
        settle: Duration::from_millis(300),
        recover: Duration::from_millis(500),
        stale: Duration::from_millis(300),
        dark_luma: 14.0,
        washed_share: 0.5,
        dirt_share: 0.15,
    };

    /// A picture whose samples lie within `depth` of 120, by chance.
    /// Above 50 or so it has the strength of snow.
    fn grain(rng: &mut SmallRng, depth: u8) -> Picture {
        let mut y = Plane::filled(320, 240, 0);
        for v in &mut y.data {
            *v = 120 - depth / 2 + rng.random_range(0..=depth);
        }
        Picture {
            full_width: 640,
            full_height: 480,
            y,
            cb: Plane::filled(1, 1, 128),
            cr: Plane::filled(1, 1, 128),
        }
    }

    fn after(
        health: &mut Health,
        from_ms: u64,
        mut next: impl FnMut() -> Picture,
    ) -> Option<Reason> {
        let mut last = None;
        for n in 0..40 {
            let now = Duration::from_millis(from_ms + n * 33);
            last = health.step(Input::Picture(&next()), now);
        }
        last
    }

    /// A grabber that shows a camera of 25/s at 30/s repeats each fifth picture, one
    /// that shows 12.5/s at 25/s each.
    #[test]
    fn pictures_shown_twice_are_no_fault_and_end_one() {
        for every in [5, 1] {
            let mut rng = SmallRng::seed_from_u64(7);
            let mut health = Health::new(SETTINGS);
            let mut shown = grain(&mut rng, 48);
            let mut n = 0;
            let mut next = || {
                n += 1;
                if n % (every + 1) != 0 {
                    shown = grain(&mut rng, 48);
                }
                shown.clone()
            };
            assert_eq!(after(&mut health, 0, &mut next), None, "each {every}th");
            // After a loss of the camera, which is announced.
            let ms = Duration::from_millis;
            assert_eq!(health.step(Input::Missing, ms(3000)), Some(Reason::Late));
            assert_eq!(after(&mut health, 3100, &mut next), None, "each {every}th");
            let still = next();
            let frozen = |from_ms, health: &mut Health| after(health, from_ms, || still.clone());
            assert_eq!(frozen(5000, &mut health), Some(Reason::Frozen));
            assert!(health.repeated());
            assert_eq!(after(&mut health, 7000, &mut next), None, "thawed");
        }
    }

    #[test]
    fn snow_is_no_picture_and_teaches_nothing() {
        let mut rng = SmallRng::seed_from_u64(3);
        let mut health = Health::new(SETTINGS);
        let said = after(&mut health, 0, || grain(&mut rng, 200));
        assert_eq!(said, Some(Reason::Broken));
        // Duller snow, as the kernel's `vivid` shows it, halved: four even values in one.
        let dull = |rng: &mut SmallRng| {
            let mut p = grain(rng, 0);
            for v in &mut p.y.data {
                let four: u32 = (0..4).map(|_| rng.random_range(16..=182u32)).sum();
                *v = (four / 4) as u8;
            }
            p
        };
        let mut dull_only = Health::new(SETTINGS);
        for n in 0..60 {
            let now = Duration::from_millis(n * 400);
            let said = dull_only.step(Input::Picture(&dull(&mut rng)), now);
            assert!(n < 2 || said == Some(Reason::Broken), "{n}: {said:?}");
            assert!(n < 1 || dull_only.doubts(), "{n}");
        }
        // Fine ground then; snow must not make it pass for a covered lens.
        let ground = grain(&mut rng, 16);
        let said = after(&mut health, 1320, || {
            let mut seen = ground.clone();
            let at = rng.random_range(0..seen.y.data.len() / 2);
            seen.y.data[at..]
                .iter_mut()
                .for_each(|v| *v = v.saturating_add(2));
            seen
        });
        assert_eq!(said, None);
        assert!(!health.snows());
        // Half of it stands still, as where snow begins, or ends, within a picture: that
        // may be no snow, but it is no measure of what the ground shows either.
        let snow = grain(&mut rng, 200);
        let mut half = snow.clone();
        let middle = half.y.data.len() / 2;
        half.y.data[middle..].copy_from_slice(&grain(&mut rng, 200).y.data[middle..]);
        let ms = Duration::from_millis;
        health.step(Input::Picture(&snow), ms(2650));
        health.step(Input::Picture(&half), ms(2683));
        assert!(!health.snows(), "not all of it is new");
        let said = after(&mut health, 2716, || grain(&mut rng, 16));
        assert_eq!(said, None);
        // The very first picture is snow.
        let mut health = Health::new(SETTINGS);
        health.step(Input::Picture(&snow), Duration::ZERO);
        let said = after(&mut health, 33, || grain(&mut rng, 16));
        assert_eq!(said, None);
        // Three quarters of it are, as where the signal comes within a picture.
        let mut torn = grain(&mut rng, 16);
        let part = torn.y.data.len() * 3 / 4;
        torn.y.data[..part].copy_from_slice(&grain(&mut rng, 200).y.data[..part]);
        let mut health = Health::new(SETTINGS);
        health.step(Input::Picture(&torn), Duration::ZERO);
        let said = after(&mut health, 33, || grain(&mut rng, 16));
        assert_eq!(said, None);
        // Strong texture that stands still, or of which half stands still, is none.
        let strong = grain(&mut rng, 200);
        let half = |rng: &mut SmallRng| {
            let mut seen = grain(rng, 200);
            let still = strong.y.data.len() / 2;
            seen.y.data[..still].copy_from_slice(&strong.y.data[..still]);
            seen
        };
        let mut health = Health::new(SETTINGS);
        assert_ne!(
            after(&mut health, 0, || half(&mut rng)),
            Some(Reason::Broken)
        );
    }

    #[test]
    fn a_lens_covered_from_the_start_is_no_clear_picture() {
        let mut rng = SmallRng::seed_from_u64(5);
        let mut health = Health::new(SETTINGS);
        let said = after(&mut health, 0, || grain(&mut rng, 3));
        assert_eq!(said, Some(Reason::Covered));
    }

    #[test]
    fn light_beside_a_dark_path_is_too_little() {
        let mut rng = SmallRng::seed_from_u64(6);
        let mut health = Health::new(SETTINGS);
        health.path_dark(true);
        let said = after(&mut health, 0, || grain(&mut rng, 48));
        assert_eq!(said, Some(Reason::Dark));
        health.path_dark(false);
        assert_eq!(after(&mut health, 1320, || grain(&mut rng, 48)), None);
    }

    #[test]
    fn another_place_after_a_loss_of_power_is_no_covered_lens() {
        let mut rng = SmallRng::seed_from_u64(4);
        let mut health = Health::new(SETTINGS);
        assert_eq!(after(&mut health, 0, || grain(&mut rng, 48)), None);
        // On the same ground, without a loss, so little detail is a fault.
        let mut covered = health.clone();
        let said = after(&mut covered, 1320, || grain(&mut rng, 14));
        assert!(
            matches!(said, Some(Reason::Covered | Reason::Smeared)),
            "{said:?}"
        );
        assert_eq!(after(&mut health, 60_000, || grain(&mut rng, 14)), None);
    }

    /// A smooth thing that fills the picture is no fault while it is told; the picture is
    /// doubted meanwhile, and a fault once it has been gone for as long as faults settle.
    #[test]
    fn what_fills_the_picture_is_no_fault_but_the_picture_is_doubted() {
        for filled in [true, false] {
            let mut rng = SmallRng::seed_from_u64(11);
            let mut health = Health::new(SETTINGS);
            assert_eq!(after(&mut health, 0, || grain(&mut rng, 30)), None);
            health.filled(filled);
            let mut smooth = || grain(&mut rng, 1);
            let told = after(&mut health, 1320, &mut smooth);
            assert_eq!(told.is_none(), filled, "{told:?}");
            assert!(health.doubts());
            health.filled(false);
            let first = health.step(Input::Picture(&smooth()), Duration::from_millis(2640));
            assert_eq!(first.is_none(), filled, "{first:?}");
            assert!(after(&mut health, 2673, &mut smooth).is_some());
        }
    }
}
