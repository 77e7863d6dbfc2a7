//! The picture re-sampled so that standing things stand upright in it.
//!
//! Columns are equal steps of the sine of azimuth about the camera's foot point
//! (positive toward the vehicle's right): fine where the vehicle goes, and
//! coarse beside it, where the ground is near. Rows are equal steps of
//! depression below the horizon, growing downward. Whatever the lens and the tilt, a vertical line
//! of the world is then a column, the ground distance depends on the row
//! alone, `ρ = height / tan(depression)`, and nearer ground is always lower.
//! This is the polar form of the inverse perspective mapping of M. Bertozzi
//! and A. Broggi, IEEE Trans. Image Processing 7(1), 1998.

use crate::camera::{Picture, Plane};
use crate::optics::{Ground, PixelPoint};
use crate::profile::WatchArea;

/// Most columns and rows a panorama may have: bounds the work per frame.
const MOST_COLUMNS: f64 = 200.0;
const MOST_ROWS: f64 = 152.0;
/// A cell should not be finer than two full-size pixels.
const PIXELS_PER_CELL: f64 = 2.0;
/// The tallest thing whose top is of interest.
const TALLEST_M: f64 = 2.0;

/// One cell's place in the decoded planes: index of the upper left sample and
/// the weights of the right and lower neighbours in 1/256.
#[derive(Debug, Clone, Copy, Default)]
struct Tap {
    index: u32,
    right: u16,
    down: u16,
}

/// Sampling tables for one size of plane.
#[derive(Debug, Clone, Default)]
struct Taps {
    width: usize,
    height: usize,
    taps: Vec<Tap>,
}

/// What one cell of the panorama looks at; made once from the profile.
#[derive(Debug, Clone)]
pub struct Layout {
    /// Columns.
    pub columns: usize,
    /// Rows.
    pub rows: usize,
    /// Sine of the azimuth of column 0.
    pub sine0: f32,
    /// Sine of azimuth per column.
    pub sine_step: f32,
    /// Depression of row 0, radians (negative above the horizon).
    pub depression0: f32,
    /// Depression per row, radians.
    pub depression_step: f32,
    /// Camera height, metres.
    pub height: f32,
    /// Full-size pixel of each cell, or of the next one up its column that the lens shows; no
    /// number if there is none.
    pub pixels: Vec<PixelPoint>,
    /// Whether the cell shows anything but the own vehicle or the outside of
    /// the picture.
    pub visible: Vec<bool>,
    /// Whether the cell, taken as ground, lies in the watch area.
    pub watched: Vec<bool>,
    /// Ground distance of each row from the foot point, metres; infinite at
    /// and above the horizon.
    pub row_distance: Vec<f32>,
    /// Tangent of each row's depression.
    pub row_tangent: Vec<f32>,
    /// First row below the horizon.
    pub horizon_row: usize,
    /// First row that shows watched ground.
    pub farthest_row: usize,
    /// Behind and side of the foot point.
    pub foot: (f64, f64),
    pub(super) column_direction: Vec<(f32, f32)>,
    luma: Taps,
    chroma: Taps,
}

