//! Hashed value noise: the same on every machine, no tables, no state.

/// A well-mixed 32-bit hash of a lattice point (xor, shift and multiply, as
/// integer mixers do).
#[inline]
pub fn hash(x: i32, y: i32, seed: u32) -> u32 {
    mix((x as u32).wrapping_mul(0x9E37_79B1)
        ^ (y as u32).wrapping_mul(0x85EB_CA77)
        ^ seed.wrapping_mul(0xC2B2_AE3D))
}

#[inline]
fn mix(mut h: u32) -> u32 {
    h ^= h >> 15;
    h = h.wrapping_mul(0x2C1B_3C6D);
    h ^= h >> 12;
    h = h.wrapping_mul(0x297A_2D39);
    h ^ (h >> 15)
}

/// Largest integer not above `x`; plain `floor` is a library call on CPUs
/// without SSE 4.1.
#[inline]
pub fn whole(x: f32) -> i32 {
    let i = x as i32;
    i - i32::from(x < i as f32)
}

/// Maps a hash to 0..1.
#[inline]
pub fn unit(h: u32) -> f32 {
    (h >> 8) as f32 * (1.0 / 16_777_216.0)
}

/// Roughly normal, zero mean, unit deviation: four bytes of a hash summed.
pub fn normal(h: u32) -> f32 {
    let s = (h & 255) + ((h >> 8) & 255) + ((h >> 16) & 255) + (h >> 24);
    // Four uniform bytes have variance 4·(256²−1)/12.
    (s as f32 - 510.0) * (1.0 / 147.8)
}

/// `0` below `a`, `1` above `b`, smooth between.
pub fn smoothstep(a: f32, b: f32, x: f32) -> f32 {
    let t = ((x - a) / (b - a)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Value noise in −1..1 on a unit lattice.
#[inline]
pub fn value(x: f32, y: f32, seed: u32) -> f32 {
    let (ix, iy) = (whole(x), whole(y));
    let (tx, ty) = (x - ix as f32, y - iy as f32);
    let (sx, sy) = (tx * tx * (3.0 - 2.0 * tx), ty * ty * (3.0 - 2.0 * ty));
    // The same as `hash` at the four corners, its products shared.
    let (x0, y0) = (
        (ix as u32).wrapping_mul(0x9E37_79B1),
        (iy as u32).wrapping_mul(0x85EB_CA77) ^ seed.wrapping_mul(0xC2B2_AE3D),
    );
    let x1 = x0.wrapping_add(0x9E37_79B1);
    let y1 = (iy.wrapping_add(1) as u32).wrapping_mul(0x85EB_CA77) ^ seed.wrapping_mul(0xC2B2_AE3D);
    let a = unit(mix(x0 ^ y0));
    let b = unit(mix(x1 ^ y0));
    let c = unit(mix(x0 ^ y1));
    let d = unit(mix(x1 ^ y1));
    let top = a + (b - a) * sx;
    let bottom = c + (d - c) * sx;
    2.0 * (top + (bottom - top) * sy) - 1.0
}

/// Octaves of value noise, given as (wavelength in metres, weight).
///
/// `footprint_m` is the size of the patch that one sample stands for; octaves
/// finer than it average out and are faded away, so distant ground neither
/// glitters nor crawls.
pub fn octaves(x: f32, y: f32, bands: &[(f32, f32)], footprint_m: f32, seed: u32) -> f32 {
    let mut sum = 0.0;
    for (i, &(wave, weight)) in bands.iter().enumerate() {
        let keep = (1.6 - 1.2 * footprint_m / wave).clamp(0.0, 1.0);
        if keep > 0.0 {
            // Each octave turned by its own angle, or the lattices line up.
            let (c, s) = [(1.0, 0.0), (0.8, 0.6), (0.28, 0.96), (0.6, -0.8)][i & 3];
            let (u, v) = ((c * x - s * y) / wave, (s * x + c * y) / wave);
            sum += keep * weight * value(u, v, seed.wrapping_add(i as u32 * 101));
        }
    }
    sum
}

/// Nearest cell of a jittered lattice: (distance to the nearest point, gap to
/// the second nearest, hash of the nearest cell), in cells.
pub fn cells(x: f32, y: f32, seed: u32) -> (f32, f32, u32) {
    let (ix, iy) = (whole(x), whole(y));
    let (mut first, mut second, mut id) = (9.0f32, 9.0f32, 0);
    for dy in -1..=1 {
        for dx in -1..=1 {
            let (cx, cy) = (ix.wrapping_add(dx), iy.wrapping_add(dy));
            let h = hash(cx, cy, seed);
            let px = cx as f32 + 0.15 + 0.7 * (h & 0xffff) as f32 / 65535.0;
            let py = cy as f32 + 0.15 + 0.7 * (h >> 16) as f32 / 65535.0;
            let d = (px - x) * (px - x) + (py - y) * (py - y);
            if d < first {
                second = first;
                first = d;
                id = h;
            } else if d < second {
                second = d;
            }
        }
    }
    (first.sqrt(), second.sqrt() - first.sqrt(), id)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_centred_and_bounded() {
        let (mut sum, mut worst) = (0.0f64, 0.0f32);
        for i in 0..40_000 {
            let v = value(i as f32 * 0.37, (i / 200) as f32 * 0.91, 5);
            sum += f64::from(v);
            worst = worst.max(v.abs());
        }
        assert!((sum / 40_000.0).abs() < 0.02, "mean {}", sum / 40_000.0);
        assert!(worst <= 1.0);
    }

    #[test]
    fn normal_has_unit_deviation() {
        let n = 100_000;
        let v: Vec<f64> = (0..n).map(|i| f64::from(normal(hash(i, 3, 9)))).collect();
        let mean = v.iter().sum::<f64>() / f64::from(n);
        let var = v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!(
            mean.abs() < 0.02 && (var - 1.0).abs() < 0.03,
            "{mean} {var}"
        );
    }

    #[test]
    fn octaves_fade_below_the_footprint() {
        let bands = [(0.01, 1.0), (0.02, 1.0)];
        assert_eq!(octaves(0.123, 4.56, &bands, 0.2, 1), 0.0);
        assert_ne!(octaves(0.123, 4.56, &bands, 0.001, 1), 0.0);
    }
}
