//! Links corner candidates into the grid of a checkerboard.
//!
//! Links are local: from a corner along one of its edges to the nearest corner
//! that has an edge pointing back and the dark square on the same side. So the
//! grid may be bent as much as a fisheye bends it.

use std::collections::{HashMap, VecDeque};
use std::f64::consts::{PI, TAU};

use super::corners::Corner;
use crate::optics::PixelPoint;

/// A grid: corner index by column and row, unbounded in all directions.
pub(super) type Cells = HashMap<(i32, i32), usize>;

/// An edge may point past its neighbour by this much, radians.
const AIM: f64 = 0.4;
/// So many nearest candidates are looked at for a link.
const NEAREST: usize = 40;
/// A row may bend by this share of its spacing from corner to corner.
const BEND: f64 = 0.35;

fn turn_between(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(TAU);
    d.min(TAU - d)
}

/// Neighbour and its edge that points back, per corner and edge.
type Links = Vec<[Option<(usize, usize)>; 4]>;

fn links(corners: &[Corner]) -> Links {
    let best: Links = corners
        .iter()
        .enumerate()
        .map(|(index, corner)| best_links(corners, index, corner))
        .collect();
    // Only links that both ends would choose.
    (0..corners.len())
        .map(|c| std::array::from_fn(|k| best[c][k].filter(|&(n, m)| best[n][m] == Some((c, k)))))
        .collect()
}

