//! `hindward report`: what a run did, on one page that needs nothing else.

mod events;
mod pictures;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use serde_json::{json, Value};

use crate::profile::edit::write_atomically;
use crate::profile::{Profile, ZoneShape};

use super::page;
use super::run_data::RunData;
use super::score::measure;
use events::Event;

/// Make one self-contained page of replays: plan, ranges, sounds, pictures.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "The page needs no network: it can be copied, mailed and opened anywhere.
Pictures come from annotated.avi if the run has it (replay --annotate), else
from the clip; stage pictures from stages/ (replay --stages).

Examples:
  hindward report drive-run                  writes drive-run/report.html
  hindward report run-a run-b --out ab.html  several runs on one page"
)]
pub struct ReportArgs {
    /// Folders that `hindward replay` wrote.
    #[arg(required = true, value_name = "RUN_DIR")]
    runs: Vec<PathBuf>,
    /// The page; by default report.html in the (first) run's folder.
    #[arg(long)]
    out: Option<PathBuf>,
    /// At most this many pictures a run.
    #[arg(long, default_value_t = 60)]
    pictures: usize,
    /// Print the events as JSON instead of text.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// A run cannot be read, or the page cannot be written.
pub fn run(args: &ReportArgs) -> anyhow::Result<ExitCode> {
    let Some(first) = args.runs.first() else {
        bail!("no run is named; give the --out folder of a replay");
    };
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| first.join("report.html"));
    let mut runs = Vec::new();
    let mut notes = Vec::new();
    for folder in &args.runs {
        let data = RunData::read(folder)?;
        let events = events::find(&data);
        runs.push(describe(&data, &events, args.pictures, &mut notes));
    }
    let script = include_str!("page.js");
    let page = page::page("Replay report", script, json!({ "runs": runs }))?;
    write_atomically(&out, page.as_bytes())
        .with_context(|| format!("{}: cannot be written; give another --out", out.display()))?;
    if args.json {
        let brief: Vec<Value> = (runs.iter())
            .map(|r| json!({"run": r["name"], "events": r["events"], "figures": r["figures"]}))
            .collect();
        let all = json!({"page": out.display().to_string(), "runs": brief});
        crate::say::say!("{}", serde_json::to_string_pretty(&all)?);
    } else {
        for run in &runs {
            crate::say::text(text(run));
        }
        crate::say::say!("page: {}", out.display());
    }
    for note in notes {
        crate::say::note!("note: {note}");
    }
    Ok(ExitCode::SUCCESS)
}

fn text(run: &Value) -> String {
    let events: Vec<&str> = (run["events"].as_array().into_iter().flatten())
        .filter_map(|e| e["kind"].as_str())
        .collect();
    let count = |kind: &str| events.iter().filter(|k| **k == kind).count();
    format!(
        "{}: {} changes of verdict, {} alarms for nothing, {} misses, {} pictures\n",
        run["name"].as_str().unwrap_or_default(),
        count("change"),
        count("alarm"),
        count("miss"),
        run["pictures"].as_object().map_or(0, serde_json::Map::len),
    )
}

/// All that the page knows of a run.
fn describe(data: &RunData, events: &[Event], most: usize, notes: &mut Vec<String>) -> Value {
    let profile = &data.profile;
    let zone_index = |name: &str| profile.zones.iter().position(|z| z.name == name);
    let frames: Vec<Value> = (data.shots.iter())
        .map(|s| json!([s.number, milli(s.time_s), s.verdict]))
        .collect();
    let (mut detections, mut truths, mut errors) = (Vec::new(), Vec::new(), Vec::new());
    let mut classes = serde_json::Map::new();
    for (i, shot) in data.shots.iter().enumerate() {
        for d in &shot.detections {
            let (behind, side) = (milli(d.behind_m), milli(d.side_m));
            let zone = zone_index(&d.zone);
            detections.push(json!([
                i,
                d.id,
                behind,
                side,
                milli(d.sigma_m),
                d.height_m,
                zone
            ]));
        }
        for t in &shot.scored.truths {
            let (behind, side) = (milli(t.behind_m), milli(t.side_m));
            truths.push(json!([
                i,
                t.id,
                behind,
                side,
                milli(t.half_width_m),
                t.visible
            ]));
            classes.insert(t.id.to_string(), json!(t.class));
        }
        for (t, best) in measure::judge(&shot.scored, data.half_width_m()).due {
            if let Some(r) = best {
                errors.push(json!([
                    i,
                    milli(t.behind_m),
                    milli(r.behind_m - t.behind_m)
                ]));
            }
        }
    }
    let edges: Vec<Value> = (data.edges.iter())
        .map(|(t, on, hz)| json!([t, u8::from(*on), hz]))
        .collect();
    let wanted = events::frames_to_show(events, most);
    let shown = pictures::collect(data, &wanted, notes);
    json!({
        "name": data.name,
        "clip": data.clip.display().to_string(),
        "profile": profile.name,
        "width_m": profile.vehicle.width.0,
        "watch": [profile.watch.far.0, profile.watch.half_width.0],
        "zones": zones(profile),
        "frames": frames,
        "detections": detections,
        "truths": truths,
        "classes": classes,
        "errors": errors,
        "edges": edges,
        "events": events,
        "pictures": shown.pictures,
        "stages": shown.stages,
        "annotated": shown.annotated,
        "figures": data.truth.as_ref().map(|run| measure::measure(run).figures()),
    })
}

/// Rounded to a thousandth, which is what the tables hold.
fn milli(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0
}

fn zones(profile: &Profile) -> Vec<Value> {
    (profile.zones.iter())
        .map(|zone| {
            let corners: Vec<[f64; 2]> = match &zone.shape {
                ZoneShape::Strip {
                    near,
                    far,
                    half_width,
                } => {
                    let (n, f, h) = (near.0, far.0, half_width.0);
                    vec![[n, -h], [f, -h], [f, h], [n, h]]
                }
                ZoneShape::Polygon(corners) => {
                    corners.iter().map(|c| [c.behind_m, c.side_m]).collect()
                }
            };
            json!({"name": zone.name, "signal": zone.signal.text(), "corners": corners})
        })
        .collect()
}

/// Reads a file of the run if it is there.
fn read_if_there(path: &Path) -> Option<Vec<u8>> {
    fs::read(path).ok()
}
