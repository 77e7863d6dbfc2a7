//! Flat marks on the ground: paint, dirt, leaves, iron.

use super::floor::{look, Look};
use super::noise::{hash, octaves, smoothstep, unit, value, whole};
use super::scene::{GroundKind, Mark, MarkKind};
use super::shape::V3;

/// A mark, ready to be asked about points.
#[derive(Debug, Clone)]
pub struct Laid {
    kind: MarkKind,
    at: (f32, f32),
    turn: (f32, f32),
    /// Half length and half width of the area in its own axes.
    half: (f32, f32),
    /// Centre of that area in its own axes.
    mid: f32,
    dash: Option<[f32; 2]>,
    colour: V3,
    strength: f32,
    ground: GroundKind,
    seed: u32,
}

/// Share of a patch of size `fp` that lies inside `half` of a centre.
fn within(off: f32, half: f32, fp: f32) -> f32 {
    let e = 0.5 * fp + 5e-4;
    let inside = 1.0 - smoothstep(half - e, half + e, off.abs());
    inside * (2.0 * half / (2.0 * half).max(fp)).min(1.0)
}

impl Laid {
    /// Prepares a mark.
    pub fn new(mark: &Mark, seed: u32) -> Laid {
        let white = V3::new(0.62, 0.62, 0.58);
        let (size, colour, strength) = match mark.kind {
            MarkKind::Line => ([0.0, 0.1], white, 0.85),
            MarkKind::Arrow => ([2.4, 0.9], white, 0.85),
            MarkKind::Hatching => ([2.0, 1.5], white, 0.85),
            MarkKind::Stain => ([0.6, 0.5], V3::new(0.02, 0.018, 0.016), 0.6),
            MarkKind::TyreMark => ([0.0, 0.19], V3::new(0.012, 0.012, 0.012), 0.5),
            MarkKind::Leaves => ([3.0, 2.0], V3::new(0.3, 0.13, 0.03), 0.35),
            MarkKind::Litter => ([2.0, 2.0], V3::new(0.6, 0.6, 0.58), 0.06),
            MarkKind::Manhole => ([0.62, 0.62], V3::new(0.055, 0.05, 0.048), 1.0),
            MarkKind::Drain => ([0.3, 0.5], V3::new(0.06, 0.055, 0.05), 1.0),
            MarkKind::Chalk => ([0.0, 0.025], V3::new(0.65, 0.6, 0.62), 0.6),
            MarkKind::Patch => ([2.0, 1.5], V3::zeros(), 1.0),
            MarkKind::Puddle => ([1.2, 0.8], V3::zeros(), 1.0),
            MarkKind::Crack => ([0.0, 0.02], V3::new(0.03, 0.028, 0.026), 0.8),
        };
        let size = mark.size.unwrap_or(size);
        let (turn, half, mid) = match mark.to {
            Some(to) => {
                let (dx, dy) = (to[0] - mark.at[0], to[1] - mark.at[1]);
                let len = dx.hypot(dy).max(1e-3);
                ((dx / len, dy / len), (len / 2.0, size[1] / 2.0), len / 2.0)
            }
            None => {
                let (s, c) = mark.turn_deg.to_radians().sin_cos();
                ((c, s), (size[0] / 2.0, size[1] / 2.0), 0.0)
            }
        };
        Laid {
            kind: mark.kind,
            at: (mark.at[0], mark.at[1]),
            turn,
            half,
            mid,
            dash: mark.dash,
            colour: mark.colour.unwrap_or(colour),
            strength: mark.strength.unwrap_or(strength),
            ground: mark.ground.unwrap_or(GroundKind::AsphaltNew),
            seed,
        }
    }

