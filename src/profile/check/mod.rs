//! `hindward check`: validates a profile without any device and says what the
//! camera will see.

#[cfg(test)]
mod guide;
mod objects;
mod outlook;
mod plan;
mod plot;
mod sight;
mod suggest;
mod text;

use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use clap::Args;
use image::{ImageFormat, RgbImage};
use serde::Serialize;

use super::cautions::CAUTIONS;
use super::edit::write_atomically;
use super::Profile;
use crate::camera::{ClipSource, Decoder, Grab, RawFrame, Source};

pub use objects::{Demand, ObjectRow};
pub use outlook::{DistanceRow, Outlook, ZoneRow};
use sight::Sight;

/// Validate a profile and say what the camera will see
///
/// Needs no camera and no board. Every fault is one line with its place in the
/// file. A sound profile is answered with the blind strip, how finely and how
/// surely distances are seen, what each zone leaves to stop in, which standard
/// test objects show, what would make it better, and the cautions.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  hindward check van.toml
  hindward check van.toml --plan van.svg
  hindward check van.toml --still yard.jpg --out yard-drawn.png
  hindward check van.toml --json

Exit codes: 0 the profile is sound; 2 it is not, or something cannot be read or written.")]
pub struct CheckArgs {
    /// The profile
    profile: PathBuf,
    /// Print everything as JSON
    #[arg(long)]
    json: bool,
    /// Draw a plan from above into this file (.svg or .png)
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// A picture of the camera (JPEG or PNG) to draw zones and test objects onto
    #[arg(long, value_name = "IMAGE", requires = "out")]
    still: Option<PathBuf>,
    /// Where the drawn still goes (.png)
    #[arg(long, value_name = "FILE", requires = "still")]
    out: Option<PathBuf>,
}

/// All that `check` has to say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Name of the profile.
    pub name: String,
    /// Whether the profile has a self-mask; without one nothing is known of
    /// what the own vehicle hides.
    pub self_mask: bool,
    /// Figures.
    #[serde(flatten)]
    pub outlook: Outlook,
    /// The seven objects of 49 CFR 571.111; places and sizes from memory.
    pub us_objects: Vec<ObjectRow>,
    /// First and last row of UN R158's field; partly from memory.
    pub un_objects: Vec<ObjectRow>,
    /// What would make it better.
    pub suggestions: Vec<String>,
    /// What every user must know.
    pub cautions: Vec<&'static str>,
}

impl Report {
    /// Works everything out.
    ///
    /// # Errors
    /// The self-mask that the profile names cannot be read.
    pub fn new(profile: &Profile) -> anyhow::Result<Report> {
        Ok(Report::of(profile, &Sight::new(profile)?))
    }

    fn of(profile: &Profile, sight: &Sight) -> Report {
        let outlook = Outlook::new(profile, sight);
        let mut suggestions = suggest::suggestions(profile, sight, &outlook);
        suggestions.extend(suggest::hidden(&outlook));
        Report {
            name: profile.name.clone(),
            self_mask: profile.camera.self_mask.is_some(),
            us_objects: objects::us_objects(sight),
            un_objects: objects::un_objects(sight, profile),
            suggestions,
            outlook,
            cautions: CAUTIONS.to_vec(),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// The profile has faults, or a file cannot be read or written; nothing is then
/// left half written.
pub fn run(args: &CheckArgs) -> anyhow::Result<ExitCode> {
    let profile = match Profile::load(&args.profile) {
        Ok(profile) => profile,
        Err(error) => {
            // Bare lines, so that editors find file and line.
            crate::say::note!("{error}");
            return Ok(ExitCode::from(2));
        }
    };
    let sight = Sight::new(&profile)?;
    let report = Report::of(&profile, &sight);
    let mut files: Vec<(&Path, Vec<u8>)> = Vec::new();
    if let Some(path) = &args.plan {
        let plan = plan::plan(&profile, &sight, &report.us_objects, &report.un_objects);
        let bytes = match extension(path).as_str() {
            "svg" => plan.to_svg().into_bytes(),
            "png" => png(&plan.to_picture())?,
            _ => bail!(
                "{}: a plan is .svg or .png; end its name so",
                path.display()
            ),
        };
        files.push((path, bytes));
    }
    if let (Some(still), Some(out)) = (&args.still, &args.out) {
        if extension(out) != "png" {
            bail!(
                "{}: the drawn still is a .png; end its name so",
                out.display()
            );
        }
        let mut picture = load_still(still, &profile)?;
        plan::onto_still(
            &mut picture,
            &profile,
            &sight,
            &report.us_objects,
            &report.un_objects,
        );
        files.push((out, png(&picture)?));
    }
    for (path, bytes) in files {
        write_atomically(path, &bytes).with_context(|| {
            format!(
                "{}: cannot be written; check the folder and its permissions",
                path.display()
            )
        })?;
    }
    if args.json {
        crate::say::say!("{}", serde_json::to_string_pretty(&report)?);
    } else {
        crate::say::text(text::text(&args.profile, &report));
    }
    Ok(ExitCode::SUCCESS)
}

fn extension(path: &Path) -> String {
    let extension = path.extension().unwrap_or_default();
    extension.to_string_lossy().to_lowercase()
}

fn png(picture: &RgbImage) -> anyhow::Result<Vec<u8>> {
    let mut bytes = Cursor::new(Vec::new());
    picture.write_to(&mut bytes, ImageFormat::Png)?;
    Ok(bytes.into_inner())
}

/// Reads one picture, or the first of a clip.
fn load_still(path: &Path, profile: &Profile) -> anyhow::Result<RgbImage> {
    let mut source = ClipSource::open(path)?;
    let (w, h) = (profile.camera.width, profile.camera.height);
    let (sw, sh) = source.size();
    if (sw, sh) != (w, h) {
        bail!(
            "{}: is {sw}x{sh}, the profile's pictures are {w}x{h}; take the still with the fitted camera",
            path.display()
        );
    }
    let mut frame = RawFrame::empty();
    match source.grab(&mut frame)? {
        Grab::Frame => {}
        Grab::Broken(why) => bail!("{}: {why}; take another still", path.display()),
        Grab::Timeout | Grab::End => {
            bail!("{}: holds no picture; take another still", path.display())
        }
    }
    let mut picture = RgbImage::new(w, h);
    Decoder::new()
        .and_then(|mut decoder| decoder.decode_rgb(&frame, &mut picture))
        .with_context(|| format!("{}: cannot be decoded; take another still", path.display()))?;
    Ok(picture)
}
