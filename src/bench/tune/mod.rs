//! `hindward tune`: better thresholds, proven on clips that were kept aside.

mod curve;
mod knob;
mod search;
mod trial;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, ensure, Context};
use indicatif::{ProgressBar, ProgressStyle};
use rand::rngs::SmallRng;
use rand::SeedableRng;
use serde_json::{json, Value};

use crate::profile::edit::{write_atomically, Edit};
use crate::profile::Profile;

use super::page;
use super::score::measure::Tally;
use knob::Knob;
use search::{Point, Trials};
use trial::Labelled;

/// Search thresholds that see more or alarm less on your labelled clips.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Some clips are kept back: those under a folder named held-back, or else every
third. Thresholds are searched on the others only. A proposal must see no less and
alarm no more than the profile does now, on the searched clips and on those kept
back; otherwise nothing is proposed. A change that brings nothing is taken back. Both parts need clips with something in the
path, and with empty ground. Clips that look like your driveway tune for your
driveway: label what you meet.

The page has every set that was tried as a point, recall against alarms, with the
present set and the proposed one named; it is written whether there is a proposal
or not, and needs no network.

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
    /// The page with the curve; by default beside the proposal, ending in .html.
    #[arg(long)]
    page: Option<PathBuf>,
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
    let page_at = (args.page.clone()).unwrap_or_else(|| out.with_extension("html"));
    ensure!(
        !out.exists(),
        "{}: is there already; move it or give another --out",
        out.display()
    );
    ensure!(
        page_at != out,
        "{}: the page and the proposal cannot be one file; give another --page",
        out.display()
    );
    can_be_written(&out, "--out")?;
    can_be_written(&page_at, "--page")?;
    let (searched, held_back) = split(&args.clips)?;
    let read = |paths: &[&PathBuf]| -> anyhow::Result<Vec<Labelled>> {
        paths.iter().map(|p| Labelled::read(p, &profile)).collect()
    };
    let candidates = candidates(&profile, &knobs, args.trials, args.seed);
    let trials = Trials {
        searched: read(&searched)?,
        held_back: read(&held_back)?,
        bar: bar(candidates.len() * args.clips.len()),
    };
    let (points, proposal) = search(&trials, &candidates, &knobs)?;
    let proposed = proposal.map(|best| &points[best].profile);

    let lines = curve::lines(&points, proposal, &knobs);
    let changes: Vec<(String, f64, f64)> = (knobs.iter())
        .filter_map(|k| Some((k.name(), k.get(&profile), k.get(proposed?))))
        .filter(|(_, now, then)| now != then)
        .collect();
    let names = |clips: &[Labelled]| -> Vec<String> {
        clips.iter().map(|c| c.path.display().to_string()).collect()
    };
    let mut result = json!({
        "profile": args.profile.display().to_string(),
        "proposal": proposal.map(|_| out.display().to_string()),
        "changes": (changes.iter())
            .map(|(key, now, then)| json!({"key": key, "now": now, "proposed": then}))
            .collect::<Vec<Value>>(),
        "clips_searched": names(&trials.searched),
        "clips_held_back": names(&trials.held_back),
        "points": lines,
    });
    let script = include_str!("page.js");
    let text = page::page("Thresholds tried", script, result.clone())?;
    write_atomically(&page_at, text.as_bytes()).with_context(|| refused(&page_at, "--page"))?;
    if let Some(best) = proposed {
        write(&args.profile, &out, &knobs, best)?;
    }

    if args.json {
        result["page"] = json!(page_at.display().to_string());
        crate::say::say!("{}", serde_json::to_string_pretty(&result)?);
    } else {
        crate::say::text(curve::sketch(&lines));
        crate::say::say!("");
        crate::say::text(curve::table(&lines));
        crate::say::say!("page: {}", page_at.display());
        match proposal {
            Some(_) => crate::say::say!("proposal: {}", out.display()),
            None => {
                crate::say::say!("nothing that holds on the clips kept back is better; no proposal")
            }
        }
        for (key, now, then) in &changes {
            crate::say::say!("  {key} = {now} -> {then}");
        }
    }
    Ok(ExitCode::from(u8::from(proposal.is_none())))
}

fn refused(path: &Path, option: &str) -> String {
    format!(
        "{}: cannot be written; give another {option}",
        path.display()
    )
}

