//! Simple drawings that can be written as SVG or painted onto a picture.

use std::fmt::Write;

use embedded_graphics::mono_font::{ascii, MonoFont, MonoTextStyle};
use embedded_graphics::pixelcolor::BinaryColor;
use embedded_graphics::prelude::*;
use embedded_graphics::text::{Baseline, Text};
use image::{imageops, Rgb, RgbImage};
use imageproc::drawing::draw_polygon_mut;
use imageproc::point::Point as PixelAt;

pub(crate) type Ink = Rgb<u8>;

/// Shapes are painted this many times larger and scaled down, for smooth edges.
const FINER: u32 = 3;
const FONT: MonoFont = ascii::FONT_7X13;
const FONT_WIDTH: f64 = 7.0;
/// Room for a letter, pixels: a browser's own monospaced font is wider than ours.
pub(crate) const LETTER_PX: f64 = 7.4;
const FONT_HEIGHT: f64 = 13.0;

/// Where a text stands against its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

#[derive(Debug, Clone)]
enum Shape {
    Area {
        points: Vec<(f64, f64)>,
        fill: Ink,
        opacity: f64,
    },
    Line {
        points: Vec<(f64, f64)>,
        ink: Ink,
        width: f64,
    },
    Text {
        at: (f64, f64),
        text: String,
        ink: Ink,
        anchor: Anchor,
        /// Drawn around the letters where the ground is a photograph.
        halo: Option<Ink>,
    },
}

/// A drawing in pixels, origin at the top left.
#[derive(Debug, Clone)]
pub(crate) struct Drawing {
    width: u32,
    height: u32,
    shapes: Vec<Shape>,
}

impl Drawing {
    pub fn new(width: u32, height: u32) -> Self {
        Drawing {
            width,
            height,
            shapes: Vec::new(),
        }
    }

    /// A filled outline.
    pub fn area(&mut self, points: Vec<(f64, f64)>, fill: Ink, opacity: f64) {
        self.shapes.push(Shape::Area {
            points,
            fill,
            opacity,
        });
    }

    /// A line through all points.
    pub fn line(&mut self, points: Vec<(f64, f64)>, ink: Ink, width: f64) {
        self.shapes.push(Shape::Line { points, ink, width });
    }

    /// A line of short dashes between two points.
    pub fn dashes(&mut self, a: (f64, f64), b: (f64, f64), ink: Ink, width: f64) {
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        let count = (length / 10.0).round().max(1.0);
        let at = |t: f64| (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t);
        for i in 0..count as u32 {
            let start = f64::from(i) / count;
            self.line(vec![at(start), at(start + 0.55 / count)], ink, width);
        }
    }

    /// The outline of a circle.
    pub fn ring(&mut self, centre: (f64, f64), radius: f64, ink: Ink, width: f64) {
        self.line(circle(centre, radius), ink, width);
    }

    /// A filled circle.
    pub fn disc(&mut self, centre: (f64, f64), radius: f64, fill: Ink, opacity: f64) {
        self.area(circle(centre, radius), fill, opacity);
    }

    /// A line of text; `at` is the middle of its height.
    pub fn text(&mut self, at: (f64, f64), text: impl Into<String>, ink: Ink, anchor: Anchor) {
        self.shapes.push(Shape::Text {
            at,
            text: text.into(),
            ink,
            anchor,
            halo: None,
        });
    }

    /// The same with a halo, for photographs.
    pub fn label(&mut self, at: (f64, f64), text: impl Into<String>, ink: Ink, halo: Ink) {
        self.shapes.push(Shape::Text {
            at,
            text: text.into(),
            ink,
            anchor: Anchor::Middle,
            halo: Some(halo),
        });
    }

