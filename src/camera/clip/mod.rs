//! Recorded clips as a [`Source`].
//!
//! A clip is a folder:
//!
//! ```text
//! clip.toml     rate_hz = 15.0               # needed for numbered pictures
//!               profile = "../van.toml"      # optional, relative to the folder
//!               frames  = "frames.avi"       # optional: file, folder or pattern
//!               truth   = "truth.csv"        # optional
//!               title   = "Yard, evening"    # optional
//! frames.avi    or frames.y4m, or frames/000001.jpg ..., or any one film, or
//!               frames/*.avi: a recording in pieces
//! truth.csv     optional
//! ```
//!
//! A pattern is `shots/cam_%04d.jpg`, `shots/cam_####.jpg` or
//! `shots/cam_*.jpg`. A bare film or picture is accepted in place of a folder.
//! JPEG and PNG pictures, MJPEG in AVI and Y4M are read here; anything else
//! goes through the system's `ffmpeg`, if there is one.

mod avi;
mod chain;
mod companions;
mod external;
mod pictures;
mod settings;
mod y4m;

use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{bail, Context};

use super::frame::{PixelFormat, RawFrame};
use super::jpeg_header::{jpeg_size, png_size};
use super::{Grab, Source};
pub use companions::clip_companions;
use settings::Settings;

/// Coded frames larger than this are damage, not pictures.
const MAX_FRAME_BYTES: u64 = 64 << 20;

/// Film endings that are looked for in a clip folder.
const FILMS: [&str; 10] = [
    "avi", "y4m", "mp4", "mov", "mkv", "webm", "m4v", "mpg", "3gp", "ts",
];

/// A recorded clip.
pub struct ClipSource {
    name: String,
    rate_hz: f64,
    size: (u32, u32),
    settings: Settings,
    folder: PathBuf,
    reader: Reader,
    notes: Vec<String>,
    next_seq: u64,
    broken: u64,
    stale: Option<Duration>,
}

enum Reader {
    Pictures(pictures::Pictures),
    Avi(avi::AviReader),
    Chain(chain::Chain),
    Y4m(y4m::Y4mReader<BufReader<File>>),
    External(external::External),
}

/// What a reader found at the next place.
enum Next {
    /// The frame buffer is filled.
    Frame,
    /// A picture is there but cannot be used.
    Broken(String),
    /// Frames known to be missing before the next one.
    Gap(u64),
    /// No more frames.
    End,
}

impl ClipSource {
    /// Opens a clip folder, or a bare film or picture.
    ///
    /// # Errors
    /// One line that says what is missing or wrong and what to do.
    pub fn open(path: &Path) -> anyhow::Result<Self> {
        let meta = std::fs::metadata(path)
            .with_context(|| format!("{}: cannot open the clip; check the path", path.display()))?;
        let (folder, settings, frames) = if meta.is_dir() {
            let settings = Settings::read(path)?;
            let frames = match &settings.frames {
                Some(given) => path.join(given),
                None => guess_frames(path)?,
            };
            (path.to_path_buf(), settings, frames)
        } else {
            let folder = path.parent().unwrap_or(Path::new("")).to_path_buf();
            (folder, Settings::default(), path.to_path_buf())
        };
        let mut notes = Vec::new();
        let (reader, own_rate_hz, size) = open_frames(&frames, &mut notes)?;
        let single = matches!(&reader, Reader::Pictures(p) if p.len() == 1);
        let rate_hz = settings
            .rate_hz
            .or(own_rate_hz)
            .or(single.then_some(1.0))
            .with_context(|| {
                format!(
                    "{}: numbered pictures do not say how fast they were taken; \
                     put `rate_hz = 15` (or whatever it was) into {}",
                    frames.display(),
                    folder.join("clip.toml").display()
                )
            })?;
        Ok(ClipSource {
            name: path.display().to_string(),
            rate_hz,
            size,
            settings,
            folder,
            reader,
            notes,
            next_seq: 0,
            broken: 0,
            stale: None,
        })
    }

    /// From now on a gap that lasts longer than `stale` since the last frame is handed over
    /// as a [`Grab::Timeout`] of that moment, as a camera's source does.
    pub fn time_out_after(&mut self, stale: Duration) {
        self.stale = Some(stale);
    }

