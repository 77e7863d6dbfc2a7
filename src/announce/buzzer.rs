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
            continue;
        };
        drop(wanted);
        let half = Duration::from_secs_f64(0.5 / hz);
        let start = Instant::now();
        line.set(true)?;
        wait_until(start + half);
        line.set(false)?;
        wait_until(start + half * 2);
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
        let rises: Vec<Instant> = seen
            .iter()
            .filter(|(_, on)| *on)
            .map(|(at, _)| *at)
            .collect();
        assert!(!seen.last().unwrap().1, "ends low");
        // A loaded machine drops waves, but most are 2 ms long.
        let mut periods: Vec<f64> = rises
            .windows(2)
            .map(|w| (w[1] - w[0]).as_secs_f64() * 1e3)
            .collect();
        periods.sort_by(f64::total_cmp);
        let median = periods[periods.len() / 2];
        assert!((median - 2.0).abs() < 0.3, "median period {median} ms");
    }
}
