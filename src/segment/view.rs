//! What a group of columns looks like: a piece of the panorama around it, at the scale
//! of its distance, so that the same thing looks the same near and far.

use super::ground_model::Stages;
use super::groups::Run;
use super::panorama::Layout;

/// Rows, columns and planes of a view.
pub(super) const ROWS: usize = 24;
pub(super) const COLUMNS: usize = 16;
pub(super) const PLANES: usize = 8;
/// Values of a view; planes of a cell lie side by side, then columns, then rows.
pub const VIEW: usize = ROWS * COLUMNS * PLANES;

/// What a view spans at the distance of the group: across, and up from the ground.
const WIDE_M: f32 = 1.2;
const HIGH_M: f32 = 1.2;
/// Rows of it that lie before the foot.
const BEFORE: usize = 8;
/// Each cell of a view is the mean of so many by so many places.
const PLACES: usize = 2;
/// Luma that is noise, and what makes a plane's values about one.
const NOISE_LUMA: f32 = 8.0;
const CHROMA_FLOOR: f32 = 24.0;
const LUMA: f32 = 1.0 / 1.5;
const CHROMA: f32 = 1.0 / 0.2;
const COLOUR: f32 = 1.0 / 2.5;
const HEIGHT: f32 = 1.0 / 4.0;
const CHANGE: f32 = 1.0 / 4.0;
const UPRIGHT: f32 = 1.0 / 2.0;
const FEET: f32 = 1.0 / 10.0;

/// Cuts the view of a group: luma and the two colour differences against the ground
/// before it, appearance, height by windows, change, upright edges, feet; each within
/// -1..1, and 0 where nothing is seen.
pub(super) fn cut(
    l: &Layout,
    s: &Stages,
    windows: &[f32],
    usable: &[bool],
    group: &[Run],
) -> [f32; VIEW] {
    let mut view = [0.0; VIEW];
    let Some(middle) = group.get(group.len() / 2) else {
        return view;
    };
    let foot = middle.contact;
    let distance = l.distance(foot).max(0.05);
    let across = WIDE_M / (distance * l.sine_step) / COLUMNS as f32;
    let up = (foot - l.row_over(distance, HIGH_M)).max(1.0) / (ROWS - BEFORE) as f32;
    let left = middle.column as f32 + 0.5 - across * COLUMNS as f32 * 0.5;
    let top = foot - up * (ROWS - BEFORE) as f32;
    let place = |row: usize, column: usize, i: usize| {
        let (dy, dx) = (i / PLACES, i % PLACES);
        let at = |n: usize, d: usize| n as f32 + (d as f32 + 0.5) / PLACES as f32;
        let r = top + up * at(row, dy) + 0.5;
        let c = left + across * at(column, dx);
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
            if let Some(k) = place(row, column, 0) {
                y += s.panorama.y[k];
                cb += s.panorama.cb[k];
                cr += s.panorama.cr[k];
                n += 1.0;
            }
        }
    }
    // If nothing of it is seen, its own foot.
    let own = l.at(middle.column, middle.bottom.min(l.rows - 1));
    let ground = if n > 0.0 {
        (y / n, cb / n, cr / n)
    } else {
        (s.panorama.y[own], s.panorama.cb[own], s.panorama.cr[own])
    };
    let hue = |difference: f32, luma: f32| (difference - 128.0) / (luma + CHROMA_FLOOR);
    let ground_hue = (hue(ground.1, ground.0), hue(ground.2, ground.0));
    for (cell, out) in view.chunks_exact_mut(PLANES).enumerate() {
        let (row, column) = (cell / COLUMNS, cell % COLUMNS);
        let mut seen = 0.0f32;
        for i in 0..PLACES * PLACES {
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
    view
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On ground of luma 120 a dark thing 0.3 m wide and 0.6 m high at `distance`.
    fn view_at(distance: f32) -> [f32; VIEW] {
        let l = Layout::of_hatch();
        let cells = l.columns * l.rows;
        let (top, foot) = (l.row_over(distance, 0.6) as usize, l.row(distance) as usize);
        let across = |c: usize| distance * l.column_direction[c].1;
        let thing = |k: usize| {
            let (c, r) = (k % l.columns, k / l.columns);
            across(c).abs() < 0.15 && (top..=foot).contains(&r)
        };
        let mut s = Stages {
            appearance: vec![0.0; cells],
            change: vec![0.0; cells],
            stir: vec![0.0; cells],
            upright: vec![0.0; cells],
            ..Stages::default()
        };
        let luma = |k: usize| if thing(k) { 40.0 } else { 120.0 };
        s.panorama.y = (0..cells).map(luma).collect();
        s.panorama.cb = vec![128.0; cells];
        s.panorama.cr = vec![128.0; cells];
        let run = |column: usize| Run {
            column,
            top,
            bottom: foot,
            contact: foot as f32 + 0.5,
            distance,
            sum: 20.0,
            swept: 0.0,
            looks: None,
        };
        let columns = (0..l.columns).filter(|&c| across(c).abs() < 0.15);
        let group: Vec<Run> = columns.map(run).collect();
        cut(&l, &s, &vec![0.0; cells], &vec![true; cells], &group)
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
            let found = dark(&view_at(distance));
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
}
