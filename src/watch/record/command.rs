//! `hindward record`: a clip from the camera, on the bench.

use std::fs;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{bail, Context};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;

use super::segments::Plan;
use super::store::ClipStore;
use super::FrameRecorder;
use crate::bench::run_folder::RunFolder;
use crate::camera::{clip_companions, Grab, RawFrame};
use crate::profile::Profile;
use crate::watch::eyes::Eyes;
use crate::watch::run::end_flag;

/// Record a clip with the camera of a profile.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  hindward record car.toml --out yard                until Ctrl-C
  hindward record car.toml --out yard --seconds 30

MJPEG pictures are stored as the camera gives them, others are encoded once. The
clip has the profile with it: `hindward replay yard --annotate` shows what would
have been said. A camera that goes and comes back leaves a gap. Pictures of the
street and of people: local rules on recording come first.")]
pub struct RecordArgs {
    /// Profile of the vehicle.
    pub profile: PathBuf,
    /// The clip's folder.
    #[arg(long, value_name = "CLIP")]
    pub out: PathBuf,
    /// End after so many seconds; without it, at Ctrl-C.
    #[arg(long, value_name = "N", value_parser = seconds)]
    pub seconds: Option<f64>,
    /// Title of the clip.
    #[arg(long)]
    pub title: Option<String>,
    /// Record this clip, at its own pace, in place of the camera.
    #[arg(long, value_name = "CLIP")]
    pub clip: Option<PathBuf>,
    /// Print the outcome as JSON.
    #[arg(long)]
    pub json: bool,
}

/// A file of the clip holds so much: the pieces stay far from what AVI can say.
const PIECE: Duration = Duration::from_secs(60);
const MOST_PIECE_BYTES: u64 = 1 << 30;

/// A camera that gives nothing for so long at the start gives nothing.
const FIRST_WITHIN: Duration = Duration::from_secs(10);

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(n) if n > 0.0 && n <= 86_400.0 => Ok(n),
        _ => Err("give seconds, above 0 and up to 86400".into()),
    }
}

/// What the camera gave.
#[derive(Default)]
struct Seen {
    first: Option<(u64, Duration)>,
    last: (u64, Duration),
    frames: u64,
}

impl Seen {
    /// Frames that the source counted but did not hand over whole.
    fn lost(&self) -> u64 {
        let counted = self.first.map_or(0, |f| self.last.0 - f.0 + 1);
        counted.saturating_sub(self.frames)
    }

    fn seconds(&self) -> f64 {
        self.first
            .map_or(0.0, |f| self.last.1.saturating_sub(f.1).as_secs_f64())
    }
}

/// Runs the command.
///
/// # Errors
/// The profile is at fault, no picture comes, or the clip cannot be written.
pub fn run(args: &RecordArgs) -> anyhow::Result<ExitCode> {
    let profile = Profile::load(&args.profile)?;
    if args.out.exists() {
        bail!(
            "{}: is there already; give another --out",
            args.out.display()
        );
    }
    let end = end_flag()?;
    let mut eyes = Eyes::open(args.clip.as_deref(), &profile)?;
    let rate_hz = profile.camera.rate_hz;
    let mask = profile.camera.self_mask.as_deref();
    let companions = clip_companions(
        args.title.as_deref(),
        rate_hz,
        Some("frames"),
        Some((&args.profile, mask)),
    )?;
    let folder = RunFolder::create(&args.out)?;
    fs::create_dir(folder.path("frames"))
        .with_context(|| format!("{}: cannot be written", args.out.display()))?;
    for (name, bytes) in companions {
        fs::write(folder.path(&name), bytes)
            .with_context(|| format!("{name}: cannot be written; is the disk full?"))?;
    }
    let recorder = FrameRecorder::start(ClipStore::new(Plan {
        folder: folder.path("frames"),
        run: 1,
        rate_hz,
        length: PIECE,
        most_bytes: MOST_PIECE_BYTES,
    })?)?;
    let seen = watch(args, &mut eyes, &recorder, &end)?;
    let (counts, fault) = recorder.finish();
    if let Some(fault) = fault {
        bail!("{fault}");
    }
    if counts.stored == 0 {
        bail!("{}: ended before the first picture", eyes.status());
    }
    let out = folder.finish()?;
    let lost = seen.lost() + counts.dropped;
    if args.json {
        let all = json!({
            "clip": out.display().to_string(),
            "frames": counts.stored,
            "seconds": (seen.seconds() * 1e3).round() / 1e3,
            "lost": lost,
            "passed_over": counts.passed_over,
        });
        crate::say::say!("{}", serde_json::to_string_pretty(&all)?);
    } else {
        crate::say::say!(
            "{} frames of {:.1} s in {}",
            counts.stored,
            seen.seconds(),
            out.display()
        );
    }
    if lost > 0 {
        crate::say::note!(
            "note: {lost} frames were lost, {} of them by a slow disk",
            counts.dropped
        );
    }
    if counts.passed_over > 0 {
        crate::say::note!(
            "note: {} frames came faster than camera.rate_hz = {rate_hz} and were passed over",
            counts.passed_over
        );
    }
    Ok(ExitCode::SUCCESS)
}

/// Hands frames to the recorder until the time is over.
fn watch(
    args: &RecordArgs,
    eyes: &mut Eyes,
    recorder: &FrameRecorder,
    end: &AtomicBool,
) -> anyhow::Result<Seen> {
    let epoch = eyes.epoch();
    let mut seen = Seen::default();
    let mut frame = RawFrame::empty();
    let bar = ProgressBar::new_spinner().with_style(
        ProgressStyle::with_template("{elapsed}  {msg}")
            .unwrap_or_else(|_| ProgressStyle::default_spinner()),
    );
    while !end.load(Ordering::Relaxed) {
        match eyes.source().grab(&mut frame)? {
            Grab::End => break,
            Grab::Timeout => {
                if seen.first.is_none() && epoch.elapsed() > FIRST_WITHIN {
                    bail!(
                        "{}: no picture within {} s",
                        eyes.status(),
                        FIRST_WITHIN.as_secs()
                    );
                }
                continue;
            }
            Grab::Broken(_) => continue,
            Grab::Frame => {}
        }
        let first = *seen.first.get_or_insert((frame.seq, frame.captured));
        let lasts = frame.captured.saturating_sub(first.1).as_secs_f64();
        if args.seconds.is_some_and(|most| lasts >= most) {
            break;
        }
        seen.last = (frame.seq, frame.captured);
        seen.frames += 1;
        recorder.offer(&frame);
        if let Some(fault) = recorder.fault() {
            bail!("{fault}");
        }
        bar.set_message(format!("{} frames", seen.frames));
    }
    bar.finish_and_clear();
    Ok(seen)
}
