//! Rays against the solids that standing things are made of.
//!
//! All in the thing's own frame: `x` is the way it faces, `y` its left when
//! seen from above with `x` ahead… that is `up × x`, `z` up; metres. The
//! quadratics are the textbook ones; a hit is the first along the ray beyond
//! [`NEAR`].

use nalgebra::Vector3;

/// Vectors of the renderer: single precision holds 1 µm at 10 m.
pub type V3 = Vector3<f32>;

/// Hits nearer than this are the ray's own start.
pub const NEAR: f32 = 1e-3;

/// A solid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Axis-aligned box: centre and half extents.
    Box { c: V3, half: V3 },
    /// Round rod with round ends.
    Capsule { a: V3, b: V3, r: f32 },
    /// Round rod with flat ends.
    Cylinder { a: V3, b: V3, r: f32 },
    /// Axis-aligned ellipsoid: centre and radii.
    Ellipsoid { c: V3, r: V3 },
    /// Upright cone cut flat: centre of the base, height, radius at base and top.
    Frustum { base: V3, h: f32, r0: f32, r1: f32 },
}

/// Smaller and greater root of `a t² + 2 b t + c`.
fn roots(a: f32, b: f32, c: f32) -> Option<(f32, f32)> {
    let d = b * b - a * c;
    if d < 0.0 || a.abs() < 1e-12 {
        return None;
    }
    let s = d.sqrt();
    Some(if a > 0.0 {
        ((-b - s) / a, (-b + s) / a)
    } else {
        ((-b + s) / a, (-b - s) / a)
    })
}

impl Shape {
    /// Distance along the unit ray and outward normal at the first hit.
    pub fn hit(&self, o: &V3, d: &V3) -> Option<(f32, V3)> {
        match *self {
            Shape::Box { c, half } => hit_box(&(o - c), d, &half),
            Shape::Ellipsoid { c, r } => {
                let oc = (o - c).component_div(&r);
                let dd = d.component_div(&r);
                let (t0, t1) = roots(dd.norm_squared(), oc.dot(&dd), oc.norm_squared() - 1.0)?;
                let t = if t0 > NEAR { t0 } else { t1 };
                (t > NEAR).then(|| (t, (oc + dd * t).component_div(&r).normalize()))
            }
            Shape::Capsule { a, b, r } => hit_rod(o, d, &a, &b, r, true),
            Shape::Cylinder { a, b, r } => hit_rod(o, d, &a, &b, r, false),
            Shape::Frustum { base, h, r0, r1 } => hit_frustum(&(o - base), d, h, r0, r1),
        }
    }

    /// Centre and radius of a sphere around the solid.
    pub fn bound(&self) -> (V3, f32) {
        match *self {
            Shape::Box { c, half } => (c, half.norm()),
            Shape::Ellipsoid { c, r } => (c, r.max()),
            Shape::Capsule { a, b, r } => ((a + b) * 0.5, (b - a).norm() * 0.5 + r),
            Shape::Cylinder { a, b, r } => ((a + b) * 0.5, ((b - a).norm() * 0.5).hypot(r)),
            Shape::Frustum { base, h, r0, r1 } => (
                base + V3::new(0.0, 0.0, 0.5 * h),
                (0.5 * h).hypot(r0.max(r1)),
            ),
        }
    }

    /// Lowest and highest `z`.
    pub fn z_extent(&self) -> (f32, f32) {
        match *self {
            Shape::Box { c, half } => (c.z - half.z, c.z + half.z),
            Shape::Ellipsoid { c, r } => (c.z - r.z, c.z + r.z),
            Shape::Capsule { a, b, r } => (a.z.min(b.z) - r, a.z.max(b.z) + r),
            Shape::Cylinder { a, b, r } => {
                let u = (b - a).normalize();
                let e = r * (1.0 - u.z * u.z).max(0.0).sqrt();
                (a.z.min(b.z) - e, a.z.max(b.z) + e)
            }
            Shape::Frustum { base, h, .. } => (base.z, base.z + h),
        }
    }

