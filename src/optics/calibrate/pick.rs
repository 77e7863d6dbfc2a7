//! A page on this machine to click marks in a picture.
//!
//! It listens on the loopback address only, at a port of the system's choice,
//! and answers only under a path with a random token, so neither another
//! machine nor another user's browser page can reach it by guessing.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

use anyhow::{bail, Context};

use super::marks;
use super::mount_fit::Mark;
use crate::profile::edit::write_atomically;

/// Fits marks: whether they give a mount, and the report or the reason.
pub(super) type Solve<'a> = &'a dyn Fn(&[Mark]) -> (bool, String);

const MOST_BODY_BYTES: usize = 64 * 1024;
const MOST_HEAD_LINES: usize = 64;
const MOST_PICTURE_BYTES: u64 = 64 << 20;
/// A browser that says nothing for this long is not waited for.
const PATIENCE: Duration = Duration::from_secs(5);

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
    let kind = match picture.extension().and_then(|e| e.to_str()) {
        Some(e) if e.eq_ignore_ascii_case("png") => "image/png",
        Some(e) if e.eq_ignore_ascii_case("jpg") || e.eq_ignore_ascii_case("jpeg") => "image/jpeg",
        _ => bail!(
            "{}: is neither .jpg nor .png; save a still picture as one",
            picture.display()
        ),
    };
    // Read it as any picture first: damage and a wrong size show here.
    let grey = super::pictures::one_shot(picture)?;
    if (grey.width as u32, grey.height as u32) != size {
        bail!(
            "{}: is {}x{}, but the profile's camera gives {}x{}; take the picture with that camera setting",
            picture.display(), grey.width, grey.height, size.0, size.1
        );
    }
    if std::fs::metadata(picture)?.len() > MOST_PICTURE_BYTES {
        bail!("{}: is over 64 MiB; save it smaller", picture.display());
    }
    let bytes =
        std::fs::read(picture).with_context(|| format!("{}: cannot be read", picture.display()))?;
    let earlier = std::fs::read_to_string(marks_file).unwrap_or_default();
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .context("no port on 127.0.0.1 is free; close other programs")?;
    let page = Page {
        token: token()?,
        port: listener.local_addr()?.port(),
        picture: (kind, &bytes),
        size,
        earlier,
        marks_file,
        solve,
    };
    super::say(format_args!(
        "open this page on this machine (stop with Ctrl-C):"
    ));
    super::say(format_args!(
        "  http://127.0.0.1:{}/{}/",
        page.port, page.token
    ));
    std::io::stdout().flush()?;
    for stream in listener.incoming() {
        // One browser that breaks off must not end the picking.
        let Ok(stream) = stream else { continue };
        if let Some(done) = page.answer(stream) {
            return done;
        }
    }
    Ok(false)
}

fn token() -> anyhow::Result<String> {
    let mut bytes = [0_u8; 16];
    std::fs::File::open("/dev/urandom")
        .and_then(|mut f| f.read_exact(&mut bytes))
        .context("/dev/urandom: gives no random bytes")?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

struct Page<'a> {
    token: String,
    port: u16,
    picture: (&'static str, &'a [u8]),
    size: (u32, u32),
    earlier: String,
    marks_file: &'a Path,
    solve: Solve<'a>,
}

struct Request {
    method: String,
    path: String,
    host: String,
    body: String,
}

impl Page<'_> {
    /// Answers one request; `Some` ends the serving.
    fn answer(&self, mut stream: TcpStream) -> Option<anyhow::Result<bool>> {
        let request = read_request(&stream);
        let Some(request) = request else {
            reply(&mut stream, "400 Bad Request", "text/plain", b"bad request");
            return None;
        };
        // The host as well, or a page of elsewhere could be led here by name.
        let hosts = [
            format!("127.0.0.1:{}", self.port),
            format!("localhost:{}", self.port),
        ];
        let inside = request
            .path
            .strip_prefix(&format!("/{}/", self.token))
            .filter(|_| hosts.contains(&request.host));
        match (request.method.as_str(), inside) {
            ("GET", Some("")) => {
                let page = self.html();
                reply(
                    &mut stream,
                    "200 OK",
                    "text/html; charset=utf-8",
                    page.as_bytes(),
                );
            }
            ("GET", Some("picture")) => {
                reply(&mut stream, "200 OK", self.picture.0, self.picture.1);
            }
            ("POST", Some("solve")) => {
                let (_, text) = self.solve(&request.body);
                reply(
                    &mut stream,
                    "200 OK",
                    "text/plain; charset=utf-8",
                    text.as_bytes(),
                );
            }
            ("POST", Some("save")) => {
                let (good, text) = self.solve(&request.body);
                if !good {
                    reply(
                        &mut stream,
                        "409 Conflict",
                        "text/plain; charset=utf-8",
                        text.as_bytes(),
                    );
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
                reply(
                    &mut stream,
                    status,
                    "text/plain; charset=utf-8",
                    text.as_bytes(),
                );
                return Some(
                    written
                        .map(|()| true)
                        .with_context(|| format!("{file}: cannot be written; check the folder")),
                );
            }
            ("POST", Some("stop")) => {
                reply(
                    &mut stream,
                    "200 OK",
                    "text/plain",
                    b"given up; this page may be closed",
                );
                return Some(Ok(false));
            }
            _ => reply(&mut stream, "404 Not Found", "text/plain", b"nothing here"),
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

fn read_request(stream: &TcpStream) -> Option<Request> {
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    stream.set_write_timeout(Some(PATIENCE)).ok()?;
    // The head is bounded too: a line without end would fill the memory.
    let mut reader = BufReader::new(stream.take((MOST_BODY_BYTES * 2) as u64));
    let mut line = String::new();
    reader.read_line(&mut line).ok()?;
    let mut words = line.split_whitespace();
    let (method, path) = (words.next()?.to_owned(), words.next()?.to_owned());
    let (mut host, mut length) = (String::new(), 0);
    for n in 0.. {
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        let line = line.trim_end();
        if line.is_empty() {
            break;
        }
        if n > MOST_HEAD_LINES {
            return None;
        }
        let (name, value) = line.split_once(':')?;
        match name.to_ascii_lowercase().as_str() {
            "host" => host = value.trim().to_owned(),
            "content-length" => length = value.trim().parse().ok()?,
            _ => {}
        }
    }
    if length > MOST_BODY_BYTES {
        return None;
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    Some(Request {
        method,
        path,
        host,
        body: String::from_utf8(body).ok()?,
    })
}

/// Sends an answer; a browser that has gone away is no trouble of ours.
fn reply(stream: &mut TcpStream, status: &str, kind: &str, body: &[u8]) {
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\
         Cache-Control: no-store\r\nReferrer-Policy: no-referrer\r\n\
         Content-Security-Policy: default-src 'self' 'unsafe-inline'; frame-ancestors 'none'\r\n\
         X-Content-Type-Options: nosniff\r\nConnection: close\r\n\r\n",
        body.len()
    );
    let _ = stream
        .write_all(head.as_bytes())
        .and_then(|()| stream.write_all(body));
}
