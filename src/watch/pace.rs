//! How long verdicts take.

use std::time::Duration;

/// How long verdicts take, from the frame in hand to the word to the sound.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Pace {
    verdicts: u32,
    total: Duration,
    worst: Duration,
}

impl Pace {
    pub fn add(&mut self, took: Duration) {
        self.verdicts = self.verdicts.saturating_add(1);
        self.total = self.total.saturating_add(took);
        self.worst = self.worst.max(took);
    }

    /// One line.
    pub fn line(&self) -> String {
        let mean = self.total.as_secs_f64() / f64::from(self.verdicts.max(1));
        format!(
            "{} verdicts, mean {:.1} ms, worst {:.1} ms",
            self.verdicts,
            mean * 1e3,
            self.worst.as_secs_f64() * 1e3
        )
    }
}
