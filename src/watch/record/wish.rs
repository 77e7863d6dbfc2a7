//! When the loop records, and when a clip is kept.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::{Cause, FrameRecorder};
use crate::camera::RawFrame;
use crate::profile::SignalWord;
use crate::zone::Verdict;

/// What of the loop is recorded, and when a clip is kept.
pub(in crate::watch) struct Recording<'a> {
    recorder: Option<&'a FrameRecorder>,
    asked: &'a AtomicBool,
    on_danger: bool,
    in_danger: bool,
}

impl<'a> Recording<'a> {
    /// `asked` is set where somebody wants a clip.
    pub fn new(
        recorder: Option<&'a FrameRecorder>,
        asked: &'a AtomicBool,
        on_danger: bool,
    ) -> Self {
        Recording {
            recorder,
            asked,
            on_danger,
            in_danger: false,
        }
    }

    /// Only what is announced is recorded: a card wears out, and forward gear
    /// is nobody's business here.
    pub fn frame(&self, frame: &RawFrame, reversing: bool) {
        if let Some(recorder) = self.recorder.filter(|_| reversing) {
            recorder.offer(frame);
        }
    }

    /// Sees whether a clip is to be kept.
    pub fn verdict(&mut self, verdict: &Verdict, now: Duration, reversing: bool) {
        let danger = reversing
            && matches!(verdict, Verdict::Obstacle(alert) if alert.signal == SignalWord::Danger);
        let came = danger && !self.in_danger;
        self.in_danger = danger;
        let asked = self.asked.swap(false, Ordering::Relaxed);
        let cause = match (asked, came && self.on_danger) {
            (true, _) => Cause::Asked,
            (false, true) => Cause::Danger,
            (false, false) => return,
        };
        match self.recorder {
            Some(recorder) => recorder.keep(cause, now),
            None => tracing::info!("asked to keep a clip, but the profile has no [record]"),
        }
    }
}
