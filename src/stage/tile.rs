//! A ground texture worked out once: a tile with all its coarser copies, laid
//! over the plane mirrored at its edges, so that it has no seams.

use rayon::prelude::*;

use super::floor::{look, Look};
use super::noise::{value, whole};
use super::scene::GroundKind;
use super::shape::V3;

/// Texels along a side of the finest copy; a power of two.
const SIDE: usize = 2048;
/// Size of a texel: finer than what a pixel sees from half a metre.
const TEXEL_M: f32 = 0.002;

/// So many of its finest copies may be left out.
const MOST_SPARED: u32 = 8;

/// The tile.
pub struct Tile {
    /// Copies from coarser to coarser, each of half as many texels along a side.
    levels: Vec<Vec<[u16; 4]>>,
    /// Texels along a side of the first of them, and the size of one.
    side: usize,
    texel_m: f32,
    rough: f32,
    seed: u32,
}

fn store(v: f32) -> u16 {
    (v.clamp(0.0, 1.0) * 65535.0) as u16
}

impl Tile {
    /// Works out the texture of a kind of ground, for patches of `finest_m` metres and more.
    pub fn new(kind: GroundKind, seed: u32, finest_m: f32) -> Tile {
        // Copies that no patch is as fine as take up half the time of a short clip.
        let spared = ((finest_m / TEXEL_M).max(1.0).log2() as u32).min(MOST_SPARED);
        let side = SIDE >> spared;
        let texel_m = TEXEL_M * (SIDE / side) as f32;
        let mut rough = 0.0;
        let finest: Vec<[u16; 4]> = (0..side * side)
            .into_par_iter()
            .map(|i| {
                let (x, y) = ((i % side) as f32, (i / side) as f32);
                let l = look(
                    kind,
                    (x + 0.5) * texel_m,
                    (y + 0.5) * texel_m,
                    texel_m,
                    seed,
                );
                [
                    store(l.albedo.x),
                    store(l.albedo.y),
                    store(l.albedo.z),
                    store(l.mirror),
                ]
            })
            .collect();
        rough += look(kind, 0.0, 0.0, texel_m, seed).rough;
        let mut levels = vec![finest];
        let mut whole = side;
        while whole > 4 {
            let from = &levels[levels.len() - 1];
            let half = whole / 2;
            let next = (0..half * half)
                .map(|i| {
                    let (x, y) = (i % half * 2, i / half * 2);
                    let mut t = [0u16; 4];
                    for (k, v) in t.iter_mut().enumerate() {
                        let at =
                            |dx: usize, dy: usize| u32::from(from[(y + dy) * whole + x + dx][k]);
                        *v = ((at(0, 0) + at(1, 0) + at(0, 1) + at(1, 1) + 2) / 4) as u16;
                    }
                    t
                })
                .collect();
            levels.push(next);
            whole = half;
        }
        Tile {
            levels,
            side,
            texel_m,
            rough,
            seed,
        }
    }

    /// The ground at a point, seen as a patch of `fp` metres.
    pub fn look(&self, x: f32, y: f32, fp: f32) -> Look {
        let level = (fp / self.texel_m)
            .max(1.0)
            .log2()
            .min((self.levels.len() - 2) as f32);
        let low = level as usize;
        let k = level - low as f32;
        let (a, b) = (self.at(low, x, y), self.at(low + 1, x, y));
        let mut v = [0.0f32; 4];
        for (i, v) in v.iter_mut().enumerate() {
            *v = (a[i] + (b[i] - a[i]) * k) * (1.0 / 65535.0);
        }
        // What varies over more than the tile, so that no copy is like another.
        let wide = 1.0 + 0.07 * value(0.21 * x + 0.13 * y, 0.21 * y - 0.13 * x, self.seed ^ 0x71E);
        Look {
            albedo: V3::new(v[0], v[1], v[2]) * wide,
            mirror: v[3],
            rough: self.rough,
        }
    }

    /// Straight interpolation within one copy.
    fn at(&self, level: usize, x: f32, y: f32) -> [f32; 4] {
        let side = self.side >> level;
        let texels = &self.levels[level];
        let scale = 1.0 / (self.texel_m * (1 << level) as f32);
        let (u, v) = (x * scale - 0.5, y * scale - 0.5);
        let (iu, iv) = (whole(u), whole(v));
        let (tu, tv) = (u - iu as f32, v - iv as f32);
        let fold = |i: i32| {
            let i = i as usize & (2 * side - 1);
            if i < side {
                i
            } else {
                2 * side - 1 - i
            }
        };
        let (x0, x1) = (fold(iu), fold(iu.wrapping_add(1)));
        let (y0, y1) = (fold(iv) * side, fold(iv.wrapping_add(1)) * side);
        let (a, b) = (&texels[y0 + x0], &texels[y0 + x1]);
        let (c, d) = (&texels[y1 + x0], &texels[y1 + x1]);
        let (wa, wb) = ((1.0 - tu) * (1.0 - tv), tu * (1.0 - tv));
        let (wc, wd) = ((1.0 - tu) * tv, tu * tv);
        let mut out = [0.0; 4];
        for (k, o) in out.iter_mut().enumerate() {
            *o = f32::from(a[k]) * wa
                + f32::from(b[k]) * wb
                + f32::from(c[k]) * wc
                + f32::from(d[k]) * wd;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coarse_copies_keep_the_mean_and_edges_meet() {
        let tile = Tile::new(GroundKind::AsphaltOld, 3, 0.0);
        let mean = |fp: f32| {
            (0..400)
                .map(|i| {
                    tile.look((i % 20) as f32 * 0.2, (i / 20) as f32 * 0.2, fp)
                        .albedo
                        .y
                })
                .sum::<f32>()
                / 400.0
        };
        assert!((mean(0.002) / mean(1.0) - 1.0).abs() < 0.05);
        let edge = SIDE as f32 * TEXEL_M;
        let (a, b) = (
            tile.look(edge - 1e-4, 1.0, 0.002),
            tile.look(edge + 1e-4, 1.0, 0.002),
        );
        assert!((a.albedo - b.albedo).norm() < 2e-3);
    }

    #[test]
    fn without_its_finest_copies_it_is_the_same_ground() {
        for kind in [
            GroundKind::AsphaltOld,
            GroundKind::Gravel,
            GroundKind::Grass,
        ] {
            let (all, coarse) = (Tile::new(kind, 3, 0.0), Tile::new(kind, 3, 0.006));
            assert_eq!(coarse.levels[0].len() * 4, all.levels[0].len());
            let (mut off, mut varies) = (0.0, 0.0);
            for i in 0..400 {
                let (x, y) = ((i % 20) as f32 * 0.213, (i / 20) as f32 * 0.217);
                let green = |t: &Tile, fp: f32| t.look(x, y, fp).albedo.y;
                off += (green(&all, 0.008) - green(&coarse, 0.008)).abs();
                varies += (green(&all, 0.008) - green(&all, 4.0)).abs();
            }
            assert!(off < 0.3 * varies, "{kind:?}: {off} of {varies}");
        }
    }
}