    fn at(&self, seq: u64) -> Duration {
        Duration::try_from_secs_f64(seq as f64 / self.rate_hz).unwrap_or(Duration::MAX)
    }

    /// Number and moment at which the wait for the next frame became too long, if frames
    /// from number `lost` on are missing.
    fn timed_out(&self, lost: u64) -> Option<(u64, Duration)> {
        let at = self.at(lost.checked_sub(1)?).saturating_add(self.stale?);
        let seq = (at.as_secs_f64() * self.rate_hz) as u64;
        (at < self.at(self.next_seq)).then(|| (seq.clamp(lost, self.next_seq - 1), at))
    }

    /// Frames a second.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// The profile that `clip.toml` names, as a path that can be opened.
    pub fn profile(&self) -> Option<PathBuf> {
        Some(self.folder.join(self.settings.profile.as_ref()?))
    }

    /// The truth table that `clip.toml` names, or a `truth.csv` that lies there.
    pub fn truth(&self) -> Option<PathBuf> {
        if let Some(given) = &self.settings.truth {
            return Some(self.folder.join(given));
        }
        let usual = self.folder.join("truth.csv");
        (Path::new(&self.name).is_dir() && usual.is_file()).then_some(usual)
    }

    /// The title in `clip.toml`.
    pub fn title(&self) -> Option<&str> {
        self.settings.title.as_deref()
    }

    /// What is not as it should be without stopping the clip: a truncated
    /// tail, a missing index that was rebuilt, missing numbers. One line each;
    /// complete once [`Grab::End`] was returned.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// How many frames were handed over as [`Grab::Broken`] so far. Pictures
    /// that only decoding shows to be damaged are not among them.
    pub fn broken(&self) -> u64 {
        self.broken
    }
}

impl Source for ClipSource {
    fn grab(&mut self, frame: &mut RawFrame) -> anyhow::Result<Grab> {
        // A gap may come in pieces.
        let lost = self.next_seq;
        let next = loop {
            let next = match &mut self.reader {
                Reader::Pictures(reader) => reader.next(frame),
                Reader::Avi(reader) => reader.next(frame),
                Reader::Chain(reader) => reader.next(frame),
                Reader::Y4m(reader) => reader.next(frame),
                Reader::External(reader) => reader.next(frame, &mut self.notes)?,
            };
            match next {
                Next::Gap(frames) => {
                    self.next_seq += frames;
                    if let Some((seq, at)) = self.timed_out(lost) {
                        (frame.seq, frame.captured) = (seq, at);
                        return Ok(Grab::Timeout);
                    }
                }
                other => break other,
            }
        };
        if matches!(next, Next::End) {
            if let Reader::Y4m(reader) = &mut self.reader {
                self.notes.extend(reader.take_note());
            }
            return Ok(Grab::End);
        }
        frame.seq = self.next_seq;
        frame.captured = self.at(self.next_seq);
        self.next_seq += 1;
        let mut broken = match next {
            Next::Broken(why) => Some(why),
            _ => None,
        };
        if broken.is_none() {
            let got = (frame.width, frame.height);
            if got != self.size {
                broken = Some(format!(
                    "picture is {}x{}, the clip is {}x{}",
                    got.0, got.1, self.size.0, self.size.1
                ));
            }
        }
        Ok(match broken {
            Some(why) => {
                self.broken += 1;
                Grab::Broken(why)
            }
            None => Grab::Frame,
        })
    }

    fn frame_count(&self) -> Option<u64> {
        match &self.reader {
            Reader::Pictures(reader) => Some(reader.len() as u64),
            Reader::Avi(reader) => Some(reader.len() as u64),
            Reader::Chain(reader) => Some(reader.len()),
            Reader::Y4m(reader) => reader.frame_count(),
            Reader::External(_) => None,
        }
    }

    fn size(&self) -> (u32, u32) {
        self.size
    }

    fn name(&self) -> &str {
        &self.name
    }
}

type Opened = (Reader, Option<f64>, (u32, u32));

