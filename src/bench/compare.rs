//! `hindward compare`: what got better or worse between two runs of a clip.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::bail;
use serde::Serialize;

use super::run_data::{RunData, Shot};
use super::score::measure::judge;
use super::score::read::True;

/// Compare two runs of the same clip, frame by frame.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "A frame got worse in B if a thing that was due is no longer reported, if there
is a new alarm for nothing, or if B cannot tell where A could and nothing was at
fault; better is the reverse. That needs the clip's truth; without it, frames
with another verdict are listed and the exit code is 0.

Exit codes: 0 B is no worse; 1 B is worse: more misses, more alarm frames or more
frames without an answer than A; 2 the input is at fault.

Examples:
  hindward compare run-before run-after
  hindward compare run-a run-b --json"
)]
pub struct CompareArgs {
    /// The run to compare with.
    #[arg(value_name = "RUN_A")]
    before: PathBuf,
    /// The run that is judged.
    #[arg(value_name = "RUN_B")]
    after: PathBuf,
    /// Print JSON instead of text.
    #[arg(long)]
    json: bool,
}

/// How one frame fares in one run.
#[derive(Debug, Clone, Default, PartialEq)]
struct Fare {
    verdict: String,
    misses: u64,
    alarm: bool,
    blind: bool,
    /// Unsigned range error of each reported thing, metres.
    errors_m: Vec<f64>,
}

/// Counts over the frames that both runs have.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
struct Counts {
    /// Things due and not reported, summed over frames.
    misses: u64,
    /// Frames with an alarm for nothing.
    alarms: u64,
    /// Frames outside faults in which the program could not tell.
    blind: u64,
    /// Mean unsigned range error, metres.
    range_error_m: Option<f64>,
}

/// A frame that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Change {
    frame: u64,
    time_s: f64,
    /// `better`, `worse`, `mixed` or, without truth, `other`.
    what: &'static str,
    text: String,
}

#[derive(Debug, Serialize)]
struct Comparison {
    before: String,
    after: String,
    frames: u64,
    only_in_one: u64,
    truth: bool,
    a: Counts,
    b: Counts,
    changes: Vec<Change>,
    worse: bool,
}

/// Runs the command.
///
/// # Errors
/// A run cannot be read, or the runs are of different clips or share no frame.
pub fn run(args: &CompareArgs) -> anyhow::Result<ExitCode> {
    let (a, b) = (RunData::read(&args.before)?, RunData::read(&args.after)?);
    if !same_clip(&a, &b) {
        bail!(
            "{} and {}: are of different clips ({}, {}); compare two runs of one clip",
            args.before.display(),
            args.after.display(),
            a.clip.display(),
            b.clip.display()
        );
    }
    let comparison = compare(&a, &b);
    if comparison.frames == 0 {
        bail!(
            "{} and {}: share no frame; compare two runs of one clip",
            args.before.display(),
            args.after.display()
        );
    }
    if args.json {
        crate::say::say!("{}", serde_json::to_string_pretty(&comparison)?);
    } else {
        crate::say::text(text(&comparison));
    }
    Ok(ExitCode::from(u8::from(comparison.worse)))
}

/// Whether both runs are of one clip: the same truth and name, wherever it lay.
fn same_clip(a: &RunData, b: &RunData) -> bool {
    let truths = |run: &RunData| -> Option<BTreeMap<u64, Vec<True>>> {
        run.truth.as_ref()?;
        let shots = run.shots.iter();
        Some(shots.map(|s| (s.number, s.scored.truths.clone())).collect())
    };
    if let (Some(a), Some(b)) = (truths(a), truths(b)) {
        // One may have been cut short.
        return a
            .iter()
            .all(|(n, t)| b.get(n).is_none_or(|other| other == t));
    }
    a.clip.file_name() == b.clip.file_name()
}

fn compare(a: &RunData, b: &RunData) -> Comparison {
    let truth = a.truth.is_some() && b.truth.is_some();
    let mut out = Comparison {
        before: a.folder.display().to_string(),
        after: b.folder.display().to_string(),
        frames: 0,
        only_in_one: 0,
        truth,
        a: Counts::default(),
        b: Counts::default(),
        changes: Vec::new(),
        worse: false,
    };
    let of_b: BTreeMap<u64, &Shot> = b.shots.iter().map(|s| (s.number, s)).collect();
    let (mut errors_a, mut errors_b) = (Vec::new(), Vec::new());
    for shot in &a.shots {
        let Some(other) = of_b.get(&shot.number) else {
            continue;
        };
        out.frames += 1;
        let (fa, fb) = (fare(a, shot), fare(b, other));
        out.a.add(&fa);
        out.b.add(&fb);
        if let Some((what, text)) = difference(&fa, &fb, truth) {
            let (frame, time_s) = (shot.number, shot.time_s);
            out.changes.push(Change {
                frame,
                time_s,
                what,
                text,
            });
        }
        errors_a.extend(fa.errors_m);
        errors_b.extend(fb.errors_m);
    }
    out.only_in_one = (a.shots.len() + b.shots.len()) as u64 - 2 * out.frames;
    out.a.range_error_m = mean(&errors_a);
    out.b.range_error_m = mean(&errors_b);
    out.worse = truth
        && (out.b.misses > out.a.misses
            || out.b.alarms > out.a.alarms
            || out.b.blind > out.a.blind);
    out
}

