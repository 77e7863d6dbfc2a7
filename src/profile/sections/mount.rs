//! `[mount]`: where the camera stands and looks, and how well that is known.
//! Nothing here has a default: every value depends on the mounting.

use nalgebra::{Matrix6, SymmetricEigen, Vector6};

use crate::optics::Mount;
use crate::profile::reader::Table;
use crate::units::{Metres, Radians};

pub(super) const ADVICE: &str = "add it with height_m, pitch_deg, roll_deg, yaw_deg, set_back_m, \
     side_offset_m and their standard deviations, or let `hindward mount` find them";

/// The six keys of a mount in the order of the covariance.
const SD_KEYS: [&str; 6] = [
    "height_sd_m",
    "pitch_sd_deg",
    "roll_sd_deg",
    "yaw_sd_deg",
    "set_back_sd_m",
    "side_offset_sd_m",
];
/// Which of them are angles.
const IS_ANGLE: [bool; 6] = [false, true, true, true, false, false];

/// Nothing is measured to a micrometre; less would only upset the arithmetic.
const LEAST_VARIANCE: f64 = 1e-12;

pub(super) fn read(t: &mut Table) -> Option<Mount> {
    let height = t.number(
        "height_m",
        0.15..=5.0,
        "measure from the ground to the middle of the lens, in metres",
    );
    let pitch = t.number(
        "pitch_deg",
        -30.0..=89.0,
        "measure how far the lens looks down from level, in degrees; straight down (90) sees no way back",
    );
    let roll = t.number(
        "roll_deg",
        -45.0..=45.0,
        "measure the turn about the line of sight, clockwise positive, in degrees",
    );
    let yaw = t.number(
        "yaw_deg",
        -75.0..=75.0,
        "measure the turn toward the vehicle's right, in degrees",
    );
    let set_back = t.number(
        "set_back_m",
        -1.0..=5.0,
        "measure from the lens rearward to the rearmost bumper point, in metres",
    );
    let side_offset = t.number(
        "side_offset_m",
        -2.0..=2.0,
        "measure from the centre line to the lens, the vehicle's right positive, in metres",
    );
    let covariance = read_covariance(t);
    Some(Mount {
        height: Metres(height?),
        pitch: Radians::from_degrees(pitch?),
        roll: Radians::from_degrees(roll?),
        yaw: Radians::from_degrees(yaw?),
        set_back: Metres(set_back?),
        side_offset: Metres(side_offset?),
        covariance: covariance?,
    })
}

/// From the full matrix as a calibration writes it, or from the standard
/// deviations alone. Both may stand there if they agree: then a hand-changed
/// deviation cannot be overruled unseen by an old matrix.
fn read_covariance(t: &mut Table) -> Option<Matrix6<f64>> {
    const KEY: &str = "covariance_m_rad";
    let advice = "give six rows of six, in metres and radians, in the order height, pitch, roll, \
                  yaw, set_back, side_offset";
    let rows = t.rows_if_present(KEY, 6..=6, 6, -10.0..=10.0, advice);
    let have_matrix = t.has(KEY);
    let mut deviations = [None; 6];
    let mut whole = true;
    for (i, key) in SD_KEYS.into_iter().enumerate() {
        if have_matrix && !t.has(key) {
            continue;
        }
        let (range, advice) = if IS_ANGLE[i] {
            (0.001..=20.0, "say how well the angle is known, in degrees, load and suspension included (one standard deviation)")
        } else {
            (
                0.0001..=1.0,
                "say how well the length is known, in metres (one standard deviation)",
            )
        };
        let value = t.number(key, range, advice);
        whole &= value.is_some();
        deviations[i] = value.map(|v| if IS_ANGLE[i] { v.to_radians() } else { v });
    }
    let rows = rows?;
    if !whole {
        return None;
    }
    let Some(rows) = rows else {
        let variances = deviations.map(|d| d.map_or(0.0, |d| d * d));
        return Some(Matrix6::from_diagonal(&Vector6::from(variances)));
    };
    let matrix = Matrix6::from_row_iterator(rows.into_iter().flatten());
    let sizes = matrix.diagonal();
    let symmetric = (0..6).all(|i| {
        (0..i).all(|j| {
            let scale = (sizes[i] * sizes[j]).abs().sqrt();
            (matrix[(i, j)] - matrix[(j, i)]).abs() <= 1e-6 * scale
        })
    });
    // Scaled to ones on the diagonal, so that metres and radians count alike.
    let scaled = Matrix6::from_fn(|i, j| {
        0.5 * (matrix[(i, j)] + matrix[(j, i)]) / (sizes[i] * sizes[j]).sqrt()
    });
    if sizes.min() < LEAST_VARIANCE
        || !symmetric
        || SymmetricEigen::new(scaled).eigenvalues.min() < -1e-9
    {
        t.fault(
            KEY,
            " is no covariance (symmetric, positive on the diagonal, no negative eigenvalue); \
             run `hindward mount` again or give the standard deviations instead",
        );
        return None;
    }
    let mut agrees = true;
    for (i, deviation) in deviations.iter().enumerate() {
        let known = sizes[i].sqrt();
        if deviation.is_some_and(|d| (d / known - 1.0).abs() > 0.02) {
            let known = if IS_ANGLE[i] {
                known.to_degrees()
            } else {
                known
            };
            t.fault(
                SD_KEYS[i],
                format!(
                    " does not agree with {KEY}, which says {known:.5}; take one of the two out"
                ),
            );
            agrees = false;
        }
    }
    agrees.then(|| 0.5 * (matrix + matrix.transpose()))
}
