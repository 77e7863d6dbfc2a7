//! Obstacles and the state of the picture become one verdict.
//!
//! * An obstacle counts by its nearest point, drawn [`NEAR_SIDE_SIGMAS`]
//!   standard deviations nearer, over its whole extent to the sides.
//! * A zone is entered at its edge and left only `leave_margin` beyond it, and
//!   is announced for no less than `hold`.
//! * The gravest zone wins; inside it the nearest obstacle is reported.
//! * An obstacle that is expected but not seen (`seen == false`) counts until
//!   the tracker drops it.
//! * A reason not to trust the picture beats everything, at once. Afterwards
//!   `Clear` takes [`recover`](crate::profile::HealthSettings::recover) of
//!   trusted picture without a break, so that the tracker has had time to see
//!   something again; an obstacle in a zone is announced without that wait. It
//!   never begins with a picture that is doubted, however long that is not announced.
//!   The health stage therefore needs no recovery time of its own.

use std::time::Duration;

use crate::profile::{Profile, SignalWord, Zone};
use crate::track::Obstacle;

use super::{reach_m, Alert, Reason, Verdict};

/// How many standard deviations nearer than measured an obstacle is taken to
/// be. One: then five of six normally spread errors fall on the safe side,
/// without the far zones sounding for what is well outside them, as more would
/// make them (range errors grow with the square of the range).
pub const NEAR_SIDE_SIGMAS: f64 = 1.0;

/// The range that zones are judged by and that is told to the driver: the
/// measured distance behind the bumper less its uncertainty, never below zero.
///
/// An obstacle without usable figures is taken to touch the bumper.
///
/// ```
/// # use hindward::{optics::GroundPoint, track::Obstacle, zone::announced_range_m};
/// # let mut obstacle = Obstacle {
/// #     id: 1, nearest: GroundPoint { behind_m: 2.0, side_m: 0.0 }, sigma_m: 0.25,
/// #     side_extent_m: (-0.1, 0.1), height_m: 1.0, behind_mps: 0.0, side_mps: 0.0,
/// #     time_to_contact: None, age: Default::default(), seen: true, line: vec![] };
/// assert_eq!(announced_range_m(&obstacle), 1.75);
/// obstacle.sigma_m = f64::NAN;
/// assert_eq!(announced_range_m(&obstacle), 0.0);
/// ```
pub fn announced_range_m(obstacle: &Obstacle) -> f64 {
    let near = obstacle.nearest.behind_m - NEAR_SIDE_SIGMAS * obstacle.sigma_m.abs();
    if near.is_finite() {
        near.max(0.0)
    } else {
        0.0
    }
}

/// Judges every frame; see the module's head for the rules.
#[derive(Debug, Clone)]
pub struct ZoneEvaluator {
    zones: Vec<ZoneState>,
    recover: Duration,
    /// Why the last picture that could not be trusted could not be.
    distrust: Option<Reason>,
    /// Since when the picture has been trusted without a break.
    trusted_since: Option<Duration>,
    /// Whether the picture to be judged is doubted.
    doubted: bool,
}

#[derive(Debug, Clone)]
struct ZoneState {
    zone: Zone,
    /// What is announced for this zone.
    held: Option<Held>,
}

#[derive(Debug, Clone)]
struct Held {
    obstacle: Obstacle,
    /// Since when it has been announced.
    since: Duration,
    /// Whether the leave margin is still to be crossed.
    inside: bool,
}

impl ZoneEvaluator {
    /// An evaluator of the profile's zones that has not judged anything yet.
    pub fn new(profile: &Profile) -> Self {
        ZoneEvaluator {
            zones: profile
                .zones
                .iter()
                .map(|zone| ZoneState {
                    zone: zone.clone(),
                    held: None,
                })
                .collect(),
            recover: profile.health.recover,
            distrust: Some(Reason::NotYet),
            trusted_since: None,
            doubted: false,
        }
    }

    /// The next picture to be judged may be at fault: not the one to become `Clear` by.
    pub fn doubt(&mut self) {
        self.doubted = true;
    }

    /// Judges one frame: the tracker's obstacles, the health stage's reason not
    /// to trust the picture, if any, and the frame's time of capture.
    pub fn step(
        &mut self,
        obstacles: &[Obstacle],
        health: Option<Reason>,
        now: Duration,
    ) -> Verdict {
        let doubted = std::mem::take(&mut self.doubted);
        if let Some(reason) = health {
            return self.enter_distrust(reason);
        }
        let since = *self.trusted_since.get_or_insert(now);
        if !doubted && now.saturating_sub(since) >= self.recover {
            self.distrust = None;
        }
        for state in &mut self.zones {
            state.update(obstacles, now);
        }
        match (self.gravest(), self.distrust) {
            (Some(alert), _) => Verdict::Obstacle(alert),
            (None, Some(reason)) => Verdict::CannotTell { reason },
            (None, None) => Verdict::Clear,
        }
    }

