//! What is worth looking at in a run: changes of verdict, alarms, misses.

use serde::Serialize;

use crate::bench::run_data::{RunData, Shot};
use crate::bench::score::measure;

/// Frames of the same kind no farther apart than this are one event.
const BREAK_S: f64 = 0.5;

/// A stretch of a run that deserves a look.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    /// `change`, `alarm` or `miss`.
    pub kind: &'static str,
    /// Number of its first frame.
    pub frame: u64,
    /// Time of its first frame, seconds.
    pub from_s: f64,
    /// Time of its last frame, seconds.
    pub to_s: f64,
    /// Frames concerned.
    pub frames: u64,
    /// What happened, in words.
    pub text: String,
}

/// All events in order of time.
pub fn find(data: &RunData) -> Vec<Event> {
    let mut events = changes(data);
    if data.truth.is_some() {
        events.extend(alarms(data));
        events.extend(misses(data));
    }
    events.sort_by(|a, b| a.from_s.total_cmp(&b.from_s).then(a.kind.cmp(b.kind)));
    events
}

/// The verdict with the gravest word of the zones that obstacles stand in.
pub fn spoken(data: &RunData, shot: &Shot) -> String {
    if shot.verdict != "Obstacle" {
        return shot.verdict.clone();
    }
    let signal = (shot.detections.iter())
        .filter_map(|d| data.profile.zones.iter().find(|z| z.name == d.zone))
        .map(|zone| zone.signal)
        .max();
    // Held after the obstacle has left its zone.
    signal.map_or_else(|| "Obstacle".into(), |s| s.text().to_string())
}

fn changes(data: &RunData) -> Vec<Event> {
    let mut events: Vec<Event> = Vec::new();
    let mut last: Option<String> = None;
    for shot in &data.shots {
        let said = spoken(data, shot);
        if last.as_ref() != Some(&said) {
            let nearest = (shot.detections.iter())
                .map(|d| d.behind_m)
                .min_by(f64::total_cmp);
            let text = match nearest {
                Some(m) if shot.verdict == "Obstacle" => format!("{said}, nearest {m:.2} m"),
                _ => said.clone(),
            };
            events.push(event("change", shot, text));
            last = Some(said);
        } else if let Some(event) = events.last_mut() {
            event.to_s = shot.time_s;
            event.frames += 1;
        }
    }
    events
}

fn alarms(data: &RunData) -> Vec<Event> {
    let mut events: Vec<Event> = Vec::new();
    for shot in &data.shots {
        if measure::judge(&shot.scored, data.half_width_m()).alarm {
            let text = (shot.detections.iter())
                .filter(|d| !d.zone.is_empty())
                .min_by(|a, b| a.behind_m.total_cmp(&b.behind_m))
                .map_or_else(
                    || "announced while the path was clear".into(),
                    |d| {
                        format!(
                            "announced at {:.2} m behind, {:+.2} m side, where nothing stands",
                            d.behind_m, d.side_m
                        )
                    },
                );
            extend(&mut events, event("alarm", shot, text));
        }
    }
    events
}

fn misses(data: &RunData) -> Vec<Event> {
    let mut open: std::collections::BTreeMap<u32, Vec<Event>> = Default::default();
    for shot in &data.shots {
        if shot.verdict.starts_with("CannotTell") {
            // It said so: that is no silent miss.
            continue;
        }
        for (thing, best) in measure::judge(&shot.scored, data.half_width_m()).due {
            if best.is_none() {
                let text = format!(
                    "{} {} at {:.2} m behind, {:+.2} m side, not reported",
                    thing.class, thing.id, thing.behind_m, thing.side_m
                );
                extend(open.entry(thing.id).or_default(), event("miss", shot, text));
            }
        }
    }
    open.into_values().flatten().collect()
}

fn event(kind: &'static str, shot: &Shot, text: String) -> Event {
    Event {
        kind,
        frame: shot.number,
        from_s: shot.time_s,
        to_s: shot.time_s,
        frames: 1,
        text,
    }
}

/// Adds to the last event if it goes on, else begins a new one.
fn extend(events: &mut Vec<Event>, next: Event) {
    match events.last_mut() {
        Some(last) if next.from_s - last.to_s <= BREAK_S => {
            last.to_s = next.to_s;
            last.frames += 1;
        }
        _ => events.push(next),
    }
}

/// The frames whose pictures go into the page: alarms and misses first, then
/// changes of verdict, up to `most`.
pub fn frames_to_show(events: &[Event], most: usize) -> Vec<u64> {
    let of = |change: bool| {
        (events.iter())
            .filter(move |e| (e.kind == "change") == change)
            .map(|e| e.frame)
    };
    let mut frames: Vec<u64> = Vec::new();
    for frame in of(false).chain(of(true)) {
        if frames.len() < most && !frames.contains(&frame) {
            frames.push(frame);
        }
    }
    frames.sort_unstable();
    frames
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(kind: &'static str, frame: u64, from_s: f64) -> Event {
        Event {
            kind,
            frame,
            from_s,
            to_s: from_s,
            frames: 1,
            text: String::new(),
        }
    }

    #[test]
    fn frames_close_together_are_one_event() {
        let mut events = Vec::new();
        for (frame, time) in [(1, 0.1), (2, 0.2), (6, 0.6), (20, 2.0)] {
            extend(&mut events, at("miss", frame, time));
        }
        let seen: Vec<(u64, u64)> = events.iter().map(|e| (e.frame, e.frames)).collect();
        assert_eq!(seen, [(1, 3), (20, 1)]);
    }

    #[test]
    fn faults_are_shown_before_changes() {
        let events = [
            at("change", 1, 0.0),
            at("change", 2, 0.1),
            at("alarm", 9, 0.9),
        ];
        assert_eq!(frames_to_show(&events, 2), [1, 9]);
        assert_eq!(frames_to_show(&events, 9), [1, 2, 9]);
    }
}
