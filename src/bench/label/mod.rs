//! `hindward label`: says what truly stands where in a clip, by clicks.

mod marks;

use std::fs;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{bail, Context};
use image::RgbImage;
use serde_json::json;

use crate::camera::{ClipSource, Decoder, Grab, JpegEncoder, PixelFormat, RawFrame, Source};
use crate::loopback::{Loopback, Request};
use crate::optics::Ground;
use crate::profile::edit::write_atomically;
use crate::profile::Profile;
use marks::Mark;

/// Mark on a clip's frames where things meet the ground; saves truth.csv.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Opens a page on this machine only, under an address with a random token. Mark a
thing where it first and last counts and wherever its path bends; in between it
is taken to move straight. Ranges come from the profile, so they are as good as
its lens and mount: a tape on the ground is better truth.

The clicks are kept in marks.json beside truth.csv, to go on with later.

Examples:
  hindward label my-clip
  hindward label my-clip --profile van.toml"
)]
pub struct LabelArgs {
    /// The clip's folder.
    clip: PathBuf,
    /// Profile of the vehicle; without it, the one that the clip names.
    #[arg(long)]
    profile: Option<PathBuf>,
    /// Print the outcome as JSON.
    #[arg(long)]
    json: bool,
}

const MOST_BODY_BYTES: usize = 8 << 20;
/// All frames are held in memory; longer clips are to be trimmed.
const MOST_CLIP_BYTES: usize = 1 << 30;

struct Film {
    /// Number, time in seconds, JPEG file.
    frames: Vec<(u64, f64, Vec<u8>)>,
    size: (u32, u32),
}

/// Runs the command.
///
/// # Errors
/// The clip or profile cannot be used, or the truth cannot be written.
pub fn run(args: &LabelArgs) -> anyhow::Result<ExitCode> {
    if !args.clip.is_dir() {
        bail!(
            "{}: is no clip folder; put the film into a folder with a clip.toml",
            args.clip.display()
        );
    }
    let source = ClipSource::open(&args.clip)?;
    let Some(profile_path) = args.profile.clone().or_else(|| source.profile()) else {
        bail!(
            "{}: the clip names no profile; give one with --profile",
            args.clip.display()
        );
    };
    let profile = Profile::load(&profile_path)?;
    let film = load(source)?;
    let wanted = (profile.camera.width, profile.camera.height);
    if film.size != wanted {
        bail!(
            "{}: pictures are {}x{}, {} asks {}x{}; use the profile of the camera that took the clip",
            args.clip.display(),
            film.size.0,
            film.size.1,
            profile_path.display(),
            wanted.0,
            wanted.1
        );
    }
    let marks_file = args.clip.join("marks.json");
    let earlier = match fs::read_to_string(&marks_file) {
        Ok(text) => serde_json::from_str::<Vec<Mark>>(&text)
            .with_context(|| format!("{}: is damaged; mend or remove it", marks_file.display()))?,
        Err(_) => Vec::new(),
    };
    let server = Loopback::open(MOST_BODY_BYTES)?;
    crate::say::note!(
        "open this page on this machine (stop with Ctrl-C):\n  {}",
        server.address()
    );
    std::io::stderr().flush()?;
    let desk = Desk {
        film,
        half_path: profile.vehicle.width.0 / 2.0,
        ground: profile.ground(),
        far_m: profile.watch.far.0,
        earlier,
        args,
    };
    loop {
        let request = server.next_request()?;
        if let Some(saved) = desk.answer(request)? {
            report(args, saved)?;
            return Ok(ExitCode::from(u8::from(saved.is_none())));
        }
    }
}

fn report(args: &LabelArgs, rows: Option<usize>) -> anyhow::Result<()> {
    if args.json {
        let truth = args.clip.join("truth.csv").display().to_string();
        crate::say::say!(
            "{}",
            json!({"saved": rows.is_some(), "rows": rows, "truth": truth})
        );
    } else if let Some(rows) = rows {
        crate::say::say!("{rows} rows in {}", args.clip.join("truth.csv").display());
    } else {
        crate::say::say!("nothing saved");
    }
    Ok(())
}

