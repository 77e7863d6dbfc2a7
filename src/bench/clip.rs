//! `hindward clip`: makes a clip folder of other footage or of a part of a clip.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use image::RgbImage;
use serde_json::json;

use crate::camera::{
    clip_companions, ClipSource, Decoder, Grab, JpegEncoder, PixelFormat, RawFrame, Source,
};
use crate::profile::Profile;

use super::run_folder::RunFolder;

/// Make a clip folder of other footage, or of a part of a clip.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "JPEG pictures are taken over as they are, others are encoded once. Truth, own
motion and faults of a clip are cut to the same stretch. Frames that cannot be
read leave a gap in the numbers, and are counted.

Examples:
  hindward clip phone.mp4 --profile van.toml --out yard     import (needs ffmpeg)
  hindward clip yard --from 3.5 --to 9 --out yard-child     trim"
)]
pub struct ClipArgs {
    /// A clip folder, a film, or anything else that `replay` reads.
    source: PathBuf,
    /// The new clip's folder.
    #[arg(long)]
    out: PathBuf,
    /// Profile of the vehicle; without it, the one that the source names.
    #[arg(long)]
    profile: Option<PathBuf>,
    /// Title of the new clip.
    #[arg(long)]
    title: Option<String>,
    /// First moment to keep, seconds.
    #[arg(long, default_value_t = 0.0)]
    from: f64,
    /// Last moment to keep, seconds; without it, the end.
    #[arg(long)]
    to: Option<f64>,
    /// Print the outcome as JSON.
    #[arg(long)]
    json: bool,
}

const QUALITY: u8 = 92;

/// What was kept.
#[derive(Debug, Default)]
struct Kept {
    /// Number and time of the first frame; later numbers count from it.
    first: Option<(u64, f64)>,
    last: u64,
    frames: u64,
    broken: u64,
}

/// Runs the command.
///
/// # Errors
/// The source cannot be read, no frame is left, or the clip cannot be written.
pub fn run(args: &ClipArgs) -> anyhow::Result<ExitCode> {
    let to = args.to.unwrap_or(f64::INFINITY);
    if !(args.from >= 0.0 && to > args.from) {
        bail!(
            "--from {} --to {to}: is no stretch; give a later --to",
            args.from
        );
    }
    if args.out.exists() {
        bail!(
            "{}: is there already; give another --out",
            args.out.display()
        );
    }
    let mut source = ClipSource::open(&args.source)?;
    let profile = args.profile.clone().or_else(|| source.profile());
    if let Some(path) = &profile {
        let asked = Profile::load(path)?.camera;
        let (w, h) = source.size();
        if (w, h) != (asked.width, asked.height) {
            bail!(
                "{}: pictures are {w}x{h}, {} asks {}x{}; film with the fitted camera",
                args.source.display(),
                path.display(),
                asked.width,
                asked.height
            );
        }
    }
    let folder = RunFolder::create(&args.out)?;
    let kept = copy_frames(&mut source, args.from, to, &folder)?;
    let Some(first) = kept.first else {
        bail!(
            "{}: has no readable frame from {} s on; give another stretch",
            args.source.display(),
            args.from
        );
    };
    for table in ["truth.csv", "ego.csv", "health.csv"] {
        let from = match source.truth() {
            Some(truth) if table == "truth.csv" => truth,
            _ => args.source.join(table),
        };
        if from.is_file() {
            let text = fs::read_to_string(&from)
                .with_context(|| format!("{}: cannot be read", from.display()))?;
            fs::write(folder.path(table), cut(&text, first, kept.last, &from)?)?;
        }
    }
    write_settings(args, &source, profile.as_deref(), &folder)?;
    let out = folder.finish()?;
    if args.json {
        let all = json!({"clip": out.display().to_string(), "frames": kept.frames, "broken": kept.broken});
        crate::say::say!("{}", serde_json::to_string_pretty(&all)?);
    } else {
        crate::say::say!("{} frames in {}", kept.frames, out.display());
    }
    if kept.broken > 0 {
        crate::say::note!(
            "note: {} frames could not be read and are left out",
            kept.broken
        );
    }
    for note in source.notes() {
        crate::say::note!("note: {note}");
    }
    Ok(ExitCode::SUCCESS)
}

