//! Bodies: wide things whose middle is blank and whose lower edge hangs over the
//! ground, such as vehicles.

use super::ground_model::Stages;
use super::groups::{implied_height, Run};
use super::panorama::Layout;

/// A body: its widest gap, how far apart its sides may be, which groups count
/// as farther, and evidence of ground that is not and that is seen.
const WIDEST_BODY_M: f32 = 2.3;
const JOIN_SHARE: f32 = 0.25;
const JOIN_FLOOR_M: f32 = 0.2;
const JOIN_FAR: f32 = 1.25;
const OUTSIDE: usize = 8;
const UNSEEN_GROUND: f32 = -0.5;
const SEEN_GROUND: f32 = -0.8;
/// A vehicle is at least this wide and high, as far as it is seen; the ground
/// under it is darker than this share of the ground before it.
const VEHICLE_WIDTH_M: f32 = 1.1;
const VEHICLE_HEIGHT_M: f32 = 0.5;
const DARK_BAND: f32 = 0.62;
/// No vehicle is wider (2.55 m is what Council Directive 96/53/EC, annex I, allows), even
/// with a part of its flank: what goes on for longer is a wall or a fence, and the dark
/// before it its shadow. It goes on where the next begins within a gap of metres, and a
/// share of the distance: less than what is left between two vehicles to get out.
const WIDEST_VEHICLE_M: f32 = 2.9;
const GOES_ON: (f32, f32) = (0.2, 0.08);
/// Height of a bumper's lower edge (common practice, no published source), and
/// where the bumper stands before the near edge of the dark ground.
const BUMPER_M: f32 = 0.35;
const BAND_SHARE: f32 = 0.85;
const EDGE_HEIGHT_M: f32 = 0.5;
/// The dark ground ends within so many rows: it is darker there than this share of what
/// lies before it.
const BAND_ROWS: usize = 4;
const BAND_STEP: f32 = 0.65;

/// Joins the two sides of a body whose middle is blank: both stand as high and
/// about as far off, nothing nearer stands between them, and there the ground
/// cannot be seen, although it can to either side.
pub(super) fn join_bodies(
    l: &Layout,
    s: &Stages,
    groups: Vec<(Vec<Run>, f64)>,
) -> Vec<(Vec<Run>, f64)> {
    let mut out: Vec<(Vec<Run>, f64)> = Vec::new();
    for (group, probability) in groups {
        let near = nearest(&group);
        // What stands farther off between the two is the body's own middle.
        let partner = out
            .iter()
            .rposition(|(other, _)| nearest(other) < JOIN_FAR * near)
            .filter(|&i| belongs(l, s, &out[i].0, &group));
        let Some(i) = partner else {
            out.push((group, probability));
            continue;
        };
        out.truncate(i + 1);
        let (body, believed) = &mut out[i];
        *believed = believed.max(probability);
        let (a, b) = (body[body.len() - 1], group[0]);
        let gap = (b.column - a.column) as f32;
        for column in a.column + 1..b.column {
            let f = (column - a.column) as f32 / gap;
            let mix = |p: f32, q: f32| p + f * (q - p);
            let contact = mix(a.contact, b.contact);
            body.push(Run {
                column,
                top: a.top.max(b.top),
                bottom: contact as usize,
                contact,
                distance: l.distance(contact),
                sum: a.sum.min(b.sum),
                swept: 0.0,
                looks: None,
            });
        }
        body.extend(group);
    }
    out
}

fn nearest(group: &[Run]) -> f32 {
    group.iter().fold(f32::MAX, |m, r| m.min(r.distance))
}

/// Whether two groups, `left` before `right`, are the sides of one body.
fn belongs(l: &Layout, s: &Stages, left: &[Run], right: &[Run]) -> bool {
    let (a, b) = (left[left.len() - 1], right[0]);
    // Groups found behind one another may interlock.
    if b.column <= a.column {
        return false;
    }
    let (p, q) = (l.place(a.column, a.contact), l.place(b.column, b.contact));
    let width = (p.0 - q.0).hypot(p.1 - q.1);
    let tall = |g: &[Run]| {
        g.iter()
            .any(|r| implied_height(l, r.distance, r.top) > VEHICLE_HEIGHT_M)
    };
    let apart = (a.distance - b.distance).abs();
    if width > WIDEST_BODY_M
        || apart > JOIN_FLOOR_M + JOIN_SHARE * a.distance.min(b.distance)
        || !tall(left)
        || !tall(right)
    {
        return false;
    }
    let rows = l.horizon_row + 1..a.bottom.min(b.bottom).saturating_sub(1);
    let mean = |columns: std::ops::Range<usize>| {
        let (mut sum, mut n) = (0.0f32, 0.0f32);
        for r in rows.clone() {
            for c in columns.clone() {
                sum += s.parallax[l.at(c, r)];
                n += 1.0;
            }
        }
        sum / n.max(1.0)
    };
    let between = a.column + 1..b.column;
    if between.is_empty() || rows.is_empty() {
        return true;
    }
    let reach = between.len().max(OUTSIDE);
    let first = left[0].column;
    let last = right[right.len() - 1].column;
    let outside = mean(first.saturating_sub(reach)..first)
        .min(mean(last + 1..(last + 1 + reach).min(l.columns)));
    mean(between) > UNSEEN_GROUND && outside < SEEN_GROUND
}

