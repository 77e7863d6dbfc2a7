//! MJPEG in AVI.
//!
//! The file is walked chunk by chunk (RIFF, Multimedia Programming Interface
//! and Data Specifications 1.0, IBM and Microsoft 1991; AVI lists as in
//! Microsoft's AVI RIFF File Reference), so a missing index and a truncated
//! tail do no harm. Sizes in headers only ever bound a read; nothing is
//! allocated by them.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use anyhow::{bail, Context};

use super::{describe_coded, Next, MAX_FRAME_BYTES};
use crate::camera::frame::{Range, RawFrame};

/// More frames than a day at 120 a second is damage.
const MAX_FRAMES: usize = 120 * 86_400;

/// Where one coded picture lies.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    at: u64,
    /// Bytes that are there.
    length: u64,
    /// Bytes that its chunk header promises.
    promised: u64,
    /// False for a stretch of damage where some frame must have been.
    whole: bool,
}

/// Reads the pictures of an MJPEG AVI in order.
pub(super) struct AviReader {
    file: File,
    places: Vec<Place>,
    next: usize,
    rate_hz: Option<f64>,
    size: (u32, u32),
}

/// What the header lists say.
#[derive(Default)]
struct Header {
    rate_hz: Option<f64>,
    frames: u64,
    codec: [u8; 4],
    /// Number of the video stream.
    stream: Option<u8>,
    streams: u8,
}

impl AviReader {
    /// Opens the file; `None` if its pictures are not JPEG.
    pub fn open(path: &Path, notes: &mut Vec<String>) -> anyhow::Result<Option<Self>> {
        let unreadable = || format!("{}: cannot be read", path.display());
        let mut file = File::open(path).with_context(unreadable)?;
        let end = file.seek(SeekFrom::End(0)).with_context(unreadable)?;
        let mut walk = Walk {
            file: &mut file,
            end,
            header: Header::default(),
            places: Vec::new(),
            notes: Vec::new(),
            saw_index: false,
        };
        walk.chunks(12, end, 0).with_context(unreadable)?;
        let Walk {
            header,
            places,
            saw_index,
            notes: found,
            ..
        } = walk;
        let mut reader = AviReader {
            file,
            places,
            next: 0,
            rate_hz: header.rate_hz,
            size: (0, 0),
        };
        if reader.places.is_empty() {
            if matches!(
                &header.codec,
                b"MJPG" | b"mjpg" | b"JPEG" | b"jpeg" | [0, 0, 0, 0]
            ) {
                bail!(
                    "{}: no frames in this AVI; record or copy it again",
                    path.display()
                );
            }
            return Ok(None);
        }
        // The codec's four letters are often wrong; the pictures are not.
        let mut frame = RawFrame::empty();
        let mut jpeg = false;
        let pictures = reader.places.clone().into_iter().filter(|p| p.promised > 0);
        for place in pictures.take(100) {
            if matches!(reader.load(place, &mut frame), Next::Frame) {
                jpeg = true;
                reader.size = (frame.width, frame.height);
                break;
            }
        }
        if !jpeg {
            if matches!(&header.codec, b"MJPG" | b"mjpg" | b"JPEG" | b"jpeg") {
                bail!(
                    "{}: not one picture can be read; record or copy it again",
                    path.display()
                );
            }
            return Ok(None);
        }
        let mut tell = |note: String| notes.push(format!("{}: {note}", path.display()));
        found.into_iter().for_each(&mut tell);
        let count = reader.places.len() as u64;
        if header.frames > count {
            tell(format!(
                "the header promises {} frames, {count} are there",
                header.frames
            ));
        }
        if !saw_index {
            tell("no index, so the recording was not closed; frames found by walking".into());
        }
        Ok(Some(reader))
    }

    pub fn len(&self) -> usize {
        self.places.len()
    }

    pub fn size(&self) -> (u32, u32) {
        self.size
    }

    pub fn rate_hz(&self) -> Option<f64> {
        self.rate_hz
    }

    pub fn next(&mut self, frame: &mut RawFrame) -> Next {
        let Some(&place) = self.places.get(self.next) else {
            return Next::End;
        };
        self.next += 1;
        self.load(place, frame)
    }

    fn load(&mut self, place: Place, frame: &mut RawFrame) -> Next {
        frame.bytes.clear();
        frame.range = Range::Full;
        if !place.whole {
            return Next::Broken("damaged stretch of the file".into());
        }
        if place.promised == 0 {
            // An empty chunk holds the place of a frame that was never there.
            return Next::Gap(1);
        }
        if place.length < place.promised {
            return Next::Broken(format!(
                "cut short: {} of {} bytes",
                place.length, place.promised
            ));
        }
        if place.length > MAX_FRAME_BYTES {
            return Next::Broken(format!("{} bytes are too many for a picture", place.length));
        }
        let read = self.file.seek(SeekFrom::Start(place.at)).and_then(|_| {
            (&self.file)
                .take(place.length)
                .read_to_end(&mut frame.bytes)
        });
        match read {
            Err(e) => Next::Broken(e.to_string()),
            Ok(n) if (n as u64) < place.length => Next::Broken("the file became shorter".into()),
            Ok(_) => describe_coded(frame),
        }
    }
}

/// The state of one pass over the file.
struct Walk<'a> {
    file: &'a mut File,
    /// File length.
    end: u64,
    header: Header,
    places: Vec<Place>,
    notes: Vec<String>,
    saw_index: bool,
}

