//! Where a thing meets the ground, to a fraction of a row.

use super::ground_model::Stages;
use super::groups::Run;
use super::panorama::Layout;

/// How far the edge of a contact is looked for, rows, and how much stronger
/// than the ground's texture it must be.
const EDGE_REACH: usize = 4;
const EDGE_LEAST: f32 = 2.0;
/// By how many rows the windows of the evidence hide the foot of a thing.
const BLURRED_ROWS: f32 = 1.5;

/// How many rows a foot may reach down, how many columns of ground are looked
/// at on each side, the widest thing with feet, and parallax evidence
/// that is ground after all.
const FOOT_ROWS: usize = 9;
const BESIDE: usize = 9;
const WIDEST_FOOT_M: f32 = 1.0;
const FOOT_FLAT: f32 = -2.6;
/// Up to about this share of the camera's height a thing moves through the picture
/// like the ground. There another colour tells it apart, from this ratio on.
const LOW: f32 = 0.15;
const FOOT_COLOUR: f32 = 0.3;

/// Follows a thing to its foot: the windows over which evidence is gathered
/// blur its lower end into the ground, and what is low looks flat. A column goes on
/// downward while its luma stands out from the ground to both sides of the group in
/// the same row, and a little way where it has another colour than the ground.
pub(super) fn reach_down(l: &Layout, s: &Stages, group: &mut [Run], texture: f32) {
    let (Some(first), Some(last)) = (group.first().copied(), group.last().copied()) else {
        return;
    };
    let y = &s.panorama.y;
    let width = last.column - first.column + 1;
    let beside = |r: usize| -> Option<f32> {
        let left = (first.column.checked_sub(BESIDE + 4)?, first.column - 4);
        let right = (last.column + 4, last.column + 4 + BESIDE);
        if right.1 >= l.columns {
            return None;
        }
        let mean =
            |(a, b): (usize, usize)| (a..b).map(|c| y[l.at(c, r)]).sum::<f32>() / (b - a) as f32;
        let (a, b) = (mean(left), mean(right));
        // Ground that differs from side to side is no measure.
        ((a - b).abs() < 0.3 * a.max(b) + texture).then_some(0.5 * (a + b))
    };
    let narrow = width as f32 * l.sine_step * first.distance <= WIDEST_FOOT_M;
    for run in group.iter_mut() {
        let mut r = run.bottom;
        let end = (run.bottom + FOOT_ROWS).min(l.rows - 2);
        let low = (l.row(run.distance * (1.0 - LOW)) as usize).min(l.rows - 2);
        while r < end.max(low) {
            let k = l.at(run.column, r + 1);
            let seen_flat = r >= low && s.parallax[k] < FOOT_FLAT;
            let other_colour = r < low && s.appearance[k] > FOOT_COLOUR;
            let stands_out = r < end
                && beside(r + 1).filter(|_| narrow).is_some_and(|ground| {
                    let off = (y[k] - ground).abs();
                    off >= 2.5 * texture && off >= 0.2 * ground
                });
            if seen_flat || !(stands_out || other_colour) {
                break;
            }
            r += 1;
        }
        if r > run.bottom {
            run.bottom = r;
            run.contact = r as f32 + 0.5;
            run.distance = l.distance(run.contact);
        }
    }
}

