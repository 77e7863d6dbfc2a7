//! From the bytes of a frame to planes.
//!
//! JPEG data goes straight to planar YCbCr: no chroma upsampling, no colour
//! conversion, and at denominators 2 and 4 a reduced inverse DCT, so a smaller
//! picture costs less and is not merely a full one thrown away. The accurate
//! integer DCT is used; the library's faster one is no faster on vector units
//! and adds error.

use image::{ImageDecoder, RgbImage};
use turbojpeg::{Colorspace, Decompressor, Image, ScalingFactor, Subsamp, YuvImage};

use super::convert::{picture_to_rgb, reduce, rgb_to_picture, Kind, Samples};
use super::frame::{Picture, PixelFormat, Plane, RawFrame};
use super::jpeg_header::{jpeg_size, png_size};

/// More pixels than this are refused before anything is allocated.
pub(crate) const MAX_PIXELS: u64 = 64_000_000;

/// A progressive JPEG with more scans than this only wants to waste time.
const MAX_SCANS: u32 = 64;

/// Why a frame could not be decoded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// Damaged or cut short.
    #[error("picture is damaged: {0}")]
    Broken(String),
    /// Another size than the source announced.
    #[error("picture is {}x{}, but the source announced {}x{}", .got.0, .got.1, .announced.0, .announced.1)]
    Size {
        /// Size in the picture's own header.
        got: (u32, u32),
        /// Size in the frame.
        announced: (u32, u32),
    },
    /// Absurdly large.
    #[error("picture of {0}x{1} is too large; scale it down before use")]
    TooLarge(u32, u32),
    /// A kind of picture that is not handled.
    #[error("{0}; convert it to a YCbCr or grey JPEG")]
    Unsupported(&'static str),
    /// The scale is not 1, 2 or 4.
    #[error("cannot decode at 1/{0}; use 1, 2 or 4")]
    Denominator(u8),
}

/// Decodes frames, keeping its buffers: after the first frame of a camera
/// format nothing is allocated on our side of the JPEG library. (PNG, which
/// only clips hold, is the exception.)
pub struct Decoder {
    jpeg: Decompressor,
    /// Planes of odd sizes, or RGB on its way to planes.
    scratch: Vec<u8>,
    sums: Vec<u16>,
    /// Planes on their way to RGB.
    planes: Picture,
}

impl Decoder {
    /// A decoder for any number of frames of any formats.
    ///
    /// # Errors
    /// [`DecodeError::Broken`] if the JPEG library cannot start.
    pub fn new() -> Result<Self, DecodeError> {
        Ok(Decoder {
            jpeg: new_library()?,
            scratch: Vec::new(),
            sums: Vec::new(),
            planes: Picture::default(),
        })
    }

    /// Decodes at 1/`denominator` of the size (1, 2 or 4) into planes.
    ///
    /// Sizes round up (see [`Picture`]); chroma keeps the source's subsampling,
    /// so 4:2:0 at half size has chroma at a quarter of the full size. `raw`
    /// sizes of 0 mean that the size is not known beforehand.
    ///
    /// # Errors
    /// Any [`DecodeError`]; `out` is then undefined. JPEG data that the library
    /// can only guess at (cut short, entropy data out of step) are an error.
    pub fn decode(
        &mut self,
        raw: &RawFrame,
        denominator: u8,
        out: &mut Picture,
    ) -> Result<(), DecodeError> {
        if !matches!(denominator, 1 | 2 | 4) {
            return Err(DecodeError::Denominator(denominator));
        }
        let d = usize::from(denominator);
        match raw.format {
            PixelFormat::Jpeg => {
                let done = self.decode_jpeg(raw, d, out);
                self.renewed(done)
            }
            PixelFormat::Png => {
                let size = self.png_to_scratch(raw)?;
                rgb_to_picture(&self.scratch, size, d, out);
                set_full_size(out, size);
                Ok(())
            }
            _ => self.decode_raw(raw, d, out),
        }
    }

