//! What the verdict must hold to whatever the tracker and the health stage say.

use std::path::Path;
use std::time::Duration;

use hindward::optics::GroundPoint;
use hindward::profile::{Profile, SignalWord};
use hindward::track::Obstacle;
use hindward::zone::{zone_of, Reason, Verdict, ZoneEvaluator};
use proptest::prelude::*;

fn profile(name: &str) -> Profile {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/{name}.toml"));
    Profile::load(&path).expect("the shipped profile is valid")
}

fn obstacle(id: u32, behind_m: f64, side_m: f64, half_m: f64, sigma_m: f64) -> Obstacle {
    Obstacle {
        id,
        nearest: GroundPoint { behind_m, side_m },
        sigma_m,
        side_extent_m: (side_m - half_m, side_m + half_m),
        height_m: 1.0,
        behind_mps: 0.0,
        side_mps: 0.0,
        time_to_contact: None,
        age: Duration::ZERO,
        seen: true,
        line: Vec::new(),
    }
}

/// `None` is clear; `CannotTell` does not occur in a run that trusts its picture.
fn word(verdict: &Verdict) -> Option<SignalWord> {
    match verdict {
        Verdict::Clear => None,
        Verdict::Obstacle(alert) => Some(alert.signal),
        Verdict::CannotTell { reason } => panic!("trusted picture, yet {reason:?}"),
    }
}

/// An evaluator that has long recovered.
fn ready(profile: &Profile) -> (ZoneEvaluator, Duration) {
    let mut evaluator = ZoneEvaluator::new(profile);
    evaluator.step(&[], None, Duration::ZERO);
    let now = Duration::from_secs(60);
    assert_eq!(evaluator.step(&[], None, now), Verdict::Clear);
    (evaluator, now)
}

fn judge(profile: &Profile, obstacles: &[Obstacle]) -> Option<SignalWord> {
    let (mut evaluator, now) = ready(profile);
    word(&evaluator.step(obstacles, None, now))
}

fn any_reason() -> impl Strategy<Value = Option<Reason>> {
    prop_oneof![
        3 => Just(None),
        1 => (0..Reason::ALL.len()).prop_map(|i| Some(Reason::ALL[i])),
    ]
}

/// Any number, with those that computing can go wrong with.
fn any_metres() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => -2.0..12.0f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(f64::NEG_INFINITY),
    ]
}