/// Moves each contact to the luma edge nearby, to a fraction of a row, where
/// there is one that stands out from the ground's texture.
pub(super) fn sharpen(l: &Layout, s: &Stages, group: &mut [Run], texture: f32) {
    let y = &s.panorama.y;
    let step = |c: usize, r: usize| {
        let k = l.at(c, r);
        y[k] - y[k - l.columns]
    };
    let n = group.len();
    let mut found: Vec<Option<f32>> = vec![None; n];
    for i in 0..n {
        let run = group[i];
        let from = run.bottom.saturating_sub(EDGE_REACH).max(2);
        let to = (run.bottom + EDGE_REACH).min(l.rows - 2);
        // Steps are averaged over the neighbours, each at its own contact.
        let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
        let strength = |r: usize| -> f32 {
            let mut sum = 0.0;
            for other in &group[a..=b] {
                let shifted = r as isize + other.bottom as isize - run.bottom as isize;
                let shifted = shifted.clamp(1, l.rows as isize - 2) as usize;
                sum += step(other.column, shifted);
            }
            (sum / (b - a + 1) as f32).abs()
        };
        let mut best = (0.0f32, 0usize);
        for r in from..=to {
            let off = (r as f32 - run.contact) / EDGE_REACH as f32;
            let v = strength(r) * (1.0 - 0.4 * off * off);
            if v > best.0 {
                best = (v, r);
            }
        }
        if best.0 < EDGE_LEAST * texture {
            continue;
        }
        // The edge between rows r-1 and r lies at r - 0.5; a parabola through
        // three steps gives the fraction.
        let r = best.1;
        let (p, q, t) = (strength(r - 1), strength(r), strength(r + 1));
        let bend = p - 2.0 * q + t;
        let shift = if bend < -1e-3 {
            (0.5 * (p - t) / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        };
        found[i] = Some(r as f32 - 0.5 + shift);
    }
    for (run, edge) in group.iter_mut().zip(found) {
        // Without an edge the blurred end of the evidence is all there is, and
        // the true contact lies nearer.
        run.contact = edge.unwrap_or(run.contact + BLURRED_ROWS);
        run.distance = l.distance(run.contact);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On level ground of luma 120, a dark thing in `columns`, from the horizon down
    /// to `foot`.
    fn stages(l: &Layout, columns: std::ops::Range<usize>, foot: usize, colour: f32) -> Stages {
        let thing = |k: usize| columns.contains(&(k % l.columns)) && k / l.columns <= foot;
        let cells = || 0..l.columns * l.rows;
        let mut s = Stages {
            appearance: cells()
                .map(|k| if thing(k) { colour } else { -2.0 })
                .collect(),
            // All of it passes for flat, as the lowest part of a thing does.
            parallax: vec![-4.0; l.columns * l.rows],
            ..Stages::default()
        };
        s.panorama.y = cells()
            .map(|k| if thing(k) { 60.0 } else { 120.0 })
            .collect();
        s
    }

    fn run(l: &Layout, column: usize, bottom: usize) -> Run {
        let contact = bottom as f32 + 0.5;
        Run {
            column,
            top: l.horizon_row,
            bottom,
            contact,
            distance: l.distance(contact),
            sum: 30.0,
            swept: 0.0,
            looks: None,
        }
    }

    #[test]
    fn another_colour_is_followed_down_over_what_is_low_and_no_farther() {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let columns = mid - 8..mid + 8;
        let seen = l.row(2.0) as usize;
        let group = || {
            columns
                .clone()
                .map(|c| run(&l, c, seen))
                .collect::<Vec<_>>()
        };
        // A tenth of the camera's height is low: the thing is found to its foot.
        let foot = l.row(2.0 * 0.9) as usize;
        let mut found = group();
        reach_down(&l, &stages(&l, columns.clone(), foot, 1.5), &mut found, 4.0);
        assert!(found.iter().all(|r| r.bottom == foot), "{:?}", found[0]);
        // The ground's own colour is not followed.
        let mut plain = group();
        let mut same = stages(&l, columns.clone(), foot, -0.5);
        same.panorama.y.fill(120.0);
        reach_down(&l, &same, &mut plain, 4.0);
        assert!(plain.iter().all(|r| r.bottom == seen), "{:?}", plain[0]);
        // What goes on and on, and lies flat, is a shadow or a stain.
        let mut long = group();
        reach_down(
            &l,
            &stages(&l, columns.clone(), l.rows, 1.5),
            &mut long,
            4.0,
        );
        let low = l.row(group()[0].distance * (1.0 - LOW));
        assert!(long.iter().all(|r| r.bottom as f32 <= low), "{:?}", long[0]);
    }

    #[test]
    fn a_contact_moves_to_the_edge_of_luma() {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let foot = l.row(2.0) as usize;
        let mut group: Vec<Run> = (mid - 8..mid + 8).map(|c| run(&l, c, foot - 2)).collect();
        sharpen(
            &l,
            &stages(&l, mid - 8..mid + 8, foot, 1.5),
            &mut group,
            4.0,
        );
        for r in &group {
            assert!((r.contact - (foot as f32 + 0.5)).abs() < 0.6, "{r:?}");
        }
    }
}
