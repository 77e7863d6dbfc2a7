//! Standing things: what each kind is built of.

use super::figure;
use super::paint::{Paint, Pattern};
use super::scene::{Kind, Thing};
use super::shape::{Shape, V3};

/// One solid of a thing, in the thing's own frame.
#[derive(Debug, Clone, Copy)]
pub struct Part {
    /// The solid.
    pub shape: Shape,
    /// Its surface.
    pub paint: Paint,
    /// Whether the nearest point of the thing may lie on it. Raised bars and
    /// heads do not count; a bumper does, since that is what is hit.
    pub counts: bool,
}

/// A thing placed in the world at one moment.
#[derive(Debug, Clone)]
pub struct Placed {
    /// Index into the scene's things; `None` for the own vehicle.
    pub index: Option<usize>,
    /// Its solids.
    pub parts: Vec<Part>,
    /// Sphere around each solid, own frame: centre and squared radius.
    spheres: Vec<(V3, f32)>,
    /// Place of its own origin on the ground, world frame.
    pub at: V3,
    /// Cosine and sine of its heading.
    pub turn: (f32, f32),
    /// Sphere around it: centre (world) and squared radius.
    pub bound: (V3, f32),
    /// Seen by the camera, or only by the sun.
    pub seen: bool,
    /// Height of its top over the ground.
    pub top_m: f32,
    /// Half extents of the box around what touches or nearly touches the
    /// ground, and that box's centre, own frame: for the shade at its foot.
    pub foot: Option<Foot>,
    /// Seed of its textures.
    pub seed: u32,
}

/// The shaded patch around a thing's foot.
#[derive(Debug, Clone, Copy)]
pub struct Foot {
    /// Centre, own frame.
    pub c: (f32, f32),
    /// Half extents, own frame.
    pub half: (f32, f32),
    /// How much light the patch under the thing loses.
    pub depth: f32,
}

/// What a ray met.
#[derive(Debug, Clone, Copy)]
pub struct Hit {
    /// Distance along the ray.
    pub t: f32,
    /// Outward normal, world frame.
    pub n: V3,
    /// Which solid of the thing.
    pub part: usize,
    /// The point in the thing's own frame.
    pub local: V3,
    /// Normal in the thing's own frame.
    pub local_n: V3,
}

impl Placed {
    /// Places `parts` at a point with a heading.
    pub fn new(index: Option<usize>, parts: Vec<Part>, at: V3, heading: f32, seed: u32) -> Placed {
        let (s, c) = heading.sin_cos();
        let mut low = V3::repeat(f32::MAX);
        let mut high = V3::repeat(f32::MIN);
        let (mut flow, mut fhigh) = ((f32::MAX, f32::MAX), (f32::MIN, f32::MIN));
        for part in &parts {
            let (bc, br) = part.shape.bound();
            low = low.inf(&(bc - V3::repeat(br)));
            high = high.sup(&(bc + V3::repeat(br)));
            if part.shape.z_extent().0 < 0.45 {
                let mut line = Vec::new();
                part.shape.outline(&mut line);
                for (x, y) in line {
                    flow = (flow.0.min(x), flow.1.min(y));
                    fhigh = (fhigh.0.max(x), fhigh.1.max(y));
                }
            }
        }
        let centre = (low + high) * 0.5;
        let mut radius = 0.0f32;
        for part in &parts {
            let (bc, br) = part.shape.bound();
            radius = radius.max((bc - centre).norm() + br);
        }
        let world = V3::new(
            at.x + c * centre.x - s * centre.y,
            at.y + s * centre.x + c * centre.y,
            at.z + centre.z,
        );
        let foot = (flow.0 < fhigh.0).then_some(Foot {
            c: ((flow.0 + fhigh.0) * 0.5, (flow.1 + fhigh.1) * 0.5),
            half: ((fhigh.0 - flow.0) * 0.5, (fhigh.1 - flow.1) * 0.5),
            depth: 0.9,
        });
        let top_m = parts
            .iter()
            .map(|p| p.shape.z_extent().1)
            .fold(0.0, f32::max);
        Placed {
            index,
            spheres: parts
                .iter()
                .map(|p| {
                    let (c, r) = p.shape.bound();
                    (c, r * r * 1.002 + 1e-6)
                })
                .collect(),
            parts,
            at,
            turn: (c, s),
            bound: (world, radius * radius),
            seen: true,
            top_m,
            foot,
            seed,
        }
    }

