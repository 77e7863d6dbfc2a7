//! What the ground looks like, learnt on line.
//!
//! A histogram over luma (normalised by the exposure) and over the two chroma
//! differences divided by luma, so that a change of exposure moves nothing.
//! The idea of learning ground colour from ground that was driven over is I.
//! Ulrich and I. Nourbakhsh, "Appearance-Based Obstacle Detection with
//! Monocular Color Vision", AAAI 2000; what fails there is answered so: the
//! model is never taught by what stands out or has not been shown to lie flat,
//! and ground in another light (shadow, sun patch) keeps a density of its own.

use super::panorama::Panorama;

const LUMA_BINS: usize = 24;
const CHROMA_BINS: usize = 16;
const BINS: usize = LUMA_BINS * CHROMA_BINS * CHROMA_BINS;
const LUMA_STEP: f32 = 256.0 / LUMA_BINS as f32;
/// Chroma over luma: ±0.24 covers all but saturated colours, which clamp.
const CHROMA_STEP: f32 = 0.03;
/// Keeps chroma noise of dark pixels from counting as colour.
const CHROMA_FLOOR: f32 = 24.0;
/// Density of things that are not ground: spread over the colours that occur.
const OTHER_DENSITY: f32 = 1.0 / 500.0;
/// Ground in shadow or in a sun patch: as likely as this share of the ground.
const OTHER_LIGHT: f32 = 0.2;
/// Gamma-coded luma ratio of the deepest cast shadow.
const DEEPEST_SHADOW: f32 = 0.3;
/// How far, in chroma bins, ground may turn bluer in shadow or redder in sun.
const TINT: isize = 2;
/// Log-likelihood ratios are cut off here: colour alone never decides.
const MOST: f32 = 2.5;

/// Ratios are worked out anew when so much of what is known is fresh.
const NEWS: f32 = 0.04;

/// The learnt model.
#[derive(Debug, Clone)]
pub struct Appearance {
    counts: Vec<f32>,
    total: f32,
    ratios: Vec<f32>,
    smooth: Vec<f32>,
    lit: Vec<f32>,
    /// Exposure of the current picture against the model, as a luma factor.
    gain: f32,
    /// What was learnt since the ratios were last worked out.
    fresh: f32,
}

impl Default for Appearance {
    fn default() -> Self {
        Appearance {
            counts: vec![0.0; BINS],
            total: 0.0,
            ratios: vec![0.0; BINS],
            smooth: vec![0.0; BINS],
            lit: vec![0.0; BINS],
            gain: 1.0,
            fresh: 0.0,
        }
    }
}

#[inline]
fn bin(y: f32, cb: f32, cr: f32, gain: f32) -> usize {
    let l = ((y / gain) * (1.0 / LUMA_STEP)) as usize;
    let inv = 1.0 / ((y + CHROMA_FLOOR) * CHROMA_STEP);
    let b = (cb - 128.0) * inv + CHROMA_BINS as f32 * 0.5;
    let r = (cr - 128.0) * inv + CHROMA_BINS as f32 * 0.5;
    let clamp = |v: f32| (v.max(0.0) as usize).min(CHROMA_BINS - 1);
    (l.min(LUMA_BINS - 1) * CHROMA_BINS + clamp(b)) * CHROMA_BINS + clamp(r)
}

impl Appearance {
    /// Whether anything has been learnt.
    pub fn knows(&self) -> bool {
        self.total > 0.0
    }

    /// Tells the model by what factor the light of the ground changed since
    /// the last picture, so that it is not mistaken for another ground.
    pub fn relight(&mut self, factor: f32) {
        self.gain = (self.gain * factor).clamp(0.15, 6.0);
    }

    /// Forgets all but `keep` (0..1) of what was learnt.
    pub fn fade(&mut self, keep: f32) {
        for c in &mut self.counts {
            *c *= keep;
        }
        self.total *= keep;
    }

    /// Learns one cell with a weight.
    #[inline]
    pub fn learn(&mut self, p: &Panorama, cell: usize, weight: f32) {
        let k = bin(p.y[cell], p.cb[cell], p.cr[cell], self.gain);
        self.counts[k] += weight;
        self.total += weight;
        self.fresh += weight;
    }

    /// Starts from one picture in which nothing is known to be ground yet:
    /// `cells` are learnt, then only what clearly prevails is believed, since
    /// something may already stand there.
    pub fn begin(&mut self, p: &Panorama, cells: impl Iterator<Item = usize>) {
        self.counts.fill(0.0);
        self.total = 0.0;
        self.gain = 1.0;
        for cell in cells {
            self.learn(p, cell, 1.0);
        }
        let before = self.total;
        let most = self.counts.iter().fold(0.0f32, |a, &b| a.max(b)).max(1e-6);
        self.total = 0.0;
        for c in &mut self.counts {
            // A twelfth of the commonest colour's count keeps one part in 25.
            *c *= (*c / most).powf(1.3);
            self.total += *c;
        }
        let scale = before / self.total.max(1e-6);
        self.counts.iter_mut().for_each(|c| *c *= scale);
        self.total = before;
    }

