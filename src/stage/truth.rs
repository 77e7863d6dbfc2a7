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

/// Where the nearest thing of one direction from the camera meets the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foot {
    /// Number of the direction, as [`crate::segment::direction_of`] counts them.
    pub direction: usize,
    /// Distance of its foot from the camera's foot point, metres.
    pub distance_m: f64,
    /// Depression of its top, radians; the lower part of it alone where that is all it has there.
    pub top_rad: f64,
}

/// The feet of all that stands, in each direction in which something does.
pub fn footline(things: &[Placed], pose: &Pose, camera: &Vector3<f64>) -> Vec<Foot> {
    let mut nearest: Vec<Option<Foot>> = vec![None; crate::segment::DIRECTIONS];
    let (s, c) = pose.heading_rad.sin_cos();
    for thing in things.iter().filter(|t| t.seen && t.index.is_some()) {
        let mut own: Vec<Option<Foot>> = vec![None; nearest.len()];
        let mut tops = vec![f64::MAX; nearest.len()];
        for part in &thing.parts {
            let mut outline = Vec::new();
            part.shape.outline(&mut outline);
            let below = camera.z - f64::from(part.shape.z_extent().1);
            for (x, y) in outline {
                let w = thing.outward(&V3::new(x, y, 0.0)) + thing.at;
                let (dx, dy) = (f64::from(w.x) - pose.behind_m, f64::from(w.y) - pose.side_m);
                let (along, across) = (c * dx + s * dy - camera.x, -s * dx + c * dy - camera.y);
                let distance_m = along.hypot(across);
                if along <= 0.0 || distance_m < LEAST_M {
                    continue;
                }
                let Some(direction) = crate::segment::direction_of(across / distance_m) else {
                    continue;
                };
                tops[direction] = tops[direction].min(below.atan2(distance_m));
                let foot = &mut own[direction];
                if part.counts && foot.is_none_or(|f| distance_m < f.distance_m) {
                    *foot = Some(Foot {
                        direction,
                        distance_m,
                        top_rad: 0.0,
                    });
                }
            }
        }
        for (foot, top) in own.iter_mut().zip(tops) {
            if let Some(foot) = foot {
                foot.top_rad = top;
            }
        }
        fill_gaps(&mut own);
        for (nearest, own) in nearest.iter_mut().zip(own) {
            let Some(foot) = own else { continue };
            if nearest.is_none_or(|n| foot.distance_m < n.distance_m) {
                *nearest = Some(foot);
            }
        }
    }
    nearest.into_iter().flatten().collect()
}

/// An outline's points may be farther apart than directions: what is between two is there too.
fn fill_gaps(own: &mut [Option<Foot>]) {
    let known: Vec<Foot> = own.iter().flatten().copied().collect();
    for pair in known.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let between = own.iter_mut().enumerate().take(b.direction);
        for (direction, foot) in between.skip(a.direction + 1) {
            let t = (direction - a.direction) as f64 / (b.direction - a.direction) as f64;
            *foot = Some(Foot {
                direction,
                distance_m: a.distance_m + t * (b.distance_m - a.distance_m),
                top_rad: a.top_rad + t * (b.top_rad - a.top_rad),
            });
        }
    }
}

/// Nearer than this to the camera's foot point there is no direction.
const LEAST_M: f64 = 0.05;

/// Rays across the silhouette's sphere, each way; more, so many times, until enough meet it: a
/// long kerb lies between two rows of few.
const LOOKS: i32 = 28;
const FINER: i32 = 3;
const MOST_LOOKS: i32 = LOOKS * FINER * FINER;
const ENOUGH: u32 = 20;

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
    let (axis, spread) = if dist <= radius * 1.01 {
        // The camera stands inside the sphere: sample the half space toward it.
        (to.normalize(), 1.5)
    } else {
        (to / dist, radius / (dist * dist - radius * radius).sqrt())
    };
    let mut looks = LOOKS;
    loop {
        let (seen, all) = sample(thing, world, lens, camera, &axis, spread, looks);
        if all >= ENOUGH || looks >= MOST_LOOKS {
            return f64::from(seen) / f64::from(all.max(1));
        }
        looks *= FINER;
    }
}

