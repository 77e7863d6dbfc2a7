//! Which cells show the own vehicle, found while it moves.
//!
//! Ground runs through the near part of the picture as the vehicle moves, and
//! whatever stands there came in over ground. A cell that has never changed
//! while its row did, shows the vehicle itself or its lasting dirt.

use super::panorama::Layout;

/// How fast a cell's usual change is learnt, per frame.
const FOLLOW: f32 = 0.15;
/// A cell is alive once it changes by this share of what its row does.
const ALIVE: f32 = 0.6;
/// Ground must move through at least this many rows to tell, and a row change
/// by this much luma.
const LEAST_ROWS: f32 = 1.0;
const LEAST_CHANGE: f32 = 2.5;
/// Frames of motion before anything is concluded.
const LEARN: u8 = 8;

/// What is known of each cell.
#[derive(Debug, Clone)]
pub(super) struct OwnParts {
    change: Vec<f32>,
    alive: Vec<bool>,
    told: Vec<u8>,
    lively: Vec<bool>,
    row: Vec<f32>,
}

impl OwnParts {
    /// Nothing known of `cells` cells.
    pub fn new(cells: usize) -> Self {
        OwnParts {
            change: vec![0.0; cells],
            alive: vec![false; cells],
            told: vec![0; cells],
            lively: Vec::new(),
            row: Vec::new(),
        }
    }

    /// Whether the cell has shown to belong to the vehicle.
    pub fn holds(&self, cell: usize) -> bool {
        !self.alive[cell] && self.told[cell] >= LEARN
    }

    /// Whether the cell may belong to the vehicle: ground has run through its
    /// row, but not through it.
    pub fn may_hold(&self, l: &Layout, cell: usize) -> bool {
        !self.alive[cell] && self.lively.get(cell / l.columns) == Some(&true)
    }

    /// Learns from two pictures between which the vehicle moved by `along` m.
    pub fn step(&mut self, l: &Layout, usable: &[bool], now: &[f32], old: &[f32], along: f32) {
        self.lively.resize(l.rows, false);
        for r in l.horizon_row..l.rows {
            let rho = l.row_distance[r];
            let moved =
                along.abs() * l.height / (l.height * l.height + rho * rho) / l.depression_step;
            if moved < LEAST_ROWS {
                continue;
            }
            let cells = r * l.columns..(r + 1) * l.columns;
            self.row.clear();
            for k in cells.clone() {
                if usable[k] && l.watched[k] {
                    let change = (now[k] - old[k]).abs();
                    self.change[k] += FOLLOW * (change - self.change[k]);
                    self.row.push(self.change[k]);
                }
            }
            if self.row.len() < 16 {
                continue;
            }
            // The own parts may fill much of a row: the lively quarter counts.
            let q = self.row.len() * 3 / 4;
            let usual = *self.row.select_nth_unstable_by(q, f32::total_cmp).1;
            if usual < LEAST_CHANGE {
                continue;
            }
            self.lively[r] = true;
            for k in cells {
                if self.change[k] > ALIVE * usual {
                    self.alive[k] = true;
                } else if usable[k] {
                    self.told[k] = self.told[k].saturating_add(1);
                }
            }
        }
    }
}
