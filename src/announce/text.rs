//! Lettering: the fixed-width bold font of `embedded-graphics`, enlarged.
//!
//! Enlarging follows the Scale2x/Scale3x rules (A. Mazzoleni, 2001), which
//! round the staircase of a diagonal; plain repetition of pixels would be
//! harder to read at a glance. Glyphs are made once; drawing allocates nothing.

use embedded_graphics::{
    mono_font::{ascii::FONT_9X18_BOLD, MonoTextStyle},
    pixelcolor::BinaryColor,
    prelude::*,
    text::{Baseline, Text},
};
use image::{Rgb, RgbImage};

const FIRST: u8 = b' ';
const LAST: u8 = b'~';
const CELL: (usize, usize) = (9, 18);
/// Rows of the cell that figures and their unit use: first, and one past the last.
const INK_ROWS: (usize, usize) = (3, 14);

/// A set of glyphs at one size.
#[derive(Debug, Clone)]
pub(super) struct Face {
    scale: usize,
    width: usize,
    height: usize,
    /// One bitmap a character, row by row.
    glyphs: Vec<Vec<bool>>,
}

impl Face {
    /// The font enlarged `scale` times (1 to 6).
    pub(super) fn new(scale: usize) -> Self {
        let scale = scale.clamp(1, 6);
        let steps: &[usize] = match scale {
            1 => &[],
            2 => &[2],
            3 => &[3],
            4 => &[2, 2],
            // There is no rule for 5, and 6 is rare: the next smaller serves.
            5 => &[2, 2],
            _ => &[2, 3],
        };
        let glyphs = (FIRST..=LAST)
            .map(|c| {
                let mut bits = glyph(char::from(c));
                for step in steps {
                    bits = enlarge(&bits, *step);
                }
                bits
            })
            .collect::<Vec<Bits>>();
        let (width, height) = glyphs
            .first()
            .map_or(CELL, |bits| (bits.width, bits.height));
        Face {
            scale: width / CELL.0,
            width,
            height,
            glyphs: glyphs.into_iter().map(|bits| bits.on).collect(),
        }
    }

    /// Width of a text in pixels.
    pub(super) fn width(&self, text: &str) -> i32 {
        (text.chars().count() * self.width) as i32
    }

    /// Height of a line in pixels.
    pub(super) fn height(&self) -> i32 {
        self.height as i32
    }

    /// Rows above the figures.
    pub(super) fn ink_top(&self) -> i32 {
        (INK_ROWS.0 * self.scale) as i32
    }

    /// Height of figures in pixels.
    pub(super) fn ink_height(&self) -> i32 {
        ((INK_ROWS.1 - INK_ROWS.0) * self.scale) as i32
    }

    /// Draws a text with its top left corner at (`x`, `y`); what lies outside
    /// the picture is left out. Characters beyond ASCII show as `?`.
    pub(super) fn draw(
        &self,
        picture: &mut RgbImage,
        (x, y): (i32, i32),
        text: &str,
        ink: Rgb<u8>,
        outline: Option<Rgb<u8>>,
    ) {
        if let Some(outline) = outline {
            let reach = self.scale as i32;
            self.each_pixel(x, y, text, |px, py| {
                for dy in -reach..=reach {
                    for dx in -reach..=reach {
                        put(picture, px + dx, py + dy, outline);
                    }
                }
            });
        }
        self.each_pixel(x, y, text, |px, py| put(picture, px, py, ink));
    }

    fn each_pixel(&self, x: i32, y: i32, text: &str, mut paint: impl FnMut(i32, i32)) {
        for (i, c) in text.chars().enumerate() {
            let code = u8::try_from(c).unwrap_or(b'?');
            let index = usize::from(code.clamp(FIRST, LAST) - FIRST);
            let left = x + (i * self.width) as i32;
            for (at, _) in self.glyphs[index].iter().enumerate().filter(|(_, on)| **on) {
                paint(
                    left + (at % self.width) as i32,
                    y + (at / self.width) as i32,
                );
            }
        }
    }
}

fn put(picture: &mut RgbImage, x: i32, y: i32, colour: Rgb<u8>) {
    if let (Ok(x), Ok(y)) = (u32::try_from(x), u32::try_from(y)) {
        if let Some(pixel) = picture.get_pixel_mut_checked(x, y) {
            *pixel = colour;
        }
    }
}

