//! What a source hands over, and what the seeing stages work on.

use std::time::Duration;

/// How the bytes of a [`RawFrame`] are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PixelFormat {
    /// One JPEG file, as MJPEG cameras and clips give.
    Jpeg,
    /// One PNG file.
    Png,
    /// Packed 4:2:2, `Y0 Cb Y1 Cr`, limited or full range as given by the camera.
    Yuyv,
    /// A full luma plane, then one plane of interleaved `Cb Cr` at half size.
    Nv12,
    /// A full luma plane, then `Cb`, then `Cr`, both at half size.
    I420,
    /// Luma only.
    Grey,
    /// Packed 8-bit red, green, blue.
    Rgb24,
}

/// A frame as the camera or clip gave it, not yet decoded.
#[derive(Debug, Clone)]
pub struct RawFrame {
    /// Counts frames from 0; a gap means that frames were lost on the way.
    pub seq: u64,
    /// Time of capture since the source was opened.
    pub captured: Duration,
    /// Layout of `bytes`.
    pub format: PixelFormat,
    /// Picture width in pixels.
    pub width: u32,
    /// Picture height in pixels.
    pub height: u32,
    /// The encoded or raw picture.
    pub bytes: Vec<u8>,
}

impl RawFrame {
    /// An empty frame whose buffer a source will fill again and again.
    pub fn empty() -> Self {
        RawFrame {
            seq: 0,
            captured: Duration::ZERO,
            format: PixelFormat::Grey,
            width: 0,
            height: 0,
            bytes: Vec::new(),
        }
    }
}

/// One 8-bit plane, rows packed without padding.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Plane {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width * height` samples, row by row.
    pub data: Vec<u8>,
}

impl Plane {
    /// A plane filled with one value.
    pub fn filled(width: usize, height: usize, value: u8) -> Self {
        Plane {
            width,
            height,
            data: vec![value; width * height],
        }
    }

    /// Changes the size, keeping the buffer; the content is then undefined.
    pub fn resize(&mut self, width: usize, height: usize) {
        self.width = width;
        self.height = height;
        self.data.resize(width * height, 0);
    }

    /// One row of samples.
    pub fn row(&self, y: usize) -> &[u8] {
        &self.data[y * self.width..(y + 1) * self.width]
    }
}

/// A decoded picture: planar YCbCr, full range (JFIF, that is ITU-R BT.601
/// coefficients), possibly at a reduced scale.
///
/// Chroma planes have their own size, never larger than the luma plane; a
/// grey picture carries 1×1 chroma planes of value 128.
#[derive(Debug, Clone, Default)]
pub struct Picture {
    /// Width of the picture as captured, in pixels.
    pub full_width: usize,
    /// Height of the picture as captured, in pixels.
    pub full_height: usize,
    /// Luma.
    pub y: Plane,
    /// Blue difference, 128 is neutral.
    pub cb: Plane,
    /// Red difference, 128 is neutral.
    pub cr: Plane,
}
