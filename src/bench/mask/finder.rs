//! Which pixels show the own vehicle, from pictures between which it moved.
//!
//! Two accounts of each pixel compete over pairs of pictures: it shows ground, and
//! then looks as the ground's place looked before ([`Motion`] and the ground's
//! geometry say where that was in the picture); or it shows the vehicle, and then
//! looks as it always does. What is compared is local contrast less its lasting
//! part, so that neither the vehicle's own shadow nor its lamps' light, which move
//! with it but lie on the ground, pass for vehicle. Smooth ground favours neither
//! account and stays undecided.

use std::collections::VecDeque;

use image::{GrayImage, Luma};
use imageproc::distance_transform::{euclidean_squared_distance_transform, Norm};
use imageproc::morphology;
use imageproc::region_labelling::{connected_components, Connectivity};
use rayon::prelude::*;

use crate::camera::Picture;
use crate::optics::{Ground, GroundPoint, PixelPoint};
use crate::segment::relief::Filter;
use crate::segment::Motion;

/// Ground farther than this is seen too flat to tell.
const FARTHEST_M: f64 = 8.0;
/// Driven between kept pictures and over a pair of them, metres for a lens that
/// is a metre up or lower.
const SPACING_M: f32 = 0.08;
const LONGEST_M: f32 = 0.6;
const SHORTEST_M: f32 = 0.07;
/// Kept pictures, and earlier ones that each is compared with.
const MOST_KEYS: usize = 60;
const COMPARED: usize = 8;
/// The ground must have moved by this many samples to tell.
const LEAST_SHIFT: f32 = 2.0;
/// No difference counts more than this, lest one edge outweigh the rest.
const MOST_DIFFERENCE: f32 = 40.0;
/// Comparisons of a pixel before it is judged.
const LEAST_PAIRS: f32 = 6.0;
/// Share by which one account must beat the other.
const DECIDED: f32 = 0.08;
/// The vehicle changes by the sensor's noise alone: by no more than so many times
/// what the quietest pixels do.
const QUIET: f32 = 2.5;
const QUIETEST_PERCENT: usize = 2;
/// Ground is lively that changes by so many times as much.
const LIVELY: f32 = 5.0;
/// Undecided pixels go with the nearest decided ones up to this far, samples: quiet
/// ones, and the blurred edge, which is not.
const REACH: f64 = 60.0;
const EDGE: f64 = 4.0;
/// Least part of the vehicle, as a share of the picture.
const LEAST_SHARE: f64 = 0.001;
/// Added all around: the blurred edge, and a body that shakes against the lens.
const RIM: u8 = 3;

/// What the clip says of each sample of the decoded picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    /// The own vehicle.
    Vehicle,
    /// Ground, or what stands on it.
    Ground,
    /// Ground or vehicle, which cannot be told.
    Undecided,
    /// Too far or too high to ask.
    Beyond,
}

/// The answer over the decoded picture.
#[derive(Debug, Clone)]
pub struct Found {
    /// Samples across.
    pub width: usize,
    /// What each sample shows, row by row.
    pub shows: Vec<Shows>,
    /// Pairs of pictures that were compared.
    pub pairs: usize,
}

impl Found {
    /// Share of the picture that shows the vehicle.
    pub fn share(&self) -> f64 {
        self.part(|s| s == Shows::Vehicle, |_| true)
    }

    /// Share of what could be ground or vehicle that is neither for sure.
    pub fn undecided(&self) -> f64 {
        self.part(|s| s == Shows::Undecided, |s| s != Shows::Beyond)
    }

    fn part(&self, of: impl Fn(Shows) -> bool, all: impl Fn(Shows) -> bool) -> f64 {
        let n = self.shows.iter().filter(|s| all(**s)).count();
        let k = self.shows.iter().filter(|s| of(**s)).count();
        k as f64 / n.max(1) as f64
    }
}

/// First pass: pixels that hardly ever change while the rest does. A rough guess
/// that keeps the vehicle's strong edges out of the estimate of its motion.
#[derive(Debug, Default)]
pub struct Stillness {
    filter: Filter,
    relief: Vec<f32>,
    sum: Vec<f32>,
    squares: Vec<f32>,
    light: Vec<f32>,
    frames: f32,
}