proptest! {
    #[test]
    fn nearer_never_gives_a_milder_word(
        behind in -0.5..8.0f64,
        step in 0.0..4.0f64,
        side in -3.0..3.0f64,
        half in 0.0..1.0f64,
        sigma in 0.0..0.5f64,
    ) {
        for name in ["plate-height", "hatch", "van-roof"] {
            let profile = profile(name);
            let far = judge(&profile, &[obstacle(1, behind, side, half, sigma)]);
            let near = judge(&profile, &[obstacle(1, behind - step, side, half, sigma)]);
            prop_assert!(near >= far, "{near:?} at {} m, {far:?} at {behind} m", behind - step);
        }
    }

    #[test]
    fn less_certain_or_wider_never_gives_a_milder_word(
        behind in -0.5..8.0f64,
        side in -3.0..3.0f64,
        half in 0.0..1.0f64,
        sigma in 0.0..0.5f64,
        more in 0.0..1.0f64,
    ) {
        let profile = profile("hatch");
        let known = judge(&profile, &[obstacle(1, behind, side, half, sigma)]);
        let vague = judge(&profile, &[obstacle(1, behind, side, half, sigma + more)]);
        let wide = judge(&profile, &[obstacle(1, behind, side, half + more, sigma)]);
        prop_assert!(vague >= known && wide >= known);
    }

    #[test]
    fn one_more_obstacle_never_gives_a_milder_word(
        first in (-0.5..8.0f64, -3.0..3.0f64),
        second in (-0.5..8.0f64, -3.0..3.0f64),
    ) {
        let profile = profile("hatch");
        let a = obstacle(1, first.0, first.1, 0.2, 0.05);
        let b = obstacle(2, second.0, second.1, 0.2, 0.05);
        let alone = judge(&profile, std::slice::from_ref(&a));
        let both = judge(&profile, &[a, b]);
        prop_assert!(both >= alone);
    }

    /// Clear is said only after `recover` of trusted picture without a break,
    /// and never while there is a reason not to trust it.
    #[test]
    fn cannot_tell_becomes_clear_only_by_recovery(
        frames in prop::collection::vec((any_reason(), any_metres(), 1u64..400), 1..80),
    ) {
        let profile = profile("hatch");
        let mut evaluator = ZoneEvaluator::new(&profile);
        let mut now = Duration::ZERO;
        let mut trusted_since: Option<Duration> = None;
        for (health, behind, step_ms) in frames {
            now += Duration::from_millis(step_ms);
            match health {
                Some(_) => trusted_since = None,
                None => { trusted_since.get_or_insert(now); }
            }
            let seen = [obstacle(1, behind, 0.0, 0.2, 0.05)];
            let verdict = evaluator.step(&seen, health, now);
            let trusted_for = trusted_since.map(|since| now - since);
            if let Some(reason) = health {
                prop_assert_eq!(verdict, Verdict::CannotTell { reason });
            } else if verdict == Verdict::Clear {
                prop_assert!(trusted_for >= Some(profile.health.recover));
            } else if matches!(verdict, Verdict::CannotTell { .. }) {
                prop_assert!(trusted_for < Some(profile.health.recover));
            }
        }
    }

    /// Noise at an edge, smaller than the leave margin, changes the word once
    /// at most: on entering.
    #[test]
    fn no_flapping_at_an_edge(
        noise in prop::collection::vec(-0.07..0.07f64, 2..200),
    ) {
        let profile = profile("hatch");
        let (mut evaluator, mut now) = ready(&profile);
        let mut last = None;
        let mut changes = 0;
        for n in noise {
            now += Duration::from_millis(1000);
            // The edge between the WARNING and CAUTION zones of this profile.
            let verdict = evaluator.step(&[obstacle(1, 1.4 + n, 0.0, 0.2, 0.0)], None, now);
            let word = word(&verdict);
            changes += u32::from(last.is_some_and(|last| last != word));
            last = Some(word);
        }
        prop_assert!(changes <= 1, "{changes} changes");
    }

    #[test]
    fn no_input_panics(
        frames in prop::collection::vec(
            (any_metres(), any_metres(), any_metres(), any_metres(), any::<u64>()), 0..20),
    ) {
        let profile = profile("hatch");
        let mut evaluator = ZoneEvaluator::new(&profile);
        for (behind, side, half, sigma, ms) in frames {
            let seen = [obstacle(1, behind, side, half, sigma)];
            evaluator.step(&seen, None, Duration::from_millis(ms));
        }
    }
}

#[test]
fn a_warning_zone_is_announced_for_no_less_than_its_hold() {
    let profile = profile("hatch");
    let (mut evaluator, now) = ready(&profile);
    let ms = Duration::from_millis;
    let seen = [obstacle(7, 1.0, 0.0, 0.2, 0.0)];
    assert_eq!(
        word(&evaluator.step(&seen, None, now)),
        Some(SignalWord::Warning)
    );
    let Verdict::Obstacle(held) = evaluator.step(&[], None, now + ms(399)) else {
        panic!("hold_ms is 400");
    };
    assert_eq!((held.obstacle.id, held.obstacle.seen), (7, false));
    assert_eq!(evaluator.step(&[], None, now + ms(400)), Verdict::Clear);
}

/// A zone is left later than it is entered: what it is still announced for counts in it.
#[test]
fn an_obstacle_counts_in_the_zone_that_it_is_announced_for() {
    let profile = profile("hatch");
    let (mut evaluator, now) = ready(&profile);
    let inside = obstacle(1, 1.2, 0.0, 0.2, 0.0);
    evaluator.step(&[inside], None, now);
    // Beyond its far edge, within what it is left by.
    let out = obstacle(1, 1.5, 0.0, 0.2, 0.0);
    let other = obstacle(2, 1.5, 0.8, 0.2, 0.0);
    let verdict = evaluator.step(
        &[out.clone(), other.clone()],
        None,
        now + Duration::from_secs(5),
    );
    let name = |o| zone_of(&profile, &verdict, o).map(|z| z.name.as_str());
    assert_eq!(name(&out), Some("near"));
    assert_eq!(name(&other), Some("far"));
    assert_eq!(
        zone_of(&profile, &Verdict::Clear, &out).map(|z| z.name.as_str()),
        Some("far")
    );
}
