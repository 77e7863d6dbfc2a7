//! `hindward replay`: the same loop as on board, fed from a clip.

use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::bail;
use clap::Args;
use image::RgbImage;
use indicatif::{ProgressBar, ProgressStyle};

use crate::announce::{Buzzer, Edge, Painter, PatternPlayer, Recorder};
use crate::camera::{AviWriter, ClipSource, Decoder, Grab, JpegEncoder, Picture, RawFrame, Source};
use crate::profile::Profile;
use crate::watch::{Input, Outcome, Pipeline};
use crate::zone::Verdict;

use super::run_folder::RunFolder;
use super::tables::{Summary, Tables, Weighed};

/// Run a recorded clip through the same loop that runs on board.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  hindward replay yard                           the clip names its profile
  hindward replay drive.mp4 --profile van.toml   any file that ffmpeg reads
  hindward replay yard --out run --annotate      also write what the driver sees

Writes into the folder: detections.csv, motion.csv, edges.csv, summary.json,
profile.toml as used, with --annotate annotated.avi. The same clip and profile give
the same bytes.")]
pub struct ReplayArgs {
    /// Clip: a folder with clip.toml and pictures, or a single video file.
    pub clip: PathBuf,
    /// Profile of the vehicle; without it, the one that the clip names.
    #[arg(long)]
    pub profile: Option<PathBuf>,
    /// Folder for the results; by default NAME-run here, after the clip's name.
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Also write annotated.avi: the picture with rungs, contact lines and banner.
    #[arg(long)]
    pub annotate: bool,
    /// Also write a picture of every stage for each frame into stages/.
    #[arg(long)]
    pub stages: bool,
    /// Also write candidates.csv: all that may stand, where, and how probable it was; and
    /// footline.i8: what the net saw of every other picture, to train on.
    #[arg(long)]
    pub candidates: bool,
    /// Print the summary as JSON instead of text.
    #[arg(long)]
    pub json: bool,
}

/// JPEG quality of annotated pictures: lettering must stay crisp.
const ANNOTATED_QUALITY: u8 = 90;