fn mean(values: &[f64]) -> Option<f64> {
    let sum: f64 = values.iter().sum();
    (!values.is_empty()).then(|| (sum / values.len() as f64 * 1e4).round() / 1e4)
}

impl Counts {
    fn add(&mut self, fare: &Fare) {
        self.misses += fare.misses;
        self.alarms += u64::from(fare.alarm);
        self.blind += u64::from(fare.blind);
    }
}

fn fare(run: &RunData, shot: &Shot) -> Fare {
    let judged = judge(&shot.scored, run.half_width_m());
    let at_fault = run.truth.as_ref().is_some_and(|truth| {
        (truth.faults.iter()).any(|f| shot.time_s >= f.start_s && shot.time_s < f.end_s + 1.0)
    });
    let errors_m = (judged.due.iter())
        .filter_map(|(t, r)| Some((r.as_ref()?.behind_m - t.behind_m).abs()))
        .collect();
    Fare {
        verdict: shot.verdict.clone(),
        misses: judged.due.iter().filter(|(_, r)| r.is_none()).count() as u64,
        alarm: judged.alarm,
        blind: shot.verdict.starts_with("CannotTell") && !at_fault,
        errors_m,
    }
}

/// What differs between the two, if anything that counts does.
fn difference(a: &Fare, b: &Fare, truth: bool) -> Option<(&'static str, String)> {
    if !truth {
        return (a.verdict != b.verdict)
            .then(|| ("other", format!("{} -> {}", a.verdict, b.verdict)));
    }
    let mut parts = Vec::new();
    let (mut better, mut worse) = (false, false);
    let mut weigh = |name: &str, a: u64, b: u64| {
        if a != b {
            parts.push(format!("{name} {a} -> {b}"));
            better |= b < a;
            worse |= b > a;
        }
    };
    weigh("missed", a.misses, b.misses);
    weigh("alarm", u64::from(a.alarm), u64::from(b.alarm));
    weigh("cannot tell", u64::from(a.blind), u64::from(b.blind));
    let what = match (better, worse) {
        (true, true) => "mixed",
        (true, false) => "better",
        (false, true) => "worse",
        (false, false) => return None,
    };
    Some((what, parts.join(", ")))
}

fn text(c: &Comparison) -> String {
    let mut out = format!("A {}\nB {}\n{} frames in both", c.before, c.after, c.frames);
    if c.only_in_one > 0 {
        out.push_str(&format!(", {} in one only", c.only_in_one));
    }
    out.push('\n');
    for change in &c.changes {
        let Change {
            frame,
            time_s,
            what,
            text,
        } = change;
        out.push_str(&format!(
            "  frame {frame:6} {time_s:8.2} s  {what:6}  {text}\n"
        ));
    }
    if c.truth {
        let of = |what: &str| c.changes.iter().filter(|x| x.what == what).count();
        out.push_str(&format!(
            "better {}, worse {}, mixed {} frames\n",
            of("better"),
            of("worse"),
            of("mixed")
        ));
        for (name, a, b) in [
            ("missed things", c.a.misses, c.b.misses),
            ("alarm frames", c.a.alarms, c.b.alarms),
            ("frames without an answer", c.a.blind, c.b.blind),
        ] {
            out.push_str(&format!("{name}: {a} -> {b}\n"));
        }
        if let (Some(a), Some(b)) = (c.a.range_error_m, c.b.range_error_m) {
            out.push_str(&format!("mean range error: {a:.3} m -> {b:.3} m\n"));
        }
        out.push_str(if c.worse {
            "B is worse\n"
        } else {
            "B is no worse\n"
        });
    } else {
        out.push_str(&format!(
            "{} frames differ; no truth to judge by\n",
            c.changes.len()
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fare(misses: u64, alarm: bool, blind: bool) -> Fare {
        Fare {
            misses,
            alarm,
            blind,
            ..Fare::default()
        }
    }

    #[test]
    fn differences_are_weighed() {
        let what = |a: Fare, b: Fare| difference(&a, &b, true).map(|d| d.0);
        let good = fare(0, false, false);
        assert_eq!(what(good.clone(), good.clone()), None);
        assert_eq!(what(good.clone(), fare(1, false, false)), Some("worse"));
        assert_eq!(what(fare(0, true, false), good), Some("better"));
        assert_eq!(
            what(fare(2, false, false), fare(1, true, false)),
            Some("mixed")
        );
    }

    #[test]
    fn without_truth_only_the_verdict_is_compared() {
        let (mut a, b) = (fare(0, false, false), fare(5, true, false));
        assert_eq!(difference(&a, &b, false), None);
        a.verdict = "Clear".into();
        assert_eq!(difference(&a, &b, false).map(|d| d.0), Some("other"));
    }
}
