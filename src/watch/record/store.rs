//! Where recorded frames go: the ring aboard, or one clip on the bench.

use std::path::PathBuf;
use std::time::Duration;

use super::ring::Ring;
use super::segments::{Plan, Segments};
use super::Cause;
use crate::camera::RawFrame;
use crate::profile::RecordSettings;

/// A clip goes on for so long after its cause.
const AFTER: Duration = Duration::from_secs(10);

/// Takes frames, on the recorder's thread.
pub(super) trait Store: Send {
    /// Stores a frame; `false` if it was passed over.
    ///
    /// # Errors
    /// The disk refuses.
    fn add(&mut self, frame: &RawFrame) -> anyhow::Result<bool>;

    /// Keeps what the past minutes brought.
    ///
    /// # Errors
    /// The disk refuses.
    fn keep(&mut self, cause: Cause, now: Duration) -> anyhow::Result<()>;

    /// No frames come: completes what is there.
    ///
    /// # Errors
    /// The disk refuses.
    fn rest(&mut self) -> anyhow::Result<()>;

    /// Gives up what is not complete, after a fault.
    fn abandon(&mut self);
}

/// The ring aboard.
pub(super) struct RingStore {
    settings: RecordSettings,
    companions: Vec<(String, Vec<u8>)>,
    rate_hz: f64,
    /// Once the folder could be opened.
    open: Option<(Ring, Segments)>,
    event: Option<Event>,
}

/// A clip that is being made.
struct Event {
    cause: Cause,
    at: Duration,
    /// Once there is something to keep.
    clip: Option<PathBuf>,
}

impl RingStore {
    pub fn new(settings: RecordSettings, companions: Vec<(String, Vec<u8>)>, rate_hz: f64) -> Self {
        RingStore {
            settings,
            companions,
            rate_hz,
            open: None,
            event: None,
        }
    }

    fn open(&mut self) -> anyhow::Result<()> {
        if self.open.is_none() {
            let ring = Ring::open(&self.settings, self.companions.clone())?;
            let segments = Segments::new(ring.plan(self.rate_hz))?;
            self.open = Some((ring, segments));
        }
        Ok(())
    }

    /// Completes the open segment and, while a clip is being made, moves it there.
    fn close(&mut self) -> anyhow::Result<()> {
        let Some((ring, segments)) = &mut self.open else {
            return Ok(());
        };
        if let (Some(segment), Some(event)) = (segments.close()?, &mut self.event) {
            match &event.clip {
                Some(clip) => ring.join(clip, &segment)?,
                None => event.clip = ring.keep(event.cause.word(), event.at)?,
            }
        }
        Ok(())
    }

    fn end_event(&mut self) {
        if let Some(clip) = self.event.take().and_then(|event| event.clip) {
            tracing::info!("recording: kept {}", clip.display());
        }
    }
}

impl Store for RingStore {
    fn add(&mut self, frame: &RawFrame) -> anyhow::Result<bool> {
        self.open()?;
        let over = self
            .event
            .as_ref()
            .is_some_and(|event| frame.captured > event.at + AFTER);
        let full = |open: &(Ring, Segments)| open.1.is_full_for(frame);
        if over || self.open.as_ref().is_some_and(full) {
            self.close()?;
        }
        if over {
            self.end_event();
        }
        let Some((ring, segments)) = &mut self.open else {
            return Ok(false);
        };
        if !segments.is_open() {
            ring.make_room(segments.plan().most_bytes)?;
        }
        segments.add(frame)
    }

    fn keep(&mut self, cause: Cause, now: Duration) -> anyhow::Result<()> {
        match &mut self.event {
            // One clip serves both.
            Some(event) => event.at = now,
            None => {
                self.event = Some(Event {
                    cause,
                    at: now,
                    clip: None,
                });
            }
        }
        // What led to it is made safe at once, also where it was an earlier run.
        self.open()?;
        self.close()?;
        if let (Some((ring, _)), Some(event)) = (&self.open, &mut self.event) {
            if event.clip.is_none() {
                event.clip = ring.keep(event.cause.word(), event.at)?;
            }
        }
        Ok(())
    }

    fn rest(&mut self) -> anyhow::Result<()> {
        self.close()?;
        self.end_event();
        Ok(())
    }

    fn abandon(&mut self) {
        if let Some((_, segments)) = &mut self.open {
            segments.abandon();
        }
        // The folder may come back as another one.
        self.open = None;
    }
}

/// One clip on the bench.
pub(super) struct ClipStore(Segments);

impl ClipStore {
    pub fn new(plan: Plan) -> anyhow::Result<Self> {
        Ok(ClipStore(Segments::new(plan)?))
    }
}

impl Store for ClipStore {
    fn add(&mut self, frame: &RawFrame) -> anyhow::Result<bool> {
        if self.0.is_full_for(frame) {
            self.0.close()?;
        }
        self.0.add(frame)
    }

    fn keep(&mut self, _cause: Cause, _now: Duration) -> anyhow::Result<()> {
        Ok(())
    }

    fn rest(&mut self) -> anyhow::Result<()> {
        self.0.close().map(|_| ())
    }

    fn abandon(&mut self) {
        self.0.abandon();
    }
}