    /// Changes `under` where the mark lies.
    pub fn lay(&self, under: &mut Look, x: f32, y: f32, fp: f32) {
        let (dx, dy) = (x - self.at.0, y - self.at.1);
        let u = dx * self.turn.0 + dy * self.turn.1 - self.mid;
        let v = -dx * self.turn.1 + dy * self.turn.0;
        let margin = 0.3 + fp;
        if u.abs() > self.half.0 + margin || v.abs() > self.half.1 + margin {
            return;
        }
        let (hu, hv) = self.half;
        let mut paint = |share: f32, colour: V3| {
            under.albedo += (colour - under.albedo) * share.clamp(0.0, 1.0);
        };
        // Paint wears off where the stones stick out.
        let worn = |amount: f32| {
            let n = octaves(
                x,
                y,
                &[(0.006, 0.5), (0.02, 0.4), (0.09, 0.4), (0.5, 0.3)],
                fp,
                self.seed ^ 91,
            );
            smoothstep(-0.1, 0.35, amount * 1.7 - 0.75 + n * 0.8)
        };
        match self.kind {
            MarkKind::Line => {
                let mut k = within(u, hu, fp) * within(v, hv, fp);
                if let Some([on, off]) = self.dash {
                    let period = (on + off).max(0.05);
                    let p = (u + hu).rem_euclid(period);
                    k *= within(p - on / 2.0, on / 2.0, fp);
                }
                if k > 0.0 {
                    paint(k * worn(self.strength), self.colour);
                }
            }
            MarkKind::Arrow => {
                let head = hu * 0.2;
                let shaft =
                    within(u + (hu - head) / 2.0, (hu + head) / 2.0, fp) * within(v, hv * 0.18, fp);
                let slope = hv * (hu - u) / (hu - head).max(1e-3);
                let tip = within(u - (hu + head) / 2.0, (hu - head) / 2.0, fp)
                    * if slope > 0.0 {
                        within(v, slope, fp)
                    } else {
                        0.0
                    };
                let k = shaft.max(tip);
                if k > 0.0 {
                    paint(k * worn(self.strength), self.colour);
                }
            }
            MarkKind::Hatching => {
                let p = (u + v).rem_euclid(0.7) - 0.2;
                let k = within(u, hu, fp) * within(v, hv, fp) * within(p, 0.1, fp);
                if k > 0.0 {
                    paint(k * worn(self.strength), self.colour);
                }
            }
            MarkKind::Stain => {
                let n = octaves(
                    x,
                    y,
                    &[(0.35, 0.35), (0.12, 0.2), (0.03, 0.1)],
                    fp,
                    self.seed,
                );
                let r = (u / hu).hypot(v / hv) + n;
                let k = self.strength * (1.0 - smoothstep(0.55, 1.05, r));
                under
                    .albedo
                    .component_mul_assign(&(V3::repeat(1.0 - k) + self.colour * k));
            }
            MarkKind::TyreMark => {
                let tread =
                    0.75 + 0.25 * value(u * 30.0, v * 60.0, self.seed) * (1.0 - fp / 0.05).max(0.0);
                let n = 0.8 + 0.3 * value(u * 1.7, 3.0, self.seed);
                let ends = smoothstep(0.0, 0.6, hu - u.abs() + 0.3);
                let k = self.strength * within(v, hv, fp + 0.02) * tread * n * ends;
                paint(k, self.colour);
            }
            MarkKind::Leaves | MarkKind::Litter => self.scatter(under, (x, y), (u, v), fp),
            MarkKind::Manhole => {
                let r = u.hypot(v);
                let k = within(r, hu, fp);
                if k > 0.0 {
                    let studs = value(u * 34.0, v * 34.0, self.seed) * (1.0 - fp / 0.03).max(0.0);
                    let rim = within(r - hu * 0.86, 0.012, fp);
                    let tone = 1.0 + 0.35 * studs - 0.8 * rim;
                    paint(k, self.colour * tone + V3::repeat(0.02));
                }
            }
            MarkKind::Drain => {
                let k = within(u, hu, fp) * within(v, hv, fp);
                if k > 0.0 {
                    let slot = within((v + hv).rem_euclid(0.05) - 0.025, 0.011, fp)
                        * within(u, hu - 0.035, fp);
                    paint(k, self.colour * (1.0 - 0.92 * slot));
                }
            }
            MarkKind::Chalk | MarkKind::Crack => {
                let bend =
                    0.06 * value(u * 3.0, 0.5, self.seed) + 0.02 * value(u * 17.0, 9.5, self.seed);
                let width = hv * (0.6 + 0.4 * value(u * 7.0, 5.5, self.seed));
                let k = within(u, hu, fp) * within(v - bend, width.max(0.001), fp);
                if k > 0.0 {
                    let amount = if self.kind == MarkKind::Chalk {
                        worn(self.strength)
                    } else {
                        self.strength
                    };
                    paint(k * amount, self.colour);
                }
            }
            MarkKind::Patch => {
                let k = within(u, hu, fp + 0.01) * within(v, hv, fp + 0.01);
                if k > 0.0 {
                    let inner = look(self.ground, x, y, fp, self.seed);
                    let seam = within((u.abs() - hu).abs().min((v.abs() - hv).abs()), 0.012, fp);
                    paint(k, inner.albedo * (1.0 - 0.6 * seam));
                    under.mirror += (inner.mirror - under.mirror) * k;
                }
            }
            MarkKind::Puddle => {
                let n = octaves(x, y, &[(0.5, 0.3), (0.15, 0.12)], 0.0, self.seed);
                let k = 1.0 - smoothstep(0.85, 0.95, (u / hu).hypot(v / hv) + n);
                soak(under, k, self.strength);
            }
        }
    }