    /// Decodes at full size to RGB, for drawing on.
    ///
    /// # Errors
    /// As [`decode`](Self::decode).
    pub fn decode_rgb(&mut self, raw: &RawFrame, out: &mut RgbImage) -> Result<(), DecodeError> {
        match raw.format {
            PixelFormat::Jpeg => {
                let done = self.decode_jpeg_rgb(raw, out);
                self.renewed(done)
            }
            PixelFormat::Png => {
                let (width, height) = self.png_to_scratch(raw)?;
                fit(out, width as u32, height as u32);
                out.copy_from_slice(&self.scratch);
                Ok(())
            }
            PixelFormat::Rgb24 => {
                let (width, height) = raw_size(raw)?;
                need(raw, width * height * 3)?;
                fit(out, raw.width, raw.height);
                out.copy_from_slice(&raw.bytes[..width * height * 3]);
                Ok(())
            }
            _ => {
                let mut planes = std::mem::take(&mut self.planes);
                let done = self.decode_raw(raw, 1, &mut planes);
                if done.is_ok() {
                    picture_to_rgb(&planes, out);
                }
                self.planes = planes;
                done
            }
        }
    }

    /// After an error the library may start the next picture in the middle of
    /// the bad one, so it is started anew.
    fn renewed(&mut self, done: Result<(), DecodeError>) -> Result<(), DecodeError> {
        if done.is_err() {
            self.jpeg = new_library()?;
        }
        done
    }

    fn decode_jpeg_rgb(&mut self, raw: &RawFrame, out: &mut RgbImage) -> Result<(), DecodeError> {
        let size = checked_size(raw, jpeg_size(&raw.bytes))?;
        let header = self.jpeg.read_header(&raw.bytes).map_err(library)?;
        if (header.width, header.height) != (size.0 as usize, size.1 as usize) {
            return Err(DecodeError::Broken("two sizes in one header".into()));
        }
        if matches!(header.colorspace, Colorspace::CMYK | Colorspace::YCCK) {
            return Err(DecodeError::Unsupported("four-colour JPEG"));
        }
        fit(out, size.0, size.1);
        self.jpeg_to_rgb(&raw.bytes, size, out)
    }

    fn decode_jpeg(
        &mut self,
        raw: &RawFrame,
        d: usize,
        out: &mut Picture,
    ) -> Result<(), DecodeError> {
        let (width, height) = checked_size(raw, jpeg_size(&raw.bytes))?;
        let header = self.jpeg.read_header(&raw.bytes).map_err(library)?;
        if (header.width, header.height) != (width as usize, height as usize) {
            return Err(DecodeError::Broken("two sizes in one header".into()));
        }
        let full = (header.width, header.height);
        match (header.colorspace, header.subsamp) {
            (Colorspace::CMYK | Colorspace::YCCK, _) => {
                return Err(DecodeError::Unsupported("four-colour JPEG"));
            }
            (Colorspace::RGB, _) | (_, Subsamp::Unknown) => {
                // Rare in cameras: the long way round, through RGB.
                let mut rgb = RgbImage::new(width, height);
                self.jpeg_to_rgb(&raw.bytes, (width, height), &mut rgb)?;
                rgb_to_picture(&rgb, full, d, out);
                set_full_size(out, full);
                return Ok(());
            }
            _ => {}
        }
        let factor = ScalingFactor::new(1, d);
        self.jpeg.set_scaling_factor(factor).map_err(library)?;
        let (y_width, y_height) = (factor.scale(full.0), factor.scale(full.1));
        let (h, v) = header.subsamp.size();
        let (c_width, c_height) = (y_width.div_ceil(h), y_height.div_ceil(v));
        // The library pads luma to whole chroma samples.
        let (padded_width, padded_height) = (c_width * h, c_height * v);
        let luma_len = padded_width * padded_height;
        let chroma_len = match header.subsamp {
            Subsamp::Gray => 0,
            _ => c_width * c_height,
        };
        let packed = (padded_width, padded_height) == (y_width, y_height);
        // Without padding the luma plane is decoded in place, and only the
        // chroma behind it moves.
        let buffer = if packed {
            &mut out.y.data
        } else {
            &mut self.scratch
        };
        buffer.resize(luma_len + 2 * chroma_len, 0);
        let done = self.jpeg.decompress_to_yuv(
            &raw.bytes,
            YuvImage {
                pixels: &mut buffer[..],
                width: y_width,
                align: 1,
                height: y_height,
                subsamp: header.subsamp,
            },
        );
        accept_padding(done, &raw.bytes)?;
        if header.subsamp == Subsamp::Gray {
            neutral_chroma(out);
        } else {
            let buffer = if packed { &out.y.data } else { &self.scratch };
            for (plane, at) in [
                (&mut out.cb, luma_len),
                (&mut out.cr, luma_len + chroma_len),
            ] {
                plane.width = c_width;
                plane.height = c_height;
                plane.data.clear();
                plane.data.extend_from_slice(&buffer[at..at + chroma_len]);
            }
        }
        out.y.resize(y_width, y_height);
        if !packed {
            for (to, from) in out
                .y
                .data
                .chunks_exact_mut(y_width)
                .zip(self.scratch.chunks_exact(padded_width))
            {
                to.copy_from_slice(&from[..y_width]);
            }
        }
        set_full_size(out, full);
        Ok(())
    }

