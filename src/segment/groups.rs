//! From fused odds to things that stand.
//!
//! Hysteresis threshold, morphological clean-up and labelling give regions;
//! in each column the lowest run of a region is where it meets the ground.
//! Neighbouring columns that meet the ground at about the same distance form a
//! group, and a group is kept if it stands rather than lies.

use crate::profile::SegmentSettings;

use super::blob::Blob;
use super::ground_model::Stages;
use super::panorama::Layout;

/// Contacts of neighbouring columns further apart than this share of their
/// distance (plus a floor) belong to different things.
const JUMP_SHARE: f32 = 0.10;
const JUMP_FLOOR_M: f32 = 0.12;

/// Marks blob cells: above `enter`, or above `stay` and connected to such.
pub(super) fn mask(
    l: &Layout,
    usable: &[bool],
    odds: &[f32],
    enter: f32,
    stay: f32,
    gap: usize,
    out: &mut Vec<bool>,
) {
    let (columns, rows) = (l.columns, l.rows);
    let cells = columns * rows;
    out.clear();
    out.resize(cells, false);
    let mut stack: Vec<usize> = (0..cells)
        .filter(|&k| usable[k] && odds[k] >= enter)
        .collect();
    for &k in &stack {
        out[k] = true;
    }
    while let Some(k) = stack.pop() {
        let (c, r) = (k % columns, k / columns);
        let mut visit = |n: usize| {
            if !out[n] && usable[n] && odds[n] >= stay {
                out[n] = true;
                stack.push(n);
            }
        };
        if c > 0 {
            visit(k - 1);
        }
        if c + 1 < columns {
            visit(k + 1);
        }
        if r > 0 {
            visit(k - columns);
        }
        if r + 1 < rows {
            visit(k + columns);
        }
    }
    // Specks: a marked cell with fewer than three marked neighbours of eight.
    let before = out.clone();
    for r in 1..rows - 1 {
        for c in 1..columns - 1 {
            let k = r * columns + c;
            if before[k] {
                let n = [
                    k - columns - 1,
                    k - columns,
                    k - columns + 1,
                    k - 1,
                    k + 1,
                    k + columns - 1,
                    k + columns,
                    k + columns + 1,
                ];
                out[k] = n.iter().filter(|&&m| before[m]).count() >= 3;
            }
        }
    }
    // Close short gaps up and down a column.
    for c in 0..columns {
        let mut last: Option<usize> = None;
        for r in 0..rows {
            if out[r * columns + c] {
                if let Some(p) = last {
                    if r - p > 1 && r - p <= gap + 1 {
                        for j in p + 1..r {
                            out[j * columns + c] = usable[j * columns + c];
                        }
                    }
                }
                last = Some(r);
            }
        }
    }
}

/// One column's lowest run.
#[derive(Debug, Clone, Copy)]
struct Run {
    column: usize,
    top: usize,
    bottom: usize,
    /// Contact row with its fraction.
    contact: f32,
    distance: f32,
}

/// Groups the runs and keeps what stands.
pub(super) fn gather(l: &Layout, s: &Stages, settings: &SegmentSettings) -> Vec<Blob> {
    let mut groups: Vec<Vec<Run>> = Vec::new();
    let mut open: Vec<Run> = Vec::new();
    for c in 0..l.columns {
        let run = lowest_run(l, s, c, settings);
        let continues = match (run, open.last()) {
            (Some(run), Some(last)) => {
                (run.distance - last.distance).abs()
                    <= JUMP_FLOOR_M + JUMP_SHARE * run.distance.min(last.distance)
            }
            _ => false,
        };
        if !continues && !open.is_empty() {
            groups.push(std::mem::take(&mut open));
        }
        open.extend(run);
    }
    if !open.is_empty() {
        groups.push(open);
    }
    groups
        .iter()
        .filter_map(|g| {
            let probability = standing(l, s, g);
            (probability >= settings.stay_probability).then(|| blob(l, s, g, probability))
        })
        .collect()
}