    /// Log-likelihood ratio of "not ground" over "ground", one per cell.
    pub fn judge(&mut self, p: &Panorama, out: &mut Vec<f32>) {
        if self.fresh > NEWS * self.total {
            self.rebuild();
        }
        out.resize(p.y.len(), 0.0);
        if !self.knows() {
            out.fill(0.0);
            return;
        }
        for (k, o) in out.iter_mut().enumerate() {
            *o = self.ratios[bin(p.y[k], p.cb[k], p.cr[k], self.gain)];
        }
    }

    fn rebuild(&mut self) {
        self.fresh = 0.0;
        let scale = 1.0 / self.total.max(1e-6);
        let (c, l) = (CHROMA_BINS, CHROMA_BINS * CHROMA_BINS);
        // Bin borders must not matter: blur by (1 2 1)/4 along each axis.
        self.smooth.copy_from_slice(&self.counts);
        for (stride, n) in [(1, c), (c, c), (l, LUMA_BINS)] {
            self.ratios.copy_from_slice(&self.smooth);
            for k in 0..BINS {
                let i = (k / stride) % n;
                let low = if i > 0 {
                    self.ratios[k - stride]
                } else {
                    self.ratios[k]
                };
                let high = if i + 1 < n {
                    self.ratios[k + stride]
                } else {
                    self.ratios[k]
                };
                self.smooth[k] = 0.25 * (low + high) + 0.5 * self.ratios[k];
            }
        }
        // The same colour in less or in more light. Few colours occur: what each
        // of them explains is marked.
        let reach = |luma: usize| {
            let centre = luma as f32 + 0.5;
            let high = (centre / DEEPEST_SHADOW) as usize;
            (centre * DEEPEST_SHADOW) as usize..=high
        };
        self.lit.fill(0.0);
        let edge = c as isize;
        for (k, &density) in self.smooth.iter().enumerate().filter(|(_, d)| **d > 0.0) {
            let (other, b, r) = (k / l, (k % l / c) as isize, (k % c) as isize);
            for luma in (0..LUMA_BINS).filter(|&luma| reach(luma).contains(&other)) {
                // Skylight is bluer, sunlight redder: what is darker than the
                // ground that is known may be bluer, what is brighter redder.
                let way = (other as isize - luma as isize).signum();
                for t in 0..=TINT * way.abs() {
                    let (b, r) = (b + t * way, r - t * way);
                    if (0..edge).contains(&b) && (0..edge).contains(&r) {
                        let lit = &mut self.lit[luma * l + (b * edge + r) as usize];
                        *lit = lit.max(density);
                    }
                }
            }
        }
        for k in 0..BINS {
            let here = self.smooth[k] * scale;
            let lit = self.lit[k];
            let density = here.max(OTHER_LIGHT * lit * scale);
            let ratio = (OTHER_DENSITY / (density + 1e-6)).ln();
            self.ratios[k] = ratio.clamp(-MOST, MOST);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(cells: &[(f32, f32, f32)]) -> Panorama {
        Panorama {
            y: cells.iter().map(|c| c.0).collect(),
            cb: cells.iter().map(|c| c.1).collect(),
            cr: cells.iter().map(|c| c.2).collect(),
        }
    }

    fn taught() -> Appearance {
        let mut model = Appearance::default();
        let ground = picture(&[(110.0, 126.0, 129.0), (118.0, 127.0, 128.0)]);
        for _ in 0..500 {
            model.learn(&ground, 0, 1.0);
            model.learn(&ground, 1, 1.0);
        }
        model
    }

    #[test]
    fn ground_in_shadow_or_at_another_exposure_stays_ground() {
        let mut model = taught();
        let mut out = Vec::new();
        model.judge(
            &picture(&[(112.0, 127.0, 128.0), (64.0, 127.0, 128.0)]),
            &mut out,
        );
        assert!(out[0] < -1.0, "lit ground judged {}", out[0]);
        assert!(out[1] < 0.0, "shadow judged {}", out[1]);
        model.relight(1.6);
        model.judge(&picture(&[(180.0, 126.0, 129.0)]), &mut out);
        assert!(out[0] < -1.0, "brighter exposure judged {}", out[0]);
    }

    #[test]
    fn another_colour_stands_out() {
        let mut model = taught();
        let mut out = Vec::new();
        model.judge(
            &picture(&[(90.0, 110.0, 190.0), (100.0, 170.0, 110.0)]),
            &mut out,
        );
        assert!(out.iter().all(|&r| r > 1.5), "{out:?}");
    }
}
