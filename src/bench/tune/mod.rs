//! `hindward tune`: better thresholds, proven on clips that were kept aside.

mod knob;
mod trial;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use indicatif::{ProgressBar, ProgressStyle};
use rand::rngs::SmallRng;
use rand::SeedableRng;
use rayon::prelude::*;
use serde::Serialize;

use crate::profile::edit::Edit;
use crate::profile::Profile;

use super::score::measure::{Figures, Tally};
use knob::Knob;
use trial::Labelled;

/// Search thresholds that see more or alarm less on your labelled clips.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Some clips are kept back: those under a folder named held-back, or else every
third. Thresholds are searched on the others only. A proposal must see no less and
alarm no more than the profile does now, on the searched clips and on those kept
back; otherwise nothing is proposed. Clips that look like your driveway tune for
your driveway: label what you meet.

Exit codes: 0 a proposal was written; 1 nothing better was found; 2 the input is
at fault.

Examples:
  hindward tune clips/* --profile van.toml
  hindward tune a b c d --profile van.toml --keys segment.min_area_cm2 --trials 60"
)]
pub struct TuneArgs {
    /// Clips with truth, three at least.
    #[arg(required = true, value_name = "CLIP")]
    clips: Vec<PathBuf>,
    /// The profile to start from; it is not changed.
    #[arg(long)]
    profile: PathBuf,
    /// Where the proposal goes; by default NAME-proposed.toml beside the profile.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Sets of thresholds to try.
    #[arg(long, default_value_t = 40)]
    trials: usize,
    /// Keys to tune, as section.key; without it, all that can be.
    #[arg(long, value_delimiter = ',')]
    keys: Vec<String>,
    /// Start of the random search; the same seed gives the same proposal.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print JSON instead of text.
    #[arg(long)]
    json: bool,
}

/// A set of thresholds with what it does.
#[derive(Debug, Clone)]
struct Point {
    profile: Profile,
    searched: Tally,
    held_back: Tally,
}

/// A point of the curve, for printing.
#[derive(Debug, Clone, Serialize)]
struct Line {
    role: &'static str,
    values: Vec<(String, f64)>,
    searched: Figures,
    held_back: Figures,
}

/// Runs the command.
///
/// # Errors
/// Too few clips, or a clip, the profile or the proposal's place is unusable.
pub fn run(args: &TuneArgs) -> anyhow::Result<ExitCode> {
    let profile = Profile::load(&args.profile)?;
    let knobs = chosen(&args.keys)?;
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| default_out(&args.profile));
    if out.exists() {
        bail!(
            "{}: is there already; move it or give another --out",
            out.display()
        );
    }
    let (searched, held_back) = split(&args.clips);
    if searched.is_empty() || held_back.is_empty() || args.clips.len() < 3 {
        bail!(
            "{} clips leave none to prove the result on; give three or more",
            args.clips.len()
        );
    }
    let read = |paths: &[&PathBuf]| -> anyhow::Result<Vec<Labelled>> {
        paths.iter().map(|p| Labelled::read(p, &profile)).collect()
    };
    let (searched, held_back) = (read(&searched)?, read(&held_back)?);
    let candidates = candidates(&profile, &knobs, args.trials, args.seed);
    let points = try_all(&candidates, &searched, &held_back)?;
    let proposal = propose(&points);
    if let Some(best) = proposal {
        write(&args.profile, &out, &knobs, &points[best].profile)?;
    }
    let lines = curve(&points, proposal, &knobs);
    if args.json {
        let all = serde_json::json!({
            "curve": lines,
            "proposal": proposal.map(|_| out.display().to_string()),
            "clips_searched": searched.len(),
            "clips_held_back": held_back.len(),
        });
        crate::say::say!("{}", serde_json::to_string_pretty(&all)?);
    } else {
        crate::say::text(text(&lines));
        match proposal {
            Some(best) => {
                crate::say::say!("proposal: {}", out.display());
                for knob in &knobs {
                    let (was, is) = (knob.get(&profile), knob.get(&points[best].profile));
                    if was != is {
                        crate::say::say!("  {} = {was} -> {is}", knob.key().join("."));
                    }
                }
            }
            None => {
                crate::say::say!("nothing that holds on the clips kept back is better; no proposal")
            }
        }
    }
    Ok(ExitCode::from(u8::from(proposal.is_none())))
}

fn default_out(profile: &Path) -> PathBuf {
    let stem = profile.file_stem().unwrap_or_default().to_string_lossy();
    profile.with_file_name(format!("{stem}-proposed.toml"))
}

fn chosen(keys: &[String]) -> anyhow::Result<Vec<Knob>> {
    let name = |k: &Knob| k.key().join(".");
    if keys.is_empty() {
        return Ok(Knob::ALL.to_vec());
    }
    (keys.iter())
        .map(|key| {
            let known: Vec<String> = Knob::ALL.iter().map(name).collect();
            (Knob::ALL.into_iter())
                .find(|k| name(k) == *key)
                .with_context(|| format!("--keys {key}: cannot be tuned; use {}", known.join(", ")))
        })
        .collect()
}

/// Clips to search on, and clips to prove the result on.
fn split(clips: &[PathBuf]) -> (Vec<&PathBuf>, Vec<&PathBuf>) {
    let aside = |p: &&PathBuf| p.components().any(|c| c.as_os_str() == "held-back");
    if clips.iter().any(|p| aside(&p)) {
        return clips.iter().partition(|p| !aside(p));
    }
    let (mut searched, mut held_back) = (Vec::new(), Vec::new());
    for (i, clip) in clips.iter().enumerate() {
        if i % 3 == 2 {
            &mut held_back
        } else {
            &mut searched
        }
        .push(clip);
    }
    (searched, held_back)
}

/// The profile as it is, then variations.
fn candidates(profile: &Profile, knobs: &[Knob], trials: usize, seed: u64) -> Vec<Profile> {
    let mut rng = SmallRng::seed_from_u64(seed);
    let mut out = vec![profile.clone()];
    // A few draws in a row may not fit together; more than that means none do.
    for _ in 0..trials * 20 {
        if out.len() > trials {
            break;
        }
        let mut next = profile.clone();
        for knob in knobs {
            knob.draw(&mut next, &mut rng);
        }
        if knob::fits(&next) {
            out.push(next);
        }
    }
    out
}

fn try_all(
    candidates: &[Profile],
    searched: &[Labelled],
    held_back: &[Labelled],
) -> anyhow::Result<Vec<Point>> {
    let clips: Vec<&Labelled> = searched.iter().chain(held_back).collect();
    let bar = ProgressBar::new((candidates.len() * clips.len()) as u64);
    bar.set_style(
        ProgressStyle::with_template("{bar:40} {pos}/{len} runs, {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    let jobs: Vec<(usize, usize)> = (0..candidates.len())
        .flat_map(|c| (0..clips.len()).map(move |k| (c, k)))
        .collect();
    let tallies: Vec<Tally> = jobs
        .par_iter()
        .map(|&(c, k)| {
            let tally = clips[k].trial(&candidates[c]);
            bar.inc(1);
            tally
        })
        .collect::<anyhow::Result<_>>()?;
    bar.finish_and_clear();
    let points = candidates.iter().zip(tallies.chunks(clips.len().max(1)));
    Ok(points
        .map(|(profile, tallies)| {
            let sum = |part: &[Tally]| {
                part.iter().fold(Tally::default(), |mut sum, tally| {
                    sum.add(tally);
                    sum
                })
            };
            let (a, b) = tallies.split_at(searched.len());
            Point {
                profile: profile.clone(),
                searched: sum(a),
                held_back: sum(b),
            }
        })
        .collect())
}

/// Whether `b` sees no less, alarms no more, tells faults and answers no
/// worse, and leaves nothing more unannounced than `a`.
fn no_worse(b: &Tally, a: &Tally) -> bool {
    b.hit >= a.hit
        && b.alarms <= a.alarms
        && b.silent.len() <= a.silent.len()
        && b.caught >= a.caught
        && b.cannot_tell <= a.cannot_tell
}

/// Misses and alarms weigh alike, frame for frame: a driver who no longer
/// listens misses too.
fn loss(tally: &Tally) -> u64 {
    (tally.due - tally.hit) + tally.alarms
}

/// Index of the best point that is better than the first and holds on the
/// clips kept back. The clips kept back choose nothing, they only refuse.
fn propose(points: &[Point]) -> Option<usize> {
    let now = points.first()?;
    (points.iter().enumerate().skip(1))
        .filter(|(_, p)| {
            no_worse(&p.searched, &now.searched)
                && no_worse(&p.held_back, &now.held_back)
                && loss(&p.searched) < loss(&now.searched)
        })
        .min_by_key(|(i, p)| (loss(&p.searched), *i))
        .map(|(i, _)| i)
}

/// The points that no other beats in both recall and alarms, with the present
/// and the proposed one, by rising alarms.
fn curve(points: &[Point], proposal: Option<usize>, knobs: &[Knob]) -> Vec<Line> {
    let beaten = |p: &Tally| {
        points.iter().any(|q| {
            let q = &q.searched;
            q.hit >= p.hit && q.alarms <= p.alarms && (q.hit > p.hit || q.alarms < p.alarms)
        })
    };
    let mut kept: Vec<usize> = (0..points.len())
        .filter(|&i| i == 0 || Some(i) == proposal || !beaten(&points[i].searched))
        .collect();
    kept.sort_by_key(|&i| (points[i].searched.alarms, points[i].searched.hit, i));
    kept.into_iter()
        .map(|i| Line {
            role: match i {
                0 => "now",
                _ if Some(i) == proposal => "proposed",
                _ => "",
            },
            values: (knobs.iter())
                .map(|k| (k.key().join("."), k.get(&points[i].profile)))
                .collect(),
            searched: points[i].searched.figures(),
            held_back: points[i].held_back.figures(),
        })
        .collect()
}

fn text(lines: &[Line]) -> String {
    let cell = |v: Option<f64>, d: usize| v.map_or("-".into(), |v| format!("{v:.d$}"));
    let mut out = String::from("           searched            held back\n           recall alarms/min   recall alarms/min   thresholds\n");
    for line in lines {
        let values: Vec<String> = (line.values.iter())
            .map(|(key, v)| format!("{}={v}", key.rsplit('.').next().unwrap_or(key)))
            .collect();
        out.push_str(&format!(
            "{:9}  {:>6} {:>10}   {:>6} {:>10}   {}\n",
            line.role,
            cell(line.searched.recall, 3),
            cell(line.searched.alarms_per_min, 1),
            cell(line.held_back.recall, 3),
            cell(line.held_back.alarms_per_min, 1),
            values.join(" ")
        ));
    }
    out
}

/// Writes the proposal: the profile as the user wrote it, with the new values.
fn write(from: &Path, to: &Path, knobs: &[Knob], profile: &Profile) -> anyhow::Result<()> {
    std::fs::copy(from, to)
        .with_context(|| format!("{}: cannot be written; give another --out", to.display()))?;
    let written = (|| -> anyhow::Result<()> {
        let before = Profile::load(from)?;
        let mut edit = Edit::open(to)?;
        for knob in knobs.iter().filter(|k| k.get(&before) != k.get(profile)) {
            knob.write(&mut edit, profile)?;
        }
        let saved = edit.save()?;
        if let Some(copy) = saved.previous {
            // The profile itself is untouched: this is only a second copy.
            std::fs::remove_file(copy)?;
        }
        Ok(())
    })();
    if written.is_err() {
        let _ = std::fs::remove_file(to);
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(hit: u64, alarms: u64) -> Tally {
        Tally {
            due: 100,
            hit,
            alarms,
            ..Tally::default()
        }
    }

    fn point(searched: Tally, held_back: Tally) -> Point {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        Point {
            profile: Profile::load(path.as_ref()).unwrap(),
            searched,
            held_back,
        }
    }

    #[test]
    fn what_does_not_hold_on_clips_kept_back_is_not_proposed() {
        let now = point(tally(90, 5), tally(90, 5));
        let over_fitted = point(tally(99, 0), tally(89, 5));
        let honest = point(tally(93, 4), tally(90, 5));
        let milder = point(tally(91, 5), tally(95, 0));
        let all = [now.clone(), over_fitted.clone(), milder, honest];
        assert_eq!(propose(&all), Some(3));
        assert_eq!(propose(&[now.clone(), over_fitted]), None);
        assert_eq!(propose(&[now.clone(), now]), None);
    }

    #[test]
    fn more_recall_is_not_bought_with_alarms() {
        let now = point(tally(90, 5), tally(90, 5));
        let louder = point(tally(99, 6), tally(99, 5));
        assert_eq!(propose(&[now, louder]), None);
    }

    #[test]
    fn clips_are_kept_back() {
        let paths = |names: &[&str]| -> Vec<PathBuf> { names.iter().map(PathBuf::from).collect() };
        let plain = paths(&["a", "b", "c", "d"]);
        assert_eq!(split(&plain).1, [&PathBuf::from("c")]);
        let marked = paths(&["x/held-back/a", "x/open/b", "x/open/c"]);
        assert_eq!(split(&marked).1, [&marked[0]]);
    }

    #[test]
    fn candidates_fit_and_repeat() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(path.as_ref()).unwrap();
        let draw = || candidates(&profile, &Knob::ALL, 25, 7);
        let (a, b) = (draw(), draw());
        assert_eq!(a.len(), 26);
        for (x, y) in a.iter().zip(&b) {
            assert!(knob::fits(x));
            assert_eq!(x.segment, y.segment);
        }
    }
}