/// The lowest run of blob cells in a column that starts in the watch area and
/// is high enough to count.
fn lowest_run(l: &Layout, s: &Stages, c: usize, settings: &SegmentSettings) -> Option<Run> {
    let mut r = l.rows;
    while r > 0 {
        r -= 1;
        if !s.mask[l.at(c, r)] {
            continue;
        }
        let bottom = r;
        while r > 0 && s.mask[l.at(c, r - 1)] {
            r -= 1;
        }
        let top = r;
        if !l.watched[l.at(c, bottom)] {
            continue;
        }
        let contact = contact_row(l, s, c, bottom);
        let distance = l.distance(contact);
        let height = implied_height(l, distance, top);
        if bottom - top + 1 >= 2 && height >= settings.min_height.0 as f32 {
            return Some(Run {
                column: c,
                top,
                bottom,
                contact,
                distance,
            });
        }
    }
    None
}

/// Height that the top of `row` shows if it stands at `distance`, metres.
fn implied_height(l: &Layout, distance: f32, row: usize) -> f32 {
    let d = l.depression0 + (row as f32 - 0.5) * l.depression_step;
    l.height - distance * d.tan()
}

/// The contact to a fraction of a row: where the odds cross even between the
/// lowest blob cell and the ground below it.
fn contact_row(l: &Layout, s: &Stages, c: usize, bottom: usize) -> f32 {
    if bottom + 1 >= l.rows {
        return bottom as f32 + 0.5;
    }
    let (a, b) = (s.odds[l.at(c, bottom)], s.odds[l.at(c, bottom + 1)]);
    if a > 0.0 && b < 0.0 {
        bottom as f32 + (a / (a - b)).clamp(0.0, 1.0)
    } else {
        bottom as f32 + 0.5
    }
}

/// Probability that a group stands: by parallax, by upright sides, by reaching
/// past the horizon, by having moved, and by colour.
fn standing(l: &Layout, s: &Stages, group: &[Run]) -> f64 {
    let (mut parallax, mut change, mut colour) = (0.0f32, 0.0f32, 0.0f32);
    let (mut cells, mut crossing, mut upright) = (0.0f32, 0.0f32, 0.0f32);
    for run in group {
        let mut side = 0.0f32;
        for r in run.top..=run.bottom {
            let k = l.at(run.column, r);
            side += s.upright[k];
            if r < l.horizon_row {
                continue;
            }
            cells += 1.0;
            parallax += s.parallax[k];
            change += s.change[k];
            colour += s.appearance[k].clamp(-1.0, 2.5);
        }
        upright = upright.max(side / (run.bottom - run.top + 1) as f32);
        if run.top <= l.horizon_row + 1 {
            crossing += 1.0;
        }
    }
    let n = cells.max(1.0);
    let sure = (n / 12.0).min(1.0);
    let logit = -2.0
        + 1.3 * (parallax / n).clamp(-3.0, 3.0) * sure
        + 1.5 * (change / n).max(0.0) * sure
        + 0.6 * (colour / n) * sure
        + 1.2 * upright.min(1.6)
        + 1.6 * crossing / group.len() as f32;
    1.0 / (1.0 + (-f64::from(logit)).exp())
}

fn blob(l: &Layout, s: &Stages, group: &[Run], probability: f64) -> Blob {
    let (mut foot, mut below, mut n) = (0.0f32, 0.0f32, 0.0f32);
    for run in group {
        for d in 1..=3usize {
            if run.bottom >= d && run.bottom + d < l.rows {
                foot += s.panorama.y[l.at(run.column, run.bottom - d)];
                below += s.panorama.y[l.at(run.column, run.bottom + d)];
                n += 1.0;
            }
        }
    }
    Blob {
        contact: group.iter().map(|r| l.pixel(r.column, r.contact)).collect(),
        top: group
            .iter()
            .map(|r| l.pixel(r.column, r.top as f32 - 0.5))
            .collect(),
        probability,
        dark_foot: n > 0.0 && foot < 0.5 * below,
    }
}