    /// Points on the outline of its shadow straight down, closely spaced.
    pub fn outline(&self, out: &mut Vec<(f32, f32)>) {
        let mut ring = |cx: f32, cy: f32, rx: f32, ry: f32| {
            for i in 0..48 {
                let (s, c) = (i as f32 * std::f32::consts::TAU / 48.0).sin_cos();
                out.push((cx + rx * c, cy + ry * s));
            }
        };
        match *self {
            Shape::Box { c, half } => {
                let nx = (half.x / 0.02).ceil().clamp(1.0, 400.0) as i32;
                let ny = (half.y / 0.02).ceil().clamp(1.0, 400.0) as i32;
                for i in -nx..=nx {
                    let x = c.x + half.x * i as f32 / nx as f32;
                    out.push((x, c.y - half.y));
                    out.push((x, c.y + half.y));
                }
                for i in -ny..=ny {
                    let y = c.y + half.y * i as f32 / ny as f32;
                    out.push((c.x - half.x, y));
                    out.push((c.x + half.x, y));
                }
            }
            Shape::Ellipsoid { c, r } => ring(c.x, c.y, r.x, r.y),
            Shape::Capsule { a, b, r } => {
                ring(a.x, a.y, r, r);
                ring(b.x, b.y, r, r);
            }
            Shape::Cylinder { a, b, r } => {
                let u = (b - a).normalize();
                let (ex, ey) = (
                    r * (1.0 - u.x * u.x).max(0.0).sqrt(),
                    r * (1.0 - u.y * u.y).max(0.0).sqrt(),
                );
                ring(a.x, a.y, ex, ey);
                ring(b.x, b.y, ex, ey);
            }
            Shape::Frustum { base, r0, r1, .. } => {
                let r = r0.max(r1);
                ring(base.x, base.y, r, r);
            }
        }
    }
}

fn hit_box(o: &V3, d: &V3, half: &V3) -> Option<(f32, V3)> {
    let (mut enter, mut leave) = (f32::MIN, f32::MAX);
    let (mut axis_in, mut axis_out) = (0, 0);
    for i in 0..3 {
        if d[i].abs() < 1e-9 {
            if o[i].abs() > half[i] {
                return None;
            }
            continue;
        }
        let inv = 1.0 / d[i];
        let (a, b) = ((-half[i] - o[i]) * inv, (half[i] - o[i]) * inv);
        let (a, b) = (a.min(b), a.max(b));
        if a > enter {
            enter = a;
            axis_in = i;
        }
        if b < leave {
            leave = b;
            axis_out = i;
        }
    }
    if enter > leave {
        return None;
    }
    let (t, axis, sign) = if enter > NEAR {
        (enter, axis_in, -d[axis_in].signum())
    } else {
        (leave, axis_out, d[axis_out].signum())
    };
    let mut n = V3::zeros();
    n[axis] = sign;
    (t > NEAR).then_some((t, n))
}

fn hit_sphere(o: &V3, d: &V3, c: &V3, r: f32) -> Option<(f32, V3)> {
    let oc = o - c;
    let (t0, t1) = roots(1.0, oc.dot(d), oc.norm_squared() - r * r)?;
    let t = if t0 > NEAR { t0 } else { t1 };
    (t > NEAR).then(|| (t, (oc + d * t) / r))
}

