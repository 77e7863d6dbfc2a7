//! From fused evidence to things that stand.
//!
//! A standing thing fills its column of the panorama from where it meets the
//! ground upward. Evidence is therefore added up each column from the near end
//! (a cumulative-sum test: it starts anew wherever ground prevails), which
//! bridges the blank middle of a thing that shows only its edges, and finds
//! where it begins. Neighbouring columns that begin at about the same distance
//! form a group; a group is kept if it stands rather than lies.

use crate::profile::SegmentSettings;

use super::blob::Blob;
use super::bodies::{fill_hollows, join_bodies, under_vehicle};
use super::contact::{reach_down, sharpen};
use super::feet::Foot;
use super::ground_model::Stages;
use super::panorama::Layout;

/// Contacts of neighbouring columns further apart than this share of their
/// distance (plus a floor) belong to different things.
const JUMP_SHARE: f32 = 0.10;
const JUMP_FLOOR_M: f32 = 0.12;
/// Columns without a run that a group may bridge.
const BRIDGE: usize = 3;
/// A fringe lies at most so many columns beside the nearer thing, is at most so
/// many columns wide, and no wider than so many times that thing.
const FRINGE: usize = 6;
const NARROW: usize = 11;
const MOST_TIMES: usize = 3;
/// How often columns are looked at again.
const PASSES: usize = 3;
/// A run ends where the sum has fallen this far below its peak.
const FALL: f32 = 5.0;
/// What a blank cell costs a run: things are not endless.
const BLANK: f32 = 0.12;
/// Parallax evidence, the mean of a group, that moving light does not bring.
const SURE_PARALLAX: f32 = 1.5;

/// What the sweep of upright columns brings a group, all columns together.
const SWEPT: f32 = 0.032;
const MOST_SWEPT: f32 = 125.0;
const SURE_SWEPT: f32 = 64.0;

/// Rows above the own vehicle that count as its rim, and how far up a thing
/// must reach that is believed there.
const RIM_ROWS: usize = 5;
const TALL_ROWS: usize = 60;

/// One column's nearest run of evidence.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub column: usize,
    pub top: usize,
    pub bottom: usize,
    /// Contact row with its fraction.
    pub contact: f32,
    pub distance: f32,
    pub sum: f32,
    /// Part of it that the sweep of upright columns brought.
    pub swept: f32,
}

/// Finds the runs, groups them and keeps what stands. `texture` is the usual
/// luma step from row to row on bare ground.
pub(super) fn gather(
    l: &Layout,
    s: &mut Stages,
    feet: &[Vec<Foot>],
    settings: &SegmentSettings,
    texture: f32,
    overhang_m: f32,
) -> Vec<Blob> {
    let logit = |p: f64| (p / (1.0 - p)).ln() as f32;
    // A run must bring as much as a handful of cells that are sure alone.
    let believed = 5.0 * (1.0 + logit(settings.enter_probability.clamp(0.05, 0.99)));
    s.mask.clear();
    s.mask.resize(l.columns * l.rows, false);
    let mut standing_groups: Vec<(Vec<Run>, f64)> = Vec::new();
    // What lies before a thing must not hide it: where a group turns out to be
    // ground, its columns are looked at again farther off.
    let mut begin: Vec<Option<usize>> = vec![Some(l.rows - 1); l.columns];
    for _ in 0..PASSES {
        let groups = group_runs(l, s, feet, &begin, believed, settings);
        begin.fill(None);
        for group in groups {
            let mut probability = standing(l, s, &group);
            if at_rim(s, &group) {
                probability = probability.min(settings.stay_probability);
            }
            if probability >= settings.stay_probability {
                standing_groups.push((group, probability));
            } else {
                for run in &group {
                    begin[run.column] = run.top.checked_sub(1);
                }
            }
        }
    }
    standing_groups.sort_by_key(|(group, _)| group[0].column);
    drop_fringes(&mut standing_groups);
    let mut blobs = Vec::new();
    for (mut group, probability) in join_bodies(l, s, standing_groups) {
        for run in &group {
            for r in run.top..=run.bottom {
                s.mask[l.at(run.column, r)] = true;
            }
        }
        reach_down(l, s, &mut group, texture);
        sharpen(l, s, &mut group, texture);
        fill_hollows(l, &mut group);
        under_vehicle(l, s, &mut group, overhang_m);
        blobs.push(blob(l, &group, probability));
    }
    blobs
}

