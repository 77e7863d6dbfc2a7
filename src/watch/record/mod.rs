//! Recording: frames go to a thread of its own through a bounded queue, so that
//! a slow disk costs frames of the recording and never a warning.

pub mod command;
mod ring;
mod segments;
mod store;
mod wish;

use std::path::Path;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{channel, sync_channel, Receiver, RecvTimeoutError, Sender, SyncSender};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::Context;

use crate::camera::{clip_companions, RawFrame};
use crate::profile::{Profile, RecordSettings};
use ring::Ring;
use store::{RingStore, Store};
pub(super) use wish::Recording;

/// Some seconds of frames ...
const MOST_QUEUED: usize = 90;
/// ... and no more memory than this.
const MOST_QUEUED_BYTES: usize = 24 << 20;

/// After so long without frames what is there is completed.
const IDLE: Duration = Duration::from_secs(1);

/// How long after a fault of the disk it is tried again.
const RETRY: Duration = Duration::from_secs(10);

/// Why a clip is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Cause {
    /// Somebody asked for it.
    Asked,
    /// Something came into the DANGER zone.
    Danger,
}

impl Cause {
    fn word(self) -> &'static str {
        match self {
            Cause::Asked => "asked",
            Cause::Danger => "danger",
        }
    }
}

/// What became of the frames.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Counts {
    /// On the disk.
    pub stored: u64,
    /// Lost, because the disk was slow or at fault.
    pub dropped: u64,
    /// Passed over, because they came faster than the profile's rate.
    pub passed_over: u64,
}

/// What both sides look at.
#[derive(Default)]
struct Shared {
    queued_bytes: AtomicUsize,
    stored: AtomicU64,
    dropped: AtomicU64,
    passed_over: AtomicU64,
    fault: Mutex<Option<String>>,
}

impl Shared {
    fn fault(&self) -> std::sync::MutexGuard<'_, Option<String>> {
        self.fault.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The thread that records. Dropping it completes what was begun.
pub(super) struct FrameRecorder {
    frames: Option<SyncSender<RawFrame>>,
    wishes: Sender<Wish>,
    /// Buffers to be filled again.
    spare: Receiver<RawFrame>,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

type Wish = (Cause, Duration);

impl FrameRecorder {
    /// Records into the profile's ring. A folder that cannot be written, or not
    /// yet, is tried again and again.
    ///
    /// # Errors
    /// The profile's file cannot be read again, or the system gives no thread.
    pub fn into_ring(
        settings: &RecordSettings,
        profile: &Profile,
        profile_path: &Path,
    ) -> anyhow::Result<Self> {
        let rate_hz = profile.camera.rate_hz;
        let mask = profile.camera.self_mask.as_deref();
        let companions = clip_companions(None, rate_hz, None, Some((profile_path, mask)))?;
        Self::start(RingStore::new(settings.clone(), companions, rate_hz))
    }

    /// Whether the profile's folder can be written now.
    ///
    /// # Errors
    /// It cannot.
    pub fn try_folder(settings: &RecordSettings) -> anyhow::Result<()> {
        Ring::prepare(settings)
    }

    fn start(store: impl Store + 'static) -> anyhow::Result<Self> {
        let (frames, to_store) = sync_channel(MOST_QUEUED);
        let (wishes, wished) = channel();
        let (emptied, spare) = sync_channel(MOST_QUEUED);
        let shared = Arc::new(Shared::default());
        let mut worker = Worker {
            store,
            frames: to_store,
            wishes: wished,
            emptied,
            shared: Arc::clone(&shared),
            pause_until: None,
        };
        let thread = std::thread::Builder::new()
            .name("recorder".into())
            .spawn(move || {
                #[cfg(feature = "realtime")]
                super::realtime::lower(7);
                worker.run();
            })
            .context("no thread for the recording; too many processes?")?;
        Ok(FrameRecorder {
            frames: Some(frames),
            wishes,
            spare,
            shared,
            thread: Some(thread),
        })
    }

