//! The recording on the disk: a ring of segments, and clips made of them.
//!
//! ```text
//! FOLDER/ring/000012-0000345678.avi    run 12, from 345.678 s after its start
//! FOLDER/clips/000012-00345-danger/    clip.toml, profile.toml, frames/*.avi
//! ```
//!
//! A segment is complete before it has its name, and is in one place only: a
//! clip takes the ring's segments over by renaming them, newest first. So a cut
//! of the power at any instant leaves whole segments, and each clip with the
//! newest of its own. What was being written is removed at the next start.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;

use super::segments::{name_of, Plan};
use crate::profile::RecordSettings;

/// What a loss of power costs at most.
const SEGMENT: Duration = Duration::from_secs(5);

/// Space is given out in blocks.
const BLOCK: u64 = 4096;

pub(super) struct Ring {
    settings: RecordSettings,
    ring: PathBuf,
    clips: PathBuf,
    run: u32,
    /// Files that each clip gets, by name.
    companions: Vec<(String, Vec<u8>)>,
}

impl Ring {
    /// Makes the folders where they are missing.
    ///
    /// # Errors
    /// Nothing can be written there.
    pub fn prepare(settings: &RecordSettings) -> anyhow::Result<()> {
        for name in ["ring", "clips"] {
            let folder = settings.folder.join(name);
            let probe = folder.join("probe.part");
            fs::create_dir_all(&folder)
                .and_then(|()| File::create(&probe))
                .and_then(|_| fs::remove_file(&probe))
                .with_context(|| {
                    format!(
                        "{}: cannot be written, so nothing is recorded; check record.folder and its owner",
                        folder.display()
                    )
                })?;
        }
        Ok(())
    }

    /// Opens the recording, and removes what an earlier run left unfinished.
    ///
    /// # Errors
    /// As [`prepare`](Self::prepare).
    pub fn open(
        settings: &RecordSettings,
        companions: Vec<(String, Vec<u8>)>,
    ) -> anyhow::Result<Self> {
        Self::prepare(settings)?;
        let mut ring = Ring {
            settings: settings.clone(),
            ring: settings.folder.join("ring"),
            clips: settings.folder.join("clips"),
            run: 1,
            companions,
        };
        ring.clean()?;
        ring.run = 1 + ring.last_run()?;
        Ok(ring)
    }

    /// How this run's segments are made.
    pub fn plan(&self, rate_hz: f64) -> Plan {
        Plan {
            folder: self.ring.clone(),
            run: self.run,
            rate_hz,
            length: SEGMENT,
            // Small enough that the oldest can go piece by piece.
            most_bytes: self.settings.most_bytes / 16,
        }
    }

    fn clean(&self) -> anyhow::Result<()> {
        for path in list(&self.ring)? {
            let part = path.extension().is_some_and(|e| e == "part");
            // Also a segment that the disk lost the content of.
            let lost = is_segment(&path) && path.metadata().map_or(true, |m| m.len() == 0);
            if part || lost {
                remove(&path)?;
            }
        }
        for clip in list(&self.clips)? {
            let name = name_text(&clip);
            let unborn = name.strip_prefix('.').and_then(run_of_clip).is_some();
            let empty = run_of_clip(name).is_some()
                && list(&clip.join("frames")).map_or(true, |f| f.is_empty());
            if unborn || empty {
                remove(&clip)?;
            }
        }
        Ok(())
    }

    fn segments(&self) -> anyhow::Result<Vec<PathBuf>> {
        let mut found = list(&self.ring)?;
        found.retain(|path| is_segment(path));
        Ok(found)
    }

    fn kept(&self) -> anyhow::Result<Vec<PathBuf>> {
        let mut found = list(&self.clips)?;
        found.retain(|path| run_of_clip(name_text(path)).is_some());
        Ok(found)
    }

    fn last_run(&self) -> anyhow::Result<u32> {
        let (segments, clips) = (self.segments()?, self.kept()?);
        let in_ring = segments.iter().filter_map(|s| Some(name_of(s)?.0));
        let in_clips = clips.iter().filter_map(|c| run_of_clip(name_text(c)));
        let runs = in_ring.chain(in_clips);
        Ok(runs.max().unwrap_or(0))
    }

