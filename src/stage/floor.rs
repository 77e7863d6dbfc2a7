//! The ground's own look: texture at true scale for each kind of ground.

use super::noise::{cells, hash, octaves, smoothstep, unit, value, whole};
use super::scene::GroundKind;
use super::shape::V3;

/// How a patch of ground looks.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// Linear RGB reflectance.
    pub albedo: V3,
    /// Mirror: 0 matt, 1 standing water.
    pub mirror: f32,
    /// How much the mirror scatters, as a slope.
    pub rough: f32,
}

fn matt(albedo: V3) -> Look {
    Look {
        albedo,
        mirror: 0.0,
        rough: 0.0,
    }
}

/// Distance to the nearest multiple of `pitch`, and which cell it is.
fn grid(x: f32, pitch: f32) -> (f32, i32) {
    let cell = whole(x / pitch);
    let f = x - cell as f32 * pitch;
    (f.min(pitch - f), cell)
}

/// Share of a patch `footprint` wide that a joint of half width `half`
/// covers, `off` away from its centre.
fn joint(off: f32, half: f32, footprint: f32) -> f32 {
    let e = 0.5 * footprint + 1e-4;
    let cover = (1.0 - smoothstep(half - e, half + e, off)).min(1.0);
    // Wider patches than the joint only ever see a share of it.
    cover * (2.0 * half / (2.0 * half).max(footprint)).min(1.0)
}

