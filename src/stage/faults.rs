//! What happens to the camera, and when: the events of a scene at one moment.

use super::noise::{hash, unit};
use super::scene::{Cover, Event, EventKind};
use crate::zone::Reason;

/// The camera's state at one moment.
#[derive(Debug, Clone)]
pub struct Now {
    /// Factor on the exposure.
    pub exposure: f32,
    /// Factors on red, green, blue.
    pub balance: [f32; 3],
    /// Factor on the sun.
    pub sun: f32,
    /// What covers the lens, and how far it has come.
    pub cover: Option<(Cover, f32)>,
    /// The last picture again.
    pub frozen: bool,
    /// No light at all.
    pub black: bool,
    /// Far too much light.
    pub washed_out: bool,
    /// Turn of the camera on its mount: pitch, yaw, roll, radians.
    pub shake: [f64; 3],
    /// The frame does not arrive.
    pub dropped: bool,
    /// The frame arrives cut short.
    pub truncated: bool,
    /// Share of the lens under mud.
    pub mud: f32,
    /// Share of the lens smeared.
    pub smear: f32,
}

/// The state at a time.
pub fn now(events: &[Event], time_s: f64, frame: u32, seed: u32) -> Now {
    let mut now = Now {
        exposure: 1.0,
        balance: [1.0; 3],
        sun: 1.0,
        cover: None,
        frozen: false,
        black: false,
        washed_out: false,
        shake: [0.0; 3],
        dropped: false,
        truncated: false,
        mud: 0.0,
        smear: 0.0,
    };
    for event in events {
        let end = event.end_s.unwrap_or(f64::INFINITY);
        if time_s < event.start_s || time_s >= end {
            continue;
        }
        // How far it has come about.
        let k = if event.over_s > 0.0 {
            ((time_s - event.start_s) / event.over_s).clamp(0.0, 1.0) as f32
        } else {
            1.0
        };
        let random = |what: i32| f64::from(unit(hash(frame as i32, what, seed ^ 0xFA17)));
        match event.kind {
            EventKind::Exposure => now.exposure *= event.factor.max(1e-3).powf(k),
            EventKind::SunFactor => now.sun *= event.factor.max(0.0).powf(k),
            EventKind::WhiteBalance => {
                for (b, g) in now.balance.iter_mut().zip(event.gains) {
                    *b *= g.max(1e-3).powf(k);
                }
            }
            EventKind::Covered => now.cover = Some((event.by, k)),
            EventKind::Frozen => now.frozen = true,
            EventKind::Black => now.black = true,
            // States that the scene's own light is not enough.
            EventKind::Dark => {}
            EventKind::WashedOut => now.washed_out = true,
            EventKind::Shaken => {
                let a = event.amplitude_deg.to_radians();
                for (i, s) in now.shake.iter_mut().enumerate() {
                    *s += a * (2.0 * random(i as i32) - 1.0);
                }
            }
            EventKind::Dropped => now.dropped |= random(9) < f64::from(event.share),
            EventKind::Truncated => now.truncated |= random(10) < f64::from(event.share),
            EventKind::Dirty => now.mud = now.mud.max(event.share * k),
            EventKind::Smeared => now.smear = now.smear.max(event.share * k),
        }
    }
    now
}

/// The reason that a program should give, for events that hide the truth.
pub fn reason(kind: EventKind) -> Option<Reason> {
    match kind {
        EventKind::Exposure | EventKind::WhiteBalance | EventKind::SunFactor => None,
        EventKind::Covered => Some(Reason::Covered),
        EventKind::Frozen => Some(Reason::Frozen),
        EventKind::Black | EventKind::Dark => Some(Reason::Dark),
        EventKind::WashedOut => Some(Reason::WashedOut),
        EventKind::Shaken => Some(Reason::Shaken),
        EventKind::Dropped => Some(Reason::Late),
        EventKind::Truncated => Some(Reason::Broken),
        EventKind::Dirty => Some(Reason::Dirty),
        EventKind::Smeared => Some(Reason::Smeared),
    }
}
