//! What a group of columns looks like: a piece of the panorama around it, at the scale
//! of its distance, so that the same thing looks the same near and far.

use super::ground_model::Stages;
use super::panorama::Layout;

/// Rows, columns and planes of a view.
pub(super) const ROWS: usize = 24;
pub(super) const COLUMNS: usize = 16;
pub(super) const PLANES: usize = 8;
/// Values of a view; planes of a cell lie side by side, then columns, then rows.
pub(super) const VIEW: usize = ROWS * COLUMNS * PLANES;
/// A view to train on has rows half as high, and so many more of them and columns at either end:
/// it can be cut as if the group began a little elsewhere.
const MORE: Grid = Grid {
    parts: 2,
    margin: (8, 3),
};
/// Values of a view to train on.
pub const VIEW_TO_TRAIN_ON: usize = MORE.values();

/// What a view spans at the distance of the group: across, and up from the ground.
const WIDE_M: f32 = 1.2;
const HIGH_M: f32 = 1.2;
/// Rows of it that lie before the foot.
const BEFORE: usize = 8;
/// Nothing is looked at as if it stood nearer.
const NEAREST_M: f32 = 0.05;
/// Each cell of a view is the mean of so many by so many places.
const PLACES: usize = 2;
/// Luma that is noise, and what makes a plane's values about one.
pub(super) const NOISE_LUMA: f32 = 8.0;
const CHROMA_FLOOR: f32 = 24.0;
pub(super) const LUMA: f32 = 1.0 / 1.5;
pub(super) const CHROMA: f32 = 1.0 / 0.2;
pub(super) const COLOUR: f32 = 1.0 / 2.5;
pub(super) const HEIGHT: f32 = 1.0 / 4.0;
pub(super) const CHANGE: f32 = 1.0 / 4.0;
pub(super) const UPRIGHT: f32 = 1.0 / 2.0;
pub(super) const FEET: f32 = 1.0 / 10.0;

/// How finely a view is cut, and how far it reaches.
#[derive(Debug, Clone, Copy)]
struct Grid {
    /// Rows that stand for one of a view.
    parts: usize,
    /// More rows and columns at either end.
    margin: (usize, usize),
}

impl Grid {
    const PLAIN: Grid = Grid {
        parts: 1,
        margin: (0, 0),
    };

    const fn columns(self) -> usize {
        COLUMNS + 2 * self.margin.1
    }

    const fn values(self) -> usize {
        (ROWS * self.parts + 2 * self.margin.0) * self.columns() * PLANES
    }
}

/// A colour difference as a share of the luma.
pub(super) fn hue(difference: f32, luma: f32) -> f32 {
    (difference - 128.0) / (luma + CHROMA_FLOOR)
}

/// Cuts the view of a group: luma and the two colour differences against the ground
/// before it, appearance, height by windows, change, upright edges, feet; each within
/// -1..1, and 0 where nothing is seen.
pub(super) fn cut(
    l: &Layout,
    s: &Stages,
    windows: &[f32],
    usable: &[bool],
    foot: (usize, f32),
) -> [f32; VIEW] {
    let mut view = [0.0; VIEW];
    fill(l, s, windows, usable, foot, Grid::PLAIN, &mut view);
    view
}

/// The same to train on.
pub(super) fn cut_to_train_on(
    l: &Layout,
    s: &Stages,
    windows: &[f32],
    usable: &[bool],
    foot: (usize, f32),
) -> Vec<f32> {
    let mut view = vec![0.0; VIEW_TO_TRAIN_ON];
    fill(l, s, windows, usable, foot, MORE, &mut view);
    view
}

/// Rows of the panorama that one of a view spans, if what it shows stands on row `foot`.
fn rows_each(l: &Layout, foot: f32) -> f32 {
    let distance = l.distance(foot).max(NEAREST_M);
    (foot - l.row_over(distance, HIGH_M)).max(1.0) / (ROWS - BEFORE) as f32
}

/// The row of a foot that is `shift`, the logarithm of a distance, off row `foot`; no farther
/// from it than what the net was trained on.
pub(super) fn shifted(l: &Layout, foot: f32, shift: f32) -> f32 {
    let reach = rows_each(l, foot) * (MORE.margin.0 / MORE.parts) as f32;
    let row = l.row(l.distance(foot).max(NEAREST_M) * shift.exp());
    row.max(foot - reach)
        .min(foot + reach)
        .min((l.rows - 1) as f32)
}

