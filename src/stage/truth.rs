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
    /// Nearest point of its outline on the ground, ground frame of the vehicle.
    pub behind_m: f64,
    /// Nearest point of its outline on the ground.
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

/// Among points equally near (a wall across), the one nearest the middle
/// stands for the thing: a metre aside weighs as much as this much behind.
pub const ASIDE: f64 = 0.01;

/// The row of a thing; `None` if it has nothing that could be met.
pub fn row(
    thing: &Placed,
    pose: &Pose,
    world: &World,
    lens: &Lens,
    camera: &Matrix3<f32>,
) -> Option<Row> {
    let index = thing.index?;
    let (s, c) = pose.heading_rad.sin_cos();
    let mut outline = Vec::new();
    for part in thing.parts.iter().filter(|p| p.counts) {
        part.shape.outline(&mut outline);
    }
    let (mut left, mut right) = (f64::MAX, f64::MIN);
    let mut nearest: Option<(f64, f64)> = None;
    for (x, y) in outline {
        let w = thing.outward(&V3::new(x, y, 0.0)) + thing.at;
        let (dx, dy) = (f64::from(w.x) - pose.behind_m, f64::from(w.y) - pose.side_m);
        let (behind, side) = (c * dx + s * dy, -s * dx + c * dy);
        left = left.min(side);
        right = right.max(side);
        let cost = |p: (f64, f64)| p.0 + ASIDE * p.1.abs();
        if nearest.is_none_or(|n| cost((behind, side)) < cost(n)) {
            nearest = Some((behind, side));
        }
    }
    let (behind_m, side_m) = nearest?;
    Some(Row {
        index,
        behind_m,
        side_m,
        half_width_m: (right - left) / 2.0,
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