    fn jpeg_to_rgb(
        &mut self,
        bytes: &[u8],
        (width, height): (u32, u32),
        out: &mut RgbImage,
    ) -> Result<(), DecodeError> {
        self.jpeg
            .set_scaling_factor(ScalingFactor::ONE)
            .map_err(library)?;
        let done = self.jpeg.decompress(
            bytes,
            Image {
                pixels: out.as_flat_samples_mut().samples,
                width: width as usize,
                pitch: width as usize * 3,
                height: height as usize,
                format: turbojpeg::PixelFormat::RGB,
            },
        );
        accept_padding(done, bytes)
    }

    fn decode_raw(
        &mut self,
        raw: &RawFrame,
        d: usize,
        out: &mut Picture,
    ) -> Result<(), DecodeError> {
        let (width, height) = raw_size(raw)?;
        let (c_width, c_height) = (width.div_ceil(2), height.div_ceil(2));
        let luma_len = width * height;
        let bytes = &raw.bytes[..];
        let range = raw.range;
        let sums = &mut self.sums;
        let mut plane = |at: usize, stride, step, size: (usize, usize), kind, to: &mut Plane| {
            let src = Samples {
                bytes: &bytes[at..],
                stride,
                step,
                width: size.0,
                height: size.1,
            };
            reduce(&src, d, range, kind, sums, to);
        };
        let (full, half) = ((width, height), (c_width, c_height));
        match raw.format {
            PixelFormat::Grey => {
                need(raw, luma_len)?;
                plane(0, width, 1, full, Kind::Luma, &mut out.y);
                neutral_chroma(out);
            }
            PixelFormat::Yuyv => {
                // A row always holds whole pairs of pixels.
                let stride = c_width * 4;
                need(raw, stride * height)?;
                plane(0, stride, 2, full, Kind::Luma, &mut out.y);
                plane(1, stride, 4, (c_width, height), Kind::Chroma, &mut out.cb);
                plane(3, stride, 4, (c_width, height), Kind::Chroma, &mut out.cr);
            }
            PixelFormat::Nv12 => {
                let stride = c_width * 2;
                need(raw, luma_len + stride * c_height)?;
                plane(0, width, 1, full, Kind::Luma, &mut out.y);
                plane(luma_len, stride, 2, half, Kind::Chroma, &mut out.cb);
                plane(luma_len + 1, stride, 2, half, Kind::Chroma, &mut out.cr);
            }
            PixelFormat::I420 | PixelFormat::I444 => {
                let size = if raw.format == PixelFormat::I420 {
                    half
                } else {
                    full
                };
                let chroma_len = size.0 * size.1;
                need(raw, luma_len + 2 * chroma_len)?;
                plane(0, width, 1, full, Kind::Luma, &mut out.y);
                plane(luma_len, size.0, 1, size, Kind::Chroma, &mut out.cb);
                plane(
                    luma_len + chroma_len,
                    size.0,
                    1,
                    size,
                    Kind::Chroma,
                    &mut out.cr,
                );
            }
            PixelFormat::Rgb24 => {
                need(raw, luma_len * 3)?;
                rgb_to_picture(bytes, full, d, out);
            }
            PixelFormat::Jpeg | PixelFormat::Png => {
                return Err(DecodeError::Unsupported(
                    "coded picture where a raw one was due",
                ));
            }
        }
        set_full_size(out, full);
        Ok(())
    }

