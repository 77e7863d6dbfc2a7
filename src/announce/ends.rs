//! The ends that carry an announcement out, as the loop sees them.
//!
//! Devices implement the same traits in modules of their own; the recorders
//! here are what `replay` uses, so a bench run goes through the program that
//! is fitted.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Duration;

use anyhow::Context;
use image::RgbImage;

use crate::camera::{AviWriter, JpegEncoder};

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

/// Writes the annotated pictures as one MJPEG AVI.
pub struct VideoFile {
    writer: AviWriter,
    encoder: JpegEncoder,
    jpeg: Vec<u8>,
}

/// Good enough that lettering stays crisp.
const JPEG_QUALITY: u8 = 88;

impl VideoFile {
    /// A new video of the given picture size and rate; the file takes its name
    /// when it is [finished](Self::finish).
    ///
    /// # Errors
    /// If the file cannot be written, or size or rate make no sense.
    pub fn create(path: &Path, width: u32, height: u32, rate_hz: f64) -> anyhow::Result<Self> {
        Ok(VideoFile {
            writer: AviWriter::create(path, width, height, rate_hz)?,
            encoder: JpegEncoder::new(JPEG_QUALITY)?,
            jpeg: Vec::new(),
        })
    }

    /// Completes the file.
    ///
    /// # Errors
    /// If the rest cannot be written.
    pub fn finish(self) -> anyhow::Result<()> {
        self.writer.finish()
    }
}

impl Screen for VideoFile {
    fn show(&mut self, picture: &RgbImage, _at: Duration) -> anyhow::Result<()> {
        self.encoder.encode_rgb(picture, &mut self.jpeg)?;
        self.writer.write_jpeg(&self.jpeg)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_are_written_as_a_table() {
        let mut recorder = Recorder::new(Vec::new(), "edges.csv").unwrap();
        for (ms, on, tone_hz) in [(0, true, 1000.0), (66, false, 0.0)] {
            let at = Duration::from_millis(ms);
            recorder.set(&Edge { at, on, tone_hz }).unwrap();
        }
        let text = String::from_utf8(recorder.finish().unwrap()).unwrap();
        assert_eq!(text, "time_s,on,tone_hz\n0.000,1,1000\n0.066,0,0\n");
    }
}