    /// Leaves or scraps of paper: one at most in each cell of a fine lattice.
    fn scatter(&self, under: &mut Look, (x, y): (f32, f32), (u, v): (f32, f32), fp: f32) {
        let (hu, hv) = self.half;
        // Thinner toward the rim of the area.
        let rim = 1.0 - smoothstep(0.5, 1.1, (u / hu).hypot(v / hv));
        let pitch = if self.kind == MarkKind::Leaves {
            0.075
        } else {
            0.16
        };
        let heap = 0.6 + 0.6 * value(x * 1.9, y * 1.9, self.seed ^ 3);
        let density = self.strength * rim * heap;
        if density <= 0.0 {
            return;
        }
        if fp > pitch {
            let share = (density * 0.35).min(1.0);
            under.albedo += (self.colour * 0.8 - under.albedo) * share;
            return;
        }
        let (ix, iy) = (whole(x / pitch), whole(y / pitch));
        for cy in iy - 1..=iy + 1 {
            for cx in ix - 1..=ix + 1 {
                let h = hash(cx, cy, self.seed);
                if unit(h) >= density {
                    continue;
                }
                let g = hash(cx, cy, self.seed ^ 0xABCD);
                let px = (cx as f32 + unit(g)) * pitch - x;
                let py = (cy as f32 + unit(hash(cx, cy, self.seed ^ 0x77))) * pitch - y;
                let (s, c) = (unit(h.wrapping_mul(0x9E37)) * std::f32::consts::TAU).sin_cos();
                let (a, b) = (c * px + s * py, -s * px + c * py);
                let long = pitch * (0.42 + 0.3 * unit(g.wrapping_mul(0x85EB)));
                // A pointed oval: the vein darkens its middle.
                let width = long * 0.55 * (1.0 - (a / long) * (a / long)).max(0.0);
                if width > 0.0 {
                    let k = within(b, width, fp) * within(a, long, fp);
                    let tone = 0.45 + 1.1 * unit(g.wrapping_mul(0xC2B2));
                    let vein = 1.0 - 0.35 * within(b, 0.0015, fp);
                    let hue = unit(g.wrapping_mul(0x27D4)) - 0.5;
                    let leaf = V3::new(
                        self.colour.x * (1.0 + 0.4 * hue),
                        self.colour.y * (1.0 + 0.9 * hue),
                        self.colour.z,
                    ) * (tone * vein);
                    under.albedo += (leaf - under.albedo) * k.clamp(0.0, 1.0);
                }
            }
        }
    }
}

/// Water on the ground: darker below, a mirror above.
pub fn soak(under: &mut Look, depth: f32, mirror: f32) {
    if depth <= 0.0 {
        return;
    }
    // Wet porous ground loses about half its reflectance: common practice in
    // rendering, no published source.
    under.albedo *= 1.0 - 0.5 * depth;
    under.mirror += (mirror - under.mirror).max(0.0) * depth;
    under.rough *= 1.0 - depth;
}
