//! What was said against what was there.

use std::collections::BTreeMap;

use serde::Serialize;

use super::read::{Frame, Report, Run, True};

/// Obstacles count from here on, metres behind.
pub const NEAR_M: f64 = 3.0;
/// A thing counts if at least this share of it can be seen.
pub const VISIBLE: f64 = 0.3;
/// The path is clear if nothing stands in it, widened by this on both sides ...
pub const CLEAR_BESIDE_M: f64 = 0.3;
/// ... up to this far behind.
pub const CLEAR_TO_M: f64 = 6.0;
/// A report is right within this of the truth, behind: metres or share.
pub const RIGHT_BEHIND: (f64, f64) = (0.25, 0.15);
/// A report is right within this of the thing's extent, side.
pub const RIGHT_SIDE_M: f64 = 0.5;
/// A fault must be told within this.
pub const FAULT_TOLD_S: f64 = 0.5;
/// After a fault the program may take this long to trust the picture again.
pub const RECOVER_S: f64 = 1.0;

/// Sums over frames, from which all figures follow.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Frames of a clip in which an in-path thing stood within 3 m, per thing.
    pub due: u64,
    /// Of those, with a right report.
    pub hit: u64,
    /// Frames with a thing due and any in-path report.
    pub nearest_due: u64,
    /// Of those, whose nearest in-path report is right.
    pub nearest_right: u64,
    /// Seconds with a clear path.
    pub clear_s: f64,
    /// Frames with a clear path and an alarm for nothing.
    pub alarms: u64,
    /// Relative range errors (reported less true, over true).
    pub errors: Vec<f64>,
    /// Per thing that came due: seconds to its first right verdict.
    pub waits_s: Vec<f64>,
    /// Things that were never announced: clip, class and number.
    pub silent: Vec<String>,
    /// Faults on purpose.
    pub faults: u64,
    /// Of those, told in time and without a break.
    pub caught: u64,
    /// Of those caught, with the right reason.
    pub reasoned: u64,
    /// Frames outside faults ...
    pub sound: u64,
    /// ... in which the program could not tell.
    pub cannot_tell: u64,
}

/// The figures of a clip or of all.
#[derive(Debug, Clone, Serialize)]
pub struct Figures {
    /// Share of due frames with a right report.
    pub recall: Option<f64>,
    /// Share of due frames whose nearest in-path report is right.
    pub nearest_right: Option<f64>,
    /// Alarm frames per minute of clear path.
    pub alarms_per_min: Option<f64>,
    /// Minutes of clear path.
    pub clear_min: f64,
    /// Median of the unsigned range error, percent.
    pub range_median_pct: Option<f64>,
    /// 95th percentile of the unsigned range error, percent.
    pub range_p95_pct: Option<f64>,
    /// Mean of the signed range error, percent; negative is near.
    pub range_bias_pct: Option<f64>,
    /// Median time from entering 3 m to the first right verdict.
    pub first_verdict_median_s: Option<f64>,
    /// Longest such time.
    pub first_verdict_max_s: Option<f64>,
    /// Things that came due.
    pub obstacles: usize,
    /// Things that were never announced.
    pub never_announced: Vec<String>,
    /// Faults on purpose.
    pub faults: u64,
    /// Faults told in time and without a break.
    pub faults_caught: u64,
    /// Faults caught and called by the right name.
    pub faults_named: u64,
    /// Share of frames outside faults in which the program could not tell.
    pub cannot_tell_share: Option<f64>,
}

fn in_path(t: &True, half_m: f64) -> bool {
    (t.side_m - t.half_width_m) < half_m && (t.side_m + t.half_width_m) > -half_m
}

/// Whether a report lies on a thing.
pub fn right(r: &Report, t: &True) -> bool {
    let behind = (r.behind_m - t.behind_m).abs();
    let beside = ((r.side_m - t.side_m).abs() - t.half_width_m).max(0.0);
    behind <= RIGHT_BEHIND.0.max(RIGHT_BEHIND.1 * t.behind_m) && beside <= RIGHT_SIDE_M
}

/// What was right and wrong in one frame.
#[derive(Debug)]
pub struct Judged<'a> {
    /// Each thing that was due, with the nearest right report of it.
    pub due: Vec<(&'a True, Option<&'a Report>)>,
    /// Whether the nearest in-path report lies on a thing that was due.
    pub nearest_right: bool,
    /// Whether the path was clear.
    pub clear: bool,
    /// Whether an obstacle was announced on a clear path, for nothing.
    pub alarm: bool,
}

