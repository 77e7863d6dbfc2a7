//! From what is told of each direction to things that stand.
//!
//! Neighbouring columns of the panorama whose feet are about as far off are one thing.

use crate::profile::SegmentSettings;

use super::blob::Blob;
use super::footline::{Foot, Footline, ROW_RAD};
use super::ground_model::Stages;
use super::panorama::Layout;

/// Something stands in a direction from this probability on.
const LEAST: f32 = 0.4;
/// Feet of neighbouring columns further apart than this share of their
/// distance (plus a floor) belong to different things.
const JUMP_SHARE: f32 = 0.10;
const JUMP_FLOOR_M: f32 = 0.12;
/// Columns without a foot that a group may bridge.
const BRIDGE: usize = 3;

/// What stands in one column.
#[derive(Debug, Clone, Copy)]
struct Run {
    column: usize,
    top: usize,
    /// Contact row with its fraction.
    contact: f32,
    distance: f32,
}

/// Something that may stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Its nearest place from the camera's foot point: metres along and across.
    pub nearest_m: (f32, f32),
    /// Where it ends to the left and to the right, metres across.
    pub across_m: (f32, f32),
    /// Probability that it stands.
    pub probability: f64,
    /// Mean error of the logarithm of its distance.
    pub doubt: f64,
}

/// A thing and how sure it is.
#[derive(Debug, Clone, Default)]
struct Group {
    runs: Vec<Run>,
    probability: f32,
    doubt: f32,
}

/// Finds what stands; all that may stand goes into `candidates`.
pub(super) fn gather(
    l: &Layout,
    s: &mut Stages,
    footline: &Footline,
    settings: &SegmentSettings,
    candidates: &mut Vec<Candidate>,
) -> Vec<Blob> {
    s.mask.clear();
    s.mask.resize(l.columns * l.rows, false);
    let foot = |c: usize| footline.foot(l, c);
    let groups = groups(l, foot, settings.min_height.0 as f32);
    candidates.clear();
    candidates.extend(groups.iter().map(|g| candidate(l, g)));
    let mut blobs = Vec::new();
    for group in groups {
        if f64::from(group.probability) < settings.stay_probability {
            continue;
        }
        for run in &group.runs {
            for r in run.top..=run.contact as usize {
                s.mask[l.at(run.column, r)] = true;
            }
        }
        blobs.push(blob(l, &group));
    }
    blobs
}

/// Columns whose feet are about as far off as their neighbours'; what is lower than `least_m` is
/// none, as far as that can be told.
fn groups(l: &Layout, foot: impl Fn(usize) -> Foot, least_m: f32) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for column in 0..l.columns {
        let foot = foot(column);
        let Some(run) = run(l, column, &foot, least_m) else {
            continue;
        };
        let last = groups.last().and_then(|g| g.runs.last());
        let continues = last.is_some_and(|last| {
            column - last.column <= BRIDGE + 1
                && (run.distance - last.distance).abs()
                    <= JUMP_FLOOR_M + JUMP_SHARE * run.distance.min(last.distance)
        });
        if !continues {
            groups.push(Group::default());
        }
        if let Some(group) = groups.last_mut() {
            group.runs.push(run);
            group.probability = group.probability.max(foot.probability);
            group.doubt = group.doubt.max(foot.doubt);
        }
    }
    groups
}

fn run(l: &Layout, column: usize, foot: &Foot, least_m: f32) -> Option<Run> {
    // What is no number stands nowhere.
    let stands = foot.probability >= LEAST && foot.distance > 0.0;
    let height = l.height - foot.distance * foot.top.tan();
    // A top is told to about a row of the grid.
    if !stands || height + foot.distance * ROW_RAD < least_m {
        return None;
    }
    let contact = l.row(foot.distance).clamp(0.0, (l.rows - 1) as f32);
    let top = (foot.top - l.depression0) / l.depression_step;
    let top = top.min(l.row_over(foot.distance, least_m)).max(0.0) + 0.5;
    Some(Run {
        column,
        top: (top as usize).min(contact as usize),
        contact,
        distance: foot.distance,
    })
}

fn candidate(l: &Layout, group: &Group) -> Candidate {
    let mut candidate = Candidate {
        nearest_m: (f32::MAX, 0.0),
        across_m: (f32::MAX, f32::MIN),
        probability: f64::from(group.probability),
        doubt: f64::from(group.doubt),
    };
    for run in &group.runs {
        let (along, across) = l.place(run.column, run.contact);
        if along < candidate.nearest_m.0 {
            candidate.nearest_m = (along, across);
        }
        let ends = &mut candidate.across_m;
        *ends = (ends.0.min(across), ends.1.max(across));
    }
    candidate
}

