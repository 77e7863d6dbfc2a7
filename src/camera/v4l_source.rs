//! The camera, through Video4Linux.
//!
//! The source outlives its device: unplugged, stalled or not there yet, it
//! answers [`Grab::Timeout`] and tries to open the device again. Of several
//! frames that wait, the newest is taken; where all buffers are full the driver
//! had none left for newer ones, so that even the newest is old, and the next is
//! waited for. Times are the driver's, where it stamps on the monotonic clock.

use std::panic::{catch_unwind, AssertUnwindSafe};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{bail, Context};
use v4l::buffer::{Flags, Metadata, Type};
use v4l::device::Handle;
use v4l::format::{Colorspace, Quantization};
use v4l::io::mmap::Stream;
use v4l::io::traits::{CaptureStream, Stream as _};
use v4l::video::capture::Parameters;
use v4l::video::Capture;
use v4l::{Device, Format, FourCC};

use super::frame::{PixelFormat, Range, RawFrame};
use super::jpeg_header::jpeg_size;
use super::{Grab, Source};
use crate::profile::CameraSettings;

/// Enough that the driver always has one to fill while we hold one.
const BUFFERS: u32 = 4;

/// How often a lost device is looked for.
const RETRY: Duration = Duration::from_millis(250);

/// Longest wait inside the library, which is asked only when a frame is there. Well
/// below the service's watchdog, should a driver say so and have none.
const LIBRARY_PATIENCE: Duration = Duration::from_millis(500);

/// `poll(2)`: data to read. The same number on every Linux.
const POLLIN: i16 = 1;

/// What is asked for, best first: MJPEG crosses USB 2 at full rate.
const WANTED: [(&[u8; 4], PixelFormat); 5] = [
    (b"MJPG", PixelFormat::Jpeg),
    (b"YUYV", PixelFormat::Yuyv),
    (b"NV12", PixelFormat::Nv12),
    (b"YU12", PixelFormat::I420),
    (b"GREY", PixelFormat::Grey),
];

/// A camera that is opened, and opened again, as long as the source lives.
pub struct V4lSource {
    settings: CameraSettings,
    /// Longest wait of one grab.
    patience: Duration,
    epoch: Instant,
    /// The epoch on the monotonic clock, which drivers stamp by.
    epoch_mono: Duration,
    stream: Option<Open>,
    next_try: Instant,
    last_frame: Instant,
    /// Last thing said about the device, to say it once.
    status: String,
    next_seq: u64,
    last_captured: Duration,
}

struct Open {
    stream: Option<Stream<'static>>,
    handle: Arc<Handle>,
    format: PixelFormat,
    range: Range,
    size: (u32, u32),
    /// Bytes of a line in the buffer and as we hand it on, and lines of them.
    lines: Option<(usize, usize, usize)>,
    /// Driver's number of the last frame.
    sequence: Option<u32>,
}

impl Drop for Open {
    fn drop(&mut self) {
        // The library panics where a device does not even stop in order.
        if let Some(stream) = self.stream.take() {
            let _ = catch_unwind(AssertUnwindSafe(|| drop(stream)));
        }
    }
}

impl V4lSource {
    /// A source for the profile's camera. Times count from here. A grab waits
    /// for `patience` at most. The device is opened at the first grab.
    pub fn new(settings: &CameraSettings, patience: Duration) -> Self {
        let now = Instant::now();
        V4lSource {
            settings: settings.clone(),
            patience,
            epoch: now,
            epoch_mono: monotonic_now(),
            stream: None,
            next_try: now,
            last_frame: now,
            status: String::new(),
            next_seq: 0,
            last_captured: Duration::ZERO,
        }
    }

    /// The moment that `captured` counts from.
    pub fn epoch(&self) -> Instant {
        self.epoch
    }

    /// What the device is and gives, or what is wrong with it; one line.
    pub fn status(&self) -> &str {
        &self.status
    }

    fn say(&mut self, text: String) {
        if text != self.status {
            tracing::info!("{text}");
            self.status = text;
        }
    }

    fn open(&self) -> anyhow::Result<(Open, String)> {
        let name = &self.settings.device;
        // The library panics on answers of a driver that it does not know.
        match catch_unwind(AssertUnwindSafe(|| open(&self.settings))) {
            Ok(done) => done,
            Err(_) => bail!("{name}: the driver's answers make no sense; try another camera"),
        }
    }

