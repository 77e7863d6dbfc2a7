//! Test objects of two published rear-visibility rules, and how much of each
//! the picture shows. This is geometry only: what the rules ask of display
//! size, time and light is not judged, and passing here is no approval.
//!
//! Sizes and places are from memory of 49 CFR 571.111 S14.1 (seven cylinders,
//! 0.8 m high, 0.3 m across) and, for the field of UN R158, from summaries of
//! its paragraph 15.2 (vehicle-wide, 0.3 m to 3.5 m behind); check them against
//! the rules before relying on them.

use serde::Serialize;

use crate::profile::Profile;

use super::sight::Sight;

pub(super) const HEIGHT_M: f64 = 0.8;
pub(super) const RADIUS_M: f64 = 0.15;
/// Where UN R158's field begins and ends.
pub(super) const FIELD_NEAR_M: f64 = 0.3;
pub(super) const FIELD_FAR_M: f64 = 3.5;
/// Patch that must show of the nearest objects.
const PATCH_M: f64 = 0.15;
const ACROSS: usize = 13;
const UPWARD: usize = 17;

/// Where the figures of the rows come from, as it is printed.
pub(super) const US_SOURCE: &str = "49 CFR 571.111 S14.1, places, sizes and demands from memory";
pub(super) const UN_SOURCE: &str =
    "UN R158 15.2, field and demands from summaries, size from memory; sides of the vehicle assumed";

/// What a rule wants to see of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Demand {
    /// Full height and width.
    Whole,
    /// A portion 150 mm wide at some height.
    WidePortion,
    /// A patch of 150 mm by 150 mm somewhere on it, or its top.
    Patch,
}

/// One test object.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObjectRow {
    /// Its letter, or its place in the field.
    pub label: String,
    /// Axis, metres behind.
    pub behind_m: f64,
    /// Axis, metres toward the vehicle's right.
    pub side_m: f64,
    /// What must show.
    pub demand: Demand,
    /// Share of the side toward the camera that shows, 0 to 1.
    pub seen_share: f64,
    /// Width in the picture at mid-height, if both flanks show.
    pub width_px: Option<f64>,
    /// Whether the demand is met.
    pub met: bool,
}

/// The seven objects of 49 CFR 571.111.
pub(super) fn us_objects(sight: &Sight) -> Vec<ObjectRow> {
    [
        ("A", 6.1, -1.52, Demand::Whole),
        ("B", 6.1, 0.0, Demand::Whole),
        ("C", 6.1, 1.52, Demand::Whole),
        ("D", 3.05, -1.52, Demand::Whole),
        ("E", 3.05, 1.52, Demand::Whole),
        ("F", 0.3, -1.52, Demand::WidePortion),
        ("G", 0.3, 1.52, Demand::WidePortion),
    ]
    .into_iter()
    .map(|(label, behind, side, demand)| judge(sight, label, behind, side, demand))
    .collect()
}

/// First and last row of UN R158's close-proximity field, at the vehicle's
/// sides and centre.
pub(super) fn un_objects(sight: &Sight, profile: &Profile) -> Vec<ObjectRow> {
    let half = 0.5 * profile.vehicle.width.0;
    let mut rows = Vec::new();
    for (row, behind, demand) in [
        ("near", FIELD_NEAR_M, Demand::Patch),
        ("far", FIELD_FAR_M, Demand::Whole),
    ] {
        for (place, side) in [("left", -half), ("centre", 0.0), ("right", half)] {
            rows.push(judge(
                sight,
                &format!("{row} {place}"),
                behind,
                side,
                demand,
            ));
        }
    }
    rows
}

fn judge(sight: &Sight, label: &str, behind_m: f64, side_m: f64, demand: Demand) -> ObjectRow {
    let seen = silhouette(sight, behind_m, side_m);
    let count = seen.iter().flatten().filter(|s| **s).count();
    // Samples stand 2.5 cm apart across and 5 cm apart upward.
    let wide = (PATCH_M / (2.0 * RADIUS_M) * (ACROSS - 1) as f64).round() as usize + 1;
    let tall = (PATCH_M / HEIGHT_M * (UPWARD - 1) as f64).round() as usize + 1;
    let runs = |row: &[bool; ACROSS], at: usize| row[at..at + wide].iter().all(|s| *s);
    let met = match demand {
        Demand::Whole => count == ACROSS * UPWARD,
        Demand::WidePortion => seen
            .iter()
            .any(|row| (0..=ACROSS - wide).any(|at| runs(row, at))),
        Demand::Patch => {
            let top = seen.last().is_some_and(|row| row.iter().all(|s| *s));
            let patch = (0..=ACROSS - wide).any(|at| {
                seen.windows(tall)
                    .any(|w| w.iter().all(|row| runs(row, at)))
            });
            top || patch
        }
    };
    let flank = |offset: f64| {
        let (b, s) = across(sight, behind_m, side_m, offset);
        sight.pixel(b, s, 0.5 * HEIGHT_M)
    };
    ObjectRow {
        label: label.to_owned(),
        behind_m,
        side_m,
        demand,
        seen_share: count as f64 / (ACROSS * UPWARD) as f64,
        width_px: flank(-RADIUS_M)
            .zip(flank(RADIUS_M))
            .map(|(a, b)| (a.u - b.u).hypot(a.v - b.v)),
        met,
    }
}

/// A place beside the axis, square to the line of sight: the cylinder's
/// outline as the camera sees it.
pub(super) fn across(sight: &Sight, behind_m: f64, side_m: f64, offset_m: f64) -> (f64, f64) {
    let camera = sight.ground.camera_position();
    let (db, ds) = (behind_m - camera.x, side_m - camera.y);
    let length = db.hypot(ds).max(1e-9);
    (
        behind_m - ds / length * offset_m,
        side_m + db / length * offset_m,
    )
}

/// Which samples of the outline show, from the foot up.
fn silhouette(sight: &Sight, behind_m: f64, side_m: f64) -> [[bool; ACROSS]; UPWARD] {
    let mut seen = [[false; ACROSS]; UPWARD];
    for (i, row) in seen.iter_mut().enumerate() {
        let up = HEIGHT_M * i as f64 / (UPWARD - 1) as f64;
        for (j, cell) in row.iter_mut().enumerate() {
            let offset = RADIUS_M * (2.0 * j as f64 / (ACROSS - 1) as f64 - 1.0);
            let (b, s) = across(sight, behind_m, side_m, offset);
            *cell = sight.pixel(b, s, up).is_some();
        }
    }
    seen
}