/// The nearest runs of the columns that are to be looked at, each from its row
/// upward, in groups that begin at about the same distance.
fn group_runs(
    l: &Layout,
    s: &Stages,
    feet: &[Vec<Foot>],
    begin: &[Option<usize>],
    believed: f32,
    settings: &SegmentSettings,
) -> Vec<Vec<Run>> {
    let mut groups: Vec<Vec<Run>> = Vec::new();
    let mut open: Vec<Run> = Vec::new();
    for (c, &begin) in begin.iter().enumerate() {
        let Some(run) = begin.and_then(|r| {
            nearer(
                nearest_run(l, s, c, r, believed, settings),
                upright_run(l, feet, c, r, believed, settings),
            )
        }) else {
            continue;
        };
        let continues = open.last().is_some_and(|last| {
            c - last.column <= BRIDGE + 1
                && (run.distance - last.distance).abs()
                    <= JUMP_FLOOR_M + JUMP_SHARE * run.distance.min(last.distance)
        });
        if !continues && !open.is_empty() {
            groups.push(std::mem::take(&mut open));
        }
        open.push(run);
    }
    if !open.is_empty() {
        groups.push(open);
    }
    groups
}

/// At the sides of a thing only its upper parts may be believed, and such a
/// narrow fringe seems to stand far behind it. It is part of the nearer thing.
fn drop_fringes(groups: &mut Vec<(Vec<Run>, f64)>) {
    let spans: Vec<(usize, usize, f32)> = groups
        .iter()
        .map(|(g, _)| {
            let near = g.iter().fold(f32::MAX, |m, r| m.min(r.distance));
            (g[0].column, g[g.len() - 1].column, near)
        })
        .collect();
    let mut at = 0;
    groups.retain(|_| {
        let (from, to, near) = spans[at];
        at += 1;
        !spans.iter().any(|&(a, b, d)| {
            let beside = from <= b + FRINGE && a <= to + FRINGE;
            let narrow = to - from < MOST_TIMES * (b - a + 1);
            d < 0.93 * near && beside && narrow && to - from < NARROW.max((b - a).div_ceil(2))
        })
    });
}

/// The nearest run of evidence in a column that starts in the watch area and
/// is high enough to count.
fn nearest_run(
    l: &Layout,
    s: &Stages,
    c: usize,
    begin: usize,
    believed: f32,
    settings: &SegmentSettings,
) -> Option<Run> {
    let mut sum = 0.0f32;
    let mut start = 0;
    let mut peak = (0.0f32, 0usize);
    for r in (0..=begin).rev() {
        let e = s.evidence[l.at(c, r)] - BLANK;
        if sum <= 0.0 {
            start = r;
            peak = (0.0, r);
        }
        sum = (sum + e).max(0.0);
        if sum > peak.0 {
            peak = (sum, r);
        }
        let over = sum == 0.0 || r == 0 || sum < peak.0 - FALL;
        if !over {
            continue;
        }
        if peak.0 >= believed && l.watched[l.at(c, start)] {
            let contact = start as f32 + 0.5;
            let distance = l.distance(contact);
            let height = implied_height(l, distance, peak.1);
            if height >= settings.min_height.0 as f32 {
                return Some(Run {
                    column: c,
                    top: peak.1,
                    bottom: start,
                    contact,
                    distance,
                    sum: peak.0,
                    swept: 0.0,
                });
            }
        }
        sum = 0.0;
    }
    None
}

/// The nearest thing in a column that was seen to stand.
fn upright_run(
    l: &Layout,
    feet: &[Vec<Foot>],
    c: usize,
    begin: usize,
    believed: f32,
    settings: &SegmentSettings,
) -> Option<Run> {
    let foot = feet.get(c)?.iter().find(|f| {
        let height = implied_height(l, l.distance(f.row as f32 + 0.5), f.top);
        f.row <= begin && l.watched[l.at(c, f.row)] && height >= settings.min_height.0 as f32
    })?;
    let contact = foot.row as f32 + 0.5;
    Some(Run {
        column: c,
        top: foot.top,
        bottom: foot.row,
        contact,
        distance: l.distance(contact),
        sum: foot.sum.max(believed),
        swept: foot.sum,
    })
}

