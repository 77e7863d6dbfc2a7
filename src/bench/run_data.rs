//! A run's results read back, with its profile and, where there is one, the
//! truth of its clip.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

use crate::profile::Profile;

use super::score::read::{self, table};

/// A row of detections.csv that reports an obstacle.
#[derive(Debug, Clone, PartialEq)]
pub struct Detection {
    /// Number of the obstacle.
    pub id: u64,
    /// Metres behind.
    pub behind_m: f64,
    /// Metres to the vehicle's right.
    pub side_m: f64,
    /// Standard deviation of the distance behind, metres.
    pub sigma_m: f64,
    /// Height, metres.
    pub height_m: f64,
    /// Name of the gravest zone it stands in; empty for none.
    pub zone: String,
}

/// One frame of a run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Shot {
    /// Number of the frame in its clip.
    pub number: u64,
    /// Time since the clip's start, seconds.
    pub time_s: f64,
    /// Verdict as it stands in the table.
    pub verdict: String,
    /// What was reported.
    pub detections: Vec<Detection>,
    /// The same frame as the score sees it, with what was truly there.
    pub scored: read::Frame,
}

/// A run's results.
#[derive(Debug)]
pub struct RunData {
    /// The folder they were read from.
    pub folder: PathBuf,
    /// What to call the run: the folder's name.
    pub name: String,
    /// The clip that was replayed, as the run names it.
    pub clip: PathBuf,
    /// The profile that was used.
    pub profile: Profile,
    /// Frames in order.
    pub shots: Vec<Shot>,
    /// Buzzer edges: seconds, sounding, pitch in hertz.
    pub edges: Vec<(f64, bool, f64)>,
    /// With the truth, the run as the score reads it.
    pub truth: Option<read::Run>,
}

impl RunData {
    /// Reads the folder that `hindward replay` wrote.
    ///
    /// # Errors
    /// The folder is none of a replay, or a table in it is damaged.
    pub fn read(folder: &Path) -> anyhow::Result<RunData> {
        let detections = folder.join("detections.csv");
        if !detections.is_file() {
            bail!(
                "{}: holds no detections.csv; give the --out folder of a replay",
                folder.display()
            );
        }
        let summary_file = folder.join("summary.json");
        let summary: serde_json::Value = std::fs::read_to_string(&summary_file)
            .map_err(anyhow::Error::from)
            .and_then(|text| Ok(serde_json::from_str(&text)?))
            .with_context(|| format!("{}: cannot be read; replay again", summary_file.display()))?;
        let named = PathBuf::from(summary["clip"].as_str().unwrap_or_default());
        let truth_at = read::clip_of(folder, &summary).ok();
        let clip = truth_at.clone().unwrap_or(named);
        let profile = load_profile(folder, &clip)?;
        let truth = truth_at.map(|_| read::read(folder)).transpose()?;
        let mut shots = read_shots(&detections)?;
        if let Some(truth) = &truth {
            // Both come from the same rows of the same table, in order.
            for (shot, frame) in shots.iter_mut().zip(&truth.frames) {
                shot.scored.clone_from(frame);
            }
        }
        let name = folder.file_name().map_or_else(
            || folder.display().to_string(),
            |n| n.to_string_lossy().into_owned(),
        );
        Ok(RunData {
            folder: folder.to_path_buf(),
            name,
            clip,
            profile,
            shots,
            edges: read_edges(&folder.join("edges.csv"))?,
            truth,
        })
    }

    /// Half the vehicle's width, metres.
    pub fn half_width_m(&self) -> f64 {
        self.profile.vehicle.width.0 / 2.0
    }
}

fn load_profile(folder: &Path, clip: &Path) -> anyhow::Result<Profile> {
    let kept = folder.join("profile.toml");
    if kept.is_file() {
        return Ok(Profile::load(&kept)?);
    }
    Profile::load(&clip.join("profile.toml")).with_context(|| {
        format!(
            "{}: holds no profile.toml and its clip has none; replay again",
            folder.display()
        )
    })
}

fn read_shots(path: &Path) -> anyhow::Result<Vec<Shot>> {
    let columns = [
        "frame", "time_s", "id", "behind_m", "side_m", "sigma_m", "height_m", "zone", "verdict",
    ];
    let mut shots: BTreeMap<u64, Shot> = BTreeMap::new();
    table(path, &columns, |row| {
        let number = row.whole(0)?;
        let shot = shots.entry(number).or_default();
        shot.number = number;
        shot.time_s = row.number(1)?;
        row.text(8).clone_into(&mut shot.verdict);
        if !row.text(2).is_empty() {
            shot.detections.push(Detection {
                id: row.whole(2)?,
                behind_m: row.number(3)?,
                side_m: row.number(4)?,
                sigma_m: row.number(5)?,
                height_m: row.number(6)?,
                zone: row.text(7).to_owned(),
            });
        }
        Ok(())
    })?;
    Ok(shots.into_values().collect())
}

fn read_edges(path: &Path) -> anyhow::Result<Vec<(f64, bool, f64)>> {
    let mut edges = Vec::new();
    table(path, &["time_s", "on", "tone_hz"], |row| {
        edges.push((row.number(0)?, row.number(1)? != 0.0, row.number(2)?));
        Ok(())
    })?;
    Ok(edges)
}