impl Layout {
    /// Lays out the panorama for a camera. `masked(pixel)` tells which pixels
    /// show the own vehicle. `None` if the watch area cannot be seen at all.
    pub fn new(
        ground: &Ground,
        watch: &WatchArea,
        masked: impl Fn(PixelPoint) -> bool,
    ) -> Option<Layout> {
        let lens = *ground.lens();
        let height = ground.mount().height.0;
        let position = ground.camera_position();
        let (w, h) = (f64::from(lens.width), f64::from(lens.height));
        // Azimuth and depression that the picture covers, from a grid of rays.
        let (mut az, mut dep) = ((f64::MAX, f64::MIN), (f64::MAX, f64::MIN));
        for j in 0..=48 {
            for i in 0..=64 {
                let p = PixelPoint {
                    u: (w - 1.0) * f64::from(i) / 64.0,
                    v: (h - 1.0) * f64::from(j) / 48.0,
                };
                let Some(ray) = ground.ray(p) else { continue };
                let level = ray.x.hypot(ray.y);
                let d = (-ray.z).atan2(level);
                // Straight down every azimuth is the same place.
                if d > 1.4 || ray.x < 0.0 {
                    continue;
                }
                let a = ray.y.atan2(ray.x);
                az = (az.0.min(a), az.1.max(a));
                dep = (dep.0.min(d), dep.1.max(d));
            }
        }
        let far = watch.far.0 - position.x;
        if az.0 >= az.1 || far <= 0.0 {
            return None;
        }
        // Nothing taller than a person at the far edge is of interest.
        let top = ((height - TALLEST_M) / far).atan();
        let dep = (dep.0.max(top), dep.1);
        // And nothing beside the watch area, seen from its nearest row.
        let nearest = height / dep.1.max(0.05).tan();
        let reach = (watch.half_width.0 + position.y.abs()).atan2(nearest * 0.5);
        let az = (az.0.max(-reach), az.1.min(reach));
        if dep.0 >= dep.1 || az.0 >= az.1 {
            return None;
        }
        let finest = PIXELS_PER_CELL * pixel_angle(ground)?;
        // In the middle a step of the sine is a step of the angle.
        let sine = (az.0.sin(), az.1.sin());
        let sine_step = finest.max((sine.1 - sine.0) / MOST_COLUMNS);
        let depression_step = finest.max((dep.1 - dep.0) / MOST_ROWS);
        let columns = ((sine.1 - sine.0) / sine_step).floor() as usize + 1;
        let rows = ((dep.1 - dep.0) / depression_step).floor() as usize + 1;
        if columns < 8 || rows < 8 {
            return None;
        }

        let cells = columns * rows;
        let mut layout = Layout {
            columns,
            rows,
            sine0: sine.0 as f32,
            sine_step: sine_step as f32,
            depression0: dep.0 as f32,
            depression_step: depression_step as f32,
            height: height as f32,
            pixels: Vec::new(),
            visible: Vec::with_capacity(cells),
            watched: Vec::with_capacity(cells),
            row_distance: Vec::with_capacity(rows),
            row_tangent: (0..rows)
                .map(|j| (dep.0 + depression_step * j as f64).tan() as f32)
                .collect(),
            horizon_row: 0,
            farthest_row: 0,
            foot: (position.x, position.y),
            column_direction: (0..columns)
                .map(|i| {
                    let side = sine.0 + sine_step * i as f64;
                    ((1.0 - side * side).max(0.0).sqrt() as f32, side as f32)
                })
                .collect(),
            luma: Taps::default(),
            chroma: Taps::default(),
        };
        let mut pixels = Vec::with_capacity(cells);
        for j in 0..rows {
            let d = dep.0 + depression_step * j as f64;
            let distance = if d > 1e-3 {
                height / d.tan()
            } else {
                f64::INFINITY
            };
            layout.row_distance.push(distance as f32);
            if d <= 1e-3 {
                layout.horizon_row = j + 1;
            }
            for i in 0..columns {
                let (along, side) = layout.column_direction[i];
                let (along, side) = (f64::from(along), f64::from(side));
                let point =
                    position + nalgebra::Vector3::new(d.cos() * along, d.cos() * side, -d.sin());
                let pixel = ground.point_to_pixel(&point);
                let inside = pixel.is_some_and(|p| lens.holds(p) && !masked(p));
                layout.visible.push(inside);
                pixels.push(pixel);
                let (behind, side) = (position.x + distance * along, position.y + distance * side);
                layout.watched.push(
                    inside
                        && distance.is_finite()
                        && behind <= watch.far.0
                        && behind >= -0.5
                        && side.abs() <= watch.half_width.0,
                );
            }
        }
        layout.pixels = filled(&pixels, columns);
        layout.farthest_row = layout.watched.iter().position(|&w| w)? / columns;
        Some(layout)
    }

    /// Index of a cell.
    pub fn at(&self, column: usize, row: usize) -> usize {
        row * self.columns + column
    }

    /// Ground place of a fractional row in a column, relative to the foot
    /// point: (along behind, along side), metres.
    pub fn place(&self, column: usize, row: f32) -> (f32, f32) {
        let rho = self.distance(row);
        let (c, s) = self.column_direction[column];
        (rho * c, rho * s)
    }

