//! `[[zone]]` and `[fault]`: what is announced where, and how it sounds.

use std::cmp::Ordering;
use std::time::Duration;

use crate::optics::GroundPoint;
use crate::profile::reader::Table;
use crate::profile::{Pattern, SignalWord, Zone, ZoneShape};
use crate::units::Metres;

/// Pitch of tonal signals: ISO 15006:2011, 4.1.2 (400 Hz to 2000 Hz, for
/// age-related hearing loss).
const TONE_HZ: std::ops::RangeInclusive<f64> = 400.0..=2000.0;

/// The sound of a signal word where a zone does not say its own: cadence rises
/// with nearness, steady in DANGER (common practice, no published source).
fn default_pattern(signal: SignalWord) -> Pattern {
    let (on_ms, off_ms, tone_hz) = match signal {
        SignalWord::Notice => (60, 940, 700.0),
        SignalWord::Caution => (80, 420, 800.0),
        SignalWord::Warning => (80, 120, 1000.0),
        SignalWord::Danger => (1000, 0, 1200.0),
    };
    Pattern {
        on: Duration::from_millis(on_ms),
        off: Duration::from_millis(off_ms),
        tone_hz,
    }
}

/// Long and low, with a long pause: no zone's default sounds like it, even on
/// a buzzer that knows one pitch only.
const FAULT: Pattern = Pattern {
    on: Duration::from_millis(700),
    off: Duration::from_millis(1300),
    tone_hz: 450.0,
};

pub(super) fn read(t: &mut Table) -> Option<Zone> {
    let name = t.text("name", "give each zone a name of its own");
    let signal = t.word(
        "signal",
        &[
            ("NOTICE", SignalWord::Notice),
            ("CAUTION", SignalWord::Caution),
            ("WARNING", SignalWord::Warning),
            ("DANGER", SignalWord::Danger),
        ],
    );
    let shape = read_shape(t);
    let leave_margin = t.number_or("leave_margin_m", 0.15, 0.0..=2.0);
    let hold = t.millis_or("hold_ms", 400, 0..=5000);
    let pattern = read_pattern(t, signal.map_or(FAULT, default_pattern));
    Some(Zone {
        name: name?,
        signal: signal?,
        shape: shape?,
        leave_margin: Metres(leave_margin?),
        hold: hold?,
        pattern: pattern?,
    })
}

pub(super) fn read_fault(t: &mut Table) -> Option<Pattern> {
    let pattern = read_pattern(t, FAULT)?;
    if pattern.off.is_zero() {
        t.fault(
            "off_ms",
            " = 0 is a steady tone, which means DANGER; give the fault a pause",
        );
    }
    Some(pattern)
}

fn read_pattern(t: &mut Table, default: Pattern) -> Option<Pattern> {
    let millis = |d: Duration| u32::try_from(d.as_millis()).unwrap_or(u32::MAX);
    let on = t.millis_or("on_ms", millis(default.on), 20..=5000);
    let off = t.millis_or("off_ms", millis(default.off), 0..=5000);
    let tone = t.number_or("tone_hz", default.tone_hz, TONE_HZ);
    Some(Pattern {
        on: on?,
        off: off?,
        tone_hz: tone?,
    })
}

fn read_shape(t: &mut Table) -> Option<ZoneShape> {
    let advice =
        "give at least three corners as [behind, side] in metres, in order around the zone";
    let corners = t.rows_if_present("corners_m", 3..=32, 2, -30.0..=30.0, advice);
    if t.has("corners_m") {
        for key in ["near_m", "far_m", "half_width_m"] {
            if t.has(key) {
                t.fault(
                    key,
                    " is given beside corners_m; a zone is a strip or a polygon, take one out",
                );
            }
        }
        let corners: Vec<GroundPoint> = corners??
            .iter()
            .filter_map(|c| {
                Some(GroundPoint {
                    behind_m: *c.first()?,
                    side_m: *c.get(1)?,
                })
            })
            .collect();
        if let Err(why) = simple_polygon(&corners) {
            t.fault("corners_m", format!(" is {why}; {advice}"));
            return None;
        }
        return Some(ZoneShape::Polygon(corners));
    }
    let near = t.number(
        "near_m",
        0.0..=30.0,
        "give the near edge in metres behind the bumper",
    );
    let far = t.number(
        "far_m",
        0.05..=30.0,
        "give the far edge in metres behind the bumper",
    );
    let half_width = t.number(
        "half_width_m",
        0.25..=15.0,
        "give half the width of the zone in metres",
    );
    let (near, far) = (near?, far?);
    if near >= far {
        t.fault(
            "near_m",
            format!(" = {near} is not below far_m = {far}; swap them or raise far_m"),
        );
        return None;
    }
    Some(ZoneShape::Strip {
        near: Metres(near),
        far: Metres(far),
        half_width: Metres(half_width?),
    })
}