/// Opens whatever holds the frames; own rate and size come with it.
fn open_frames(frames: &Path, notes: &mut Vec<String>) -> anyhow::Result<Opened> {
    if frames.is_dir() && chain::is_chain(frames)? {
        let reader = chain::Chain::open(frames, notes)?;
        let (rate_hz, size) = (reader.rate_hz(), reader.size());
        return Ok((Reader::Chain(reader), rate_hz, size));
    }
    if frames.is_dir() || pictures::is_pattern(frames) {
        let reader = pictures::Pictures::open(frames, notes)?;
        let size = reader.size();
        return Ok((Reader::Pictures(reader), None, size));
    }
    let mut head = [0; 16];
    let length = File::open(frames)
        .and_then(|file| {
            let mut length = 0;
            let mut file = file.take(head.len() as u64);
            loop {
                match file.read(&mut head[length..])? {
                    0 => return Ok(length),
                    n => length += n,
                }
            }
        })
        .with_context(|| {
            format!(
                "{}: cannot read the frames; check `frames` and the file",
                frames.display()
            )
        })?;
    let head = &head[..length];
    if head.is_empty() {
        bail!(
            "{}: the file is empty; record or copy it again",
            frames.display()
        );
    }
    if head.starts_with(&[0xFF, 0xD8]) || head.starts_with(b"\x89PNG") {
        let reader = pictures::Pictures::single(frames)?;
        let size = reader.size();
        return Ok((Reader::Pictures(reader), None, size));
    }
    if head.starts_with(b"YUV4MPEG2") {
        let reader = y4m::Y4mReader::open(frames)?;
        let (rate_hz, size) = (reader.rate_hz(), reader.size());
        return Ok((Reader::Y4m(reader), rate_hz, size));
    }
    if head.starts_with(b"RIFF") && head.get(8..12) == Some(b"AVI ") {
        if let Some(reader) = avi::AviReader::open(frames, notes)? {
            let (rate_hz, size) = (reader.rate_hz(), reader.size());
            return Ok((Reader::Avi(reader), rate_hz, size));
        }
    }
    let reader = external::External::open(frames)?;
    let (rate_hz, size) = (reader.rate_hz(), reader.size());
    Ok((Reader::External(reader), rate_hz, size))
}

/// Finds the frames of a folder whose `clip.toml` does not name them.
fn guess_frames(folder: &Path) -> anyhow::Result<PathBuf> {
    for usual in ["frames.avi", "frames.y4m", "frames"] {
        let path = folder.join(usual);
        if path.exists() {
            return Ok(path);
        }
    }
    let unreadable = || format!("{}: cannot list the clip folder", folder.display());
    let mut films = Vec::new();
    let mut any_picture = false;
    for entry in std::fs::read_dir(folder).with_context(unreadable)? {
        let path = entry.with_context(unreadable)?.path();
        any_picture |= pictures::is_picture(&path);
        let ending = path.extension().and_then(|e| e.to_str());
        if ending.is_some_and(|e| FILMS.iter().any(|f| f.eq_ignore_ascii_case(e))) {
            films.push(path);
        }
    }
    films.sort();
    match &films[..] {
        [film] if !any_picture => Ok(film.clone()),
        [] if any_picture => Ok(folder.to_path_buf()),
        [] => bail!(
            "{}: no frames in this clip; put numbered JPEG or PNG pictures, frames.avi or frames.y4m there",
            folder.display()
        ),
        _ => bail!(
            "{}: more than one thing could be the frames; name it as `frames = \"...\"` in clip.toml",
            folder.display()
        ),
    }
}

/// Fills format and size of a coded picture from its header.
fn describe_coded(frame: &mut RawFrame) -> Next {
    let (format, size) = if frame.bytes.starts_with(b"\x89PNG") {
        (PixelFormat::Png, png_size(&frame.bytes))
    } else {
        (PixelFormat::Jpeg, jpeg_size(&frame.bytes))
    };
    frame.format = format;
    match size {
        Some((width, height)) => {
            frame.width = width;
            frame.height = height;
            Next::Frame
        }
        None if frame.bytes.is_empty() => Next::Broken("empty picture".into()),
        None => Next::Broken("no JPEG or PNG header".into()),
    }
}

#[cfg(test)]
mod tests;
