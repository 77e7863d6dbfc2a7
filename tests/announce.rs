//! What is heard and seen for a verdict.

use std::path::Path;
use std::time::Duration;

use hindward::announce::{Edge, Painter, PatternPlayer, START_LIMIT};
use hindward::optics::{GroundPoint, PixelPoint};
use hindward::profile::{Profile, SignalWord};
use hindward::track::Obstacle;
use hindward::zone::{Alert, Reason, Verdict};
use image::{Rgb, RgbImage};
use proptest::prelude::*;

fn profile(name: &str) -> Profile {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("config/{name}.toml"));
    Profile::load(&path).expect("the shipped profile is valid")
}

fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// An obstacle with a contact line across the ground, as the seeing stages
/// give it.
fn obstacle(profile: &Profile, behind_m: f64, side_m: f64, half_m: f64) -> Obstacle {
    let ground = profile.ground();
    let mut line: Vec<PixelPoint> = (0..=40)
        .filter_map(|i| {
            let side_m = side_m - half_m + half_m * 2.0 * f64::from(i) / 40.0;
            ground.to_pixel(GroundPoint { behind_m, side_m })
        })
        .collect();
    line.sort_by(|a, b| a.u.total_cmp(&b.u));
    Obstacle {
        id: 1,
        nearest: GroundPoint { behind_m, side_m },
        sigma_m: 0.0,
        side_extent_m: (side_m - half_m, side_m + half_m),
        height_m: 1.0,
        behind_mps: 0.0,
        side_mps: 0.0,
        time_to_contact: None,
        age: ms(500),
        seen: true,
        line,
    }
}

fn alert(profile: &Profile, zone: usize, obstacle: Obstacle) -> Verdict {
    Verdict::Obstacle(Alert {
        zone,
        signal: profile.zones[zone].signal,
        obstacle,
    })
}

fn zone_of(profile: &Profile, signal: SignalWord) -> usize {
    profile
        .zones
        .iter()
        .position(|zone| zone.signal == signal)
        .expect("the profile has the word")
}

/// Steps a player every `period` up to `until` under one verdict.
fn play(
    player: &mut PatternPlayer,
    verdict: &Verdict,
    from: Duration,
    until: Duration,
    period: Duration,
) -> Vec<Edge> {
    let mut edges = Vec::new();
    let mut now = from;
    while now < until {
        player.step(verdict, now, &mut edges);
        now += period;
    }
    player.step(verdict, until, &mut edges);
    edges
}

fn times(edges: &[Edge]) -> Vec<(u128, bool)> {
    edges.iter().map(|e| (e.at.as_millis(), e.on)).collect()
}

#[test]
fn starting_up_chirps_once_and_clear_is_silent() {
    let profile = profile("hatch");
    let mut player = PatternPlayer::new(&profile, ms(0));
    let edges = play(&mut player, &Verdict::Clear, ms(0), ms(5000), ms(33));
    assert_eq!(times(&edges), [(0, true), (60, true), (120, false)]);
    // ISO 15006:2011, 4.1.2: tonal signals lie within 400 to 2000 Hz.
    assert!(edges
        .iter()
        .filter(|e| e.on)
        .all(|e| (400.0..=2000.0).contains(&e.tone_hz)));
    assert_eq!(player.next_change(), None);
}

#[test]
fn danger_is_steady_and_cuts_the_self_test() {
    let profile = profile("hatch");
    let danger = alert(
        &profile,
        zone_of(&profile, SignalWord::Danger),
        obstacle(&profile, 0.4, 0.0, 0.2),
    );
    let mut player = PatternPlayer::new(&profile, ms(0));
    let edges = play(&mut player, &danger, ms(0), ms(5000), ms(33));
    assert_eq!(times(&edges), [(0, true)]);
}

#[test]
fn a_cycle_keeps_time_whatever_the_frame_rate() {
    let profile = profile("hatch");
    let warning = alert(
        &profile,
        zone_of(&profile, SignalWord::Warning),
        obstacle(&profile, 1.0, 0.0, 0.2),
    );
    // 80 ms on, 120 ms off in this profile.
    let expected = [
        (1000, true),
        (1080, false),
        (1200, true),
        (1280, false),
        (1400, true),
        (1480, false),
    ];
    for period in [1, 33, 66, 400] {
        let mut player = PatternPlayer::new(&profile, ms(0));
        play(&mut player, &Verdict::Clear, ms(0), ms(900), ms(100));
        let edges = play(&mut player, &warning, ms(1000), ms(1599), ms(period));
        assert_eq!(times(&edges), expected, "stepped every {period} ms");
    }
}

