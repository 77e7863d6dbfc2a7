//! Whether marks are laid out so that they can fix a mount, and where to put
//! the next one if not.

use nalgebra::{Matrix2, Vector2};

use super::mount_fit::{Mark, MountFitError};
use crate::optics::Lens;

/// Marks whose spread across their longest line is less than this share of it,
/// or less than the second value in metres, count as one line.
const THIN_SHARE: f64 = 0.06;
const THIN_M: f64 = 0.06;

/// Refuses marks that cannot fix a mount, before anything is solved.
pub(super) fn check_layout(lens: &Lens, marks: &[Mark]) -> Result<(), MountFitError> {
    let spread_advice =
        "spread them over the ground that the picture shows, near and far, left and right";
    if marks.len() < 4 {
        return Err(MountFitError::TooFew {
            have: marks.len(),
            advice: spread_advice.to_owned(),
        });
    }
    for (i, a) in marks.iter().enumerate() {
        if lens.unproject(a.at).is_none() {
            return Err(MountFitError::NoRay {
                name: a.name.clone(),
                u: a.at.u,
                v: a.at.v,
            });
        }
        for b in &marks[i + 1..] {
            let apart = |a: f64, b: f64, c: f64, d: f64| (a - b).hypot(c - d);
            if apart(
                a.ground.behind_m,
                b.ground.behind_m,
                a.ground.side_m,
                b.ground.side_m,
            ) < 0.01
                || apart(a.at.u, b.at.u, a.at.v, b.at.v) < 1.0
            {
                return Err(MountFitError::Twice(a.name.clone(), b.name.clone()));
            }
        }
    }
    let points: Vec<&Mark> = marks.iter().collect();
    if is_line(&points) {
        return Err(MountFitError::OneLine {
            which: "all marks".to_owned(),
            advice: beside_the_line(&points),
        });
    }
    if marks.len() == 4 {
        for left in 0..4 {
            let three: Vec<&Mark> = (0..4).filter(|&i| i != left).map(|i| &marks[i]).collect();
            if is_line(&three) {
                let names: Vec<&str> = three.iter().map(|m| m.name.as_str()).collect();
                return Err(MountFitError::OneLine {
                    which: format!("marks {}", names.join(", ")),
                    advice: beside_the_line(&three),
                });
            }
        }
    }
    Ok(())
}

/// Middle, direction, length and thickness of a cloud of marks.
fn axes(marks: &[&Mark]) -> (Vector2<f64>, Vector2<f64>, f64, f64) {
    let n = marks.len() as f64;
    let at = |m: &Mark| Vector2::new(m.ground.behind_m, m.ground.side_m);
    let middle = marks.iter().map(|m| at(m)).sum::<Vector2<f64>>() / n;
    let mut spread = Matrix2::zeros();
    for m in marks {
        let d = at(m) - middle;
        spread += d * d.transpose();
    }
    let eigen = spread.symmetric_eigen();
    let longest = eigen.eigenvalues.imax();
    let along = eigen.eigenvectors.column(longest).into_owned();
    let across = Vector2::new(-along.y, along.x);
    let reach = |axis: &Vector2<f64>| {
        let along = marks.iter().map(|m| (at(m) - middle).dot(axis));
        let (low, high) = along.fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(x), h.max(x)));
        high - low
    };
    (middle, along, reach(&along), reach(&across))
}

/// Whether the marks lie on one line as far as a tape can tell.
pub(super) fn is_line(marks: &[&Mark]) -> bool {
    let (_, _, length, thickness) = axes(marks);
    thickness < THIN_M.max(THIN_SHARE * length)
}

fn beside_the_line(marks: &[&Mark]) -> String {
    let (middle, along, length, _) = axes(marks);
    let across = Vector2::new(-along.y, along.x);
    let off = across * (0.6 * length).max(0.8);
    // Rearward of the line if it runs across, so that the picture shows it.
    let place = if off.x.abs() > off.y.abs() {
        middle + off * off.x.signum()
    } else {
        middle - off * (middle.y + off.y).signum() * off.y.signum()
    };
    put_at(place.x.max(0.3), place.y)
}

/// A place in words.
pub(super) fn put_at(behind_m: f64, side_m: f64) -> String {
    let side = match side_m {
        s if s.abs() < 0.05 => "on the centre line".to_owned(),
        s if s > 0.0 => format!("{s:.1} m to the vehicle's right"),
        s => format!("{:.1} m to the vehicle's left", -s),
    };
    format!("put the next mark about {behind_m:.1} m behind the bumper, {side}")
}
