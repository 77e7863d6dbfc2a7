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
use super::bodies::{fill_hollows, join_bodies, under_vehicle, widths_with_neighbours};
use super::contact::{reach_down, sharpen};
use super::feet::Foot;
use super::ground_model::Stages;
use super::panorama::Layout;
use super::standing::{measure, probability, Circumstances, Measures};
use super::upstand::{edges, Edge, REACH_M};
use super::view::cut_to_train_on;

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
/// A run brings so much evidence, as much as a few cells that are sure alone, or is not weighed.
const LEAST_SUM: f32 = 5.54;

/// Contacts lie within so many times the doubt of the distance by looks, nearer and farther (err
/// to the near side), of what is no wider. The columns of what is narrow are about as far off as
/// its middle.
const NEARER: f32 = 1.0;
const FARTHER: f32 = 0.7;
/// The doubt is no less than this here: of what it has not been trained on, the net is surer
/// than it is right.
const LEAST_DOUBT: f32 = 0.05;
/// Nor is it more: no number at all must reach the tracks.
const MOST_DOUBT: f32 = 1.0;
const WIDEST_BY_LOOKS_M: f32 = 2.3;
const NARROW_M: f32 = 0.8;

/// A body may show nothing over so many rows.
const GAP_ROWS: usize = 15;

/// Evidence below which a cell is seen to be ground.
const SEEN_GROUND: f32 = -0.5;

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
    /// Where its foot is by the looks of its group, if they tell.
    pub looks: Option<ByLooks>,
}

/// Where a foot is by looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct ByLooks {
    /// Within what distances.
    within: (f32, f32),
    /// Mean error of the logarithm of the distance that they tell.
    doubt: f32,
}

/// A group that was weighed, as it was before its contact was sharpened.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// Its nearest place from the camera's foot point: metres along and across.
    pub nearest_m: (f32, f32),
    /// Where it ends to the left and to the right, metres across.
    pub across_m: (f32, f32),
    /// Probability that it stands.
    pub probability: f64,
    measures: Measures,
    middle: Option<Run>,
    /// Where its middle is, as `nearest_m`.
    pub middle_m: (f32, f32),
}

impl Candidate {
    /// Names of [`Candidate::measures`].
    pub const MEASURES: &[&str] = Measures::NAMES;

    /// What it looked like, to be trained on; the stages must still be those of its picture.
    pub(super) fn view(
        &self,
        l: &Layout,
        s: &Stages,
        windows: &[f32],
        usable: &[bool],
    ) -> Vec<f32> {
        let foot = self.middle.map_or((0, 0.0), |m| (m.column, m.contact));
        cut_to_train_on(l, s, windows, usable, foot)
    }

    /// By what it was weighed.
    pub fn measures(&self) -> [f32; Measures::NAMES.len()] {
        self.measures.values()
    }

    fn of(l: &Layout, group: &[Run], measures: Measures, probability: f64) -> Candidate {
        let middle = group.get(group.len() / 2).copied();
        let mut candidate = Candidate {
            nearest_m: (f32::MAX, 0.0),
            across_m: (f32::MAX, f32::MIN),
            probability,
            measures,
            middle,
            middle_m: middle.map_or((0.0, 0.0), |m| l.place(m.column, m.contact)),
        };
        for run in group {
            let (along, across) = l.place(run.column, run.contact);
            if along < candidate.nearest_m.0 {
                candidate.nearest_m = (along, across);
            }
            let ends = &mut candidate.across_m;
            *ends = (ends.0.min(across), ends.1.max(across));
        }
        candidate
    }
}

