//! How much higher the ground lies behind an edge than before it.
//!
//! A kerb's face is two or three rows high, and often of the ground's own colour. But the
//! ground behind it is nearer to the camera by the kerb's upstand, and runs through the picture
//! faster than the ground before it: plane and parallax (H. Sawhney, CVPR 1994,
//! doi:10.1109/CVPR.1994.323927), for a whole strip of ground at once, so that a fraction of a row
//! tells. The strip is looked up in an earlier panorama as if it lay at one height after another;
//! the height at which the two correlate best is its own. That of the strip before the edge,
//! which the same errors of motion and tilt have moved, is taken off.

use super::motion::{look, Motion};
use super::panorama::Layout;

/// An earlier panorama to compare with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Earlier<'a> {
    /// Its local contrast.
    pub relief: &'a [f32],
    /// How the camera has moved since.
    pub motion: Motion,
}

/// What a strip behind an edge shows.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Upstand {
    /// How much higher it lies than the one before the edge, metres.
    pub height_m: f32,
    /// By how much it correlates better there than at the height of the one before.
    pub gain: f32,
    /// Best correlations of the strip before and of the one behind.
    pub agree: (f32, f32),
    /// Height of the one before, in steps.
    ground: f32,
}

/// Heights that are tried, metres: first, step, number.
const FIRST_M: f32 = -0.08;
const STEP_M: f32 = 0.04;
const HEIGHTS: usize = 10;
/// Half a strip's width, and its length along the way, metres.
const HALF_M: f32 = 0.6;
const LONG_M: f32 = 0.5;
/// The strip behind begins behind the edge's face, this share farther.
const BEHIND: f32 = 1.12;
/// How far behind an edge the ground is looked at, near enough, metres.
pub(super) const REACH_M: f32 = 0.9;
/// Cells of a strip that are looked up: at most so many rows and columns, and at least so many
/// cells in both panoramas.
const ROWS: usize = 12;
const COLUMNS: usize = 24;
const LEAST: usize = 40;

/// Edges across the path are sought from here to there, metres, each so many times as far as
/// the last.
const SOUGHT_M: (f32, f32) = (0.7, 4.5);
const SPACING: f32 = 1.08;
/// What is told as an edge: heights of kerbs (metres), and by how much the strips agree better.
const KERBS_M: (f32, f32) = (0.05, 0.3);
const LEAST_GAIN: f32 = 0.04;
const LEAST_AGREE: f32 = 0.5;
/// The edge is the nearest place next to the best one that gains this share of it.
const NEARLY: f32 = 0.7;

/// Correlation of a strip with an earlier panorama, by height.
type ByHeight = [f32; HEIGHTS];

/// Compares the strips before and behind an edge at `distance` in the middle `column`.
pub(super) fn upstand(
    l: &Layout,
    usable: &[bool],
    now: &[f32],
    earlier: &Earlier<'_>,
    column: usize,
    distance: f32,
) -> Option<Upstand> {
    let columns = columns_at(l, column, distance);
    let start = BEHIND * distance;
    let strip = |span| strip(l, usable, now, earlier, columns, span);
    let behind = strip((start, start + LONG_M))?;
    let before = strip(((distance - LONG_M).max(0.1), distance - 0.03))?;
    let (ground, agrees) = peak(&before);
    let (raised, stands) = peak(&behind);
    let at_ground = at(&behind, ground);
    Some(Upstand {
        height_m: (raised - ground) * STEP_M,
        gain: stands - at_ground,
        agree: (agrees, stands),
        ground,
    })
}

/// Whether a strip farther behind is raised as well. The border of another ground is a line and
/// no more: behind it there is smooth ground, or ground that is level.
fn goes_on(strip: &ByHeight, edge: &Upstand) -> bool {
    let (raised, agrees) = peak(strip);
    agrees > LEAST_AGREE && (raised - edge.ground) * STEP_M > KERBS_M.0
}

/// Correlation of the ground from one distance to another, metres.
fn strip(
    l: &Layout,
    usable: &[bool],
    now: &[f32],
    earlier: &Earlier<'_>,
    columns: (usize, usize),
    (near, far): (f32, f32),
) -> Option<ByHeight> {
    let rows = (
        l.row(far).max(l.horizon_row as f32 + 1.0) as usize,
        (l.row(near) as usize).min(l.rows - 1),
    );
    correlate(l, usable, now, earlier, columns, rows)
}