/// Time spent per stage, in order of first use.
#[derive(Debug, Default)]
struct Laps {
    totals: Vec<(&'static str, Duration)>,
}

impl Laps {
    fn add(&mut self, name: &'static str, spent: Duration) {
        match self.totals.iter_mut().find(|t| t.0 == name) {
            Some(t) => t.1 += spent,
            None => self.totals.push((name, spent)),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// The clip or profile cannot be used, or the results cannot be written.
pub fn run(args: &ReplayArgs) -> anyhow::Result<ExitCode> {
    let mut source = ClipSource::open(&args.clip)?;
    let Some(profile_path) = args.profile.clone().or_else(|| source.profile()) else {
        bail!(
            "{}: the clip names no profile; give one with --profile",
            args.clip.display()
        );
    };
    let profile = Profile::load(&profile_path)?;
    let (width, height) = source.size();
    if (width, height) != (profile.camera.width, profile.camera.height) {
        bail!(
            "{}: pictures are {width}x{height}, {} asks {}x{}; use the profile of the camera \
             that took the clip",
            args.clip.display(),
            profile_path.display(),
            profile.camera.width,
            profile.camera.height
        );
    }
    let out = args.out.clone().unwrap_or_else(|| default_out(&args.clip));
    let folder = RunFolder::create(&out)?;
    let result = replay(args, &mut source, &profile, &folder);
    let (summary, laps) = result?;
    // What was judged by stays with the results, whatever becomes of the file.
    fs::copy(&profile_path, folder.path("profile.toml"))?;
    let out = folder.finish()?;
    if args.json {
        crate::say::say!("{}", serde_json::to_string_pretty(&summary)?);
    } else {
        crate::say::text(summary.text());
        print_laps(&laps, summary.frames);
        crate::say::say!("results: {}", out.display());
    }
    for note in source.notes() {
        crate::say::note!("note: {note}");
    }
    Ok(ExitCode::SUCCESS)
}

fn default_out(clip: &Path) -> PathBuf {
    let stem = clip
        .file_stem()
        .map_or_else(|| "clip".into(), |s| s.to_string_lossy().into_owned());
    PathBuf::from(format!("{stem}-run"))
}

fn replay(
    args: &ReplayArgs,
    source: &mut ClipSource,
    profile: &Profile,
    folder: &RunFolder,
) -> anyhow::Result<(Summary, Laps)> {
    source.time_out_after(profile.health.stale);
    let mut pipeline = Pipeline::new(profile)?;
    let mut decoder = Decoder::new()?;
    let mut tables = Tables::create(folder, profile, source)?;
    let mut sound = SoundEnd::create(folder, profile)?;
    let mut view = match args.annotate {
        true => Some(ViewEnd::create(folder, profile, source.rate_hz())?),
        false => None,
    };
    if args.stages {
        fs::create_dir_all(folder.path("stages"))?;
    }
    let mut weighed = match args.candidates {
        true => Some(Weighed::create(folder, profile)?),
        false => None,
    };
    let mut laps = Laps::default();
    let mut frame = RawFrame::empty();
    let mut picture = Picture::default();
    let bar = progress(source.frame_count());
    let denominator = working_scale(profile);
    loop {
        let mut mark = Instant::now();
        let grab = source.grab(&mut frame)?;
        let mut lap = |name: &'static str, mark: &mut Instant| {
            let now = Instant::now();
            laps.add(name, now - *mark);
            *mark = now;
        };
        lap("read", &mut mark);
        let now = frame.captured;
        let mut broken = None;
        let input = match grab {
            Grab::End => break,
            Grab::Timeout => Input::Missing,
            Grab::Broken(why) => {
                broken = Some(why);
                Input::Broken
            }
            Grab::Frame => match decoder.decode(&frame, denominator, &mut picture) {
                Ok(()) => Input::Picture(&picture),
                Err(error) => {
                    broken = Some(error.to_string());
                    Input::Broken
                }
            },
        };
        lap("decode", &mut mark);
        let outcome = pipeline.step(input, now, &mut |name| lap(name, &mut mark));
        if let Some(why) = &broken {
            bar.suspend(|| crate::say::note!("frame {}: {why}", frame.seq));
        }
        tables.add(frame.seq, now, broken.is_some(), &outcome, profile)?;
        sound.say(&outcome.verdict, now)?;
        lap("announce", &mut mark);
        let readable = broken.is_none() && !matches!(input, Input::Missing);
        if let Some(view) = &mut view {
            view.show(readable.then_some(&frame), &mut decoder, &outcome, now)?;
            lap("draw", &mut mark);
        }
        if args.stages && readable {
            if let Some(model) = pipeline.ground_model() {
                let name = format!("stages/{:06}.png", frame.seq);
                super::stage_picture::write(&folder.path(&name), model)?;
            }
        }
        if let (Some(weighed), Some(model)) = (&mut weighed, pipeline.ground_model()) {
            if readable {
                weighed.add(frame.seq, now, model)?;
            }
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    sound.finish(frame.captured)?;
    if let Some(view) = view {
        view.avi.finish()?;
    }
    if let Some(weighed) = weighed {
        weighed.finish()?;
    }
    let summary = tables.finish(folder)?;
    Ok((summary, laps))
}

/// The buzzer's edges as a table.
struct SoundEnd {
    player: PatternPlayer,
    edges: Vec<Edge>,
    recorder: Recorder<BufWriter<File>>,
}

impl SoundEnd {
    fn create(folder: &RunFolder, profile: &Profile) -> anyhow::Result<Self> {
        Ok(SoundEnd {
            player: PatternPlayer::new(profile, Duration::ZERO),
            edges: Vec::new(),
            recorder: Recorder::create(&folder.path("edges.csv"))?,
        })
    }

    fn say(&mut self, verdict: &Verdict, now: Duration) -> anyhow::Result<()> {
        self.player.step(verdict, now, &mut self.edges);
        self.write()
    }

    fn finish(mut self, now: Duration) -> anyhow::Result<()> {
        self.player.stop(now, &mut self.edges);
        self.write()?;
        self.recorder.finish()?;
        Ok(())
    }

    fn write(&mut self) -> anyhow::Result<()> {
        for edge in self.edges.drain(..) {
            self.recorder.set(&edge)?;
        }
        Ok(())
    }
}

/// The driver's picture as an MJPEG AVI.
struct ViewEnd {
    painter: Painter,
    encoder: JpegEncoder,
    picture: RgbImage,
    jpeg: Vec<u8>,
    avi: AviWriter,
}

impl ViewEnd {
    fn create(folder: &RunFolder, profile: &Profile, rate_hz: f64) -> anyhow::Result<Self> {
        let (width, height) = (profile.camera.width, profile.camera.height);
        Ok(ViewEnd {
            painter: Painter::new(profile, width, height),
            encoder: JpegEncoder::new(ANNOTATED_QUALITY)?,
            picture: RgbImage::new(width, height),
            jpeg: Vec::new(),
            avi: AviWriter::create(&folder.path("annotated.avi"), width, height, rate_hz)?,
        })
    }

    /// Draws onto the frame, or onto black where there is no picture: an old
    /// picture must never pass for a new one.
    fn show(
        &mut self,
        frame: Option<&RawFrame>,
        decoder: &mut Decoder,
        outcome: &Outcome,
        now: Duration,
    ) -> anyhow::Result<()> {
        let seen = frame.is_some_and(|f| decoder.decode_rgb(f, &mut self.picture).is_ok());
        if !seen {
            self.picture.fill(0);
        }
        self.painter
            .paint(&mut self.picture, &outcome.verdict, &outcome.obstacles, now);
        self.encoder.encode_rgb(&self.picture, &mut self.jpeg)?;
        self.avi.write_jpeg(&self.jpeg)
    }
}

/// Seeing needs no more than about 320 columns: half size from 640 on.
pub(crate) fn working_scale(profile: &Profile) -> u8 {
    match profile.camera.width {
        0..=479 => 1,
        480..=1279 => 2,
        _ => 4,
    }
}

fn progress(frames: Option<u64>) -> ProgressBar {
    let bar = match frames {
        Some(n) => ProgressBar::new(n),
        None => ProgressBar::new_spinner(),
    };
    bar.set_style(
        ProgressStyle::with_template("{bar:40} {pos}/{len} frames, {per_sec}, {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    bar
}

fn print_laps(laps: &Laps, frames: u64) {
    let per = |d: Duration| d.as_secs_f64() * 1e3 / frames.max(1) as f64;
    let parts: Vec<String> = laps
        .totals
        .iter()
        .map(|(name, d)| format!("{name} {:.2}", per(*d)))
        .collect();
    let all: Duration = laps.totals.iter().map(|t| t.1).sum();
    crate::say::say!("ms a frame: {} (all {:.2})", parts.join(", "), per(all));
    if let Some(peak) = peak_memory_mib() {
        crate::say::say!("peak memory: {peak:.0} MiB");
    }
}

/// Peak resident memory as the kernel counts it; `None` off Linux.
fn peak_memory_mib() -> Option<f64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}
