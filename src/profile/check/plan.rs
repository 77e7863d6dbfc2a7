//! Pictures of what `check` found: a plan from above, and a still with the
//! zones and test objects drawn where they would stand.

use image::{Rgb, RgbImage};

use crate::announce::plate;
use crate::optics::GroundPoint;
use crate::profile::{Profile, Zone, ZoneShape};

use super::objects::{self, ObjectRow};
use super::outlook::outline;
use super::plot::{self, Anchor, Drawing, Ink};
use super::sight::Sight;

const BLACK: Ink = Rgb([0; 3]);
const WHITE: Ink = Rgb([255; 3]);
const GREY: Ink = Rgb([150; 3]);
const DARK: Ink = Rgb([70, 75, 80]);
const SEEN: Ink = Rgb([222, 232, 238]);
const MET: Ink = Rgb([0, 95, 70]);
const NOT_MET: Ink = Rgb([0xC8, 0x10, 0x2E]);

const PX_PER_M: f64 = 88.0;
const TOP_PX: f64 = 96.0;
const SIDE_PX: f64 = 52.0;
/// Height of a line of the legend.
const LINE_PX: f64 = 17.0;
/// The strips that show what is seen.
const CELL_M: f64 = 0.05;

/// The plan: vehicle at the top as from above, its right on the right.
pub(super) fn plan(
    profile: &Profile,
    sight: &Sight,
    us: &[ObjectRow],
    un: &[ObjectRow],
) -> Drawing {
    let far_m = (profile.watch.far.0 + 0.3).max(6.6);
    let half_m = (profile.watch.half_width.0 + 0.1).max(2.7);
    let at = |behind: f64, side: f64| {
        (
            SIDE_PX + (side + half_m) * PX_PER_M,
            TOP_PX + behind * PX_PER_M,
        )
    };
    let legend_top = TOP_PX + far_m * PX_PER_M + 14.0;
    let width = 2.0 * (SIDE_PX + half_m * PX_PER_M);
    let legend = wrapped(&legend(), (width - 20.0) / plot::LETTER_PX);
    let height = legend_top + LINE_PX * legend.len() as f64;
    let mut d = Drawing::new(width as u32, height as u32);

    seen_ground(&mut d, sight, far_m, half_m, &at);
    for metre in 0..=far_m as u32 {
        let y = f64::from(metre);
        d.line(vec![at(y, -half_m), at(y, half_m)], GREY, 0.7);
        d.text(
            (SIDE_PX - 8.0, at(y, 0.0).1),
            format!("{metre} m"),
            DARK,
            Anchor::End,
        );
    }
    for zone in profile.zones.iter().rev() {
        zone_on_plan(&mut d, zone, sight, &at);
    }
    vehicle(&mut d, profile, sight, &at);
    let field = field(profile).map(|(behind, side)| at(behind, side));
    for pair in field.windows(2) {
        d.dashes(pair[0], pair[1], DARK, 1.2);
    }
    for zone in &profile.zones {
        zone_label(&mut d, zone, &at);
    }
    for o in un {
        let (x, y) = at(o.behind_m, o.side_m);
        let ink = if o.met { MET } else { NOT_MET };
        let r = 0.08 * PX_PER_M;
        d.area(
            vec![
                (x - r, y - r),
                (x + r, y - r),
                (x + r, y + r),
                (x - r, y + r),
            ],
            ink,
            0.9,
        );
        if !o.met {
            d.line(vec![(x - r, y - r), (x + r, y + r)], WHITE, 1.5);
            d.line(vec![(x - r, y + r), (x + r, y - r)], WHITE, 1.5);
        }
    }
    for o in us {
        let centre = at(o.behind_m, o.side_m);
        let radius = objects::RADIUS_M * PX_PER_M;
        let ink = if o.met { MET } else { NOT_MET };
        d.disc(centre, radius, if o.met { ink } else { WHITE }, 0.9);
        d.ring(centre, radius, ink, 2.0);
        d.text(
            centre,
            o.label.clone(),
            if o.met { WHITE } else { ink },
            Anchor::Middle,
        );
    }
    for (i, line) in legend.into_iter().enumerate() {
        let y = legend_top + LINE_PX * i as f64;
        d.text((10.0, y), line, BLACK, Anchor::Start);
    }
    d
}

/// Corners of UN R158's field, metres behind and to the side; the first again at
/// the end.
fn field(profile: &Profile) -> [(f64, f64); 5] {
    let half = 0.5 * profile.vehicle.width.0;
    let (near, far) = (objects::FIELD_NEAR_M, objects::FIELD_FAR_M);
    [
        (near, -half),
        (near, half),
        (far, half),
        (far, -half),
        (near, -half),
    ]
}

fn legend() -> String {
    format!(
        "Shaded: ground that the picture shows. Dashed beside a far edge: what the mount's \
         uncertainty (two standard deviations) does to it. Round, A to G: filled if shown as \
         asked; {}. Square: first and last row of the dashed field, crossed if not shown as \
         asked; {}. Geometry only, no approval; an aid, not a substitute for looking.",
        objects::US_SOURCE,
        objects::UN_SOURCE
    )
}

