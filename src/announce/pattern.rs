//! Verdicts over time become a timed list of buzzer edges.
//!
//! The player works on announced time only, so a clip always gives the same
//! edges, and a live loop may call it as often as it likes: how often decides
//! when an edge is handed out, never which edges there are. A loop that wants
//! to be on time asks [`PatternPlayer::next_change`] when to come back.
//!
//! What is heard:
//! * start-up: one short chirp of two pitches, so that a dead buzzer is noticed;
//!   it is cut short by anything graver;
//! * not judged yet: the chirp again every [`TICK`], for [`START_LIMIT`] at
//!   most, then the fault pattern. Nearly every reverse would otherwise begin
//!   with the fault sound and teach the driver to ignore it;
//! * an obstacle: the zone's pattern, its phase kept while the pattern stays
//!   the same; in a DANGER zone always steady;
//! * cannot tell: the profile's fault pattern;
//! * clear: silence. Silence means "looked, and nothing", and nothing else.
//!
//! Chirp pitches lie within 400–2000 Hz, where ISO 15006:2011, 4.1.2 places
//! tonal signals in a vehicle.

use std::time::Duration;

use crate::profile::{Pattern, Profile, SignalWord};
use crate::zone::{Reason, Verdict};

/// One change of the buzzer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// When, on the clock that verdicts are timed by.
    pub at: Duration,
    /// Sounding from here on, or silent.
    pub on: bool,
    /// Pitch for ends that can make one; 0 when silent.
    pub tone_hz: f64,
}

/// From one chirp to the next while nothing has been judged yet.
pub const TICK: Duration = Duration::from_millis(500);

/// How long starting up may take before it sounds like a fault: the time in
/// which 49 CFR 571.111 S5.5.3 and UN R158 16.1 want the view to be there.
pub const START_LIMIT: Duration = Duration::from_secs(2);

const CHIRP_HALF: Duration = Duration::from_millis(60);
const CHIRP_HZ: (f64, f64) = (1000.0, 1500.0);

/// No part of a pattern is shorter: a driver could not tell it from a steady
/// tone, and a profile must not make the player race.
const SHORTEST: Duration = Duration::from_millis(10);

/// What is being played.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Tune {
    Silence,
    Chirp { repeat: bool },
    Steady { tone_hz: f64 },
    Cycle { pattern: Pattern },
}

/// Plays patterns; see the module's head for what is heard when.
#[derive(Debug, Clone)]
pub struct PatternPlayer {
    zone_tunes: Vec<Tune>,
    fault: Tune,
    started: Duration,
    tune: Tune,
    since: Duration,
    /// Edges up to and including this time have been handed out.
    until: Duration,
    sounding: Option<f64>,
}

impl PatternPlayer {
    /// A player that begins its self-test at `start`.
    pub fn new(profile: &Profile, start: Duration) -> Self {
        PatternPlayer {
            zone_tunes: profile
                .zones
                .iter()
                .map(|zone| match zone.signal {
                    SignalWord::Danger => Tune::Steady {
                        tone_hz: zone.pattern.tone_hz,
                    },
                    _ => tune_of(&zone.pattern),
                })
                .collect(),
            fault: tune_of(&profile.fault_pattern),
            started: start,
            tune: Tune::Chirp { repeat: false },
            since: start,
            until: start,
            sounding: None,
        }
    }

    /// Takes the verdict that holds from `now` on, and appends to `edges` every
    /// change due up to and including `now`.
    pub fn step(&mut self, verdict: &Verdict, now: Duration, edges: &mut Vec<Edge>) {
        let now = now.max(self.until);
        self.play(now, edges);
        let mut tune = self.tune_for(verdict, now);
        let testing = self.tune == Tune::Chirp { repeat: false }
            && now.saturating_sub(self.since) < CHIRP_HALF * 2;
        if testing && !matches!(verdict, Verdict::Obstacle(_)) {
            // Let the self-test end; what follows is set by the next step.
            tune = self.tune;
        }
        let ticking_on = matches!(
            (self.tune, tune),
            (Tune::Chirp { repeat: false }, Tune::Chirp { repeat: true })
        );
        if tune != self.tune {
            if !ticking_on {
                self.since = now;
            }
            self.tune = tune;
        }
        self.settle(now, edges);
    }