fn hit_rod(o: &V3, d: &V3, a: &V3, b: &V3, r: f32, round: bool) -> Option<(f32, V3)> {
    let ba = b - a;
    let len = ba.norm();
    if len < 1e-6 {
        return hit_sphere(o, d, a, r);
    }
    let u = ba / len;
    let oa = o - a;
    let (du, ou) = (d.dot(&u), oa.dot(&u));
    let (dp, op) = (d - u * du, oa - u * ou);
    let mut best: Option<(f32, V3)> = None;
    let mut keep = |hit: Option<(f32, V3)>| {
        if let Some(h) = hit {
            if h.0 > NEAR && best.is_none_or(|b: (f32, V3)| h.0 < b.0) {
                best = Some(h);
            }
        }
    };
    if let Some((t0, t1)) = roots(dp.norm_squared(), dp.dot(&op), op.norm_squared() - r * r) {
        for t in [t0, t1] {
            let along = ou + du * t;
            if (0.0..=len).contains(&along) {
                keep(Some((t, (op + dp * t) / r)));
            }
        }
    }
    if round {
        keep(hit_sphere(o, d, a, r));
        keep(hit_sphere(o, d, b, r));
    } else if du.abs() > 1e-9 {
        for (end, n) in [(0.0, -u), (len, u)] {
            let t = (end - ou) / du;
            if (op + dp * t).norm_squared() <= r * r {
                keep(Some((t, n)));
            }
        }
    }
    best
}

fn hit_frustum(o: &V3, d: &V3, h: f32, r0: f32, r1: f32) -> Option<(f32, V3)> {
    let k = (r1 - r0) / h;
    let ro = r0 + k * o.z;
    let rd = k * d.z;
    let a = d.x * d.x + d.y * d.y - rd * rd;
    let b = o.x * d.x + o.y * d.y - ro * rd;
    let c = o.x * o.x + o.y * o.y - ro * ro;
    let mut best: Option<(f32, V3)> = None;
    if let Some((t0, t1)) = roots(a, b, c) {
        for t in [t0, t1] {
            let z = o.z + d.z * t;
            if t > NEAR && (0.0..=h).contains(&z) && best.is_none_or(|b| t < b.0) {
                let n = V3::new(o.x + d.x * t, o.y + d.y * t, -k * (r0 + k * z));
                best = Some((t, n.normalize()));
            }
        }
    }
    if d.z.abs() > 1e-9 {
        for (z, r, n) in [(0.0, r0, -1.0), (h, r1, 1.0)] {
            let t = (z - o.z) / d.z;
            let (x, y) = (o.x + d.x * t, o.y + d.y * t);
            if t > NEAR && x * x + y * y <= r * r && best.is_none_or(|b| t < b.0) {
                best = Some((t, V3::new(0.0, 0.0, n)));
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rays_meet_solids_where_they_should() {
        let o = V3::new(-5.0, 0.0, 0.5);
        let d = V3::new(1.0, 0.0, 0.0);
        let up = V3::new(0.0, 0.0, 1.0);
        let cases = [
            (
                Shape::Box {
                    c: V3::new(0.0, 0.0, 0.5),
                    half: V3::new(1.0, 1.0, 0.5),
                },
                4.0,
            ),
            (
                Shape::Capsule {
                    a: V3::zeros(),
                    b: up,
                    r: 0.25,
                },
                4.75,
            ),
            (
                Shape::Cylinder {
                    a: V3::zeros(),
                    b: up,
                    r: 0.15,
                },
                4.85,
            ),
            (
                Shape::Ellipsoid {
                    c: up * 0.5,
                    r: V3::new(0.3, 1.0, 1.0),
                },
                4.7,
            ),
            (
                Shape::Frustum {
                    base: V3::zeros(),
                    h: 1.0,
                    r0: 0.4,
                    r1: 0.2,
                },
                4.7,
            ),
        ];
        for (shape, expect) in cases {
            let (t, n) = shape.hit(&o, &d).expect("hit");
            assert!((t - expect).abs() < 1e-4, "{shape:?}: {t}");
            assert!(
                n.x < -0.9 && (n.norm() - 1.0).abs() < 1e-3,
                "{shape:?}: {n:?}"
            );
            assert!(shape.hit(&V3::new(-5.0, 3.0, 0.5), &d).is_none());
        }
    }
}
