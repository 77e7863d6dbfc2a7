//! The picture as the driver sees it.
//!
//! On the ground: a thin line straight across the path at each round distance
//! with its figure beside it, and the two edges of the vehicle's own width,
//! dashed a quarter of a metre on, a quarter off, like a rule laid down. All in
//! one colour: distance is told by figures, colour is kept for what stands in
//! the way. Every line is true ground, so it bends as the lens bends.
//! An obstacle is shown by the line where it meets the ground, with its range.
//! Along the top: the banner.

use std::time::Duration;

use image::{Rgb, RgbImage};

use crate::profile::{DisplaySettings, Profile};
use crate::track::Obstacle;
use crate::zone::{announced_range_m, Alert, Reason, Verdict};

use super::colour::{plate, Plate, CANNOT_TELL, OVERLAY, QUIET};
use super::layer::{draw_line, Layer, Spot, Stroke};
use super::scale::Scaler;
use super::text::Face;
use super::view::View;

/// Dash and gap of the width edges on the ground.
const DASH_M: f64 = 0.25;
/// How far a rung reaches out beyond the vehicle's width.
const RUNG_OVERHANG_M: f64 = 0.15;
/// Rungs closer together than this on the canvas cannot be told apart.
const LEAST_RUNG_GAP_PX: f64 = 12.0;
/// The mark that shows that pictures keep coming crosses its track in this time.
const MARK_PERIOD_S: f64 = 2.0;

/// Draws verdict, rungs and obstacles; everything that does not change from
/// frame to frame is worked out beforehand.
#[derive(Debug, Clone)]
pub struct Painter {
    view: View,
    mirrored: bool,
    scaler: Scaler,
    large: Face,
    medium: Face,
    lines: Layer,
    labels: Vec<Label>,
    line_px: f64,
    spots: Vec<Spot>,
    text: String,
}

/// A figure with its place.
#[derive(Debug, Clone)]
struct Label {
    text: String,
    area: Area,
}

/// A rectangle on the canvas: left, top, right, bottom, pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Area(i32, i32, i32, i32);

impl Area {
    fn overlaps(self, other: Area) -> bool {
        self.0 < other.2 && other.0 < self.2 && self.1 < other.3 && other.1 < self.3
    }

    fn is_within(self, outer: Area) -> bool {
        self.0 >= outer.0 && self.1 >= outer.1 && self.2 <= outer.2 && self.3 <= outer.3
    }
}

impl Painter {
    /// A painter for a canvas of `width` × `height` pixels that shows the
    /// camera's whole picture.
    pub fn new(profile: &Profile, width: u32, height: u32) -> Self {
        let view = View::new(profile, (width, height));
        // Lettering keeps its share of the screen: sizes are for 640×480.
        let share = (f64::from(width) / 640.0).min(f64::from(height) / 480.0);
        let face = |scale: f64| Face::new((scale * share).round().max(1.0) as usize);
        let line_px = (1.5 * share).max(1.0);
        let mut painter = Painter {
            view,
            mirrored: profile.display.mirrored,
            scaler: Scaler::default(),
            large: face(3.0),
            medium: face(2.0),
            lines: Layer::default(),
            labels: Vec::new(),
            line_px,
            spots: Vec::new(),
            text: String::new(),
        };
        painter.lay_out(profile);
        painter
    }

    /// Mirrors the camera's picture if the profile says so, and draws onto it.
    ///
    /// `obstacles` are all that are tracked; `now` is the picture's time of
    /// capture. A picture of another size than the painter was made for is
    /// resized first.
    pub fn paint(
        &mut self,
        picture: &mut RgbImage,
        verdict: &Verdict,
        obstacles: &[Obstacle],
        now: Duration,
    ) {
        let (width, height) = self.view.size;
        if picture.dimensions() != (width, height) {
            let seen = std::mem::replace(picture, RgbImage::new(width, height));
            self.scaler.fit(&seen, picture, self.mirrored);
        } else if self.mirrored {
            image::imageops::flip_horizontal_in_place(picture);
        }
        self.draw(picture, verdict, obstacles, now);
    }

