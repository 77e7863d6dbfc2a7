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

/// The state of the picture over time.
#[derive(Debug, Clone)]
pub struct Health {
    settings: HealthSettings,
    samples: Vec<u8>,
    sharpness: Sharpness,
    steadiness: Steadiness,
    previous: Vec<u8>,
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
            sharpness: Sharpness::default(),
            steadiness: Steadiness::default(),
            previous: Vec::new(),
            suspect: None,
            announced: None,
            good_since: None,
            last_picture: None,
        }
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
            Input::Broken => Some(Reason::Broken),
            Input::Picture(p) => {
                let gap = self
                    .last_picture
                    .map_or(Duration::ZERO, |l| now.saturating_sub(l));
                self.last_picture = Some(now);
                if gap >= self.settings.stale {
                    self.enter(Reason::Late, now);
                }
                self.look(p)
            }
        };
        match finding {
            Some(reason) => {
                self.good_since = None;
                let since = match self.suspect {
                    Some((_, since)) => since,
                    None => now,
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

    fn look(&mut self, p: &Picture) -> Option<Reason> {
        std::mem::swap(&mut self.samples, &mut self.previous);
        self.samples.clear();
        for y in (0..p.y.height).step_by(STRIDE) {
            self.samples
                .extend(p.y.row(y).iter().step_by(STRIDE).copied());
        }
        let shaken = self.steadiness.step(&p.y);
        let n = self.samples.len().max(1) as f64;
        let (mut sum, mut burnt) = (0u64, 0u32);
        for &v in &self.samples {
            sum += u64::from(v);
            burnt += u32::from(v >= BURNT);
        }
        if sum as f64 / n < self.settings.dark_luma {
            return Some(Reason::Dark);
        }
        if f64::from(burnt) / n > self.settings.washed_share {
            return Some(Reason::WashedOut);
        }
        if self.samples.len() == self.previous.len() {
            let differ = self
                .samples
                .iter()
                .zip(&self.previous)
                .filter(|(a, b)| a != b)
                .count();
            if (differ as f64) < FROZEN_SHARE * n {
                return Some(Reason::Frozen);
            }
        }
        if let Some(reason) = self.sharpness.step(&p.y, self.settings.dirt_share) {
            return Some(reason);
        }
        shaken.then_some(Reason::Shaken)
    }
}
