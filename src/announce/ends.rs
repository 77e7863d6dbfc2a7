//! The ends that carry an announcement out, as the loop sees them.
//!
//! Devices implement the same traits in modules of their own; the recorders
//! here are what `replay` uses, so a bench run goes through the program that
//! is fitted.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context;
use image::RgbImage;

use super::Edge;

/// Something that can sound.
pub trait Buzzer {
    /// Carries out one edge. A device acts at once and ignores `edge.at`.
    ///
    /// # Errors
    /// If the device refuses; the loop then announces the fault by other means.
    fn set(&mut self, edge: &Edge) -> anyhow::Result<()>;
}

/// Something that can show the annotated picture.
pub trait Screen {
    /// Shows one annotated picture, captured at `at`.
    ///
    /// # Errors
    /// If the device or file refuses.
    fn show(&mut self, picture: &RgbImage, at: Duration) -> anyhow::Result<()>;
}

/// Writes edges as a table: `time_s,on,tone_hz`, one row an edge.
#[derive(Debug)]
pub struct Recorder<W: Write> {
    out: W,
    name: String,
}

impl Recorder<BufWriter<File>> {
    /// A recorder into a new file.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn create(path: &Path) -> anyhow::Result<Self> {
        let file = File::create(path)
            .with_context(|| format!("{}: cannot be written; check --out", path.display()))?;
        Recorder::new(BufWriter::new(file), &path.display().to_string())
    }
}

impl<W: Write> Recorder<W> {
    /// A recorder into any writer; `name` stands in its messages.
    ///
    /// # Errors
    /// If the writer refuses the heading.
    pub fn new(mut out: W, name: &str) -> anyhow::Result<Self> {
        writeln!(out, "time_s,on,tone_hz").with_context(|| format!("{name}: write failed"))?;
        Ok(Recorder {
            out,
            name: name.to_string(),
        })
    }

    /// Makes sure that everything is written.
    ///
    /// # Errors
    /// If the writer refuses, a full disk for example.
    pub fn finish(mut self) -> anyhow::Result<W> {
        let name = self.name;
        self.out
            .flush()
            .with_context(|| format!("{name}: write failed; is the disk full?"))?;
        Ok(self.out)
    }
}

impl<W: Write> Buzzer for Recorder<W> {
    fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
        writeln!(
            self.out,
            "{:.3},{},{:.0}",
            edge.at.as_secs_f64(),
            u8::from(edge.on),
            edge.tone_hz
        )
        .with_context(|| format!("{}: write failed; is the disk full?", self.name))
    }
}

/// Writes each picture as `000000.png`, `000001.png`, … into one folder.
#[derive(Debug)]
pub struct PngFolder {
    folder: PathBuf,
    count: u32,
}

impl PngFolder {
    /// A writer into `folder`, which is made if it is not there.
    ///
    /// # Errors
    /// If the folder cannot be made.
    pub fn create(folder: &Path) -> anyhow::Result<Self> {
        std::fs::create_dir_all(folder)
            .with_context(|| format!("{}: cannot be made; check --out", folder.display()))?;
        Ok(PngFolder {
            folder: folder.to_path_buf(),
            count: 0,
        })
    }
}

impl Screen for PngFolder {
    fn show(&mut self, picture: &RgbImage, _at: Duration) -> anyhow::Result<()> {
        let path = self.folder.join(format!("{:06}.png", self.count));
        self.count += 1;
        picture
            .save(&path)
            .with_context(|| format!("{}: cannot be written", path.display()))
    }
}
