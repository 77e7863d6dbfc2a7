//! Raw pixel layouts to planes, averaged over boxes where a smaller picture is
//! asked for, and planes to RGB for drawing.

use image::RgbImage;

use super::frame::{Picture, Plane, Range};

/// One kind of sample inside a packed or planar buffer.
pub(crate) struct Samples<'a> {
    /// The buffer from the first sample on.
    pub bytes: &'a [u8],
    /// Bytes from one row to the next.
    pub stride: usize,
    /// Bytes from one sample to the next: 1, 2 or 4.
    pub step: usize,
    /// Samples in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// What a sample means, so that limited range can be stretched.
#[derive(Clone, Copy)]
pub(crate) enum Kind {
    Luma,
    Chroma,
}

/// Turns samples into a plane `ceil(size / d)` each way; every output sample is
/// the rounded mean of its box; `d` is 1, 2 or 4. `sums` is scratch space kept between calls.
///
/// The caller has checked that `bytes` holds `height` rows of `width` samples.
pub(crate) fn reduce(
    src: &Samples<'_>,
    d: usize,
    range: Range,
    kind: Kind,
    sums: &mut Vec<u16>,
    out: &mut Plane,
) {
    let (width, height) = (src.width.div_ceil(d), src.height.div_ceil(d));
    out.resize(width, height);
    let row_bytes = (src.width - 1) * src.step + 1;
    let row = |y: usize| &src.bytes[y * src.stride..y * src.stride + row_bytes];
    for oy in 0..height {
        let to = &mut out.data[oy * width..(oy + 1) * width];
        if d == 1 {
            if src.step == 1 {
                to.copy_from_slice(row(oy));
            } else {
                for (to, from) in to.iter_mut().zip(row(oy).iter().step_by(src.step)) {
                    *to = *from;
                }
            }
        } else {
            let rows = oy * d..(oy * d + d).min(src.height);
            let row_count = rows.len();
            sums.clear();
            sums.resize(width, 0);
            // Whole boxes with the box and step known to the compiler, then the
            // edge that may be narrower.
            let add = match (d, src.step) {
                (2, 1) => add_row::<2, 1>,
                (2, 2) => add_row::<2, 2>,
                (2, _) => add_row::<2, 4>,
                (_, 1) => add_row::<4, 1>,
                (_, 2) => add_row::<4, 2>,
                (_, _) => add_row::<4, 4>,
            };
            for y in rows {
                add(row(y), sums);
            }
            let (inner, edge) = to.split_at_mut(width - 1);
            let count = (d * row_count) as u16;
            if row_count == d {
                let shift = count.trailing_zeros(); // 4 or 16
                for (to, &sum) in inner.iter_mut().zip(sums.iter()) {
                    *to = ((sum + count / 2) >> shift) as u8;
                }
            } else {
                for (to, &sum) in inner.iter_mut().zip(sums.iter()) {
                    *to = ((sum + count / 2) / count) as u8;
                }
            }
            let count = ((src.width - (width - 1) * d) * row_count) as u16;
            edge[0] = ((sums[width - 1] + count / 2) / count) as u8;
        }
        if range == Range::Limited {
            stretch(to, kind);
        }
    }
}

/// Adds one row of samples, `STEP` bytes apart, to the sums of boxes `D` wide.
fn add_row<const D: usize, const STEP: usize>(row: &[u8], sums: &mut [u16]) {
    let boxes = row.chunks_exact(D * STEP);
    let rest = boxes.remainder();
    let mut used = 0;
    for (sum, cell) in sums.iter_mut().zip(boxes) {
        for k in 0..D {
            *sum += u16::from(cell[k * STEP]);
        }
        used += 1;
    }
    if let Some(sum) = sums.get_mut(used) {
        *sum += rest
            .iter()
            .step_by(STEP)
            .map(|&v| u16::from(v))
            .sum::<u16>();
    }
}

/// Limited to full range: ITU-R BT.601 puts black at 16 and white at 235,
/// chroma spans 16..=240.
fn stretch(samples: &mut [u8], kind: Kind) {
    let (zero, span, base) = match kind {
        Kind::Luma => (16, 219, 0),
        Kind::Chroma => (128, 224, 128),
    };
    for v in samples {
        let centred = (i32::from(*v) - zero) * 255;
        let rounded = (centred + centred.signum() * span / 2) / span;
        *v = (rounded + base).clamp(0, 255) as u8;
    }
}

/// Packed RGB to YCbCr 4:4:4 (JFIF), averaged over `d`×`d` boxes first.
pub(crate) fn rgb_to_picture(rgb: &[u8], full: (usize, usize), d: usize, out: &mut Picture) {
    let (full_width, full_height) = full;
    let (width, height) = (full_width.div_ceil(d), full_height.div_ceil(d));
    for plane in [&mut out.y, &mut out.cb, &mut out.cr] {
        plane.resize(width, height);
    }
    for oy in 0..height {
        for ox in 0..width {
            let mut sum = [0i32; 3];
            let mut count = 0;
            for y in oy * d..(oy * d + d).min(full_height) {
                for x in ox * d..(ox * d + d).min(full_width) {
                    let at = (y * full_width + x) * 3;
                    for (sum, v) in sum.iter_mut().zip(&rgb[at..at + 3]) {
                        *sum += i32::from(*v);
                    }
                    count += 1;
                }
            }
            let [y, cb, cr] = to_ycc(sum.map(|s| (s + count / 2) / count));
            let at = oy * width + ox;
            out.y.data[at] = y;
            out.cb.data[at] = cb;
            out.cr.data[at] = cr;
        }
    }
}