/// Finds the runs, groups them and keeps what stands; what was weighed goes into
/// `candidates`.
pub(super) fn gather(
    l: &Layout,
    s: &mut Stages,
    feet: &[Vec<Foot>],
    settings: &SegmentSettings,
    overhang_m: f32,
    about: &Circumstances<'_>,
    candidates: &mut Vec<Candidate>,
) -> Vec<Blob> {
    let texture = about.picture.texture;
    candidates.clear();
    s.mask.clear();
    s.mask.resize(l.columns * l.rows, false);
    let mut standing_groups: Vec<(Vec<Run>, f64)> = Vec::new();
    // What lies before a thing must not hide it: where a group turns out to be
    // ground, its columns are looked at again farther off.
    let mut begin: Vec<Option<usize>> = vec![Some(l.rows - 1); l.columns];
    let mut rejected: Vec<Vec<Run>> = Vec::new();
    for looks in 0..PASSES {
        let groups = group_runs(l, s, feet, &begin, settings);
        begin.fill(None);
        for mut group in groups {
            let measures = measure(l, s, about, &group, looks, at_rim(s, &group));
            let probability = probability(&measures);
            candidates.push(Candidate::of(l, &group, measures, probability));
            if probability >= settings.stay_probability {
                note_looks(&mut group, &measures);
                standing_groups.push((group, probability));
            } else {
                for run in &group {
                    begin[run.column] = run.top.checked_sub(1);
                }
                rejected.push(group);
            }
        }
    }
    for mut group in raised(l, s, about) {
        if explained(&group, &standing_groups) {
            continue;
        }
        let measures = measure(l, s, about, &group, 0, at_rim(s, &group));
        let probability = probability(&measures);
        candidates.push(Candidate::of(l, &group, measures, probability));
        if probability >= settings.stay_probability {
            note_looks(&mut group, &measures);
            standing_groups.push((group, probability));
        }
    }
    let mut blobs = Vec::new();
    let bodies = join_bodies(l, s, made_whole(standing_groups, rejected));
    let widths = widths_with_neighbours(l, &bodies);
    for ((mut group, probability), whole_m) in bodies.into_iter().zip(widths) {
        for run in &group {
            for r in run.top..=run.bottom {
                s.mask[l.at(run.column, r)] = true;
            }
        }
        reach_down(l, s, &mut group, texture);
        sharpen(l, s, &mut group, texture);
        fill_hollows(l, &mut group);
        under_vehicle(l, s, &mut group, whole_m, overhang_m);
        hold_to_looks(l, &mut group);
        blobs.push(blob(l, &group, probability));
    }
    blobs
}

/// Edges across the path where the ground rises, as groups: a kerb of the ground's own colour
/// shows in no column by itself.
fn raised(l: &Layout, s: &Stages, about: &Circumstances<'_>) -> Vec<Vec<Run>> {
    let Some(earlier) = &about.earlier else {
        return Vec::new();
    };
    let run = |edge: &Edge, column: usize| {
        let distance = edge.along_m / l.direction(column).0.max(0.1);
        let contact = l.row(distance);
        let bottom = (contact as usize).min(l.rows - 1);
        let top = (l.row_over(distance, edge.height_m).max(0.0) as usize).min(bottom);
        Run {
            column,
            top,
            bottom,
            contact,
            distance,
            sum: (top..=bottom).map(|r| s.evidence[l.at(column, r)]).sum(),
            swept: 0.0,
            looks: None,
        }
    };
    let group = |edge: Edge| {
        (edge.columns.0..=edge.columns.1)
            .map(|c| run(&edge, c))
            .collect()
    };
    let found = edges(l, about.usable, &s.relief, earlier);
    found.into_iter().map(group).collect()
}

/// Whether something that stands already is in the strips that show an edge, or hides them: it
/// is what is raised there.
fn explained(edge: &[Run], standing: &[(Vec<Run>, f64)]) -> bool {
    let (Some(first), Some(last)) = (edge.first(), edge.last()) else {
        return true;
    };
    let farthest = first.distance.max(last.distance) + REACH_M;
    standing
        .iter()
        .flat_map(|(group, _)| group)
        .any(|run| (first.column..=last.column).contains(&run.column) && run.distance < farthest)
}

/// What stands, each as high as it is, without what only seems to stand behind it.
fn made_whole(mut standing: Vec<(Vec<Run>, f64)>, rejected: Vec<Vec<Run>>) -> Vec<(Vec<Run>, f64)> {
    // A body that stands is the same as its feet: farther off it is only their fringe.
    let mut others = rejected;
    others.extend(standing.iter().map(|(group, _)| group.clone()));
    for (group, _) in &mut standing {
        grow_upward(group, &others);
    }
    standing.sort_by_key(|(group, _)| group[0].column);
    drop_fringes(&mut standing);
    standing
}

/// What stands is as high as what begins right over it in its columns, whether or not that was
/// believed to stand where it seemed to: of a child only the feet may be sure, and feet
/// alone are too small to be told.
fn grow_upward(group: &mut [Run], others: &[Vec<Run>]) {
    let (Some(first), Some(last)) = (group.first(), group.last()) else {
        return;
    };
    let columns = first.column.saturating_sub(BRIDGE)..=last.column + BRIDGE;
    let low = group.iter().map(|r| r.top).min().unwrap_or(0);
    let over = others.iter().flatten().filter(|r| {
        columns.contains(&r.column)
            && r.top < low
            && r.bottom <= low + GAP_ROWS
            && r.bottom + GAP_ROWS >= low
    });
    if let Some(top) = over.map(|r| r.top).min() {
        for run in group {
            run.top = top;
        }
    }
}

