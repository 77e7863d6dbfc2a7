//! A checkerboard lying on the ground instead of chalk marks.

use nalgebra::Vector6;

use super::board::FoundBoard;
use super::mount_fit::Mark;
use crate::optics::{GroundPoint, Mount};
use crate::units::{Metres, Radians};

/// Where the board lies, with two edges parallel to the bumper, and how well
/// that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoardPlace {
    /// From the bumper to the nearest row of inner corners.
    pub behind: Metres,
    /// From the vehicle's centre line to the middle of the board, right positive.
    pub side: Metres,
    /// Standard deviation of both.
    pub tape: Metres,
    /// Standard deviation of its turn against the bumper.
    pub turn: Radians,
}

/// The corners of the board as marks.
///
/// # Errors
/// The board lies askew, so which edge is parallel to the bumper is not clear.
pub fn board_marks(
    found: &FoundBoard,
    square: Metres,
    place: BoardPlace,
) -> Result<Vec<Mark>, String> {
    // The mean step along columns and rows in the picture.
    let step = |along_columns: bool| {
        let mut sum = (0.0, 0.0, 0.0);
        for a in &found.corners {
            for b in &found.corners {
                let next = if along_columns {
                    b.row == a.row && b.column == a.column + 1
                } else {
                    b.column == a.column && b.row == a.row + 1
                };
                if next {
                    sum.0 += b.at.u - a.at.u;
                    sum.1 += b.at.v - a.at.v;
                    sum.2 += 1.0;
                }
            }
        }
        (sum.0 / sum.2, sum.1 / sum.2)
    };
    let (c, r) = (step(true), step(false));
    let slope = |s: (f64, f64)| s.1.abs() / s.0.hypot(s.1);
    let (flat_c, flat_r) = (slope(c), slope(r));
    if flat_c.is_nan() || flat_r.is_nan() || (flat_c - flat_r).abs() < 0.25 {
        return Err(
            "the board lies askew in the picture; lay it square to the bumper and nearer to the middle"
                .to_owned(),
        );
    }
    // A camera that looks rearward shows the vehicle's left on the right-hand
    // side and the near ground at the bottom.
    let columns_across = flat_c < flat_r;
    let places: Vec<(f64, f64)> = found
        .corners
        .iter()
        .map(|corner| {
            let (i, j) = (f64::from(corner.column), f64::from(corner.row));
            let (across, (au, _), away, (_, dv)) = if columns_across {
                (i, c, j, r)
            } else {
                (j, r, i, c)
            };
            (
                -dv.signum() * away * square.0,
                -au.signum() * across * square.0,
            )
        })
        .collect();
    let nearest = places.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let (low, high) = places
        .iter()
        .map(|p| p.1)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), s| {
            (l.min(s), h.max(s))
        });
    Ok(found
        .corners
        .iter()
        .zip(places)
        .map(|(corner, (behind, side))| Mark {
            name: format!("{},{}", corner.column, corner.row),
            at: corner.at,
            ground: GroundPoint {
                behind_m: place.behind.0 + behind - nearest,
                side_m: place.side.0 + side - 0.5 * (low + high),
            },
        })
        .collect())
}

/// Adds what is not known about the board's own place: it moves and turns the
/// whole pose.
pub fn with_place_noise(mount: &Mount, marks: &[Mark], place: BoardPlace) -> Mount {
    let n = marks.len().max(1) as f64;
    let middle = marks.iter().fold((0.0, 0.0), |(b, s), m| {
        (b + m.ground.behind_m / n, s + m.ground.side_m / n)
    });
    let camera = mount.position();
    // Order: height, pitch, roll, yaw, set_back, side_offset; set_back is minus
    // the camera's place behind.
    let turned = Vector6::new(0.0, 0.0, 0.0, 1.0, camera.y - middle.1, camera.x - middle.0);
    let mut out = *mount;
    out.covariance += turned * turned.transpose() * (place.turn.0 * place.turn.0);
    out.covariance[(4, 4)] += place.tape.0 * place.tape.0;
    out.covariance[(5, 5)] += place.tape.0 * place.tape.0;
    out
}