    /// Ground place of a cell, as [`Self::place`].
    pub fn cell_place(&self, column: usize, row: usize) -> (f32, f32) {
        let rho = self.row_distance[row];
        let (c, s) = self.column_direction[column];
        (rho * c, rho * s)
    }

    /// Level direction of a column: (along behind, along side), of length 1.
    pub fn direction(&self, column: usize) -> (f32, f32) {
        self.column_direction[column]
    }

    /// Ground distance from the foot point at a fractional row, metres.
    pub fn distance(&self, row: f32) -> f32 {
        let d = self.depression0 + row * self.depression_step;
        if d > 1e-3 {
            self.height / d.tan()
        } else {
            f32::INFINITY
        }
    }

    /// Fractional row of a ground distance from the foot point.
    pub fn row(&self, distance: f32) -> f32 {
        self.row_over(distance, 0.0)
    }

    /// Fractional row of what is so high over the ground, at a distance from the foot point.
    pub fn row_over(&self, distance: f32, height: f32) -> f32 {
        (((self.height - height) / distance).atan() - self.depression0) / self.depression_step
    }

    /// Full-size pixel of a fractional row in a column.
    pub fn pixel(&self, column: usize, row: f32) -> PixelPoint {
        let row = row.clamp(0.0, (self.rows - 1) as f32);
        let j = (row as usize).min(self.rows - 2);
        let f = f64::from(row - j as f32);
        let (a, b) = (
            self.pixels[self.at(column, j)],
            self.pixels[self.at(column, j + 1)],
        );
        PixelPoint {
            u: a.u + f * (b.u - a.u),
            v: a.v + f * (b.v - a.v),
        }
    }

    /// Samples the decoded picture into a panorama, reusing its buffers.
    pub fn sample(&mut self, picture: &Picture, into: &mut Panorama) {
        let full = (picture.full_width, picture.full_height);
        make_taps(
            &mut self.luma,
            &self.pixels,
            &self.visible,
            &picture.y,
            full,
        );
        make_taps(
            &mut self.chroma,
            &self.pixels,
            &self.visible,
            &picture.cb,
            full,
        );
        fetch(&self.luma, &picture.y, &mut into.y);
        fetch(&self.chroma, &picture.cb, &mut into.cb);
        fetch(&self.chroma, &picture.cr, &mut into.cr);
    }
}

#[cfg(test)]
impl Layout {
    /// The layout of the hatch example, for tests.
    pub(super) fn of_hatch() -> Layout {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = crate::profile::Profile::load(path.as_ref()).unwrap();
        Layout::new(&profile.ground(), &profile.watch, |_| false).unwrap()
    }
}

/// Where the lens shows nothing, the pixel of the next cell up its column: what has its foot there
/// is told at the edge of what can be seen, not left out. Where there is none farther, no number.
fn filled(pixels: &[Option<PixelPoint>], columns: usize) -> Vec<PixelPoint> {
    let none = PixelPoint {
        u: f64::NAN,
        v: f64::NAN,
    };
    let mut out: Vec<PixelPoint> = Vec::with_capacity(pixels.len());
    for (k, pixel) in pixels.iter().enumerate() {
        let farther = k.checked_sub(columns).map_or(none, |up| out[up]);
        out.push(pixel.unwrap_or(farther));
    }
    out
}

/// The angle that one pixel spans in the middle of the picture, radians.
fn pixel_angle(ground: &Ground) -> Option<f64> {
    let lens = ground.lens();
    let centre = PixelPoint {
        u: f64::from(lens.width) / 2.0,
        v: f64::from(lens.height) / 2.0,
    };
    let next = PixelPoint {
        u: centre.u + 1.0,
        v: centre.v,
    };
    let angle = ground.ray(centre)?.angle(&ground.ray(next)?);
    (angle > 0.0).then_some(angle)
}