    fn lose(&mut self, why: String) -> Grab {
        self.stream = None;
        self.next_try = Instant::now() + RETRY;
        self.say(format!("{}: {why}; waiting for it", self.settings.device));
        Grab::Timeout
    }
}

impl Source for V4lSource {
    fn grab(&mut self, frame: &mut RawFrame) -> anyhow::Result<Grab> {
        let until = Instant::now() + self.patience;
        if self.stream.is_none() {
            let wait = self.next_try.saturating_duration_since(Instant::now());
            if !wait.is_zero() {
                std::thread::sleep(wait.min(self.patience));
                if Instant::now() < self.next_try {
                    return Ok(Grab::Timeout);
                }
            }
            match self.open() {
                Ok((open, what)) => {
                    self.stream = Some(open);
                    self.last_frame = Instant::now();
                    self.say(what);
                }
                Err(e) => {
                    self.next_try = Instant::now() + RETRY;
                    self.say(format!("{e:#}"));
                    return Ok(Grab::Timeout);
                }
            }
        }
        let Some(open) = &mut self.stream else {
            return Ok(Grab::Timeout);
        };
        let left = until.saturating_duration_since(Instant::now());
        match open.newest(left, frame) {
            Ok(None) => {
                // A stream that has stalled for long is opened anew.
                if self.last_frame.elapsed() > Duration::from_secs(2) {
                    return Ok(self.lose("gives no frames".into()));
                }
                Ok(Grab::Timeout)
            }
            Ok(Some(arrived)) => {
                self.last_frame = Instant::now();
                self.next_seq += u64::from(arrived.lost);
                frame.seq = self.next_seq;
                self.next_seq += 1;
                let stamped = arrived.stamp.and_then(|s| s.checked_sub(self.epoch_mono));
                let now = self.epoch.elapsed();
                // A stamp from the future or an earlier one than before is wrong.
                frame.captured = stamped
                    .filter(|s| *s <= now && *s > self.last_captured)
                    .unwrap_or(now);
                self.last_captured = frame.captured;
                Ok(match arrived.broken {
                    Some(why) => Grab::Broken(why),
                    None => Grab::Frame,
                })
            }
            Err(e) => Ok(self.lose(e.to_string())),
        }
    }

    fn frame_count(&self) -> Option<u64> {
        None
    }

    fn size(&self) -> (u32, u32) {
        (self.settings.width, self.settings.height)
    }

    fn name(&self) -> &str {
        &self.settings.device
    }
}

struct Arrived {
    stamp: Option<Duration>,
    /// Frames that were lost or passed over since the last one.
    lost: u32,
    broken: Option<String>,
}

impl Open {
    /// The newest frame, or `None` if there is none within `wait`.
    fn newest(&mut self, wait: Duration, frame: &mut RawFrame) -> std::io::Result<Option<Arrived>> {
        let Some(stream) = &mut self.stream else {
            return Ok(None);
        };
        let millis = i32::try_from(wait.as_millis()).unwrap_or(i32::MAX).max(1);
        // Waiting inside the library would make it hand a buffer back twice
        // after a timeout, so it is only asked when a frame is there.
        if !ready(&self.handle, millis)? {
            return Ok(None);
        }
        let mut passed_over = 0;
        let mut waited = false;
        loop {
            let (bytes, meta) = stream.next()?;
            // One buffer is ours; with this the driver had given all others back.
            let all_were_full = passed_over + 2 >= BUFFERS && !waited;
            let wait = if all_were_full { millis } else { 0 };
            waited |= all_were_full;
            // A flood that never ends must not keep us here.
            if passed_over < 2 * BUFFERS && ready(&self.handle, wait)? {
                passed_over += 1;
                continue;
            }
            let meta = *meta;
            frame.format = self.format;
            frame.range = self.range;
            (frame.width, frame.height) = self.size;
            let broken = fill(bytes, &meta, self.lines, frame);
            let before = self.sequence.replace(meta.sequence);
            let step = before.map_or(1, |b| meta.sequence.wrapping_sub(b));
            let lost = match step {
                // Some drivers leave the number at 0, or start it again.
                0 | 0x1_0000.. => passed_over,
                step => step - 1,
            };
            let monotonic = u32::from(meta.flags & Flags::TIMESTAMP_MASK)
                == u32::from(Flags::TIMESTAMP_MONOTONIC);
            let stamp = (meta.timestamp.sec >= 0 && monotonic)
                .then(|| Duration::from(meta.timestamp))
                .filter(|s| !s.is_zero());
            return Ok(Some(Arrived {
                stamp,
                lost,
                broken,
            }));
        }
    }
}