/// Notes how far off each column is by the looks of its group. Of what goes on for longer
/// than a body is wide, looks do not tell.
fn note_looks(group: &mut [Run], measures: &Measures) {
    if measures.width_m > WIDEST_BY_LOOKS_M {
        return;
    }
    let shift = measures.shift;
    let doubt = measures.doubt.min(MOST_DOUBT);
    let room = doubt.max(LEAST_DOUBT);
    let (near, far) = (
        (shift - NEARER * room).exp(),
        (shift + FARTHER * room).exp(),
    );
    let middle = group.get(group.len() / 2).map_or(0.0, |r| r.distance);
    for run in group {
        let distance = if measures.width_m < NARROW_M {
            middle
        } else {
            run.distance
        };
        run.looks = Some(ByLooks {
            within: (distance * near, distance * far),
            doubt,
        });
    }
}

/// Holds contacts to what looks say. Where the lower part of a thing is blank or flat it
/// brings no evidence, and the thing seems to begin behind that; where the ground before it
/// has something of its own, or lies in its shadow, it seems to begin there.
fn hold_to_looks(l: &Layout, group: &mut [Run]) {
    for run in group {
        let Some(ByLooks {
            within: (near, far),
            ..
        }) = run.looks
        else {
            continue;
        };
        // Not `clamp`, which panics where looks are no number.
        let held = run.distance.max(near).min(far);
        if held != run.distance {
            run.distance = held;
            run.contact = l.row(held).min((l.rows - 1) as f32);
        }
    }
}