impl Walk<'_> {
    /// Walks the chunks in `at..end`, `depth` lists deep.
    fn chunks(&mut self, mut at: u64, end: u64, depth: u8) -> io::Result<()> {
        while at + 8 <= end && self.places.len() < MAX_FRAMES {
            let mut head = [0; 12];
            let got = self.read_at(at, &mut head)?;
            let tag = [head[0], head[1], head[2], head[3]];
            let promised = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]));
            let body = at + 8;
            let room = self.end.saturating_sub(body);
            let frame = self.is_frame(tag);
            if !tag.iter().all(|b| b.is_ascii_graphic() || *b == b' ')
                || (promised > room && !matches!(&tag, b"LIST" | b"RIFF"))
            {
                // Damage, or the end of a recording that was cut off.
                match self.resync(if frame { body } else { at + 1 })? {
                    Some(found) => {
                        self.notes
                            .push(format!("damage at byte {at}, {} bytes skipped", found - at));
                        self.places.push(Place {
                            at,
                            length: 0,
                            promised: 0,
                            whole: false,
                        });
                        at = found;
                        continue;
                    }
                    None => {
                        if frame {
                            self.places.push(Place {
                                at: body,
                                length: room,
                                promised,
                                whole: true,
                            });
                            self.notes.push(format!(
                                "cut off in frame {}, {} bytes are missing",
                                self.places.len() - 1,
                                promised - room
                            ));
                        } else {
                            self.notes
                                .push(format!("cut off or damaged from byte {at} on"));
                        }
                        return Ok(());
                    }
                }
            }
            match &tag {
                b"LIST" | b"RIFF" if got == 12 && depth < 6 => {
                    let kind = [head[8], head[9], head[10], head[11]];
                    // A recording that was not closed has no size here yet.
                    let open = promised == 0 && matches!(&kind, b"movi" | b"AVI " | b"AVIX");
                    let list_end = if open || promised > room {
                        self.end
                    } else {
                        body + promised
                    };
                    if &kind == b"strl" {
                        self.header.streams = self.header.streams.saturating_add(1);
                    }
                    if kind != *b"INFO" {
                        self.chunks(body + 4, list_end.min(end.max(list_end)), depth + 1)?;
                    }
                    at = list_end + (list_end & 1);
                    continue;
                }
                b"avih" => self.main_header(body)?,
                b"strh" => self.stream_header(body)?,
                b"idx1" => self.saw_index = true,
                _ if tag.starts_with(b"ix") || &tag == b"indx" => self.saw_index = true,
                _ if frame => {
                    self.places.push(Place {
                        at: body,
                        length: promised,
                        promised,
                        whole: true,
                    });
                }
                _ => {}
            }
            at = body + promised + (promised & 1);
        }
        Ok(())
    }

    /// Is this the tag of a picture of the video stream, such as `00dc`?
    fn is_frame(&self, tag: [u8; 4]) -> bool {
        let number = match (tag[0], tag[1]) {
            (a @ b'0'..=b'9', b @ b'0'..=b'9') => (a - b'0') * 10 + (b - b'0'),
            _ => return false,
        };
        matches!(&tag[2..], b"dc" | b"db") && self.header.stream.is_none_or(|s| s == number)
    }

    fn main_header(&mut self, body: u64) -> io::Result<()> {
        let mut bytes = [0; 20];
        self.read_at(body, &mut bytes)?;
        let micros = u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
        if micros > 0 && self.header.rate_hz.is_none() {
            self.header.rate_hz = sane_rate(1e6 / f64::from(micros));
        }
        self.header.frames = u64::from(u32::from_le_bytes([
            bytes[16], bytes[17], bytes[18], bytes[19],
        ]));
        Ok(())
    }

    fn stream_header(&mut self, body: u64) -> io::Result<()> {
        let mut bytes = [0; 28];
        self.read_at(body, &mut bytes)?;
        if &bytes[..4] != b"vids" || self.header.stream.is_some() {
            return Ok(());
        }
        self.header.stream = Some(self.header.streams.saturating_sub(1));
        self.header.codec.copy_from_slice(&bytes[4..8]);
        let scale = u32::from_le_bytes([bytes[20], bytes[21], bytes[22], bytes[23]]);
        let rate = u32::from_le_bytes([bytes[24], bytes[25], bytes[26], bytes[27]]);
        if scale > 0 {
            self.header.rate_hz =
                sane_rate(f64::from(rate) / f64::from(scale)).or(self.header.rate_hz);
        }
        Ok(())
    }

    /// Looks for the next picture from `from` on: a tag of the video stream,
    /// a size that fits the file, and the start of a JPEG.
    fn resync(&mut self, from: u64) -> io::Result<Option<u64>> {
        const STEP: usize = 1 << 16;
        let mut buffer = vec![0; STEP + 16];
        let mut at = from;
        while at + 10 <= self.end {
            let got = self.read_at(at, &mut buffer)?;
            for i in 0..got.saturating_sub(9).min(STEP) {
                let w = &buffer[i..i + 10];
                let size = u64::from(u32::from_le_bytes([w[4], w[5], w[6], w[7]]));
                let here = at + i as u64;
                if w[8..10] == [0xFF, 0xD8]
                    && self.is_frame([w[0], w[1], w[2], w[3]])
                    && here + 8 + size <= self.end
                {
                    return Ok(Some(here));
                }
            }
            at += STEP as u64;
        }
        Ok(None)
    }

    /// Reads up to the buffer's length; what the file lacks stays zero.
    fn read_at(&mut self, at: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.file.seek(SeekFrom::Start(at))?;
        let mut got = 0;
        while got < buffer.len() {
            match self.file.read(&mut buffer[got..])? {
                0 => break,
                n => got += n,
            }
        }
        buffer[got..].fill(0);
        Ok(got)
    }
}

fn sane_rate(rate_hz: f64) -> Option<f64> {
    (rate_hz.is_finite() && rate_hz > 0.0 && rate_hz <= 1000.0).then_some(rate_hz)
}
