//! What would make the fitting better, in numbers.

use crate::profile::{Profile, Stopping};
use crate::units::Metres;

use super::outlook::{kmh, Outlook};
use super::sight::Sight;

/// UN R158's field begins here (from a summary of its paragraph 15.2).
const NEAR_WANTED_M: f64 = 0.3;
/// A range known worse than this share of itself is worth mending.
const SD_SHARE: f64 = 0.1;
/// A zone should show nearly whole.
const SEEN_WANTED: f64 = 0.95;

pub(super) fn suggestions(profile: &Profile, sight: &Sight, outlook: &Outlook) -> Vec<String> {
    let mut list = Vec::new();
    list.extend(tilt(profile, sight, outlook));
    list.extend(certainty(profile, sight));
    list.extend(room(profile, outlook));
    list.extend(width(profile));
    list
}

/// Other pitches are tried in half degrees; the smallest change that shows all
/// that is wanted wins.
fn tilt(profile: &Profile, sight: &Sight, outlook: &Outlook) -> Option<String> {
    let width = profile.vehicle.width.0;
    let far = outlook.zones.iter().map(|z| z.far_m).fold(0.0, f64::max);
    let near_seen = |s: &Sight| s.blind_strip_m(width).is_some_and(|b| b <= NEAR_WANTED_M);
    let far_seen = |s: &Sight| s.sees_ground(far, 0.0);
    let (near_ok, far_ok) = (near_seen(sight), far_seen(sight));
    let now = profile.mount.pitch.degrees();
    let strip = |s: &Sight| match s.blind_strip_m(width) {
        Some(b) => format!("{b:.2} m"),
        None => "more than the picture".to_owned(),
    };
    if near_ok && far_ok {
        return None;
    }
    let lack = match (near_ok, far_ok) {
        (false, true) => format!("the blind strip is {}", strip(sight)),
        (true, false) => format!("the far edge of the zones ({far:.2} m) is out of the picture"),
        _ => format!(
            "the blind strip is {} and the far edge of the zones ({far:.2} m) is out of the picture",
            strip(sight)
        ),
    };
    let steps = (1..=120).flat_map(|i| [0.5 * f64::from(i), -0.5 * f64::from(i)]);
    let tried = steps
        .map(|change| (change, now + change))
        .filter(|(_, pitch)| (-30.0..=89.0).contains(pitch));
    let mut best: Option<(f64, f64, f64)> = None;
    for (change, pitch) in tried {
        let other = sight.with_pitch(pitch);
        if !far_seen(&other) {
            continue;
        }
        if near_seen(&other) {
            let way = if change > 0.0 { "down" } else { "up" };
            return Some(format!(
                "{lack}: tilt the camera {:.1} degrees {way} (pitch_deg {now:.1} to {pitch:.1}); \
                 the blind strip is then {} and {far:.2} m stays in view",
                change.abs(),
                strip(&other)
            ));
        }
        if let Some(b) = other.blind_strip_m(width) {
            if best.is_none_or(|(least, ..)| b < least - 1e-9) {
                best = Some((b, change, pitch));
            }
        }
    }
    let now_strip = sight.blind_strip_m(width).unwrap_or(f64::MAX);
    Some(match best {
        Some((b, change, pitch)) if !far_ok || b < now_strip - 0.02 => format!(
            "{lack}: no tilt shows the ground from {NEAR_WANTED_M} m to {far:.2} m over the \
             vehicle's width; best is {:.1} degrees {} (pitch_deg {now:.1} to {pitch:.1}), blind \
             strip {b:.2} m; a wider lens, or a place nearer the bumper, would do better",
            change.abs(),
            if change > 0.0 { "down" } else { "up" }
        ),
        _ => format!(
            "{lack}, and no tilt does better with this lens at this place; a wider lens, or a \
             place nearer the bumper, would"
        ),
    })
}

/// How well the farthest edge is known, and which part of the mount to measure
/// better.
fn certainty(profile: &Profile, sight: &Sight) -> Option<String> {
    let far = super::outlook::farthest_strip_m(profile)?;
    let sd_px = profile.segment.contact_sd_px;
    let now = sight.deviation_m(far, sd_px)?;
    let wanted = SD_SHARE * far;
    if now.all_m <= wanted {
        return None;
    }
    // The pitch alone, its ties to the other values left out.
    let pitch_sd = profile.mount.covariance[(1, 1)].max(0.0).sqrt();
    let h = 1e-4;
    let at = |d: f64| {
        let ground = sight.with_pitch(profile.mount.pitch.degrees() + d).ground;
        let p = sight.ground.to_pixel(crate::optics::GroundPoint {
            behind_m: far,
            side_m: 0.0,
        })?;
        Some(ground.to_ground(p)?.behind_m)
    };
    let per_degree = (at(h)? - at(-h)?).abs() / (2.0 * h);
    let from_pitch = per_degree * pitch_sd.to_degrees();
    let rest = (now.all_m.powi(2) - from_pitch.powi(2)).max(0.0).sqrt();
    let head = format!(
        "at {far:.2} m the range has a standard deviation of {:.2} m, over a tenth of itself",
        now.all_m
    );
    Some(if rest < wanted && per_degree > 0.0 {
        let enough = (wanted * wanted - rest * rest).sqrt() / per_degree;
        format!(
            "{head}: one degree of pitch costs {per_degree:.2} m there; know the pitch to \
             {enough:.2} degrees instead of {:.2} (`hindward mount`, and load the vehicle as you drive it)",
            pitch_sd.to_degrees()
        )
    } else {
        format!(
            "{head}, {:.2} m of it from the picture's rows: end the zones nearer, mount the camera \
             higher or use a larger picture",
            now.pixel_m
        )
    })
}

/// Whether the outermost warning comes early enough.
fn room(profile: &Profile, outlook: &Outlook) -> Option<String> {
    let outermost = outlook
        .zones
        .iter()
        .max_by(|a, b| a.far_m.total_cmp(&b.far_m))?;
    if outermost.room_left_m >= 0.0 {
        return None;
    }
    let stopping = Stopping::of(&profile.vehicle);
    Some(format!(
        "from {:.1} km/h the vehicle needs {:.2} m to stop, and the first warning comes at {:.2} m: \
         raise the far edge of {:?} to {:.2} m, or reverse no faster than {:.1} km/h",
        outlook.speed_kmh,
        outlook.stopping_room_m,
        outermost.far_m,
        outermost.name,
        // Rounded up, so that it is enough.
        (outlook.stopping_room_m * 20.0).ceil() / 20.0,
        (kmh(stopping.speed_for(Metres(outermost.far_m))) * 10.0).floor() / 10.0,
    ))
}

/// Strips should be as wide as the vehicle.
fn width(profile: &Profile) -> Vec<String> {
    let half = 0.5 * profile.vehicle.width.0;
    profile
        .zones
        .iter()
        .filter_map(|zone| match zone.shape {
            crate::profile::ZoneShape::Strip { half_width, .. } if half_width.0 < half => {
                Some(format!(
                    "the zone {:?} is narrower than the vehicle: raise half_width_m from {:.2} to at least {half:.2}",
                    zone.name, half_width.0
                ))
            }
            _ => None,
        })
        .collect()
}

/// Zones of which too little shows.
pub(super) fn hidden(outlook: &Outlook) -> Vec<String> {
    outlook
        .zones
        .iter()
        .filter(|z| z.seen_share < SEEN_WANTED)
        .map(|z| {
            format!(
                "{:.0} % of the zone {:?} is out of the picture: nothing there is announced",
                100.0 * (1.0 - z.seen_share),
                z.name
            )
        })
        .collect()
}