/// Judges one frame for a vehicle of half-width `half` metres.
pub fn judge(frame: &Frame, half: f64) -> Judged<'_> {
    let due: Vec<(&True, Option<&Report>)> = (frame.truths.iter())
        .filter(|t| {
            in_path(t, half) && t.visible >= VISIBLE && t.behind_m > 0.0 && t.behind_m <= NEAR_M
        })
        .map(|t| {
            let off = |r: &Report| (r.behind_m - t.behind_m).abs();
            let best = (frame.reports.iter())
                .filter(|r| right(r, t))
                .min_by(|a, b| off(a).total_cmp(&off(b)));
            (t, best)
        })
        .collect();
    let nearest = (frame.reports.iter())
        .filter(|r| r.side_m.abs() <= half + 0.1)
        .min_by(|a, b| a.behind_m.total_cmp(&b.behind_m));
    let nearest_right = nearest.is_some_and(|r| due.iter().any(|(t, _)| right(r, t)));
    let clear = !frame
        .truths
        .iter()
        .any(|t| in_path(t, half + CLEAR_BESIDE_M) && t.visible > 0.0 && t.behind_m < CLEAR_TO_M);
    // A thing beside the path may rightly be in a wider zone.
    let mut zoned = frame.reports.iter().filter(|r| r.zoned).peekable();
    let founded = zoned.peek().is_some() && zoned.all(|r| frame.truths.iter().any(|t| right(r, t)));
    Judged {
        due,
        nearest_right,
        clear,
        alarm: clear && frame.verdict == "Obstacle" && !founded,
    }
}

/// Measures one run.
pub fn measure(run: &Run) -> Tally {
    let half = run.vehicle_width_m / 2.0;
    let mut tally = Tally::default();
    let mut entered: BTreeMap<u32, (f64, String)> = BTreeMap::new();
    let mut first: BTreeMap<u32, f64> = BTreeMap::new();
    let mut previous_s = None;
    for frame in &run.frames {
        let step_s = previous_s.map_or(0.0, |p: f64| frame.time_s - p);
        previous_s = Some(frame.time_s);
        let at_fault = run
            .faults
            .iter()
            .any(|f| frame.time_s >= f.start_s && frame.time_s < f.end_s + RECOVER_S);
        if at_fault {
            continue;
        }
        tally.sound += 1;
        tally.cannot_tell += u64::from(frame.verdict.starts_with("CannotTell"));
        let announced = frame.verdict == "Obstacle";
        let judged = judge(frame, half);
        for (t, best) in &judged.due {
            tally.due += 1;
            entered
                .entry(t.id)
                .or_insert((frame.time_s, t.class.clone()));
            if let Some(r) = best {
                tally.hit += 1;
                tally.errors.push((r.behind_m - t.behind_m) / t.behind_m);
                if announced {
                    first.entry(t.id).or_insert(frame.time_s);
                }
            }
        }
        if !judged.due.is_empty() {
            tally.nearest_due += 1;
            tally.nearest_right += u64::from(judged.nearest_right);
        }
        if judged.clear {
            tally.clear_s += step_s;
            tally.alarms += u64::from(judged.alarm);
        }
    }
    for (id, (time, class)) in entered {
        match first.get(&id) {
            Some(t) => tally.waits_s.push(t - time),
            None => tally.silent.push(format!("{}: {class} {id}", run.name)),
        }
    }
    faults(run, &mut tally);
    tally
}

/// A fault is caught if the program says that it cannot tell within half a
/// second, and does not take it back before the fault is over.
fn faults(run: &Run, tally: &mut Tally) {
    for fault in &run.faults {
        tally.faults += 1;
        let said: Vec<(f64, &str)> = run
            .frames
            .iter()
            .filter(|f| f.time_s >= fault.start_s && f.time_s < fault.end_s)
            .map(|f| (f.time_s, f.verdict.as_str()))
            .collect();
        let Some(at) = said.iter().position(|(_, v)| v.starts_with("CannotTell")) else {
            continue;
        };
        let prompt = said[at].0 - fault.start_s <= FAULT_TOLD_S + 1e-6;
        let held = said[at..].iter().all(|(_, v)| v.starts_with("CannotTell"));
        if prompt && held {
            tally.caught += 1;
            let named = format!("CannotTell:{}", fault.reason);
            let with = said[at..].iter().filter(|(_, v)| *v == named).count();
            tally.reasoned += u64::from(with * 2 > said.len() - at);
        }
    }
}

impl Tally {
    /// Adds another clip.
    pub fn add(&mut self, other: &Tally) {
        self.due += other.due;
        self.hit += other.hit;
        self.nearest_due += other.nearest_due;
        self.nearest_right += other.nearest_right;
        self.clear_s += other.clear_s;
        self.alarms += other.alarms;
        self.errors.extend(&other.errors);
        self.waits_s.extend(&other.waits_s);
        self.silent.extend(other.silent.iter().cloned());
        self.faults += other.faults;
        self.caught += other.caught;
        self.reasoned += other.reasoned;
        self.sound += other.sound;
        self.cannot_tell += other.cannot_tell;
    }