/// Whether a frame comes within `millis`. A signal ends the wait, and nothing
/// more: it says nothing about the device.
fn ready(handle: &Handle, millis: i32) -> std::io::Result<bool> {
    match handle.poll(POLLIN, millis) {
        Err(e) if e.kind() == std::io::ErrorKind::Interrupted => Ok(false),
        events => Ok(events? > 0),
    }
}

/// Copies a buffer into the frame, taking out what pads its lines; says why if
/// it is no good.
fn fill(
    bytes: &[u8],
    meta: &Metadata,
    lines: Option<(usize, usize, usize)>,
    frame: &mut RawFrame,
) -> Option<String> {
    frame.bytes.clear();
    if meta.flags.contains(Flags::ERROR) {
        return Some("the driver calls this frame damaged".into());
    }
    let used = match meta.bytesused as usize {
        0 => return Some("empty frame".into()),
        used => used.min(bytes.len()),
    };
    let bytes = &bytes[..used];
    match lines {
        Some((stride, row, count)) => {
            if bytes.len() < stride * (count - 1) + row {
                return Some(format!("{} of {} bytes", bytes.len(), stride * count));
            }
            for line in bytes.chunks(stride).take(count) {
                frame.bytes.extend_from_slice(&line[..row]);
            }
        }
        None => frame.bytes.extend_from_slice(bytes),
    }
    if frame.format == PixelFormat::Jpeg {
        match jpeg_size(bytes) {
            None => return Some("no JPEG header".into()),
            Some(size) if size != (frame.width, frame.height) => {
                return Some(format!("picture of {}x{}", size.0, size.1));
            }
            Some(_) => {}
        }
    }
    None
}

fn open(settings: &CameraSettings) -> anyhow::Result<(Open, String)> {
    let name = &settings.device;
    let (width, height) = (settings.width, settings.height);
    let device = Device::with_path(name).with_context(|| {
        format!("{name}: cannot be opened; check the plug, camera.device and the video group")
    })?;
    let refused = || format!("{name}: is no camera; check camera.device");
    let offered = device.enum_formats().with_context(refused)?;
    let mut chosen = None;
    let mut best = String::from("none of MJPG, YUYV, NV12, YU12, GREY");
    for (code, format) in WANTED {
        let code = FourCC::new(code);
        if !offered.iter().any(|o| o.fourcc == code) {
            continue;
        }
        // What the driver chose, not what was asked for, is what comes.
        let got = device
            .set_format(&Format::new(width, height, code))
            .with_context(|| format!("{name}: in use by another program, or lost"))?;
        if got.fourcc == code && (got.width, got.height) == (width, height) {
            chosen = Some((got, format));
            break;
        }
        best = format!("{}x{} {}", got.width, got.height, got.fourcc);
    }
    let Some((got, format)) = chosen else {
        bail!(
            "{name}: gives {best}, the profile asks for {width}x{height}; \
             set camera.width_px and height_px to a size that the camera has"
        );
    };
    let rate = (settings.rate_hz * 1000.0).round() as u32;
    let _ = device.set_params(&Parameters::new(v4l::Fraction::new(1000, rate.max(1))));
    let rate_hz = device.params().ok().map(|p| {
        let interval = p.interval;
        f64::from(interval.denominator) / f64::from(interval.numerator.max(1))
    });
    let handle = device.handle();
    let mut stream = Stream::with_buffers(&device, Type::VideoCapture, BUFFERS)
        .with_context(|| format!("{name}: gives no buffers; is another program using it?"))?;
    start(&mut stream)
        .with_context(|| format!("{name}: does not start; check its plug and its supply"))?;
    let what = format!(
        "{name}: {width}x{height} {} at {}",
        got.fourcc,
        rate_hz.map_or("an unknown rate".into(), |r| format!("{r:.1}/s"))
    );
    if rate_hz.is_some_and(|r| r < 0.9 * settings.rate_hz) {
        tracing::warn!("{what}: slower than camera.rate_hz = {}", settings.rate_hz);
    }
    let open = Open {
        stream: Some(stream),
        handle,
        format,
        range: range_of(&got, format),
        size: (width, height),
        lines: lines_of(&got, format),
        sequence: None,
    };
    Ok((open, what))
}