#[test]
fn the_phase_is_kept_while_the_pattern_stays() {
    let profile = profile("hatch");
    let zone = zone_of(&profile, SignalWord::Warning);
    let mut player = PatternPlayer::new(&profile, ms(0));
    let mut edges = Vec::new();
    for step in 0..40_u32 {
        // Another obstacle, another range, the same pattern.
        let mut seen = obstacle(&profile, 1.3 - f64::from(step) * 0.01, 0.0, 0.2);
        seen.id = step;
        let verdict = alert(&profile, zone, seen);
        player.step(&verdict, ms(1000 + 33 * u64::from(step)), &mut edges);
    }
    let on: Vec<u128> = edges
        .iter()
        .filter(|e| e.on && e.at >= ms(1000))
        .map(|e| e.at.as_millis())
        .collect();
    assert!(on.windows(2).all(|w| w[1] - w[0] == 200), "{on:?}");
}

#[test]
fn cadence_rises_with_nearness() {
    let profile = profile("hatch");
    let sounding = |zone: usize| {
        let verdict = alert(&profile, zone, obstacle(&profile, 1.0, 0.0, 0.2));
        let mut player = PatternPlayer::new(&profile, ms(0));
        play(&mut player, &Verdict::Clear, ms(0), ms(900), ms(100));
        let mut edges = play(&mut player, &verdict, ms(1000), ms(11_000), ms(33));
        player.stop(ms(11_000), &mut edges);
        let total: f64 = edges
            .windows(2)
            .filter(|w| w[0].on)
            .map(|w| (w[1].at - w[0].at).as_secs_f64())
            .sum();
        total
    };
    // Zones stand nearest first.
    let shares: Vec<f64> = (0..profile.zones.len()).map(sounding).collect();
    assert!(shares.windows(2).all(|w| w[0] > w[1]), "{shares:?}");
    assert!(
        (shares[0] - 10.0).abs() < 1e-9,
        "steady in the nearest: {shares:?}"
    );
}

#[test]
fn not_judged_yet_ticks_and_turns_into_the_fault_sound() {
    let profile = profile("hatch");
    let waiting = Verdict::CannotTell {
        reason: Reason::NotYet,
    };
    let mut player = PatternPlayer::new(&profile, ms(0));
    let edges = play(&mut player, &waiting, ms(0), ms(4000), ms(20));
    let fault_hz = profile.fault_pattern.tone_hz;
    let first_fault = edges.iter().find(|e| e.on && e.tone_hz == fault_hz);
    assert_eq!(first_fault.map(|e| e.at), Some(START_LIMIT));
    let chirps = edges.iter().filter(|e| e.tone_hz == 1000.0).count();
    assert!((3..=5).contains(&chirps), "{chirps} chirps in two seconds");
}

#[test]
fn a_fault_has_a_sound_of_its_own() {
    let profile = profile("hatch");
    let mut player = PatternPlayer::new(&profile, ms(0));
    play(&mut player, &Verdict::Clear, ms(0), ms(900), ms(100));
    let covered = Verdict::CannotTell {
        reason: Reason::Covered,
    };
    let edges = play(&mut player, &covered, ms(1000), ms(3600), ms(33));
    assert_eq!(times(&edges), [(1000, true), (1700, false), (3000, true)]);
    for zone in &profile.zones {
        assert_ne!(zone.pattern, profile.fault_pattern);
    }
}

#[test]
fn stopping_silences() {
    let profile = profile("hatch");
    let mut player = PatternPlayer::new(&profile, ms(0));
    let mut edges = Vec::new();
    let danger = alert(&profile, 0, obstacle(&profile, 0.2, 0.0, 0.2));
    player.step(&danger, ms(0), &mut edges);
    player.stop(ms(10), &mut edges);
    assert_eq!(times(&edges), [(0, true), (10, false)]);
    assert_eq!(player.next_change(), None);
}

