//! Writes MJPEG AVI files.
//!
//! Layout: RIFF AVI with one video stream and an `idx1` index (Microsoft's AVI
//! RIFF File Reference). The file grows under a temporary name and takes its
//! real one when it is complete; cut off in between, what is there still plays.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

/// Sizes in the file are 32 bits and some readers take them as signed.
const MAX_BYTES: u64 = 2_000_000_000;

/// Where the counts and sizes stand that closing fills in.
const RIFF_SIZE_AT: u64 = 4;
const FRAMES_AT: u64 = 48;
const STREAM_FRAMES_AT: u64 = 140;
const MOVI_SIZE_AT: u64 = 216;
const MOVI_TAG_AT: u64 = 220;

/// An MJPEG AVI that is being written.
///
/// [`finish`](Self::finish) makes it complete; dropped without that, the
/// temporary file is removed.
pub struct AviWriter {
    out: BufWriter<File>,
    path: PathBuf,
    temporary: PathBuf,
    /// Offset from the `movi` tag, and length, of every picture.
    index: Vec<(u32, u32)>,
    at: u64,
    finished: bool,
}

impl AviWriter {
    /// Starts a file of the given picture size and rate. An existing file of
    /// that name stays untouched until [`finish`](Self::finish).
    ///
    /// # Errors
    /// If the folder cannot be written, or the size or rate makes no sense.
    pub fn create(path: &Path, width: u32, height: u32, rate_hz: f64) -> anyhow::Result<Self> {
        if width == 0 || height == 0 || width > 65_535 || height > 65_535 {
            bail!(
                "{}: cannot hold pictures of {width}x{height}",
                path.display()
            );
        }
        if !(rate_hz > 0.0 && rate_hz <= 1000.0) {
            bail!("{}: cannot hold {rate_hz} frames a second", path.display());
        }
        let mut name = path.file_name().unwrap_or_default().to_os_string();
        name.push(".part");
        let temporary = path.with_file_name(name);
        let file = File::create(&temporary).with_context(|| {
            format!(
                "{}: cannot be written; check the folder and its rights",
                temporary.display()
            )
        })?;
        let mut writer = AviWriter {
            out: BufWriter::with_capacity(1 << 17, file),
            path: path.to_path_buf(),
            temporary,
            index: Vec::new(),
            at: 0,
            finished: false,
        };
        let head = header(width, height, rate_hz);
        writer.put(&head)?;
        Ok(writer)
    }

    /// Adds one JPEG picture.
    ///
    /// # Errors
    /// If the disk is full or the file would grow past what AVI can say.
    pub fn write_jpeg(&mut self, jpeg: &[u8]) -> anyhow::Result<()> {
        let length = jpeg.len() as u64;
        if self.at + length + 8 + 16 * (self.index.len() as u64 + 2) > MAX_BYTES {
            bail!(
                "{}: would grow past 2 GB, more than an AVI can hold; make the clip shorter",
                self.path.display()
            );
        }
        self.index
            .push(((self.at - MOVI_TAG_AT) as u32, length as u32));
        self.put(b"00dc")?;
        self.put(&(length as u32).to_le_bytes())?;
        self.put(jpeg)?;
        if length % 2 == 1 {
            self.put(&[0])?;
        }
        Ok(())
    }

    /// Holds the place of a frame that is missing, so that later ones keep
    /// their time.
    ///
    /// # Errors
    /// As [`write_jpeg`](Self::write_jpeg).
    pub fn write_gap(&mut self) -> anyhow::Result<()> {
        self.write_jpeg(&[])
    }

    /// Frames written so far, gaps included.
    pub fn frame_count(&self) -> usize {
        self.index.len()
    }

    /// Bytes that the file would have if it were finished now.
    pub fn byte_count(&self) -> u64 {
        self.at + 8 + 16 * self.index.len() as u64
    }