    /// As [`paint`](Self::paint), onto a canvas that is kept from frame to frame;
    /// the camera's picture stays as it is.
    pub fn paint_on(
        &mut self,
        canvas: &mut RgbImage,
        seen: &RgbImage,
        verdict: &Verdict,
        obstacles: &[Obstacle],
        now: Duration,
    ) {
        let (width, height) = self.view.size;
        if canvas.dimensions() != (width, height) {
            *canvas = RgbImage::new(width, height);
        }
        self.scaler.fit(seen, canvas, self.mirrored);
        self.draw(canvas, verdict, obstacles, now);
    }

    fn draw(
        &mut self,
        picture: &mut RgbImage,
        verdict: &Verdict,
        obstacles: &[Obstacle],
        now: Duration,
    ) {
        match verdict {
            Verdict::CannotTell { reason } => self.paint_cannot_tell(picture, *reason),
            Verdict::Clear => {
                let banner = self.quiet_area();
                self.paint_ground(picture, banner, banner);
                self.paint_others(picture, obstacles, None);
                self.paint_quiet(picture, now);
            }
            Verdict::Obstacle(alert) => {
                let banner = self.alert_area();
                let figure = self.trace(&alert.obstacle, banner);
                self.paint_ground(picture, banner, figure);
                self.paint_others(picture, obstacles, Some(alert.obstacle.id));
                self.paint_obstacle(picture, alert, figure);
                self.paint_alert(picture, alert);
            }
        }
    }

    /// Rungs, width edges and the places of the rungs' figures.
    fn lay_out(&mut self, profile: &Profile) {
        let DisplaySettings { rungs, .. } = &profile.display;
        let half = profile.vehicle.width.0 / 2.0;
        let mut distances: Vec<f64> = rungs.iter().map(|r| r.0).filter(|r| *r > 0.0).collect();
        distances.sort_by(f64::total_cmp);
        let mut lines = Vec::new();
        let mut last_row = f64::INFINITY;
        let mut drawn_to = 0.0_f64;
        for distance in distances {
            let Some(centre) = self.view.ground_spot(distance, 0.0) else {
                continue;
            };
            let apart = (last_row - centre.1) >= LEAST_RUNG_GAP_PX;
            let below_banner = centre.1 > f64::from(self.quiet_area().3);
            if !apart || !below_banner {
                continue;
            }
            let end = half + RUNG_OVERHANG_M;
            let rung = self.view.ground_lines((distance, -end), (distance, end));
            if let Some(label) = self.place_label(distance, &rung) {
                self.labels.push(label);
            }
            lines.extend(rung);
            last_row = centre.1;
            drawn_to = distance;
        }
        let mut from = 0.0;
        while from < drawn_to {
            let to = (from + DASH_M).min(drawn_to);
            for side in [-half, half] {
                lines.extend(self.view.ground_lines((from, side), (to, side)));
            }
            from += 2.0 * DASH_M;
        }
        let stroke = Stroke {
            ink: OVERLAY.ink,
            outline: OVERLAY.ground,
            width: self.line_px,
            margin: self.line_px,
        };
        self.lines = Layer::of_lines(&lines, stroke, self.view.size);
    }

