//! The figures of `check`: blind strip, distances, zones, stopping room.

use serde::Serialize;

use crate::optics::GroundPoint;
use crate::profile::{Profile, Stopping, ZoneShape};
use crate::track::believed_after_s;
use crate::units::{Metres, MetresPerSecond};
use crate::watch::looks_every_s;

use super::sight::Sight;

/// Distances that are looked at, metres behind.
const DISTANCES_M: [f64; 5] = [0.5, 1.0, 2.0, 3.0, 5.0];

/// What the camera will see and how well.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outlook {
    /// Ground nearer than this is hidden somewhere over the vehicle's width;
    /// none if part of the width never shows.
    pub blind_strip_m: Option<f64>,
    /// The same on the centre line alone.
    pub blind_strip_centre_m: Option<f64>,
    /// At 0.5, 1, 2, 3 and 5 m.
    pub distances: Vec<DistanceRow>,
    /// One per zone, gravest first.
    pub zones: Vec<ZoneRow>,
    /// The fastest that the driver reverses.
    pub speed_kmh: f64,
    /// Room that the vehicle needs to stop from it, reaction included.
    pub stopping_room_m: f64,
    /// Way travelled at that speed until something that comes suddenly into
    /// view is believed at best (`confirm_hits` of the pictures that are looked at, and no sooner
    /// than they are believed together).
    pub confirm_way_m: f64,
}

/// The ground at one distance on the centre line; no figures where it does not
/// show.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DistanceRow {
    /// Metres behind the bumper.
    pub behind_m: f64,
    /// Picture row.
    pub row_px: Option<f64>,
    /// Metres of ground that one row covers.
    pub metres_per_row: Option<f64>,
    /// Standard deviation of the range, from contact noise and mount.
    pub sd_m: Option<f64>,
    /// The part of it that the mount makes.
    pub mount_sd_m: Option<f64>,
    /// Leftmost ground in view (negative: left of the centre line).
    pub left_m: Option<f64>,
    /// Rightmost ground in view.
    pub right_m: Option<f64>,
}

/// One zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ZoneRow {
    /// Its name.
    pub name: String,
    /// Its signal word.
    pub signal: &'static str,
    /// Nearest distance behind.
    pub near_m: f64,
    /// Farthest distance behind.
    pub far_m: f64,
    /// What the mount's uncertainty does to the near edge (one standard
    /// deviation).
    pub near_mount_sd_m: Option<f64>,
    /// The same for the far edge.
    pub far_mount_sd_m: Option<f64>,
    /// Share of the zone's ground that shows in the picture, 0 to 1.
    pub seen_share: f64,
    /// Room left when the driver is warned at the far edge and stops;
    /// negative: it is hit.
    pub room_left_m: f64,
    /// The fastest that still stops within the far edge.
    pub greatest_speed_kmh: f64,
}

impl Outlook {
    pub(super) fn new(profile: &Profile, sight: &Sight) -> Outlook {
        let stopping = Stopping::of(&profile.vehicle);
        let speed = profile.vehicle.reverse_speed;
        let stopping_room = stopping.room(speed);
        let confirm_s = (f64::from(profile.track.confirm_hits)
            * looks_every_s(profile.camera.rate_hz))
        .max(believed_after_s(profile.segment.enter_probability));
        Outlook {
            blind_strip_m: sight.blind_strip_m(profile.vehicle.width.0),
            blind_strip_centre_m: sight.first_seen_m(0.0),
            distances: DISTANCES_M
                .iter()
                .map(|d| distance_row(profile, sight, *d))
                .collect(),
            zones: profile
                .zones
                .iter()
                .map(|zone| {
                    let (near_m, far_m) = reach(&zone.shape);
                    let mount_sd = |d: f64| Some(sight.deviation_m(d, 0.0)?.mount_m);
                    ZoneRow {
                        name: zone.name.clone(),
                        signal: zone.signal.text(),
                        near_m,
                        far_m,
                        near_mount_sd_m: mount_sd(near_m),
                        far_mount_sd_m: mount_sd(far_m),
                        seen_share: seen_share(&zone.shape, sight),
                        room_left_m: far_m - stopping_room.0,
                        greatest_speed_kmh: kmh(stopping.speed_for(Metres(far_m))),
                    }
                })
                .collect(),
            speed_kmh: kmh(speed),
            stopping_room_m: stopping_room.0,
            confirm_way_m: speed.0 * confirm_s,
        }
    }
}