proptest! {
    /// Edges come in order, alternate in meaning, and the buzzer is silent
    /// whenever, and only when, the verdict has been clear for a while.
    #[test]
    fn edges_are_ordered_and_never_repeat(
        steps in prop::collection::vec((0usize..6, 1u64..500), 1..60),
    ) {
        let profile = profile("hatch");
        let mut player = PatternPlayer::new(&profile, ms(0));
        let mut edges: Vec<Edge> = Vec::new();
        let mut now = ms(0);
        for (kind, wait) in steps {
            let verdict = match kind {
                0 => Verdict::Clear,
                1 => Verdict::CannotTell { reason: Reason::Late },
                n => alert(&profile, n - 2, obstacle(&profile, 1.0, 0.0, 0.2)),
            };
            player.step(&verdict, now, &mut edges);
            if verdict == Verdict::Clear && now > ms(200) {
                prop_assert!(edges.last().is_none_or(|e| !e.on));
            }
            now += ms(wait);
        }
        for pair in edges.windows(2) {
            prop_assert!(pair[0].at <= pair[1].at);
            prop_assert!((pair[0].on, pair[0].tone_hz) != (pair[1].on, pair[1].tone_hz));
        }
    }
}

/// A ground with some grain under a sky, the horizon where the profile has it.
fn scene(profile: &Profile) -> RgbImage {
    let (width, height) = (profile.lens.width, profile.lens.height);
    let ground = profile.ground();
    RgbImage::from_fn(width, height, |x, y| {
        let p = PixelPoint {
            u: f64::from(x),
            v: f64::from(y),
        };
        let grain = ((x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503)) >> 7) % 23;
        match ground.to_ground(p) {
            Some(g) if g.behind_m < 60.0 => {
                let slab = (g.behind_m.floor() + g.side_m.floor()).rem_euclid(2.0) as u32 * 14;
                let v = (95 + grain + slab) as u8;
                Rgb([v, v, v.saturating_sub(6)])
            }
            _ => Rgb([170, 190, 205 + grain as u8]),
        }
    })
}

/// A picture and a painter for it, to be used again and again.
struct Easel {
    profile: Profile,
    scene: RgbImage,
    painter: Painter,
}

impl Easel {
    fn new(profile: &Profile, (width, height): (u32, u32)) -> Self {
        Easel {
            profile: profile.clone(),
            scene: scene(profile),
            painter: Painter::new(profile, width, height),
        }
    }

    fn paint(&mut self, verdict: &Verdict, now: Duration) -> RgbImage {
        let mut picture = self.scene.clone();
        self.painter.paint(&mut picture, verdict, &[], now);
        keep(&picture, &self.profile, verdict);
        picture
    }
}

fn paint(profile: &Profile, size: (u32, u32), verdict: &Verdict, now: Duration) -> RgbImage {
    Easel::new(profile, size).paint(verdict, now)
}

/// With KEEP_PICTURES=folder the pictures of these tests are kept to be looked at.
fn keep(picture: &RgbImage, profile: &Profile, verdict: &Verdict) {
    if let Ok(folder) = std::env::var("KEEP_PICTURES") {
        let what = match verdict {
            Verdict::Clear => "clear".to_string(),
            Verdict::Obstacle(alert) => alert.signal.text().to_lowercase(),
            Verdict::CannotTell { reason } => reason.word().to_string(),
        };
        let name = profile.name.replace([' ', ','], "-");
        let hand = if profile.display.mirrored {
            ""
        } else {
            "-plain"
        };
        let file = format!("{folder}/{name}-{}-{what}{hand}.png", picture.width());
        picture.save(file).expect("the folder can be written");
    }
}

#[test]
fn rungs_lie_on_the_true_ground_whether_mirrored_or_not() {
    for name in ["plate-height", "hatch", "van-roof"] {
        for mirrored in [true, false] {
            let mut profile = profile(name);
            profile.display.mirrored = mirrored;
            let (width, height) = (profile.lens.width, profile.lens.height);
            let picture = paint(&profile, (width, height), &Verdict::Clear, ms(0));
            let mut looked_at = 0;
            for rung in &profile.display.rungs {
                for side_m in [-0.6, 0.1, 0.6] {
                    let p = profile
                        .ground()
                        .to_pixel(GroundPoint {
                            behind_m: rung.0,
                            side_m,
                        })
                        .expect("the ground near the vehicle is in view");
                    let u = if mirrored {
                        f64::from(width) - 1.0 - p.u
                    } else {
                        p.u
                    };
                    let (x, y) = (u.round(), p.v.round());
                    let inside = (2.0..f64::from(width) - 2.0).contains(&x)
                        && (50.0..f64::from(height) - 2.0).contains(&y);
                    if !inside {
                        continue;
                    }
                    looked_at += 1;
                    let brightest = (-1..=1)
                        .map(|d| picture.get_pixel(x as u32, (y as i64 + d) as u32).0[0])
                        .max();
                    assert!(
                        brightest >= Some(200),
                        "{name} {rung} {side_m}: {brightest:?}"
                    );
                }
            }
            assert!(looked_at >= 6, "{name}: {looked_at} places seen");
        }
    }
}