    /// The first place beside a rung that is on the canvas and free: beyond
    /// its right end, beyond its left end, or where it leaves the picture.
    fn place_label(&self, distance: f64, rung: &[Vec<Spot>]) -> Option<Label> {
        let text = format!("{distance} m");
        let (w, h) = (self.medium.width(&text), self.medium.ink_height());
        let gap = 6;
        let (width, height) = (self.view.size.0 as i32, self.view.size.1 as i32);
        // Clear of the banner, and of the barrier drawn around the picture.
        let inset = self.barrier() + 3;
        let canvas = Area(
            inset,
            self.quiet_area().3 + 2,
            width - inset,
            height - inset,
        );
        let seen = || rung.iter().flatten().filter(|spot| self.view.holds(**spot));
        let right = seen().copied().max_by(|a, b| a.0.total_cmp(&b.0))?;
        let left = seen().copied().min_by(|a, b| a.0.total_cmp(&b.0))?;
        let beside = |x: f64, y: f64, shift: i32, lift: i32| {
            let (left, top) = (x.round() as i32 + shift, y.round() as i32 - h / 2 - lift);
            Area(left, top, left + w, top + h)
        };
        let above = h / 2 + 2;
        let candidates = [
            beside(right.0, right.1, gap, 0),
            beside(left.0, left.1, -gap - w, 0),
            // The rung runs out of the picture: stand on its end, inside.
            beside(right.0, right.1, -gap - w, above),
            beside(left.0, left.1, gap, above),
            beside(right.0, right.1, -gap - w, -above),
            beside(left.0, left.1, gap, -above),
        ];
        let free = |area: &Area| {
            let with_outline = Area(area.0 - 4, area.1 - 4, area.2 + 4, area.3 + 4);
            area.is_within(canvas)
                && (self.labels.iter()).all(|label| !label.area.overlaps(with_outline))
        };
        let area = candidates.into_iter().find(free)?;
        Some(Label { text, area })
    }

    fn paint_ground(&self, picture: &mut RgbImage, banner: Area, figure: Area) {
        self.lines.lay_over(picture);
        for label in &self.labels {
            if !label.area.overlaps(banner) && !label.area.overlaps(figure) {
                let at = (label.area.0, label.area.1 - self.medium.ink_top());
                let Plate { ground, ink } = OVERLAY;
                self.medium
                    .draw(picture, at, &label.text, ink, Some(ground));
            }
        }
    }

    /// Finds the canvas line of an obstacle (into `spots`), and a place for its
    /// range (into `text`) clear of the banner.
    fn trace(&mut self, obstacle: &Obstacle, banner: Area) -> Area {
        self.trace_line(obstacle);
        self.text = range_text(obstacle);
        let pad = self.medium.height() / 6;
        let w = self.medium.width(&self.text) + 2 * pad;
        let h = self.medium.height();
        let (width, height) = (self.view.size.0 as i32, self.view.size.1 as i32);
        let count = self.spots.len().max(1) as f64;
        let middle = self.spots.iter().map(|s| s.0).sum::<f64>() / count;
        let top = self.spots.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
        let bottom = self.spots.iter().map(|s| s.1).fold(0.0, f64::max);
        let gap = 4 + (self.line_px * 3.0) as i32;
        let left = (middle as i32 - w / 2).clamp(0, (width - w).max(0));
        // On the obstacle, above its line; below the line if that is taken.
        let above = (top.min(f64::from(height)) as i32 - gap - h).min(height - h);
        let y = if above > banner.3 + 2 {
            above
        } else {
            (bottom as i32 + gap).clamp(banner.3 + 2, (height - h).max(banner.3 + 2))
        };
        Area(left, y, left + w, y + h)
    }

    fn trace_line(&mut self, obstacle: &Obstacle) {
        self.spots.clear();
        let spots = obstacle.line.iter().map(|p| self.view.spot(*p));
        // Every few pixels is enough, and noise of single columns is not shown.
        let step = (obstacle.line.len() / 64).max(1);
        self.spots.extend(spots.step_by(step));
        if let Some(last) = obstacle.line.last() {
            self.spots.push(self.view.spot(*last));
        }
        if obstacle.line.is_empty() {
            let behind = obstacle.nearest.behind_m;
            let (a, b) = obstacle.side_extent_m;
            let line = self.view.ground_lines((behind, a), (behind, b));
            self.spots.extend(line.into_iter().flatten());
        }
        self.spots.retain(|s| s.0.is_finite() && s.1.is_finite());
    }