    /// Decodes a PNG into `scratch` as packed RGB.
    fn png_to_scratch(&mut self, raw: &RawFrame) -> Result<(usize, usize), DecodeError> {
        let (width, height) = checked_size(raw, png_size(&raw.bytes))?;
        let broken = |e: image::ImageError| DecodeError::Broken(e.to_string());
        let mut limits = image::Limits::default();
        limits.max_alloc = Some(MAX_PIXELS * 8);
        let mut png = image::codecs::png::PngDecoder::with_limits(
            std::io::Cursor::new(&raw.bytes),
            limits.clone(),
        )
        .map_err(broken)?;
        png.set_limits(limits).map_err(broken)?;
        let rgb = image::DynamicImage::from_decoder(png)
            .map_err(broken)?
            .into_rgb8();
        if rgb.dimensions() != (width, height) {
            return Err(DecodeError::Broken("two sizes in one header".into()));
        }
        self.scratch.clear();
        self.scratch.extend_from_slice(&rgb);
        Ok((width as usize, height as usize))
    }
}

fn new_library() -> Result<Decompressor, DecodeError> {
    let mut jpeg = Decompressor::new().map_err(library)?;
    jpeg.set_scan_limit(MAX_SCANS).map_err(library)?;
    Ok(jpeg)
}

/// An error of the JPEG library, without its prefix.
fn library(error: turbojpeg::Error) -> DecodeError {
    match error {
        turbojpeg::Error::TurboJpegError(text) => DecodeError::Broken(text),
        other => DecodeError::Broken(other.to_string()),
    }
}

/// The library reports every doubt as an error. One is harmless: some cameras
/// fill up a frame with zeros before the end marker. It passes only if the
/// surplus bytes really are fill; anything else means that the entropy data
/// went out of step, and the picture is not to be trusted. (Up to eight surplus
/// bytes lie in the library's bit buffer and go unnoticed.)
fn accept_padding(done: turbojpeg::Result<()>, bytes: &[u8]) -> Result<(), DecodeError> {
    let error = match done {
        Ok(()) => return Ok(()),
        Err(error) => library(error),
    };
    let DecodeError::Broken(text) = &error else {
        return Err(error);
    };
    let surplus = text
        .strip_prefix("Corrupt JPEG data: ")
        .and_then(|rest| rest.strip_suffix(" extraneous bytes before marker 0xd9"))
        .and_then(|count| count.parse::<usize>().ok());
    let fill = surplus.and_then(|count| {
        let end = bytes.windows(2).rposition(|pair| pair == [0xFF, 0xD9])?;
        bytes.get(end.checked_sub(count)?..end)
    });
    match fill {
        Some(fill) if fill.iter().all(|b| matches!(b, 0x00 | 0xFF)) => Ok(()),
        _ => Err(error),
    }
}

fn checked_size(raw: &RawFrame, header: Option<(u32, u32)>) -> Result<(u32, u32), DecodeError> {
    let got = header.ok_or_else(|| {
        DecodeError::Broken(if raw.bytes.is_empty() {
            "no data".into()
        } else {
            "no picture header".into()
        })
    })?;
    let announced = (raw.width, raw.height);
    if announced != (0, 0) && announced != got {
        return Err(DecodeError::Size { got, announced });
    }
    if u64::from(got.0) * u64::from(got.1) > MAX_PIXELS {
        return Err(DecodeError::TooLarge(got.0, got.1));
    }
    Ok(got)
}

fn raw_size(raw: &RawFrame) -> Result<(usize, usize), DecodeError> {
    if raw.width == 0 || raw.height == 0 {
        return Err(DecodeError::Broken("no size".into()));
    }
    if u64::from(raw.width) * u64::from(raw.height) > MAX_PIXELS {
        return Err(DecodeError::TooLarge(raw.width, raw.height));
    }
    Ok((raw.width as usize, raw.height as usize))
}

fn need(raw: &RawFrame, bytes: usize) -> Result<(), DecodeError> {
    if raw.bytes.len() < bytes {
        return Err(DecodeError::Broken(format!(
            "{} of {bytes} bytes",
            raw.bytes.len()
        )));
    }
    Ok(())
}

fn neutral_chroma(out: &mut Picture) {
    for plane in [&mut out.cb, &mut out.cr] {
        plane.resize(1, 1);
        plane.data[0] = 128;
    }
}

fn set_full_size(out: &mut Picture, (width, height): (usize, usize)) {
    out.full_width = width;
    out.full_height = height;
}

fn fit(out: &mut RgbImage, width: u32, height: u32) {
    if out.dimensions() != (width, height) {
        *out = RgbImage::new(width, height);
    }
}
