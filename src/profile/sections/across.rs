//! Checks that need more than one section.

use crate::optics::GroundPoint;
use crate::profile::reader::Table;
use crate::profile::{Pattern, Profile, SignalWord, Zone, ZoneShape};

pub(super) fn check(t: &Table, profile: &Profile) {
    names(t, &profile.zones);
    regions(t, profile);
    order(t, &profile.zones);
    sounds(t, profile);
    sight(t, profile);
    times(t, profile);
}

fn zone_key(index: usize, key: &str) -> [String; 2] {
    [format!("zone[{}]", index + 1), key.to_owned()]
}

fn names(t: &Table, zones: &[Zone]) {
    if zones.is_empty() {
        t.fault(
            "zone",
            " is missing; add at least one [[zone]], or let `hindward zones` work them out",
        );
    }
    for (i, zone) in zones.iter().enumerate() {
        let same = |other: &Zone| other.name.to_lowercase() == zone.name.to_lowercase();
        if zones.iter().take(i).any(same) {
            t.fault_within(
                &zone_key(i, "name"),
                format!(
                    " = {:?} is taken by a zone above; give it another",
                    zone.name
                ),
            );
        }
    }
}

fn regions(t: &Table, profile: &Profile) {
    let watch = profile.watch;
    for (i, zone) in profile.zones.iter().enumerate() {
        let beyond = |key: &str, what: &str, value: f64, limit: f64| {
            if value > limit + 1e-9 {
                t.fault_within(
                    &zone_key(i, key),
                    format!(" = {value} is beyond watch.{what} = {limit}; shrink the zone or widen the watch area"),
                );
            }
        };
        match &zone.shape {
            ZoneShape::Strip {
                far, half_width, ..
            } => {
                beyond("far_m", "far_m", far.0, watch.far.0);
                beyond(
                    "half_width_m",
                    "half_width_m",
                    half_width.0,
                    watch.half_width.0,
                );
            }
            ZoneShape::Polygon(corners) => {
                let most =
                    |f: fn(&GroundPoint) -> f64| corners.iter().map(f).fold(f64::MIN, f64::max);
                beyond("corners_m", "far_m", most(|c| c.behind_m), watch.far.0);
                beyond(
                    "corners_m",
                    "half_width_m",
                    most(|c| c.side_m.abs()),
                    watch.half_width.0,
                );
            }
        }
    }
}

/// Strips, nearest first, with their place in the file.
fn strips(zones: &[Zone]) -> Vec<(usize, f64, f64, &Zone)> {
    let mut list: Vec<_> = zones
        .iter()
        .enumerate()
        .filter_map(|(i, zone)| match zone.shape {
            ZoneShape::Strip { near, far, .. } => Some((i, near.0, far.0, zone)),
            ZoneShape::Polygon(_) => None,
        })
        .collect();
    list.sort_by(|a, b| a.1.total_cmp(&b.1));
    list
}

/// A gap between strips would fall silent on something that comes nearer, and
/// a milder word nearer to the bumper would play it down.
fn order(t: &Table, zones: &[Zone]) {
    let strips = strips(zones);
    let mut reached = 0.0;
    for (i, near, far, zone) in &strips {
        if *near > reached + 1e-9 {
            t.fault_within(
                &zone_key(*i, "near_m"),
                format!(
                    " = {near} is leaving a gap from {reached}, where nothing would be announced; lower it to {reached}"
                ),
            );
        }
        reached = far.max(reached);
        for (_, other_near, _, other) in &strips {
            if near < other_near && zone.signal < other.signal {
                t.fault_within(
                    &zone_key(*i, "signal"),
                    format!(
                        " = {} is milder than {} of the zone {:?} behind it; a nearer zone must not be milder",
                        zone.signal.text(),
                        other.signal.text(),
                        other.name
                    ),
                );
            }
        }
    }
}

fn cycle_ms(p: &Pattern) -> u128 {
    (p.on + p.off).as_millis()
}

/// Graver must not sound slower, and the fault must sound like no zone.
fn sounds(t: &Table, profile: &Profile) {
    let zones = &profile.zones;
    for (i, zone) in zones.iter().enumerate() {
        if zone.signal == SignalWord::Danger && !zone.pattern.off.is_zero() {
            t.fault_within(
                &zone_key(i, "off_ms"),
                format!(
                    " = {} is a pause in DANGER, which sounds steadily; leave it out",
                    zone.pattern.off.as_millis()
                ),
            );
        }
        if zone.signal != SignalWord::Danger && zone.pattern.off.is_zero() {
            t.fault_within(
                &zone_key(i, "off_ms"),
                " = 0 is a steady tone, which is kept for DANGER; give it a pause",
            );
        }
        for graver in zones {
            let slower = cycle_ms(&graver.pattern) >= cycle_ms(&zone.pattern);
            if graver.signal > zone.signal && !graver.pattern.off.is_zero() && slower {
                t.fault_within(
                    &zone_key(i, "on_ms"),
                    format!(
                        " and off_ms make a cycle of {} ms, which is not slower than {} ms of the graver zone {:?}; lengthen off_ms",
                        cycle_ms(&zone.pattern),
                        cycle_ms(&graver.pattern),
                        graver.name
                    ),
                );
            }
        }
        let (a, b) = (zone.pattern, profile.fault_pattern);
        let near = |a: std::time::Duration, b: std::time::Duration| {
            let (a, b) = (a.as_secs_f64(), b.as_secs_f64());
            (a - b).abs() <= 0.3 * a.max(b)
        };
        if near(a.on, b.on) && near(a.off, b.off) {
            t.fault_within(
                &["fault".to_owned(), "on_ms".to_owned()],
                format!(
                    " = {} and off_ms = {} sounds like the zone {:?}; make them differ by more than a third",
                    b.on.as_millis(),
                    b.off.as_millis(),
                    zone.name
                ),
            );
        }
    }
}

/// The camera must see some of the ground that it is to watch.
fn sight(t: &Table, profile: &Profile) {
    let ground = profile.ground();
    let (far, half) = (profile.watch.far.0, profile.watch.half_width.0);
    let seen = (0..=20).any(|i| {
        (0..=20).any(|j| {
            let point = GroundPoint {
                behind_m: far * f64::from(i) / 20.0,
                side_m: half * (f64::from(j) / 10.0 - 1.0),
            };
            ground
                .to_pixel(point)
                .is_some_and(|p| ground.lens().holds(p))
        })
    });
    if !seen {
        t.fault_within(
            &["mount".to_owned(), "pitch_deg".to_owned()],
            format!(
                " = {:.1} is such that the camera sees nothing of the watch area; check the angles and the lens",
                profile.mount.pitch.degrees()
            ),
        );
    }
}

fn times(t: &Table, profile: &Profile) {
    let two_frames_ms = 2000.0 / profile.camera.rate_hz;
    let stale_ms = profile.health.stale.as_secs_f64() * 1000.0;
    if stale_ms < two_frames_ms {
        t.fault_within(
            &["health".to_owned(), "stale_ms".to_owned()],
            format!(
                " = {stale_ms} is under two frames at camera.rate_hz = {}; raise it to at least {two_frames_ms:.0}",
                profile.camera.rate_hz
            ),
        );
    }
}