    /// A world vector in the thing's own axes.
    pub fn inward(&self, v: &V3) -> V3 {
        let (c, s) = self.turn;
        V3::new(c * v.x + s * v.y, -s * v.x + c * v.y, v.z)
    }

    /// A vector of the thing's own axes in the world's.
    pub fn outward(&self, v: &V3) -> V3 {
        let (c, s) = self.turn;
        V3::new(c * v.x - s * v.y, s * v.x + c * v.y, v.z)
    }

    /// Whether the ray comes near it at all.
    pub fn near_ray(&self, o: &V3, d: &V3) -> bool {
        let oc = self.bound.0 - o;
        let along = oc.dot(d);
        let off2 = oc.norm_squared() - along * along;
        off2 < self.bound.1 && (along > 0.0 || oc.norm_squared() < self.bound.1)
    }

    /// First hit of a ray nearer than `limit`.
    pub fn hit(&self, o: &V3, d: &V3, limit: f32) -> Option<Hit> {
        if !self.near_ray(o, d) {
            return None;
        }
        let (lo, ld) = (self.inward(&(o - self.at)), self.inward(d));
        let mut best: Option<Hit> = None;
        let mut nearest = limit;
        for (i, part) in self.parts.iter().enumerate() {
            if !self.near_part(i, &lo, &ld) {
                continue;
            }
            if let Some((t, n)) = part.shape.hit(&lo, &ld) {
                if t < nearest {
                    nearest = t;
                    best = Some(Hit {
                        t,
                        n,
                        part: i,
                        local: lo + ld * t,
                        local_n: n,
                    });
                }
            }
        }
        best.map(|h| Hit {
            n: self.outward(&h.n),
            ..h
        })
    }

    /// Whether anything of it stands in the way.
    pub fn blocks(&self, o: &V3, d: &V3, limit: f32) -> bool {
        if !self.near_ray(o, d) {
            return false;
        }
        let (lo, ld) = (self.inward(&(o - self.at)), self.inward(d));
        (0..self.parts.len()).any(|i| {
            self.near_part(i, &lo, &ld)
                && self.parts[i]
                    .shape
                    .hit(&lo, &ld)
                    .is_some_and(|(t, _)| t < limit)
        })
    }

    #[inline]
    fn near_part(&self, i: usize, o: &V3, d: &V3) -> bool {
        let (c, r2) = self.spheres[i];
        let oc = c - o;
        let along = oc.dot(d);
        let far2 = oc.norm_squared();
        far2 - along * along < r2 && (along > 0.0 || far2 < r2)
    }
}

fn rgb(r: f32, g: f32, b: f32) -> V3 {
    V3::new(r, g, b)
}

pub(super) fn part(shape: Shape, paint: Paint) -> Part {
    Part {
        shape,
        paint,
        counts: shape.z_extent().0 < 0.6,
    }
}

fn slab(x: (f32, f32), y: (f32, f32), z: (f32, f32), paint: Paint) -> Part {
    let c = V3::new((x.0 + x.1) / 2.0, (y.0 + y.1) / 2.0, (z.0 + z.1) / 2.0);
    let half = V3::new((x.1 - x.0) / 2.0, (y.1 - y.0) / 2.0, (z.1 - z.0) / 2.0);
    part(Shape::Box { c, half }, paint)
}

fn upright(x: f32, y: f32, r: f32, h: f32, paint: Paint) -> Part {
    part(
        Shape::Cylinder {
            a: V3::new(x, y, 0.0),
            b: V3::new(x, y, h),
            r,
        },
        paint,
    )
}

fn bar(a: (f32, f32, f32), b: (f32, f32, f32), r: f32, paint: Paint) -> Part {
    part(
        Shape::Capsule {
            a: V3::new(a.0, a.1, a.2),
            b: V3::new(b.0, b.1, b.2),
            r,
        },
        paint,
    )
}

fn wheel(x: f32, y: f32, r: f32, half_w: f32) -> Part {
    part(
        Shape::Cylinder {
            a: V3::new(x, y - half_w, r),
            b: V3::new(x, y + half_w, r),
            r,
        },
        Paint::matt(rgb(0.02, 0.02, 0.022)),
    )
}