fn load(mut source: ClipSource) -> anyhow::Result<Film> {
    let size = source.size();
    let mut decoder = Decoder::new()?;
    let mut encoder = JpegEncoder::new(90)?;
    let (mut raw, mut rgb, mut bytes) = (RawFrame::empty(), RgbImage::new(1, 1), 0);
    let mut frames = Vec::new();
    loop {
        match source.grab(&mut raw)? {
            Grab::End => break,
            Grab::Broken(_) | Grab::Timeout => continue,
            Grab::Frame => {}
        }
        let mut jpeg = Vec::new();
        if raw.format == PixelFormat::Jpeg {
            jpeg.clone_from(&raw.bytes);
        } else if decoder.decode_rgb(&raw, &mut rgb).is_ok() {
            encoder.encode_rgb(&rgb, &mut jpeg)?;
        } else {
            continue;
        }
        bytes += jpeg.len();
        if bytes > MOST_CLIP_BYTES {
            bail!(
                "{}: is too long to label at once; trim it first",
                source.name()
            );
        }
        frames.push((raw.seq, raw.captured.as_secs_f64(), jpeg));
    }
    if frames.is_empty() {
        bail!("{}: has no readable picture", source.name());
    }
    Ok(Film { frames, size })
}

struct Desk<'a> {
    film: Film,
    ground: Ground,
    half_path: f64,
    far_m: f64,
    earlier: Vec<Mark>,
    args: &'a LabelArgs,
}

impl Desk<'_> {
    /// Answers one request; `Some` ends the work, with the rows saved if any.
    fn answer(&self, request: Request) -> anyhow::Result<Option<Option<usize>>> {
        let plain = "text/plain; charset=utf-8";
        match (request.method.as_str(), request.path.as_str()) {
            ("GET", "") => {
                let page = self.page();
                request.reply("200 OK", "text/html; charset=utf-8", page.as_bytes());
            }
            ("GET", path) => {
                let frame = (path.strip_prefix("frame/"))
                    .and_then(|n| n.parse::<usize>().ok())
                    .and_then(|n| self.film.frames.get(n));
                match frame {
                    Some((_, _, jpeg)) => request.reply("200 OK", "image/jpeg", jpeg),
                    None => request.reply("404 Not Found", plain, b"no such frame"),
                }
            }
            ("POST", "place") => {
                let text = match serde_json::from_str::<Mark>(&request.body) {
                    Ok(mark) => self.say_place(&mark),
                    Err(error) => error.to_string(),
                };
                request.reply("200 OK", plain, text.as_bytes());
            }
            ("POST", "save") => match self.save(&request.body) {
                Ok(rows) => {
                    let text = format!("saved {rows} rows; this page may be closed");
                    request.reply("200 OK", plain, text.as_bytes());
                    return Ok(Some(Some(rows)));
                }
                Err(error) => {
                    let text = format!("not saved: {error:#}");
                    request.reply("409 Conflict", plain, text.as_bytes());
                }
            },
            ("POST", "stop") => {
                request.reply("200 OK", plain, b"given up; this page may be closed");
                return Ok(Some(None));
            }
            _ => request.reply("404 Not Found", plain, b"nothing here"),
        }
        Ok(None)
    }

    fn say_place(&self, mark: &Mark) -> String {
        match mark.place(&self.ground, self.half_path) {
            Ok(p) => format!(
                "{:.2} m behind, {:+.2} m side, {:.2} m wide",
                p.behind_m,
                p.side_m,
                2.0 * p.half_width_m
            ),
            Err(why) => why,
        }
    }

    fn save(&self, body: &str) -> anyhow::Result<usize> {
        let marks: Vec<Mark> = serde_json::from_str(body)?;
        let frames: Vec<(u64, f64)> = (self.film.frames.iter()).map(|f| (f.0, f.1)).collect();
        let table = marks::truth(&marks, &frames, &self.ground, self.half_path)
            .map_err(|why| anyhow::anyhow!(why))?;
        let write = |name: &str, text: &str| {
            let path = self.args.clip.join(name);
            write_atomically(&path, text.as_bytes())
                .with_context(|| format!("{}: cannot be written; check the folder", path.display()))
        };
        write(
            "marks.json",
            &format!("{}\n", serde_json::to_string_pretty(&marks)?),
        )?;
        write("truth.csv", &table)?;
        Ok(table.lines().count() - 1)
    }

    fn page(&self) -> String {
        let frames: Vec<(u64, f64)> = (self.film.frames.iter()).map(|f| (f.0, f.1)).collect();
        let data = json!({
            "size": [self.film.size.0, self.film.size.1],
            "frames": frames,
            "marks": self.earlier,
            "far_m": self.far_m,
        });
        // The data stands in a script element: no `<` may end it early.
        let data = data.to_string().replace('<', "\\u003c");
        include_str!("page.html").replace("/*DATA*/", &data)
    }
}