/// JFIF 1.02 (ITU-T T.871, clause 7), in 16-bit fixed point.
fn to_ycc([r, g, b]: [i32; 3]) -> [u8; 3] {
    const HALF: i32 = 1 << 15;
    let y = (19595 * r + 38470 * g + 7471 * b + HALF) >> 16;
    let cb = ((-11059 * r - 21709 * g + 32768 * b + HALF) >> 16) + 128;
    let cr = ((32768 * r - 27439 * g - 5329 * b + HALF) >> 16) + 128;
    [y, cb, cr].map(|v| v.clamp(0, 255) as u8)
}

/// The inverse of [`to_ycc`].
fn to_rgb(y: u8, cb: u8, cr: u8) -> [u8; 3] {
    const HALF: i32 = 1 << 15;
    let (y, cb, cr) = (i32::from(y), i32::from(cb) - 128, i32::from(cr) - 128);
    let r = y + ((91881 * cr + HALF) >> 16);
    let g = y + ((-22554 * cb - 46802 * cr + HALF) >> 16);
    let b = y + ((116130 * cb + HALF) >> 16);
    [r, g, b].map(|v| v.clamp(0, 255) as u8)
}

/// Draws a picture into an RGB image of the size of its luma plane, chroma
/// repeated. An empty picture gives an empty image.
pub fn picture_to_rgb(picture: &Picture, out: &mut RgbImage) {
    let (width, height) = (picture.y.width, picture.y.height);
    if (out.width() as usize, out.height() as usize) != (width, height) {
        *out = RgbImage::new(width as u32, height as u32);
    }
    if width == 0 || height == 0 || picture.cb.data.is_empty() || picture.cr.data.is_empty() {
        return;
    }
    // Chroma columns per luma column as a ratio that divides evenly: 1, 2 or 4.
    let ratio = |luma: usize, chroma: usize| luma.div_ceil(chroma.max(1)).max(1);
    let (rx, ry) = (
        ratio(width, picture.cb.width),
        ratio(height, picture.cb.height),
    );
    for (y, row) in out.chunks_exact_mut(width * 3).enumerate() {
        let luma = picture.y.row(y);
        let cb = picture.cb.row((y / ry).min(picture.cb.height - 1));
        let cr = picture.cr.row((y / ry).min(picture.cr.height - 1));
        for (x, (pixel, &luma)) in row.chunks_exact_mut(3).zip(luma).enumerate() {
            let cx = (x / rx).min(cb.len().min(cr.len()) - 1);
            pixel.copy_from_slice(&to_rgb(luma, cb[cx], cr[cx]));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grey(rows: &[&[u8]]) -> Vec<u8> {
        rows.concat()
    }

    fn reduced(bytes: &[u8], width: usize, height: usize, d: usize) -> Plane {
        let mut out = Plane::default();
        let src = Samples {
            bytes,
            stride: width,
            step: 1,
            width,
            height,
        };
        reduce(&src, d, Range::Full, Kind::Luma, &mut Vec::new(), &mut out);
        out
    }

    #[test]
    fn boxes_are_averaged_and_edges_count_what_is_there() {
        let bytes = grey(&[&[0, 2, 10], &[4, 6, 20], &[8, 8, 7]]);
        let half = reduced(&bytes, 3, 3, 2);
        assert_eq!((half.width, half.height), (2, 2));
        assert_eq!(half.data, [3, 15, 8, 7]);
        assert_eq!(reduced(&bytes, 3, 3, 4).data, [7]); // 65 / 9 = 7.2
        assert_eq!(reduced(&bytes, 3, 3, 1).data, bytes);
        assert_eq!(reduced(&[255; 16], 4, 4, 4).data, [255]);
    }

    #[test]
    fn limited_range_is_stretched_to_its_ends() {
        let mut luma = [0, 16, 125, 235, 255];
        stretch(&mut luma, Kind::Luma);
        assert_eq!(luma, [0, 0, 127, 255, 255]);
        let mut chroma = [0, 16, 128, 240, 255];
        stretch(&mut chroma, Kind::Chroma);
        assert_eq!(chroma, [0, 0, 128, 255, 255]);
    }

    /// ITU-T T.871 (JFIF), clause 7, evaluated in floating point.
    #[test]
    fn colours_agree_with_the_published_equations() {
        for rgb in [
            [0, 0, 0],
            [255, 255, 255],
            [255, 0, 0],
            [0, 255, 0],
            [0, 0, 255],
            [13, 200, 77],
        ] {
            let [r, g, b] = rgb.map(f64::from);
            let want = [
                0.299 * r + 0.587 * g + 0.114 * b,
                -0.168736 * r - 0.331264 * g + 0.5 * b + 128.0,
                0.5 * r - 0.418688 * g - 0.081312 * b + 128.0,
            ];
            let got = to_ycc(rgb);
            for (got, want) in got.iter().zip(want) {
                assert!((f64::from(*got) - want.min(255.0)).abs() <= 0.51, "{rgb:?}");
            }
            let back = to_rgb(got[0], got[1], got[2]);
            for (back, was) in back.iter().zip(rgb) {
                assert!((i32::from(*back) - was).abs() <= 2, "{rgb:?} {back}");
            }
        }
    }
}