impl Stillness {
    /// Takes one picture in.
    pub fn add(&mut self, picture: &Picture) {
        let (w, h) = (picture.y.width, picture.y.height);
        let y: Vec<f32> = picture.y.data.iter().map(|&v| f32::from(v)).collect();
        self.filter.relief(&y, w, h, &mut self.relief);
        for sums in [&mut self.sum, &mut self.squares, &mut self.light] {
            sums.resize(y.len(), 0.0);
        }
        for (k, &r) in self.relief.iter().enumerate() {
            self.sum[k] += r;
            self.squares[k] += r * r;
            self.light[k] += y[k];
        }
        self.frames += 1.0;
    }

    /// Samples that stay as they are, of those that may show ground; none if the
    /// ground itself hardly changes.
    pub fn still(&self, width: usize, near: &[bool]) -> Vec<bool> {
        let n = self.frames.max(1.0);
        // Sensor noise weighs more where it is dark: `relief` divides by the light.
        let change: Vec<f32> = (0..self.sum.len())
            .map(|k| {
                let mean = self.sum[k] / n;
                let variance = (self.squares[k] / n - mean * mean).max(0.0);
                variance.sqrt() * (self.light[k] / n + 20.0)
            })
            .collect();
        let mut known: Vec<f32> = (0..change.len())
            .filter(|&k| near.get(k).copied().unwrap_or(false))
            .map(|k| change[k])
            .collect();
        if known.len() < 200 {
            return vec![false; change.len()];
        }
        known.sort_by(f32::total_cmp);
        let quiet = known[known.len() * QUIETEST_PERCENT / 100];
        let usual = known[known.len() / 2];
        if usual < 3.0 * quiet {
            return vec![false; change.len()];
        }
        let picked = (0..change.len()).map(|k| near[k] && change[k] < 2.0 * quiet);
        let image = gray(width, picked);
        let image = morphology::open(&image, Norm::LInf, 2);
        let image = morphology::dilate(&image, Norm::LInf, 4);
        image.iter().map(|&v| v > 0).collect()
    }
}

/// A kept picture and the motion from it to the next kept one.
#[derive(Debug)]
struct Key {
    luma: Vec<f32>,
    motion: Motion,
    /// Whether that motion is known.
    joined: bool,
}

/// Second pass: keeps pictures by distance driven, then judges each pixel.
#[derive(Debug)]
pub struct Finder {
    ground: Ground,
    width: usize,
    height: usize,
    /// Full-size pixels per sample.
    scale: f64,
    /// Ground place of each sample relative to the lens's foot point.
    places: Vec<Option<(f32, f32)>>,
    keys: Vec<Key>,
    /// Metres driven, as far as it is known.
    pub driven_m: f32,
}

impl Finder {
    /// For pictures decoded to `width × height` samples of `scale` pixels.
    pub fn new(ground: Ground, width: usize, height: usize, scale: u8) -> Self {
        let scale = f64::from(scale);
        let foot = ground.camera_position();
        let places = (0..width * height)
            .map(|k| {
                let p = PixelPoint {
                    u: scale * (k % width) as f64 + (scale - 1.0) / 2.0,
                    v: scale * (k / width) as f64 + (scale - 1.0) / 2.0,
                };
                let g = ground.to_ground(p)?;
                let (x, y) = (g.behind_m - foot.x, g.side_m - foot.y);
                (x.hypot(y) < FARTHEST_M).then_some((x as f32, y as f32))
            })
            .collect();
        Finder {
            ground,
            width,
            height,
            scale,
            places,
            keys: Vec::new(),
            driven_m: 0.0,
        }
    }

    /// Samples that show ground if nothing hides it.
    pub fn near(&self) -> Vec<bool> {
        self.places.iter().map(Option::is_some).collect()
    }

    /// Whether enough has been kept.
    pub fn full(&self) -> bool {
        self.keys.len() >= MOST_KEYS
    }

    /// Takes one picture in, with the motion since the one before if it is known.
    /// Says whether the picture was kept.
    pub fn add(&mut self, picture: &Picture, motion: Option<Motion>) -> bool {
        let high = self.ground.mount().height.0 as f32;
        let spacing = SPACING_M * high.max(1.0);
        let keep = match (self.keys.last_mut(), motion) {
            (Some(key), Some(motion)) => {
                key.motion = key.motion.then(&motion);
                self.driven_m += motion.distance();
                key.motion.distance() >= spacing
            }
            (Some(key), None) => {
                key.joined = false;
                true
            }
            (None, _) => true,
        };
        if keep && (picture.y.width, picture.y.height) == (self.width, self.height) {
            self.keys.push(Key {
                luma: picture.y.data.iter().map(|&v| f32::from(v)).collect(),
                motion: Motion::default(),
                joined: true,
            });
        }
        keep
    }