fn best_links(corners: &[Corner], index: usize, corner: &Corner) -> [Option<(usize, usize)>; 4] {
    let mut near: Vec<(f64, usize)> = corners
        .iter()
        .enumerate()
        .filter(|(other, _)| *other != index)
        .map(|(other, n)| {
            let (du, dv) = (n.at.u - corner.at.u, n.at.v - corner.at.v);
            (du * du + dv * dv, other)
        })
        .collect();
    if near.len() > NEAREST {
        near.select_nth_unstable_by(NEAREST, |a, b| a.0.total_cmp(&b.0));
        near.truncate(NEAREST);
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut best = [None; 4];
    for (_, other) in near {
        let n = &corners[other];
        let toward = (n.at.v - corner.at.v).atan2(n.at.u - corner.at.u);
        let Some(k) = (0..4).find(|&k| turn_between(corner.edges[k], toward) < AIM) else {
            continue;
        };
        if best[k].is_some() {
            continue;
        }
        let back = (0..4).find(|&m| {
            turn_between(n.edges[m], toward + PI) < AIM
                && n.bright_after[m] != corner.bright_after[k]
        });
        if let Some(m) = back {
            best[k] = Some((other, m));
        }
    }
    best
}

/// All grids of linked corners, largest first. Columns and rows turn the way
/// picture columns and rows do (never mirrored), from any of four starts.
pub(super) fn grids(corners: &[Corner]) -> Vec<Cells> {
    let links = links(corners);
    let mut seen = vec![false; corners.len()];
    let mut grids = Vec::new();
    for start in 0..corners.len() {
        if seen[start] {
            continue;
        }
        seen[start] = true;
        let mut cells = Cells::from([((0, 0), start)]);
        // Cell and the turn from edge number to grid direction.
        let mut queue = VecDeque::from([(start, (0, 0), 0)]);
        while let Some((c, (i, j), turn)) = queue.pop_front() {
            for (k, link) in links[c].iter().enumerate() {
                let &Some((n, m)) = link else { continue };
                let direction = (k + turn) % 4;
                let (di, dj) = [(1, 0), (0, 1), (-1, 0), (0, -1)][direction];
                let cell = (i + di, j + dj);
                if seen[n] || cells.contains_key(&cell) {
                    continue;
                }
                seen[n] = true;
                cells.insert(cell, n);
                queue.push_back((n, cell, (direction + 6 - m) % 4));
            }
        }
        drop_bent(&mut cells, corners);
        if cells.len() >= 6 {
            grids.push(cells);
        }
    }
    grids.sort_by_key(|cells| std::cmp::Reverse(cells.len()));
    grids
}

/// Takes out corners that break the line of their row or column.
fn drop_bent(cells: &mut Cells, corners: &[Corner]) {
    let at = |cells: &Cells, i, j| cells.get(&(i, j)).map(|&c: &usize| corners[c].at);
    let mut blame: HashMap<(i32, i32), u32> = HashMap::new();
    for &(i, j) in cells.keys() {
        for (di, dj) in [(1, 0), (0, 1)] {
            let (Some(a), Some(b), Some(c)) = (
                at(cells, i - di, j - dj),
                at(cells, i, j),
                at(cells, i + di, j + dj),
            ) else {
                continue;
            };
            let bend = (a.u + c.u - 2.0 * b.u).hypot(a.v + c.v - 2.0 * b.v);
            if bend > BEND * (c.u - a.u).hypot(c.v - a.v) {
                for cell in [(i - di, j - dj), (i, j), (i + di, j + dj)] {
                    *blame.entry(cell).or_default() += 1;
                }
            }
        }
    }
    cells.retain(|cell, _| blame.get(cell).is_none_or(|&times| times < 2));
}

/// Least and greatest column and row.
pub(super) fn extent(cells: &Cells) -> (i32, i32, i32, i32) {
    cells.keys().fold(
        (i32::MAX, i32::MIN, i32::MAX, i32::MIN),
        |(a, b, c, d), &(i, j)| (a.min(i), b.max(i), c.min(j), d.max(j)),
    )
}

/// Columns and rows that are full or lack a corner: the size of the board, without
/// stray corners beside it.
pub(super) fn full_size(cells: &Cells) -> (i32, i32) {
    let full = |line: fn(&(i32, i32)) -> i32| {
        let mut counts: HashMap<i32, i32> = HashMap::new();
        for cell in cells.keys() {
            *counts.entry(line(cell)).or_default() += 1;
        }
        let most = counts.values().copied().max().unwrap_or(0);
        counts.values().filter(|&&n| 20 * n >= 17 * most).count() as i32
    };
    (full(|c| c.0), full(|c| c.1))
}

/// The window of `columns` × `rows` cells that holds most corners: its first
/// column and row and how many it holds.
pub(super) fn best_window(cells: &Cells, columns: i32, rows: i32) -> (i32, i32, usize) {
    let (i0, i1, j0, j1) = extent(cells);
    let mut best = (i0, j0, 0);
    for j in j0..=(j1 - rows + 1).max(j0) {
        for i in i0..=(i1 - columns + 1).max(i0) {
            let held = cells
                .keys()
                .filter(|&&(a, b)| a >= i && a < i + columns && b >= j && b < j + rows)
                .count();
            if held > best.2 {
                best = (i, j, held);
            }
        }
    }
    best
}

/// Where a missing cell should be, from its neighbours on a line.
pub(super) fn expected(
    placed: &HashMap<(i32, i32), PixelPoint>,
    (i, j): (i32, i32),
) -> Option<PixelPoint> {
    let at = |di: i32, dj: i32| placed.get(&(i + di, j + dj));
    let mut guesses = Vec::new();
    for (di, dj) in [(1, 0), (0, 1), (-1, 0), (0, -1)] {
        if let (Some(a), Some(b)) = (at(di, dj), at(-di, -dj)) {
            guesses.push((0.5 * (a.u + b.u), 0.5 * (a.v + b.v)));
        } else if let (Some(a), Some(b)) = (at(di, dj), at(2 * di, 2 * dj)) {
            guesses.push((2.0 * a.u - b.u, 2.0 * a.v - b.v));
        }
    }
    let n = guesses.len() as f64;
    (!guesses.is_empty()).then(|| PixelPoint {
        u: guesses.iter().map(|g| g.0).sum::<f64>() / n,
        v: guesses.iter().map(|g| g.1).sum::<f64>() / n,
    })
}
