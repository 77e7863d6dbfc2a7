//! The plain recipe, kept as a floor to compare with and for odd cases where
//! colours are known: fixed colour ranges in HSV, dilation, connected regions,
//! an area threshold (applied later, in cm²), the lowest edge.

use image::{GrayImage, Luma};
use imageproc::distance_transform::Norm;
use imageproc::morphology::dilate;
use imageproc::region_labelling::{connected_components, Connectivity};

use crate::camera::Picture;
use crate::optics::PixelPoint;
use crate::profile::{ColourRange, SegmentSettings};

use super::Blob;

/// Regions of fewer pixels than this are sensor noise at any distance.
const LEAST_PIXELS: usize = 12;

/// The plain segmenter.
#[derive(Debug, Clone)]
pub struct ColourSegmenter {
    ranges: Vec<ColourRange>,
    dilate_px: u8,
}

impl ColourSegmenter {
    /// A segmenter with the profile's colour ranges.
    pub fn new(settings: &SegmentSettings) -> Self {
        ColourSegmenter {
            ranges: settings.colour_ranges.clone(),
            dilate_px: settings.dilate_px,
        }
    }

    /// Regions of the picture whose colour lies in a range. `masked(pixel)`
    /// tells which full-size pixels show the own vehicle.
    pub fn step(&self, picture: &Picture, masked: impl Fn(PixelPoint) -> bool) -> Vec<Blob> {
        let (w, h) = (picture.y.width as u32, picture.y.height as u32);
        if w == 0 || h == 0 {
            return Vec::new();
        }
        let (sx, sy) = (
            picture.full_width as f64 / f64::from(w),
            picture.full_height as f64 / f64::from(h),
        );
        let full = |x: f64, y: f64| PixelPoint {
            u: (x + 0.5) * sx - 0.5,
            v: (y + 0.5) * sy - 0.5,
        };
        let chosen = GrayImage::from_fn(w, h, |x, y| {
            let hsv = hsv_at(picture, x as usize, y as usize);
            let inside = self.ranges.iter().any(|r| holds(r, hsv))
                && !masked(full(f64::from(x), f64::from(y)));
            Luma([if inside { 255 } else { 0 }])
        });
        let chosen = if self.dilate_px > 0 {
            dilate(&chosen, Norm::LInf, self.dilate_px)
        } else {
            chosen
        };
        let labels = connected_components(&chosen, Connectivity::Eight, Luma([0u8]));
        // Per label and column the uppermost and lowest row.
        let mut regions: std::collections::BTreeMap<u32, Region> = Default::default();
        for (x, y, label) in labels.enumerate_pixels() {
            if label[0] != 0 {
                regions.entry(label[0]).or_default().add(x, y);
            }
        }
        regions
            .into_values()
            .filter(|r| r.pixels >= LEAST_PIXELS)
            .map(|r| {
                let mut blob = Blob {
                    probability: 1.0,
                    ..Blob::default()
                };
                for (x, (top, bottom)) in r.columns {
                    let x = f64::from(x);
                    blob.contact.push(full(x, f64::from(bottom) + 0.5));
                    blob.top.push(full(x, f64::from(top) - 0.5));
                }
                blob
            })
            .collect()
    }
}

#[derive(Debug, Default)]
struct Region {
    pixels: usize,
    columns: std::collections::BTreeMap<u32, (u32, u32)>,
}

impl Region {
    fn add(&mut self, x: u32, y: u32) {
        self.pixels += 1;
        let c = self.columns.entry(x).or_insert((y, y));
        *c = (c.0.min(y), c.1.max(y));
    }
}

fn holds(r: &ColourRange, (hue, saturation, value): (f64, f64, f64)) -> bool {
    let (low, high) = r.hue_deg;
    let hue_ok = if low <= high {
        (low..=high).contains(&hue)
    } else {
        hue >= low || hue <= high
    };
    hue_ok
        && (r.saturation.0..=r.saturation.1).contains(&saturation)
        && (r.value.0..=r.value.1).contains(&value)
}

/// Hue in degrees, saturation and value 0..1 at a luma sample.
fn hsv_at(p: &Picture, x: usize, y: usize) -> (f64, f64, f64) {
    let chroma = |plane: &crate::camera::Plane| -> f64 {
        let i = (x * plane.width / p.y.width).min(plane.width.saturating_sub(1));
        let j = (y * plane.height / p.y.height).min(plane.height.saturating_sub(1));
        plane
            .data
            .get(j * plane.width + i)
            .map_or(0.0, |&v| f64::from(v) - 128.0)
    };
    let (l, b, r) = (f64::from(p.y.row(y)[x]), chroma(&p.cb), chroma(&p.cr));
    // ITU-R BT.601, full range (JFIF).
    let red = (l + 1.402 * r).clamp(0.0, 255.0);
    let green = (l - 0.344_136 * b - 0.714_136 * r).clamp(0.0, 255.0);
    let blue = (l + 1.772 * b).clamp(0.0, 255.0);
    let most = red.max(green).max(blue);
    let spread = most - red.min(green).min(blue);
    let hue = if spread < 1e-9 {
        0.0
    } else if most == red {
        60.0 * ((green - blue) / spread).rem_euclid(6.0)
    } else if most == green {
        60.0 * ((blue - red) / spread + 2.0)
    } else {
        60.0 * ((red - green) / spread + 4.0)
    };
    let saturation = if most > 0.0 { spread / most } else { 0.0 };
    (hue, saturation, most / 255.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::camera::Plane;

    #[test]
    fn finds_the_red_square_and_its_lowest_edge() {
        let mut p = Picture {
            full_width: 40,
            full_height: 30,
            y: Plane::filled(40, 30, 110),
            cb: Plane::filled(40, 30, 128),
            cr: Plane::filled(40, 30, 128),
        };
        for y in 10..18 {
            for x in 12..22 {
                p.y.data[y * 40 + x] = 76;
                p.cb.data[y * 40 + x] = 85;
                p.cr.data[y * 40 + x] = 250;
            }
        }
        let segmenter = ColourSegmenter {
            ranges: vec![ColourRange {
                hue_deg: (340.0, 20.0),
                saturation: (0.5, 1.0),
                value: (0.2, 1.0),
            }],
            dilate_px: 0,
        };
        let blobs = segmenter.step(&p, |_| false);
        assert_eq!(blobs.len(), 1);
        assert_eq!(blobs[0].contact.len(), 10);
        assert!(blobs[0].contact.iter().all(|c| (c.v - 17.5).abs() < 1e-9));
        assert!(segmenter.step(&p, |_| true).is_empty());
    }
}