/// The bare ground at a point, seen as a patch of `fp` metres.
pub fn look(kind: GroundKind, x: f32, y: f32, fp: f32, seed: u32) -> Look {
    match kind {
        GroundKind::AsphaltOld => {
            let fine = octaves(
                x,
                y,
                &[
                    (0.004, 0.30),
                    (0.009, 0.34),
                    (0.02, 0.20),
                    (0.05, 0.12),
                    (0.2, 0.09),
                    (0.9, 0.10),
                    (3.7, 0.10),
                ],
                fp,
                seed,
            );
            let mut tone = 0.17 * (1.0 + fine);
            // Pale stones that stick out of the worn binder.
            if fp < 0.012 {
                let (d, _, id) = cells(x / 0.014, y / 0.014, seed ^ 77);
                let pale = unit(id) - 0.62;
                if pale > 0.0 {
                    tone += 0.35 * pale * (1.0 - smoothstep(0.2, 0.42, d)) * (1.0 - fp / 0.012);
                }
            }
            // Cracks follow the edges of large cells, here and there.
            let bend = 0.12 * value(x * 3.1, y * 3.1, seed ^ 6)
                + 0.03 * value(x * 17.0, y * 17.0, seed ^ 7);
            let (_, gap, _) = cells((x + bend) / 1.7, (y - bend) / 1.7, seed ^ 5);
            let gate = smoothstep(0.0, 0.3, value(x * 0.7, y * 0.7, seed ^ 8));
            tone *= 1.0 - 0.6 * gate * joint(gap * 0.8, 0.0025, fp);
            matt(V3::new(tone * 1.02, tone, tone * 0.96))
        }
        GroundKind::AsphaltNew => {
            let fine = octaves(
                x,
                y,
                &[
                    (0.004, 0.34),
                    (0.009, 0.34),
                    (0.02, 0.16),
                    (0.07, 0.08),
                    (0.5, 0.07),
                    (2.9, 0.07),
                ],
                fp,
                seed,
            );
            let tone = 0.062 * (1.0 + 1.1 * fine);
            matt(V3::new(tone, tone, tone * 1.03))
        }
        GroundKind::Concrete => {
            let (jx, cx) = grid(x + 0.7, 2.4);
            let (jy, cy) = grid(y + 1.1, 2.4);
            let slab = unit(hash(cx, cy, seed));
            let fine = octaves(
                x,
                y,
                &[
                    (0.004, 0.10),
                    (0.012, 0.08),
                    (0.04, 0.06),
                    (0.16, 0.06),
                    (0.6, 0.09),
                    (1.9, 0.10),
                ],
                fp,
                seed,
            );
            let mut tone = 0.36 * (0.9 + 0.2 * slab) * (1.0 + fine);
            // Brush strokes across, and dirt that gathers along the joints.
            tone *= 1.0 + 0.05 * octaves(x * 6.0, y * 0.4, &[(0.03, 1.0)], fp * 6.0, seed ^ 3);
            tone *= 1.0 - 0.15 * (1.0 - smoothstep(0.0, 0.12, jx.min(jy)));
            let j = joint(jx, 0.006, fp).max(joint(jy, 0.006, fp));
            tone *= 1.0 - 0.75 * j;
            matt(V3::new(tone * 1.03, tone, tone * 0.92))
        }
        GroundKind::Gravel => {
            let layer = |size: f32, s: u32| {
                let (d, gap, id) = cells(x / size, y / size, seed ^ s);
                let t = unit(id);
                let edge = smoothstep(0.0, 0.25, gap);
                let round = 1.0 - 0.35 * d;
                ((0.35 + 1.1 * t * t + 0.3 * t) * edge * round + 0.12, t)
            };
            let keep = (1.4 - fp / 0.03).clamp(0.0, 1.0);
            let big = octaves(x, y, &[(0.3, 0.12), (1.1, 0.12), (3.0, 0.10)], fp, seed);
            let (mut k, mut hue) = (0.82, 0.5);
            if keep > 0.0 {
                let (a, ta) = layer(0.032, 11);
                let (b, _) = layer(0.014, 12);
                k = k * (1.0 - keep) + (0.7 * a + 0.3 * b) * keep;
                hue = 0.5 * (1.0 - keep) + ta * keep;
            }
            let tone = 0.26 * k * (1.0 + big);
            matt(V3::new(
                tone * (1.02 + 0.12 * hue),
                tone,
                tone * (0.95 - 0.12 * hue),
            ))
        }
        GroundKind::Paving => {
            // Running bond of 200 × 100 mm blocks.
            let (jy, row) = grid(y, 0.1);
            let shift = if row & 1 == 0 { 0.0 } else { 0.1 };
            let (jx, col) = grid(x + shift, 0.2);
            let fine = octaves(
                x,
                y,
                &[
                    (0.004, 0.16),
                    (0.012, 0.12),
                    (0.05, 0.05),
                    (0.9, 0.08),
                    (3.1, 0.1),
                ],
                fp,
                seed,
            );
            let t = unit(hash(col, row, seed));
            let keep = (1.5 - fp / 0.1).clamp(0.0, 1.0);
            let tone = (1.0 + 0.42 * (t - 0.5) * keep) * (1.0 + fine);
            let red =
                smoothstep(0.3, 0.7, unit(hash(col, row, seed ^ 9))) * keep + 0.5 * (1.0 - keep);
            let c = V3::new(0.20, 0.17, 0.155) * (1.0 - red) + V3::new(0.26, 0.15, 0.115) * red;
            let j = joint(jx, 0.0025, fp).max(joint(jy, 0.0025, fp));
            matt(c * (tone * (1.0 - 0.65 * j)))
        }
        GroundKind::Grass => {
            let fine = octaves(
                x * 1.0,
                y * 2.2,
                &[
                    (0.006, 0.5),
                    (0.014, 0.4),
                    (0.035, 0.3),
                    (0.12, 0.22),
                    (0.5, 0.2),
                    (2.2, 0.16),
                ],
                fp * 1.6,
                seed,
            );
            let dry =
                0.5 + 0.5 * octaves(x, y, &[(0.02, 0.5), (0.4, 0.5), (1.7, 0.5)], fp, seed ^ 4);
            let c = V3::new(0.055, 0.105, 0.022) * (1.0 - 0.5 * dry)
                + V3::new(0.14, 0.125, 0.05) * (0.5 * dry);
            matt(c * (1.0 + 0.8 * fine).max(0.12))
        }
        GroundKind::GarageFloor => {
            let fine = octaves(
                x,
                y,
                &[
                    (0.006, 0.025),
                    (0.03, 0.02),
                    (0.25, 0.03),
                    (1.3, 0.05),
                    (4.0, 0.06),
                ],
                fp,
                seed,
            );
            // Scuffs along the way that cars take.
            let scuff = octaves(
                x * 0.25,
                y * 2.0,
                &[(0.05, 0.5), (0.14, 0.5)],
                fp * 2.0,
                seed ^ 21,
            );
            let tone = 0.30 * (1.0 + fine - 0.07 * smoothstep(0.25, 0.8, scuff));
            Look {
                albedo: V3::new(tone * 0.97, tone, tone * 0.98),
                mirror: 0.35,
                rough: 0.045,
            }
        }
        GroundKind::Snow => {
            let fine = octaves(
                x,
                y,
                &[
                    (0.006, 0.02),
                    (0.02, 0.025),
                    (0.07, 0.03),
                    (0.3, 0.04),
                    (1.2, 0.05),
                ],
                fp,
                seed,
            );
            let tread = octaves(x, y, &[(0.09, 0.6), (0.2, 0.5)], fp, seed ^ 31);
            let tone = 0.78 * (1.0 + fine - 0.10 * smoothstep(0.35, 0.8, tread));
            matt(V3::new(tone * 0.97, tone * 0.99, tone * 1.03))
        }
        GroundKind::Earth => {
            let fine = octaves(
                x,
                y,
                &[
                    (0.005, 0.22),
                    (0.013, 0.22),
                    (0.04, 0.18),
                    (0.15, 0.16),
                    (0.6, 0.14),
                    (2.3, 0.14),
                ],
                fp,
                seed,
            );
            let (d, _, id) = cells(x / 0.06, y / 0.06, seed ^ 41);
            let pebble = if unit(id) > 0.8 && fp < 0.03 {
                1.0 - smoothstep(0.15, 0.25, d)
            } else {
                0.0
            };
            let c = V3::new(0.19, 0.135, 0.085) * (1.0 + fine).max(0.2);
            matt(c + (V3::new(0.3, 0.28, 0.25) - c) * (0.7 * pebble))
        }
    }
}

/// Depth of standing water, 0 to 1, where `share` of the ground is under it.
pub fn puddle(x: f32, y: f32, share: f32, seed: u32) -> f32 {
    if share <= 0.0 {
        return 0.0;
    }
    let n = octaves(x, y, &[(2.6, 0.6), (1.1, 0.3), (0.3, 0.08)], 0.0, seed ^ 55);
    // Value noise of this mix is close to normal with a deviation of 0.27.
    let level = 0.27 * 1.7 * (1.0 - 2.0 * share);
    smoothstep(level, level + 0.05, n)
}
