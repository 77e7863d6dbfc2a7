//! Exact truth about what stands where, and how much of it can be seen.

use nalgebra::{Matrix3, Vector3};

use super::motion::Pose;
use super::render::World;
use super::shape::V3;
use super::thing::Placed;
use crate::optics::Lens;

/// One row of `truth.csv`, without frame and class.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Index into the scene's things.
    pub index: usize,
    /// Distance of its outline's nearest point in the vehicle's path; of its
    /// nearest point at all if nothing of it is in the path.
    pub behind_m: f64,
    /// Middle of its extent along side.
    pub side_m: f64,
    /// Half its extent along side.
    pub half_width_m: f64,
    /// Height of its top.
    pub height_m: f64,
    /// Share of its silhouette in the picture and not hidden.
    pub visible: f64,
}

/// Rays across the silhouette's sphere, each way.
const LOOKS: i32 = 28;

/// Where a thing stands, from points closely spaced along its outline, (behind,
/// side) in metres: how far behind it is met by a vehicle whose path is
/// `half_path` metres to each side (a long fence is met where the path crosses
/// it, not at its near end off to the side), the middle of its extent along
/// side, and half that extent. `None` without points.
pub fn stand(points: impl Iterator<Item = (f64, f64)>, half_path: f64) -> Option<(f64, f64, f64)> {
    let (mut left, mut right) = (f64::MAX, f64::MIN);
    let (mut nearest, mut met) = (f64::MAX, f64::MAX);
    for (behind, side) in points {
        left = left.min(side);
        right = right.max(side);
        nearest = nearest.min(behind);
        if side.abs() <= half_path {
            met = met.min(behind);
        }
    }
    let behind = if met < f64::MAX { met } else { nearest };
    (left <= right).then_some((behind, (left + right) / 2.0, (right - left) / 2.0))
}

/// The row of a thing; `None` if it has nothing that could be met.
pub fn row(
    thing: &Placed,
    pose: &Pose,
    world: &World,
    lens: &Lens,
    camera: &Matrix3<f32>,
    half_path: f64,
) -> Option<Row> {
    let index = thing.index?;
    let (s, c) = pose.heading_rad.sin_cos();
    let mut outline = Vec::new();
    for part in thing.parts.iter().filter(|p| p.counts) {
        part.shape.outline(&mut outline);
    }
    let points = outline.into_iter().map(|(x, y)| {
        let w = thing.outward(&V3::new(x, y, 0.0)) + thing.at;
        let (dx, dy) = (f64::from(w.x) - pose.behind_m, f64::from(w.y) - pose.side_m);
        (c * dx + s * dy, -s * dx + c * dy)
    });
    let (behind_m, side_m, half_width_m) = stand(points, half_path)?;
    Some(Row {
        index,
        behind_m,
        side_m,
        half_width_m,
        height_m: f64::from(thing.top_m),
        visible: visible(thing, world, lens, camera),
    })
}

/// Shoots rays at the thing from the camera: of those that would meet it
/// alone, the share that lies in the picture and meets it first.
fn visible(thing: &Placed, world: &World, lens: &Lens, camera: &Matrix3<f32>) -> f64 {
    let eye = world.eye;
    let to = thing.bound.0 - eye;
    let dist = to.norm();
    let radius = thing.bound.1.sqrt();
    if dist <= radius * 1.01 {
        // The camera stands inside the sphere: sample the half space toward it.
        return sample(thing, world, lens, camera, &to.normalize(), 1.5);
    }
    let spread = radius / (dist * dist - radius * radius).sqrt();
    sample(thing, world, lens, camera, &(to / dist), spread)
}

fn sample(
    thing: &Placed,
    world: &World,
    lens: &Lens,
    camera: &Matrix3<f32>,
    axis: &V3,
    spread: f32,
) -> f64 {
    let helper = if axis.z.abs() < 0.9 { V3::z() } else { V3::x() };
    let e1 = axis.cross(&helper).normalize();
    let e2 = axis.cross(&e1);
    let (mut all, mut seen) = (0u32, 0u32);
    let back = camera.transpose();
    for i in 0..LOOKS {
        for j in 0..LOOKS {
            let u = (i as f32 + 0.5) / LOOKS as f32 * 2.0 - 1.0;
            let v = (j as f32 + 0.5) / LOOKS as f32 * 2.0 - 1.0;
            let d = (axis + e1 * (u * spread) + e2 * (v * spread)).normalize();
            let Some(own) = thing.hit(&world.eye, &d, f32::MAX) else {
                continue;
            };
            all += 1;
            let ray: Vector3<f64> = (back * d).cast();
            if !lens.project(&ray).is_some_and(|p| lens.holds(p)) {
                continue;
            }
            let first = world.first_thing(&world.eye, &d, true);
            let hidden =
                first.is_some_and(|(k, h)| world.things[k].index != thing.index && h.t < own.t);
            if !hidden {
                seen += 1;
            }
        }
    }
    if all == 0 {
        0.0
    } else {
        f64::from(seen) / f64::from(all)
    }
}