/// The nearest runs of the columns that are to be looked at, each from its row
/// upward, in groups that begin at about the same distance.
fn group_runs(
    l: &Layout,
    s: &Stages,
    feet: &[Vec<Foot>],
    begin: &[Option<usize>],
    settings: &SegmentSettings,
) -> Vec<Vec<Run>> {
    let mut groups: Vec<Vec<Run>> = Vec::new();
    let mut open: Vec<Run> = Vec::new();
    for (c, &begin) in begin.iter().enumerate() {
        let Some(run) = begin.and_then(|r| {
            nearer(
                nearest_run(l, s, c, r, settings),
                upright_run(l, feet, c, r, settings),
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
        if peak.0 >= LEAST_SUM {
            let foot = lowest_of(l, s, c, start, begin);
            let contact = foot as f32 + 0.5;
            let distance = l.distance(contact);
            let height = implied_height(l, distance, peak.1);
            if l.watched[l.at(c, foot)] && height >= settings.min_height.0 as f32 {
                return Some(Run {
                    column: c,
                    top: peak.1,
                    bottom: foot,
                    contact,
                    distance,
                    sum: peak.0,
                    swept: 0.0,
                    looks: None,
                });
            }
        }
        sum = 0.0;
    }
    None
}

/// What begins behind the watched ground, or over the horizon, has a foot too: legs of the
/// ground's own colour under a dark coat. It is no farther than the nearest ground that is
/// seen to be ground.
fn lowest_of(l: &Layout, s: &Stages, c: usize, start: usize, begin: usize) -> usize {
    if l.watched[l.at(c, start)] {
        return start;
    }
    let hidden = |r: &usize| s.evidence[l.at(c, *r)] > SEEN_GROUND;
    (start + 1..=begin)
        .take_while(hidden)
        .last()
        .unwrap_or(start)
}

/// The nearest thing in a column that was seen to stand.
fn upright_run(
    l: &Layout,
    feet: &[Vec<Foot>],
    c: usize,
    begin: usize,
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
        sum: foot.sum.max(LEAST_SUM),
        swept: foot.sum,
        looks: None,
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
        doubt: group
            .iter()
            .filter_map(|r| Some(f64::from(r.looks?.doubt)))
            .fold(0.0, f64::max),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dark coat over the horizon, legs that are not seen to be anything, ground before
    /// them from row `foot` on: no farther than that, and not where ground is seen all the
    /// way to the horizon.
    #[test]
    fn what_begins_over_the_horizon_stands_before_the_ground_that_is_seen() {
        let l = Layout::of_hatch();
        let c = l.columns / 2;
        let legs = l.row(2.0) as usize;
        for foot in [legs, l.horizon_row] {
            let cell = |k: usize| match k / l.columns {
                r if r < l.horizon_row => 2.0,
                r if r <= foot => 0.0,
                _ => -2.0,
            };
            let s = Stages {
                evidence: (0..l.columns * l.rows).map(cell).collect(),
                ..Stages::default()
            };
            let start = l.horizon_row - 1;
            let found = lowest_of(&l, &s, c, start, l.rows - 1);
            assert_eq!(found, foot);
            assert_eq!(l.watched[l.at(c, found)], foot == legs);
        }
    }

    #[test]
    fn contacts_are_held_to_looks_and_left_alone_where_those_do_not_tell() {
        let l = Layout::of_hatch();
        let run = |distance: f32, looks| Run {
            column: l.columns / 2,
            top: l.horizon_row,
            bottom: l.row(distance) as usize,
            contact: l.row(distance),
            distance,
            sum: 20.0,
            swept: 0.0,
            looks,
        };
        let cases = [
            (3.0, Some((1.7, 2.2)), 2.2),
            (1.0, Some((1.7, 2.2)), 1.7),
            (2.1, Some((1.7, 2.2)), 2.1),
            (3.0, None, 3.0),
            (3.0, Some((f32::NAN, f32::NAN)), 3.0),
        ];
        for (distance, within, expected) in cases {
            let looks = within.map(|within| ByLooks { within, doubt: 0.1 });
            let mut group = [run(distance, looks)];
            hold_to_looks(&l, &mut group);
            let [held] = group;
            assert!((held.distance - expected).abs() < 1e-4, "{held:?}");
            assert!(
                (l.distance(held.contact) - expected).abs() < 0.01,
                "{held:?}"
            );
        }
        // A wall's looks do not tell; what they tell with more doubt leaves more room; columns
        // of what is narrow are as far off as its middle.
        let middle = 2.0;
        for (width_m, doubt) in [(0.5, 0.01), (0.5, 0.2), (1.5, 0.2), (4.0, 0.1)] {
            let mut group = [run(1.5, None), run(middle, None), run(2.2, None)];
            let measures = Measures {
                width_m,
                shift: -0.2,
                doubt,
                ..Measures::default()
            };
            note_looks(&mut group, &measures);
            for run in &group {
                let Some(by_looks) = run.looks else {
                    assert_eq!(width_m, 4.0);
                    continue;
                };
                let of = if width_m < 1.0 { middle } else { run.distance };
                let looks = of * (-0.2f32).exp();
                let room = doubt.max(LEAST_DOUBT);
                let ratio = |d: f32, of: f32| (d / of).ln();
                let (near, far) = by_looks.within;
                assert!((ratio(looks, near) - NEARER * room).abs() < 1e-4, "{near}");
                assert!((ratio(far, looks) - FARTHER * room).abs() < 1e-4, "{far}");
            }
            let told = blob(&l, &group, 0.9).doubt;
            let expected = if width_m == 4.0 { 0.0 } else { doubt };
            assert!((told - f64::from(expected)).abs() < 1e-6, "{told}");
        }
        for doubt in [f32::NAN, f32::INFINITY] {
            let mut group = [run(middle, None)];
            let measures = Measures {
                doubt,
                ..Measures::default()
            };
            note_looks(&mut group, &measures);
            assert_eq!(blob(&l, &group, 0.9).doubt, f64::from(MOST_DOUBT));
        }
    }

    /// A cone with its shadow is raised ground as well, 0.3 m behind its foot.
    #[test]
    fn an_edge_across_the_path_is_no_other_thing_where_one_stands() {
        let run = |column, distance| Run {
            column,
            top: 90,
            bottom: 98,
            contact: 98.5,
            distance,
            sum: 20.0,
            swept: 0.0,
            looks: None,
        };
        let edge: Vec<Run> = (60..=80).map(|c| run(c, 2.0)).collect();
        let with = |column, distance| explained(&edge, &[(vec![run(column, distance)], 0.9)]);
        assert!(with(70, 2.3) && with(60, 1.2), "there, or before it");
        assert!(!with(90, 2.3) && !with(70, 3.5), "beside it, or far behind");
        assert!(!explained(&edge, &[]));
        assert!(explained(&[], &[]), "no edge at all");
    }

    /// Feet that are sure, legs that show nothing, and a body over them that was not
    /// believed; a body in other columns is another's.
    #[test]
    fn feet_are_as_high_as_the_body_over_them() {
        let run = |column, top, bottom| Run {
            column,
            top,
            bottom,
            contact: bottom as f32 + 0.5,
            distance: 1.5,
            sum: 20.0,
            swept: 0.0,
            looks: None,
        };
        let grown = |body: Vec<Run>| {
            let mut feet = [run(60, 90, 98), run(61, 91, 98)];
            grow_upward(&mut feet, &[body]);
            feet.map(|r| r.top)
        };
        assert_eq!(grown(vec![run(61, 40, 80)]), [40, 40]);
        assert_eq!(grown(vec![run(80, 40, 80)]), [90, 91], "beside it");
        assert_eq!(grown(vec![run(61, 20, 60)]), [90, 91], "far over it");
        // A body that is believed to stand behind its own feet is told once, and whole.
        let at = |mut run: Run, distance| {
            run.distance = distance;
            run
        };
        let feet = vec![run(60, 90, 98), run(61, 91, 98)];
        let body = vec![at(run(60, 40, 80), 2.5), at(run(61, 41, 80), 2.5)];
        let whole = made_whole(vec![(body, 0.9), (feet, 0.8)], Vec::new());
        assert_eq!(whole.len(), 1);
        let (group, probability) = &whole[0];
        assert_eq!(*probability, 0.8);
        let found: Vec<_> = group.iter().map(|r| (r.top, r.distance)).collect();
        assert_eq!(found, [(40, 1.5), (40, 1.5)]);
    }
}
