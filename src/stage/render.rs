//! From a scene at one moment to a picture in linear light.

use nalgebra::Matrix3;
use rayon::prelude::*;

use super::floor::{puddle, Look};
use super::light::{Lamp, Lights};
use super::marks::{soak, Laid};
use super::noise::{hash, octaves, smoothstep, unit, value};
use super::scene::Ground as GroundScene;
use super::shape::V3;
use super::thing::{Hit, Placed};
use super::tile::Tile;
use crate::optics::{Lens, PixelPoint};

/// Rays of the lens at the corners of all pixels, camera frame; `None` (a
/// zero vector) where the lens sees nothing.
pub struct Rays {
    width: usize,
    height: usize,
    corner: Vec<V3>,
    /// Angle across a pixel, radians, one per pixel.
    angle: Vec<f32>,
}

impl Rays {
    /// Asks the lens once for all.
    pub fn new(lens: &Lens) -> Rays {
        let (width, height) = (lens.width as usize, lens.height as usize);
        let corner: Vec<V3> = (0..(width + 1) * (height + 1))
            .into_par_iter()
            .map(|i| {
                let p = PixelPoint {
                    u: (i % (width + 1)) as f64 - 0.5,
                    v: (i / (width + 1)) as f64 - 0.5,
                };
                lens.unproject(p).map_or(V3::zeros(), |r| r.cast::<f32>())
            })
            .collect();
        let mut rays = Rays {
            width,
            height,
            corner,
            angle: Vec::new(),
        };
        rays.angle = (0..width * height)
            .map(|i| {
                let (x, y) = (i % width, i / width);
                let c = |dx, dy| rays.corner[(y + dy) * (width + 1) + x + dx];
                let across = (c(1, 0) - c(0, 0)).norm().max(1e-5);
                let down = (c(0, 1) - c(0, 0)).norm().max(1e-5);
                (across * down).sqrt()
            })
            .collect();
        rays
    }

    /// Unit ray at a place inside pixel (x, y), `fx`, `fy` in 0..1.
    fn at(&self, x: usize, y: usize, fx: f32, fy: f32) -> Option<V3> {
        let row = self.width + 1;
        let c = |dx: usize, dy: usize| self.corner[(y + dy) * row + x + dx];
        let (a, b, d, e) = (c(0, 0), c(1, 0), c(0, 1), c(1, 1));
        if a.z == 0.0 && a.x == 0.0 || b == V3::zeros() || d == V3::zeros() || e == V3::zeros() {
            return None;
        }
        let top = a + (b - a) * fx;
        let low = d + (e - d) * fx;
        Some((top + (low - top) * fy).normalize())
    }

    /// Size of the smallest patch of ground that a pixel sees from `eye`, metres.
    pub fn finest_patch(&self, turn: &Matrix3<f32>, eye: &V3) -> f32 {
        let depth = |i: usize| {
            let corner = i / self.width * (self.width + 1) + i % self.width;
            -(turn * self.corner[corner]).z
        };
        let patch = |(i, angle): (usize, &f32)| angle * eye.z / depth(i).max(1e-6);
        self.angle
            .iter()
            .enumerate()
            .map(patch)
            .fold(f32::INFINITY, f32::min)
    }

    /// Picture width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Picture height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }
}

/// Everything that a ray can meet, at one moment.
pub struct World<'a> {
    /// The ground as the scene gives it.
    pub ground: &'a GroundScene,
    /// Its texture.
    pub tile: &'a Tile,
    /// Its flat marks.
    pub marks: &'a [Laid],
    /// Standing things, own vehicle included.
    pub things: Vec<Placed>,
    /// Light fixed to the world.
    pub lights: &'a Lights,
    /// Reversing lamps, where the vehicle now is.
    pub reversing: Vec<Lamp>,
    /// Factor on the sun: a cloud before it.
    pub sun_factor: f32,
    /// Lens centre, world frame.
    pub eye: V3,
    /// Camera to world.
    pub turn: Matrix3<f32>,
    /// Time of the moment.
    pub time_s: f32,
    /// Seed of the scene.
    pub seed: u32,
}

/// What a pixel shows, to find edges: sky, ground, or which solid.
const SKY: u32 = 0;
const GROUND: u32 = 1;
const FIRST_THING: u32 = 2;
/// Solids that a thing may have.
const PARTS: u32 = 64;

/// The thing that a pixel shows, as an index into [`World::things`].
pub fn thing_of(id: u32) -> Option<usize> {
    id.checked_sub(FIRST_THING).map(|n| (n / PARTS) as usize)
}