    /// The figures.
    pub fn figures(&self) -> Figures {
        let share = |n: u64, of: u64| (of > 0).then(|| n as f64 / of as f64);
        let size: Vec<f64> = self.errors.iter().map(|e| e.abs()).collect();
        let mean = self.errors.iter().sum::<f64>() / self.errors.len().max(1) as f64;
        let clear_min = self.clear_s / 60.0;
        Figures {
            recall: share(self.hit, self.due),
            nearest_right: share(self.nearest_right, self.nearest_due),
            alarms_per_min: (clear_min > 0.0).then(|| self.alarms as f64 / clear_min),
            clear_min,
            range_median_pct: quantile(&size, 0.5).map(|v| 100.0 * v),
            range_p95_pct: quantile(&size, 0.95).map(|v| 100.0 * v),
            range_bias_pct: (!self.errors.is_empty()).then_some(100.0 * mean),
            first_verdict_median_s: quantile(&self.waits_s, 0.5),
            first_verdict_max_s: quantile(&self.waits_s, 1.0),
            obstacles: self.waits_s.len() + self.silent.len(),
            never_announced: self.silent.clone(),
            faults: self.faults,
            faults_caught: self.caught,
            faults_named: self.reasoned,
            cannot_tell_share: share(self.cannot_tell, self.sound),
        }
    }
}

/// The value below which the share `q` of the values lies (nearest rank).
fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (q * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.clamp(1, sorted.len().max(1)) - 1).copied()
}

#[cfg(test)]
mod tests {
    use super::super::read::Fault;
    use super::*;

    fn thing(behind_m: f64, side_m: f64) -> True {
        True {
            id: 1,
            class: "post".into(),
            behind_m,
            side_m,
            half_width_m: 0.05,
            visible: 1.0,
        }
    }

    fn report(behind_m: f64, side_m: f64) -> Report {
        Report {
            behind_m,
            side_m,
            zoned: true,
        }
    }

    fn run(frames: Vec<(&str, Vec<Report>, Vec<True>)>) -> Run {
        let frames = frames
            .into_iter()
            .enumerate()
            .map(|(i, (verdict, reports, truths))| Frame {
                time_s: i as f64 * 0.1,
                verdict: verdict.into(),
                reports,
                truths,
            })
            .collect();
        Run {
            name: "t".into(),
            held_back: false,
            vehicle_width_m: 1.8,
            frames,
            faults: Vec::new(),
        }
    }

    #[test]
    fn hits_misses_errors_and_waits() {
        let tally = measure(&run(vec![
            ("Clear", vec![], vec![thing(4.0, 0.0)]),
            ("Clear", vec![], vec![thing(2.0, 0.0)]),
            ("Obstacle", vec![report(1.9, 0.1)], vec![thing(2.0, 0.0)]),
            (
                "Obstacle",
                vec![report(1.0, 0.0), report(2.0, 0.0)],
                vec![thing(2.0, 0.0)],
            ),
        ]));
        let f = tally.figures();
        assert_eq!((tally.due, tally.hit), (3, 2));
        assert_eq!((tally.nearest_due, tally.nearest_right), (3, 1));
        assert!((f.first_verdict_max_s.unwrap() - 0.1).abs() < 1e-9);
        assert!((f.range_bias_pct.unwrap() + 2.5).abs() < 1e-9);
        assert!(f.never_announced.is_empty());
    }

    #[test]
    fn a_thing_never_announced_is_named() {
        let f = measure(&run(vec![(
            "Clear",
            vec![report(2.0, 0.0)],
            vec![thing(2.0, 0.0)],
        )]))
        .figures();
        assert_eq!(f.never_announced, ["t: post 1"]);
        assert_eq!(f.recall, Some(1.0));
    }

    #[test]
    fn alarms_count_on_a_clear_path_only() {
        let beside = thing(2.0, 1.6);
        let tally = measure(&run(vec![
            ("Obstacle", vec![report(2.0, 0.0)], vec![]),
            ("Obstacle", vec![report(2.0, 0.0)], vec![]),
            ("Obstacle", vec![report(2.0, 1.5)], vec![beside.clone()]),
            (
                "Obstacle",
                vec![report(1.0, 0.0), report(2.0, 1.5)],
                vec![beside],
            ),
            ("Obstacle", vec![report(9.0, 0.0)], vec![thing(2.0, 1.0)]),
        ]));
        assert_eq!(tally.alarms, 3);
        assert!((tally.clear_s - 0.3).abs() < 1e-9);
    }

    #[test]
    fn faults_must_be_told_soon_and_held() {
        let case = |said: [&str; 8]| {
            let mut r = run(said.iter().map(|v| (*v, vec![], vec![])).collect());
            r.faults = vec![Fault {
                start_s: 0.0,
                end_s: 1.0,
                reason: "dark".into(),
            }];
            let t = measure(&r);
            (t.caught, t.reasoned)
        };
        let (d, c, o) = ("CannotTell:dark", "Clear", "CannotTell:covered");
        assert_eq!(case([c, c, d, d, d, d, d, d]), (1, 1));
        assert_eq!(case([c, c, o, o, o, o, d, d]), (1, 0));
        assert_eq!(case([c, c, d, d, c, d, d, d]), (0, 0));
        assert_eq!(case([c, c, c, c, c, c, c, d]), (0, 0));
    }
}