    /// Silences the buzzer, whatever was playing.
    pub fn stop(&mut self, now: Duration, edges: &mut Vec<Edge>) {
        let now = now.max(self.until);
        self.play(now, edges);
        self.tune = Tune::Silence;
        self.since = now;
        self.settle(now, edges);
    }

    /// When the next edge is due if the verdict stays; `None` for never.
    pub fn next_change(&self) -> Option<Duration> {
        next_change(self.tune, self.since, self.until)
    }

    fn tune_for(&self, verdict: &Verdict, now: Duration) -> Tune {
        match verdict {
            Verdict::Clear => Tune::Silence,
            // A zone that the profile does not have can only come from a
            // mix-up; it must not be silent.
            Verdict::Obstacle(alert) => self
                .zone_tunes
                .get(alert.zone)
                .copied()
                .unwrap_or(self.fault),
            Verdict::CannotTell {
                reason: Reason::NotYet,
            } if now.saturating_sub(self.started) < START_LIMIT => Tune::Chirp { repeat: true },
            Verdict::CannotTell { .. } => self.fault,
        }
    }

    /// Hands out the present tune's edges up to and including `now`.
    fn play(&mut self, now: Duration, edges: &mut Vec<Edge>) {
        if self.until < now {
            self.settle(self.until, edges);
        }
        while let Some(at) = self.next_change().filter(|at| *at <= now) {
            self.settle(at, edges);
        }
    }

    /// Brings the buzzer to what the tune asks at `at`.
    fn settle(&mut self, at: Duration, edges: &mut Vec<Edge>) {
        self.until = at;
        let wanted = tone_at(self.tune, at.saturating_sub(self.since));
        if wanted != self.sounding {
            self.sounding = wanted;
            edges.push(Edge {
                at,
                on: wanted.is_some(),
                tone_hz: wanted.unwrap_or(0.0),
            });
        }
    }
}

fn tune_of(pattern: &Pattern) -> Tune {
    if pattern.off.is_zero() || pattern.on.is_zero() {
        // A pattern without sound would pass for "nothing there".
        return Tune::Steady {
            tone_hz: pattern.tone_hz,
        };
    }
    Tune::Cycle {
        pattern: Pattern {
            on: pattern.on.max(SHORTEST),
            off: pattern.off.max(SHORTEST),
            tone_hz: pattern.tone_hz,
        },
    }
}

/// The tone that a tune sounds `elapsed` after its start.
fn tone_at(tune: Tune, elapsed: Duration) -> Option<f64> {
    match tune {
        Tune::Silence => None,
        Tune::Steady { tone_hz } => Some(tone_hz),
        Tune::Chirp { repeat } => {
            let phase = if repeat {
                modulo(elapsed, TICK)
            } else {
                elapsed
            };
            if phase < CHIRP_HALF {
                Some(CHIRP_HZ.0)
            } else if phase < CHIRP_HALF * 2 {
                Some(CHIRP_HZ.1)
            } else {
                None
            }
        }
        Tune::Cycle { pattern } => {
            (modulo(elapsed, pattern.on + pattern.off) < pattern.on).then_some(pattern.tone_hz)
        }
    }
}

/// The first time after `after` at which the tune begun at `since` changes.
fn next_change(tune: Tune, since: Duration, after: Duration) -> Option<Duration> {
    let (marks, cycle): ([Duration; 3], Option<Duration>) = match tune {
        Tune::Silence | Tune::Steady { .. } => return None,
        Tune::Chirp { repeat } => ([CHIRP_HALF, CHIRP_HALF * 2, TICK], repeat.then_some(TICK)),
        Tune::Cycle { pattern } => {
            let cycle = pattern.on + pattern.off;
            ([pattern.on, cycle, cycle], Some(cycle))
        }
    };
    let elapsed = after.saturating_sub(since);
    let phase = cycle.map_or(elapsed, |cycle| modulo(elapsed, cycle));
    let mark = marks
        .into_iter()
        .take(if cycle.is_some() { 3 } else { 2 })
        .find(|mark| *mark > phase)?;
    Some(after.max(since) + (mark - phase))
}

fn modulo(elapsed: Duration, cycle: Duration) -> Duration {
    let nanos = elapsed.as_nanos() % cycle.as_nanos().max(1);
    // A remainder of a cycle; cycles are far below the 584 years of a u64.
    Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
}