/// The nearer of two runs; one with the nearer foot, if they overlap.
fn nearer(run: Option<Run>, upright: Option<Run>) -> Option<Run> {
    let (Some(run), Some(upright)) = (run, upright) else {
        return run.or(upright);
    };
    if run.top > upright.bottom {
        return Some(run);
    }
    if upright.top > run.bottom {
        return Some(upright);
    }
    let lower = if upright.bottom > run.bottom {
        upright
    } else {
        run
    };
    Some(Run {
        top: run.top.min(upright.top),
        sum: run.sum.max(upright.sum),
        swept: upright.swept,
        ..lower
    })
}

/// Height that the top of `row` shows if it stands at `distance`, metres.
pub(super) fn implied_height(l: &Layout, distance: f32, row: usize) -> f32 {
    let d = l.depression0 + (row as f32 - 0.5) * l.depression_step;
    l.height - distance * d.tan()
}

/// Probability that a group stands: by the evidence of its cells, by upright
/// sides, by reaching past the horizon.
fn standing(l: &Layout, s: &Stages, group: &[Run]) -> f64 {
    let (mut parallax, mut change, mut colour, mut smooth) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    let (mut cells, mut crossing, mut upright, mut sum) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
    let swept = group.iter().map(|run| run.swept).sum::<f32>();
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
            smooth += s.smooth[k];
            colour += s.appearance[k].clamp(-1.0, 2.5);
        }
        upright = upright.max(side / (run.bottom - run.top + 1) as f32);
        sum += run.sum;
        if run.top <= l.horizon_row + 1 {
            crossing += 1.0;
        }
    }
    let n = cells.max(1.0);
    let sure = (n / 12.0).min(1.0);
    let width = group.len() as f32;
    let colour = colour / n;
    let crossing = crossing / width;
    // Lines that point at the camera have upright edges too: without height,
    // another colour or parallax, those alone say little.
    let backed = crossing > 0.3
        || colour > 0.3
        || parallax / n > 0.3
        || change / n > 0.8
        || smooth / n > 0.5;
    // Shade blurs texture too: smooth ground alone is no thing.
    let smooth_weight = if crossing > 0.3 || upright > 0.5 || swept > 0.0 {
        1.4
    } else {
        0.7
    };
    let upright_weight = if backed { 1.2 } else { 0.4 };
    // What has the ground's colour and shows no height is most likely ground.
    let plain = upright < 0.5 && crossing < 0.3 && smooth / n < 0.5;
    let colour_weight = if colour > 0.0 || plain { 0.6 } else { 0.0 };
    let seen_high = parallax / n > SURE_PARALLAX || swept > SURE_SWEPT;
    let like_ground = plain && colour < -0.3 && !seen_high;
    let logit = if like_ground { -3.0 } else { -2.2 }
        + 1.3 * (parallax / n).clamp(-3.0, 3.0) * sure
        + 1.5 * (change / n).max(0.0) * sure
        + smooth_weight * (smooth / n).min(1.5) * sure
        + colour_weight * colour * sure
        + SWEPT * swept.min(MOST_SWEPT)
        + upright_weight * upright.min(1.6)
        + 1.2 * crossing
        + if colour < -0.5 && plain && !seen_high {
            // Moved light looks so, on ground of the ground's own colour.
            -0.8
        } else if !backed && colour < -0.3 && !seen_high {
            // A joint that points at the camera.
            0.0
        } else {
            0.03 * (sum / width).min(40.0) + 0.02 * width.min(40.0)
        };
    tracing::debug!(
        columns = group.len(),
        from = group[0].column,
        distance_m = group[0].distance,
        parallax = parallax / n,
        change = change / n,
        smooth = smooth / n,
        colour,
        upright,
        swept,
        crossing,
        sum = sum / width,
        logit,
        "group"
    );
    1.0 / (1.0 + (-f64::from(logit)).exp())
}

/// Whether a group begins where the own vehicle ends. There windows look at
/// both, and a thing would have been seen before it got there, unless it is so
/// high that it fills the picture.
fn at_rim(s: &Stages, group: &[Run]) -> bool {
    let low = |run: &&Run| {
        s.lowest
            .get(run.column)
            .is_some_and(|&end| run.bottom + RIM_ROWS >= end && run.top + TALL_ROWS >= end)
    };
    2 * group.iter().filter(low).count() > group.len()
}

fn blob(l: &Layout, group: &[Run], probability: f64) -> Blob {
    Blob {
        contact: group.iter().map(|r| l.pixel(r.column, r.contact)).collect(),
        top: group
            .iter()
            .map(|r| l.pixel(r.column, r.top as f32 - 0.5))
            .collect(),
        probability,
    }
}
