//! People-sized figures and a dog, built of rods and ellipsoids.
//!
//! Proportions are the usual drawing canon (head one eighth of the stature,
//! hip at half, shoulder at 0.82): common practice, no published source.

use super::noise::{hash, unit};
use super::paint::Paint;
use super::shape::{Shape, V3};
use super::thing::{part, Part};

const SKIN: [V3; 3] = [
    V3::new(0.45, 0.27, 0.19),
    V3::new(0.22, 0.12, 0.07),
    V3::new(0.09, 0.05, 0.035),
];
const CLOTH: [V3; 8] = [
    V3::new(0.02, 0.025, 0.06),
    V3::new(0.12, 0.12, 0.12),
    V3::new(0.02, 0.02, 0.02),
    V3::new(0.25, 0.20, 0.14),
    V3::new(0.35, 0.03, 0.03),
    V3::new(0.05, 0.10, 0.25),
    V3::new(0.06, 0.12, 0.05),
    V3::new(0.5, 0.48, 0.42),
];

fn pick<const N: usize>(from: &[V3; N], seed: u32, what: i32) -> V3 {
    from[(unit(hash(what, 17, seed)) * N as f32) as usize % N]
}

fn rod(a: V3, b: V3, r: f32, paint: Paint) -> Part {
    part(Shape::Capsule { a, b, r }, paint)
}

fn egg(c: V3, r: V3, paint: Paint) -> Part {
    part(Shape::Ellipsoid { c, r }, paint)
}

/// A standing or walking person of stature `h`; `top` overrides the jacket.
pub fn walker(h: f32, top: Option<V3>, seed: u32, gait: Option<f32>) -> Vec<Part> {
    let skin = Paint::matt(pick(&SKIN, seed, 1));
    let jacket = Paint::matt(top.unwrap_or_else(|| pick(&CLOTH, seed, 2))).grained(0.25);
    let trousers = Paint::matt(pick(
        &CLOTH[..4].try_into().unwrap_or([CLOTH[0]; 4]),
        seed,
        3,
    ))
    .grained(0.2);
    let shoe = Paint::matt(V3::new(0.03, 0.028, 0.026));
    let hair = Paint::matt(V3::new(0.03, 0.02, 0.015)).grained(0.3);
    let v = |x: f32, y: f32, z: f32| V3::new(x * h, y * h, z * h);
    let mut parts = vec![
        egg(v(0.0, 0.0, 0.93), v(0.055, 0.045, 0.068), skin),
        egg(v(-0.012, 0.0, 0.95), v(0.052, 0.049, 0.055), hair),
        rod(v(0.0, 0.0, 0.82), v(0.0, 0.0, 0.88), 0.03 * h, skin),
        egg(v(0.0, 0.0, 0.68), v(0.075, 0.115, 0.17), jacket),
        rod(v(0.0, -0.085, 0.79), v(0.0, 0.085, 0.79), 0.045 * h, jacket),
        egg(v(0.0, 0.0, 0.52), v(0.075, 0.1, 0.08), trousers),
    ];
    for side in [-1.0f32, 1.0] {
        // Opposite legs, and arms against legs; standing legs are straight.
        let phase = gait.map(|g| {
            g + if side > 0.0 {
                std::f32::consts::PI
            } else {
                0.0
            }
        });
        let swing = phase.map_or(0.0, |p| 0.42 * p.sin());
        // The knee bends while the leg comes forward.
        let knee_bend = phase.map_or(0.0, |p| 0.75 * p.cos().max(0.0));
        let y = side * 0.05;
        let hip = v(0.0, y, 0.5);
        let knee = hip + v(0.245 * swing.sin(), 0.0, -0.245 * swing.cos());
        let shin = swing - knee_bend;
        let mut ankle = knee + v(0.225 * shin.sin(), 0.0, -0.225 * shin.cos());
        ankle.z = ankle.z.max(0.03 * h);
        parts.push(rod(hip, knee, 0.047 * h, trousers));
        parts.push(rod(knee, ankle, 0.034 * h, trousers));
        let heel = ankle + v(-0.02, 0.0, -0.008);
        let toe = ankle + v(0.1, 0.0, -0.008);
        let lift = V3::new(0.0, 0.0, (0.022 * h - heel.z.min(toe.z)).max(0.0));
        parts.push(rod(heel + lift, toe + lift, 0.022 * h, shoe));
        let arm = -0.8 * swing;
        let shoulder = v(0.0, side * 0.12, 0.79);
        let elbow = shoulder + v(0.17 * arm.sin(), side * 0.012, -0.17 * arm.cos());
        let fore = arm + 0.25;
        let hand = elbow + v(0.15 * fore.sin(), 0.0, -0.15 * fore.cos());
        parts.push(rod(shoulder, elbow, 0.03 * h, jacket));
        parts.push(rod(elbow, hand, 0.024 * h, jacket));
        parts.push(egg(hand + v(0.0, 0.0, -0.02), v(0.02, 0.016, 0.035), skin));
    }
    parts
}

