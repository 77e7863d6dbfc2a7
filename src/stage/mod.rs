//! Renders labelled clips of invented scenes with exact truth.
//!
//! A ray is sent through the lens of the profile for each pixel and meets the
//! ground, or solids that stand on it. The result is a clip like any other,
//! with tables that say exactly what stood where (`truth.csv`), how the
//! vehicle moved (`ego.csv`) and when the camera was at fault (`health.csv`).
//!
//! The world frame of a scene is the vehicle's ground frame at time 0.

mod clip;
mod effects;
mod faults;
mod figure;
mod floor;
mod light;
mod load;
mod marks;
mod motion;
mod noise;
mod paint;
mod render;
mod scene;
mod shape;
mod thing;
mod tile;
mod truth;

pub(crate) use truth::stand;

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{bail, Context};
use rayon::prelude::*;

/// Render a scene, or a suite of scenes, into clips with exact truth.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct StageArgs {
    /// Scene file, or suite file with [[case]] tables (TOML; see demo/SCENES.md).
    scene: PathBuf,
    /// Folder for the clip; for a suite, folder of the clips' folders.
    #[arg(long)]
    out: PathBuf,
    /// Of a suite: only the cases whose name contains this.
    #[arg(long)]
    only: Option<String>,
    /// Also write footline.csv: where in each direction from the camera the nearest thing meets
    /// the ground, to train on.
    #[arg(long)]
    footline: bool,
    /// Print JSON instead of text.
    #[arg(long)]
    json: bool,
}

const EXAMPLES: &str = "\
Examples:
  hindward stage demo/drive.toml --out /tmp/drive
  hindward stage demo/suite.toml --out /tmp/suite --only night

A suite puts the cases that it holds back into a folder `held-back` of its own.
The clip has truth.csv (what stands where), ego.csv (own motion) and, where the
camera fails on purpose, health.csv. The same scene gives the same bytes.";

/// Runs `hindward stage`.
///
/// # Errors
/// If the scene or its profile is at fault, or the disk refuses.
pub fn run(args: &StageArgs) -> anyhow::Result<ExitCode> {
    let cases = load::load(&args.scene)?;
    let chosen: Vec<_> = cases
        .iter()
        .filter(|c| {
            args.only
                .as_ref()
                .is_none_or(|o| c.name.contains(o.as_str()))
        })
        .collect();
    if chosen.is_empty() {
        bail!("{}: no case matches --only", args.scene.display());
    }
    // One clip reports its frames, a suite its clips.
    let single = chosen.len() == 1;
    let bar = indicatif::ProgressBar::new(chosen.len() as u64);
    let style = indicatif::ProgressStyle::with_template("{msg} {bar:30} {pos}/{len} {elapsed}");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    let counts: anyhow::Result<Vec<(std::path::PathBuf, usize)>> = chosen
        .par_iter()
        .map(|case| {
            let out = match (case.name.as_str(), case.held_back) {
                ("", _) => args.out.clone(),
                (name, true) => args.out.join("held-back").join(name),
                (name, false) => args.out.join(name),
            };
            let frames = clip::render(&case.scene, &out, args.footline, |done, all| {
                if single {
                    bar.set_length(all as u64);
                    bar.set_position(done as u64);
                }
            })
            .with_context(|| format!("case {:?}", case.name))?;
            if !single {
                bar.inc(1);
            }
            Ok((out, frames))
        })
        .collect();
    bar.finish_and_clear();
    let counts = counts?;
    let frames: usize = counts.iter().map(|c| c.1).sum();
    if args.json {
        let clips: Vec<_> = counts
            .iter()
            .map(|(clip, n)| serde_json::json!({"clip": clip.display().to_string(), "frames": n}))
            .collect();
        crate::say::say!(
            "{:#}",
            serde_json::json!({"clips": clips, "frames": frames})
        );
        return Ok(ExitCode::SUCCESS);
    }
    crate::say::say!(
        "{} clip(s), {frames} frames, in {}",
        chosen.len(),
        args.out.display()
    );
    Ok(ExitCode::SUCCESS)
}
