//! Pictures for the page, small and inside it.

use std::collections::BTreeMap;
use std::path::Path;

use image::imageops::FilterType;
use image::RgbImage;

use crate::bench::run_data::RunData;
use crate::camera::{ClipSource, Decoder, Grab, JpegEncoder, RawFrame, Source};

/// Width of a picture in the page; enough to see what stood there.
const WIDTH_PX: u32 = 400;
const QUALITY: u8 = 72;

/// Pictures by frame number, as `data:` addresses.
#[derive(Debug, Default)]
pub struct Shown {
    /// What the driver saw, or the bare picture.
    pub pictures: BTreeMap<u64, String>,
    /// What the stages made of it.
    pub stages: BTreeMap<u64, String>,
    /// Whether the pictures carry banner and rungs.
    pub annotated: bool,
}

/// Collects the pictures of the frames `wanted`. What is missing is noted, and
/// the page does without.
pub fn collect(data: &RunData, wanted: &[u64], notes: &mut Vec<String>) -> Shown {
    let film = data.folder.join("annotated.avi");
    let annotated = film.is_file();
    let mut shown = Shown {
        annotated,
        ..Shown::default()
    };
    // The annotated film has a picture for each row; a clip counts its own.
    let number = |seq: u64| -> Option<u64> {
        if annotated {
            data.shots.get(usize::try_from(seq).ok()?).map(|s| s.number)
        } else {
            Some(seq)
        }
    };
    let place = if annotated {
        film.as_path()
    } else {
        data.clip.as_path()
    };
    if let Err(error) = read(place, wanted, number, &mut shown.pictures) {
        notes.push(format!("{}: no pictures in the page: {error:#}", data.name));
    }
    for frame in wanted {
        let path = data.folder.join(format!("stages/{frame:06}.png"));
        if let Some(bytes) = super::read_if_there(&path) {
            shown.stages.insert(*frame, address("image/png", &bytes));
        }
    }
    shown
}

fn read(
    place: &Path,
    wanted: &[u64],
    number: impl Fn(u64) -> Option<u64>,
    pictures: &mut BTreeMap<u64, String>,
) -> anyhow::Result<()> {
    let mut source = ClipSource::open(place)?;
    let mut decoder = Decoder::new()?;
    let mut encoder = JpegEncoder::new(QUALITY)?;
    let (mut frame, mut picture, mut jpeg) = (RawFrame::empty(), RgbImage::new(1, 1), Vec::new());
    loop {
        match source.grab(&mut frame)? {
            Grab::End => return Ok(()),
            Grab::Frame => {}
            Grab::Broken(_) | Grab::Timeout => continue,
        }
        let Some(number) = number(frame.seq).filter(|n| wanted.contains(n)) else {
            continue;
        };
        if decoder.decode_rgb(&frame, &mut picture).is_err() {
            // The page says "unreadable" where a picture is missing.
            continue;
        }
        let (width, height) = picture.dimensions();
        if width > WIDTH_PX {
            let height = (height * WIDTH_PX / width).max(1);
            picture = image::imageops::resize(&picture, WIDTH_PX, height, FilterType::Triangle);
        }
        encoder.encode_rgb(&picture, &mut jpeg)?;
        pictures.insert(number, address("image/jpeg", &jpeg));
        if pictures.len() == wanted.len() {
            return Ok(());
        }
    }
}

/// Bytes as an address that holds them (RFC 2397, base64 by RFC 4648).
fn address(kind: &str, bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = format!("data:{kind};base64,");
    for chunk in bytes.chunks(3) {
        let word = chunk
            .iter()
            .enumerate()
            .fold(0_u32, |w, (i, b)| w | (u32::from(*b) << (16 - 8 * i)));
        for i in 0..4 {
            if i <= chunk.len() {
                out.push(char::from(LETTERS[(word >> (18 - 6 * i)) as usize & 63]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vectors of RFC 4648, section 10.
    #[test]
    fn base64_by_the_rfc() {
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(
                address("a/b", bytes.as_bytes()),
                format!("data:a/b;base64,{text}")
            );
        }
    }
}