    fn paint_obstacle(&self, picture: &mut RgbImage, alert: &Alert, figure: Area) {
        let colours = plate(alert.signal);
        self.contact_line(picture, colours.ground, 3.0, alert.obstacle.seen);
        fill(picture, figure, colours.ground);
        let pad = self.medium.height() / 6;
        let at = (figure.0 + pad, figure.1);
        self.medium.draw(picture, at, &self.text, colours.ink, None);
    }

    /// Whatever else is tracked gets its contact line, without a figure: one
    /// thing at a time is announced.
    fn paint_others(&mut self, picture: &mut RgbImage, obstacles: &[Obstacle], but: Option<u32>) {
        let kept = std::mem::take(&mut self.spots);
        for obstacle in obstacles.iter().filter(|o| Some(o.id) != but) {
            self.trace_line(obstacle);
            self.contact_line(picture, OVERLAY.ink, 2.0, obstacle.seen);
        }
        self.spots = kept;
    }

    /// A contact line; with gaps if it is only expected where it is drawn.
    fn contact_line(&self, picture: &mut RgbImage, ink: Rgb<u8>, weight: f64, seen: bool) {
        let stroke = Stroke {
            ink,
            outline: OVERLAY.ground,
            width: self.line_px * weight,
            margin: self.line_px * 1.5,
        };
        if seen {
            draw_line(picture, &self.spots, stroke);
        } else {
            for pair in self.spots.chunks(3) {
                draw_line(picture, &pair[..pair.len().min(2)], stroke);
            }
        }
    }

    fn alert_area(&self) -> Area {
        Area(0, 0, self.view.size.0 as i32, self.large.height() + 6)
    }

    /// Width of the barrier around a picture that cannot be trusted.
    fn barrier(&self) -> i32 {
        self.large.height() / 4
    }

    fn quiet_area(&self) -> Area {
        Area(0, 0, self.view.size.0 as i32, self.medium.height() + 6)
    }

    fn paint_alert(&self, picture: &mut RgbImage, alert: &Alert) {
        let area = self.alert_area();
        let Plate { ground, ink } = plate(alert.signal);
        fill(picture, area, ground);
        let margin = self.large.height() / 4;
        let word = alert.signal.text();
        self.large.draw(picture, (margin, 3), word, ink, None);
        let x = area.2 - margin - self.large.width(&self.text);
        self.large.draw(picture, (x, 3), &self.text, ink, None);
    }

    /// Calm, but never the same for two frames: a mark wanders along the bar
    /// with the time of capture, so that a picture that stands still is seen.
    fn paint_quiet(&self, picture: &mut RgbImage, now: Duration) {
        let area = self.quiet_area();
        let Plate { ground, ink } = QUIET;
        fill(picture, area, ground);
        self.medium
            .draw(picture, (12, 3), "NOTHING SEEN", ink, None);
        let (from, to) = (area.2 * 6 / 10, area.2 - 12);
        let middle = (area.1 + area.3) / 2;
        fill(
            picture,
            Area(from, middle - 1, to, middle + 1),
            Rgb([0x70; 3]),
        );
        let phase = (now.as_secs_f64() / MARK_PERIOD_S).fract();
        let x = from + (f64::from(to - from - 10) * phase) as i32;
        fill(picture, Area(x, middle - 5, x + 10, middle + 5), ink);
    }

