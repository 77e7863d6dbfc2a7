//! Carries sound edges out on time, on a thread of its own.
//!
//! Edges are due at absolute times of the monotonic clock, so what the loop
//! does meanwhile moves none of them. If the loop stops giving verdicts, this
//! thread says so by itself: an old `Clear` must not go on being silence.

use std::sync::mpsc::{channel, Receiver, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::Context;

use crate::announce::{Buzzer, Edge, PatternPlayer};
use crate::profile::Profile;
use crate::zone::{Reason, Verdict};

/// Longest sleep of the thread.
const NAP: Duration = Duration::from_millis(250);

/// The start-up chirp is played out even when not reversing.
const CHIRP: Duration = Duration::from_millis(130);

/// Something that sounds.
pub struct SoundEnd {
    /// For messages.
    pub name: String,
    /// What carries the edges out.
    pub device: Box<dyn Buzzer + Send>,
    /// Its last edge failed, or it is known that the first one will.
    pub faulty: bool,
}

/// What the thread is told.
enum Cue {
    Verdict {
        verdict: Verdict,
        captured: Option<Duration>,
    },
    Reversing(bool),
    End,
}

/// How well the edges kept their time.
#[derive(Debug, Clone, Default)]
pub struct Timing {
    /// How late each timed edge was, seconds.
    late_s: Vec<f32>,
    /// From capture to the edge that its verdict caused, seconds.
    reaction_s: Vec<f32>,
}

impl Timing {
    /// Enough for hours of alarms; then the oldest half goes.
    const MOST: usize = 1 << 16;

    fn add(list: &mut Vec<f32>, value: Duration) {
        if list.len() >= Self::MOST {
            list.drain(..Self::MOST / 2);
        }
        list.push(value.as_secs_f32());
    }

    /// One line: counts, 99th percentile and greatest value of both.
    pub fn line(&self) -> String {
        let of = |list: &[f32]| {
            let mut sorted = list.to_vec();
            sorted.sort_by(f32::total_cmp);
            let at = |share: f64| {
                let last = sorted.len().saturating_sub(1);
                let index = (last as f64 * share).ceil() as usize;
                sorted.get(index).map_or(0.0, |v| v * 1e3)
            };
            (sorted.len(), at(0.99), at(1.0))
        };
        let (edges, late, latest) = of(&self.late_s);
        let (turns, reaction, slowest) = of(&self.reaction_s);
        format!(
            "{edges} timed edges, p99 {late:.2} ms late, worst {latest:.2} ms; \
             {turns} from capture to edge, p99 {reaction:.1} ms, worst {slowest:.1} ms"
        )
    }
}

/// The thread that sounds. Dropping it silences everything first.
pub struct Conductor {
    cues: Option<Sender<Cue>>,
    thread: Option<JoinHandle<Timing>>,
}

impl Conductor {
    /// Starts the thread; its clock counts from `epoch`, and the start-up chirp
    /// begins at once.
    ///
    /// # Errors
    /// If the system gives no thread.
    pub fn start(profile: &Profile, epoch: Instant, ends: Vec<SoundEnd>) -> anyhow::Result<Self> {
        let (cues, told) = channel();
        let profile = profile.clone();
        let thread = std::thread::Builder::new()
            .name("conductor".into())
            .spawn(move || {
                #[cfg(feature = "realtime")]
                if let Err(e) = super::realtime::raise() {
                    tracing::info!("no real-time priority for the sound ({e}); edges may be late");
                }
                let mut stage = Stage::new(&profile, epoch, ends);
                stage.run(&told);
                stage.timing
            })
            .context("no thread for the sound; too many processes?")?;
        Ok(Conductor {
            cues: Some(cues),
            thread: Some(thread),
        })
    }

    /// A completed verdict, of the picture captured at the given time.
    ///
    /// # Errors
    /// If the thread is gone, which is a defect: the program must be restarted.
    pub fn verdict(&self, verdict: Verdict, captured: Option<Duration>) -> anyhow::Result<()> {
        self.tell(Cue::Verdict { verdict, captured })
    }

    /// A function for another thread to say whether reverse is selected; it
    /// returns `false` when nobody listens any more.
    pub fn reverse_teller(&self) -> impl Fn(bool) -> bool + Send + 'static {
        let cues = self.cues.clone();
        move |reversing| {
            cues.as_ref()
                .is_some_and(|cues| cues.send(Cue::Reversing(reversing)).is_ok())
        }
    }

    fn tell(&self, cue: Cue) -> anyhow::Result<()> {
        self.cues
            .as_ref()
            .and_then(|cues| cues.send(cue).ok())
            .context("the sound's thread has ended; starting again is the only way")
    }

    /// Silences everything and says how well the edges kept their time.
    pub fn finish(mut self) -> Timing {
        self.end().unwrap_or_default()
    }

    /// Others may still hold a teller, so the end is said and not only implied.
    fn end(&mut self) -> Option<Timing> {
        if let Some(cues) = self.cues.take() {
            let _ = cues.send(Cue::End);
        }
        self.thread.take()?.join().ok()
    }
}

