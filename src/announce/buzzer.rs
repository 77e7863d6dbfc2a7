//! The buzzer on a GPIO line.
//!
//! An active buzzer is switched; a passive one gets a square wave: from
//! hardware where the line has it, else timed by a thread of its own, which
//! sleeps most of each half wave and spins the rest.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::line::{self, OutputLine};
use super::{Buzzer, Edge};
use crate::profile::{BuzzerKind, BuzzerSettings};

/// Sleeping wakes late by about this much, so the rest is spun.
const SPIN: Duration = Duration::from_micros(120);

/// A wave that is later than this is not made up for.
const MOST_BEHIND: Duration = Duration::from_millis(10);

/// A buzzer on a GPIO line. Silent when made and when dropped.
pub struct LineBuzzer {
    how: How,
    name: String,
}

enum How {
    Switched(Box<dyn OutputLine>),
    HardwareWave(Box<dyn OutputLine>),
    TimedWave(TimedWave),
}

impl LineBuzzer {
    /// Takes the line.
    ///
    /// # Errors
    /// The line is not there, is another program's, or may not be used.
    pub fn open(settings: &BuzzerSettings) -> anyhow::Result<Self> {
        let mut line = line::open(&settings.line)?;
        let name = line.name().to_owned();
        let how = match settings.kind {
            BuzzerKind::Active => How::Switched(line),
            BuzzerKind::Passive if line.wave(None)? => How::HardwareWave(line),
            BuzzerKind::Passive => How::TimedWave(TimedWave::start(line)),
        };
        Ok(LineBuzzer { how, name })
    }

    /// The line, for messages.
    pub fn name(&self) -> &str {
        &self.name
    }
}

impl Buzzer for LineBuzzer {
    fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
        // A pitch that no buzzer makes must still sound.
        let hz = edge.on.then_some(edge.tone_hz.clamp(50.0, 10_000.0));
        match &mut self.how {
            How::Switched(line) => line.set(edge.on),
            How::HardwareWave(line) => line.wave(hz).map(|_| ()),
            How::TimedWave(wave) => wave.set(hz),
        }
    }
}

/// A square wave made by a thread.
struct TimedWave {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    state: Mutex<Wanted>,
    changed: Condvar,
}

#[derive(Default)]
struct Wanted {
    hz: Option<f64>,
    end: bool,
    fault: Option<String>,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Wanted> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl TimedWave {
    fn start(mut line: Box<dyn OutputLine>) -> Self {
        let shared = Arc::new(Shared::default());
        let theirs = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name("tone".into())
            .spawn(move || {
                if let Err(e) = make_wave(line.as_mut(), &theirs) {
                    theirs.lock().fault = Some(format!("{e:#}"));
                }
            })
            .ok();
        TimedWave { shared, thread }
    }

    fn set(&mut self, hz: Option<f64>) -> anyhow::Result<()> {
        let mut wanted = self.shared.lock();
        wanted.hz = hz;
        self.shared.changed.notify_one();
        match (&wanted.fault, &self.thread) {
            (Some(fault), _) => anyhow::bail!("{fault}"),
            (None, None) => anyhow::bail!("no thread for the tone; too many processes?"),
            (None, Some(_)) => Ok(()),
        }
    }
}

impl Drop for TimedWave {
    fn drop(&mut self) {
        self.shared.lock().end = true;
        self.shared.changed.notify_one();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn make_wave(line: &mut dyn OutputLine, shared: &Shared) -> anyhow::Result<()> {
    let mut wanted = shared.lock();
    let mut due = Instant::now();
    loop {
        if wanted.end {
            return line.set(false);
        }
        let Some(hz) = wanted.hz else {
            line.set(false)?;
            wanted = shared
                .changed
                .wait(wanted)
                .unwrap_or_else(PoisonError::into_inner);
            due = Instant::now();
            continue;
        };
        drop(wanted);
        let half = Duration::from_secs_f64(0.5 / hz);
        // Half waves are due at absolute times, so a late one is made up for
        // and the pitch holds; after a long stall the count starts afresh.
        due = due.max(Instant::now() - MOST_BEHIND);
        line.set(true)?;
        due += half;
        wait_until(due);
        line.set(false)?;
        due += half;
        wait_until(due);
        wanted = shared.lock();
    }
}

fn wait_until(due: Instant) {
    let left = due.saturating_duration_since(Instant::now());
    if left > SPIN {
        std::thread::sleep(left - SPIN);
    }
    while Instant::now() < due {
        std::hint::spin_loop();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Keeps the times of its switchings.
    struct FakeLine(Arc<Mutex<Vec<(Instant, bool)>>>);

    impl OutputLine for FakeLine {
        fn set(&mut self, on: bool) -> anyhow::Result<()> {
            self.0.lock().unwrap().push((Instant::now(), on));
            Ok(())
        }

        fn name(&self) -> &str {
            "fake"
        }
    }

    #[test]
    fn a_timed_wave_has_its_pitch_and_ends_low() {
        let seen = Arc::new(Mutex::new(Vec::new()));
        let mut wave = TimedWave::start(Box::new(FakeLine(Arc::clone(&seen))));
        wave.set(Some(500.0)).unwrap();
        std::thread::sleep(Duration::from_millis(300));
        wave.set(None).unwrap();
        std::thread::sleep(Duration::from_millis(20));
        drop(wave);
        let seen = seen.lock().unwrap();
        let rises = seen.iter().filter(|(_, on)| *on).count();
        assert!(!seen.last().unwrap().1, "ends low");
        // 150 waves in 300 ms; a loaded machine may stall and lose some.
        assert!((90..=160).contains(&rises), "{rises} waves");
    }
}