    fn enter_distrust(&mut self, reason: Reason) -> Verdict {
        self.distrust = Some(reason);
        self.trusted_since = None;
        Verdict::CannotTell { reason }
    }

    fn gravest(&self) -> Option<Alert> {
        let mut best: Option<(SignalWord, usize, &Held)> = None;
        for (i, state) in self.zones.iter().enumerate() {
            let Some(held) = &state.held else { continue };
            // Zones of one word stand nearest first in the profile.
            if best.is_none_or(|(signal, _, _)| state.zone.signal > signal) {
                best = Some((state.zone.signal, i, held));
            }
        }
        best.map(|(signal, zone, held)| Alert {
            zone,
            signal,
            obstacle: held.obstacle.clone(),
        })
    }
}

impl ZoneState {
    fn update(&mut self, obstacles: &[Obstacle], now: Duration) {
        let margin = match &self.held {
            Some(held) if held.inside => self.zone.leave_margin.0.max(0.0),
            _ => 0.0,
        };
        let nearest = obstacles
            .iter()
            .filter(|o| is_inside(&self.zone, o, margin))
            .min_by(|a, b| {
                announced_range_m(a)
                    .total_cmp(&announced_range_m(b))
                    .then(a.id.cmp(&b.id))
            });
        if let Some(obstacle) = nearest {
            let since = self.held.as_ref().map_or(now, |held| held.since);
            self.held = Some(Held {
                obstacle: obstacle.clone(),
                since,
                inside: true,
            });
        } else if let Some(held) = &mut self.held {
            held.inside = false;
            if now.saturating_sub(held.since) >= self.zone.hold {
                self.held = None;
            } else if let Some(present) = obstacles.iter().find(|o| o.id == held.obstacle.id) {
                // Gone out of the zone, still in view: tell its range of now.
                held.obstacle.clone_from(present);
            } else {
                held.obstacle.seen = false;
            }
        }
    }
}

/// The zone that an obstacle counts in: if `verdict` is about it the one that is announced, which
/// is left later than it is entered; else the gravest that it stands in, if any.
pub fn zone_of<'a>(
    profile: &'a Profile,
    verdict: &Verdict,
    obstacle: &Obstacle,
) -> Option<&'a Zone> {
    if let Verdict::Obstacle(alert) = verdict {
        if alert.obstacle.id == obstacle.id {
            return profile.zones.get(alert.zone);
        }
    }
    let mut best: Option<&Zone> = None;
    for zone in &profile.zones {
        if is_inside(zone, obstacle, 0.0) && best.is_none_or(|b| zone.signal > b.signal) {
            best = Some(zone);
        }
    }
    best
}