    /// Forgets what is older than wanted, then the oldest until `coming` bytes
    /// fit: clips where they have more than half the space, else the ring. The
    /// newest clip is the last to go, and goes piece by piece.
    ///
    /// # Errors
    /// The folder cannot be listed, or something will not go.
    pub fn make_room(&self, coming: u64) -> anyhow::Result<()> {
        let mut segments = self.segments()?;
        for path in segments.drain(..self.outdated(&segments)) {
            remove(&path)?;
        }
        let mut clips = self.kept()?;
        let most = self.settings.most_bytes;
        let bytes = |paths: &[PathBuf]| paths.iter().map(|p| size(p)).sum::<u64>();
        let (mut in_ring, mut in_clips) = (bytes(&segments), bytes(&clips));
        while in_ring + in_clips + coming > most {
            let clips_first = in_clips > most / 2 || segments.is_empty();
            if clips_first && clips.len() > 1 {
                let oldest = clips.remove(0);
                in_clips -= size(&oldest);
                remove(&oldest)?;
            } else if !segments.is_empty() {
                let oldest = segments.remove(0);
                in_ring -= size(&oldest);
                remove(&oldest)?;
            } else {
                let Some(clip) = clips.first() else { break };
                let frames = list(&clip.join("frames"))?;
                let Some(oldest) = frames.first() else { break };
                in_clips -= size(oldest);
                remove(oldest)?;
            }
        }
        Ok(())
    }

    /// How many of the segments, oldest first, are no longer wanted.
    fn outdated(&self, segments: &[PathBuf]) -> usize {
        let mut age = Duration::ZERO;
        for (i, path) in segments.iter().enumerate().rev() {
            let lasts = match (name_of(path), segments.get(i + 1).and_then(|n| name_of(n))) {
                (Some((run, starts)), Some((next_run, ends))) if run == next_run => {
                    ends.saturating_sub(starts).min(SEGMENT)
                }
                _ => SEGMENT,
            };
            if age >= self.settings.last {
                return i + 1;
            }
            age += lasts;
        }
        0
    }

    /// Makes a clip of all that the ring holds; `None` if it holds nothing.
    ///
    /// # Errors
    /// The disk refuses; what was not taken over is still in the ring.
    pub fn keep(&self, cause: &str, at: Duration) -> anyhow::Result<Option<PathBuf>> {
        let segments = self.segments()?;
        if segments.is_empty() {
            return Ok(None);
        }
        let name = format!("{:06}-{:05}-{cause}", self.run, at.as_secs());
        let hidden = self.clips.join(format!(".{name}"));
        let clip = self.clips.join(&name);
        if !clip.exists() {
            let refused = || format!("{}: cannot be written", clip.display());
            let _ = remove(&hidden);
            fs::create_dir_all(hidden.join("frames")).with_context(refused)?;
            for (name, bytes) in &self.companions {
                write_durably(&hidden.join(name), bytes).with_context(refused)?;
            }
            sync(&hidden).with_context(refused)?;
            fs::rename(&hidden, &clip).with_context(refused)?;
            sync(&self.clips).with_context(refused)?;
        }
        for segment in segments.iter().rev() {
            self.join(&clip, segment)?;
        }
        Ok(Some(clip))
    }

    /// Moves a segment from the ring into a clip.
    ///
    /// # Errors
    /// The disk refuses; the segment is still in the ring.
    pub fn join(&self, clip: &Path, segment: &Path) -> anyhow::Result<()> {
        let frames = clip.join("frames");
        let refused = || format!("{}: cannot be taken into a clip", segment.display());
        let name = segment.file_name().with_context(refused)?;
        fs::rename(segment, frames.join(name))
            .and_then(|()| sync(&frames))
            .and_then(|()| sync(&self.ring))
            .with_context(refused)
    }
}

/// What a folder holds, in the order of names, which is the order of time.
fn list(folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let unreadable = || format!("{}: cannot be listed", folder.display());
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).with_context(unreadable)? {
        found.push(entry.with_context(unreadable)?.path());
    }
    found.sort();
    Ok(found)
}

fn name_text(path: &Path) -> &str {
    path.file_name().and_then(|n| n.to_str()).unwrap_or("")
}

fn is_segment(path: &Path) -> bool {
    name_of(path).is_some()
}

/// The run of a clip made here, from its name.
fn run_of_clip(name: &str) -> Option<u32> {
    let (run, rest) = name.split_once('-')?;
    let (seconds, _cause) = rest.split_once('-')?;
    seconds.parse::<u64>().ok()?;
    run.parse().ok()
}

/// Blocks that a file, or a folder with all in it, takes. What is gone takes none.
fn size(path: &Path) -> u64 {
    let Ok(meta) = path.symlink_metadata() else {
        return 0;
    };
    let own = meta.len().div_ceil(BLOCK).max(1) * BLOCK;
    match list(path) {
        Ok(inside) if meta.is_dir() => own + inside.iter().map(|p| size(p)).sum::<u64>(),
        _ => own,
    }
}

fn remove(path: &Path) -> anyhow::Result<()> {
    let done = if path.is_dir() {
        fs::remove_dir_all(path)
    } else {
        fs::remove_file(path)
    };
    match done {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        done => done.with_context(|| format!("{}: cannot be removed", path.display())),
    }
}

fn write_durably(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    use std::io::Write;

    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Makes sure that names in a folder outlast a cut of the power.
fn sync(folder: &Path) -> std::io::Result<()> {
    File::open(folder)?.sync_all()
}
