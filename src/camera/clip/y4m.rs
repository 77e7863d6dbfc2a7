//! Y4M: raw planes with a one-line header.
//!
//! Format as written by the mjpegtools (manual page yuv4mpeg(5)): a stream
//! header of space-separated tags, then `FRAME` lines each followed by planes.
//! Samples are limited range unless `XCOLORRANGE=FULL` says otherwise, the
//! reading that ffmpeg gives it.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use anyhow::{bail, Context};

use super::Next;
use crate::camera::decode::MAX_PIXELS;
use crate::camera::frame::{PixelFormat, Range, RawFrame};

/// Header lines are short; longer ones are damage.
const MAX_LINE: u64 = 1024;

/// What the stream header says.
#[derive(Debug, Clone, PartialEq)]
struct Header {
    width: u32,
    height: u32,
    rate_hz: Option<f64>,
    chroma: Chroma,
    range: Range,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Chroma {
    C420,
    C422,
    C444,
    Mono,
}

/// Reads Y4M from a file or a pipe.
pub(super) struct Y4mReader<R> {
    input: R,
    header: Header,
    frame_count: Option<u64>,
    packed: Vec<u8>,
    over: bool,
    note: Option<String>,
}

impl Y4mReader<BufReader<File>> {
    /// Opens a file.
    pub fn open(path: &Path) -> anyhow::Result<Self> {
        let at = || path.display().to_string();
        let file = File::open(path).with_context(at)?;
        let length = file.metadata().with_context(at)?.len();
        let mut input = BufReader::with_capacity(1 << 16, file);
        let (header, header_bytes) = read_header(&mut input).with_context(at)?;
        let mut reader = Self::new(input, header);
        // Frame lines may carry tags; without them the count is exact.
        let each = 6 + reader.frame_bytes() as u64;
        reader.frame_count = Some((length - header_bytes.min(length)).div_ceil(each));
        if reader.frame_count == Some(0) {
            bail!(
                "{}: no frames in this Y4M; record or copy it again",
                path.display()
            );
        }
        Ok(reader)
    }
}

impl<R: BufRead> Y4mReader<R> {
    /// Reads the header from a pipe.
    pub fn from_pipe(mut input: R) -> anyhow::Result<Self> {
        let (header, _) = read_header(&mut input)?;
        Ok(Self::new(input, header))
    }

    fn new(input: R, header: Header) -> Self {
        Y4mReader {
            input,
            header,
            frame_count: None,
            packed: Vec::new(),
            over: false,
            note: None,
        }
    }

    pub fn size(&self) -> (u32, u32) {
        (self.header.width, self.header.height)
    }

    pub fn rate_hz(&self) -> Option<f64> {
        self.header.rate_hz
    }

    pub fn frame_count(&self) -> Option<u64> {
        self.frame_count
    }

    /// What was wrong with the tail, once.
    pub fn take_note(&mut self) -> Option<String> {
        self.note.take()
    }

    fn frame_bytes(&self) -> usize {
        let (w, h) = (self.header.width as usize, self.header.height as usize);
        match self.header.chroma {
            Chroma::C420 => w * h + 2 * w.div_ceil(2) * h.div_ceil(2),
            Chroma::C422 => w * h + 2 * w.div_ceil(2) * h,
            Chroma::C444 => w * h * 3,
            Chroma::Mono => w * h,
        }
    }

    pub fn next(&mut self, frame: &mut RawFrame) -> Next {
        if self.over {
            return Next::End;
        }
        let line = match read_line(&mut self.input) {
            Ok(line) if line.is_empty() => {
                self.over = true;
                return Next::End;
            }
            Ok(line) => line,
            Err(e) => return self.stop(format!("cannot be read on: {e}")),
        };
        if !line.starts_with(b"FRAME") || !line.ends_with(b"\n") {
            return self.stop("no frame line where one is due; the rest cannot be read".into());
        }
        frame.width = self.header.width;
        frame.height = self.header.height;
        frame.range = self.header.range;
        frame.format = match self.header.chroma {
            Chroma::C420 => PixelFormat::I420,
            Chroma::C422 => PixelFormat::Yuyv,
            Chroma::C444 => PixelFormat::I444,
            Chroma::Mono => PixelFormat::Grey,
        };
        let need = self.frame_bytes();
        frame.bytes.clear();
        let read = self
            .input
            .by_ref()
            .take(need as u64)
            .read_to_end(&mut frame.bytes);
        match read {
            Err(e) => return self.stop(format!("cannot be read on: {e}")),
            Ok(got) if got < need => {
                return self.stop(format!(
                    "cut short: the last frame has {got} of {need} bytes"
                ));
            }
            Ok(_) => {}
        }
        if self.header.chroma == Chroma::C422 {
            self.interleave(frame);
        }
        Next::Frame
    }