/// An edge across the path, where the ground rises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    /// Columns over which it was seen.
    pub columns: (usize, usize),
    /// How far behind the camera's foot point it crosses the path, metres.
    pub along_m: f32,
    /// How high it is, metres.
    pub height_m: f32,
}

/// Seeks edges across the path straight behind the camera, nearest first.
pub(super) fn edges(l: &Layout, usable: &[bool], now: &[f32], earlier: &Earlier<'_>) -> Vec<Edge> {
    let ahead = -l.sine0 / l.sine_step;
    if !(0.0..l.columns as f32).contains(&ahead) {
        return Vec::new();
    }
    let column = ahead as usize;
    let raised = |u: &Upstand| {
        (KERBS_M.0..KERBS_M.1).contains(&u.height_m)
            && u.agree.0.min(u.agree.1) > LEAST_AGREE
            && u.gain > LEAST_GAIN
    };
    let mut seen = Vec::new();
    let mut distance = SOUGHT_M.0;
    while distance < SOUGHT_M.1 {
        let at = |distance| upstand(l, usable, now, earlier, column, distance);
        let found = at(distance).filter(raised).filter(|u| {
            let columns = columns_at(l, column, distance);
            let middle = BEHIND * distance + 0.5 * LONG_M;
            strip(l, usable, now, earlier, columns, (middle, middle + LONG_M))
                .is_some_and(|s| goes_on(&s, u))
        });
        seen.push((distance, found.unwrap_or_default()));
        distance *= SPACING;
    }
    let gain = |i: usize| seen.get(i).map_or(0.0, |s| s.1.gain);
    let greatest =
        |&i: &usize| gain(i) > 0.0 && gain(i) > gain(i.wrapping_sub(1)) && gain(i) >= gain(i + 1);
    let edge = |i: usize| {
        // Somewhat farther the strip behind is raised as well.
        let enough = |&n: &usize| gain(n) >= NEARLY * gain(i);
        let nearest = (0..=i).rev().take_while(enough).last().unwrap_or(i);
        let (distance, upstand) = seen[nearest];
        // And no farther than where its top is seen against the ground.
        let top = BEHIND * distance * (1.0 - upstand.height_m / l.height);
        Edge {
            columns: columns_at(l, column, distance),
            along_m: distance.min(top),
            height_m: upstand.height_m,
        }
    };
    (0..seen.len()).filter(greatest).map(edge).collect()
}

fn columns_at(l: &Layout, column: usize, distance: f32) -> (usize, usize) {
    let half = HALF_M / (distance * l.sine_step);
    (
        (column as f32 - half).max(0.0) as usize,
        ((column as f32 + half) as usize).min(l.columns - 1),
    )
}

/// Correlation of the cells of a strip with where they were, were it at each height.
fn correlate(
    l: &Layout,
    usable: &[bool],
    now: &[f32],
    earlier: &Earlier<'_>,
    columns: (usize, usize),
    rows: (usize, usize),
) -> Option<ByHeight> {
    if rows.0 >= rows.1 || columns.0 >= columns.1 {
        return None;
    }
    let every = |(first, last): (usize, usize), most: usize| (last - first) / most + 1;
    let (row_step, column_step) = (every(rows, ROWS), every(columns, COLUMNS));
    let mut sums = [Sums::default(); HEIGHTS];
    for r in (rows.0..=rows.1).step_by(row_step) {
        for c in (columns.0..=columns.1).step_by(column_step) {
            let k = l.at(c, r);
            if !usable[k] {
                continue;
            }
            let (x, y) = l.cell_place(c, r);
            for (i, sums) in sums.iter_mut().enumerate() {
                let lift = (FIRST_M + STEP_M * i as f32) / l.height;
                let then = l
                    .before(x, y, lift, &earlier.motion)
                    .and_then(|(c, r)| look(earlier.relief, l.columns, l.rows, c, r));
                if let Some(then) = then {
                    sums.add(now[k], then);
                }
            }
        }
    }
    let enough = sums.iter().all(|s| s.n >= LEAST as f32);
    enough.then(|| sums.map(Sums::correlation))
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f32,
    a: f32,
    b: f32,
    aa: f32,
    bb: f32,
    ab: f32,
}

impl Sums {
    fn add(&mut self, a: f32, b: f32) {
        self.n += 1.0;
        self.a += a;
        self.b += b;
        self.aa += a * a;
        self.bb += b * b;
        self.ab += a * b;
    }

