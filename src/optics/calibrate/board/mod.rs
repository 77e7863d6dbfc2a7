//! Finds a checkerboard in a picture, and prints one.

mod corners;
mod grey;
mod grid;
pub mod print;

use std::collections::HashMap;
use std::fmt;

use corners::Corner;
use grid::Cells;

pub use grey::Grey;

use crate::optics::PixelPoint;

/// The board: how many inner corners it has, and how large its squares are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoardSize {
    /// Inner corners along a row of squares.
    pub columns: u32,
    /// Inner corners along a column of squares.
    pub rows: u32,
}

impl std::str::FromStr for BoardSize {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let advice = "give the inner corners as COLUMNSxROWS, each from 3 to 40, such as 9x6";
        let (a, b) = text.split_once(['x', 'X', '×']).ok_or(advice)?;
        let count = |s: &str| s.trim().parse().ok().filter(|n| (3..=40).contains(n));
        match (count(a), count(b)) {
            (Some(columns), Some(rows)) => Ok(BoardSize { columns, rows }),
            _ => Err(advice.to_owned()),
        }
    }
}

impl fmt::Display for BoardSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}x{}", self.columns, self.rows)
    }
}

/// An inner corner of the board in a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoardCorner {
    /// Column on the board, from 0.
    pub column: u32,
    /// Row on the board, from 0.
    pub row: u32,
    /// Where it is seen.
    pub at: PixelPoint,
}

/// A board found in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundBoard {
    /// Its corners by row, then column. Which of the board's corners is counted
    /// first is not known; columns and rows are never mirrored.
    pub corners: Vec<BoardCorner>,
    /// Whether every corner of the board was found.
    pub whole: bool,
}

/// Why a picture shows no board.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoBoard {
    /// Nothing like it.
    #[error("no board in sight; fill a third of the picture with it, sharp and evenly lit")]
    Nothing,
    /// Only some corners hang together.
    #[error("only {found} of {of} corners hang together; show more of the board, sharp and without glare")]
    TooFew {
        /// Corners that form the largest grid.
        found: usize,
        /// Corners of the whole board.
        of: usize,
    },
    /// More corners than the board has.
    #[error("the board in it has {columns}x{rows} inner corners; give --board {columns}x{rows}")]
    OtherSize {
        /// Columns seen.
        columns: i32,
        /// Rows seen.
        rows: i32,
    },
}

/// Pictures of up to so many pixels are looked at in double size as well.
const MOST_DOUBLED: usize = 1_500_000;
/// So many separate grids are looked at in a picture.
const MOST_GRIDS: usize = 6;
/// Part of a board that is still worth using.
const LEAST_SHARE: f64 = 0.4;
/// Corners of a whole board that may be filled in where they are expected.
const FILLED_SHARE: f64 = 0.15;

/// Finds the board. Tries the picture at full, half and quarter size, so large
/// blurred squares are found too, and small pictures at double size for squares
/// of a few pixels; places are always measured at full size.
///
/// # Errors
/// [`NoBoard`] says what was seen instead.
pub fn find_board(picture: &Grey, size: BoardSize) -> Result<FoundBoard, NoBoard> {
    let mut best: Option<FoundBoard> = None;
    let mut trouble = NoBoard::Nothing;
    let small = picture.width * picture.height <= MOST_DOUBLED && !picture.data.is_empty();
    let mut scales = vec![1.0, 2.0, 4.0];
    if small {
        scales.push(0.5);
    }
    let mut level = picture.clone();
    for scale in scales {
        if scale > 1.0 {
            level = level.halved();
        } else if scale < 1.0 {
            level = picture.doubled();
        }
        match at_level(picture, &level, scale, size) {
            Ok(found) => {
                let better = best
                    .as_ref()
                    .is_none_or(|b| found.corners.len() > b.corners.len());
                let done = found.whole;
                if better {
                    best = Some(found);
                }
                if done {
                    break;
                }
            }
            // A grid hardly larger than asked for is the board itself; half the
            // picture's size would lose corners and make it pass. One much
            // larger is a pattern of something else.
            Err(other @ NoBoard::OtherSize { columns, rows }) => {
                if columns.max(rows) <= size.columns.max(size.rows) as i32 + 4 {
                    return Err(other);
                }
                trouble = other;
            }
            Err(few @ NoBoard::TooFew { .. }) if trouble == NoBoard::Nothing => trouble = few,
            Err(_) => {}
        }
    }
    best.ok_or(trouble)
}

fn at_level(
    picture: &Grey,
    level: &Grey,
    scale: f64,
    size: BoardSize,
) -> Result<FoundBoard, NoBoard> {
    let corners = corners::candidates(level);
    let mut trouble = NoBoard::Nothing;
    // The largest grid may be a tiled floor.
    for cells in grid::grids(&corners).iter().take(MOST_GRIDS) {
        match in_grid(picture, scale, size, &corners, cells) {
            Err(why) if trouble == NoBoard::Nothing => trouble = why,
            Err(_) => {}
            found => return found,
        }
    }
    Err(trouble)
}