/// Whether the corners enclose an area and no two edges meet but neighbours.
fn simple_polygon(corners: &[GroundPoint]) -> Result<(), &'static str> {
    let n = corners.len();
    let edge = |i: usize| (corners[i % n], corners[(i + 1) % n]);
    let doubled_area: f64 = (0..n)
        .map(|i| {
            let (a, b) = edge(i);
            a.behind_m * b.side_m - b.behind_m * a.side_m
        })
        .sum();
    for i in 0..n {
        for j in i + 1..n {
            let (a, b) = edge(i);
            let (c, d) = edge(j);
            let neighbours = j == i + 1 || (i == 0 && j == n - 1);
            if a == b || c == d {
                return Err("a polygon with a corner given twice");
            }
            if neighbours {
                // Neighbours share a corner; they must not run back on each other.
                let (tip, left, right) = if j == i + 1 { (b, a, d) } else { (a, b, c) };
                let forward = (left.behind_m - tip.behind_m) * (right.behind_m - tip.behind_m)
                    + (left.side_m - tip.side_m) * (right.side_m - tip.side_m);
                if turn(left, tip, right) == 0.0 && forward > 0.0 {
                    return Err("a polygon that runs back on itself");
                }
            } else if segments_meet(a, b, c, d) {
                return Err("a polygon that crosses itself");
            }
        }
    }
    if doubled_area.abs() < 0.02 {
        return Err("a polygon of no area");
    }
    Ok(())
}

fn turn(a: GroundPoint, b: GroundPoint, c: GroundPoint) -> f64 {
    (b.behind_m - a.behind_m) * (c.side_m - a.side_m)
        - (b.side_m - a.side_m) * (c.behind_m - a.behind_m)
}

fn segments_meet(a: GroundPoint, b: GroundPoint, c: GroundPoint, d: GroundPoint) -> bool {
    let within = |p: GroundPoint, q: GroundPoint, x: GroundPoint| {
        x.behind_m >= p.behind_m.min(q.behind_m)
            && x.behind_m <= p.behind_m.max(q.behind_m)
            && x.side_m >= p.side_m.min(q.side_m)
            && x.side_m <= p.side_m.max(q.side_m)
    };
    let (d1, d2, d3, d4) = (turn(a, b, c), turn(a, b, d), turn(c, d, a), turn(c, d, b));
    (d1 * d2 < 0.0 && d3 * d4 < 0.0)
        || (d1 == 0.0 && within(a, b, c))
        || (d2 == 0.0 && within(a, b, d))
        || (d3 == 0.0 && within(c, d, a))
        || (d4 == 0.0 && within(c, d, b))
}

/// Where a zone starts behind the bumper.
pub(super) fn nearest_m(zone: &Zone) -> f64 {
    match &zone.shape {
        ZoneShape::Strip { near, .. } => near.0,
        ZoneShape::Polygon(corners) => corners.iter().map(|c| c.behind_m).fold(f64::MAX, f64::min),
    }
}

/// Sorts zones gravest first, and of one signal word the nearest first.
pub(super) fn gravest_first(zones: &mut [Zone]) {
    zones.sort_by(|a, b| {
        let nearer = || {
            nearest_m(a)
                .partial_cmp(&nearest_m(b))
                .unwrap_or(Ordering::Equal)
        };
        b.signal.cmp(&a.signal).then_with(nearer)
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn polygon(corners: &[(f64, f64)]) -> Result<(), &'static str> {
        let corners: Vec<GroundPoint> = corners
            .iter()
            .map(|&(behind_m, side_m)| GroundPoint { behind_m, side_m })
            .collect();
        simple_polygon(&corners)
    }

    #[test]
    fn simple_polygons_are_told_from_crossed_ones() {
        assert_eq!(polygon(&[(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]), Ok(()));
        // An L turns inward once and is still simple.
        let l = [(0., 0.), (2., 0.), (2., 1.), (1., 1.), (1., 2.), (0., 2.)];
        assert_eq!(polygon(&l), Ok(()));
        let bow = [(0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0)];
        assert!(polygon(&bow).is_err());
        assert!(polygon(&[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]).is_err());
        assert!(polygon(&[(0.0, 0.0), (0.0, 0.0), (2.0, 1.0)]).is_err());
        let spike = [(0.0, 0.0), (2.0, 0.0), (1.0, 0.0), (1.0, 1.0)];
        assert!(polygon(&spike).is_err());
        // A corner that touches a far edge.
        let touch = [(0., 0.), (2., 0.), (2., 2.), (1., 0.), (0., 2.)];
        assert!(polygon(&touch).is_err());
    }

    #[test]
    fn default_cadence_rises_and_the_fault_sounds_like_none() {
        use SignalWord::*;
        let cycles: Vec<Duration> = [Notice, Caution, Warning]
            .map(|s| default_pattern(s).on + default_pattern(s).off)
            .to_vec();
        assert!(cycles.windows(2).all(|w| w[0] > w[1]), "{cycles:?}");
        assert!(default_pattern(Danger).off.is_zero());
        for signal in [Notice, Caution, Warning, Danger] {
            let p = default_pattern(signal);
            // ISO 15006:2011, 4.1.2.
            assert!((400.0..=2000.0).contains(&p.tone_hz));
            assert!(p.off.is_zero() || FAULT.on > 3 * p.on);
        }
        assert!((400.0..=2000.0).contains(&FAULT.tone_hz));
        assert!(!FAULT.off.is_zero());
    }
}
