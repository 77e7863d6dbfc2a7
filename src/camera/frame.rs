//! What a source hands over, and what the seeing stages work on.

use std::time::Duration;

/// How the bytes of a [`RawFrame`] are laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PixelFormat {
    /// One JPEG file, as MJPEG cameras and clips give.
    Jpeg,
    /// One PNG file.
    Png,
    /// Packed 4:2:2, `Y0 Cb Y1 Cr`.
    Yuyv,
    /// A full luma plane, then one plane of interleaved `Cb Cr` at half size.
    Nv12,
    /// A full luma plane, then `Cb`, then `Cr`, both at half size.
    I420,
    /// A full luma plane, then `Cb`, then `Cr`, all at full size.
    I444,
    /// Luma only.
    Grey,
    /// Packed 8-bit red, green, blue.
    Rgb24,
}

/// Which codes stand for black and white in `Yuyv`, `Nv12`, `I420`, `I444` and
/// `Grey`; the other formats are full range by definition.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Range {
    /// Luma 0..=255, chroma 0..=255 about 128 (JFIF).
    Full,
    /// Luma 16..=235, chroma 16..=240 about 128 (ITU-R BT.601).
    Limited,
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
    /// Range of the samples, where the format leaves it open.
    pub range: Range,
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
            range: Range::Full,
            width: 0,
            height: 0,
            bytes: Vec::new(),
        }
    }

    /// Becomes a copy of `other`, keeping the buffer.
    pub fn copy_from(&mut self, other: &RawFrame) {
        let mut bytes = std::mem::take(&mut self.bytes);
        bytes.clear();
        bytes.extend_from_slice(&other.bytes);
        *self = RawFrame { bytes, ..*other };
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
/// At denominator `d` the luma plane is `ceil(full / d)` each way and its
/// sample `(x, y)` covers the full-size pixels `d·x ..= d·x + d - 1` each way,
/// so its centre lies at full-size pixel `d·x + (d - 1) / 2`. Where the full
/// size is no multiple of `d`, the last column or row covers what is left.
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
