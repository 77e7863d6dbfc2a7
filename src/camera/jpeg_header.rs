//! The picture size in a JPEG header, without decoding anything.
//!
//! Source: ITU-T T.81 (1992), Annex B: marker segments, frame header.

/// Width and height in pixels from the first frame header, or `None` if the
/// bytes hold none.
pub(crate) fn jpeg_size(bytes: &[u8]) -> Option<(u32, u32)> {
    let mut at = 2;
    if !bytes.starts_with(&[0xFF, 0xD8]) {
        return None;
    }
    loop {
        if *bytes.get(at)? != 0xFF {
            return None;
        }
        let marker = *bytes.get(at + 1)?;
        match marker {
            0xFF => at += 1,               // fill byte before a marker
            0x01 | 0xD0..=0xD7 => at += 2, // markers without a segment
            0xD9 | 0xDA => return None,    // end, or data before any frame header
            0xC0..=0xCF if !matches!(marker, 0xC4 | 0xC8 | 0xCC) => {
                let header = bytes.get(at + 5..at + 9)?;
                let height = u32::from(u16::from_be_bytes([header[0], header[1]]));
                let width = u32::from(u16::from_be_bytes([header[2], header[3]]));
                return (width > 0 && height > 0).then_some((width, height));
            }
            _ => {
                let length = bytes.get(at + 2..at + 4)?;
                at += 2 + usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
            }
        }
    }
}

/// Width and height in pixels from a PNG header (PNG specification, third
/// edition, 11.2.1), or `None`.
pub(crate) fn png_size(bytes: &[u8]) -> Option<(u32, u32)> {
    if !bytes.starts_with(b"\x89PNG\r\n\x1a\n") || bytes.get(12..16)? != b"IHDR" {
        return None;
    }
    let number = |at: usize| -> Option<u32> {
        Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
    };
    let (width, height) = (number(16)?, number(20)?);
    (width > 0 && height > 0).then_some((width, height))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn size_is_read_and_rubbish_is_none() {
        let jpeg = [
            0xFF, 0xD8, 0xFF, 0xFE, 0, 4, 1, 2, 0xFF, 0xFF, 0xC0, 0, 11, 8, 0x01, 0xE0, 0x02, 0x80,
        ];
        assert_eq!(jpeg_size(&jpeg), Some((640, 480)));
        for end in 0..jpeg.len() {
            assert_eq!(jpeg_size(&jpeg[..end]), None, "cut at {end}");
        }
        assert_eq!(jpeg_size(b"\xFF\xD8\xFF\xC4\x00\x00"), None);
        assert_eq!(
            png_size(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x03\0\0\0\x02"),
            Some((3, 2))
        );
        assert_eq!(png_size(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x03"), None);
    }
}
