//! All stages of the default segmenter in one picture, for finding out why.

use std::path::Path;

use anyhow::Context;
use image::{Rgb, RgbImage};

use crate::segment::GroundModel;

/// Tiles in a row.
const ACROSS: u32 = 4;

/// Writes the stages of the model's last frame as a PNG: picture, relief, appearance, height;
/// change at rest, uprights, fused odds, blob cells. Evidence is red for "stands", blue for
/// "ground", as far as ±3 log-odds.
///
/// # Errors
/// The file cannot be written.
pub fn write(path: &Path, model: &GroundModel) -> anyhow::Result<()> {
    let l = model.layout();
    let s = model.stages();
    let (w, h) = (l.columns as u32, l.rows as u32);
    let mut out = RgbImage::new(w * ACROSS, h * 2);
    let signed = |v: f32| {
        let t = (v / 3.0).clamp(-1.0, 1.0);
        let other = (255.0 * (1.0 - t.abs())) as u8;
        if t > 0.0 {
            Rgb([255, other, other])
        } else {
            Rgb([other, other, 255])
        }
    };
    let grey = |v: f32| Rgb([v.clamp(0.0, 255.0) as u8; 3]);
    let get = |v: &[f32], k: usize| v.get(k).copied().unwrap_or(0.0);
    for r in 0..h {
        for c in 0..w {
            let k = l.at(c as usize, r as usize);
            let colour = |p: &crate::segment::Panorama| {
                let (y, b, d) = (p.y[k], p.cb[k] - 128.0, p.cr[k] - 128.0);
                let u = |v: f32| v.clamp(0.0, 255.0) as u8;
                Rgb([
                    u(y + 1.402 * d),
                    u(y - 0.344 * b - 0.714 * d),
                    u(y + 1.772 * b),
                ])
            };
            let tiles = [
                colour(&s.panorama),
                grey(128.0 + 2.0 * get(&s.relief, k)),
                signed(get(&s.appearance, k)),
                signed(get(&s.height, k)),
                signed(get(&s.change, k)),
                signed(get(&s.upright, k)),
                signed(get(&s.odds, k)),
                if s.mask.get(k).copied().unwrap_or(false) {
                    Rgb([255, 220, 0])
                } else {
                    let v = (s.panorama.y[k] * 0.6) as u8;
                    Rgb([v, v, if l.watched[k] { v } else { v / 2 }])
                },
            ];
            for (i, tile) in tiles.iter().enumerate() {
                let i = i as u32;
                out.put_pixel(c + (i % ACROSS) * w, r + (i / ACROSS) * h, *tile);
            }
        }
    }
    out.save(path)
        .with_context(|| format!("{}: cannot be written", path.display()))
}
