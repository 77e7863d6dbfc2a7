//! Local contrast: what is left of a panorama when light is taken out.
//!
//! `(y − mean) / (mean + floor)` over a small window. A change of exposure and
//! a cast shadow scale luma and its mean alike, so the relief of the ground
//! stays the same under both; only the floor, which keeps sensor noise of dark
//! places from being blown up, breaks the symmetry.

use multiversion::multiversion;

/// Half the window's side, in cells.
pub const RADIUS: usize = 3;
/// Luma under which contrast is no longer trusted in full.
pub const FLOOR: f32 = 20.0;
/// Scale of the result: 1.0 of contrast.
pub const UNIT: f32 = 256.0;

/// The broad relief: half the patch, half its surroundings, its gain, and the
/// share of single cells' noise that is left in it.
const PATCH: usize = 1;
const AROUND: usize = 5;
const BROAD_GAIN: f32 = 2.0;
pub(super) const BROAD_NOISE: f32 = 0.6;

/// Reusable buffers of the filter.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Means down the columns, of one row.
    down: Vec<f32>,
    mean: Vec<f32>,
}

impl Filter {
    /// Writes the relief of `y` (`columns × rows`) into `out`.
    pub fn relief(&mut self, y: &[f32], columns: usize, rows: usize, out: &mut Vec<f32>) {
        self.box_mean(y, columns, rows, RADIUS);
        out.resize(y.len(), 0.0);
        contrast(y, &self.mean, out);
    }

    /// Contrast of patches, not of cells: low in noise.
    pub fn broad(&mut self, y: &[f32], columns: usize, rows: usize, out: &mut Vec<f32>) {
        out.clear();
        out.extend_from_slice(self.box_mean(y, columns, rows, PATCH));
        self.box_mean(y, columns, rows, AROUND);
        for (o, &m) in out.iter_mut().zip(&self.mean) {
            *o = UNIT * BROAD_GAIN * (*o - m) / (m + FLOOR);
        }
    }

    /// Mean over a square window of `2 radius + 1`, cut off at the border.
    pub fn box_mean(&mut self, y: &[f32], columns: usize, rows: usize, radius: usize) -> &[f32] {
        self.mean.resize(columns * rows, 0.0);
        self.down.resize(columns, 0.0);
        means(y, rows, radius, &mut self.down, &mut self.mean);
        &self.mean
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn contrast(y: &[f32], mean: &[f32], out: &mut [f32]) {
    for ((o, &v), &m) in out.iter_mut().zip(y).zip(mean) {
        *o = UNIT * (v - m) / (m + FLOOR);
    }
}

/// Means over square windows of some rows of cells; `down` is scratch of one row. The same on
/// every processor, to the bit.
#[multiversion(targets("x86_64+avx2"))]
fn means(y: &[f32], rows: usize, radius: usize, down: &mut [f32], mean: &mut [f32]) {
    let columns = down.len();
    // Down the columns: a running sum of whole rows, which vectorises.
    let row = |r: usize| &y[r * columns..(r + 1) * columns];
    let mut line = vec![0.0f32; columns];
    for r in 0..rows.min(radius) {
        for (t, r) in line.iter_mut().zip(row(r)) {
            *t += r;
        }
    }
    // Outside the picture is nothing.
    let nothing = vec![0.0f32; columns];
    for r in 0..rows {
        let come = (r + radius < rows).then(|| row(r + radius));
        let gone = (r > radius).then(|| row(r - radius - 1));
        let (come, gone) = (come.unwrap_or(&nothing), gone.unwrap_or(&nothing));
        let n = (r + radius).min(rows - 1) - r.saturating_sub(radius) + 1;
        let scale = 1.0 / n as f32;
        let sums = line.iter_mut().zip(&mut *down);
        for (((sum, mean), come), gone) in sums.zip(come).zip(gone) {
            *sum = *sum + come - gone;
            *mean = *sum * scale;
        }
        let out = &mut mean[r * columns..(r + 1) * columns];
        match radius {
            1 => along::<3>(down, out),
            2 => along::<5>(down, out),
            3 => along::<7>(down, out),
            _ => along_running(down, out, radius),
        }
    }
}

/// Means over windows of `N` along a row. Small windows are summed anew at each
/// place, which vectorises.
#[inline(always)]
fn along<const N: usize>(row: &[f32], out: &mut [f32]) {
    let radius = N / 2;
    let inner = row.len().saturating_sub(2 * radius);
    if inner == 0 {
        return along_running(row, out, radius);
    }
    for c in (0..radius).chain(radius + inner..row.len()) {
        let window = &row[c.saturating_sub(radius)..(c + radius + 1).min(row.len())];
        out[c] = window.iter().sum::<f32>() / window.len() as f32;
    }
    for (o, window) in out[radius..radius + inner].iter_mut().zip(row.windows(N)) {
        *o = window.iter().sum::<f32>() * (1.0 / N as f32);
    }
}

/// The same over `2 radius + 1`, by a running sum.
fn along_running(row: &[f32], out: &mut [f32], radius: usize) {
    let columns = row.len();
    let mut sum: f32 = row[..radius.min(columns)].iter().sum();
    for c in 0..columns {
        if c + radius < columns {
            sum += row[c + radius];
        }
        if c > radius {
            sum -= row[c - radius - 1];
        }
        let n = (c + radius).min(columns - 1) - c.saturating_sub(radius) + 1;
        out[c] = sum / n as f32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn box_mean_equals_the_plain_sum_at_every_cell() {
        let (columns, rows) = (9, 7);
        let y: Vec<f32> = (0..columns * rows)
            .map(|i| ((i * 37) % 101) as f32)
            .collect();
        let mut filter = Filter::default();
        for radius in 1..=5 {
            let mean = filter.box_mean(&y, columns, rows, radius).to_vec();
            for r in 0..rows {
                for c in 0..columns {
                    let (mut sum, mut n) = (0.0, 0.0);
                    for j in r.saturating_sub(radius)..=(r + radius).min(rows - 1) {
                        for i in c.saturating_sub(radius)..=(c + radius).min(columns - 1) {
                            sum += y[j * columns + i];
                            n += 1.0;
                        }
                    }
                    let want: f32 = sum / n;
                    let got = mean[r * columns + c];
                    assert!(
                        (got - want).abs() < 1e-3,
                        "radius {radius}: {got}, not {want}"
                    );
                }
            }
        }
    }

    #[test]
    fn halving_the_light_leaves_the_relief_of_a_bright_picture() {
        let y: Vec<f32> = (0..400)
            .map(|i| 150.0 + ((i * 31) % 17) as f32 * 4.0)
            .collect();
        let half: Vec<f32> = y.iter().map(|v| v * 0.6).collect();
        let mut filter = Filter::default();
        let (mut a, mut b) = (Vec::new(), Vec::new());
        filter.relief(&y, 20, 20, &mut a);
        filter.relief(&half, 20, 20, &mut b);
        for (x, z) in a.iter().zip(&b) {
            assert!((x - z).abs() <= 0.12 * x.abs() + 0.1, "{x} against {z}");
        }
    }
}