    /// The answer from all that was kept.
    pub fn find(self) -> Found {
        let n = self.width * self.height;
        let mut filter = Filter::default();
        let mut lasting = vec![0.0f32; n];
        let mut light = vec![0.0f32; n];
        let count = self.keys.len().max(1) as f32;
        let mut reliefs: Vec<Vec<f32>> = Vec::with_capacity(self.keys.len());
        for key in &self.keys {
            let mut relief = Vec::new();
            filter.relief(&key.luma, self.width, self.height, &mut relief);
            for k in 0..n {
                lasting[k] += relief[k] / count;
                light[k] += key.luma[k] / count;
            }
            reliefs.push(relief);
        }
        for relief in &mut reliefs {
            for (r, l) in relief.iter_mut().zip(&lasting) {
                *r -= l;
            }
            // Looking between samples smooths the ground's account; smoothing both
            // keeps plain noise from favouring it.
            let smooth = filter.box_mean(relief, self.width, self.height, 1);
            relief.copy_from_slice(smooth);
        }
        let mut sums = vec![[0.0f32; 3]; n];
        let pairs = self.pairs();
        for (earlier, later, motion) in &pairs {
            self.compare(&reliefs[*earlier], &reliefs[*later], motion, &mut sums);
        }
        let mut smoothed: Vec<Vec<f32>> = Vec::with_capacity(3);
        for i in 0..3 {
            let plane: Vec<f32> = sums.iter().map(|s| s[i]).collect();
            smoothed.push(filter.box_mean(&plane, self.width, self.height, 2).to_vec());
        }
        Found {
            width: self.width,
            shows: self.judge(&smoothed, &light),
            pairs: pairs.len(),
        }
    }

    /// Pairs of kept pictures and how the vehicle moved from the earlier one.
    fn pairs(&self) -> Vec<(usize, usize, Motion)> {
        let high = self.ground.mount().height.0 as f32;
        let mut pairs = Vec::new();
        let mut open: VecDeque<(usize, Motion)> = VecDeque::new();
        for (later, key) in self.keys.iter().enumerate() {
            for (earlier, motion) in &open {
                let along = motion.distance();
                if along > SHORTEST_M * high.max(1.0) && along < LONGEST_M * high.max(1.0) {
                    pairs.push((*earlier, later, *motion));
                }
            }
            open.push_back((later, Motion::default()));
            if open.len() > COMPARED {
                open.pop_front();
            }
            for (_, motion) in &mut open {
                *motion = motion.then(&key.motion);
            }
            if !key.joined {
                open.clear();
            }
        }
        pairs
    }

    /// Adds to each sample: what stays, what the ground does, comparisons.
    fn compare(&self, earlier: &[f32], later: &[f32], motion: &Motion, sums: &mut [[f32; 3]]) {
        let foot = self.ground.camera_position();
        let (sin, cos) = motion.yaw.sin_cos();
        let (w, h) = (self.width, self.height);
        sums.par_chunks_mut(w).enumerate().for_each(|(row, sums)| {
            for (column, sum) in sums.iter_mut().enumerate() {
                let k = row * w + column;
                let Some((x, y)) = self.places[k] else {
                    continue;
                };
                let before = GroundPoint {
                    behind_m: f64::from(cos * x - sin * y + motion.along) + foot.x,
                    side_m: f64::from(sin * x + cos * y + motion.across) + foot.y,
                };
                let Some(p) = self.ground.to_pixel(before) else {
                    continue;
                };
                let at = |full: f64| ((full - (self.scale - 1.0) / 2.0) / self.scale) as f32;
                let (u, v) = (at(p.u), at(p.v));
                let shift = (u - column as f32).hypot(v - row as f32);
                if shift < LEAST_SHIFT
                    || u < 1.0
                    || v < 1.0
                    || u > (w - 2) as f32
                    || v > (h - 2) as f32
                {
                    continue;
                }
                let Some(ground) = crate::segment::look(earlier, w, h, u, v) else {
                    continue;
                };
                sum[0] += (later[k] - earlier[k]).abs().min(MOST_DIFFERENCE);
                sum[1] += (later[k] - ground).abs().min(MOST_DIFFERENCE);
                sum[2] += 1.0;
            }
        });
    }