fn blob(l: &Layout, group: &Group) -> Blob {
    let runs = || group.runs.iter();
    Blob {
        contact: runs().map(|r| l.pixel(r.column, r.contact)).collect(),
        top: runs()
            .map(|r| l.pixel(r.column, r.top as f32 - 0.5))
            .collect(),
        probability: f64::from(group.probability),
        doubt: f64::from(group.doubt),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEAST_M: f32 = 0.08;

    /// What stands in these columns, so far off, so high and so surely.
    fn standing(
        l: &Layout,
        columns: std::ops::RangeInclusive<usize>,
        (distance, height, probability): (f32, f32, f32),
    ) -> impl Fn(usize) -> Foot {
        let top = ((l.height - height) / distance).atan();
        move |c| Foot {
            probability: if columns.contains(&c) {
                probability
            } else {
                0.1
            },
            distance,
            doubt: 0.05,
            top,
        }
    }

    #[test]
    fn neighbours_as_far_off_are_one_thing_and_others_are_not() {
        let l = Layout::of_hatch();
        let near = standing(&l, 60..=70, (1.5, 1.0, 0.9));
        let far = standing(&l, 71..=80, (2.5, 1.0, 0.6));
        let apart = standing(&l, 90..=95, (2.5, 1.0, 0.7));
        let foot = |c: usize| match c {
            ..=70 => near(c),
            71..=85 => far(c),
            _ => apart(c),
        };
        let found = groups(&l, foot, LEAST_M);
        let told: Vec<_> = found
            .iter()
            .map(|g| (g.runs.len(), g.runs[0].distance, g.probability))
            .collect();
        assert_eq!(told, [(11, 1.5, 0.9), (10, 2.5, 0.6), (6, 2.5, 0.7)]);
        let c = candidate(&l, &found[0]);
        // Equally far from the camera, so the one farthest to the side is the least far behind.
        let ends = [60, 70].map(|column| l.place(column, l.row(1.5)));
        let near = if ends[0].0 < ends[1].0 {
            ends[0]
        } else {
            ends[1]
        };
        assert_eq!(c.nearest_m, near);
        assert_eq!(c.across_m, (ends[0].1, ends[1].1));
        // A gap of three columns is bridged, one of four is not.
        for (gap, expected) in [(3, 1), (4, 2)] {
            let all = standing(&l, 60..=80, (1.5, 1.0, 0.9));
            let foot = |c: usize| match c {
                65.. if c < 65 + gap => Foot::default(),
                _ => all(c),
            };
            assert_eq!(groups(&l, foot, LEAST_M).len(), expected, "{gap}");
        }
    }

    #[test]
    fn what_is_too_low_or_not_sure_is_none() {
        let l = Layout::of_hatch();
        let count = |what, least_m| groups(&l, standing(&l, 60..=70, what), least_m).len();
        assert_eq!(count((2.0, 0.1, 0.9), LEAST_M), 1, "a kerb");
        assert_eq!(count((2.0, 0.1, 0.9), 0.3), 0, "lower than what counts");
        assert_eq!(count((2.0, 0.1, LEAST - 0.01), LEAST_M), 0);
        for none in [f32::NAN, 0.0] {
            assert_eq!(count((none, 1.0, 0.9), LEAST_M), 0);
            assert_eq!(count((2.0, 1.0, none), LEAST_M), 0);
        }
    }

    #[test]
    fn a_blob_has_the_foot_and_the_top_that_were_told() {
        let l = Layout::of_hatch();
        let found = groups(&l, standing(&l, 60..=70, (2.0, 0.6, 0.9)), LEAST_M);
        let [group] = &found[..] else {
            panic!("{found:?}")
        };
        for run in &group.runs {
            assert!((l.distance(run.contact) - 2.0).abs() < 0.01);
            let top = l.row_over(2.0, 0.6);
            assert!((run.top as f32 - top).abs() <= 1.0, "{run:?}, not {top}");
        }
        let blob = blob(&l, group);
        assert_eq!((blob.contact.len(), blob.top.len()), (11, 11));
        assert!(blob.contact.iter().zip(&blob.top).all(|(c, t)| c.v > t.v));
        assert!((blob.probability - 0.9).abs() < 1e-6 && (blob.doubt - 0.05).abs() < 1e-6);
    }
}
