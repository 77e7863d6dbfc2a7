//! Pictures for calibration: single files, folders of them, or a film.

use std::path::{Path, PathBuf};

use anyhow::{bail, Context};
use image::RgbImage;

use super::board::Grey;
use crate::camera::{ClipSource, Decoder, Grab, Picture, RawFrame, Source};

/// A picture to look for a board in.
pub(super) struct Shot {
    /// What it is called in messages.
    pub name: String,
    /// The luma, or why there is none.
    pub grey: Result<Grey, String>,
}

/// Boards in a film move slowly: more frames than this bring nothing new.
const MOST_FRAMES: u64 = 60;

/// Calls `each` with every picture, one at a time.
///
/// # Errors
/// A path that cannot be opened at all. A damaged picture is not an error.
pub(super) fn each_shot(paths: &[PathBuf], mut each: impl FnMut(Shot)) -> anyhow::Result<()> {
    for path in paths {
        if path.is_dir() && !path.join("clip.toml").exists() {
            let mut files: Vec<PathBuf> = std::fs::read_dir(path)
                .with_context(|| format!("{}: cannot be read; check the path", path.display()))?
                .filter_map(|entry| Some(entry.ok()?.path()))
                .filter(|p| is_picture(p))
                .collect();
            if files.is_empty() {
                bail!(
                    "{}: holds no .jpg or .png; name the folder that holds the pictures",
                    path.display()
                );
            }
            files.sort();
            for file in files {
                shots_of(&file, &mut each)?;
            }
        } else {
            shots_of(path, &mut each)?;
        }
    }
    Ok(())
}

/// The first picture of a file or clip.
///
/// # Errors
/// It cannot be opened or is damaged.
pub(super) fn one_shot(path: &Path) -> anyhow::Result<Grey> {
    let mut picture = Picture::default();
    let decoded = Decoder::new()?.decode(&first_frame(path)?, 1, &mut picture);
    decoded
        .map(|()| Grey::from_plane(&picture.y))
        .map_err(|why| damaged(path, &why))
}

/// The same in colour.
///
/// # Errors
/// As above.
pub(super) fn one_shot_rgb(path: &Path) -> anyhow::Result<RgbImage> {
    let mut picture = RgbImage::default();
    let decoded = Decoder::new()?.decode_rgb(&first_frame(path)?, &mut picture);
    decoded.map_err(|why| damaged(path, &why))?;
    Ok(picture)
}

fn first_frame(path: &Path) -> anyhow::Result<RawFrame> {
    let mut source = ClipSource::open(path)?;
    let mut frame = RawFrame::empty();
    loop {
        match source.grab(&mut frame)? {
            Grab::Frame => return Ok(frame),
            Grab::Timeout => {}
            Grab::Broken(why) => return Err(damaged(path, &why)),
            Grab::End => bail!("{}: holds no picture", path.display()),
        }
    }
}

fn damaged(path: &Path, why: &dyn std::fmt::Display) -> anyhow::Error {
    anyhow::anyhow!("{}: {why}; take another picture", path.display())
}

fn is_picture(path: &Path) -> bool {
    path.extension()
        .and_then(|e| e.to_str())
        .is_some_and(|e| ["jpg", "jpeg", "png"].contains(&e.to_ascii_lowercase().as_str()))
}

fn shots_of(path: &Path, each: &mut impl FnMut(Shot)) -> anyhow::Result<()> {
    // A path that leads nowhere is a slip to correct; a file that cannot be read
    // is one picture less.
    let exists = path.exists();
    let mut source = match ClipSource::open(path) {
        Ok(source) => source,
        Err(why) if exists => {
            each(Shot {
                name: path.display().to_string(),
                grey: Err(format!("{why:#}")),
            });
            return Ok(());
        }
        Err(why) => return Err(why),
    };
    let skip = source
        .frame_count()
        .map_or(10, |n| n.div_ceil(MOST_FRAMES))
        .max(1);
    let single = source.frame_count() == Some(1);
    let mut decoder = Decoder::new()?;
    let (mut frame, mut picture) = (RawFrame::empty(), Picture::default());
    let mut count = 0;
    loop {
        let grab = source.grab(&mut frame)?;
        let name = if single {
            path.display().to_string()
        } else {
            format!("{} frame {}", path.display(), frame.seq)
        };
        let grey = match grab {
            Grab::End => return Ok(()),
            Grab::Timeout => continue,
            Grab::Broken(why) => Err(why),
            Grab::Frame if count % skip == 0 => decoder
                .decode(&frame, 1, &mut picture)
                .map(|()| Grey::from_plane(&picture.y))
                .map_err(|e| e.to_string()),
            Grab::Frame => {
                count += 1;
                continue;
            }
        };
        count += 1;
        each(Shot { name, grey });
    }
}