    /// The last thing this file gives: a broken frame.
    fn stop(&mut self, why: String) -> Next {
        self.over = true;
        self.note = Some(why.clone());
        Next::Broken(why)
    }

    /// 4:2:2 planes to `Y0 Cb Y1 Cr`; an odd row ends with its luma repeated.
    fn interleave(&mut self, frame: &mut RawFrame) {
        let (w, h) = (self.header.width as usize, self.header.height as usize);
        let pairs = w.div_ceil(2);
        self.packed.clear();
        self.packed.reserve(pairs * 4 * h);
        let (luma, chroma) = frame.bytes.split_at(w * h);
        let (cb, cr) = chroma.split_at(pairs * h);
        for y in 0..h {
            let row = &luma[y * w..(y + 1) * w];
            for (x, pair) in row.chunks(2).enumerate() {
                let at = y * pairs + x;
                let second = pair.get(1).unwrap_or(&pair[0]);
                self.packed
                    .extend_from_slice(&[pair[0], cb[at], *second, cr[at]]);
            }
        }
        std::mem::swap(&mut self.packed, &mut frame.bytes);
    }
}

fn read_line(input: &mut impl BufRead) -> std::io::Result<Vec<u8>> {
    let mut line = Vec::new();
    input.by_ref().take(MAX_LINE).read_until(b'\n', &mut line)?;
    Ok(line)
}

fn read_header(input: &mut impl BufRead) -> anyhow::Result<(Header, u64)> {
    let line = read_line(input)?;
    let length = line.len() as u64;
    let text = std::str::from_utf8(&line)
        .ok()
        .and_then(|text| text.strip_suffix('\n'))
        .context("the Y4M header is damaged; record or convert the clip again")?;
    Ok((parse_header(text)?, length))
}

fn parse_header(text: &str) -> anyhow::Result<Header> {
    let mut tags = text.split(' ');
    if tags.next() != Some("YUV4MPEG2") {
        bail!("not a Y4M file; record or convert the clip again");
    }
    let mut header = Header {
        width: 0,
        height: 0,
        rate_hz: None,
        chroma: Chroma::C420,
        range: Range::Limited,
    };
    for tag in tags.filter(|tag| !tag.is_empty()) {
        let Some(kind) = tag.chars().next() else {
            continue;
        };
        let value = &tag[kind.len_utf8()..];
        match kind {
            'W' => header.width = value.parse().unwrap_or(0),
            'H' => header.height = value.parse().unwrap_or(0),
            'F' => {
                header.rate_hz = value.split_once(':').and_then(|(n, d)| {
                    let rate_hz = n.parse::<f64>().ok()? / d.parse::<f64>().ok()?;
                    (rate_hz > 0.0 && rate_hz <= 1000.0).then_some(rate_hz)
                });
            }
            'C' => {
                header.chroma = match value {
                    "420" | "420jpeg" | "420mpeg2" | "420paldv" => Chroma::C420,
                    "422" => Chroma::C422,
                    "444" => Chroma::C444,
                    "mono" => Chroma::Mono,
                    other => bail!(
                        "Y4M with colour layout {other} is not read; convert it to 420, 422, 444 or mono at 8 bits"
                    ),
                }
            }
            'X' if value == "COLORRANGE=FULL" => header.range = Range::Full,
            _ => {}
        }
    }
    let pixels = u64::from(header.width) * u64::from(header.height);
    if pixels == 0 {
        bail!("the Y4M header gives no picture size; record or convert the clip again");
    }
    if pixels > MAX_PIXELS {
        bail!(
            "the Y4M header claims {}x{}, which is too large; scale the clip down",
            header.width,
            header.height
        );
    }
    Ok(header)
}