/// The text in lines of at most so many characters.
fn wrapped(text: &str, most: f64) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        if let Some(line) = lines.last_mut() {
            if line.is_empty() {
                line.push_str(word);
            } else if (line.chars().count() + 1 + word.chars().count()) as f64 <= most {
                line.push(' ');
                line.push_str(word);
            } else {
                lines.push(word.to_owned());
            }
        }
    }
    lines
}

fn seen_ground(
    d: &mut Drawing,
    sight: &Sight,
    far_m: f64,
    half_m: f64,
    at: &impl Fn(f64, f64) -> (f64, f64),
) {
    let count = |m: f64| (m / CELL_M).ceil() as i32;
    for i in 0..count(far_m) {
        let near = f64::from(i) * CELL_M;
        let mut start: Option<f64> = None;
        for j in -count(half_m)..=count(half_m) {
            let side = f64::from(j) * CELL_M;
            let seen = side < half_m && sight.sees_ground(near + 0.5 * CELL_M, side + 0.5 * CELL_M);
            match (seen, start) {
                (true, None) => start = Some(side.max(-half_m)),
                (false, Some(from)) => {
                    let to = side.min(half_m);
                    let (l, t) = at(near, from);
                    let (r, b) = at(near + CELL_M, to);
                    d.area(vec![(l, t), (r, t), (r, b), (l, b)], SEEN, 1.0);
                    start = None;
                }
                _ => {}
            }
        }
    }
}

fn zone_on_plan(d: &mut Drawing, zone: &Zone, sight: &Sight, at: &impl Fn(f64, f64) -> (f64, f64)) {
    let colour = plate(zone.signal).ground;
    let corners = outline(&zone.shape);
    let mut points: Vec<(f64, f64)> = corners.iter().map(|c| at(c.behind_m, c.side_m)).collect();
    d.area(points.clone(), colour, 0.22);
    if let Some(first) = points.first().copied() {
        points.push(first);
    }
    d.line(points, colour, 2.0);
    let far = corners.iter().map(|c| c.behind_m).fold(f64::MIN, f64::max);
    let right = corners.iter().map(|c| c.side_m).fold(f64::MIN, f64::max);
    let left = corners.iter().map(|c| c.side_m).fold(f64::MAX, f64::min);
    if let Some(sd) = sight.deviation_m(far, 0.0) {
        for edge in [far - 2.0 * sd.mount_m, far + 2.0 * sd.mount_m] {
            d.dashes(at(edge, left), at(edge, right), colour, 1.0);
        }
    }
}

/// The zone's word, name and far edge, just before that edge.
fn zone_label(d: &mut Drawing, zone: &Zone, at: &impl Fn(f64, f64) -> (f64, f64)) {
    let corners = outline(&zone.shape);
    let far = corners.iter().map(|c| c.behind_m).fold(f64::MIN, f64::max);
    let sides = || corners.iter().map(|c| c.side_m);
    let middle = 0.5 * (sides().fold(f64::MIN, f64::max) + sides().fold(f64::MAX, f64::min));
    let (x, y) = at(far, middle);
    let text = format!("{} {:?} to {far:.2} m", zone.signal.text(), zone.name);
    d.label((x, y - 11.0), text, BLACK, WHITE);
}

fn vehicle(
    d: &mut Drawing,
    profile: &Profile,
    sight: &Sight,
    at: &impl Fn(f64, f64) -> (f64, f64),
) {
    let half = 0.5 * profile.vehicle.width.0;
    let (l, bumper) = at(0.0, -half);
    let (r, _) = at(0.0, half);
    d.area(
        vec![
            (l + 10.0, 0.0),
            (r - 10.0, 0.0),
            (r, bumper - 8.0),
            (r, bumper),
            (l, bumper),
            (l, bumper - 8.0),
        ],
        DARK,
        1.0,
    );
    let name = format!("{:.2} m wide", profile.vehicle.width.0);
    d.text((0.5 * (l + r), 40.0), name, WHITE, Anchor::Middle);
    d.text((10.0, 12.0), profile.name.clone(), BLACK, Anchor::Start);
    let camera = sight.ground.camera_position();
    let centre = at(camera.x, camera.y);
    d.disc(centre, 5.0, WHITE, 1.0);
    d.ring(centre, 5.0, BLACK, 1.0);
    let text = format!("camera {:.2} m up", camera.z);
    d.text((centre.0, centre.1 - 16.0), text, WHITE, Anchor::Middle);
}

/// Zones and test objects drawn onto a picture of the camera, not mirrored.
pub(super) fn onto_still(
    picture: &mut RgbImage,
    profile: &Profile,
    sight: &Sight,
    us: &[ObjectRow],
    un: &[ObjectRow],
) {
    let mut d = Drawing::new(picture.width(), picture.height());
    field_on_still(&mut d, profile, sight, un);
    for zone in profile.zones.iter().rev() {
        zone_on_still(&mut d, zone, sight);
    }
    for o in us {
        cylinder(&mut d, sight, o);
    }
    d.paint(picture);
}

