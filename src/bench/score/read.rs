//! Reads what a replay wrote and the truth that belongs to it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

/// A row of truth.csv.
#[derive(Debug, Clone, PartialEq)]
pub struct True {
    /// Number of the thing in its scene.
    pub id: u32,
    /// What it is.
    pub class: String,
    /// Nearest point, metres behind.
    pub behind_m: f64,
    /// The same point, metres to the right.
    pub side_m: f64,
    /// Half its extent along side.
    pub half_width_m: f64,
    /// Share that can be seen.
    pub visible: f64,
}

/// A reported obstacle of detections.csv.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Metres behind.
    pub behind_m: f64,
    /// Metres to the right.
    pub side_m: f64,
    /// Whether it lies in a zone.
    pub zoned: bool,
}

/// A frame: what was said, and what was there.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Frame {
    /// Time since the clip's start.
    pub time_s: f64,
    /// Verdict as it stands in the table.
    pub verdict: String,
    /// Reported obstacles.
    pub reports: Vec<Report>,
    /// True things.
    pub truths: Vec<True>,
}

/// A fault that the clip has on purpose.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// Start, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// Word of the right reason.
    pub reason: String,
}

/// A replayed clip with its truth.
#[derive(Debug, Clone)]
pub struct Run {
    /// What it is called in tables.
    pub name: String,
    /// Whether its scene was kept aside.
    pub held_back: bool,
    /// Vehicle width, metres.
    pub vehicle_width_m: f64,
    /// Frames in order of time.
    pub frames: Vec<Frame>,
    /// Faults.
    pub faults: Vec<Fault>,
}

/// All replay folders at or under `dir`.
///
/// # Errors
/// Nothing of the kind is there, or a folder cannot be read.
pub fn find(dir: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    look(dir, 0, &mut found)?;
    if found.is_empty() {
        bail!(
            "{}: no detections.csv in it or under it; give the --out folder of a replay",
            dir.display()
        );
    }
    found.sort();
    Ok(found)
}

fn look(dir: &Path, depth: usize, found: &mut Vec<PathBuf>) -> anyhow::Result<()> {
    if dir.join("detections.csv").is_file() {
        found.push(dir.to_owned());
        return Ok(());
    }
    if depth > 4 {
        return Ok(());
    }
    let entries =
        std::fs::read_dir(dir).with_context(|| format!("{}: cannot be read", dir.display()))?;
    for entry in entries {
        let path = entry
            .with_context(|| format!("{}: cannot be read", dir.display()))?
            .path();
        if path.is_dir() {
            look(&path, depth + 1, found)?;
        }
    }
    Ok(())
}

/// Reads a run.
///
/// # Errors
/// A table is missing or has a line that does not fit, named by file and line.
pub fn read(dir: &Path) -> anyhow::Result<Run> {
    let summary: serde_json::Value = match std::fs::read_to_string(dir.join("summary.json")) {
        Ok(text) => serde_json::from_str(&text).with_context(|| {
            format!(
                "{}: is not JSON; replay again",
                dir.join("summary.json").display()
            )
        })?,
        Err(_) => serde_json::Value::Null,
    };
    let clip = clip_of(dir, &summary)?;
    let vehicle_width_m = match summary["vehicle_width_m"].as_f64() {
        Some(w) => w,
        None => {
            crate::profile::Profile::load(&clip.join("profile.toml"))?
                .vehicle
                .width
                .0
        }
    };
    let mut frames: BTreeMap<u64, Frame> = BTreeMap::new();
    let detections = dir.join("detections.csv");
    table(
        &detections,
        &[
            "frame", "time_s", "id", "behind_m", "side_m", "zone", "verdict",
        ],
        |row| {
            let frame = frames.entry(row.whole(0)?).or_default();
            frame.time_s = row.number(1)?;
            frame.verdict = row.text(6).to_owned();
            if !row.text(2).is_empty() {
                frame.reports.push(Report {
                    behind_m: row.number(3)?,
                    side_m: row.number(4)?,
                    zoned: !row.text(5).is_empty(),
                });
            }
            Ok(())
        },
    )?;
    let columns = [
        "frame",
        "id",
        "class",
        "behind_m",
        "side_m",
        "half_width_m",
        "visible",
    ];
    table(&clip.join("truth.csv"), &columns, |row| {
        let number: u64 = row.whole(0)?;
        let truth = True {
            id: row.whole(1)? as u32,
            class: row.text(2).to_owned(),
            behind_m: row.number(3)?,
            side_m: row.number(4)?,
            half_width_m: row.number(5)?,
            visible: row.number(6)?,
        };
        // A frame that the replay never got has no row: nothing was said.
        if let Some(frame) = frames.get_mut(&number) {
            frame.truths.push(truth);
        }
        Ok(())
    })?;
    let mut faults = Vec::new();
    let health = clip.join("health.csv");
    if health.is_file() {
        table(&health, &["start_s", "end_s", "reason"], |row| {
            faults.push(Fault {
                start_s: row.number(0)?,
                end_s: row.number(1)?,
                reason: row.text(2).to_owned(),
            });
            Ok(())
        })?;
    }
    let name = clip.file_name().map_or_else(
        || clip.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    );
    let held_back = clip.components().any(|c| c.as_os_str() == "held-back");
    Ok(Run {
        name,
        held_back,
        vehicle_width_m,
        frames: frames.into_values().collect(),
        faults,
    })
}