/// Beyond this the ground has melted into the skyline.
const FAR_M: f32 = 120.0;

impl World<'_> {
    /// Renders into `out`, one linear RGB per pixel. Pixels on an outline are
    /// averaged over 4 × 4 rays, the others have one (the ground's texture is
    /// filtered by the size of the patch a pixel sees).
    pub fn render(&self, rays: &Rays, out: &mut Vec<V3>, ids: &mut Vec<u32>) {
        let (w, h) = (rays.width, rays.height);
        out.resize(w * h, V3::zeros());
        ids.resize(w * h, SKY);
        out.par_chunks_mut(w)
            .zip(ids.par_chunks_mut(w))
            .enumerate()
            .for_each(|(y, (row, ids))| {
                for x in 0..w {
                    (row[x], ids[x]) = self.pixel(rays, x, y, 0.5, 0.5);
                }
            });
        let ids = &*ids;
        out.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
            for (x, value) in row.iter_mut().enumerate() {
                let me = ids[y * w + x];
                let differs = |dx: isize, dy: isize| {
                    let (nx, ny) = (x as isize + dx, y as isize + dy);
                    nx >= 0
                        && ny >= 0
                        && (nx as usize) < w
                        && (ny as usize) < h
                        && ids[ny as usize * w + nx as usize] != me
                };
                if !(differs(1, 0)
                    || differs(-1, 0)
                    || differs(0, 1)
                    || differs(0, -1)
                    || differs(1, 1)
                    || differs(-1, -1)
                    || differs(1, -1)
                    || differs(-1, 1))
                {
                    continue;
                }
                let mut sum = V3::zeros();
                for i in 0..16u32 {
                    let fx = (i % 4) as f32 * 0.25 + 0.125;
                    let fy = (i / 4) as f32 * 0.25 + 0.125;
                    sum += self.pixel(rays, x, y, fx, fy).0;
                }
                *value = sum / 16.0;
            }
        });
    }

    fn pixel(&self, rays: &Rays, x: usize, y: usize, fx: f32, fy: f32) -> (V3, u32) {
        let Some(ray) = rays.at(x, y, fx, fy) else {
            return (V3::zeros(), SKY);
        };
        let d = self.turn * ray;
        self.along(&self.eye, &d, rays.angle[y * rays.width + x], true)
    }

    /// First standing thing along a ray.
    pub fn first_thing(&self, o: &V3, d: &V3, eye_ray: bool) -> Option<(usize, Hit)> {
        let mut best: Option<(usize, Hit)> = None;
        for (i, thing) in self.things.iter().enumerate() {
            if eye_ray && !thing.seen {
                continue;
            }
            let limit = best.map_or(f32::MAX, |b| b.1.t);
            if let Some(hit) = thing.hit(o, d, limit) {
                best = Some((i, hit));
            }
        }
        best
    }

    /// Light that comes along a ray, and what it met.
    fn along(&self, o: &V3, d: &V3, angle: f32, eye_ray: bool) -> (V3, u32) {
        let ground_t = if d.z < -1e-4 { -o.z / d.z } else { f32::MAX };
        if let Some((i, hit)) = self.first_thing(o, d, eye_ray) {
            if hit.t < ground_t {
                let id = FIRST_THING + i as u32 * PARTS + hit.part as u32;
                return (self.thing_light(i, &hit, o, d, angle * hit.t, eye_ray), id);
            }
        }
        if ground_t > FAR_M {
            return (self.lights.beyond(d), SKY);
        }
        let haze = smoothstep(25.0, FAR_M, ground_t);
        let mut near = self.ground_light(o, d, ground_t, angle, eye_ray);
        if haze > 0.0 {
            let level = V3::new(d.x, d.y, 0.0).normalize();
            near = near * (1.0 - haze) + self.lights.beyond(&level) * haze;
        }
        (near, GROUND)
    }

    fn look_at(&self, x: f32, y: f32, fp: f32) -> Look {
        let g = self.ground;
        let (s, c) = g.turn_deg.to_radians().sin_cos();
        let (u, v) = (c * x + s * y, -s * x + c * y);
        // Off the origin, or the tile's mirror line would lie along the path.
        let mut under = self.tile.look(u + 1.1, v + 2.05, fp);
        under.albedo *= g.tone;
        for mark in self.marks {
            mark.lay(&mut under, x, y, fp);
        }
        if g.wet > 0.0 {
            let film = g.wet * (0.75 + 0.25 * value(x * 0.9, y * 0.9, self.seed ^ 60));
            under.rough = under.rough.max(0.10);
            soak(&mut under, film, 0.45 * film);
        }
        let depth = puddle(x, y, g.puddles, self.seed);
        soak(&mut under, depth, 1.0);
        under
    }

    fn ground_light(&self, o: &V3, d: &V3, t: f32, angle: f32, eye_ray: bool) -> V3 {
        let p = V3::new(o.x + d.x * t, o.y + d.y * t, 0.0);
        let slant = (-d.z).max(0.02);
        let minor = angle * t;
        let major = minor / slant;
        // The patch is longer than wide: several looks along its length.
        let looks = if eye_ray {
            ((major / minor) as usize).clamp(1, 2)
        } else {
            1
        };
        let flat = (d.x * d.x + d.y * d.y).sqrt().max(1e-6);
        let (ux, uy) = (d.x / flat, d.y / flat);
        let fp = (major / looks as f32 * 0.75).clamp(minor, 2.5 * minor);
        let mut under = Look {
            albedo: V3::zeros(),
            mirror: 0.0,
            rough: 0.0,
        };
        for i in 0..looks {
            let off = ((i as f32 + 0.5) / looks as f32 - 0.5) * major;
            let l = self.look_at(p.x + ux * off, p.y + uy * off, fp);
            under.albedo += l.albedo;
            under.mirror += l.mirror;
            under.rough += l.rough;
        }
        let n = looks as f32;
        under.albedo /= n;
        under.mirror /= n;
        under.rough /= n;
        let up = V3::new(0.0, 0.0, 1.0);
        let mut light = self.lights.sky * (1.0 - self.shade_at_foot(&p));
        let sun = self.lights.sun * (self.sun_factor * self.lights.sun_dir.z.max(0.0));
        if sun.x > 0.0 {
            let open = self.sun_reaches(&p, minor, major, (ux, uy))
                * self.lights.dappled(p.x, p.y, self.time_s, fp);
            light += sun * open;
        }
        light += self.lamp_light(&p, &up);
        let mut result = under.albedo.component_mul(&light);
        if under.mirror > 0.01 && eye_ray {
            // Schlick's approximation of Fresnel's law for water.
            let fresnel = 0.02 + 0.98 * (1.0 - slant).powi(5);
            let share = under.mirror * fresnel;
            if share > 0.003 {
                let grain = (0.004f32).max(minor);
                let h = hash((p.x / grain) as i32, (p.y / grain) as i32, self.seed ^ 71);
                let tilt = |h: u32| {
                    under.rough * 2.0 * (unit(h) - 0.5)
                        + 0.004 * octaves(p.x, p.y, &[(0.05, 1.0)], 0.0, self.seed ^ 72)
                };
                let r = V3::new(
                    d.x + tilt(h),
                    d.y + tilt(h.wrapping_mul(0x9E37_79B1)),
                    (-d.z + 0.5 * tilt(h.wrapping_mul(0x85EB_CA77))).max(0.01),
                )
                .normalize();
                let from = p + up * 2e-3;
                let (mirrored, _) = self.along(&from, &r, angle, false);
                result = result * (1.0 - share) + mirrored * share;
            }
        }
        result
    }

    /// Share of the sky that standing things hide from a point of the ground.
    fn shade_at_foot(&self, p: &V3) -> f32 {
        let mut open = 1.0;
        for thing in &self.things {
            let Some(foot) = thing.foot else { continue };
            let l = thing.inward(&(p - thing.at));
            let (dx, dy) = (
                (l.x - foot.c.0).abs() - foot.half.0,
                (l.y - foot.c.1).abs() - foot.half.1,
            );
            let inside = (-dx).min(-dy);
            let lost = if inside > 0.0 {
                0.5 + (foot.depth - 0.5) * smoothstep(0.0, 0.4, inside)
            } else {
                let (ox, oy) = (dx.max(0.0), dy.max(0.0));
                let reach = 3.0 * thing.top_m + 0.5;
                if ox * ox + oy * oy > reach * reach {
                    continue;
                }
                let dist = (ox * ox + oy * oy).sqrt();
                let wide = foot.half.0.max(foot.half.1);
                let high = thing.top_m;
                0.5 * (1.0 - dist / (dist * dist + high * high).sqrt()) * wide / (wide + 1.6 * dist)
            };
            open *= 1.0 - lost;
        }
        1.0 - open
    }

    /// Share of the sun's disc seen from a point, over the pixel's own patch.
    fn sun_reaches(&self, p: &V3, minor: f32, major: f32, (ux, uy): (f32, f32)) -> f32 {
        let s = self.lights.sun_dir;
        // A wider ray decides whether it is worth looking closely.
        let near: bool = self.things.iter().any(|t| {
            let oc = t.bound.0 - p;
            let along = oc.dot(&s);
            let off2 = oc.norm_squared() - along * along;
            let r = t.bound.1.sqrt() + 0.02 * along.abs() + major;
            off2 < r * r && along > -r
        });
        if !near {
            return 1.0;
        }
        let (e1, e2) = (
            V3::new(-s.y, s.x, 0.0),
            V3::new(-s.x * s.z, -s.y * s.z, s.x * s.x + s.y * s.y),
        );
        let look = |i: usize| {
            let f = (i as f32 + 0.5) / 7.0 - 0.5;
            // The sun's disc is 0.0093 rad wide.
            let (sn, cs) = [
                (0.0, 1.0),
                (0.68, -0.73),
                (-1.0, 0.08),
                (0.78, 0.62),
                (-0.17, -0.98),
                (-0.53, 0.84),
                (0.95, -0.3),
            ][i];
            let dir = (s + e1 * (0.0040 * cs) + e2 * (0.0040 * sn)).normalize();
            let g = ((i * 3) % 7) as f32 / 7.0 - 0.43;
            let q = p + V3::new(
                ux * f * major - uy * g * minor,
                uy * f * major + ux * g * minor,
                1e-3,
            );
            !self.things.iter().any(|t| t.blocks(&q, &dir, f32::MAX))
        };
        // Most patches are all in the sun or all in the shade.
        let first = [look(0), look(3), look(6)];
        let open = first.iter().filter(|&&o| o).count();
        if open == 0 || open == 3 {
            return open as f32 / 3.0;
        }
        let more = [1, 2, 4, 5].iter().filter(|&&i| look(i)).count();
        (open + more) as f32 / 7.0
    }

    fn lamp_light(&self, p: &V3, n: &V3) -> V3 {
        let mut sum = V3::zeros();
        for lamp in self.lights.lamps.iter().chain(&self.reversing) {
            if let Some((e, dir, dist)) = lamp.reach(p, n) {
                let from = p + n * 2e-3;
                let hidden = self
                    .things
                    .iter()
                    .any(|t| t.index.is_some() && t.blocks(&from, &dir, dist));
                if !hidden {
                    sum += e;
                }
            }
        }
        sum
    }

    fn thing_light(&self, i: usize, hit: &Hit, o: &V3, d: &V3, fp: f32, eye_ray: bool) -> V3 {
        let thing = &self.things[i];
        let paint = &thing.parts[hit.part].paint;
        let albedo = paint.at(&hit.local, &hit.local_n, fp, thing.seed);
        let n = if hit.n.dot(d) > 0.0 { -hit.n } else { hit.n };
        let p = o + d * hit.t;
        // Near the ground the lower half of the sky is hidden by itself.
        let low = 0.55 + 0.45 * smoothstep(0.0, 0.5, p.z);
        let bounce = 0.18 * (0.5 - 0.5 * n.z);
        let ground_lit = self.lights.sky
            + self.lights.sun * (self.sun_factor * self.lights.sun_dir.z.max(0.0) * 0.6);
        let mut light = self.lights.sky * ((0.5 + 0.5 * n.z) * low) + ground_lit * bounce;
        let facing = n.dot(&self.lights.sun_dir);
        if facing > 0.0 && self.lights.sun.x > 0.0 {
            let from = p + n * 2e-3;
            let open = if self
                .things
                .iter()
                .any(|t| t.blocks(&from, &self.lights.sun_dir, f32::MAX))
            {
                0.0
            } else {
                // Leaves shade what stands under them as well: follow the sun
                // down to where its patch would lie.
                let k = p.z / self.lights.sun_dir.z.max(0.1);
                self.lights.dappled(
                    p.x - self.lights.sun_dir.x * k,
                    p.y - self.lights.sun_dir.y * k,
                    self.time_s,
                    fp,
                )
            };
            light += self.lights.sun * (self.sun_factor * facing * open);
        }
        light += self.lamp_light(&p, &n);
        let mut result = albedo.component_mul(&light) + paint.glow;
        if paint.gloss > 0.0 && eye_ray {
            let cos = -n.dot(d);
            let share = paint.gloss + (1.0 - paint.gloss) * (1.0 - cos.max(0.0)).powi(5) * 0.6;
            let r = d + n * (2.0 * cos);
            let mirrored = if r.z < 0.0 {
                ground_lit * 0.15
            } else {
                self.lights.beyond(&r)
            };
            result = result * (1.0 - share) + mirrored * share;
        }
        result
    }
}
