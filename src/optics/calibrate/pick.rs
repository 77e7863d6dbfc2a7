//! A page on this machine to click marks in a picture.

use std::path::Path;

use anyhow::{bail, Context};

use super::marks;
use super::mount_fit::Mark;
use crate::loopback::{Loopback, Request};
use crate::profile::edit::write_atomically;

/// Fits marks: whether they give a mount, and the report or the reason.
pub(super) type Solve<'a> = &'a dyn Fn(&[Mark]) -> (bool, String);

const MOST_BODY_BYTES: usize = 64 * 1024;
const MOST_PICTURE_BYTES: u64 = 64 << 20;

/// Serves the page until marks are saved (`true`) or picking is given up.
///
/// # Errors
/// The picture cannot be read or shown, no port is free, or the marks cannot
/// be written.
pub(super) fn serve(
    picture: &Path,
    marks_file: &Path,
    size: (u32, u32),
    solve: Solve,
) -> anyhow::Result<bool> {
    let (kind, bytes) = shown(picture, size)?;
    let earlier = std::fs::read_to_string(marks_file).unwrap_or_default();
    let server = Loopback::open(MOST_BODY_BYTES)?;
    let page = Page {
        picture: (kind, &bytes),
        size,
        earlier,
        marks_file,
        solve,
    };
    super::say(format_args!(
        "open this page on this machine (stop with Ctrl-C):"
    ));
    super::say(format_args!("  {}", server.address()));
    loop {
        if let Some(done) = page.answer(server.next_request()?) {
            return done;
        }
    }
}

/// The picture as a browser shows it: a still as it is, of a clip the first
/// picture without loss.
fn shown(picture: &Path, size: (u32, u32)) -> anyhow::Result<(&'static str, Vec<u8>)> {
    // Read it as any picture first: damage and a wrong size show here.
    let image = super::pictures::one_shot_rgb(picture)?;
    if image.dimensions() != size {
        bail!(
            "{}: is {}x{}, but the profile's camera gives {}x{}; take the picture with that camera setting",
            picture.display(), image.width(), image.height(), size.0, size.1
        );
    }
    let still = match picture.extension().and_then(|e| e.to_str()) {
        _ if picture.is_dir() => None,
        Some(e) if e.eq_ignore_ascii_case("png") => Some("image/png"),
        Some(e) if e.eq_ignore_ascii_case("jpg") || e.eq_ignore_ascii_case("jpeg") => {
            Some("image/jpeg")
        }
        _ => None,
    };
    if let Some(kind) = still {
        if std::fs::metadata(picture)?.len() > MOST_PICTURE_BYTES {
            bail!("{}: is over 64 MiB; save it smaller", picture.display());
        }
        let bytes = std::fs::read(picture)
            .with_context(|| format!("{}: cannot be read", picture.display()))?;
        return Ok((kind, bytes));
    }
    let mut png = std::io::Cursor::new(Vec::new());
    image.write_to(&mut png, image::ImageFormat::Png)?;
    Ok(("image/png", png.into_inner()))
}

struct Page<'a> {
    picture: (&'static str, &'a [u8]),
    size: (u32, u32),
    earlier: String,
    marks_file: &'a Path,
    solve: Solve<'a>,
}

impl Page<'_> {
    /// Answers one request; `Some` ends the serving.
    fn answer(&self, request: Request) -> Option<anyhow::Result<bool>> {
        match (request.method.as_str(), request.path.as_str()) {
            ("GET", "") => {
                let page = self.html();
                request.reply("200 OK", "text/html; charset=utf-8", page.as_bytes());
            }
            ("GET", "picture") => {
                request.reply("200 OK", self.picture.0, self.picture.1);
            }
            ("POST", "solve") => {
                let (_, text) = self.solve(&request.body);
                request.reply("200 OK", "text/plain; charset=utf-8", text.as_bytes());
            }
            ("POST", "save") => {
                let (good, text) = self.solve(&request.body);
                if !good {
                    request.reply("409 Conflict", "text/plain; charset=utf-8", text.as_bytes());
                    return None;
                }
                let written = write_atomically(self.marks_file, request.body.as_bytes());
                let file = self.marks_file.display();
                let (status, text) = match &written {
                    Ok(()) => (
                        "200 OK",
                        format!("saved to {file}; this page may be closed"),
                    ),
                    Err(e) => (
                        "500 Internal Server Error",
                        format!("{file}: cannot be written ({e})"),
                    ),
                };
                request.reply(status, "text/plain; charset=utf-8", text.as_bytes());
                return Some(
                    written
                        .map(|()| true)
                        .with_context(|| format!("{file}: cannot be written; check the folder")),
                );
            }
            ("POST", "stop") => {
                request.reply("200 OK", "text/plain", b"given up; this page may be closed");
                return Some(Ok(false));
            }
            _ => request.reply("404 Not Found", "text/plain", b"nothing here"),
        }
        None
    }

    fn solve(&self, csv: &str) -> (bool, String) {
        match marks::parse(csv, "marks") {
            Ok(marks) => (self.solve)(&marks),
            Err(why) => (false, why),
        }
    }

    fn html(&self) -> String {
        // Only known marks go into the page, so nothing in the file can be code.
        let rows: Vec<String> = marks::parse(&self.earlier, "marks")
            .unwrap_or_default()
            .iter()
            .map(|m| {
                format!(
                    "{{name:{},u:{},v:{},behind:\"{}\",side:\"{}\"}}",
                    serde_json::Value::from(m.name.as_str())
                        .to_string()
                        .replace('<', "\\u003c"),
                    m.at.u,
                    m.at.v,
                    m.ground.behind_m,
                    m.ground.side_m
                )
            })
            .collect();
        include_str!("pick.html")
            .replace("{{WIDTH}}", &self.size.0.to_string())
            .replace("{{HEIGHT}}", &self.size.1.to_string())
            .replace("{{MARKS}}", &rows.join(","))
    }
}