/// Builds a thing; `gait` is the phase of its walk in radians, if it walks.
pub fn build(thing: &Thing, gait: Option<f32>) -> Vec<Part> {
    let own = |default: V3| thing.colour.unwrap_or(default);
    let h = thing.height_m.unwrap_or(match thing.kind {
        Kind::Adult => 1.74,
        Kind::Child => 1.15,
        Kind::CrouchingChild => 1.15,
        Kind::Wall => 2.0,
        Kind::Fence => 1.7,
        Kind::Kerb => 0.125,
        Kind::Bollard | Kind::Post => 1.0,
        Kind::TestCylinder => 0.8,
        Kind::Cone => 0.5,
        Kind::WheelieBin => 1.07,
        Kind::Gate => 1.1,
        Kind::Car => 1.46,
        Kind::Van => 2.1,
        Kind::TowTrailer => 0.95,
        Kind::Dog => 0.55,
        Kind::Ball => 0.22,
        Kind::Box => 0.35,
        Kind::Headlights => 0.65,
    });
    let w = |default: f32| thing.width_m.unwrap_or(default);
    let d = |default: f32| thing.depth_m.unwrap_or(default);
    let white = rgb(0.8, 0.8, 0.78);
    let dark = Paint::matt(rgb(0.015, 0.015, 0.016));
    match thing.kind {
        Kind::Adult | Kind::Child => figure::walker(h, thing.colour, thing.seed, gait),
        Kind::CrouchingChild => figure::crouching(h, thing.colour, thing.seed),
        Kind::Dog => figure::dog(h, own(rgb(0.12, 0.07, 0.035)), gait),
        Kind::Bollard => {
            let paint = Paint::matt(own(rgb(0.05, 0.05, 0.05))).with(Pattern::Band {
                from_m: h - 0.25,
                to_m: h - 0.15,
                colour: white,
            });
            vec![upright(0.0, 0.0, w(0.2) / 2.0, h, paint)]
        }
        // The 75 mm by 1 m rod of ISO 17386 (from memory).
        Kind::Post => vec![upright(
            0.0,
            0.0,
            w(0.075) / 2.0,
            h,
            Paint::matt(own(rgb(0.3, 0.3, 0.3))),
        )],
        // 0.8 m by 0.3 m, top 150 mm contrasting: 49 CFR 571.111 S14.1.4 (from memory).
        Kind::TestCylinder => {
            let paint = Paint::matt(own(rgb(0.35, 0.35, 0.34))).with(Pattern::Band {
                from_m: h - 0.15,
                to_m: h + 1.0,
                colour: rgb(0.5, 0.05, 0.03),
            });
            vec![upright(0.0, 0.0, w(0.3) / 2.0, h, paint)]
        }
        Kind::Cone => {
            let paint = Paint::matt(own(rgb(0.75, 0.11, 0.02))).with(Pattern::Band {
                from_m: h * 0.45,
                to_m: h * 0.7,
                colour: white,
            });
            let r = h * 0.3;
            vec![
                slab(
                    (-r * 1.15, r * 1.15),
                    (-r * 1.15, r * 1.15),
                    (0.0, 0.035),
                    paint.with(Pattern::Plain),
                ),
                part(
                    Shape::Frustum {
                        base: V3::new(0.0, 0.0, 0.035),
                        h: h - 0.035,
                        r0: r * 0.8,
                        r1: 0.03,
                    },
                    paint,
                ),
            ]
        }
        Kind::WheelieBin => {
            let body = Paint::shiny(own(rgb(0.02, 0.09, 0.04))).grained(0.1);
            let (hw, hd) = (w(0.58) / 2.0, d(0.72) / 2.0);
            vec![
                slab(
                    (-hd * 0.85, hd * 0.85),
                    (-hw * 0.85, hw * 0.85),
                    (0.03, h * 0.55),
                    body,
                ),
                slab(
                    (-hd * 0.95, hd * 0.95),
                    (-hw * 0.95, hw * 0.95),
                    (h * 0.5, h - 0.08),
                    body,
                ),
                slab((-hd, hd), (-hw, hw), (h - 0.1, h), body),
                wheel(-hd * 0.85, -hw * 0.85, 0.1, 0.03),
                wheel(-hd * 0.85, hw * 0.85, 0.1, 0.03),
            ]
        }
        Kind::Box => {
            let (hw, hd) = (w(0.45) / 2.0, d(0.35) / 2.0);
            let paint = Paint::matt(own(rgb(0.34, 0.22, 0.12))).grained(0.2);
            vec![slab((-hd, hd), (-hw, hw), (0.0, h), paint)]
        }
        Kind::Ball => {
            let r = h / 2.0;
            let shape = Shape::Ellipsoid {
                c: V3::new(0.0, 0.0, r),
                r: V3::repeat(r),
            };
            vec![part(shape, Paint::shiny(own(rgb(0.6, 0.06, 0.05))))]
        }
        Kind::Kerb => {
            let paint = Paint::matt(own(rgb(0.36, 0.35, 0.33))).grained(0.35);
            let flags = Paint::matt(rgb(0.26, 0.26, 0.25)).grained(0.5);
            let (hw, depth) = (w(8.0) / 2.0, d(3.0));
            vec![
                slab((0.0, 0.125), (-hw, hw), (0.0, h), paint),
                slab((0.125, depth), (-hw, hw), (0.0, h - 0.004), flags),
            ]
        }
        Kind::Wall => {
            let paint = Paint::matt(own(rgb(0.30, 0.12, 0.08))).grained(0.3);
            let hw = w(6.0) / 2.0;
            let paint = if thing.plain {
                paint
            } else {
                paint.with(Pattern::Brick)
            };
            vec![slab((0.0, d(0.25)), (-hw, hw), (0.0, h), paint)]
        }
        Kind::Fence => {
            let paint = Paint::matt(own(rgb(0.22, 0.15, 0.09)))
                .grained(0.4)
                .with(Pattern::Boards);
            let hw = w(6.0) / 2.0;
            vec![slab((0.0, d(0.05)), (-hw, hw), (0.02, h), paint)]
        }
        Kind::Gate => {
            let paint = Paint::matt(own(rgb(0.35, 0.36, 0.37)));
            let hw = w(3.0) / 2.0;
            let mut parts = vec![
                upright(0.0, -hw, 0.06, h + 0.15, paint),
                upright(0.0, hw, 0.06, h + 0.15, paint),
            ];
            for i in 0..5 {
                let z = 0.15 + (h - 0.15) * i as f32 / 4.0;
                let mut rail = bar((0.0, -hw, z), (0.0, hw, z), 0.022, paint);
                rail.counts = true;
                parts.push(rail);
            }
            parts.push(bar((0.0, -hw, 0.15), (0.0, hw, h), 0.02, paint));
            parts
        }
        Kind::Car => car(own(rgb(0.25, 0.27, 0.3)), h, w(1.78), d(4.3)),
        Kind::Van => van(own(rgb(0.7, 0.7, 0.68)), h, w(1.95), d(5.0)),
        Kind::TowTrailer => {
            let body = Paint::shiny(own(rgb(0.3, 0.31, 0.32))).grained(0.15);
            let (hw, hl) = (w(1.5) / 2.0, d(2.2) / 2.0);
            vec![
                slab((-hl, hl), (-hw, hw), (0.48, h), body),
                slab(
                    (-hl + 0.1, hl - 0.1),
                    (-hw + 0.2, hw - 0.2),
                    (0.38, 0.48),
                    dark,
                ),
                wheel(0.0, -hw + 0.02, 0.28, 0.08),
                wheel(0.0, hw - 0.02, 0.28, 0.08),
                bar(
                    (hl, 0.0, 0.43),
                    (hl + 1.1, 0.0, 0.43),
                    0.04,
                    Paint::matt(rgb(0.2, 0.2, 0.2)),
                ),
                upright(hl + 0.85, 0.0, 0.035, 0.5, Paint::matt(rgb(0.2, 0.2, 0.2))),
                wheel(hl + 0.85, 0.0, 0.1, 0.03),
            ]
        }
        Kind::Headlights => {
            let glow = Paint {
                glow: V3::new(1.0, 0.95, 0.85) * thing.glow,
                ..Paint::matt(white)
            };
            [-0.65f32, 0.65]
                .iter()
                .map(|&y| {
                    let c = V3::new(0.0, y, h);
                    Part {
                        counts: false,
                        ..part(
                            Shape::Ellipsoid {
                                c,
                                r: V3::repeat(0.07),
                            },
                            glow,
                        )
                    }
                })
                .collect()
        }
    }
}

