//! Frames into AVI files of a few seconds, each complete by itself.
//!
//! JPEG frames are stored as the camera gave them; others are encoded once. A
//! frame's place in the file is its time: frames that are missing leave empty
//! places, so that pieces played one after the other keep the time.

use std::path::{Path, PathBuf};
use std::time::Duration;

use image::RgbImage;

use crate::camera::{AviWriter, Decoder, JpegEncoder, PixelFormat, RawFrame};

const QUALITY: u8 = 92;

/// A longer pause is stored as one of this length: long enough to be noticed
/// as a loss of the picture, and no more.
const LONGEST_PAUSE: Duration = Duration::from_secs(2);

/// How segments are made.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    /// Where they go.
    pub folder: PathBuf,
    /// Number of this run of the program, in their names.
    pub run: u32,
    /// Frames a second that are stored at most.
    pub rate_hz: f64,
    /// Length of one.
    pub length: Duration,
    /// Greatest size of one.
    pub most_bytes: u64,
}

/// Writes segments, one after the other.
pub(super) struct Segments {
    plan: Plan,
    decoder: Decoder,
    encoder: JpegEncoder,
    rgb: RgbImage,
    jpeg: Vec<u8>,
    /// Place of the next frame since the start of the source.
    next_slot: Option<u64>,
    open: Option<Open>,
}

struct Open {
    avi: AviWriter,
    path: PathBuf,
    size: (u32, u32),
}

impl Segments {
    pub fn new(plan: Plan) -> anyhow::Result<Self> {
        Ok(Segments {
            plan,
            decoder: Decoder::new()?,
            encoder: JpegEncoder::new(QUALITY)?,
            rgb: RgbImage::new(1, 1),
            jpeg: Vec::new(),
            next_slot: None,
            open: None,
        })
    }

    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Whether the open segment must be closed before this frame.
    pub fn is_full_for(&self, frame: &RawFrame) -> bool {
        let Some(open) = &self.open else {
            return false;
        };
        let slots = open.avi.frame_count() as f64;
        // Raw pictures are bounded by their size before encoding.
        slots >= self.plan.length.as_secs_f64() * self.plan.rate_hz
            || open.avi.byte_count() + self.most_of(frame) > self.plan.most_bytes
            || open.size != (frame.width, frame.height)
    }

    /// The most that a frame and the pause before it add to a file.
    fn most_of(&self, frame: &RawFrame) -> u64 {
        const CHUNK: u64 = 8 + 16 + 1;
        let pause = (LONGEST_PAUSE.as_secs_f64() * self.plan.rate_hz).ceil() as u64;
        frame.bytes.len() as u64 + CHUNK * (pause + 1)
    }

    /// Stores a frame, opening a segment if none is; `false` if it was passed
    /// over, because it comes faster than the rate or fits into no segment.
    ///
    /// # Errors
    /// The folder or the disk refuses; the open segment is then to be abandoned.
    pub fn add(&mut self, frame: &RawFrame) -> anyhow::Result<bool> {
        let due = frame.captured.as_secs_f64() * self.plan.rate_hz;
        let next = self.next_slot.unwrap_or(due.round() as u64);
        let slot = (due.round() as u64).max(next);
        if slot as f64 - due > 1.0 || self.most_of(frame) > self.plan.most_bytes / 2 {
            return Ok(false);
        }
        let jpeg = if frame.format == PixelFormat::Jpeg {
            &frame.bytes
        } else {
            if self.decoder.decode_rgb(frame, &mut self.rgb).is_err() {
                return Ok(false);
            }
            self.encoder.encode_rgb(&self.rgb, &mut self.jpeg)?;
            &self.jpeg
        };
        if self.open.is_none() {
            let starts_ms = frame.captured.as_millis();
            let name = format!("{:06}-{starts_ms:010}.avi", self.plan.run);
            let path = self.plan.folder.join(name);
            let size = (frame.width, frame.height);
            let avi = AviWriter::create(&path, size.0, size.1, self.plan.rate_hz)?;
            self.open = Some(Open { avi, path, size });
        }
        if let Some(open) = &mut self.open {
            let longest = (LONGEST_PAUSE.as_secs_f64() * self.plan.rate_hz) as u64;
            for _ in 0..(slot - next).min(longest) {
                open.avi.write_gap()?;
            }
            open.avi.write_jpeg(jpeg)?;
        }
        self.next_slot = Some(slot + 1);
        Ok(true)
    }

    /// Completes the open segment, if there is one; its file is then on the disk.
    ///
    /// # Errors
    /// The disk refuses; nothing of the segment is left then.
    pub fn close(&mut self) -> anyhow::Result<Option<PathBuf>> {
        let Some(open) = self.open.take() else {
            return Ok(None);
        };
        open.avi.finish()?;
        Ok(Some(open.path))
    }

    /// Gives the open segment up.
    pub fn abandon(&mut self) {
        self.open = None;
    }
}

/// Run and start of a segment, from its name.
pub(super) fn name_of(path: &Path) -> Option<(u32, Duration)> {
    let (run, starts_ms) = path
        .file_name()?
        .to_str()?
        .strip_suffix(".avi")?
        .split_once('-')?;
    let starts = Duration::from_millis(starts_ms.parse().ok()?);
    Some((run.parse().ok()?, starts))
}