/// A body has no hollows toward the viewer as far as a driver is concerned:
/// each contact lies no farther than the straight line between contacts to both
/// sides of it. Single columns that stick out are evened out first.
pub(super) fn fill_hollows(l: &Layout, group: &mut [Run]) {
    let n = group.len();
    if n < 5 {
        return;
    }
    let smooth: Vec<f32> = (0..n)
        .map(|i| {
            let mut around: Vec<f32> = group[i.saturating_sub(2)..(i + 3).min(n)]
                .iter()
                .map(|r| r.contact)
                .collect();
            let mid = around.len() / 2;
            *around.select_nth_unstable_by(mid, f32::total_cmp).1
        })
        .collect();
    let at: Vec<(f32, f32)> = group
        .iter()
        .zip(&smooth)
        .map(|(run, &contact)| l.place(run.column, contact))
        .collect();
    // The hull that bulges toward the vehicle, over the side.
    let mut hull: Vec<usize> = Vec::new();
    for i in 0..n {
        while let [.., p, q] = hull[..] {
            let turn = (at[q].1 - at[p].1) * (at[i].0 - at[p].0)
                - (at[q].0 - at[p].0) * (at[i].1 - at[p].1);
            // Columns run to rising side: a left turn keeps the near hull.
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(i);
    }
    for pair in hull.windows(2) {
        let [p, q] = [pair[0], pair[1]];
        for run in &mut group[p..=q] {
            // Where the column's ray meets the line from p to q.
            let (dx, dy) = (at[q].0 - at[p].0, at[q].1 - at[p].1);
            let (x, y) = l.place(run.column, run.contact);
            let cross = x * dy - y * dx;
            if cross.abs() < 1e-4 {
                continue;
            }
            let t = (at[p].0 * dy - at[p].1 * dx) / cross;
            let distance = run.distance * t;
            if t > 0.3 && distance < run.distance {
                run.distance = distance;
                run.contact = l.row(distance);
            }
        }
    }
}

/// How wide each of the groups is together with those it goes on in, metres; they are in
/// the order of their columns.
pub(super) fn widths_with_neighbours(l: &Layout, groups: &[(Vec<Run>, f64)]) -> Vec<f32> {
    let place = |run: &Run| l.place(run.column, run.contact);
    let apart = |a: (f32, f32), b: (f32, f32)| (a.0 - b.0).hypot(a.1 - b.1);
    let ends: Vec<_> = groups
        .iter()
        .filter_map(|(g, _)| Some((place(g.first()?), place(g.last()?))))
        .collect();
    let goes_on = |(a, b): (usize, usize)| {
        let (a, b) = (ends[a].1, ends[b].0);
        apart(a, b) < GOES_ON.0 + GOES_ON.1 * a.0.min(b.0)
    };
    let mut widths = vec![0.0; ends.len()];
    let mut first = 0;
    for last in 0..ends.len() {
        if last + 1 < ends.len() && goes_on((last, last + 1)) {
            continue;
        }
        widths[first..=last].fill(apart(ends[first].0, ends[last].1));
        first = last + 1;
    }
    widths
}

/// A vehicle overhangs: what is seen first is the lower edge of its bumper, too
/// far off by its height over the ground (distance × (1 − bumper / camera)), and
/// below that the dark ground under it, whose near edge lies between tyres and
/// bumper. If a group is as wide and high as a vehicle, is no wider than one with those
/// that it goes on in (`whole_m`), and such a band begins right under it, its contacts
/// move to the nearer of what the two say that is not nearer than both.
pub(super) fn under_vehicle(
    l: &Layout,
    s: &Stages,
    group: &mut [Run],
    whole_m: f32,
    overhang_m: f32,
) {
    let (Some(first), Some(last)) = (group.first(), group.last()) else {
        return;
    };
    let ends = [
        l.place(first.column, first.contact),
        l.place(last.column, last.contact),
    ];
    let width = (ends[0].0 - ends[1].0).hypot(ends[0].1 - ends[1].1);
    let mut heights: Vec<f32> = group
        .iter()
        .map(|run| implied_height(l, run.distance, run.top))
        .collect();
    let mid = heights.len() / 2;
    let height = *heights.select_nth_unstable_by(mid, f32::total_cmp).1;
    if width < VEHICLE_WIDTH_M || height < VEHICLE_HEIGHT_M || whole_m > WIDEST_VEHICLE_M {
        return;
    }
    let y = &s.panorama.y;
    let row_at = |distance: f32| l.row(distance.max(0.05)) as usize;
    let mut banded: Vec<(usize, f32)> = Vec::new();
    for (i, run) in group.iter().enumerate() {
        // A bumper's edge at half a metre reads too far by up to as much.
        let least = (run.distance - overhang_m - 0.5 * run.distance).max(0.2);
        let end = row_at(least).min(l.rows - 1);
        let start = (run.contact + 1.5) as usize;
        if start + 3 >= end {
            continue;
        }
        let mut lit: Vec<f32> = (start..=end).map(|r| y[l.at(run.column, r)]).collect();
        let q = lit.len() * 3 / 4;
        let bright = *lit.select_nth_unstable_by(q, f32::total_cmp).1;
        let dark = |r: usize| y[l.at(run.column, r)] < DARK_BAND * bright;
        if dark(start) || dark(start + 1) {
            let mut r = start + 1;
            while r < end && (dark(r) || dark(r + 1)) {
                r += 1;
            }
            // Lamplight grows toward the vehicle too, but without an edge.
            let mean = |from: usize, to: usize| {
                (from..to).map(|r| y[l.at(run.column, r)]).sum::<f32>() / (to - from) as f32
            };
            let step = BAND_ROWS.min(r - start);
            if r + BAND_ROWS < l.rows
                && r < end
                && mean(r - step, r) < BAND_STEP * mean(r + 1, r + 1 + BAND_ROWS)
            {
                banded.push((i, r as f32 - 0.5));
            }
        }
    }
    if banded.len() * 2 < group.len() {
        return;
    }
    for (i, band) in banded {
        let run = &mut group[i];
        let edge = lower_edge(l, y, run);
        let lift = BUMPER_M / l.height.max(2.0 * BUMPER_M);
        // A higher edge than a bumper's, a trailer's, reads too far: what is
        // seen below it overhangs half as much at least.
        let bumper = (l.distance(edge) * (1.0 - lift)).min(run.distance * (1.0 - 0.5 * lift));
        run.distance = bumper.max(BAND_SHARE * l.distance(band)).min(run.distance);
        run.contact = l.row(run.distance);
    }
}

/// Row of a body's lower edge: the steepest step from light to dark around the
/// contact and up to half a metre above it. The contact itself may already lie
/// in the dark underneath.
fn lower_edge(l: &Layout, y: &[f32], run: &Run) -> f32 {
    let top = l.row_over(run.distance, EDGE_HEIGHT_M.min(0.8 * l.height));
    let from = (top.max(l.horizon_row as f32) as usize).max(2);
    let to = (run.contact as usize + 2).min(l.rows - 2);
    let mut best = (0.0f32, run.contact);
    for r in from..=to {
        let at = |r: usize| y[l.at(run.column, r)];
        let drop = at(r - 2) + at(r - 1) - at(r) - at(r + 1);
        if drop > best.0 {
            best = (drop, r as f32 - 0.5);
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Columns of a thing that reaches past the horizon and stands at `distance`.
    fn group(l: &Layout, columns: std::ops::Range<usize>, distance: f32) -> Vec<Run> {
        let contact = l.row(distance);
        columns
            .map(|column| Run {
                column,
                top: l.horizon_row.saturating_sub(4),
                bottom: contact as usize,
                contact,
                distance,
                sum: 30.0,
                swept: 0.0,
                looks: None,
            })
            .collect()
    }

    /// Ground is seen everywhere but in `hidden` columns.
    fn stages(l: &Layout, hidden: std::ops::Range<usize>) -> Stages {
        let cell = |k: usize| {
            if hidden.contains(&(k % l.columns)) {
                0.0
            } else {
                -2.0
            }
        };
        Stages {
            parallax: (0..l.columns * l.rows).map(cell).collect(),
            ..Stages::default()
        }
    }

    #[test]
    fn two_sides_join_over_hidden_ground_and_stay_apart_over_seen_ground() {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let sides = || {
            vec![
                (group(&l, mid - 20..mid - 14, 2.0), 0.7),
                (group(&l, mid + 14..mid + 20, 2.1), 0.8),
            ]
        };
        let joined = join_bodies(&l, &stages(&l, mid - 20..mid + 20), sides());
        assert_eq!(joined.len(), 1);
        let columns: Vec<usize> = joined[0].0.iter().map(|r| r.column).collect();
        assert_eq!(columns, (mid - 20..mid + 20).collect::<Vec<_>>());
        assert_eq!(joined[0].1, 0.8);
        let apart = join_bodies(&l, &stages(&l, 0..0), sides());
        assert_eq!(apart.len(), 2);
    }

    #[test]
    fn groups_that_interlock_are_left_as_they_are() {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let around = group(&l, mid - 10..mid + 10, 2.0);
        let within = group(&l, mid..mid + 2, 2.1);
        let s = stages(&l, mid - 10..mid + 10);
        let left = join_bodies(&l, &s, vec![(around, 0.7), (within, 0.7)]);
        assert_eq!(left.len(), 2);
    }

    #[test]
    fn a_hollow_is_filled_up_to_the_straight_line_between_its_ends() {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let mut wall = group(&l, mid - 15..mid + 15, 2.0);
        for run in &mut wall[6..24] {
            run.contact = l.row(3.0);
            run.distance = 3.0;
        }
        fill_hollows(&l, &mut wall);
        for run in &wall {
            assert!(
                run.distance < 2.1,
                "column {} at {}",
                run.column,
                run.distance
            );
            assert!((l.row(run.distance) - run.contact).abs() < 1e-3);
        }
        // What stands out toward the vehicle stays (less its own chord).
        let mut nose = group(&l, mid - 15..mid + 15, 2.0);
        for run in &mut nose[10..20] {
            run.contact = l.row(1.5);
            run.distance = 1.5;
        }
        fill_hollows(&l, &mut nose);
        assert!((nose[15].distance - 1.5).abs() < 0.02);
        assert!(nose[2].distance <= 2.0);
    }

    /// A thing as wide as a car at 2 m, and the ground before it, whose luma is `ground`
    /// of the row.
    fn nearest_under_vehicle(whole_m: f32, ground: impl Fn(&Layout, usize) -> f32) -> f32 {
        let l = Layout::of_hatch();
        let mid = l.columns / 2;
        let mut group = group(&l, mid - 40..mid + 40, 2.0);
        let foot = group[0].bottom;
        let mut s = stages(&l, 0..0);
        s.panorama.y = (0..l.columns * l.rows)
            .map(|k| match k / l.columns {
                r if r <= foot => 150.0,
                r => ground(&l, r),
            })
            .collect();
        under_vehicle(&l, &s, &mut group, whole_m, 1.0);
        group
            .iter()
            .map(|run| run.distance)
            .fold(f32::MAX, f32::min)
    }

    /// Two pieces of one fence, and a car that stands beside it as far off.
    #[test]
    fn a_fence_is_as_wide_as_its_pieces_together() {
        let l = Layout::of_hatch();
        let column = |side: f32| {
            let of = |c: &usize| (l.place(*c, l.row(3.0)).1 - side).abs();
            (0..l.columns)
                .min_by(|a, b| of(a).total_cmp(&of(b)))
                .unwrap()
        };
        let piece = |a: f32, b: f32| (group(&l, column(a)..column(b) + 1, 3.0), 0.9);
        let widths =
            widths_with_neighbours(&l, &[piece(-2.0, -1.0), piece(-0.8, 0.2), piece(1.0, 2.0)]);
        // Chords of the circle of 3 m round the camera.
        let reference = [2.327, 2.327, 1.162];
        for (width, expected) in widths.iter().zip(reference) {
            assert!((width - expected).abs() < 0.05, "{widths:?}");
        }
        assert_eq!(widths.len(), reference.len());
    }

    #[test]
    fn the_dark_under_a_vehicle_brings_it_nearer_but_lamplight_does_not() {
        // Dark down to 1.6 m, then lit ground.
        let edge = |l: &Layout, r: usize| if r < l.row(1.6) as usize { 30.0 } else { 110.0 };
        let parked = nearest_under_vehicle(1.8, edge);
        assert!((1.2..1.75).contains(&parked), "{parked}");
        // The same before what goes on for longer than a vehicle: a fence's shadow.
        let fence = nearest_under_vehicle(4.0, edge);
        assert!((fence - 2.0).abs() < 0.01, "{fence}");
        // As lit as the ground before it at first, ever brighter toward the lamps.
        let lamps = |l: &Layout, r: usize| 200.0 * (r as f32 / l.rows as f32).powi(2);
        let wall = nearest_under_vehicle(1.8, lamps);
        assert!((wall - 2.0).abs() < 0.01, "{wall}");
    }
}
