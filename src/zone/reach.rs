//! How far a zone reaches behind a stretch of the bumper.
//!
//! A zone is asked one question: over the sides from `left` to `right`, how
//! far behind the bumper does its far edge lie? Something that stands over
//! that stretch is in the zone when it is no farther than that.
//!
//! A zone's near edge never sets an obstacle free. It marks where a graver
//! zone takes over; were it a limit, whoever left a gap between two zones, or
//! between the first zone and the bumper, would have the sound stop just as
//! the obstacle comes closest.

use crate::optics::GroundPoint;
use crate::profile::ZoneShape;

/// Farthest distance behind the bumper, in metres, that `shape` covers
/// anywhere between the sides `left_m` and `right_m` (in either order);
/// `None` if it covers nothing there. Touching counts as covered.
pub fn reach_m(shape: &ZoneShape, left_m: f64, right_m: f64) -> Option<f64> {
    let (low, high) = (left_m.min(right_m), left_m.max(right_m));
    match shape {
        ZoneShape::Strip {
            far, half_width, ..
        } => (low <= half_width.0 && high >= -half_width.0).then_some(far.0),
        ZoneShape::Polygon(corners) => polygon_reach(corners, low, high),
    }
}

/// The farthest point of a polygon between two sides lies on its outline: at
/// a corner between them, or where an edge crosses one of them.
fn polygon_reach(corners: &[GroundPoint], low: f64, high: f64) -> Option<f64> {
    let mut farthest: Option<f64> = None;
    let mut take = |behind: f64| {
        farthest = Some(farthest.map_or(behind, |f| f.max(behind)));
    };
    for (i, a) in corners.iter().enumerate() {
        if a.side_m >= low && a.side_m <= high {
            take(a.behind_m);
        }
        let b = &corners[(i + 1) % corners.len()];
        for side in [low, high] {
            let crosses = (a.side_m < side) != (b.side_m < side);
            if crosses {
                let t = (side - a.side_m) / (b.side_m - a.side_m);
                take(a.behind_m + t * (b.behind_m - a.behind_m));
            }
        }
    }
    farthest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Metres;

    fn corner(behind_m: f64, side_m: f64) -> GroundPoint {
        GroundPoint { behind_m, side_m }
    }

    #[test]
    fn a_strip_reaches_to_its_far_edge_across_its_width() {
        let strip = ZoneShape::Strip {
            near: Metres(0.5),
            far: Metres(1.5),
            half_width: Metres(1.0),
        };
        assert_eq!(reach_m(&strip, -0.1, 0.1), Some(1.5));
        assert_eq!(reach_m(&strip, 1.0, 2.0), Some(1.5));
        assert_eq!(reach_m(&strip, 2.0, 1.0), Some(1.5));
        assert_eq!(reach_m(&strip, 1.01, 2.0), None);
    }

    #[test]
    fn a_slanted_polygon_reaches_less_at_its_short_side() {
        // Far edge from 3 m at the left to 1 m at the right.
        let polygon = ZoneShape::Polygon(vec![
            corner(0.0, -1.0),
            corner(3.0, -1.0),
            corner(1.0, 1.0),
            corner(0.0, 1.0),
        ]);
        assert_eq!(reach_m(&polygon, -1.0, 1.0), Some(3.0));
        assert_eq!(reach_m(&polygon, 0.0, 0.5), Some(2.0));
        assert_eq!(reach_m(&polygon, 0.5, 0.5), Some(1.5));
        assert_eq!(reach_m(&polygon, 1.5, 2.0), None);
        assert_eq!(reach_m(&ZoneShape::Polygon(vec![]), 0.0, 1.0), None);
    }
}