/// The clip that a replay was made of: the one it names, or the folder it
/// stands in.
///
/// # Errors
/// None of them has a truth.csv.
pub fn clip_of(dir: &Path, summary: &serde_json::Value) -> anyhow::Result<PathBuf> {
    let mut places = Vec::new();
    if let Some(named) = summary["clip"].as_str() {
        places.push(PathBuf::from(named));
        // Runs of older versions name the clip from where they were made, mostly
        // the folder that the run lies in.
        places.extend(dir.parent().map(|p| p.join(named)));
    }
    places.push(dir.to_owned());
    places.extend(dir.parent().map(Path::to_owned));
    let stem = dir
        .file_name()
        .map(|n| n.to_string_lossy().into_owned())
        .unwrap_or_default();
    if let Some(stem) = stem.strip_suffix("-run") {
        places.push(dir.with_file_name(stem));
    }
    places
        .into_iter()
        .find(|p| p.join("truth.csv").is_file())
        .with_context(|| {
            format!(
                "{}: no truth.csv beside it or in the clip it names; stage the clip, or label it with `hindward label`",
                dir.display()
            )
        })
}

/// A line of a table, with the columns that were asked for.
pub struct Row<'a> {
    file: &'a Path,
    line: usize,
    columns: &'a [&'a str],
    cells: Vec<&'a str>,
}

impl Row<'_> {
    /// The text of an asked-for column.
    pub fn text(&self, i: usize) -> &str {
        self.cells[i]
    }

    /// The number in an asked-for column.
    ///
    /// # Errors
    /// It is none, or not finite.
    pub fn number(&self, i: usize) -> anyhow::Result<f64> {
        let value: Option<f64> = self.cells[i].parse().ok().filter(|v: &f64| v.is_finite());
        value.with_context(|| self.wrong(i, "is not a number"))
    }

    /// The whole number in an asked-for column.
    ///
    /// # Errors
    /// It is none.
    pub fn whole(&self, i: usize) -> anyhow::Result<u64> {
        self.cells[i]
            .parse()
            .ok()
            .with_context(|| self.wrong(i, "is not a whole number"))
    }

    fn wrong(&self, i: usize, what: &str) -> String {
        format!(
            "{}:{}: {} = {:?} {what}; write the table again",
            self.file.display(),
            self.line,
            self.columns[i],
            self.cells[i]
        )
    }
}

/// Hands each row of a comma-separated table to `each`, with the named columns
/// in that order.
///
/// # Errors
/// The file cannot be read, a column is missing, or a row does not fit.
pub fn table(
    path: &Path,
    columns: &[&str],
    mut each: impl FnMut(&Row) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{}: cannot be read", path.display()))?;
    let mut lines = text.lines().enumerate();
    let head: Vec<&str> = lines
        .next()
        .map_or(Vec::new(), |(_, l)| l.split(',').map(str::trim).collect());
    let mut places = Vec::new();
    for column in columns {
        let Some(at) = head.iter().position(|h| h == column) else {
            bail!(
                "{}:1: has no column {column}; write the table again",
                path.display()
            );
        };
        places.push(at);
    }
    for (i, line) in lines {
        if line.trim().is_empty() {
            continue;
        }
        let all: Vec<&str> = line.split(',').map(str::trim).collect();
        if all.len() != head.len() {
            bail!(
                "{}:{}: has {} columns, the head has {}; write the table again",
                path.display(),
                i + 1,
                all.len(),
                head.len()
            );
        }
        let cells = places.iter().map(|&p| all[p]).collect();
        each(&Row {
            file: path,
            line: i + 1,
            columns,
            cells,
        })?;
    }
    Ok(())
}