    fn paint_cannot_tell(&self, picture: &mut RgbImage, reason: Reason) {
        let (rungs_hold, picture_holds) = trust(reason);
        if !picture_holds {
            for byte in picture.iter_mut() {
                *byte /= 3;
            }
        }
        let Plate { ground, ink } = CANNOT_TELL;
        let (width, height) = (self.view.size.0 as i32, self.view.size.1 as i32);
        let band = self.barrier();
        let bottom = band + self.large.height() + self.medium.height() + 8;
        let area = Area(0, 0, width, bottom);
        if rungs_hold {
            self.paint_ground(picture, area, area);
        }
        fill(picture, area, ground);
        // A barrier all round the picture.
        for side in [
            Area(0, 0, width, band),
            Area(0, height - band, width, height),
            Area(0, 0, band, height),
            Area(width - band, 0, width, height),
        ] {
            hatch(picture, side, band, ink, ground);
        }
        let margin = band * 2;
        let head = "CANNOT TELL";
        self.large
            .draw(picture, (margin, band + 2), head, ink, None);
        let at = (margin, band + self.large.height());
        self.medium
            .draw(picture, at, reason.plain_words(), OVERLAY.ink, None);
    }
}

/// For a picture that cannot be trusted: whether the rungs on it still lie
/// true, and whether it still shows what is behind now.
fn trust(reason: Reason) -> (bool, bool) {
    match reason {
        Reason::NotYet | Reason::Dark | Reason::WashedOut | Reason::Smeared | Reason::Dirty => {
            (true, true)
        }
        Reason::Covered | Reason::Shaken => (false, true),
        Reason::Late | Reason::Broken | Reason::Frozen => (false, false),
    }
}

/// The announced range, rounded down to a tenth of a metre.
fn range_text(obstacle: &Obstacle) -> String {
    let tenths = (announced_range_m(obstacle) * 10.0 + 1e-6)
        .floor()
        .min(9999.0);
    format!("{:.1} m", tenths / 10.0)
}

fn fill(picture: &mut RgbImage, area: Area, colour: Rgb<u8>) {
    each(picture, area, |_, _| colour);
}

fn hatch(picture: &mut RgbImage, area: Area, stripe: i32, a: Rgb<u8>, b: Rgb<u8>) {
    let stripe = stripe.max(1) as u32;
    each(picture, area, |x, y| {
        if ((x + y) / stripe).is_multiple_of(2) {
            a
        } else {
            b
        }
    });
}

fn each(picture: &mut RgbImage, area: Area, colour: impl Fn(u32, u32) -> Rgb<u8>) {
    let (width, height) = picture.dimensions();
    let limit = |v: i32, size: u32| u32::try_from(v).unwrap_or(0).min(size);
    for y in limit(area.1, height)..limit(area.3, height) {
        for x in limit(area.0, width)..limit(area.2, width) {
            picture.put_pixel(x, y, colour(x, y));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn figures_do_not_collide_and_stay_on_the_canvas() {
        for name in ["plate-height", "hatch", "van-roof"] {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/{name}.toml"));
            let profile = Profile::load(&path).unwrap();
            for (width, height) in [(320, 240), (640, 480), (800, 480), (1024, 600)] {
                let painter = Painter::new(&profile, width, height);
                let canvas = Area(0, painter.quiet_area().3, width as i32, height as i32);
                assert!(painter.labels.len() >= 2, "{name} {width}x{height}");
                for (i, label) in painter.labels.iter().enumerate() {
                    assert!(label.area.is_within(canvas), "{name}: {label:?}");
                    for other in &painter.labels[..i] {
                        assert!(!label.area.overlaps(other.area), "{name}: {label:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn every_banner_fits_its_canvas() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/hatch.toml");
        let profile = Profile::load(&path).unwrap();
        for (width, height) in [(320, 240), (480, 320), (640, 480), (800, 480)] {
            let painter = Painter::new(&profile, width, height);
            let room = width as i32 - painter.large.height();
            let alert = painter.large.width("WARNING 99.9 m");
            assert!(alert <= room, "{alert} of {width}");
            for reason in Reason::ALL {
                let words = painter.medium.width(reason.plain_words());
                assert!(words <= room, "{reason:?}: {words} of {width}");
            }
        }
    }
}