    /// Hands a frame over. Never waits: where the queue is full the frame is
    /// dropped and counted.
    pub fn offer(&self, frame: &RawFrame) {
        let Some(frames) = &self.frames else { return };
        let bytes = frame.bytes.len();
        let mut handed = false;
        if self.shared.queued_bytes.load(Ordering::Relaxed) + bytes <= MOST_QUEUED_BYTES {
            let mut copy = self.spare.try_recv().unwrap_or_else(|_| RawFrame::empty());
            copy.copy_from(frame);
            self.shared.queued_bytes.fetch_add(bytes, Ordering::Relaxed);
            handed = frames.try_send(copy).is_ok();
            if !handed {
                self.shared.queued_bytes.fetch_sub(bytes, Ordering::Relaxed);
            }
        }
        if !handed {
            self.shared.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Keeps the last minutes, and the next seconds, as a clip.
    pub fn keep(&self, cause: Cause, now: Duration) {
        // Nobody listens only when the thread is gone, which `fault` tells.
        let _ = self.wishes.send((cause, now));
    }

    /// What became of the frames so far.
    pub fn counts(&self) -> Counts {
        Counts {
            stored: self.shared.stored.load(Ordering::Relaxed),
            dropped: self.shared.dropped.load(Ordering::Relaxed),
            passed_over: self.shared.passed_over.load(Ordering::Relaxed),
        }
    }

    /// What is wrong with the disk now, if anything.
    pub fn fault(&self) -> Option<String> {
        self.shared.fault().clone()
    }

    /// Completes what was begun; what became of the frames, and a fault.
    pub fn finish(mut self) -> (Counts, Option<String>) {
        self.end();
        (self.counts(), self.fault())
    }

    fn end(&mut self) {
        self.frames = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Drop for FrameRecorder {
    fn drop(&mut self) {
        self.end();
    }
}

/// The thread's side.
struct Worker<S> {
    store: S,
    frames: Receiver<RawFrame>,
    wishes: Receiver<Wish>,
    emptied: SyncSender<RawFrame>,
    shared: Arc<Shared>,
    pause_until: Option<Instant>,
}

impl<S: Store> Worker<S> {
    /// Carries frames to the store until nobody can send any more.
    fn run(&mut self) {
        loop {
            let came = self.frames.recv_timeout(IDLE);
            let paused = self.pause_until.is_some_and(|u| Instant::now() < u);
            let mut done = Ok(None);
            if !paused {
                while let (Ok((cause, now)), Ok(_)) = (self.wishes.try_recv(), &done) {
                    done = self.store.keep(cause, now).map(|()| None);
                }
            }
            match (&came, &done) {
                _ if paused => {}
                (Ok(frame), Ok(_)) => done = self.store.add(frame).map(Some),
                (Err(_), Ok(_)) => done = self.store.rest().map(|()| None),
                (_, Err(_)) => {}
            }
            let lost = came.is_ok() && !matches!(done, Ok(Some(_)));
            self.note(done, lost);
            match came {
                Ok(frame) => {
                    let bytes = frame.bytes.len();
                    self.shared.queued_bytes.fetch_sub(bytes, Ordering::Relaxed);
                    let _ = self.emptied.try_send(frame);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    }

    fn note(&mut self, done: anyhow::Result<Option<bool>>, lost: bool) {
        let add = |count: &AtomicU64, yes: bool| {
            count.fetch_add(u64::from(yes), Ordering::Relaxed);
        };
        add(&self.shared.dropped, lost);
        match done {
            Ok(None) => {}
            Ok(Some(stored)) => {
                add(&self.shared.stored, stored);
                add(&self.shared.passed_over, !stored);
                *self.shared.fault() = None;
                self.pause_until = None;
            }
            Err(e) => {
                let text = format!("{e:#}");
                let mut fault = self.shared.fault();
                // Said once, until it works again or something else is wrong.
                if fault.as_ref() != Some(&text) {
                    tracing::error!("recording: {text}; tried again every {} s", RETRY.as_secs());
                }
                *fault = Some(text);
                drop(fault);
                self.store.abandon();
                self.pause_until = Some(Instant::now() + RETRY);
            }
        }
    }
}

#[cfg(test)]
mod tests;
