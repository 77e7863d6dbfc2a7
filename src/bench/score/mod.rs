//! `hindward score`: replayed clips against the truth of their scenes.

pub(super) mod measure;
pub(super) mod read;

use std::path::PathBuf;
use std::process::ExitCode;

use serde::Serialize;

pub use measure::{Figures, Tally};

/// Compare replays with the truth of their clips.
#[derive(Debug, clap::Args)]
#[command(after_help = HELP)]
pub struct ScoreArgs {
    /// Results of replays, or folders of them.
    #[arg(required = true, value_name = "DIR")]
    dirs: Vec<PathBuf>,
    /// Print JSON instead of a table.
    #[arg(long)]
    json: bool,
    /// Exit with 1 if a total misses its bar.
    #[arg(long)]
    bars: bool,
}

const HELP: &str = "\
How it is counted:
  due       a true thing whose extent along side overlaps the vehicle's width,
            of which at least 0.3 can be seen, 0 to 3 m behind
  right     a report within max(0.25 m, 15 %) behind and 0.5 m beside the thing
  recall    share of due things, frame by frame, that have a right report
  nearest   share of frames with a due thing whose nearest report in the path
            (vehicle's width and 0.1 m) is right; no such report is wrong
  alarms    frames with the verdict Obstacle while the path is clear (nothing
            true in it, 0.3 m wider on both sides, up to 6 m), per minute of
            clear path; not counted if all reports in zones lie on true things
  range     (reported - true) / true over right reports; a bias below 0 is near
  first     from the first due frame of a thing to the first frame that has the
            verdict Obstacle and a right report of it
  silent    things that came due and were never announced
  faults    told if CannotTell comes within 0.5 s and stays; named if mostly
            with the right reason. Frames of faults and 1 s after them count
            for nothing else.

Bars (--bars): recall >= 0.97, nearest >= 0.95, alarms <= 0.2 /min, range median
<= 4 %, p95 <= 12 %, bias <= 0, first <= 0.3 s for each thing, silent 0, all
faults told.

Examples:
  hindward score /tmp/runs
  hindward score run-a run-b --json --bars";

/// All that is printed.
#[derive(Debug, Serialize)]
struct Board {
    clips: Vec<Line>,
    total: Figures,
    #[serde(skip_serializing_if = "Option::is_none")]
    open: Option<Figures>,
    #[serde(skip_serializing_if = "Option::is_none")]
    held_back: Option<Figures>,
    missed_bars: Vec<String>,
}

/// One clip.
#[derive(Debug, Serialize)]
struct Line {
    clip: String,
    held_back: bool,
    #[serde(flatten)]
    figures: Figures,
}

/// Runs `hindward score`.
///
/// # Errors
/// If a folder is no replay, or its tables or truth cannot be read.
pub fn run(args: &ScoreArgs) -> anyhow::Result<ExitCode> {
    let mut folders = Vec::new();
    for dir in &args.dirs {
        folders.extend(read::find(dir)?);
    }
    let mut clips = Vec::new();
    let (mut all, mut open, mut held) = (Tally::default(), Tally::default(), Tally::default());
    for folder in folders {
        let run = read::read(&folder)?;
        let tally = measure::measure(&run);
        all.add(&tally);
        if run.held_back { &mut held } else { &mut open }.add(&tally);
        clips.push(Line {
            clip: run.name,
            held_back: run.held_back,
            figures: tally.figures(),
        });
    }
    let both = clips.iter().any(|c| c.held_back) && clips.iter().any(|c| !c.held_back);
    let total = all.figures();
    let missed_bars = missed(&total);
    let board = Board {
        clips,
        total,
        open: both.then(|| open.figures()),
        held_back: both.then(|| held.figures()),
        missed_bars,
    };
    if args.json {
        crate::say::say!("{}", serde_json::to_string_pretty(&board)?);
    } else {
        crate::say::text(text(&board));
    }
    Ok(ExitCode::from(u8::from(
        args.bars && !board.missed_bars.is_empty(),
    )))
}

/// The bars that these figures miss. A figure that could not be measured
/// misses nothing.
fn missed(f: &Figures) -> Vec<String> {
    let mut missed = Vec::new();
    let mut least = |name: &str, value: Option<f64>, bar: f64| {
        if value.is_some_and(|v| v < bar) {
            missed.push(format!("{name} {:.3} < {bar}", value.unwrap_or(0.0)));
        }
    };
    least("recall", f.recall, 0.97);
    least("nearest", f.nearest_right, 0.95);
    least(
        "faults told",
        (f.faults > 0).then(|| f.faults_caught as f64 / f.faults as f64),
        1.0,
    );
    let mut most = |name: &str, value: Option<f64>, bar: f64| {
        if value.is_some_and(|v| v > bar + 1e-9) {
            missed.push(format!("{name} {:.3} > {bar}", value.unwrap_or(0.0)));
        }
    };
    most("alarms per minute", f.alarms_per_min, 0.2);
    most("range median %", f.range_median_pct, 4.0);
    most("range p95 %", f.range_p95_pct, 12.0);
    most("range bias %", f.range_bias_pct, 0.0);
    most("first verdict s", f.first_verdict_max_s, 0.3);
    most("silent", Some(f.never_announced.len() as f64), 0.0);
    missed
}

fn text(board: &Board) -> String {
    let wide = board
        .clips
        .iter()
        .map(|c| c.clip.len())
        .max()
        .unwrap_or(0)
        .max(12);
    let mut out = format!(
        "{:wide$}  recall nearest alarm/min  range med/p95/bias %  first med/max s  silent  faults  blind\n",
        "clip"
    );
    let mut line = |name: &str, f: &Figures| {
        let cell =
            |v: Option<f64>, digits: usize| v.map_or("-".into(), |v| format!("{v:.digits$}"));
        let faults = if f.faults > 0 {
            format!("{}({})/{}", f.faults_caught, f.faults_named, f.faults)
        } else {
            "-".into()
        };
        let silent = if f.obstacles > 0 {
            format!("{}/{}", f.never_announced.len(), f.obstacles)
        } else {
            "-".into()
        };
        out.push_str(&format!(
            "{name:wide$}  {:>6} {:>7} {:>9}  {:>7} {:>6} {:>6}  {:>7} {:>7}  {silent:>6}  {faults:>6}  {:>5}\n",
            cell(f.recall, 3),
            cell(f.nearest_right, 3),
            cell(f.alarms_per_min, 1),
            cell(f.range_median_pct, 1),
            cell(f.range_p95_pct, 1),
            cell(f.range_bias_pct, 1),
            cell(f.first_verdict_median_s, 2),
            cell(f.first_verdict_max_s, 2),
            cell(f.cannot_tell_share, 3),
        ));
    };
    for clip in &board.clips {
        line(&clip.clip, &clip.figures);
    }
    for (name, figures) in [("open", &board.open), ("held back", &board.held_back)] {
        if let Some(figures) = figures {
            line(name, figures);
        }
    }
    line("total", &board.total);
    for s in &board.total.never_announced {
        out.push_str(&format!("never announced: {s}\n"));
    }
    for m in &board.missed_bars {
        out.push_str(&format!("misses its bar: {m}\n"));
    }
    out
}
