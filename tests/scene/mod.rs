//! Pictures of a checkerboard made by tracing rays, with exact truth.

#![allow(dead_code)]

use hindward::optics::calibrate::board::{BoardSize, Grey};
use hindward::optics::{Lens, PixelPoint};
use nalgebra::{Rotation3, Vector3};
use rayon::prelude::*;

/// Rays a pixel and axis.
const FINE: u32 = 2;

/// Where a board stands: board (x, y, 0) in metres into the camera frame.
#[derive(Clone, Copy)]
pub struct Pose {
    pub rotation: Rotation3<f64>,
    pub shift: Vector3<f64>,
}

/// Small repeatable noise, about uniform in -1..1.
pub struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Self {
        Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub fn next(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// About normal with a standard deviation of one.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| 0.5 * self.next()).sum()
    }
}

/// The board as the lens sees it. The origin of the board is its first inner
/// corner; one square of white surrounds the squares.
pub fn picture(lens: &Lens, pose: &Pose, size: BoardSize, square: f64, seed: u64) -> Grey {
    let back = pose.rotation.inverse();
    let eye = -(back * pose.shift);
    let shade = |u: f64, v: f64| -> f64 {
        let Some(ray) = lens.unproject(PixelPoint { u, v }) else {
            return 0.0;
        };
        let d = back * ray;
        let t = -eye.z / d.z;
        if t.is_nan() || t <= 0.0 {
            return 90.0;
        }
        let (x, y) = ((eye.x + t * d.x) / square, (eye.y + t * d.y) / square);
        let (i, j) = ((x + 1.0).floor(), (y + 1.0).floor());
        let (w, h) = (f64::from(size.columns) + 1.0, f64::from(size.rows) + 1.0);
        if i >= 0.0 && j >= 0.0 && i < w && j < h {
            if (i + j) as i64 % 2 == 0 {
                35.0
            } else {
                215.0
            }
        } else if i >= -1.0 && j >= -1.0 && i <= w && j <= h {
            215.0
        } else {
            // Something to look past: ripples that fade far off.
            let near = (-(x * x + y * y) / 900.0).exp();
            90.0 + 25.0 * near * (3.0 * x).sin() * (2.0 * y).cos()
        }
    };
    let (width, height) = (lens.width as usize, lens.height as usize);
    let mut data = vec![0.0; width * height];
    data.par_chunks_mut(width)
        .enumerate()
        .for_each(|(v, line)| {
            let mut noise = Noise::new(seed * 10_000 + v as u64 + 1);
            for (u, place) in line.iter_mut().enumerate() {
                let mut sum = 0.0;
                for a in 0..FINE {
                    for b in 0..FINE {
                        let at = |k: u32| (f64::from(k) + 0.5) / f64::from(FINE) - 0.5;
                        sum += shade(u as f64 + at(a), v as f64 + at(b));
                    }
                }
                let value = sum / f64::from(FINE * FINE) + 2.0 * noise.normal();
                *place = value.round().clamp(0.0, 255.0) as f32;
            }
        });
    Grey {
        width,
        height,
        data,
    }
}

/// Where an inner corner truly is.
pub fn corner(lens: &Lens, pose: &Pose, column: u32, row: u32, square: f64) -> Option<PixelPoint> {
    let p = Vector3::new(f64::from(column) * square, f64::from(row) * square, 0.0);
    lens.project(&(pose.rotation * p + pose.shift))
}

/// Saves a grey picture as PNG.
pub fn save_png(grey: &Grey, path: &std::path::Path) {
    let bytes = grey.data.iter().map(|v| *v as u8).collect();
    image::GrayImage::from_raw(grey.width as u32, grey.height as u32, bytes)
        .unwrap()
        .save(path)
        .unwrap();
}