fn make_taps(
    taps: &mut Taps,
    pixels: &[PixelPoint],
    visible: &[bool],
    plane: &Plane,
    full: (usize, usize),
) {
    if taps.width == plane.width && taps.height == plane.height && !taps.taps.is_empty() {
        return;
    }
    taps.width = plane.width;
    taps.height = plane.height;
    taps.taps.clear();
    let (sx, sy) = (
        plane.width as f64 / full.0.max(1) as f64,
        plane.height as f64 / full.1.max(1) as f64,
    );
    for (p, &seen) in pixels.iter().zip(visible) {
        if !seen || plane.width < 2 || plane.height < 2 {
            taps.taps.push(Tap::default());
            continue;
        }
        let x = ((p.u + 0.5) * sx - 0.5).clamp(0.0, (plane.width - 1) as f64 - 1e-3);
        let y = ((p.v + 0.5) * sy - 0.5).clamp(0.0, (plane.height - 1) as f64 - 1e-3);
        let (i, j) = (
            (x as usize).min(plane.width - 2),
            (y as usize).min(plane.height - 2),
        );
        taps.taps.push(Tap {
            index: (j * plane.width + i) as u32,
            right: ((x - i as f64) * 256.0) as u16,
            down: ((y - j as f64) * 256.0) as u16,
        });
    }
}

fn fetch(taps: &Taps, plane: &Plane, into: &mut Vec<f32>) {
    into.resize(taps.taps.len(), 0.0);
    if plane.width < 2 || plane.height < 2 {
        let value = plane.data.first().copied().unwrap_or(0);
        into.fill(f32::from(value));
        return;
    }
    let data = &plane.data[..];
    let stride = plane.width;
    for (out, tap) in into.iter_mut().zip(&taps.taps) {
        let i = tap.index as usize;
        let (r, d) = (u32::from(tap.right), u32::from(tap.down));
        let pair = |a: u8, b: u8| u32::from(a) * (256 - r) + u32::from(b) * r;
        let top = pair(data[i], data[i + 1]);
        let bottom = pair(data[i + stride], data[i + stride + 1]);
        *out = (top * (256 - d) + bottom * d) as f32 * (1.0 / 65536.0);
    }
}

/// A sampled panorama: planes of `rows × columns` values, 0..255.
#[derive(Debug, Clone, Default)]
pub struct Panorama {
    /// Luma.
    pub y: Vec<f32>,
    /// Blue difference, 128 neutral.
    pub cb: Vec<f32>,
    /// Red difference, 128 neutral.
    pub cr: Vec<f32>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Brown and Conrady's polynomial folds back beyond some angle: no ray has a pixel there.
    #[test]
    fn a_foot_is_told_where_its_cell_lies_or_not_at_all() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = crate::profile::Profile::load(path.as_ref()).expect("example profile");
        let (ground, l) = (profile.ground(), Layout::of_hatch());
        let (mut shown, mut beyond) = (0, 0);
        for r in l.farthest_row..l.rows - 1 {
            for c in 0..l.columns {
                let row = r as f32 + 0.5;
                let there = f64::from(l.distance(row));
                match ground.to_ground(l.pixel(c, row)) {
                    Some(p) => {
                        shown += 1;
                        let told = (p.behind_m - l.foot.0).hypot(p.side_m - l.foot.1);
                        assert!(
                            (told - there).abs() < 0.02 * there,
                            "{told} m, not {there} m"
                        );
                    }
                    None => {
                        beyond += 1;
                        assert!(!l.visible[l.at(c, r)], "column {c}, row {r}");
                    }
                }
            }
        }
        assert!(shown > 0 && beyond > 0, "{shown}, {beyond}: no test");
    }

    #[test]
    fn what_the_lens_cannot_show_is_told_at_the_edge_of_what_it_shows() {
        let at = |u: f64| Some(PixelPoint { u, v: 0.0 });
        let pixels = [at(1.0), None, None, at(2.0), at(3.0), None];
        let told: Vec<f64> = filled(&pixels, 2).iter().map(|p| p.u).collect();
        assert!(told[1].is_nan(), "nothing is shown farther");
        assert_eq!([told[0], told[2], told[3]], [1.0, 1.0, 2.0]);
        assert_eq!(told[4..], [3.0, 2.0]);
    }
}