    fn judge(&self, sums: &[Vec<f32>], light: &[f32]) -> Vec<Shows> {
        let n = self.width * self.height;
        let seen: Vec<bool> = sums[2].iter().map(|&c| c >= LEAST_PAIRS).collect();
        let noise = |k: usize| sums[0][k] / sums[2][k].max(1.0) * (light[k] + 20.0);
        let gain = |k: usize| (sums[1][k] - sums[0][k]) / (sums[1][k] + sums[0][k]).max(1e-6);
        let mut quiet: Vec<f32> = (0..n).filter(|&k| seen[k]).map(noise).collect();
        quiet.sort_by(f32::total_cmp);
        let Some(&quiet) = quiet.get(quiet.len() * QUIETEST_PERCENT / 100) else {
            return vec![Shows::Beyond; n];
        };
        let own = gray(
            self.width,
            (0..n).map(|k| seen[k] && gain(k) > DECIDED && noise(k) < QUIET * quiet),
        );
        let own = morphology::open(&own, Norm::LInf, 2);
        let ground: Vec<bool> = (0..n).map(|k| seen[k] && gain(k) < -DECIDED).collect();
        let to_own = distances(&own);
        let to_ground = distances(&gray(self.width, ground.iter().copied()));
        // Where the ground is lively, what is quiet beside the vehicle belongs to it;
        // where it is not, the nearer of the two has it.
        let mut liveliness: Vec<f32> = (0..n).filter(|&k| ground[k]).map(noise).collect();
        liveliness.sort_by(f32::total_cmp);
        let lively = liveliness.get(liveliness.len() / 2).copied().unwrap_or(0.0);
        let telling = lively > LIVELY * quiet;
        let grown = gray(
            self.width,
            (0..n).map(|k| {
                let still = noise(k) < QUIET * quiet;
                let reach = if still { REACH } else { EDGE };
                let ours = (still && telling) || to_own[k] < to_ground[k];
                let near = ours && to_own[k] < reach * reach;
                own.as_raw()[k] > 0 || (near && !ground[k] && self.places[k].is_some())
            }),
        );
        let held = morphology::dilate(&self.reaching_the_border(&grown), Norm::LInf, RIM);
        (0..n)
            .map(|k| match () {
                () if held.as_raw()[k] > 0 => Shows::Vehicle,
                () if ground[k] => Shows::Ground,
                () if seen[k] => Shows::Undecided,
                () => Shows::Beyond,
            })
            .collect()
    }

    /// The vehicle reaches into the picture from its border; what does not is
    /// something else.
    fn reaching_the_border(&self, image: &GrayImage) -> GrayImage {
        let labels = connected_components(image, Connectivity::Four, Luma([0u8]));
        let most = labels.iter().copied().max().unwrap_or(0) as usize;
        let mut areas = vec![0usize; most + 1];
        let mut border = vec![false; most + 1];
        for (x, y, label) in labels.enumerate_pixels() {
            let label = label.0[0] as usize;
            areas[label] += 1;
            border[label] |= x == 0 || x + 1 == labels.width() || y + 1 == labels.height();
        }
        let least = LEAST_SHARE * (self.width * self.height) as f64;
        gray(
            self.width,
            labels.iter().map(|&label| {
                let label = label as usize;
                label > 0 && border[label] && areas[label] as f64 >= least
            }),
        )
    }
}

/// A picture of 255 and 0.
fn gray(width: usize, on: impl Iterator<Item = bool>) -> GrayImage {
    let data: Vec<u8> = on.map(|b| if b { 255 } else { 0 }).collect();
    let height = data.len() / width.max(1);
    GrayImage::from_raw(width as u32, height as u32, data).unwrap_or_default()
}

/// Squared distance of each sample to the nearest that is on; infinite without any.
fn distances(image: &GrayImage) -> Vec<f64> {
    if image.iter().all(|&v| v == 0) {
        return vec![f64::INFINITY; image.len()];
    }
    euclidean_squared_distance_transform(image).into_raw()
}