fn in_grid(
    picture: &Grey,
    scale: f64,
    size: BoardSize,
    corners: &[Corner],
    cells: &Cells,
) -> Result<FoundBoard, NoBoard> {
    let of = (size.columns * size.rows) as usize;
    let (columns, rows) = (size.columns as i32, size.rows as i32);
    // Of the two ways round, the one that holds more.
    let upright = grid::best_window(cells, columns, rows);
    let turned = grid::best_window(cells, rows, columns);
    let is_turned = turned.2 > upright.2;
    let (i0, j0, held) = if is_turned { turned } else { upright };
    let (w, h) = if is_turned {
        (rows, columns)
    } else {
        (columns, rows)
    };
    let (seen_columns, seen_rows) = grid::full_size(cells);
    let seen = (seen_columns.max(seen_rows), seen_columns.min(seen_rows));
    let asked = (columns.max(rows), columns.min(rows));
    if held == of && seen != asked && seen.0 >= asked.0 && seen.1 >= asked.1 {
        return Err(NoBoard::OtherSize {
            columns: seen.0,
            rows: seen.1,
        });
    }
    if (held as f64) < LEAST_SHARE * of as f64 || held < 12 {
        return Err(NoBoard::TooFew { found: held, of });
    }
    let to_full = |p: PixelPoint| PixelPoint {
        u: scale * p.u + 0.5 * (scale - 1.0),
        v: scale * p.v + 0.5 * (scale - 1.0),
    };
    let mut placed: HashMap<(i32, i32), PixelPoint> = cells
        .iter()
        .map(|(&(i, j), &corner)| ((i - i0, j - j0), to_full(corners[corner].at)))
        .filter(|((i, j), _)| (0..w).contains(i) && (0..h).contains(j))
        .collect();
    if held as f64 >= (1.0 - FILLED_SHARE) * of as f64 {
        fill_in(picture, &mut placed, w, h);
    }
    let refined: Vec<BoardCorner> = (0..h)
        .flat_map(|j| (0..w).map(move |i| (i, j)))
        .filter_map(|(i, j)| {
            let start = *placed.get(&(i, j))?;
            let half = window(&placed, (i, j), picture.width)?;
            let at = corners::refine(picture, start, half)?;
            // Turned boards are counted the other way: (i, j) → (j, w − 1 − i)
            // keeps the handedness.
            let (column, row) = if is_turned { (j, w - 1 - i) } else { (i, j) };
            Some(BoardCorner {
                column: column as u32,
                row: row as u32,
                at,
            })
        })
        .collect();
    let mut corners = refined;
    // Of the two ways to count a board, the one that starts further up and left.
    let sum = |c: &BoardCorner| c.at.u + c.at.v;
    let first = corners.iter().min_by_key(|c| c.row + c.column);
    let last = corners.iter().max_by_key(|c| c.row + c.column);
    if let (Some(first), Some(last)) = (first, last) {
        if sum(first) > sum(last) {
            for c in &mut corners {
                c.column = size.columns - 1 - c.column;
                c.row = size.rows - 1 - c.row;
            }
        }
    }
    corners.sort_by_key(|c| (c.row, c.column));
    if (corners.len() as f64) < LEAST_SHARE * of as f64 {
        return Err(NoBoard::TooFew {
            found: corners.len(),
            of,
        });
    }
    let whole = corners.len() == of;
    Ok(FoundBoard { corners, whole })
}

/// Half the refinement window: well inside the nearest *edge*. On a board seen
/// aslant that is much nearer than the nearest corner, and a window that holds
/// some of it pulls the corner away by a pixel.
fn window(
    placed: &HashMap<(i32, i32), PixelPoint>,
    (i, j): (i32, i32),
    width: usize,
) -> Option<f64> {
    let p = placed.get(&(i, j))?;
    let arm = |di: i32, dj: i32| {
        let n = placed.get(&(i + di, j + dj))?;
        Some((n.u - p.u, n.v - p.v))
    };
    let mut near = f64::INFINITY;
    for a in [arm(1, 0), arm(-1, 0)].into_iter().flatten() {
        for b in [arm(0, 1), arm(0, -1)].into_iter().flatten() {
            let area = (a.0 * b.1 - a.1 * b.0).abs();
            near = near.min(area / a.0.hypot(a.1).max(b.0.hypot(b.1)));
        }
    }
    near.is_finite().then(|| half_window(near, width))
}

fn half_window(near: f64, width: usize) -> f64 {
    (0.45 * near).min((0.009 * width as f64).max(5.0)).max(2.5)
}

/// Puts missing corners where their neighbours say and keeps those that a
/// corner is really found at.
fn fill_in(picture: &Grey, placed: &mut HashMap<(i32, i32), PixelPoint>, w: i32, h: i32) {
    for _ in 0..3 {
        let missing: Vec<(i32, i32)> = (0..h)
            .flat_map(|j| (0..w).map(move |i| (i, j)))
            .filter(|cell| !placed.contains_key(cell))
            .collect();
        for cell in missing {
            let Some(guess) = grid::expected(placed, cell) else {
                continue;
            };
            let Some(half) = placed
                .values()
                .map(|p| (p.u - guess.u).hypot(p.v - guess.v))
                .min_by(f64::total_cmp)
                .map(|near| half_window(0.7 * near, picture.width))
            else {
                continue;
            };
            if let Some(at) = corners::refine(picture, guess, half) {
                if (at.u - guess.u).hypot(at.v - guess.v) < 0.5 * half {
                    placed.insert(cell, at);
                }
            }
        }
    }
}
