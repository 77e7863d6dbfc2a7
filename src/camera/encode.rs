//! Pictures to JPEG, for clips and annotated copies.

use anyhow::{bail, Context};
use image::RgbImage;
use turbojpeg::{Compressor, Image, Subsamp, YuvPlanesImage};

use super::frame::Picture;

/// Encodes pictures as JPEG, keeping its buffers. The same picture gives the
/// same bytes.
pub struct JpegEncoder {
    compressor: Compressor,
    scratch: Vec<u8>,
}

impl JpegEncoder {
    /// An encoder of the given quality, 1 to 100; 4:2:0 for RGB pictures.
    ///
    /// # Errors
    /// If the quality is out of range or the JPEG library cannot start.
    pub fn new(quality: u8) -> anyhow::Result<Self> {
        if !(1..=100).contains(&quality) {
            bail!("JPEG quality is {quality}; use 1 to 100");
        }
        let mut compressor = Compressor::new()?;
        compressor.set_quality(i32::from(quality))?;
        compressor.set_subsamp(Subsamp::Sub2x2)?;
        Ok(JpegEncoder {
            compressor,
            scratch: Vec::new(),
        })
    }

    /// Encodes an RGB picture into `out`, which is cleared first.
    ///
    /// # Errors
    /// If the picture is empty or larger than JPEG allows (65535 each way).
    pub fn encode_rgb(&mut self, picture: &RgbImage, out: &mut Vec<u8>) -> anyhow::Result<()> {
        let (width, height) = picture.dimensions();
        if width == 0 || height == 0 {
            bail!("cannot encode an empty picture");
        }
        // Encoding planes changes the setting, so it is made anew.
        self.compressor.set_subsamp(Subsamp::Sub2x2)?;
        let size = (width as usize, height as usize);
        self.compress(picture.as_raw(), size, turbojpeg::PixelFormat::RGB, out)
    }

    fn compress(
        &mut self,
        pixels: &[u8],
        (width, height): (usize, usize),
        format: turbojpeg::PixelFormat,
        out: &mut Vec<u8>,
    ) -> anyhow::Result<()> {
        let bound = self.compressor.buf_len(width, height)?;
        self.scratch.resize(self.scratch.len().max(bound), 0);
        let image = Image {
            pixels,
            width,
            pitch: width * format.size(),
            height,
            format,
        };
        let length = self
            .compressor
            .compress_to_slice(image, &mut self.scratch)
            .with_context(|| format!("cannot encode a picture of {width}x{height}"))?;
        out.clear();
        out.extend_from_slice(&self.scratch[..length]);
        Ok(())
    }

    /// Encodes planes as they are, without colour conversion, into `out`,
    /// which is cleared first.
    ///
    /// # Errors
    /// If the planes are empty or their chroma size is none that JPEG knows.
    pub fn encode_picture(&mut self, picture: &Picture, out: &mut Vec<u8>) -> anyhow::Result<()> {
        let (width, height) = (picture.y.width, picture.y.height);
        let (c_width, c_height) = (picture.cb.width, picture.cb.height);
        if width == 0 || height == 0 {
            bail!("cannot encode an empty picture");
        }
        let grey = (c_width, c_height) == (1, 1);
        let fits = |s: &Subsamp| {
            (width.div_ceil(s.width()), height.div_ceil(s.height())) == (c_width, c_height)
        };
        let subsamp = [
            Subsamp::None,
            Subsamp::Sub2x2,
            Subsamp::Sub2x1,
            Subsamp::Sub1x2,
            Subsamp::Sub4x1,
        ]
        .into_iter()
        .find(fits)
        .or(grey.then_some(Subsamp::Gray))
        .with_context(|| {
            format!("chroma of {c_width}x{c_height} does not fit luma of {width}x{height}")
        })?;
        if subsamp == Subsamp::Gray {
            self.compressor.set_subsamp(Subsamp::Gray)?;
            return self.compress(
                &picture.y.data,
                (width, height),
                turbojpeg::PixelFormat::GRAY,
                out,
            );
        }
        let (h, v) = subsamp.size();
        let (padded_width, padded_height) = (c_width * h, c_height * v);
        let luma: std::borrow::Cow<'_, [u8]> = if (padded_width, padded_height) == (width, height) {
            (&picture.y.data[..]).into()
        } else {
            padded(&picture.y, padded_width, padded_height).into()
        };
        let mut buffer = turbojpeg::OutputBuf::new_owned();
        self.compressor.compress_yuv_planes(
            &YuvPlanesImage {
                y_plane: &luma,
                u_plane: &picture.cb.data,
                v_plane: &picture.cr.data,
                width,
                height,
                y_stride: padded_width,
                u_stride: c_width,
                v_stride: c_width,
                subsamp,
            },
            &mut buffer,
        )?;
        out.clear();
        out.extend_from_slice(&buffer);
        Ok(())
    }
}

/// The plane with its last column and row repeated up to a larger size.
fn padded(plane: &super::frame::Plane, width: usize, height: usize) -> Vec<u8> {
    let mut data = Vec::with_capacity(width * height);
    for y in 0..height {
        let row = plane.row(y.min(plane.height - 1));
        data.extend_from_slice(row);
        let last = row[row.len() - 1];
        data.resize((y + 1) * width, last);
    }
    data
}
