//! Marks on frames become truth.
//!
//! A mark is where a thing meets the ground in one frame: the two ends of its
//! contact line, in pixels. The profile turns pixels into metres. Between two
//! marks of one thing its place is taken to run straight and even.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use crate::optics::{Ground, PixelPoint};
use crate::stage::stand;

/// Columns of truth.csv.
/// Steps along a contact line.
const POINTS: u32 = 400;
const TRUTH: &str = "frame,time_s,id,class,behind_m,side_m,half_width_m,height_m,visible";

/// Where a thing meets the ground in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// Number of the thing.
    pub id: u32,
    /// What it is: letters, digits and dashes.
    pub class: String,
    /// Number of the frame.
    pub frame: u64,
    /// Its height, metres.
    pub height_m: f64,
    /// One end of the contact line: column and row, pixels.
    pub a: [f64; 2],
    /// The other end.
    pub b: [f64; 2],
}

/// A place on the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Metres behind, of its nearest point in the path, or at all.
    pub behind_m: f64,
    /// Metres to the right, of the middle of its contact line.
    pub side_m: f64,
    /// Half its extent along side, metres.
    pub half_width_m: f64,
}

impl Mark {
    /// Where the thing stands, for a vehicle whose path is `half_path` metres
    /// to each side.
    ///
    /// # Errors
    /// In words, if an end lies at or above the horizon or a value makes no
    /// sense.
    pub fn place(&self, ground: &Ground, half_path: f64) -> Result<Place, String> {
        let known = |c: char| c.is_ascii_alphanumeric() || c == '-';
        if self.class.is_empty() || self.class.len() > 40 || !self.class.chars().all(known) {
            return Err(format!(
                "thing {}: its class is {:?}; use letters, digits and dashes",
                self.id, self.class
            ));
        }
        if !(self.height_m > 0.0 && self.height_m < 20.0) {
            return Err(format!("thing {}: its height makes no sense", self.id));
        }
        let end = |[u, v]: [f64; 2]| {
            ground.to_ground(PixelPoint { u, v }).ok_or_else(|| {
                format!(
                    "thing {}, frame {}: that point is not on the ground; mark where it stands",
                    self.id, self.frame
                )
            })
        };
        let (a, b) = (end(self.a)?, end(self.b)?);
        let line = (0..=POINTS).map(|i| {
            let t = f64::from(i) / f64::from(POINTS);
            let mix = |p: f64, q: f64| p + t * (q - p);
            (mix(a.behind_m, b.behind_m), mix(a.side_m, b.side_m))
        });
        let Some((behind_m, side_m, half_width_m)) = stand(line, half_path) else {
            return Err(format!("thing {}: it has no contact line", self.id));
        };
        Ok(Place {
            behind_m,
            side_m,
            half_width_m,
        })
    }
}

/// The truth table of a clip whose frames have the given numbers and times.
///
/// # Errors
/// In words, naming the mark that does not fit.
pub fn truth(
    marks: &[Mark],
    frames: &[(u64, f64)],
    ground: &Ground,
    half_path: f64,
) -> Result<String, String> {
    let mut things: BTreeMap<u32, BTreeMap<u64, (&Mark, Place)>> = BTreeMap::new();
    for mark in marks {
        let place = mark.place(ground, half_path)?;
        things
            .entry(mark.id)
            .or_default()
            .insert(mark.frame, (mark, place));
    }
    let mut out = format!("{TRUTH}\n");
    for &(frame, time_s) in frames {
        for (id, keys) in &things {
            let before = keys.range(..=frame).next_back();
            let after = keys.range(frame..).next();
            let (Some((f0, (mark, p0))), Some((f1, (_, p1)))) = (before, after) else {
                continue;
            };
            let t = if f1 > f0 {
                (frame - f0) as f64 / (f1 - f0) as f64
            } else {
                0.0
            };
            let mix = |a: f64, b: f64| a + t * (b - a);
            let _ = writeln!(
                out,
                "{frame},{time_s:.4},{id},{},{:.4},{:.4},{:.4},{:.3},1.000",
                mark.class,
                mix(p0.behind_m, p1.behind_m),
                mix(p0.side_m, p1.side_m),
                mix(p0.half_width_m, p1.half_width_m),
                mark.height_m
            );
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::GroundPoint;
    use crate::profile::Profile;

    fn ground() -> Ground {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        Profile::load(path.as_ref()).unwrap().ground()
    }

    fn mark(ground: &Ground, frame: u64, behind_m: f64, from: f64, to: f64) -> Mark {
        let at = |side_m| {
            let p = ground.to_pixel(GroundPoint { behind_m, side_m }).unwrap();
            [p.u, p.v]
        };
        Mark {
            id: 3,
            class: "post".into(),
            frame,
            height_m: 0.9,
            a: at(from),
            b: at(to),
        }
    }

    #[test]
    fn places_between_marks_run_straight() {
        let g = ground();
        let marks = [mark(&g, 0, 3.0, -0.1, 0.1), mark(&g, 4, 1.0, 0.3, 0.5)];
        let frames: Vec<(u64, f64)> = (0..7).map(|i| (i, i as f64 / 10.0)).collect();
        let table = truth(&marks, &frames, &g, 0.9).unwrap();
        let rows: Vec<&str> = table.lines().collect();
        assert_eq!(rows.len(), 1 + 5, "none after the last mark: {table}");
        assert_eq!(rows[3], "2,0.2000,3,post,2.0000,0.2000,0.1000,0.900,1.000");
    }

    #[test]
    fn the_place_is_where_the_path_meets_the_contact_line() {
        let g = ground();
        let place = |a: (f64, f64), b: (f64, f64)| {
            let at = |(behind_m, side_m)| {
                let p = g.to_pixel(GroundPoint { behind_m, side_m }).unwrap();
                [p.u, p.v]
            };
            let mark = Mark {
                a: at(a),
                b: at(b),
                ..mark(&g, 0, 3.0, 0.0, 0.1)
            };
            let p = mark.place(&g, 0.9).unwrap();
            (p.behind_m, p.side_m, p.half_width_m)
        };
        let close = |got: (f64, f64, f64), want: (f64, f64, f64)| {
            let off = (got.0 - want.0).abs() + (got.1 - want.1).abs() + (got.2 - want.2).abs();
            assert!(off < 3e-3, "{got:?}, expected {want:?}");
        };
        // A wall that comes nearer to the right, beyond the path: where the path
        // ends, 0.9 m to the right.
        close(place((3.0, -1.0), (2.0, 1.0)), (2.05, 0.0, 1.0));
        // One right across.
        close(place((2.0, -0.2), (2.0, 1.4)), (2.0, 0.6, 0.8));
        // Off to the right of the path: its nearest point.
        close(place((2.5, 1.4), (2.0, 2.4)), (2.0, 1.9, 0.5));
    }

    #[test]
    fn marks_in_the_sky_and_odd_names_are_refused() {
        let g = ground();
        let good = mark(&g, 0, 3.0, -0.1, 0.1);
        let sky = Mark {
            a: [320.0, 0.0],
            ..good.clone()
        };
        assert!(sky
            .place(&g, 0.9)
            .unwrap_err()
            .contains("not on the ground"));
        let odd = Mark {
            class: "a,b".into(),
            ..good.clone()
        };
        assert!(odd.place(&g, 0.9).unwrap_err().contains("letters"));
        let flat = Mark {
            height_m: f64::NAN,
            ..good
        };
        assert!(flat.place(&g, 0.9).is_err());
    }
}
