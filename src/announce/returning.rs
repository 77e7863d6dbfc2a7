//! A sound whose device may come after the program, go, and come back.
//!
//! At ignition the program is there before many a driver is, and plugs work loose.
//! Devices are opened on a thread of their own, since that may take long and the
//! edges must not wait. A device that comes late takes the sound up where it is.

use std::sync::mpsc::Sender;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use anyhow::{bail, Context};

use super::{Buzzer, Edge};

/// Opens the device anew.
pub type Opener = Box<dyn FnMut() -> anyhow::Result<Box<dyn Buzzer + Send>> + Send>;

/// How long after a failure the device is tried again: soon at first, as drivers
/// come within seconds, then seldom, as the sound library searches all its files.
const SOONEST: Duration = Duration::from_millis(500);
const LATEST: Duration = Duration::from_secs(10);

/// A buzzer that is opened again as long as this lives. Dropping it silences it.
pub struct Returning {
    shared: Arc<Shared>,
    name: String,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Default)]
struct State {
    device: Option<Box<dyn Buzzer + Send>>,
    /// Failed; still to be given back before it can be had again.
    lost: Option<Box<dyn Buzzer + Send>>,
    /// What a device that comes has to take up.
    last: Option<Edge>,
    end: bool,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Returning {
    /// Keeps `device`, or what `open` gives once it can. What became of the first
    /// try to open it is sent to `news`.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn new(
        name: &str,
        device: Option<Box<dyn Buzzer + Send>>,
        mut open: Opener,
        mut news: Option<Sender<Result<(), String>>>,
    ) -> anyhow::Result<Self> {
        let shared = Arc::new(Shared::default());
        shared.lock().device = device;
        let theirs = Arc::clone(&shared);
        std::thread::Builder::new()
            .name(format!("{name} device"))
            .spawn(move || keep_open(&theirs, &mut open, &mut news))
            .context("no thread for the devices; too many processes?")?;
        Ok(Returning {
            shared,
            name: name.into(),
        })
    }
}

impl Buzzer for Returning {
    fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
        let mut state = self.shared.lock();
        state.last = Some(*edge);
        let Some(device) = &mut state.device else {
            bail!("{}: not there", self.name);
        };
        let done = device.set(edge);
        if done.is_err() {
            state.lost = state.device.take();
            self.shared.changed.notify_one();
        }
        done
    }
}

impl Drop for Returning {
    fn drop(&mut self) {
        let mut state = self.shared.lock();
        state.end = true;
        let (device, lost) = (state.device.take(), state.lost.take());
        self.shared.changed.notify_one();
        // The thread is not waited for: what it may be opening is silent.
        drop(state);
        drop((device, lost));
    }
}

fn keep_open(shared: &Shared, open: &mut Opener, news: &mut Option<Sender<Result<(), String>>>) {
    let mut pause = SOONEST;
    let mut state = shared.lock();
    while !state.end {
        if state.device.is_some() {
            state = shared
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
            pause = SOONEST;
            continue;
        }
        let lost = state.lost.take();
        drop(state);
        drop(lost);
        let opened = open();
        if let Some(news) = news.take() {
            // Whether anybody listens any more is their affair.
            let _ = news.send(match &opened {
                Ok(_) => Ok(()),
                Err(e) => Err(format!("{e:#}")),
            });
        }
        state = shared.lock();
        if state.end {
            return;
        }
        let sounding = opened.and_then(|mut device| {
            if let Some(edge) = state.last {
                device.set(&edge)?;
            }
            Ok(device)
        });
        match sounding {
            Ok(device) => state.device = Some(device),
            Err(_) => {
                // Nobody else is told: the fault was, and the next edge says it again.
                let until_end = |state: &mut State| !state.end;
                state = shared
                    .changed
                    .wait_timeout_while(state, pause, until_end)
                    .unwrap_or_else(PoisonError::into_inner)
                    .0;
                pause = (pause * 2).min(LATEST);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::Instant;

    use super::*;

    type Heard = Arc<Mutex<Vec<bool>>>;

    /// Works as long as `there`.
    struct Fake {
        there: Arc<AtomicBool>,
        heard: Heard,
    }

    impl Buzzer for Fake {
        fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
            anyhow::ensure!(self.there.load(Ordering::Relaxed), "gone");
            self.heard.lock().unwrap().push(edge.on);
            Ok(())
        }
    }

    impl Drop for Fake {
        fn drop(&mut self) {
            self.heard.lock().unwrap().push(false);
        }
    }

    fn edge(on: bool) -> Edge {
        Edge {
            at: Duration::ZERO,
            on,
            tone_hz: 1000.0,
        }
    }

    fn eventually(what: &str, mut holds: impl FnMut() -> bool) {
        let begun = Instant::now();
        while !holds() {
            assert!(begun.elapsed() < Duration::from_secs(20), "{what}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    #[test]
    fn a_late_device_takes_the_sound_up_and_a_lost_one_comes_back() {
        let there = Arc::new(AtomicBool::new(false));
        let heard = Heard::default();
        let (theirs, ears) = (Arc::clone(&there), Arc::clone(&heard));
        let open: Opener = Box::new(move || {
            anyhow::ensure!(theirs.load(Ordering::Relaxed), "not yet");
            Ok(Box::new(Fake {
                there: Arc::clone(&theirs),
                heard: Arc::clone(&ears),
            }))
        });
        let (news, told) = std::sync::mpsc::channel();
        let mut sound = Returning::new("fake", None, open, Some(news)).unwrap();
        assert!(sound.set(&edge(true)).is_err(), "absent is an error");
        assert_eq!(told.recv().unwrap(), Err("not yet".into()));
        there.store(true, Ordering::Relaxed);
        eventually("a steady sound begins by itself", || {
            heard.lock().unwrap().last() == Some(&true)
        });
        there.store(false, Ordering::Relaxed);
        assert!(sound.set(&edge(false)).is_err());
        eventually("the lost one is given back", || {
            heard.lock().unwrap().last() == Some(&false)
        });
        there.store(true, Ordering::Relaxed);
        eventually("it works again", || sound.set(&edge(true)).is_ok());
        drop(sound);
        assert_eq!(
            heard.lock().unwrap().last(),
            Some(&false),
            "silent at the end"
        );
    }
}
