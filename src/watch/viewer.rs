//! Draws and shows pictures on a thread of its own, the newest only and after the
//! loop in priority, so that neither a slow screen nor a large one holds the
//! warning up.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::Context;
use image::RgbImage;

use crate::announce::{notice, Painter, Screen};
use crate::camera::{Decoder, RawFrame};
use crate::profile::Profile;
use crate::track::Obstacle;
use crate::zone::{Reason, Verdict};

/// How often a screen that is not there is looked for: its driver may come after the
/// program, or take the place of the one that the board booted with.
const RETRY: Duration = Duration::from_secs(1);

/// A screen that works, and the size that pictures fill best.
pub type OpenScreen = (Box<dyn Screen + Send>, (u32, u32));

/// Opens the screen anew.
pub type ScreenOpener = Box<dyn FnMut() -> anyhow::Result<OpenScreen> + Send>;

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
    /// A page of text that is to be shown: its title, and what works and what does not.
    page: Option<(String, Vec<(String, bool)>)>,
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
    /// Starts the thread, which draws on `screen`, or on what `open` gives once it can.
    ///
    /// # Errors
    /// If the system gives no thread or the decoder does not start.
    pub fn start(
        profile: &Profile,
        screen: Option<OpenScreen>,
        open: ScreenOpener,
    ) -> anyhow::Result<Self> {
        let shared = Arc::new(Shared::default());
        let mut show = Show {
            profile: profile.clone(),
            decoder: Decoder::new()?,
            seen: RgbImage::new(1, 1),
            shown: screen.map(|screen| Shown::new(profile, screen)),
            open,
            next_try: Instant::now() + RETRY,
            stale: profile.health.stale * 2,
        };
        let theirs = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name("viewer".into())
            .spawn(move || {
                // The warning comes first, then its picture, then the recording.
                #[cfg(feature = "realtime")]
                super::realtime::lower(10);
                show.run(&theirs);
            })
            .context("no thread for the screen; too many processes?")?;
        Ok(Viewer {
            shared,
            thread: Some(thread),
        })
    }

    /// Shows a page of text until a picture is offered.
    pub fn show_page(&self, title: &str, findings: &[(String, bool)]) {
        self.shared.lock().page = Some((title.into(), findings.to_vec()));
        self.shared.changed.notify_one();
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
    profile: Profile,
    decoder: Decoder,
    /// What the camera sees.
    seen: RgbImage,
    shown: Option<Shown>,
    open: ScreenOpener,
    next_try: Instant,
    stale: Duration,
}

/// A screen that works, and what it shows.
struct Shown {
    painter: Painter,
    canvas: RgbImage,
    screen: Box<dyn Screen + Send>,
    hidden: bool,
}

impl Shown {
    fn new(profile: &Profile, (screen, size): OpenScreen) -> Self {
        Shown {
            painter: Painter::new(profile, size.0, size.1),
            canvas: RgbImage::new(size.0, size.1),
            screen,
            hidden: false,
        }
    }

    fn draw(
        &mut self,
        job: &Job,
        decoder: &mut Decoder,
        seen: &mut RgbImage,
    ) -> anyhow::Result<()> {
        if !job.reversing {
            if !self.hidden {
                self.canvas.fill(0);
                self.screen.show(&self.canvas, job.now)?;
                self.hidden = true;
            }
            return Ok(());
        }
        self.hidden = false;
        if !(job.readable && decoder.decode_rgb(&job.frame, seen).is_ok()) {
            return self.paint_black(&job.verdict, job.now);
        }
        let (canvas, obstacles) = (&mut self.canvas, &job.obstacles);
        self.painter
            .paint_on(canvas, seen, &job.verdict, obstacles, job.now);
        self.screen.show(&self.canvas, job.now)
    }

    fn paint_black(&mut self, verdict: &Verdict, now: Duration) -> anyhow::Result<()> {
        self.canvas.fill(0);
        self.painter.paint(&mut self.canvas, verdict, &[], now);
        self.screen.show(&self.canvas, now)
    }
}

impl Show {
    fn run(&mut self, shared: &Shared) {
        let mut last = None;
        loop {
            let mut slot = shared.lock();
            if slot.job.is_none() && slot.page.is_none() && !slot.end {
                slot = shared
                    .changed
                    .wait_timeout(slot, self.stale)
                    .unwrap_or_else(PoisonError::into_inner)
                    .0;
            }
            if slot.end {
                return;
            }
            let (job, page) = (slot.job.take(), slot.page.take());
            drop(slot);
            if let (Some((title, findings)), Some(shown)) = (page, &mut self.shown) {
                let page = notice(shown.canvas.dimensions(), &title, &findings);
                // A screen that fails here says so again when pictures come.
                let _ = shown.screen.show(&page, Duration::ZERO);
                shown.hidden = false;
            }
            if let Some(job) = &job {
                last = job.reversing.then_some(job.now);
            }
            if let Err(e) = self.show(job.as_ref(), last) {
                tracing::error!("{e:#}; tried again from now on");
                // Given back before it is asked for again.
                self.shown = None;
                self.next_try = Instant::now() + RETRY;
            }
            if let Some(job) = job {
                shared.lock().spare = Some(job.frame);
            }
        }
    }

    fn show(&mut self, job: Option<&Job>, last: Option<Duration>) -> anyhow::Result<()> {
        self.look_for_screen();
        let Some(shown) = &mut self.shown else {
            return Ok(());
        };
        match (job, last) {
            (Some(job), _) => shown.draw(job, &mut self.decoder, &mut self.seen),
            // Nothing comes any more: what stands on the screen is old.
            (None, Some(now)) => {
                let reason = Reason::Late;
                shown.paint_black(&Verdict::CannotTell { reason }, now)
            }
            (None, None) => Ok(()),
        }
    }

    fn look_for_screen(&mut self) {
        if self.shown.is_none() && Instant::now() >= self.next_try {
            self.next_try = Instant::now() + RETRY;
            if let Ok(screen) = (self.open)() {
                tracing::info!("screen: works now");
                self.shown = Some(Shown::new(&self.profile, screen));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::{channel, Sender};

    struct Fake(Sender<(u32, u32)>, u32);

    impl Screen for Fake {
        fn show(&mut self, picture: &RgbImage, _at: Duration) -> anyhow::Result<()> {
            // Each of them works for three pictures only.
            anyhow::ensure!(self.1 < 3, "gone");
            self.1 += 1;
            Ok(self.0.send(picture.dimensions())?)
        }
    }

    #[test]
    fn a_late_screen_is_taken_up_and_a_lost_one_again() {
        let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(profile.as_ref()).unwrap();
        let (told, shows) = channel();
        let mut tries = 0;
        let open: ScreenOpener = Box::new(move || {
            tries += 1;
            anyhow::ensure!(tries != 1, "not yet");
            // The next driver may have another size.
            Ok((Box::new(Fake(told.clone(), 0)), (100 * tries, 80)))
        });
        let viewer = Viewer::start(&profile, None, open).unwrap();
        let verdict = Verdict::CannotTell {
            reason: Reason::Dark,
        };
        let begun = Instant::now();
        let mut sizes = Vec::new();
        while sizes.len() < 5 {
            assert!(begun.elapsed() < Duration::from_secs(30), "{sizes:?}");
            viewer.offer(None, &verdict, &[], begun.elapsed(), true);
            std::thread::sleep(Duration::from_millis(20));
            sizes.extend(shows.try_iter().map(|size| size.0));
        }
        assert_eq!(sizes[..5], [200, 200, 200, 300, 300]);
    }
}
