//! What a replay writes: one row per frame and obstacle, and a summary.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Duration;

use serde::Serialize;

use crate::camera::{ClipSource, Source};
use crate::profile::Profile;
use crate::segment::GroundModel;
use crate::watch::Outcome;
use crate::zone::Verdict;

use super::run_folder::RunFolder;

/// Columns of detections.csv.
pub const DETECTIONS: &str = "frame,time_s,id,behind_m,side_m,sigma_m,height_m,zone,verdict";
/// Columns of motion.csv.
pub const MOTION: &str = "frame,time_s,speed_mps,yaw_rate_rps,inliers,quality";

/// Columns of candidates.csv.
pub const CANDIDATES: &str = "frame,time_s,behind_m,side_m,left_m,right_m,probability,doubt";

/// Totals of a replay.
#[derive(Debug, Clone, Serialize)]
pub struct Summary {
    /// The clip's whole path, so that it is found from wherever the run is looked at.
    pub clip: String,
    /// The profile's name.
    pub profile: String,
    /// The profile's vehicle width, metres.
    pub vehicle_width_m: f64,
    /// Frames, broken ones included.
    pub frames: u64,
    /// Frames that could not be read.
    pub broken: u64,
    /// Length of the clip in seconds.
    pub duration_s: f64,
    /// Frames per verdict.
    pub verdicts: BTreeMap<String, u64>,
    /// Every obstacle that was announced, by id.
    pub obstacles: BTreeMap<u32, Seen>,
}

/// One announced obstacle.
#[derive(Debug, Clone, Serialize)]
pub struct Seen {
    /// When it was first announced.
    pub first_s: f64,
    /// When it was last announced.
    pub last_s: f64,
    /// Its least distance behind.
    pub nearest_m: f64,
    /// The gravest signal word announced for it.
    pub gravest: &'static str,
}

impl Summary {
    /// Text for people.
    pub fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "{}: {} frames, {:.1} s, profile {}",
            clip_name(&self.clip),
            self.frames,
            self.duration_s,
            self.profile
        );
        if self.broken > 0 {
            let _ = writeln!(out, "  {} frames could not be read", self.broken);
        }
        for (verdict, n) in &self.verdicts {
            let _ = writeln!(out, "  {verdict}: {n} frames");
        }
        for (id, o) in &self.obstacles {
            let _ = writeln!(
                out,
                "  obstacle {id}: from {:.2} s to {:.2} s, nearest {:.2} m, {}",
                o.first_s, o.last_s, o.nearest_m, o.gravest
            );
        }
        out
    }
}

/// What a clip is called among people: the last part of its path.
fn clip_name(path: &str) -> &str {
    let last = Path::new(path).file_name().and_then(|n| n.to_str());
    last.unwrap_or(path)
}

/// The verdict as it stands in tables.
pub fn verdict_word(verdict: &Verdict) -> String {
    match verdict {
        Verdict::Clear => "Clear".into(),
        Verdict::Obstacle(_) => "Obstacle".into(),
        Verdict::CannotTell { reason } => format!("CannotTell:{}", reason.word()),
    }
}

/// Writer of candidates.csv and footline.i8.
pub struct Weighed {
    file: BufWriter<File>,
    planes: BufWriter<File>,
    /// Whether the planes of the next picture are left out.
    pass: bool,
    /// The camera's foot point.
    foot: (f64, f64),
}

impl Weighed {
    /// Opens the table of a run.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn create(folder: &RunFolder, profile: &Profile) -> anyhow::Result<Self> {
        let mut file = BufWriter::new(File::create(folder.path("candidates.csv"))?);
        let planes = BufWriter::new(File::create(folder.path("footline.i8"))?);
        writeln!(file, "{CANDIDATES}")?;
        let camera = profile.ground().camera_position();
        Ok(Weighed {
            file,
            planes,
            pass: false,
            foot: (camera.x, camera.y),
        })
    }

    /// Adds one frame.
    ///
    /// # Errors
    /// The disk is full.
    pub fn add(&mut self, frame: u64, now: Duration, model: &GroundModel) -> anyhow::Result<()> {
        if let Some(planes) = model.planes(now) {
            if !self.pass {
                self.planes.write_all(&(frame as u32).to_le_bytes())?;
                let planes: Vec<u8> = planes.into_iter().map(|v| v as u8).collect();
                self.planes.write_all(&planes)?;
            }
            // Every other one is enough to train on.
            self.pass = !self.pass;
        }
        for c in model.candidates(now) {
            let side = |across: f32| self.foot.1 + f64::from(across);
            writeln!(
                self.file,
                "{frame},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3}",
                now.as_secs_f64(),
                self.foot.0 + f64::from(c.nearest_m.0),
                side(c.nearest_m.1),
                side(c.across_m.0),
                side(c.across_m.1),
                c.probability,
                c.doubt
            )?;
        }
        Ok(())
    }

    /// Closes the table.
    ///
    /// # Errors
    /// The disk is full.
    pub fn finish(mut self) -> anyhow::Result<()> {
        self.planes.flush()?;
        Ok(self.file.flush()?)
    }
}