/// A crouching child of stature `h`: about 0.6 of it high.
pub fn crouching(h: f32, top: Option<V3>, seed: u32) -> Vec<Part> {
    let skin = Paint::matt(pick(&SKIN, seed, 1));
    let jacket = Paint::matt(top.unwrap_or_else(|| pick(&CLOTH, seed, 2))).grained(0.25);
    let trousers = Paint::matt(pick(&CLOTH, seed, 3)).grained(0.2);
    let hair = Paint::matt(V3::new(0.05, 0.03, 0.02)).grained(0.3);
    let v = |x: f32, y: f32, z: f32| V3::new(x * h, y * h, z * h);
    let mut parts = vec![
        egg(v(0.1, 0.0, 0.5), v(0.075, 0.065, 0.085), skin),
        egg(v(0.085, 0.0, 0.525), v(0.073, 0.069, 0.07), hair),
        egg(v(-0.02, 0.0, 0.29), v(0.1, 0.125, 0.17), jacket),
    ];
    for side in [-1.0f32, 1.0] {
        let y = side * 0.075;
        let (hip, knee, ankle) = (
            v(-0.06, y, 0.16),
            v(0.15, y * 1.3, 0.27),
            v(0.03, y * 1.3, 0.035),
        );
        parts.push(rod(hip, knee, 0.055 * h, trousers));
        parts.push(rod(knee, ankle, 0.042 * h, trousers));
        parts.push(rod(
            ankle + v(-0.02, 0.0, -0.008),
            ankle + v(0.11, 0.0, -0.008),
            0.027 * h,
            Paint::matt(V3::new(0.3, 0.3, 0.3)),
        ));
        let (shoulder, elbow, hand) = (
            v(0.0, side * 0.13, 0.38),
            v(0.13, side * 0.16, 0.26),
            v(0.24, side * 0.05, 0.12),
        );
        parts.push(rod(shoulder, elbow, 0.034 * h, jacket));
        parts.push(rod(elbow, hand, 0.028 * h, jacket));
    }
    parts
}

/// A dog of shoulder height `h`.
pub fn dog(h: f32, colour: V3, gait: Option<f32>) -> Vec<Part> {
    let coat = Paint::matt(colour).grained(0.3);
    let v = |x: f32, y: f32, z: f32| V3::new(x * h, y * h, z * h);
    let mut parts = vec![
        rod(v(-0.5, 0.0, 0.8), v(0.4, 0.0, 0.82), 0.21 * h, coat),
        rod(v(0.45, 0.0, 0.9), v(0.68, 0.0, 1.15), 0.12 * h, coat),
        egg(v(0.75, 0.0, 1.2), v(0.19, 0.13, 0.14), coat),
        rod(v(0.85, 0.0, 1.15), v(1.0, 0.0, 1.12), 0.07 * h, coat),
        rod(v(-0.65, 0.0, 0.9), v(-0.95, 0.0, 1.1), 0.04 * h, coat),
    ];
    for (i, (x, y)) in [(-0.5, -0.12), (-0.5, 0.12), (0.35, -0.12), (0.35, 0.12)]
        .iter()
        .enumerate()
    {
        let diagonal = if i == 0 || i == 3 {
            0.0
        } else {
            std::f32::consts::PI
        };
        let a = gait.map_or(0.0, |g| 0.45 * (g + diagonal).sin());
        let hip = v(*x, *y, 0.7);
        let mut paw = hip + v(0.62 * a.sin(), 0.0, -0.64 * a.cos());
        paw.z = paw.z.max(0.06 * h);
        parts.push(rod(hip, paw, 0.06 * h, coat));
    }
    parts
}