impl Drop for Conductor {
    fn drop(&mut self) {
        let _ = self.end();
    }
}

struct Stage {
    player: PatternPlayer,
    ends: Vec<SoundEnd>,
    epoch: Instant,
    stale: Duration,
    verdict: Verdict,
    captured: Option<Duration>,
    told_at: Instant,
    reversing: bool,
    chirp_until: Duration,
    edges: Vec<Edge>,
    timing: Timing,
}

impl Stage {
    fn new(profile: &Profile, epoch: Instant, ends: Vec<SoundEnd>) -> Self {
        let now = epoch.elapsed();
        Stage {
            player: PatternPlayer::new(profile, now),
            ends,
            epoch,
            stale: profile.health.stale,
            verdict: Verdict::CannotTell {
                reason: Reason::NotYet,
            },
            captured: None,
            told_at: Instant::now(),
            reversing: false,
            chirp_until: now + CHIRP,
            edges: Vec::new(),
            timing: Timing::default(),
        }
    }

    fn run(&mut self, told: &Receiver<Cue>) {
        loop {
            self.sound();
            let now = self.epoch.elapsed();
            let due = self.player.next_change().unwrap_or(Duration::MAX);
            let wait = due.saturating_sub(now).min(NAP);
            match told.recv_timeout(wait) {
                Ok(cue) => {
                    let mut go_on = self.take(cue);
                    // Of several cues that wait, only the last counts.
                    while let Ok(cue) = told.try_recv() {
                        go_on &= self.take(cue);
                    }
                    if !go_on {
                        break;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
        }
        let now = self.epoch.elapsed();
        self.player.stop(now, &mut self.edges);
        self.carry_out(now);
    }

    /// Takes a cue in; `false` ends the thread.
    fn take(&mut self, cue: Cue) -> bool {
        match cue {
            Cue::Verdict { verdict, captured } => {
                self.verdict = verdict;
                self.captured = captured;
                self.told_at = Instant::now();
            }
            Cue::Reversing(reversing) => self.reversing = reversing,
            Cue::End => return false,
        }
        true
    }

    fn sound(&mut self) {
        let now = self.epoch.elapsed();
        let late = Verdict::CannotTell {
            reason: Reason::Late,
        };
        let verdict = if !self.reversing {
            // Nothing is announced; the start-up chirp ends by itself.
            &Verdict::Clear
        } else if self.told_at.elapsed() > self.stale * 2 {
            // The loop itself says "late" after `stale`; this is its absence.
            &late
        } else {
            &self.verdict
        };
        if !self.reversing && now >= self.chirp_until {
            self.player.stop(now, &mut self.edges);
        } else {
            self.player.step(verdict, now, &mut self.edges);
        }
        self.carry_out(now);
        self.captured = None;
    }

    /// Carries out the edges of the step made at `step`.
    fn carry_out(&mut self, step: Duration) {
        for edge in std::mem::take(&mut self.edges) {
            for end in &mut self.ends {
                match end.device.set(&edge) {
                    Ok(()) if end.faulty => {
                        end.faulty = false;
                        tracing::info!("{}: works now", end.name);
                    }
                    Err(e) if !end.faulty => {
                        end.faulty = true;
                        tracing::error!("{}: {e:#}", end.name);
                    }
                    _ => {}
                }
            }
            let now = self.epoch.elapsed();
            // Edges of the cadence lie in the past; this one the verdict caused.
            if let Some(captured) = self.captured.filter(|_| edge.at == step) {
                Timing::add(&mut self.timing.reaction_s, now.saturating_sub(captured));
            }
            Timing::add(&mut self.timing.late_s, now.saturating_sub(edge.at));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use super::*;

    type Seen = Arc<Mutex<Vec<(Duration, bool)>>>;

    struct Fake {
        seen: Seen,
        epoch: Instant,
        panics: bool,
    }

    impl Buzzer for Fake {
        fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
            assert!(!(self.panics && edge.on), "as asked");
            self.seen
                .lock()
                .unwrap()
                .push((self.epoch.elapsed(), edge.on));
            Ok(())
        }
    }

    impl Drop for Fake {
        fn drop(&mut self) {
            self.seen
                .lock()
                .unwrap()
                .push((self.epoch.elapsed(), false));
        }
    }

    fn profile() -> Profile {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        Profile::load(path.as_ref()).unwrap()
    }

    fn conductor(panics: bool) -> (Conductor, Seen, Instant) {
        conductor_of(&profile(), panics)
    }

    fn conductor_of(of: &Profile, panics: bool) -> (Conductor, Seen, Instant) {
        let epoch = Instant::now();
        let seen = Seen::default();
        let fake = Fake {
            seen: Arc::clone(&seen),
            epoch,
            panics,
        };
        let ends = vec![SoundEnd {
            name: "fake".into(),
            device: Box::new(fake),
            faulty: false,
        }];
        (Conductor::start(of, epoch, ends).unwrap(), seen, epoch)
    }

    const LATE: Verdict = Verdict::CannotTell {
        reason: Reason::Late,
    };

    #[test]
    fn chirps_once_then_keeps_quiet_until_reverse() {
        let (conductor, seen, _) = conductor(false);
        for _ in 0..40 {
            conductor.verdict(LATE, None).unwrap();
            std::thread::sleep(Duration::from_millis(10));
        }
        let quiet = seen.lock().unwrap().clone();
        assert_eq!(
            quiet.iter().filter(|(_, on)| *on).count(),
            2,
            "two pitches: {quiet:?}"
        );
        assert!(!quiet.last().unwrap().1);
        assert!(conductor.reverse_teller()(true));
        std::thread::sleep(Duration::from_millis(60));
        assert!(
            seen.lock().unwrap().last().unwrap().1,
            "the fault sounds at once"
        );
        assert!(conductor.reverse_teller()(false));
        std::thread::sleep(Duration::from_millis(60));
        assert!(!seen.lock().unwrap().last().unwrap().1);
    }

    #[test]
    fn an_absent_loop_is_announced_and_dropping_silences() {
        let (conductor, seen, _) = conductor(false);
        assert!(conductor.reverse_teller()(true));
        conductor.verdict(Verdict::Clear, None).unwrap();
        std::thread::sleep(Duration::from_millis(200));
        assert!(!seen.lock().unwrap().last().unwrap().1, "clear is silence");
        let stale = profile().health.stale;
        std::thread::sleep(stale * 2 + NAP + Duration::from_millis(100));
        assert!(
            seen.lock().unwrap().last().unwrap().1,
            "no verdicts: the fault sounds"
        );
        drop(conductor);
        assert!(!seen.lock().unwrap().last().unwrap().1);
    }

    #[test]
    fn a_panic_in_the_thread_silences_and_is_noticed() {
        let (conductor, seen, epoch) = conductor(true);
        while conductor.verdict(LATE, None).is_ok() {
            assert!(epoch.elapsed() < Duration::from_secs(20), "noticed");
            std::thread::sleep(Duration::from_millis(10));
        }
        drop(conductor);
        assert!(seen.lock().unwrap().last().is_some_and(|(_, on)| !on));
    }

    /// Not a bar on a shared machine, but a measurement; run with
    /// `cargo test --release conductor -- --ignored --nocapture`.
    #[test]
    #[ignore = "measures for 20 s how late edges are under load; no bar holds on a shared machine"]
    fn jitter_under_load() {
        let stop = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let load: Vec<_> = (0..std::thread::available_parallelism().map_or(4, |n| n.get() * 2))
            .map(|_| {
                let stop = Arc::clone(&stop);
                std::thread::spawn(move || {
                    let mut sum = 0u64;
                    while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                        sum = std::hint::black_box(sum.wrapping_mul(31).wrapping_add(7));
                    }
                })
            })
            .collect();
        let mut fast = profile();
        fast.fault_pattern.on = Duration::from_millis(40);
        fast.fault_pattern.off = Duration::from_millis(40);
        let (conductor, _, epoch) = conductor_of(&fast, false);
        assert!(conductor.reverse_teller()(true));
        while epoch.elapsed() < Duration::from_secs(20) {
            conductor.verdict(LATE, None).unwrap();
            std::thread::sleep(Duration::from_millis(33));
        }
        crate::say::say!("{}", conductor.finish().line());
        stop.store(true, std::sync::atomic::Ordering::Relaxed);
        load.into_iter().for_each(|t| t.join().unwrap());
    }
}
