//! `hindward mask`: finds what the picture shows of the own vehicle.

mod finder;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use clap::Args;
use image::{GrayImage, ImageFormat, Rgb, RgbImage};
use serde::Serialize;

use crate::camera::{ClipSource, Decoder, Grab, Picture, RawFrame, Source};
use crate::optics::PixelPoint;
use crate::profile::edit::{write_atomically, Edit};
use crate::profile::Profile;
use crate::segment::{GroundModel, Motion};

use super::replay::working_scale;
pub use finder::{Finder, Found, Shows, Stillness};

/// Find what the picture shows of the own vehicle: bumper, plate, rack.
///
/// Drive a clip for it by daylight, over ground with texture (old asphalt, gravel,
/// paving): slowly, two metres or more. What stays where it is while the ground
/// moves is the vehicle. It never counts as an obstacle from then on.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  hindward mask yard --into van.toml
  hindward mask drive.mp4 --into van.toml --sheet mask.png --dry-run

Writes a PNG beside the profile, white where the vehicle is, and names it in
camera.self_mask. Look at the sheet before you trust it: what is masked is never
warned of. Lens and mount must be calibrated first. Again after anything was fitted to
the rear or moved the camera.

Exit codes: 0 done; 2 the clip or the command line is at fault, or the clip does not
tell: nothing is written then.")]
pub struct MaskArgs {
    /// Clip: a folder with clip.toml and pictures, or a single video file.
    clip: PathBuf,
    /// Profile whose camera.self_mask is set; the profile as it was stays as PROFILE.previous
    #[arg(long, value_name = "PROFILE")]
    into: PathBuf,
    /// Write a picture that shows what was found
    #[arg(long, value_name = "FILE.png")]
    sheet: Option<PathBuf>,
    /// Show the result without writing the mask or the profile
    #[arg(long)]
    dry_run: bool,
    /// Print the result as JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Least driven way, metres, and comparisons.
const LEAST_DRIVEN_M: f32 = 0.7;
const LEAST_PAIRS: usize = 6;
/// Least frames that could show such a way.
const LEAST_FRAMES: u64 = 8;
/// Motion of less quality than this is not taken as known.
const MOTION_QUALITY: f32 = 0.3;
/// A longer clip tells no more.
const MOST_FRAMES: u64 = 900;
/// More of the picture than this is not the vehicle but a mistake.
const MOST_SHARE: f64 = 0.6;
/// With more than this undecided the ground was too smooth to tell anything.
const MOST_UNDECIDED: f64 = 0.5;

#[derive(Debug, Serialize)]
struct Report {
    clip: String,
    driven_m: f32,
    compared_pairs: usize,
    share_of_picture: f64,
    undecided_share: f64,
    self_mask: Option<String>,
    written: bool,
}

/// Runs `hindward mask`.
///
/// # Errors
/// Clip or profile cannot be used, or the clip does not tell; nothing is changed.
pub fn run(args: &MaskArgs) -> anyhow::Result<ExitCode> {
    let mut profile = Profile::load(&args.into)?;
    // What was masked before must not hide itself from the search.
    profile.camera.self_mask = None;
    let edit = Edit::open(&args.into)?;
    let (found, driven_m, shot) = search(&args.clip, &profile)?;
    let share = found.share();
    if share > MOST_SHARE {
        bail!(
            "{}: {:.0} % of the picture would be the vehicle, which cannot be; check [mount] and take \
             another clip",
            args.clip.display(),
            100.0 * share
        );
    }
    if found.undecided() > MOST_UNDECIDED {
        bail!(
            "{}: the ground is too smooth or too dark to tell it from the vehicle ({:.0} % undecided); \
             take the clip by daylight over old asphalt, gravel or paving, and \
             check that the profile's lens and mount are this camera's",
            args.clip.display(),
            100.0 * found.undecided()
        );
    }
    let mask = full_size(&found, &profile);
    if let Some(path) = &args.sheet {
        let bytes = png(&sheet(&shot, &found))?;
        write_atomically(path, &bytes)
            .with_context(|| format!("{}: cannot be written; check the folder", path.display()))?;
    }
    let mut report = Report {
        clip: args.clip.display().to_string(),
        driven_m,
        compared_pairs: found.pairs,
        share_of_picture: share,
        undecided_share: found.undecided(),
        self_mask: None,
        written: false,
    };
    let name = mask_name(&args.into);
    let mut saved = None;
    if share > 0.0 {
        report.self_mask = Some(name.clone());
        if !args.dry_run {
            saved = Some(store(edit, &args.into, &name, &mask)?);
            report.written = true;
        }
    }
    if args.json {
        crate::say::say!("{}", serde_json::to_string_pretty(&report)?);
        return Ok(ExitCode::SUCCESS);
    }
    crate::say::say!(
        "{:.1} m driven, {} pairs of pictures compared",
        report.driven_m,
        report.compared_pairs
    );
    if report.undecided_share > 0.0 {
        crate::say::say!(
            "{:.0} % of the near picture is undecided and stays watched",
            100.0 * report.undecided_share
        );
    }
    if share > 0.0 {
        crate::say::say!("own vehicle: {:.1} % of the picture", 100.0 * share);
    } else {
        crate::say::say!("the picture shows nothing of the own vehicle; the profile is as it was");
    }
    if let Some(path) = &args.sheet {
        crate::say::say!("sheet: {}", path.display());
    }
    if let Some(saved) = saved {
        crate::say::say!("mask: {}", beside(&args.into, &name).display());
        match saved.previous {
            Some(previous) => crate::say::say!(
                "camera.self_mask written; the profile as it was is kept as {}",
                previous.display()
            ),
            None => crate::say::say!("camera.self_mask already named it"),
        }
        crate::say::say!(
            "CAUTION: what is masked is never warned of. Look at it, with --sheet, before you trust it."
        );
    }
    Ok(ExitCode::SUCCESS)
}

/// Goes through the clip twice: once for what hardly changes, once for the motion.
fn search(clip: &Path, profile: &Profile) -> anyhow::Result<(Found, f32, RgbImage)> {
    let scale = working_scale(profile);
    let (width, height) = (
        profile.camera.width as usize,
        profile.camera.height as usize,
    );
    let (w, h) = (width.div_ceil(scale.into()), height.div_ceil(scale.into()));
    let mut finder = Finder::new(profile.ground(), w, h, scale);
    let mut stillness = Stillness::default();
    let frames = each_picture(clip, profile, scale, |_, picture, _| {
        stillness.add(picture);
        Ok(true)
    })?;
    if frames < LEAST_FRAMES {
        bail!(
            "{}: {frames} pictures are too few; record five seconds while the vehicle rolls two metres",
            clip.display()
        );
    }
    let still = stillness.still(w, &finder.near());
    let masked = |p: PixelPoint| {
        let at = |v: f64, n: usize| ((v / f64::from(scale)).max(0.0) as usize).min(n - 1);
        let k = at(p.v, h) * w + at(p.u, w);
        still.get(k).copied().unwrap_or(false)
    };
    let mut model = GroundModel::new(profile, masked).with_context(|| {
        format!(
            "{}: the camera sees nothing of the watch area; check [mount] and [watch]",
            profile.name
        )
    })?;
    let mut shot = RgbImage::new(width as u32, height as u32);
    let mut first = true;
    each_picture(clip, profile, scale, |frame, picture, decoder| {
        model.step(picture, frame.captured);
        let estimate = model.motion();
        let known = !first && estimate.quality > MOTION_QUALITY;
        first = false;
        let motion: Option<Motion> = known.then_some(estimate.motion);
        if finder.add(picture, motion) {
            // The last one kept is what the sheet shows.
            decoder.decode_rgb(frame, &mut shot)?;
        }
        Ok(!finder.full())
    })?;
    let driven_m = finder.driven_m;
    let found = finder.find();
    if driven_m < LEAST_DRIVEN_M || found.pairs < LEAST_PAIRS {
        bail!(
            "{}: only {driven_m:.1} m of driving can be made out; roll two metres or more, slowly, by \
             daylight, over ground with texture (old asphalt, gravel, paving)",
            clip.display()
        );
    }
    Ok((found, driven_m, shot))
}

/// Calls `each` with every readable picture until it says no more; counts them.
fn each_picture(
    clip: &Path,
    profile: &Profile,
    scale: u8,
    mut each: impl FnMut(&RawFrame, &Picture, &mut Decoder) -> anyhow::Result<bool>,
) -> anyhow::Result<u64> {
    let mut source = ClipSource::open(clip)?;
    let (width, height) = source.size();
    if (width, height) != (profile.camera.width, profile.camera.height) {
        bail!(
            "{}: pictures are {width}x{height}, the profile asks {}x{}; use a clip of that camera setting",
            clip.display(),
            profile.camera.width,
            profile.camera.height
        );
    }
    let mut decoder = Decoder::new()?;
    let (mut frame, mut picture) = (RawFrame::empty(), Picture::default());
    let mut count = 0;
    while count < MOST_FRAMES {
        match source.grab(&mut frame)? {
            Grab::End => break,
            Grab::Timeout | Grab::Broken(_) => continue,
            Grab::Frame => {}
        }
        if decoder.decode(&frame, scale, &mut picture).is_err() {
            continue;
        }
        count += 1;
        if !each(&frame, &picture, &mut decoder)? {
            break;
        }
    }
    Ok(count)
}

fn mask_name(profile: &Path) -> String {
    let stem = profile
        .file_stem()
        .map_or_else(|| "profile".into(), |s| s.to_string_lossy().into_owned());
    format!("{stem}-self-mask.png")
}

fn beside(profile: &Path, name: &str) -> PathBuf {
    profile.parent().unwrap_or(Path::new("")).join(name)
}

/// White where the vehicle is, at the profile's picture size.
fn full_size(found: &Found, profile: &Profile) -> GrayImage {
    let scale = u32::from(working_scale(profile));
    GrayImage::from_fn(profile.camera.width, profile.camera.height, |x, y| {
        let k = (y / scale) as usize * found.width + (x / scale) as usize;
        let vehicle = found.shows.get(k) == Some(&Shows::Vehicle);
        image::Luma([if vehicle { 255 } else { 0 }])
    })
}

/// The picture as it is, and beside it what was found: red the vehicle, blue what
/// is undecided.
fn sheet(shot: &RgbImage, found: &Found) -> RgbImage {
    let (w, h) = shot.dimensions();
    let scale = w.div_ceil(found.width.max(1) as u32).max(1);
    let shows = |x: u32, y: u32| {
        let k = (y / scale) as usize * found.width + (x / scale) as usize;
        found.shows.get(k).copied().unwrap_or(Shows::Beyond)
    };
    let mix = |p: Rgb<u8>, q: [u8; 3]| {
        let half = |i: usize| ((u16::from(p.0[i]) + u16::from(q[i])) / 2) as u8;
        Rgb([half(0), half(1), half(2)])
    };
    RgbImage::from_fn(2 * w, h, |x, y| {
        let p = *shot.get_pixel(x % w, y);
        if x < w {
            return p;
        }
        match shows(x - w, y) {
            Shows::Vehicle => mix(p, [220, 30, 30]),
            Shows::Undecided => mix(p, [40, 80, 220]),
            Shows::Ground | Shows::Beyond => p,
        }
    })
}

fn png<P>(picture: &image::ImageBuffer<P, Vec<u8>>) -> anyhow::Result<Vec<u8>>
where
    P: image::PixelWithColorType<Subpixel = u8>,
{
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut bytes, ImageFormat::Png)?;
    Ok(bytes.into_inner())
}

/// Writes the mask, then names it in the profile. If the profile cannot be written
/// the mask is as it was before.
fn store(
    mut edit: Edit,
    profile: &Path,
    name: &str,
    mask: &GrayImage,
) -> anyhow::Result<crate::profile::edit::Saved> {
    let path = beside(profile, name);
    let cannot = || {
        format!(
            "{}: the mask cannot be written; check permissions and free space",
            path.display()
        )
    };
    let bytes = png(mask)?;
    let old = std::fs::read(&path).ok();
    if let Some(old) = old.as_ref().filter(|old| **old != bytes) {
        let mut previous = path.clone().into_os_string();
        previous.push(".previous");
        write_atomically(Path::new(&previous), old).with_context(cannot)?;
    }
    write_atomically(&path, &bytes).with_context(cannot)?;
    let saved = edit
        .set(&["camera", "self_mask"], name)
        .and_then(|edit| edit.save());
    if saved.is_err() {
        // The profile's own error counts; this only puts things back.
        let _ = match old {
            Some(old) => write_atomically(&path, &old),
            None => std::fs::remove_file(&path),
        };
    }
    Ok(saved?)
}