/// A car: bumpers 0.35 m above the ground overhang the tyres by about 0.5 m
/// to the tread's foremost point and 0.8 m to the axle; a dark hollow beneath.
fn car(colour: V3, h: f32, w: f32, len: f32) -> Vec<Part> {
    let body = Paint::shiny(colour);
    let glass = Paint {
        gloss: 0.08,
        ..Paint::matt(rgb(0.012, 0.014, 0.016))
    };
    let dark = Paint::matt(rgb(0.012, 0.012, 0.013));
    let (hl, hw) = (len / 2.0, w / 2.0);
    let axle = hl - 0.85;
    let waist = h * 0.62;
    let mut parts = vec![
        slab(
            (-hl + 0.12, hl - 0.12),
            (-hw, hw),
            (0.33, waist * 0.92),
            body,
        ),
        slab(
            (-hl + 0.25, hl - 0.9),
            (-hw + 0.03, hw - 0.03),
            (waist * 0.9, waist),
            body,
        ),
        bar(
            (-hl + 0.17, -hw + 0.17, 0.52),
            (-hl + 0.17, hw - 0.17, 0.52),
            0.17,
            body,
        ),
        bar(
            (hl - 0.17, -hw + 0.17, 0.52),
            (hl - 0.17, hw - 0.17, 0.52),
            0.17,
            body,
        ),
        slab(
            (-hl + 0.35, hl - 1.35),
            (-hw + 0.1, hw - 0.1),
            (waist, h - 0.05),
            glass,
        ),
        slab(
            (-hl + 0.6, hl - 1.7),
            (-hw + 0.14, hw - 0.14),
            (h - 0.06, h),
            body,
        ),
        slab(
            (-hl + 0.55, hl - 0.55),
            (-hw + 0.12, hw - 0.12),
            (0.19, 0.34),
            dark,
        ),
        // Number plate and lamps at both ends: red is the rear, −x.
        slab(
            (-hl - 0.005, -hl + 0.05),
            (-0.26, 0.26),
            (0.5, 0.61),
            Paint::matt(rgb(0.7, 0.6, 0.1)),
        ),
        slab(
            (hl - 0.05, hl + 0.005),
            (-0.26, 0.26),
            (0.42, 0.53),
            Paint::matt(rgb(0.75, 0.75, 0.75)),
        ),
    ];
    for side in [-1.0f32, 1.0] {
        let y = side * (hw - 0.16);
        parts.push(slab(
            (-hl + 0.1, -hl + 0.3),
            (y - 0.14, y + 0.14),
            (0.68, 0.84),
            Paint::shiny(rgb(0.35, 0.01, 0.01)),
        ));
        parts.push(slab(
            (hl - 0.3, hl - 0.08),
            (y - 0.14, y + 0.14),
            (0.62, 0.76),
            Paint::shiny(rgb(0.6, 0.6, 0.6)),
        ));
        for x in [-axle, axle] {
            parts.push(wheel(x, side * (hw - 0.1), 0.31, 0.1));
        }
    }
    for p in &mut parts {
        p.counts = p.shape.z_extent().0 < 0.5;
    }
    parts
}

