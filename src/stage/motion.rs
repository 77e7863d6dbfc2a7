//! Where the own vehicle and the walkers are at a time.

use super::scene::{Thing, Vehicle};

/// The vehicle at a moment: its ground frame in the world frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Pose {
    /// Origin of the ground frame, metres.
    pub behind_m: f64,
    /// Origin of the ground frame, metres.
    pub side_m: f64,
    /// Turn about up, from behind toward the right, radians.
    pub heading_rad: f64,
    /// Speed along behind.
    pub speed_mps: f64,
    /// Yaw rate.
    pub yaw_rate_rps: f64,
    /// Body pitch, positive looks down.
    pub pitch_rad: f64,
}

/// Integration step; the path is exact to well under a millimetre.
const STEP_S: f64 = 1e-3;

/// Poses at each frame time.
pub fn drive(vehicle: &Vehicle, rate_hz: f64, frames: usize) -> Vec<Pose> {
    let (mut x, mut y, mut a) = (-vehicle.axle_m, 0.0f64, 0.0f64);
    let mut t = 0.0;
    let mut poses = Vec::with_capacity(frames);
    for frame in 0..frames {
        let end = frame as f64 / rate_hz;
        while t < end {
            let dt = STEP_S.min(end - t);
            let (v, w) = profile(&vehicle.motion, t + 0.5 * dt);
            let mid = a + 0.5 * w * dt;
            // The rear axle does not slip sideways.
            x += v * dt * mid.cos();
            y += v * dt * mid.sin();
            a += w * dt;
            t += dt;
        }
        let (v, w) = profile(&vehicle.motion, end);
        let phase = end * vehicle.rock_hz * std::f64::consts::TAU;
        // A standing vehicle does not rock on its springs by itself.
        let rocking = vehicle.rock_deg.to_radians() * (v.abs() / 0.4).min(1.0);
        poses.push(Pose {
            behind_m: x + vehicle.axle_m * a.cos(),
            side_m: y + vehicle.axle_m * a.sin(),
            heading_rad: a,
            speed_mps: v,
            yaw_rate_rps: w,
            pitch_rad: rocking * (phase.sin() * 0.7 + (2.7 * phase + 1.0).sin() * 0.3),
        });
    }
    poses
}

/// Speed and yaw rate at a time: straight between way points, held outside.
fn profile(points: &[[f64; 3]], t: f64) -> (f64, f64) {
    let Some(first) = points.first() else {
        return (0.0, 0.0);
    };
    let mut before = first;
    for p in points {
        if p[0] > t {
            let span = p[0] - before[0];
            let k = if span > 0.0 {
                ((t - before[0]) / span).clamp(0.0, 1.0)
            } else {
                0.0
            };
            return (
                before[1] + (p[1] - before[1]) * k,
                before[2] + (p[2] - before[2]) * k,
            );
        }
        before = p;
    }
    (before[1], before[2])
}

/// A thing at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stand {
    /// Place, world frame.
    pub behind_m: f32,
    /// Place, world frame.
    pub side_m: f32,
    /// Which way it faces, radians.
    pub heading_rad: f32,
    /// Phase of its walk, if it moves.
    pub gait: Option<f32>,
}

/// Where a thing is at a time.
pub fn walk(thing: &Thing, t: f32) -> Stand {
    let mut stand = Stand {
        behind_m: thing.behind_m,
        side_m: thing.side_m,
        heading_rad: thing.heading_deg.to_radians(),
        gait: None,
    };
    let Some(first) = thing.path.first() else {
        return stand;
    };
    (stand.behind_m, stand.side_m) = (first[1], first[2]);
    let mut gone = 0.0;
    // Two steps a stride; a stride is about 0.8 of the stature.
    let stride = 0.8 * thing.height_m.unwrap_or(1.6);
    for leg in thing.path.windows(2) {
        let (a, b) = (leg[0], leg[1]);
        let (dx, dy) = (b[1] - a[1], b[2] - a[2]);
        let len = dx.hypot(dy);
        if len > 1e-3 {
            stand.heading_rad = dy.atan2(dx);
        }
        let k = ((t - a[0]) / (b[0] - a[0]).max(1e-6)).clamp(0.0, 1.0);
        stand.behind_m = a[1] + dx * k;
        stand.side_m = a[2] + dy * k;
        gone += len * k;
        stand.gait =
            (len > 1e-3 && k > 0.0 && k < 1.0).then(|| gone / stride * std::f32::consts::TAU);
        if t < b[0] {
            break;
        }
    }
    stand
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_is_a_circle_of_the_rear_axle() {
        let vehicle = Vehicle {
            motion: vec![[0.0, 1.0, 0.5]],
            axle_m: 0.9,
            ..Vehicle::default()
        };
        let p = drive(&vehicle, 10.0, 21)[20];
        // After 2 s at 0.5 rad/s: one radian on a circle of 2 m.
        let (ax, ay) = (-0.9 + 2.0 * 1f64.sin(), 2.0 * (1.0 - 1f64.cos()));
        assert!((p.behind_m - (ax + 0.9 * 1f64.cos())).abs() < 1e-4);
        assert!((p.side_m - (ay + 0.9 * 1f64.sin())).abs() < 1e-4);
    }

    #[test]
    fn speed_is_straight_between_way_points() {
        let (v, w) = profile(&[[0.0, 0.0, 0.0], [2.0, 1.0, 0.2]], 0.5);
        assert!((v - 0.25).abs() < 1e-12 && (w - 0.05).abs() < 1e-12);
        assert_eq!(profile(&[], 3.0), (0.0, 0.0));
    }
}
