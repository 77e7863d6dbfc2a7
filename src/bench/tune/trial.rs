//! One set of thresholds on one clip, in memory.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;

use crate::bench::replay::working_scale;
use crate::bench::score::measure::{measure, Tally};
use crate::bench::score::read::{table, Fault, Frame, Report, Run, True};
use crate::bench::tables::verdict_word;
use crate::camera::{ClipSource, Decoder, Grab, Picture, RawFrame, Source};
use crate::profile::Profile;
use crate::watch::{Input, Pipeline};
use crate::zone::{zone_of, Verdict};

/// A labelled clip.
#[derive(Debug, Clone)]
pub struct Labelled {
    /// Its folder.
    pub path: PathBuf,
    /// What stood where, by frame.
    truths: BTreeMap<u64, Vec<True>>,
    faults: Vec<Fault>,
}

impl Labelled {
    /// Reads the labels of a clip.
    ///
    /// # Errors
    /// The clip has no truth, its pictures do not fit the profile, or a table
    /// is damaged.
    pub fn read(path: &Path, profile: &Profile) -> anyhow::Result<Labelled> {
        let source = ClipSource::open(path)?;
        let truth = source
            .truth()
            .with_context(|| format!("{}: has no truth.csv; label it first", path.display()))?;
        let (w, h) = source.size();
        anyhow::ensure!(
            (w, h) == (profile.camera.width, profile.camera.height),
            "{}: pictures are {w}x{h}, the profile asks {}x{}; leave the clip out",
            path.display(),
            profile.camera.width,
            profile.camera.height
        );
        let columns = [
            "frame",
            "id",
            "class",
            "behind_m",
            "side_m",
            "half_width_m",
            "visible",
        ];
        let mut truths: BTreeMap<u64, Vec<True>> = BTreeMap::new();
        table(&truth, &columns, |row| {
            truths.entry(row.whole(0)?).or_default().push(True {
                id: row.whole(1)? as u32,
                class: row.text(2).to_owned(),
                behind_m: row.number(3)?,
                side_m: row.number(4)?,
                half_width_m: row.number(5)?,
                visible: row.number(6)?,
            });
            Ok(())
        })?;
        let mut faults = Vec::new();
        let health = path.join("health.csv");
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
        Ok(Labelled {
            path: path.to_path_buf(),
            truths,
            faults,
        })
    }

    /// Runs the clip through the loop under `profile` and scores it.
    ///
    /// # Errors
    /// The clip or the profile's self-mask cannot be read.
    pub fn trial(&self, profile: &Profile) -> anyhow::Result<Tally> {
        let mut source = ClipSource::open(&self.path)?;
        source.time_out_after(profile.health.stale);
        let mut pipeline = Pipeline::new(profile)?;
        let mut decoder = Decoder::new()?;
        let (mut raw, mut picture) = (RawFrame::empty(), Picture::default());
        let mut frames = Vec::new();
        loop {
            let grab = source.grab(&mut raw)?;
            let input = match grab {
                Grab::End => break,
                Grab::Timeout => Input::Missing,
                Grab::Broken(_) => Input::Broken,
                Grab::Frame => match decoder.decode(&raw, working_scale(profile), &mut picture) {
                    Ok(()) => Input::Picture(&picture),
                    Err(_) => Input::Broken,
                },
            };
            let now: Duration = raw.captured;
            let outcome = pipeline.step(input, now, &mut |_| {});
            let trusted = !matches!(outcome.verdict, Verdict::CannotTell { .. });
            let reports = (outcome.obstacles.iter())
                .filter(|_| trusted)
                .map(|o| Report {
                    behind_m: o.nearest.behind_m,
                    side_m: o.nearest.side_m,
                    zoned: zone_of(profile, &outcome.verdict, o).is_some(),
                })
                .collect();
            frames.push(Frame {
                time_s: now.as_secs_f64(),
                verdict: verdict_word(&outcome.verdict),
                reports,
                truths: self.truths.get(&raw.seq).cloned().unwrap_or_default(),
            });
        }
        Ok(measure(&Run {
            name: self.path.display().to_string(),
            held_back: false,
            vehicle_width_m: profile.vehicle.width.0,
            frames,
            faults: self.faults.clone(),
        }))
    }
}
