//! A grey picture in floating point, with just what the corner finder needs.

use crate::camera::Plane;

/// Grey values row by row; pixel centres at integer coordinates.
#[derive(Debug, Clone)]
pub struct Grey {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width * height` values, 0..255 as in the picture.
    pub data: Vec<f32>,
}

impl Grey {
    /// The luma of a decoded picture.
    pub fn from_plane(plane: &Plane) -> Grey {
        Grey {
            width: plane.width,
            height: plane.height,
            data: plane.data.iter().map(|&v| f32::from(v)).collect(),
        }
    }

    pub(super) fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    /// Value between pixels; the border value goes on outside.
    pub(super) fn sample(&self, x: f64, y: f64) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f64);
        let y = y.clamp(0.0, (self.height - 1) as f64);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
        let top = self.at(x0, y0) * (1.0 - fx) + self.at(x1, y0) * fx;
        let bottom = self.at(x0, y1) * (1.0 - fx) + self.at(x1, y1) * fx;
        top * (1.0 - fy) + bottom * fy
    }

    /// Half the size, each pixel the mean of four: pixel x stands at 2x + 0.5.
    pub(super) fn halved(&self) -> Grey {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut data = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let sum = self.at(2 * x, 2 * y)
                    + self.at(2 * x + 1, 2 * y)
                    + self.at(2 * x, 2 * y + 1)
                    + self.at(2 * x + 1, 2 * y + 1);
                data.push(0.25 * sum);
            }
        }
        Grey {
            width,
            height,
            data,
        }
    }

    /// Twice the size, between pixels by straight lines: pixel x stands at
    /// x/2 − 0.25.
    pub(super) fn doubled(&self) -> Grey {
        let (width, height) = (2 * self.width, 2 * self.height);
        let place = |i: usize| 0.5 * i as f64 - 0.25;
        let data = (0..height)
            .flat_map(|y| (0..width).map(move |x| (x, y)))
            .map(|(x, y)| self.sample(place(x), place(y)))
            .collect();
        Grey {
            width,
            height,
            data,
        }
    }

    /// Smoothed by a Gaussian, rows then columns.
    pub(super) fn blurred(&self, sigma: f32) -> Grey {
        let radius = (3.0 * sigma).ceil() as isize;
        let mut kernel: Vec<f32> = (-radius..=radius)
            .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
            .collect();
        let sum: f32 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let (w, h) = (self.width as isize, self.height as isize);
        let mut rows = vec![0.0; self.data.len()];
        let mut out = vec![0.0; self.data.len()];
        for y in 0..h {
            let row = &self.data[(y * w) as usize..((y + 1) * w) as usize];
            for x in 0..w {
                let mut value = 0.0;
                for (i, k) in kernel.iter().enumerate() {
                    value += k * row[(x + i as isize - radius).clamp(0, w - 1) as usize];
                }
                rows[(y * w + x) as usize] = value;
            }
        }
        for y in 0..h {
            for (i, k) in kernel.iter().enumerate() {
                let from = (y + i as isize - radius).clamp(0, h - 1) * w;
                for x in 0..w {
                    out[(y * w + x) as usize] += k * rows[(from + x) as usize];
                }
            }
        }
        Grey { data: out, ..*self }
    }
}
