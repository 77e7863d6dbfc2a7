//! Draws and shows pictures on a thread of its own, the newest only and after the
//! loop in priority, so that neither a slow screen nor a large one holds the
//! warning up.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::Context;
use image::RgbImage;

use crate::announce::{Painter, Screen};
use crate::camera::{Decoder, RawFrame};
use crate::profile::Profile;
use crate::track::Obstacle;
use crate::zone::{Reason, Verdict};

/// What is to be shown.
struct Job {
    /// An unreadable or absent picture is shown as black.
    readable: bool,
    frame: RawFrame,
    verdict: Verdict,
    obstacles: Vec<Obstacle>,
    now: Duration,
    reversing: bool,
}

#[derive(Default)]
struct Slot {
    job: Option<Job>,
    /// A frame buffer to be filled again.
    spare: Option<RawFrame>,
    end: bool,
}

#[derive(Default)]
struct Shared {
    slot: Mutex<Slot>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Slot> {
        self.slot.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The thread that shows. Dropping it blanks the screen first.
pub struct Viewer {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Viewer {
    /// Starts the thread, drawing on a canvas of `size`.
    ///
    /// # Errors
    /// If the system gives no thread or the decoder does not start.
    pub fn start(
        profile: &Profile,
        size: (u32, u32),
        screen: Box<dyn Screen + Send>,
    ) -> anyhow::Result<Self> {
        let shared = Arc::new(Shared::default());
        let mut show = Show {
            painter: Painter::new(profile, size.0, size.1),
            decoder: Decoder::new()?,
            seen: RgbImage::new(1, 1),
            canvas: RgbImage::new(size.0, size.1),
            screen,
            stale: profile.health.stale * 2,
            faulty: false,
            hidden: false,
        };
        let theirs = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name("viewer".into())
            .spawn(move || {
                // The warning comes first, then its picture, then the recording.
                #[cfg(feature = "realtime")]
                super::realtime::lower(5);
                show.run(&theirs);
            })
            .context("no thread for the screen; too many processes?")?;
        Ok(Viewer {
            shared,
            thread: Some(thread),
        })
    }

    /// Hands over what is to be shown next; what still waits is replaced.
    pub fn offer(
        &self,
        frame: Option<&RawFrame>,
        verdict: &Verdict,
        obstacles: &[Obstacle],
        now: Duration,
        reversing: bool,
    ) {
        let mut slot = self.shared.lock();
        let waiting = slot.job.take().map(|job| job.frame);
        let mut copy = waiting
            .or_else(|| slot.spare.take())
            .unwrap_or_else(RawFrame::empty);
        if let Some(frame) = frame.filter(|_| reversing) {
            copy.copy_from(frame);
        }
        slot.job = Some(Job {
            readable: frame.is_some(),
            frame: copy,
            verdict: verdict.clone(),
            obstacles: obstacles.to_vec(),
            now,
            reversing,
        });
        self.shared.changed.notify_one();
    }
}

impl Drop for Viewer {
    fn drop(&mut self) {
        self.shared.lock().end = true;
        self.shared.changed.notify_one();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

struct Show {
    painter: Painter,
    decoder: Decoder,
    /// What the camera sees, and what the screen shows of it.
    seen: RgbImage,
    canvas: RgbImage,
    screen: Box<dyn Screen + Send>,
    stale: Duration,
    faulty: bool,
    hidden: bool,
}

impl Show {
    fn run(&mut self, shared: &Shared) {
        let mut last = None;
        loop {
            let mut slot = shared.lock();
            if slot.job.is_none() && !slot.end {
                slot = shared
                    .changed
                    .wait_timeout(slot, self.stale)
                    .unwrap_or_else(PoisonError::into_inner)
                    .0;
            }
            if slot.end {
                return;
            }
            let job = slot.job.take();
            drop(slot);
            match job {
                Some(job) => {
                    last = job.reversing.then_some(job.now);
                    self.draw(&job);
                    shared.lock().spare = Some(job.frame);
                }
                // Nothing comes any more: what stands on the screen is old.
                None => {
                    if let Some(now) = last {
                        self.paint_black(
                            &Verdict::CannotTell {
                                reason: Reason::Late,
                            },
                            now,
                        );
                    }
                }
            }
        }
    }

    fn draw(&mut self, job: &Job) {
        if !job.reversing {
            if !self.hidden {
                self.canvas.fill(0);
                self.show(job.now);
                self.hidden = true;
            }
            return;
        }
        self.hidden = false;
        let seen = job.readable && self.decoder.decode_rgb(&job.frame, &mut self.seen).is_ok();
        if !seen {
            return self.paint_black(&job.verdict, job.now);
        }
        let (canvas, obstacles) = (&mut self.canvas, &job.obstacles);
        self.painter
            .paint_on(canvas, &self.seen, &job.verdict, obstacles, job.now);
        self.show(job.now);
    }

    fn paint_black(&mut self, verdict: &Verdict, now: Duration) {
        self.canvas.fill(0);
        self.painter.paint(&mut self.canvas, verdict, &[], now);
        self.show(now);
    }

    fn show(&mut self, now: Duration) {
        match self.screen.show(&self.canvas, now) {
            Ok(()) => self.faulty = false,
            Err(e) => {
                if !self.faulty {
                    tracing::error!("{e:#}");
                }
                self.faulty = true;
            }
        }
    }
}