/// Whether an obstacle stands in a zone grown by `margin` metres.
fn is_inside(zone: &Zone, obstacle: &Obstacle, margin: f64) -> bool {
    let (a, b) = obstacle.side_extent_m;
    let side = obstacle.nearest.side_m;
    if !(a.is_finite() && b.is_finite() && side.is_finite()) {
        // A place that cannot be named could be anywhere behind.
        return true;
    }
    let left = a.min(b).min(side) - margin;
    let right = a.max(b).max(side) + margin;
    reach_m(&zone.shape, left, right)
        .is_some_and(|reach| announced_range_m(obstacle) <= reach + margin)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::GroundPoint;
    use crate::profile::{Pattern, ZoneShape};
    use crate::units::Metres;

    fn zone(name: &str, signal: SignalWord, near: f64, far: f64) -> Zone {
        Zone {
            name: name.into(),
            signal,
            shape: ZoneShape::Strip {
                near: Metres(near),
                far: Metres(far),
                half_width: Metres(1.0),
            },
            leave_margin: Metres(0.2),
            hold: Duration::from_millis(500),
            pattern: Pattern {
                on: Duration::from_millis(100),
                off: Duration::from_millis(100),
                tone_hz: 1000.0,
            },
        }
    }

    fn evaluator(recover_ms: u64) -> ZoneEvaluator {
        let zones = [
            zone("close", SignalWord::Danger, 0.0, 0.5),
            zone("near", SignalWord::Warning, 0.5, 1.5),
            zone("far", SignalWord::Caution, 1.5, 3.0),
        ];
        ZoneEvaluator {
            zones: zones
                .into_iter()
                .map(|zone| ZoneState { zone, held: None })
                .collect(),
            recover: Duration::from_millis(recover_ms),
            distrust: Some(Reason::NotYet),
            trusted_since: None,
            doubted: false,
        }
    }

    fn obstacle(id: u32, behind_m: f64, side_m: f64) -> Obstacle {
        Obstacle {
            id,
            nearest: GroundPoint { behind_m, side_m },
            sigma_m: 0.0,
            side_extent_m: (side_m - 0.1, side_m + 0.1),
            height_m: 1.0,
            behind_mps: 0.0,
            side_mps: 0.0,
            time_to_contact: None,
            age: Duration::ZERO,
            seen: true,
            line: Vec::new(),
        }
    }

    fn word(verdict: &Verdict) -> &'static str {
        match verdict {
            Verdict::Clear => "CLEAR",
            Verdict::Obstacle(alert) => alert.signal.text(),
            Verdict::CannotTell { reason } => reason.word(),
        }
    }

    fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn starts_not_yet_and_is_clear_only_after_recovery() {
        let mut e = evaluator(300);
        assert_eq!(word(&e.step(&[], None, ms(0))), "not-yet");
        assert_eq!(word(&e.step(&[], None, ms(299))), "not-yet");
        assert_eq!(word(&e.step(&[], None, ms(300))), "CLEAR");
        assert_eq!(
            word(&e.step(&[], Some(Reason::Covered), ms(301))),
            "covered"
        );
        assert_eq!(word(&e.step(&[], None, ms(400))), "covered");
        let seen = [obstacle(1, 1.0, 0.0)];
        assert_eq!(word(&e.step(&seen, None, ms(401))), "WARNING");
        assert_eq!(word(&e.step(&seen, Some(Reason::Dark), ms(402))), "dark");
    }

    #[test]
    fn the_gravest_zone_wins_and_its_nearest_obstacle_is_told() {
        let mut e = evaluator(0);
        let seen = [
            obstacle(1, 2.0, 0.0),
            obstacle(2, 1.4, 0.5),
            obstacle(3, 1.2, -0.5),
        ];
        let Verdict::Obstacle(alert) = e.step(&seen, None, ms(0)) else {
            panic!("an obstacle stands in a zone");
        };
        assert_eq!((alert.zone, alert.obstacle.id), (1, 3));
    }

    #[test]
    fn an_extent_that_reaches_in_counts_and_one_beside_does_not() {
        let mut e = evaluator(0);
        assert_eq!(
            word(&e.step(&[obstacle(1, 1.0, 1.2)], None, ms(0))),
            "CLEAR"
        );
        let mut wide = obstacle(1, 1.0, 1.2);
        wide.side_extent_m = (0.9, 1.5);
        assert_eq!(word(&e.step(&[wide], None, ms(1))), "WARNING");
    }

    #[test]
    fn uncertainty_counts_to_the_near_side() {
        let mut e = evaluator(0);
        let mut o = obstacle(1, 1.6, 0.0);
        o.sigma_m = 0.15;
        assert_eq!(word(&e.step(&[o], None, ms(0))), "WARNING");
    }

    #[test]
    fn a_zone_is_left_past_its_margin_and_after_its_hold() {
        let mut e = evaluator(0);
        let mut at = |behind_m, t| word(&e.step(&[obstacle(1, behind_m, 0.0)], None, ms(t)));
        assert_eq!(at(1.5, 0), "WARNING");
        assert_eq!(at(1.71, 100), "WARNING");
        assert_eq!(at(1.71, 499), "WARNING");
        assert_eq!(at(1.71, 500), "CAUTION");
        assert_eq!(at(1.51, 600), "CAUTION");
        assert_eq!(at(1.5, 700), "WARNING");
        assert_eq!(at(1.69, 5000), "WARNING");
        // Seen where it is no more inside: nothing is left to wait for.
        assert_eq!(at(1.71, 5100), "CAUTION");
    }

    #[test]
    fn an_unseen_obstacle_counts_until_it_is_dropped() {
        let mut e = evaluator(0);
        let mut o = obstacle(1, 0.4, 0.0);
        o.seen = false;
        assert_eq!(word(&e.step(&[o.clone()], None, ms(0))), "DANGER");
        assert_eq!(word(&e.step(&[], None, ms(499))), "DANGER");
        assert_eq!(word(&e.step(&[o.clone()], None, ms(600))), "DANGER");
        assert_eq!(word(&e.step(&[o], None, ms(5000))), "DANGER");
        assert_eq!(word(&e.step(&[], None, ms(5001))), "CLEAR");
    }

    #[test]
    fn figures_that_are_no_numbers_are_taken_as_nearest() {
        let mut e = evaluator(0);
        let o = obstacle(1, f64::NAN, f64::NAN);
        assert_eq!(word(&e.step(&[o], None, ms(0))), "DANGER");
    }

    #[test]
    fn nothing_between_bumper_and_first_zone_sets_an_obstacle_free() {
        let mut e = evaluator(0);
        assert_eq!(
            word(&e.step(&[obstacle(1, -0.3, 0.0)], None, ms(0))),
            "DANGER"
        );
    }
}
