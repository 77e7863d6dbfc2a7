//! A clip played at its own pace, in place of the camera.

use std::time::{Duration, Instant};

use crate::camera::{ClipSource, Grab, RawFrame, Source};

/// Hands the frames of a clip over when they are due. Late frames are passed
/// over as a camera's would be.
pub struct LiveClip {
    clip: ClipSource,
    epoch: Instant,
    patience: Duration,
    pending: Option<(RawFrame, Grab)>,
}

impl LiveClip {
    /// Plays `clip` from now on; a grab waits for `patience` at most.
    pub fn new(clip: ClipSource, patience: Duration) -> Self {
        LiveClip {
            clip,
            epoch: Instant::now(),
            patience,
            pending: None,
        }
    }

    /// The moment that `captured` counts from.
    pub fn epoch(&self) -> Instant {
        self.epoch
    }
}

impl Source for LiveClip {
    fn grab(&mut self, frame: &mut RawFrame) -> anyhow::Result<Grab> {
        let period = Duration::from_secs_f64(1.0 / self.clip.rate_hz());
        loop {
            let (next, grab) = match self.pending.take() {
                Some(pending) => pending,
                None => {
                    let mut next = std::mem::replace(frame, RawFrame::empty());
                    let grab = self.clip.grab(&mut next)?;
                    (next, grab)
                }
            };
            if matches!(grab, Grab::End) {
                return Ok(Grab::End);
            }
            let now = self.epoch.elapsed();
            let wait = next.captured.saturating_sub(now);
            if wait > self.patience {
                self.pending = Some((next, grab));
                std::thread::sleep(self.patience);
                return Ok(Grab::Timeout);
            }
            std::thread::sleep(wait);
            *frame = next;
            if now.saturating_sub(frame.captured) < period {
                return Ok(grab);
            }
        }
    }

    fn frame_count(&self) -> Option<u64> {
        self.clip.frame_count()
    }

    fn size(&self) -> (u32, u32) {
        self.clip.size()
    }

    fn name(&self) -> &str {
        self.clip.name()
    }
}