    /// The drawing as an SVG document on white.
    pub fn to_svg(&self) -> String {
        let mut svg = String::new();
        // Writing to a String cannot fail.
        let _ = write!(
            svg,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}\" height=\"{1}\" \
             viewBox=\"0 0 {0} {1}\" font-family=\"monospace\" font-size=\"12\">\n\
             <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n",
            self.width, self.height
        );
        let list = |points: &[(f64, f64)]| {
            let pairs: Vec<String> = points
                .iter()
                .map(|(x, y)| format!("{x:.1},{y:.1}"))
                .collect();
            pairs.join(" ")
        };
        for shape in &self.shapes {
            let _ = match shape {
                Shape::Area {
                    points,
                    fill,
                    opacity,
                } => writeln!(
                    svg,
                    "<polygon points=\"{}\" fill=\"{}\" fill-opacity=\"{opacity}\"/>",
                    list(points),
                    hex(*fill)
                ),
                Shape::Line { points, ink, width } => writeln!(
                    svg,
                    "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width}\"/>",
                    list(points),
                    hex(*ink)
                ),
                Shape::Text {
                    at,
                    text,
                    ink,
                    anchor,
                    halo,
                } => {
                    let anchor = match anchor {
                        Anchor::Start => "start",
                        Anchor::Middle => "middle",
                        Anchor::End => "end",
                    };
                    let around = halo.map_or(String::new(), |h| {
                        format!(" stroke=\"{}\" stroke-width=\"3\" paint-order=\"stroke\"", hex(h))
                    });
                    writeln!(
                        svg,
                        "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{}\" text-anchor=\"{anchor}\"{around}>{}</text>",
                        at.0,
                        at.1 + 4.0,
                        hex(*ink),
                        escape(text)
                    )
                }
            };
        }
        svg.push_str("</svg>\n");
        svg
    }

    /// The drawing as a picture on white.
    pub fn to_picture(&self) -> RgbImage {
        let mut picture = RgbImage::from_pixel(self.width, self.height, Rgb([255; 3]));
        self.paint(&mut picture);
        picture
    }

    /// Paints the drawing onto a picture of its size.
    pub fn paint(&self, picture: &mut RgbImage) {
        for shape in &self.shapes {
            match shape {
                Shape::Area {
                    points,
                    fill,
                    opacity,
                } => fill_smooth(picture, points, *fill, *opacity),
                Shape::Line { points, ink, width } => {
                    for pair in points.windows(2) {
                        if let Some(outline) = thick(pair[0], pair[1], *width) {
                            fill_smooth(picture, &outline, *ink, 1.0);
                        }
                    }
                }
                Shape::Text {
                    at,
                    text,
                    ink,
                    anchor,
                    halo,
                } => {
                    let width = text.chars().count() as f64 * FONT_WIDTH;
                    let left = match anchor {
                        Anchor::Start => at.0,
                        Anchor::Middle => at.0 - 0.5 * width,
                        Anchor::End => at.0 - width,
                    };
                    let top = at.1 - 0.5 * FONT_HEIGHT;
                    let place = Point::new(left.round() as i32, top.round() as i32);
                    if let Some(halo) = halo {
                        for (dx, dy) in [
                            (-1, 0),
                            (1, 0),
                            (0, -1),
                            (0, 1),
                            (-1, -1),
                            (1, 1),
                            (-1, 1),
                            (1, -1),
                        ] {
                            write_text(picture, text, place + Point::new(dx, dy), *halo);
                        }
                    }
                    write_text(picture, text, place, *ink);
                }
            }
        }
    }
}

fn circle(centre: (f64, f64), radius: f64) -> Vec<(f64, f64)> {
    (0..=32)
        .map(|i| {
            let a = std::f64::consts::TAU * f64::from(i) / 32.0;
            (centre.0 + radius * a.cos(), centre.1 + radius * a.sin())
        })
        .collect()
}

fn hex(ink: Ink) -> String {
    let [r, g, b] = ink.0;
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// The outline of a thick line; none for a point.
fn thick(a: (f64, f64), b: (f64, f64), width: f64) -> Option<Vec<(f64, f64)>> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy);
    if !length.is_finite() || length < 1e-6 {
        return None;
    }
    let (nx, ny) = (-dy / length * 0.5 * width, dx / length * 0.5 * width);
    Some(vec![
        (a.0 + nx, a.1 + ny),
        (b.0 + nx, b.1 + ny),
        (b.0 - nx, b.1 - ny),
        (a.0 - nx, a.1 - ny),
    ])
}