#[test]
fn the_banner_reads_the_same_in_the_mirror() {
    let mut profile = profile("hatch");
    let verdict = alert(&profile, 1, obstacle(&profile, 1.0, 0.3, 0.25));
    let mirrored = paint(&profile, (640, 480), &verdict, ms(0));
    profile.display.mirrored = false;
    let plain = paint(&profile, (640, 480), &verdict, ms(0));
    let banner = |p: &RgbImage| p.as_raw()[..640 * 3 * 50].to_vec();
    assert_eq!(banner(&mirrored), banner(&plain));
    // The obstacle stands to the right: right of centre in the mirror, left
    // of it in the plain picture of a camera that looks back.
    let orange_at = |p: &RgbImage| {
        let columns: Vec<u32> = p
            .enumerate_pixels()
            .filter(|(_, y, c)| *y > 100 && c.0 == [0xFF, 0x82, 0])
            .map(|(x, _, _)| x)
            .collect();
        assert!(!columns.is_empty());
        columns.iter().sum::<u32>() / columns.len() as u32
    };
    assert!(orange_at(&mirrored) > 330);
    assert!(orange_at(&plain) < 310);
}

#[test]
fn a_clear_picture_moves_even_when_the_scene_does_not() {
    let profile = profile("hatch");
    let mut easel = Easel::new(&profile, (640, 480));
    let first = easel.paint(&Verdict::Clear, ms(0));
    let mut differing = 0;
    for frame in 1..60 {
        let later = easel.paint(&Verdict::Clear, ms(33 * frame));
        differing += u32::from(first != later);
    }
    assert_eq!(differing, 59);
}

#[test]
fn every_verdict_looks_different() {
    for name in ["plate-height", "hatch", "van-roof"] {
        let profile = profile(name);
        for size in [(640, 480), (800, 480), (320, 240)] {
            let mut easel = Easel::new(&profile, size);
            let mut seen = vec![easel.paint(&Verdict::Clear, ms(700))];
            for (zone, behind_m) in [(0, 0.45), (1, 1.1), (2, 2.1), (3, 3.3)] {
                let mut thing = obstacle(&profile, behind_m, 0.4, 0.25);
                thing.sigma_m = 0.05;
                seen.push(easel.paint(&alert(&profile, zone, thing), ms(0)));
            }
            for reason in Reason::ALL {
                seen.push(paint(
                    &profile,
                    size,
                    &Verdict::CannotTell { reason },
                    ms(0),
                ));
            }
            for (i, a) in seen.iter().enumerate() {
                assert_eq!(a.dimensions(), size);
                assert!(seen[..i].iter().all(|b| a != b), "{name}: picture {i}");
            }
        }
    }
}

#[test]
fn odd_obstacles_draw_without_a_panic() {
    let profile = profile("van-roof");
    let mut painter = Painter::new(&profile, 640, 480);
    let mut thing = obstacle(&profile, 1.0, 0.0, 0.2);
    thing.nearest.behind_m = f64::NAN;
    thing.side_extent_m = (f64::NEG_INFINITY, f64::NAN);
    let far = PixelPoint { u: 1e12, v: -1e12 };
    for line in [
        vec![],
        vec![far],
        vec![
            far,
            PixelPoint {
                u: f64::NAN,
                v: 3.0,
            },
            far,
        ],
    ] {
        thing.line = line;
        let mut picture = scene(&profile);
        let others = [thing.clone(), thing.clone()];
        painter.paint(
            &mut picture,
            &alert(&profile, 0, thing.clone()),
            &others,
            ms(0),
        );
        let mut tiny = RgbImage::new(1, 1);
        painter.paint(&mut tiny, &Verdict::Clear, &others, ms(0));
        assert_eq!(tiny.dimensions(), (640, 480));
    }
    for (width, height) in [(0, 0), (1, 1), (16, 9)] {
        let mut painter = Painter::new(&profile, width, height);
        let mut picture = RgbImage::new(width, height);
        painter.paint(&mut picture, &Verdict::Clear, &[], ms(0));
    }
}