#[derive(Debug, Clone)]
struct Bits {
    width: usize,
    height: usize,
    on: Vec<bool>,
}

impl Bits {
    fn at(&self, x: usize, y: usize) -> bool {
        x < self.width && y < self.height && self.on[y * self.width + x]
    }
}

impl OriginDimensions for Bits {
    fn size(&self) -> Size {
        Size::new(self.width as u32, self.height as u32)
    }
}

impl DrawTarget for Bits {
    type Color = BinaryColor;
    type Error = std::convert::Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(
        &mut self,
        pixels: I,
    ) -> Result<(), Self::Error> {
        for Pixel(p, colour) in pixels {
            if let (Ok(x), Ok(y)) = (usize::try_from(p.x), usize::try_from(p.y)) {
                if x < self.width && y < self.height {
                    self.on[y * self.width + x] = colour.is_on();
                }
            }
        }
        Ok(())
    }
}

fn glyph(c: char) -> Bits {
    let mut bits = Bits {
        width: CELL.0,
        height: CELL.1,
        on: vec![false; CELL.0 * CELL.1],
    };
    let mut buffer = [0; 4];
    let style = MonoTextStyle::new(&FONT_9X18_BOLD, BinaryColor::On);
    let text = c.encode_utf8(&mut buffer);
    // Drawing into memory cannot fail: the error type has no values.
    let Ok(_) = Text::with_baseline(text, Point::zero(), style, Baseline::Top).draw(&mut bits);
    bits
}

/// Scale2x or Scale3x: a corner of the enlarged pixel takes its neighbours'
/// value where the two neighbours that meet there agree and the others do not.
fn enlarge(from: &Bits, step: usize) -> Bits {
    let mut to = Bits {
        width: from.width * step,
        height: from.height * step,
        on: vec![false; from.on.len() * step * step],
    };
    for y in 0..from.height {
        for x in 0..from.width {
            let at = |dx: isize, dy: isize| {
                from.at(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy))
            };
            let centre = at(0, 0);
            let (up, down, left, right) = (at(0, -1), at(0, 1), at(-1, 0), at(1, 0));
            let mut set = |cx: usize, cy: usize, on: bool| {
                let (tx, ty) = (x * step + cx, y * step + cy);
                to.on[ty * to.width + tx] = on;
            };
            let last = step - 1;
            for cy in 0..step {
                for cx in 0..step {
                    set(cx, cy, centre);
                }
            }
            let corner = |a: bool, b: bool, c: bool, d: bool| {
                if a == b && a != c && b != d {
                    a
                } else {
                    centre
                }
            };
            set(0, 0, corner(up, left, right, down));
            set(last, 0, corner(up, right, left, down));
            set(0, last, corner(down, left, right, up));
            set(last, last, corner(down, right, left, up));
        }
    }
    to
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_size_has_every_glyph_and_draws_inside() {
        for scale in 1..=6 {
            let face = Face::new(scale);
            let blank = face.glyphs.iter().filter(|g| !g.contains(&true)).count();
            assert_eq!(blank, 1, "only the space is empty at scale {scale}");
            let mut picture = RgbImage::new(40, 30);
            face.draw(
                &mut picture,
                (-10, -10),
                "8\u{20ac}8",
                Rgb([9; 3]),
                Some(Rgb([1; 3])),
            );
            assert!(picture.pixels().any(|p| p.0 == [9; 3]));
        }
    }

    #[test]
    fn figures_stay_within_their_rows() {
        for c in ('0'..='9').chain(['m', '.']) {
            let bits = glyph(c);
            for (at, _) in bits.on.iter().enumerate().filter(|(_, on)| **on) {
                let row = at / bits.width;
                assert!((INK_ROWS.0..INK_ROWS.1).contains(&row), "{c} in row {row}");
            }
        }
    }

    #[test]
    fn enlarging_keeps_straight_strokes_and_rounds_diagonals() {
        let bar = Bits {
            width: 3,
            height: 1,
            on: vec![false, true, false],
        };
        let twice = enlarge(&bar, 2);
        assert_eq!(twice.on[..6], [false, false, true, true, false, false]);
        let diagonal = Bits {
            width: 2,
            height: 2,
            on: vec![true, false, false, true],
        };
        let twice = enlarge(&diagonal, 2);
        // The two off pixels each give the diagonal one corner.
        assert_eq!(twice.on.iter().filter(|on| **on).count(), 8 + 2);
    }
}
