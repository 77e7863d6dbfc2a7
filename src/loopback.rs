//! Small pages served to a browser on this same machine, and to nobody else.
//!
//! The listener takes a port of the system's choice on the loopback address
//! and answers only under a path with a random token, so neither another
//! machine nor another user's browser page can reach it by guessing.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::time::Duration;

use anyhow::Context;

const MOST_HEAD_LINES: usize = 64;
const MOST_HEAD_BYTES: u64 = 64 * 1024;
/// A browser that says nothing for this long is not waited for.
const PATIENCE: Duration = Duration::from_secs(5);

/// Serves requests that know the token.
#[derive(Debug)]
pub struct Loopback {
    listener: TcpListener,
    port: u16,
    token: String,
    most_body_bytes: usize,
}

/// A request that was let in.
#[derive(Debug)]
pub struct Request {
    /// `GET` or `POST`.
    pub method: String,
    /// What follows the token, without a leading slash.
    pub path: String,
    /// The body.
    pub body: String,
    stream: TcpStream,
}

impl Loopback {
    /// Takes a free port; bodies above `most_body_bytes` are refused.
    ///
    /// # Errors
    /// No port is free, or the system gives no random bytes.
    pub fn open(most_body_bytes: usize) -> anyhow::Result<Self> {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
            .context("no port on 127.0.0.1 is free; close other programs")?;
        let mut bytes = [0_u8; 16];
        std::fs::File::open("/dev/urandom")
            .and_then(|mut f| f.read_exact(&mut bytes))
            .context("/dev/urandom: gives no random bytes")?;
        Ok(Loopback {
            port: listener.local_addr()?.port(),
            listener,
            token: bytes.iter().map(|b| format!("{b:02x}")).collect(),
            most_body_bytes,
        })
    }

    /// The address to open in a browser.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}/", self.port, self.token)
    }

    /// Waits for the next request that is let in; the others are answered with
    /// an error.
    ///
    /// # Errors
    /// The listener is lost.
    pub fn next_request(&self) -> anyhow::Result<Request> {
        loop {
            // One browser that breaks off must not end the serving.
            let Ok((mut stream, _)) = self.listener.accept() else {
                continue;
            };
            match self.read(&stream) {
                Some((method, path, host, body)) => {
                    // The host as well, or a page of elsewhere could be led
                    // here by name.
                    let known = [
                        format!("127.0.0.1:{}", self.port),
                        format!("localhost:{}", self.port),
                    ];
                    let inside = path
                        .strip_prefix(&format!("/{}/", self.token))
                        .filter(|_| known.contains(&host));
                    if let Some(inside) = inside {
                        let path = inside.to_owned();
                        return Ok(Request {
                            method,
                            path,
                            body,
                            stream,
                        });
                    }
                    send(&mut stream, "404 Not Found", "text/plain", b"nothing here");
                }
                None => send(&mut stream, "400 Bad Request", "text/plain", b"bad request"),
            }
        }
    }

    fn read(&self, stream: &TcpStream) -> Option<(String, String, String, String)> {
        stream.set_read_timeout(Some(PATIENCE)).ok()?;
        stream.set_write_timeout(Some(PATIENCE)).ok()?;
        // The head is bounded too: a line without end would fill the memory.
        let most = MOST_HEAD_BYTES + self.most_body_bytes as u64;
        let mut reader = BufReader::new(stream.take(most));
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
        if length > self.most_body_bytes {
            return None;
        }
        let mut body = vec![0; length];
        reader.read_exact(&mut body).ok()?;
        Some((method, path, host, String::from_utf8(body).ok()?))
    }
}

impl Request {
    /// Sends an answer; a browser that has gone away is no trouble of ours.
    pub fn reply(mut self, status: &str, kind: &str, body: &[u8]) {
        send(&mut self.stream, status, kind, body);
    }
}

fn send(stream: &mut TcpStream, status: &str, kind: &str, body: &[u8]) {
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