fn copy_frames(
    source: &mut ClipSource,
    from: f64,
    to: f64,
    folder: &RunFolder,
) -> anyhow::Result<Kept> {
    let mut decoder = Decoder::new()?;
    let mut encoder = JpegEncoder::new(QUALITY)?;
    let (mut raw, mut rgb, mut jpeg) = (RawFrame::empty(), RgbImage::new(1, 1), Vec::new());
    let mut kept = Kept::default();
    fs::create_dir_all(folder.path("frames"))?;
    loop {
        let grab = source.grab(&mut raw)?;
        let time = raw.captured.as_secs_f64();
        match grab {
            Grab::End => return Ok(kept),
            _ if time < from => continue,
            _ if time > to => return Ok(kept),
            Grab::Timeout => continue,
            Grab::Broken(_) => {
                kept.broken += 1;
                continue;
            }
            Grab::Frame => {}
        }
        if raw.format == PixelFormat::Jpeg {
            jpeg.clone_from(&raw.bytes);
        } else if decoder.decode_rgb(&raw, &mut rgb).is_ok() {
            encoder.encode_rgb(&rgb, &mut jpeg)?;
        } else {
            kept.broken += 1;
            continue;
        }
        let first = kept.first.get_or_insert((raw.seq, time));
        let name = format!("frames/{:06}.jpg", raw.seq - first.0);
        fs::write(folder.path(&name), &jpeg)
            .with_context(|| format!("{}: cannot be written; is the disk full?", name))?;
        kept.last = raw.seq;
        kept.frames += 1;
    }
}

/// The rows of a table that fall into the stretch, counted from its start:
/// by frame where the table has frames, else by start and end in seconds.
fn cut(text: &str, first: (u64, f64), last: u64, file: &Path) -> anyhow::Result<String> {
    let mut out = String::new();
    let mut head: Vec<&str> = Vec::new();
    for (i, line) in text.lines().enumerate() {
        if i == 0 {
            head = line.split(',').map(str::trim).collect();
            out = format!("{line}\n");
            continue;
        }
        if line.trim().is_empty() {
            continue;
        }
        let cells: Vec<&str> = line.split(',').collect();
        let wrong = || {
            format!(
                "{}:{}: does not fit; write the table again",
                file.display(),
                i + 1
            )
        };
        let mut kept: Vec<String> = Vec::new();
        let mut inside = true;
        for (name, cell) in head.iter().zip(&cells) {
            let number = || cell.trim().parse::<f64>().ok().with_context(wrong);
            kept.push(match *name {
                "frame" => {
                    let frame = number()?;
                    inside &= frame >= first.0 as f64 && frame <= last as f64;
                    format!("{}", (frame - first.0 as f64).max(0.0))
                }
                "time_s" => format!("{:.4}", number()? - first.1),
                "start_s" => format!("{:.4}", (number()? - first.1).max(0.0)),
                "end_s" => {
                    inside &= number()? > first.1;
                    format!("{:.4}", number()? - first.1)
                }
                _ => (*cell).to_owned(),
            });
        }
        if kept.len() != head.len() {
            bail!(wrong());
        }
        if inside {
            out.push_str(&kept.join(","));
            out.push('\n');
        }
    }
    Ok(out)
}

fn write_settings(
    args: &ClipArgs,
    source: &ClipSource,
    profile: Option<&Path>,
    folder: &RunFolder,
) -> anyhow::Result<()> {
    let title = args.title.as_deref().or(source.title());
    let mask = match profile {
        Some(path) => Profile::load(path)?.camera.self_mask,
        None => None,
    };
    let profile = profile.map(|path| (path, mask.as_deref()));
    for (name, bytes) in clip_companions(title, source.rate_hz(), None, profile)? {
        fs::write(folder.path(&name), bytes)
            .with_context(|| format!("{name}: cannot be written; is the disk full?"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_cut_and_counted_anew() {
        let truth = "frame,time_s,id\n0,0.0000,1\n2,0.2000,1\n3,0.3000,1\n4,0.4000,1\n";
        let kept = cut(truth, (2, 0.2), 3, Path::new("t")).unwrap();
        assert_eq!(kept, "frame,time_s,id\n0,0.0000,1\n1,0.1000,1\n");
        let faults = "start_s,end_s,reason\n0.0,0.1,dark\n0.1,0.5,late\n";
        let kept = cut(faults, (2, 0.2), 3, Path::new("h")).unwrap();
        assert_eq!(kept, "start_s,end_s,reason\n0.0000,0.3000,late\n");
        assert!(cut("frame,a\n1\n", (0, 0.0), 9, Path::new("t")).is_err());
    }
}