/// Starts the pictures without a wait for the first, which the library's own start
/// would make: a grabber without a signal never gives one, and no verdict would be
/// given meanwhile.
fn start(stream: &mut Stream<'static>) -> std::io::Result<()> {
    stream.set_timeout(LIBRARY_PATIENCE);
    // The library hands buffer 0 over itself when it is first asked for a frame. A
    // driver may have given fewer than were asked for.
    for index in 1..BUFFERS as usize {
        if CaptureStream::queue(stream, index).is_err() {
            break;
        }
    }
    stream.start()
}

/// How to take the padding out of lines; `None` where there is none.
fn lines_of(got: &Format, format: PixelFormat) -> Option<(usize, usize, usize)> {
    let (width, height) = (got.width as usize, got.height as usize);
    let stride = got.stride as usize;
    let (row, count) = match format {
        PixelFormat::Yuyv => (width.div_ceil(2) * 4, height),
        PixelFormat::Grey => (width, height),
        // The chroma lines of NV12 are as long as its luma lines.
        PixelFormat::Nv12 => (width.div_ceil(2) * 2, height + height.div_ceil(2)),
        _ => return None,
    };
    (stride > row && count > 0).then_some((stride, row, count))
}

/// The default for YCbCr is limited range unless the colours are JPEG's
/// (Linux media documentation, "Defining Colorspaces in V4L2").
fn range_of(got: &Format, format: PixelFormat) -> Range {
    match (format, got.quantization, got.colorspace) {
        (PixelFormat::Jpeg, _, _) | (_, Quantization::FullRange, _) => Range::Full,
        (_, Quantization::LimitedRange, _) => Range::Limited,
        (_, _, Colorspace::JPEG) => Range::Full,
        // Grey cameras have no convention; stretching would burn out a full one.
        (PixelFormat::Grey, _, _) => Range::Full,
        _ => Range::Limited,
    }
}

fn monotonic_now() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    Duration::new(
        u64::try_from(now.tv_sec).unwrap_or(0),
        u32::try_from(now.tv_nsec).unwrap_or(0),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn padded_lines_are_cut_and_short_ones_are_broken() {
        let mut got = Format::new(4, 2, FourCC::new(b"GREY"));
        got.stride = 6;
        let lines = lines_of(&got, PixelFormat::Grey);
        assert_eq!(lines, Some((6, 4, 2)));
        let mut frame = RawFrame::empty();
        let mut meta = Metadata {
            bytesused: 12,
            ..Metadata::default()
        };
        let bytes: Vec<u8> = (0..12).collect();
        assert_eq!(fill(&bytes, &meta, lines, &mut frame), None);
        assert_eq!(frame.bytes, [0, 1, 2, 3, 6, 7, 8, 9]);
        meta.bytesused = 9;
        assert!(fill(&bytes, &meta, lines, &mut frame).is_some());
        meta.bytesused = 0;
        assert!(fill(&bytes, &meta, lines, &mut frame).is_some());
        meta = Metadata {
            bytesused: 12,
            flags: Flags::ERROR,
            ..Metadata::default()
        };
        assert!(fill(&bytes, &meta, lines, &mut frame).is_some());
        got.stride = 4;
        assert_eq!(lines_of(&got, PixelFormat::Grey), None);
    }

    #[test]
    fn an_absent_camera_times_out_and_says_so() {
        let settings = CameraSettings {
            device: "/dev/no-such-camera".into(),
            width: 640,
            height: 480,
            rate_hz: 30.0,
            self_mask: None,
        };
        let mut source = V4lSource::new(&settings, Duration::from_millis(50));
        let mut frame = RawFrame::empty();
        for _ in 0..3 {
            let start = Instant::now();
            assert_eq!(source.grab(&mut frame).unwrap(), Grab::Timeout);
            assert!(start.elapsed() < Duration::from_millis(500));
        }
        assert!(source
            .status()
            .contains("/dev/no-such-camera: cannot be opened"));
    }
}