/// Says before the long search, not after it, that there is no place for a result.
fn can_be_written(path: &Path, option: &str) -> anyhow::Result<()> {
    let name = path.file_name().with_context(|| refused(path, option))?;
    let mut trial = std::ffi::OsString::from(".");
    trial.push(name);
    trial.push(format!(".{}.part", std::process::id()));
    let trial = path.with_file_name(trial);
    ensure!(!path.is_dir(), "{}", refused(path, option));
    std::fs::File::create_new(&trial).with_context(|| refused(path, option))?;
    std::fs::remove_file(&trial).with_context(|| refused(path, option))
}

fn bar(runs: usize) -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} runs, {eta} left");
    ProgressBar::new(runs as u64).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
}

/// Tries the present profile, then, if the clips can tell anything, the rest.
/// All points, the present one first, and the index of the proposal.
fn search(
    trials: &Trials,
    candidates: &[Profile],
    knobs: &[Knob],
) -> anyhow::Result<(Vec<Point>, Option<usize>)> {
    let (now, others) = candidates.split_at(candidates.len().min(1));
    let mut points = trials.run(now)?;
    for point in &points {
        can_tell(&point.searched, "to search on")?;
        can_tell(&point.held_back, "kept back")?;
    }
    points.extend(trials.run(others)?);
    let mut proposal = search::propose(&points);
    if let Some(best) = proposal {
        proposal = Some(trials.take_back_idle_changes(&mut points, best, knobs)?);
    }
    trials.bar.finish_and_clear();
    Ok((points, proposal))
}

/// Clips without anything to see, or without empty ground, hold no threshold to
/// account: they would let through whatever only sees more, or only alarms less.
fn can_tell(tally: &Tally, which: &str) -> anyhow::Result<()> {
    let lack = if tally.due == 0 {
        "have nothing in the path within 3 m"
    } else if tally.clear_s <= 0.0 {
        "never show a clear path"
    } else {
        return Ok(());
    };
    bail!("the clips {which} {lack}; add such a labelled clip (those kept back are every third, or lie in a folder held-back)")
}

fn default_out(profile: &Path) -> PathBuf {
    let stem = profile.file_stem().unwrap_or_default().to_string_lossy();
    profile.with_file_name(format!("{stem}-proposed.toml"))
}

fn chosen(keys: &[String]) -> anyhow::Result<Vec<Knob>> {
    if keys.is_empty() {
        return Ok(Knob::ALL.to_vec());
    }
    (keys.iter())
        .map(|key| {
            let known: Vec<String> = Knob::ALL.iter().map(|k| k.name()).collect();
            (Knob::ALL.into_iter())
                .find(|k| k.name() == *key)
                .with_context(|| format!("--keys {key}: cannot be tuned; use {}", known.join(", ")))
        })
        .collect()
}

/// Clips to search on, and clips to prove the result on.
fn split(clips: &[PathBuf]) -> anyhow::Result<(Vec<&PathBuf>, Vec<&PathBuf>)> {
    // The same clip on both sides would prove nothing.
    let mut seen = BTreeSet::new();
    for clip in clips {
        let place = clip.canonicalize().unwrap_or_else(|_| clip.clone());
        ensure!(
            seen.insert(place),
            "{}: is named twice; name each clip once",
            clip.display()
        );
    }
    let aside = |p: &&PathBuf| p.components().any(|c| c.as_os_str() == "held-back");
    let (held_back, searched): (Vec<&PathBuf>, Vec<&PathBuf>) = if clips.iter().any(|p| aside(&p)) {
        clips.iter().partition(aside)
    } else {
        let third = clips
            .iter()
            .enumerate()
            .partition::<Vec<_>, _>(|(i, _)| i % 3 == 2);
        let plain = |part: Vec<(usize, _)>| part.into_iter().map(|(_, clip)| clip).collect();
        (plain(third.0), plain(third.1))
    };
    ensure!(
        !searched.is_empty() && !held_back.is_empty(),
        "of {} clips {} are to search on and {} to prove the result on; give three or more",
        clips.len(),
        searched.len(),
        held_back.len()
    );
    Ok((searched, held_back))
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

    #[test]
    fn clips_are_kept_back() {
        let paths = |names: &[&str]| -> Vec<PathBuf> { names.iter().map(PathBuf::from).collect() };
        let plain = paths(&["a", "b", "c", "d"]);
        assert_eq!(split(&plain).unwrap().1, [&PathBuf::from("c")]);
        let marked = paths(&["x/held-back/a", "x/open/b", "x/open/c"]);
        assert_eq!(split(&marked).unwrap().1, [&marked[0]]);
        assert!(split(&plain[..2]).is_err());
        assert!(split(&paths(&["a", "b", "a"])).is_err());
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