/// Of so many rays each way, how many are seen to meet the thing, and how many would alone.
fn sample(
    thing: &Placed,
    world: &World,
    lens: &Lens,
    camera: &Matrix3<f32>,
    axis: &V3,
    spread: f32,
    looks: i32,
) -> (u32, u32) {
    let helper = if axis.z.abs() < 0.9 { V3::z() } else { V3::x() };
    let e1 = axis.cross(&helper).normalize();
    let e2 = axis.cross(&e1);
    let (mut all, mut seen) = (0u32, 0u32);
    let back = camera.transpose();
    for i in 0..looks {
        for j in 0..looks {
            let u = (i as f32 + 0.5) / looks as f32 * 2.0 - 1.0;
            let v = (j as f32 + 0.5) / looks as f32 * 2.0 - 1.0;
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
    (seen, all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::paint::Paint;
    use crate::stage::shape::Shape;
    use crate::stage::thing::Part;

    /// A box with its near side at `behind_m`, so wide and high, in the middle of the path.
    fn crate_at(behind_m: f32, wide: f32, high: f32) -> Placed {
        let part = Part {
            shape: Shape::Box {
                c: V3::new(0.25, 0.0, high / 2.0),
                half: V3::new(0.25, wide / 2.0, high / 2.0),
            },
            paint: Paint::matt(V3::repeat(0.3)),
            counts: true,
        };
        Placed::new(Some(0), vec![part], V3::new(behind_m, 0.0, 0.0), 0.0, 1)
    }

    /// By the rules of a right-angled triangle, for a camera 1 m high and 0.2 m behind the origin.
    #[test]
    fn feet_and_tops_stand_in_the_directions_of_the_thing() {
        let camera = Vector3::new(0.2, 0.0, 1.0);
        let pose = Pose {
            behind_m: 0.0,
            side_m: 0.0,
            heading_rad: 0.0,
            speed_mps: 0.0,
            yaw_rate_rps: 0.0,
            pitch_rad: 0.0,
        };
        let near = crate_at(2.2, 0.6, 0.4);
        let wall = crate_at(3.2, 4.0, 1.8);
        let feet = footline(&[wall, near.clone()], &pose, &camera);
        let at = |sine: f64| {
            let direction = crate::segment::direction_of(sine).unwrap();
            feet.iter().find(|f| f.direction == direction).copied()
        };
        let ahead = at(0.0).unwrap();
        assert!((ahead.distance_m - 2.0).abs() < 0.02, "{ahead:?}");
        // Its near upper edge is lower than its far one, which is the top of it.
        let top = (0.6f64 / 2.5).atan();
        assert!((ahead.top_rad - top).abs() < 0.02, "{ahead:?}, not {top}");
        // Beside it stands the wall, higher than the camera.
        let side = (0.8f64 / 3.0).atan();
        let beside = at(side.sin()).unwrap();
        assert!(
            (beside.distance_m - 3.0 / side.cos()).abs() < 0.05,
            "{beside:?}"
        );
        assert!(beside.top_rad < 0.0, "{beside:?}");
        // Every direction of the wall has a foot, and none beside it.
        let ends = (2.0f64 / 3.0).atan().sin();
        assert!(feet
            .windows(2)
            .all(|w| w[1].direction == w[0].direction + 1));
        assert!(at(ends - 0.05).is_some() && at(ends + 0.05).is_none());
        // So near that the points of an outline are farther apart than directions.
        let close = footline(&[crate_at(0.5, 0.6, 0.4)], &pose, &camera);
        assert!(close.len() > 50);
        assert!(close
            .windows(2)
            .all(|w| w[1].direction == w[0].direction + 1));
        // What is only seen by its shadow stands nowhere.
        let mut shadow = near;
        shadow.seen = false;
        assert_eq!(footline(&[shadow], &pose, &camera), Vec::new());
    }
}