/// The far edge of a strip, or the outline of a polygon, as a plain ground
/// line with its word and distance.
fn zone_on_still(d: &mut Drawing, zone: &Zone, sight: &Sight) {
    let corners = outline(&zone.shape);
    let far = corners.iter().map(|c| c.behind_m).fold(f64::MIN, f64::max);
    let sides: Vec<(GroundPoint, GroundPoint)> = match zone.shape {
        ZoneShape::Strip { .. } => corners
            .iter()
            .copied()
            .skip(1)
            .zip(corners.iter().copied().skip(2))
            .take(1)
            .collect(),
        ZoneShape::Polygon(_) => {
            let next = corners.iter().copied().cycle().skip(1);
            corners.iter().copied().zip(next).collect()
        }
    };
    let mut farthest: Option<(f64, f64)> = None;
    for (a, b) in sides {
        let points: Vec<Option<(f64, f64)>> = (0..=80)
            .map(|k| {
                let t = f64::from(k) / 80.0;
                let behind = a.behind_m + t * (b.behind_m - a.behind_m);
                let side = a.side_m + t * (b.side_m - a.side_m);
                sight.pixel(behind, side, 0.0).map(|p| (p.u, p.v))
            })
            .collect();
        // The label stands at the middle of the line that lies farthest up.
        if let Some(p) = points.get(40).copied().flatten() {
            if farthest.is_none_or(|f| p.1 < f.1) {
                farthest = Some(p);
            }
        }
        runs(d, points.iter().copied(), BLACK, 3.5);
        runs(d, points.into_iter(), WHITE, 1.5);
    }
    if let Some((x, y)) = farthest {
        let text = format!("{} {far:.2} m", zone.signal.text());
        let colours = plate(zone.signal);
        d.label((x, y + 10.0), text, colours.ink, colours.ground);
    }
}

/// UN R158's field as a broken line on the ground, a square where each of its
/// objects stands.
fn field_on_still(d: &mut Drawing, profile: &Profile, sight: &Sight, un: &[ObjectRow]) {
    const PARTS: u32 = 120;
    for pair in field(profile).windows(2) {
        let points = (0..=PARTS).map(|k| {
            let t = f64::from(k) / f64::from(PARTS);
            let behind = pair[0].0 + t * (pair[1].0 - pair[0].0);
            let side = pair[0].1 + t * (pair[1].1 - pair[0].1);
            let place = sight.pixel(behind, side, 0.0).map(|p| (p.u, p.v));
            place.filter(|_| k % 6 < 4)
        });
        runs(d, points, WHITE, 1.2);
    }
    for o in un {
        let Some(p) = sight.pixel(o.behind_m, o.side_m, 0.0) else {
            continue;
        };
        let square = |r: f64| {
            vec![
                (p.u - r, p.v - r),
                (p.u + r, p.v - r),
                (p.u + r, p.v + r),
                (p.u - r, p.v + r),
            ]
        };
        d.area(square(5.0), WHITE, 1.0);
        d.area(square(4.0), if o.met { MET } else { NOT_MET }, 1.0);
    }
    if let Some(p) = sight.pixel(objects::FIELD_NEAR_M, 0.0, 0.0) {
        d.label((p.u, p.v + 14.0), "UN R158 field", WHITE, DARK);
    }
}

/// Lines through the points that are there; gaps where one is not.
fn runs(d: &mut Drawing, points: impl Iterator<Item = Option<(f64, f64)>>, ink: Ink, width: f64) {
    let mut run = Vec::new();
    for p in points.chain([None]) {
        match p {
            Some(p) => run.push(p),
            None => {
                let done = std::mem::take(&mut run);
                if done.len() > 1 {
                    d.line(done, ink, width);
                }
            }
        }
    }
}

fn cylinder(d: &mut Drawing, sight: &Sight, o: &ObjectRow) {
    let ink = if o.met { MET } else { NOT_MET };
    let place = |b: f64, s: f64, up: f64| sight.pixel(b, s, up).map(|p| (p.u, p.v));
    for up in [0.0, objects::HEIGHT_M] {
        let rim = (0..=36).map(|i| {
            let a = f64::from(i) * 10_f64.to_radians();
            let (b, s) = (
                o.behind_m + objects::RADIUS_M * a.cos(),
                o.side_m + objects::RADIUS_M * a.sin(),
            );
            place(b, s, up)
        });
        runs(d, rim, ink, 2.0);
    }
    for offset in [-objects::RADIUS_M, objects::RADIUS_M] {
        let (b, s) = objects::across(sight, o.behind_m, o.side_m, offset);
        let flank = (0..=20).map(|i| place(b, s, objects::HEIGHT_M * f64::from(i) / 20.0));
        runs(d, flank, ink, 2.0);
    }
    if let Some(at) = place(o.behind_m, o.side_m, 0.5 * objects::HEIGHT_M) {
        d.label(at, o.label.clone(), WHITE, ink);
    }
}