/// Fills an outline with soft edges, working on the part of the picture that
/// it covers only.
fn fill_smooth(picture: &mut RgbImage, points: &[(f64, f64)], fill: Ink, opacity: f64) {
    let (w, h) = (f64::from(picture.width()), f64::from(picture.height()));
    let bound = |f: fn(&(f64, f64)) -> f64, limit: f64| {
        let least = points.iter().map(f).fold(f64::MAX, f64::min);
        let most = points.iter().map(f).fold(f64::MIN, f64::max);
        (
            (least - 1.0).floor().clamp(0.0, limit),
            (most + 2.0).ceil().clamp(0.0, limit),
        )
    };
    let (left, right) = bound(|p| p.0, w);
    let (top, bottom) = bound(|p| p.1, h);
    let (width, height) = ((right - left) as u32, (bottom - top) as u32);
    if width == 0 || height == 0 {
        return;
    }
    let fine = f64::from(FINER);
    let mut outline: Vec<PixelAt<i32>> = points
        .iter()
        .map(|(x, y)| {
            // Far outside is as good as a little outside.
            let x = ((x - left) * fine).round().clamp(-30_000.0, 30_000.0);
            let y = ((y - top) * fine).round().clamp(-30_000.0, 30_000.0);
            PixelAt::new(x as i32, y as i32)
        })
        .collect();
    while outline.len() > 1 && outline.first() == outline.last() {
        outline.pop();
    }
    if outline.len() < 3 {
        return;
    }
    let mut cover = image::GrayImage::new(width * FINER, height * FINER);
    draw_polygon_mut(&mut cover, &outline, image::Luma([255]));
    let cover = imageops::thumbnail(&cover, width, height);
    for (x, y, part) in cover.enumerate_pixels() {
        let share = opacity * f64::from(part.0[0]) / 255.0;
        if share > 0.0 {
            let pixel = picture.get_pixel_mut(x + left as u32, y + top as u32);
            for (old, new) in pixel.0.iter_mut().zip(fill.0) {
                *old = (f64::from(*old) * (1.0 - share) + f64::from(new) * share).round() as u8;
            }
        }
    }
}

struct Canvas<'a>(&'a mut RgbImage, Ink);

impl OriginDimensions for Canvas<'_> {
    fn size(&self) -> Size {
        Size::new(self.0.width(), self.0.height())
    }
}

impl DrawTarget for Canvas<'_> {
    type Color = BinaryColor;
    type Error = std::convert::Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(
        &mut self,
        pixels: I,
    ) -> Result<(), Self::Error> {
        for Pixel(at, colour) in pixels {
            if let (BinaryColor::On, Ok(x), Ok(y)) =
                (colour, u32::try_from(at.x), u32::try_from(at.y))
            {
                if let Some(pixel) = self.0.get_pixel_mut_checked(x, y) {
                    *pixel = self.1;
                }
            }
        }
        Ok(())
    }
}

fn write_text(picture: &mut RgbImage, text: &str, at: Point, ink: Ink) {
    let plain: String = text
        .chars()
        .map(|c| if c.is_ascii() { c } else { '?' })
        .collect();
    let style = MonoTextStyle::new(&FONT, BinaryColor::On);
    let text = Text::with_baseline(&plain, at, style, Baseline::Top);
    let _ = text.draw(&mut Canvas(picture, ink));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_shapes_reach_picture_and_svg() {
        let red = Rgb([200, 0, 0]);
        let mut drawing = Drawing::new(40, 30);
        drawing.area(
            vec![(5.0, 5.0), (20.0, 5.0), (20.0, 20.0), (5.0, 20.0)],
            red,
            1.0,
        );
        drawing.line(vec![(25.0, -1e9), (25.0, 1e9)], Rgb([0; 3]), 2.0);
        drawing.text((30.0, 25.0), "<a&b>", red, Anchor::End);
        let picture = drawing.to_picture();
        assert_eq!(picture.get_pixel(12, 12), &red);
        assert_eq!(picture.get_pixel(2, 12), &Rgb([255; 3]));
        assert!(picture.get_pixel(25, 3).0[0] < 140);
        let svg = drawing.to_svg();
        assert!(svg.contains("&lt;a&amp;b&gt;") && svg.contains("#c80000"));
        assert!(svg.ends_with("</svg>\n"));
    }
}
