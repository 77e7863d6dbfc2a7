//! `[watch]`, `[segment]`, `[track]`, `[health]`: where to look and when to
//! believe it.

use crate::profile::reader::Table;
use crate::profile::{
    ColourRange, HealthSettings, SegmentMethod, SegmentSettings, TrackSettings, WatchArea,
};
use crate::units::Metres;

pub(super) const WATCH_ADVICE: &str = "add it with far_m and half_width_m";

pub(super) fn read_watch(t: &mut Table) -> Option<WatchArea> {
    let far = t.number(
        "far_m",
        0.5..=30.0,
        "give the far edge of the examined ground, in metres behind the bumper",
    );
    let half_width = t.number(
        "half_width_m",
        0.5..=15.0,
        "give half the width of the examined ground, in metres",
    );
    Some(WatchArea {
        far: Metres(far?),
        half_width: Metres(half_width?),
    })
}

pub(super) fn read_segment(t: &mut Table) -> Option<SegmentSettings> {
    let method = t.word_if_present(
        "method",
        &[
            ("ground-model", SegmentMethod::GroundModel),
            ("colour-range", SegmentMethod::ColourRange),
        ],
    );
    // A child's shin or a slim post still shows more; a leaf or a can less.
    let min_area_cm2 = t.number_or("min_area_cm2", 150.0, 1.0..=20_000.0);
    // Kerbs from 10 cm on must count.
    let min_height = t.number_or("min_height_m", 0.08, 0.01..=1.0);
    let enter = t.number_or("enter_probability", 0.65, 0.5..=0.999);
    let stay = t.number_or("stay_probability", 0.5, 0.05..=0.999);
    let contact_sd_px = t.number_or("contact_sd_px", 1.5, 0.1..=20.0);
    let dilate_px = t.whole_or("dilate_px", 2, 0..=20);
    let ranges = t.list("colour_range", read_colour_range);

    let method = method?.unwrap_or(SegmentMethod::GroundModel);
    let (enter_probability, stay_probability) = (enter?, stay?);
    if stay_probability >= enter_probability {
        t.fault(
            "stay_probability",
            format!(" = {stay_probability} is not below enter_probability = {enter_probability}; lower it"),
        );
    }
    let colour_ranges = ranges?;
    if method == SegmentMethod::ColourRange && colour_ranges.is_empty() {
        t.fault(
            "method",
            " = \"colour-range\" is without any range; add [[segment.colour_range]] with hue_deg, saturation, value",
        );
    }
    Some(SegmentSettings {
        method,
        min_area_cm2: min_area_cm2?,
        min_height: Metres(min_height?),
        enter_probability,
        stay_probability,
        contact_sd_px: contact_sd_px?,
        colour_ranges,
        dilate_px: u8::try_from(dilate_px?).unwrap_or(u8::MAX),
    })
}

fn read_colour_range(t: &mut Table) -> Option<ColourRange> {
    let hue_deg = read_pair(t, "hue_deg", 360.0, true);
    let saturation = read_pair(t, "saturation", 1.0, false);
    let value = read_pair(t, "value", 1.0, false);
    Some(ColourRange {
        hue_deg: hue_deg?,
        saturation: saturation?,
        value: value?,
    })
}

fn read_pair(t: &mut Table, key: &'static str, greatest: f64, wraps: bool) -> Option<(f64, f64)> {
    let advice = format!("give the least and the greatest, between 0 and {greatest}");
    let pair = t.numbers_if_present(key, 2..=2, 0.0..=greatest, &advice)?;
    let Some(pair) = pair else {
        t.fault(key, format!(" is missing; {advice}"));
        return None;
    };
    let (least, most) = (pair.first().copied()?, pair.get(1).copied()?);
    if least > most && !wraps {
        t.fault(key, format!(" = {pair:?} is upside down; swap the two"));
        return None;
    }
    Some((least, most))
}

pub(super) fn read_track(t: &mut Table) -> Option<TrackSettings> {
    let hits = t.whole_or("confirm_hits", 2, 1..=60);
    let window = t.whole_or("confirm_window", 3, 1..=60);
    let coast = t.millis_or("coast_ms", 600, 0..=5000);
    let gate = t.number_or("gate_m", 0.6, 0.05..=5.0);
    let (confirm_hits, confirm_window) = (hits?, window?);
    if confirm_hits > confirm_window {
        t.fault(
            "confirm_hits",
            format!(" = {confirm_hits} is above confirm_window = {confirm_window}; lower it"),
        );
    }
    Some(TrackSettings {
        confirm_hits,
        confirm_window,
        coast: coast?,
        gate: Metres(gate?),
    })
}

pub(super) fn read_health(t: &mut Table) -> Option<HealthSettings> {
    let settle = t.millis_or("settle_ms", 300, 0..=5000);
    let recover = t.millis_or("recover_ms", 500, 0..=10_000);
    let stale = t.millis_or("stale_ms", 300, 50..=5000);
    let dark_luma = t.number_or("dark_luma", 14.0, 0.0..=128.0);
    let washed_share = t.number_or("washed_share", 0.5, 0.05..=1.0);
    let dirt_share = t.number_or("dirt_share", 0.15, 0.01..=1.0);
    Some(HealthSettings {
        settle: settle?,
        recover: recover?,
        stale: stale?,
        dark_luma: dark_luma?,
        washed_share: washed_share?,
        dirt_share: dirt_share?,
    })
}
