//! The search for the vehicle's motion between two pictures.

use super::motion::{Aligner, Estimate, Motion, Slack};
use super::panorama::Layout;

/// Fastest reversing that is followed, m/s, and the step of the search, metres.
const FASTEST_MPS: f32 = 3.5;
const SEARCH_STEP: f32 = 0.015;
/// Farthest motion that is looked for between two pictures in a row, and over a
/// longer time than that; metres.
const FARTHEST: f32 = 0.45;
const FARTHEST_LONGER: f32 = 0.6;
const IN_A_ROW_S: f32 = 0.2;
/// A change of speed by more than this, m/s², is a leap; what it must bring.
const LEAP_MPS2: f32 = 8.0;
const LEAP_PRICE: f32 = 0.1;

/// Searches all speeds, then refines the best; says as well how much better the
/// best agrees than motions do on average, 0 if there is too little to refine it.
pub(super) fn seek(
    aligner: &mut Aligner,
    layout: &Layout,
    earlier: &[f32],
    expected: &Motion,
    dt: f32,
) -> (f32, Estimate) {
    let farthest = if dt < IN_A_ROW_S {
        FARTHEST
    } else {
        FARTHEST_LONGER
    };
    let reach = (FASTEST_MPS * dt).min(farthest);
    let steps = (1.3 * reach / SEARCH_STEP).ceil() as i32;
    let grid = (0..=steps).map(|i| -0.3 * reach + 1.3 * reach * i as f32 / steps as f32);
    let near = [0.0, expected.along];
    let found = aligner.search(
        layout,
        earlier,
        near.into_iter().chain(grid),
        &[0.0, expected.yaw],
    );
    let slack = Slack::BETWEEN_PICTURES;
    let start = found.motion;
    let estimate = aligner.refine(layout, earlier, start, &start, &slack);
    let distinct = if estimate.quality > 0.0 {
        1.0 - found.cost / found.typical.max(1e-3)
    } else {
        0.0
    };
    // A vehicle has mass: a leap of speed must agree clearly better.
    if (start.along - expected.along).abs() > LEAP_MPS2 * dt * dt {
        let steady = aligner.refine(layout, earlier, *expected, expected, &slack);
        if steady.quality > estimate.quality - LEAP_PRICE {
            return (distinct, steady);
        }
    }
    (distinct, estimate)
}
