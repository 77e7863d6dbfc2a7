//! Which cells matter: made once from the profile.

use crate::profile::Profile;

use super::super::panorama::Layout;
use super::super::relief;

/// How far behind the bumper the path must be lit.
const PATH_M: f64 = 3.0;

/// Cells on the ground of the vehicle's path, as far behind it as a warning
/// matters most.
pub(super) fn path_cells(l: &Layout, usable: &[bool], profile: &Profile) -> Vec<usize> {
    let foot = profile.ground().camera_position();
    let half = profile.vehicle.width.0 / 2.0;
    let mut out = Vec::new();
    for r in l.horizon_row..l.rows {
        for c in 0..l.columns {
            let k = l.at(c, r);
            let (x, y) = l.cell_place(c, r);
            let (behind, side) = (foot.x + f64::from(x), foot.y + f64::from(y));
            if usable[k] && l.watched[k] && behind < PATH_M && side.abs() <= half {
                out.push(k);
            }
        }
    }
    out
}

/// Cells whose whole relief window is visible.
pub(super) fn usable_cells(l: &Layout) -> Vec<bool> {
    let reach = relief::RADIUS as isize;
    let mut out = vec![false; l.columns * l.rows];
    for r in 0..l.rows as isize {
        for c in 0..l.columns as isize {
            let mut all = true;
            for j in r - reach..=r + reach {
                for i in c - reach..=c + reach {
                    if i < 0 || j < 0 || i >= l.columns as isize || j >= l.rows as isize {
                        continue;
                    }
                    all &= l.visible[(j * l.columns as isize + i) as usize];
                }
            }
            out[(r * l.columns as isize + c) as usize] = all;
        }
    }
    out
}