pub(super) fn kmh(speed: MetresPerSecond) -> f64 {
    speed.0 * 3.6
}

fn distance_row(profile: &Profile, sight: &Sight, behind_m: f64) -> DistanceRow {
    let p = sight.pixel(behind_m, 0.0, 0.0);
    let per_row = p.and_then(|p| Some(sight.ground.jacobian(p)?[(0, 1)].abs()));
    let sd = p.and_then(|_| sight.deviation_m(behind_m, profile.segment.contact_sd_px));
    let width = sight.width_seen_m(behind_m);
    DistanceRow {
        behind_m,
        row_px: p.map(|p| p.v),
        metres_per_row: per_row,
        sd_m: sd.map(|s| s.all_m),
        mount_sd_m: sd.map(|s| s.mount_m),
        left_m: width.map(|w| w.0),
        right_m: width.map(|w| w.1),
    }
}

/// Nearest and farthest distance behind.
fn reach(shape: &ZoneShape) -> (f64, f64) {
    match shape {
        ZoneShape::Strip { near, far, .. } => (near.0, far.0),
        ZoneShape::Polygon(corners) => {
            corners.iter().fold((f64::MAX, f64::MIN), |(near, far), c| {
                (near.min(c.behind_m), far.max(c.behind_m))
            })
        }
    }
}

/// The far edge of the farthest strip, metres behind.
pub(super) fn farthest_strip_m(profile: &Profile) -> Option<f64> {
    profile
        .zones
        .iter()
        .filter_map(|zone| match zone.shape {
            ZoneShape::Strip { far, .. } => Some(far.0),
            ZoneShape::Polygon(_) => None,
        })
        .max_by(f64::total_cmp)
}

/// Outline of a zone as corners, in order.
pub(super) fn outline(shape: &ZoneShape) -> Vec<GroundPoint> {
    match shape {
        ZoneShape::Strip {
            near,
            far,
            half_width,
        } => [
            (near.0, -half_width.0),
            (far.0, -half_width.0),
            (far.0, half_width.0),
            (near.0, half_width.0),
        ]
        .map(|(behind_m, side_m)| GroundPoint { behind_m, side_m })
        .to_vec(),
        ZoneShape::Polygon(corners) => corners.clone(),
    }
}

/// Even-odd rule on the ground.
fn inside(corners: &[GroundPoint], behind_m: f64, side_m: f64) -> bool {
    let mut inside = false;
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        if (a.side_m > side_m) != (b.side_m > side_m) {
            let t = (side_m - a.side_m) / (b.side_m - a.side_m);
            if behind_m < a.behind_m + t * (b.behind_m - a.behind_m) {
                inside = !inside;
            }
        }
    }
    inside
}

fn seen_share(shape: &ZoneShape, sight: &Sight) -> f64 {
    const CELLS: i32 = 60;
    let corners = outline(shape);
    let (near, far) = reach(shape);
    let (left, right) = corners.iter().fold((f64::MAX, f64::MIN), |(l, r), c| {
        (l.min(c.side_m), r.max(c.side_m))
    });
    let (mut all, mut seen) = (0u32, 0u32);
    for i in 0..CELLS {
        for j in 0..CELLS {
            let part = |k: i32| (f64::from(k) + 0.5) / f64::from(CELLS);
            let (b, s) = (
                near + (far - near) * part(i),
                left + (right - left) * part(j),
            );
            if inside(&corners, b, s) {
                all += 1;
                seen += u32::from(sight.sees_ground(b, s));
            }
        }
    }
    if all == 0 {
        0.0
    } else {
        f64::from(seen) / f64::from(all)
    }
}