    fn correlation(self) -> f32 {
        let over = self.ab - self.a * self.b / self.n;
        let a = self.aa - self.a * self.a / self.n;
        let b = self.bb - self.b * self.b / self.n;
        over / (a.max(1.0) * b.max(1.0)).sqrt()
    }
}

/// Where a curve is greatest, in steps to a fraction by the parabola through three, and how
/// great it is there.
fn peak(curve: &ByHeight) -> (f32, f32) {
    let mut best = 0;
    for (i, v) in curve.iter().enumerate() {
        if *v > curve[best] {
            best = i;
        }
    }
    if best == 0 || best + 1 == HEIGHTS {
        return (best as f32, curve[best]);
    }
    let (a, b, c) = (curve[best - 1], curve[best], curve[best + 1]);
    let bend = a - 2.0 * b + c;
    if bend > -1e-6 {
        return (best as f32, b);
    }
    let off = (0.5 * (a - c) / bend).clamp(-0.5, 0.5);
    (best as f32 + off, b - 0.25 * (a - c) * off)
}

/// A curve at a fraction of a step.
fn at(curve: &ByHeight, step: f32) -> f32 {
    let i = (step.max(0.0) as usize).min(HEIGHTS - 2);
    let f = step - i as f32;
    curve[i] + f * (curve[i + 1] - curve[i])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Grains of some 15 cm, -1..1.
    fn texture(x: f32, y: f32) -> f32 {
        let wave = |a: f32, b: f32, c: f32| (a * x + b * y + c).sin();
        (wave(28.0, 13.0, 0.3) + wave(-17.0, 31.0, 1.1) + wave(11.0, -23.0, 2.0)) / 3.0
    }

    /// The panorama of ground that lies `height` metres higher from `edge` metres behind the
    /// first place on, where `moved` metres from there; each cell by where its ray ends.
    fn seen(l: &Layout, moved: f32, edge: f32, height: f32) -> Vec<f32> {
        let mut out = vec![0.0; l.columns * l.rows];
        for r in l.horizon_row + 1..l.rows {
            for c in 0..l.columns {
                let (x, y) = l.cell_place(c, r);
                let keep = 1.0 - height / l.height;
                let behind = |x: f32| x + moved;
                out[l.at(c, r)] = if behind(x * keep) >= edge {
                    20.0 * texture(behind(x * keep), y * keep)
                } else if behind(x) >= edge {
                    // The face.
                    -10.0
                } else {
                    20.0 * texture(behind(x), y)
                };
            }
        }
        out
    }

    fn told(l: &Layout, edge: f32, height: f32) -> (Upstand, Vec<Edge>) {
        let moved = 0.5;
        let now = seen(l, moved, edge + moved, height);
        let before = seen(l, 0.0, edge + moved, height);
        let earlier = Earlier {
            relief: &before,
            motion: Motion {
                along: moved,
                ..Motion::default()
            },
        };
        let usable = vec![true; now.len()];
        let middle = (-l.sine0 / l.sine_step) as usize;
        (
            upstand(l, &usable, &now, &earlier, middle, edge).unwrap(),
            edges(l, &usable, &now, &earlier),
        )
    }

    /// Reference: the geometry of a pinhole over two level planes.
    #[test]
    fn raised_ground_is_told_with_its_height_and_its_edge() {
        let l = Layout::of_hatch();
        for (edge, height) in [(1.5, 0.08), (1.5, 0.15), (2.2, 0.1), (2.8, 0.14)] {
            let (upstand, edges) = told(&l, edge, height);
            assert!(
                (upstand.height_m - height).abs() < 0.025,
                "{edge} {upstand:?}"
            );
            assert!(upstand.gain > LEAST_GAIN, "{edge} {upstand:?}");
            let near = |e: &&Edge| (e.along_m / edge - 1.0).abs() < SPACING - 1.0;
            let found = edges.iter().find(near);
            assert!(found.is_some(), "{edge} {height}: {edges:?}");
        }
    }

    #[test]
    fn level_ground_has_no_edge() {
        let l = Layout::of_hatch();
        for edge in [1.5, 2.5] {
            let (upstand, edges) = told(&l, edge, 0.0);
            assert!(upstand.height_m.abs() < 0.02, "{upstand:?}");
            assert_eq!(edges, []);
        }
    }
}