    /// Writes the index, fills in the sizes, makes sure that all is on disk and
    /// gives the file its name.
    ///
    /// # Errors
    /// If the disk is full or the name cannot be taken.
    pub fn finish(mut self) -> anyhow::Result<()> {
        let movi_end = self.at;
        let index = std::mem::take(&mut self.index);
        let mut tail = Vec::with_capacity(8 + index.len() * 16);
        tail.extend_from_slice(b"idx1");
        tail.extend_from_slice(&(index.len() as u32 * 16).to_le_bytes());
        for (at, length) in &index {
            tail.extend_from_slice(b"00dc");
            tail.extend_from_slice(&0x10u32.to_le_bytes()); // a picture on its own
            tail.extend_from_slice(&at.to_le_bytes());
            tail.extend_from_slice(&length.to_le_bytes());
        }
        self.put(&tail)?;
        let frames = index.len() as u32;
        for (at, value) in [
            (RIFF_SIZE_AT, (self.at - 8) as u32),
            (FRAMES_AT, frames),
            (STREAM_FRAMES_AT, frames),
            (MOVI_SIZE_AT, (movi_end - MOVI_TAG_AT) as u32),
        ] {
            self.out
                .seek(SeekFrom::Start(at))
                .and_then(|_| self.out.write_all(&value.to_le_bytes()))
                .with_context(|| self.temporary.display().to_string())?;
        }
        self.out
            .flush()
            .and_then(|()| self.out.get_ref().sync_all())
            .with_context(|| format!("{}: cannot be completed", self.temporary.display()))?;
        std::fs::rename(&self.temporary, &self.path)
            .with_context(|| format!("{}: cannot take its name", self.path.display()))?;
        self.finished = true;
        // The name, too, must outlast a cut of the power.
        let folder = match self.path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        File::open(folder)
            .and_then(|folder| folder.sync_all())
            .with_context(|| format!("{}: cannot be completed", folder.display()))
    }

    fn put(&mut self, bytes: &[u8]) -> anyhow::Result<()> {
        self.out.write_all(bytes).with_context(|| {
            format!(
                "{}: cannot be written; is the disk full?",
                self.temporary.display()
            )
        })?;
        self.at += bytes.len() as u64;
        Ok(())
    }
}

impl Drop for AviWriter {
    fn drop(&mut self) {
        if !self.finished {
            let _ = std::fs::remove_file(&self.temporary);
        }
    }
}

/// Everything up to the first picture, with sizes of 0 where the end is not
/// known yet.
fn header(width: u32, height: u32, rate_hz: f64) -> Vec<u8> {
    // Thousandths: 29.97 a second is 29970 / 1000.
    let (scale, rate) = (1000u32, (rate_hz * 1000.0).round().max(1.0) as u32);
    let mut out = Vec::with_capacity(224);
    let mut put = |parts: &[&[u8]]| parts.iter().for_each(|p| out.extend_from_slice(p));
    let n = |value: u32| value.to_le_bytes();
    let zero = n(0);
    put(&[b"RIFF", &zero, b"AVI ", b"LIST", &n(192), b"hdrl"]);
    let micros = (1e6 / rate_hz).round() as u32;
    put(&[b"avih", &n(56), &n(micros), &zero, &zero, &n(0x10)]); // has an index
    put(&[&zero, &zero, &n(1), &zero, &n(width), &n(height)]);
    put(&[&zero, &zero, &zero, &zero]);
    put(&[b"LIST", &n(116), b"strl", b"strh", &n(56), b"vidsMJPG"]);
    put(&[
        &zero,
        &zero,
        &zero,
        &n(scale),
        &n(rate),
        &zero,
        &zero,
        &zero,
    ]);
    let corner = |v: u32| (v as u16).to_le_bytes();
    put(&[
        &n(u32::MAX),
        &zero,
        &[0; 4],
        &corner(width),
        &corner(height),
    ]);
    put(&[
        b"strf",
        &n(40),
        &n(40),
        &n(width),
        &n(height),
        &[1, 0, 24, 0],
    ]);
    put(&[b"MJPG", &n(width * height * 3), &zero, &zero, &zero, &zero]);
    put(&[b"LIST", &zero, b"movi"]);
    out
}