fn fill(
    l: &Layout,
    s: &Stages,
    windows: &[f32],
    usable: &[bool],
    (column, foot): (usize, f32),
    grid: Grid,
    view: &mut [f32],
) {
    let distance = l.distance(foot).max(NEAREST_M);
    let high = ((ROWS - BEFORE) * grid.parts) as f32;
    let across = WIDE_M / (distance * l.sine_step) / COLUMNS as f32;
    let up = rows_each(l, foot) / grid.parts as f32;
    let left = column as f32 + 0.5 - across * grid.columns() as f32 * 0.5;
    let top = foot - up * (high + grid.margin.0 as f32);
    // Both grids look at the same places.
    let places = PLACES / grid.parts;
    let place = |row: usize, column: usize, i: usize| {
        let (dy, dx) = (i / PLACES, i % PLACES);
        let at = |n: usize, d: usize, of: usize| n as f32 + (d as f32 + 0.5) / of as f32;
        let r = top + up * at(row, dy, places) + 0.5;
        let c = left + across * at(column, dx, PLACES);
        if r < 0.0 || c < 0.0 || r as usize >= l.rows || c as usize >= l.columns {
            return None;
        }
        let k = l.at(c as usize, r as usize);
        usable[k].then_some(k)
    };
    // The ground before it: mean luma and colour.
    let (mut y, mut cb, mut cr, mut n) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    for row in ROWS - BEFORE..ROWS {
        for column in 0..COLUMNS {
            let (row, column) = (row * grid.parts + grid.margin.0, column + grid.margin.1);
            if let Some(k) = place(row, column, 0) {
                y += s.panorama.y[k];
                cb += s.panorama.cb[k];
                cr += s.panorama.cr[k];
                n += 1.0;
            }
        }
    }
    // If nothing of it is seen, its own foot.
    let own = l.at(column, (foot as usize).min(l.rows - 1));
    let ground = if n > 0.0 {
        (y / n, cb / n, cr / n)
    } else {
        (s.panorama.y[own], s.panorama.cb[own], s.panorama.cr[own])
    };
    let ground_hue = (hue(ground.1, ground.0), hue(ground.2, ground.0));
    for (cell, out) in view.chunks_exact_mut(PLANES).enumerate() {
        let (row, column) = (cell / grid.columns(), cell % grid.columns());
        let mut seen = 0.0f32;
        for i in 0..places * PLACES {
            let Some(k) = place(row, column, i) else {
                continue;
            };
            seen += 1.0;
            let luma = s.panorama.y[k];
            out[0] += luma;
            out[1] += hue(s.panorama.cb[k], luma) - ground_hue.0;
            out[2] += hue(s.panorama.cr[k], luma) - ground_hue.1;
            out[3] += s.appearance[k];
            out[4] += windows[k];
            out[5] += s.change[k] + s.stir[k];
            out[6] += s.upright[k];
            out[7] += s.standing.get(k).copied().unwrap_or(0.0);
        }
        if seen == 0.0 {
            continue;
        }
        let share = 1.0 / seen;
        out[0] = ((out[0] * share + NOISE_LUMA) / (ground.0 + NOISE_LUMA)).ln() / share;
        for (value, scale) in out
            .iter_mut()
            .zip([LUMA, CHROMA, CHROMA, COLOUR, HEIGHT, CHANGE, UPRIGHT, FEET])
        {
            *value = (*value * share * scale).clamp(-1.0, 1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On ground of luma 120 a dark thing 0.3 m wide and 0.6 m high at `distance`, as the net
    /// sees it and as it is to be trained on.
    fn views_at(distance: f32) -> ([f32; VIEW], Vec<f32>) {
        let l = Layout::of_hatch();
        let cells = l.columns * l.rows;
        let (top, foot) = (l.row_over(distance, 0.6) as usize, l.row(distance) as usize);
        let across = |c: usize| distance * l.column_direction[c].1;
        let thing = |k: usize| {
            let (c, r) = (k % l.columns, k / l.columns);
            across(c).abs() < 0.15 && (top..=foot).contains(&r)
        };
        let mut s = Stages {
            // Of no two neighbours alike, and nowhere nothing.
            appearance: (0..cells)
                .map(|k| 0.1 + (k * 7919 % 100) as f32 / 100.0)
                .collect(),
            change: vec![0.0; cells],
            stir: vec![0.0; cells],
            upright: vec![0.0; cells],
            ..Stages::default()
        };
        let luma = |k: usize| if thing(k) { 40.0 } else { 120.0 };
        s.panorama.y = (0..cells).map(luma).collect();
        s.panorama.cb = vec![128.0; cells];
        s.panorama.cr = vec![128.0; cells];
        let contact = (l.columns / 2, foot as f32 + 0.5);
        let (windows, usable) = (vec![0.0; cells], vec![true; cells]);
        (
            cut(&l, &s, &windows, &usable, contact),
            cut_to_train_on(&l, &s, &windows, &usable, contact),
        )
    }

    /// Two rows of what is to be trained on are one of a view, within its margin.
    #[test]
    fn what_is_trained_on_is_what_is_looked_at() {
        for distance in [1.2, 2.0, 3.5] {
            let (view, to_train_on) = views_at(distance);
            assert_eq!(to_train_on.len(), VIEW_TO_TRAIN_ON);
            for (i, value) in view.iter().enumerate() {
                let (row, column, plane) = (i / PLANES / COLUMNS, i / PLANES % COLUMNS, i % PLANES);
                let half = |part: usize| {
                    let row = row * MORE.parts + MORE.margin.0 + part;
                    let column = column + MORE.margin.1;
                    to_train_on[(row * MORE.columns() + column) * PLANES + plane]
                };
                let appearance = plane == 3;
                if appearance && half(0).min(half(1)) == 0.0 {
                    // Half of it is out of the picture.
                    continue;
                }
                // The logarithm of a mean is not the mean of logarithms.
                let alike = appearance || half(0) == half(1);
                let tolerance = if alike { 1e-3 } else { 0.1 };
                let mean = (half(0) + half(1)) / 2.0;
                assert!(
                    (mean - value).abs() < tolerance,
                    "{distance} m, {i}: {mean}, {value}"
                );
            }
        }
    }

    #[test]
    fn the_same_thing_looks_the_same_near_and_far() {
        let dark = |view: &[f32; VIEW]| {
            let cells = view.chunks_exact(PLANES).enumerate();
            let dark = cells.filter(|(_, cell)| cell[0] < -0.3);
            dark.map(|(i, _)| (i / COLUMNS, i % COLUMNS))
                .collect::<Vec<_>>()
        };
        // 0.3 of 1.2 m across, and half of what lies above the foot.
        let expected = COLUMNS / 4 * (ROWS - BEFORE) / 2;
        for distance in [1.2, 2.0, 3.5] {
            let found = dark(&views_at(distance).0);
            let share = found.len() as f32 / expected as f32;
            assert!(
                (0.7..1.4).contains(&share),
                "{distance} m: {} cells",
                found.len()
            );
            let foot = found.iter().map(|c| c.0).max().unwrap();
            assert!(
                foot.abs_diff(ROWS - BEFORE) <= 1,
                "{distance} m: foot in row {foot}"
            );
        }
    }

    #[test]
    fn a_foot_is_shifted_by_its_distance_within_what_was_trained_on() {
        let l = Layout::of_hatch();
        let foot = l.row(2.0);
        for shift in [-0.2f32, 0.0, 0.1] {
            let distance = l.distance(shifted(&l, foot, shift));
            assert!(
                (distance - 2.0 * shift.exp()).abs() < 0.02,
                "{shift}: {distance} m"
            );
        }
        // 4 of the 16 rows that 1.2 m have from the foot up.
        let reach = (foot - l.row_over(2.0, HIGH_M)) / 4.0;
        for (shift, expected) in [(-5.0, foot + reach), (5.0, foot - reach)] {
            let row = shifted(&l, foot, shift);
            assert!(
                (row - expected).abs() < 0.1,
                "{shift}: row {row}, not {expected}"
            );
        }
        assert!(shifted(&l, foot, f32::NAN).is_finite());
    }
}
