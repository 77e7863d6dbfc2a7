//! Strokes with soft edges, drawn at once or kept for every later frame.

use image::{Rgb, RgbImage};

/// A place on the canvas, pixels.
pub(super) type Spot = (f64, f64);

/// How a line looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stroke {
    /// Its colour.
    pub ink: Rgb<u8>,
    /// The colour around it.
    pub outline: Rgb<u8>,
    /// Width of the inked part, pixels.
    pub width: f64,
    /// Width of the outline on each side, pixels.
    pub margin: f64,
}

/// Opacity of outlines: enough to set the ink off, not to hide the ground.
const OUTLINE_OPACITY: f64 = 0.65;

/// Pixels of lines drawn beforehand, to be laid over each frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Layer {
    /// Offset of the pixel, its colour, and its opacity 0..=255.
    pixels: Vec<(u32, [u8; 3], u8)>,
}

impl Layer {
    /// Draws polylines once, for a canvas of `width` × `height`.
    pub(super) fn of_lines(
        lines: &[Vec<Spot>],
        stroke: Stroke,
        (width, height): (u32, u32),
    ) -> Self {
        let mut ink = vec![0.0_f64; width as usize * height as usize];
        let mut rim = ink.clone();
        for line in lines {
            for pair in line.windows(2) {
                cover(
                    pair[0],
                    pair[1],
                    stroke.width / 2.0,
                    (width, height),
                    |at, c| {
                        ink[at] = ink[at].max(c);
                    },
                );
                let reach = stroke.width / 2.0 + stroke.margin;
                cover(pair[0], pair[1], reach, (width, height), |at, c| {
                    rim[at] = rim[at].max(c * OUTLINE_OPACITY);
                });
            }
        }
        let mut pixels = Vec::new();
        for (at, (ink, rim)) in ink.iter().zip(&rim).enumerate() {
            let under = rim * (1.0 - ink);
            let alpha = ink + under;
            if alpha < 1.0 / 255.0 {
                continue;
            }
            let mix = |i: usize| {
                let sum = f64::from(stroke.ink.0[i]) * ink + f64::from(stroke.outline.0[i]) * under;
                (sum / alpha).round() as u8
            };
            pixels.push((
                at as u32,
                [mix(0), mix(1), mix(2)],
                (alpha * 255.0).round() as u8,
            ));
        }
        Layer { pixels }
    }

    /// Lays the lines over a picture of the size they were drawn for.
    pub(super) fn lay_over(&self, picture: &mut RgbImage) {
        let bytes: &mut [u8] = picture;
        for (at, colour, alpha) in &self.pixels {
            let at = *at as usize * 3;
            if let Some(pixel) = bytes.get_mut(at..at + 3) {
                blend(pixel, *colour, u32::from(*alpha));
            }
        }
    }
}

/// Draws one polyline straight onto the picture.
pub(super) fn draw_line(picture: &mut RgbImage, line: &[Spot], stroke: Stroke) {
    let size = picture.dimensions();
    let reach = stroke.width / 2.0;
    for (reach, colour, opacity) in [
        (reach + stroke.margin, stroke.outline, OUTLINE_OPACITY),
        (reach, stroke.ink, 1.0),
    ] {
        for pair in line.windows(2) {
            let bytes: &mut [u8] = picture;
            cover(pair[0], pair[1], reach, size, |at, c| {
                blend(
                    &mut bytes[at * 3..at * 3 + 3],
                    colour.0,
                    (c * opacity * 255.0) as u32,
                );
            });
        }
    }
}

fn blend(pixel: &mut [u8], colour: [u8; 3], alpha: u32) {
    for (p, c) in pixel.iter_mut().zip(colour) {
        *p = ((u32::from(*p) * (255 - alpha) + u32::from(c) * alpha + 127) / 255) as u8;
    }
}

/// Calls `paint(pixel, coverage)` for each pixel of the canvas within `reach`
/// of the segment from `a` to `b`; the edge falls off over one pixel.
fn cover(
    a: Spot,
    b: Spot,
    reach: f64,
    (width, height): (u32, u32),
    mut paint: impl FnMut(usize, f64),
) {
    let Some((a, b)) = clip(a, b, reach + 1.0, (width, height)) else {
        return;
    };
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = dx * dx + dy * dy;
    let pad = reach + 1.0;
    let limit = |v: f64, size: u32| v.clamp(0.0, f64::from(size)) as usize;
    let (x0, x1) = (
        limit((a.0.min(b.0) - pad).floor(), width),
        limit((a.0.max(b.0) + pad).ceil() + 1.0, width),
    );
    let (y0, y1) = (
        limit((a.1.min(b.1) - pad).floor(), height),
        limit((a.1.max(b.1) + pad).ceil() + 1.0, height),
    );
    for y in y0..y1 {
        for x in x0..x1 {
            let (px, py) = (x as f64 - a.0, y as f64 - a.1);
            let t = if length2 > 0.0 {
                ((px * dx + py * dy) / length2).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let distance = (px - t * dx).hypot(py - t * dy);
            let coverage = (reach + 0.5 - distance).clamp(0.0, 1.0);
            if coverage > 0.0 {
                paint(y * width as usize + x, coverage);
            }
        }
    }
}

/// The part of a segment that lies within `pad` of the canvas (Liang, Barsky
/// 1984), so that a line to far outside costs no more than what is seen of it.
fn clip(a: Spot, b: Spot, pad: f64, (width, height): (u32, u32)) -> Option<(Spot, Spot)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    if !(dx.is_finite() && dy.is_finite()) {
        return None;
    }
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (step, room) in [
        (-dx, a.0 + pad),
        (dx, f64::from(width) + pad - a.0),
        (-dy, a.1 + pad),
        (dy, f64::from(height) + pad - a.1),
    ] {
        if step == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if step < 0.0 {
            enter = enter.max(room / step);
        } else {
            leave = leave.min(room / step);
        }
    }
    (enter <= leave).then(|| {
        let at = |t: f64| (a.0 + t * dx, a.1 + t * dy);
        (at(enter), at(leave))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const STROKE: Stroke = Stroke {
        ink: Rgb([255; 3]),
        outline: Rgb([0; 3]),
        width: 1.0,
        margin: 1.0,
    };

    #[test]
    fn a_kept_line_equals_a_drawn_one_where_it_is_solid() {
        let line = vec![(-1e9, 5.0), (1e9, 5.0)];
        let mut kept = RgbImage::from_pixel(20, 11, Rgb([100; 3]));
        let mut drawn = kept.clone();
        Layer::of_lines(std::slice::from_ref(&line), STROKE, (20, 11)).lay_over(&mut kept);
        draw_line(&mut drawn, &line, STROKE);
        assert_eq!(kept.get_pixel(10, 5).0, [255; 3]);
        assert_eq!(drawn.get_pixel(10, 5).0, [255; 3]);
        assert!(
            kept.get_pixel(10, 6).0[0] < 60,
            "the outline darkens the ground"
        );
        assert_eq!(kept.get_pixel(10, 9).0, [100; 3]);
    }

    #[test]
    fn lines_outside_or_without_numbers_draw_nothing() {
        let mut picture = RgbImage::new(8, 8);
        for line in [
            [(-50.0, -50.0), (-20.0, 40.0)],
            [(f64::NAN, 0.0), (4.0, 4.0)],
            [(0.0, 0.0), (f64::INFINITY, 4.0)],
        ] {
            draw_line(&mut picture, &line, STROKE);
        }
        assert!(picture.pixels().all(|p| p.0 == [0; 3]));
    }
}
