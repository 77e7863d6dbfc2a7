//! Any other film, decoded by the system's `ffmpeg` through a pipe.
//!
//! It writes Y4M at a constant rate to its standard output; nothing is left on
//! disk. A thread reads the pipe, so a film that never answers ends in an error
//! and not in a hang, and the child is killed when the source is dropped.

use std::io::{BufReader, ErrorKind, Read};
use std::path::Path;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::sync::mpsc::{sync_channel, Receiver, RecvTimeoutError, SyncSender};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{bail, Context};

use super::y4m::Y4mReader;
use super::Next;
use crate::camera::frame::RawFrame;

/// A film that gives nothing for this long is given up.
const PATIENCE: Duration = Duration::from_secs(30);

/// What the reading thread sends.
enum Message {
    Header {
        rate_hz: Option<f64>,
        size: (u32, u32),
    },
    Frame(RawFrame),
    Broken(String),
    /// The pipe is closed; what the child complained about.
    Over(String),
}

/// A running `ffmpeg`.
pub(super) struct External {
    child: Child,
    messages: Receiver<Message>,
    used: SyncSender<RawFrame>,
    thread: Option<JoinHandle<()>>,
    path: String,
    rate_hz: Option<f64>,
    size: (u32, u32),
    over: bool,
}

impl External {
    /// Starts the decoder and waits for the film's size.
    pub fn open(path: &Path) -> anyhow::Result<Self> {
        let shown = path.display().to_string();
        let mut input = std::ffi::OsString::from("file:");
        input.push(path);
        let child = Command::new("ffmpeg")
            .args([
                "-nostdin",
                "-hide_banner",
                "-v",
                "error",
                "-protocol_whitelist",
                "file,pipe,crypto,data",
            ])
            .arg("-i")
            .arg(input)
            .args([
                "-map", "0:v:0", "-an", "-sn", "-pix_fmt", "yuvj420p", "-strict", "-1",
            ])
            .args(["-f", "yuv4mpegpipe", "pipe:1"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn();
        let mut child = match child {
            Ok(child) => child,
            Err(e) if e.kind() == ErrorKind::NotFound => bail!(
                "{shown}: not MJPEG AVI, Y4M, JPEG or PNG, and there is no `ffmpeg` on this machine; \
                 install the ffmpeg package, or convert the clip to MJPEG AVI elsewhere"
            ),
            Err(e) => return Err(e).with_context(|| format!("{shown}: cannot start ffmpeg")),
        };
        let pipes = child.stdout.take().zip(child.stderr.take());
        let (to_us, messages) = sync_channel(3);
        let (used, to_thread) = sync_channel(4);
        let thread = pipes.map(|(stdout, stderr)| {
            std::thread::spawn(move || read_pipe(stdout, stderr, &to_us, &to_thread))
        });
        let mut external = External {
            child,
            messages,
            used,
            thread,
            path: shown,
            rate_hz: None,
            size: (0, 0),
            over: false,
        };
        match external.receive()? {
            Message::Header { rate_hz, size } => {
                external.rate_hz = rate_hz;
                external.size = size;
                Ok(external)
            }
            Message::Over(why) | Message::Broken(why) => {
                let said = if why.is_empty() {
                    "no picture in it"
                } else {
                    &why
                };
                bail!(
                    "{}: ffmpeg cannot read it ({said}); try another file",
                    external.path
                )
            }
            Message::Frame(_) => bail!("{}: a frame came before its header", external.path),
        }
    }

    pub fn rate_hz(&self) -> Option<f64> {
        self.rate_hz
    }

    pub fn size(&self) -> (u32, u32) {
        self.size
    }

    pub fn next(&mut self, frame: &mut RawFrame, notes: &mut Vec<String>) -> anyhow::Result<Next> {
        if self.over {
            return Ok(Next::End);
        }
        Ok(match self.receive()? {
            Message::Frame(got) => {
                // The caller's buffer goes back to the thread for a later frame.
                let old = std::mem::replace(frame, got);
                let _ = self.used.try_send(old);
                Next::Frame
            }
            Message::Broken(why) => Next::Broken(why),
            Message::Header { .. } => Next::Broken("a second header".into()),
            Message::Over(why) => {
                self.over = true;
                if !why.is_empty() {
                    notes.push(format!("{}: ffmpeg says: {why}", self.path));
                }
                match self.child.wait() {
                    Ok(status) if status.success() => Next::End,
                    Ok(status) => Next::Broken(format!("ffmpeg gave up ({status}): {why}")),
                    Err(e) => Next::Broken(format!("ffmpeg is lost: {e}")),
                }
            }
        })
    }

    fn receive(&mut self) -> anyhow::Result<Message> {
        match self.messages.recv_timeout(PATIENCE) {
            Ok(message) => Ok(message),
            Err(RecvTimeoutError::Disconnected) => Ok(Message::Over("it ended at once".into())),
            Err(RecvTimeoutError::Timeout) => {
                let _ = self.child.kill();
                bail!(
                    "{}: ffmpeg gave nothing for {} s; try another file",
                    self.path,
                    PATIENCE.as_secs()
                )
            }
        }
    }
}

impl Drop for External {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        // A full channel would keep the thread waiting for us.
        let (_, nobody) = sync_channel(0);
        self.messages = nobody;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn read_pipe(
    stdout: std::process::ChildStdout,
    stderr: ChildStderr,
    to_us: &SyncSender<Message>,
    used: &Receiver<RawFrame>,
) {
    let complaints = std::thread::spawn(move || read_complaints(stderr));
    let mut over = String::new();
    match Y4mReader::from_pipe(BufReader::with_capacity(1 << 16, stdout)) {
        Err(e) => over = format!("{e:#}"),
        Ok(mut reader) => {
            let header = Message::Header {
                rate_hz: reader.rate_hz(),
                size: reader.size(),
            };
            let mut open = to_us.send(header).is_ok();
            while open {
                let mut frame = used.try_recv().unwrap_or_else(|_| RawFrame::empty());
                open = match reader.next(&mut frame) {
                    Next::Frame => to_us.send(Message::Frame(frame)).is_ok(),
                    Next::Broken(why) => to_us.send(Message::Broken(why)).is_ok(),
                    Next::Gap(_) => true,
                    Next::End => false,
                };
            }
        }
    }
    let said = complaints.join().unwrap_or_default();
    let _ = to_us.send(Message::Over(if said.is_empty() { over } else { said }));
}

/// The first lines of standard error, as one line; the rest is read and
/// dropped, so that the child never waits for us.
fn read_complaints(mut stderr: ChildStderr) -> String {
    let mut kept = Vec::new();
    let mut buffer = [0; 4096];
    while let Ok(n @ 1..) = stderr.read(&mut buffer) {
        let room = 400usize.saturating_sub(kept.len());
        kept.extend_from_slice(&buffer[..n.min(room)]);
    }
    String::from_utf8_lossy(&kept)
        .trim()
        .replace(['\n', '\r'], "; ")
}