/// A box van, flat at both ends.
fn van(colour: V3, h: f32, w: f32, len: f32) -> Vec<Part> {
    let body = Paint::shiny(colour);
    let dark = Paint::matt(rgb(0.012, 0.012, 0.013));
    let glass = Paint {
        gloss: 0.08,
        ..dark
    };
    let (hl, hw) = (len / 2.0, w / 2.0);
    let mut parts = vec![
        slab((-hl + 0.06, hl - 0.06), (-hw, hw), (0.42, h), body),
        slab(
            (-hl, -hl + 0.2),
            (-hw + 0.03, hw - 0.03),
            (0.38, 0.62),
            dark,
        ),
        slab((hl - 0.2, hl), (-hw + 0.03, hw - 0.03), (0.35, 0.62), dark),
        slab(
            (-hl + 0.6, hl - 0.6),
            (-hw + 0.15, hw - 0.15),
            (0.25, 0.43),
            dark,
        ),
        slab(
            (-hl + 0.05, -hl + 0.07),
            (-hw + 0.2, hw - 0.2),
            (h * 0.6, h * 0.88),
            glass,
        ),
        slab(
            (hl - 0.07, hl - 0.05),
            (-hw + 0.1, hw - 0.1),
            (h * 0.55, h * 0.9),
            glass,
        ),
    ];
    for side in [-1.0f32, 1.0] {
        for x in [-hl + 1.0, hl - 0.9] {
            parts.push(wheel(x, side * (hw - 0.1), 0.34, 0.11));
        }
    }
    parts
}