/// Writers of the tables.
pub struct Tables {
    detections: BufWriter<File>,
    motion: BufWriter<File>,
    summary: Summary,
}

impl Tables {
    /// Opens the tables of a run.
    ///
    /// # Errors
    /// The folder cannot be written.
    pub fn create(
        folder: &RunFolder,
        profile: &Profile,
        source: &ClipSource,
    ) -> anyhow::Result<Self> {
        let open = |name: &str, head: &str| -> anyhow::Result<BufWriter<File>> {
            let mut file = BufWriter::new(File::create(folder.path(name))?);
            writeln!(file, "{head}")?;
            Ok(file)
        };
        Ok(Tables {
            detections: open("detections.csv", DETECTIONS)?,
            motion: open("motion.csv", MOTION)?,
            summary: Summary {
                clip: std::path::absolute(source.name())
                    .map_or_else(|_| source.name().into(), |p| p.display().to_string()),
                profile: profile.name.clone(),
                vehicle_width_m: profile.vehicle.width.0,
                frames: 0,
                broken: 0,
                duration_s: 0.0,
                verdicts: BTreeMap::new(),
                obstacles: BTreeMap::new(),
            },
        })
    }

    /// Adds one frame.
    ///
    /// # Errors
    /// The disk is full.
    pub fn add(
        &mut self,
        frame: u64,
        now: Duration,
        broken: bool,
        outcome: &Outcome,
        profile: &Profile,
    ) -> anyhow::Result<()> {
        let time = now.as_secs_f64();
        let word = verdict_word(&outcome.verdict);
        let trusted = !matches!(outcome.verdict, Verdict::CannotTell { .. });
        if outcome.obstacles.is_empty() || !trusted {
            writeln!(self.detections, "{frame},{time:.3},,,,,,,{word}")?;
        } else {
            for o in &outcome.obstacles {
                let zone = crate::zone::zone_of(profile, &outcome.verdict, o);
                let zone = zone.map_or("", |z| z.name.as_str());
                writeln!(
                    self.detections,
                    "{frame},{time:.3},{},{:.3},{:.3},{:.3},{:.2},{zone},{word}",
                    o.id, o.nearest.behind_m, o.nearest.side_m, o.sigma_m, o.height_m
                )?;
            }
        }
        let e = &outcome.estimate;
        writeln!(
            self.motion,
            "{frame},{time:.3},{:.3},{:.4},{:.2},{:.2}",
            outcome.own.speed_mps, outcome.own.yaw_rate_rps, e.inliers, e.quality
        )?;
        let s = &mut self.summary;
        s.frames += 1;
        s.broken += u64::from(broken);
        s.duration_s = time;
        *s.verdicts.entry(word).or_default() += 1;
        if let Verdict::Obstacle(alert) = &outcome.verdict {
            let behind = alert.obstacle.nearest.behind_m;
            let seen = s.obstacles.entry(alert.obstacle.id).or_insert(Seen {
                first_s: time,
                last_s: time,
                nearest_m: behind,
                gravest: alert.signal.text(),
            });
            seen.last_s = time;
            if behind < seen.nearest_m {
                seen.nearest_m = behind;
                seen.gravest = alert.signal.text();
            }
        }
        Ok(())
    }

    /// Closes the tables and writes summary.json.
    ///
    /// # Errors
    /// The disk is full.
    pub fn finish(mut self, folder: &RunFolder) -> anyhow::Result<Summary> {
        self.detections.flush()?;
        self.motion.flush()?;
        let s = &mut self.summary;
        // Rounded, so that the file is the same on every machine.
        let round = |v: f64| (v * 1000.0).round() / 1000.0;
        s.duration_s = round(s.duration_s);
        for o in s.obstacles.values_mut() {
            o.first_s = round(o.first_s);
            o.last_s = round(o.last_s);
            o.nearest_m = round(o.nearest_m);
        }
        let mut text = serde_json::to_string_pretty(&self.summary)?;
        text.push('\n');
        fs::write(folder.path("summary.json"), text)?;
        Ok(self.summary)
    }
}
