//! How much a group looks like something that stands.
//!
//! A small convolutional net (Y. LeCun, L. Bottou, Y. Bengio, P. Haffner, "Gradient-based
//! learning applied to document recognition", Proc. IEEE 86(11), 1998) looks at the view
//! of a group: two layers of 3 × 3 windows, each followed by the greatest of 2 × 2, and a
//! layer of all. `tests/fit/likeness.py` trains it on staged scenes. What it says is three of the
//! measures of [`super::standing`]; and [`super::groups`] holds contacts to the foot it sees.

use super::ground_model::Stages;
use super::panorama::Layout;
use super::view::{cut, shifted, COLUMNS, PLANES, ROWS, VIEW};
use super::weights as w;

/// Planes after each layer of windows, and neurons of the layer of all.
const FIRST: usize = 12;
const SECOND: usize = 16;
const HIDDEN: usize = 24;
const HALF: usize = ROWS / 2 * (COLUMNS / 2) * FIRST;
const QUARTER: usize = ROWS / 4 * (COLUMNS / 4) * SECOND;

/// What the net says of a view.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Likeness {
    /// Log-odds that what it shows stands.
    pub odds: f32,
    /// Where its foot is if it does: logarithm of the distance against the group's own.
    pub shift: f32,
    /// Mean error of that logarithm.
    pub doubt: f32,
}

/// How sure of the distance the net may be at most: what it says of its doubt is added to this.
const SUREST: f32 = 0.02;

/// What the net says of what may have its foot in this column and row. It looks twice, the second time where it saw the foot: of the
/// distance that tells more. Of clips that a net had not been trained on, it was off by 0.15 and
/// more in 27 of 100 after the first look, in 22 after the second.
pub(super) fn look(
    l: &Layout,
    s: &Stages,
    windows: &[f32],
    usable: &[bool],
    (column, foot): (usize, f32),
) -> Likeness {
    let at = |foot: f32| likeness(&cut(l, s, windows, usable, (column, foot)));
    let first = at(foot);
    let shifted = shifted(l, foot, first.shift);
    let again = at(shifted);
    Likeness {
        odds: 0.5 * (first.odds + again.odds),
        shift: again.shift + (l.distance(shifted) / l.distance(foot)).ln(),
        doubt: again.doubt,
    }
}

/// What the net says of a view.
fn likeness(view: &[f32; VIEW]) -> Likeness {
    let mut half = [0.0; HALF];
    layer::<PLANES, FIRST>(view, ROWS, COLUMNS, &w::FIRST, &w::FIRST_BIAS, &mut half);
    let mut quarter = [0.0; QUARTER];
    let (rows, columns) = (ROWS / 2, COLUMNS / 2);
    layer::<FIRST, SECOND>(
        &half,
        rows,
        columns,
        &w::SECOND,
        &w::SECOND_BIAS,
        &mut quarter,
    );
    let mut hidden = w::HIDDEN_BIAS;
    for (&x, weights) in quarter.iter().zip(w::HIDDEN.chunks_exact(HIDDEN)) {
        if x > 0.0 {
            for (sum, weight) in hidden.iter_mut().zip(weights) {
                *sum += x * weight;
            }
        }
    }
    let mut out = w::LAST_BIAS;
    for (&x, weights) in hidden.iter().zip(w::LAST.chunks_exact(out.len())) {
        for (sum, weight) in out.iter_mut().zip(weights) {
            *sum += x.max(0.0) * weight;
        }
    }
    let [odds, shift, more] = out;
    Likeness {
        odds,
        shift,
        doubt: SUREST + more.exp(),
    }
}

/// Windows of 3 × 3 over `IN` planes, what is negative to 0, and the greatest of each
/// 2 × 2. Values of a cell lie side by side, then columns, then rows.
fn layer<const IN: usize, const OUT: usize>(
    input: &[f32],
    rows: usize,
    columns: usize,
    weights: &[f32],
    bias: &[f32; OUT],
    output: &mut [f32],
) {
    for r in 0..rows {
        for c in 0..columns {
            let mut sums = *bias;
            for (window, weights) in weights.chunks_exact(IN * OUT).enumerate() {
                let (y, x) = (r + window / 3, c + window % 3);
                // One row and one column of nothing all around.
                if y == 0 || y > rows || x == 0 || x > columns {
                    continue;
                }
                let cell = ((y - 1) * columns + x - 1) * IN;
                let values = &input[cell..cell + IN];
                for (&value, weights) in values.iter().zip(weights.chunks_exact(OUT)) {
                    for (sum, weight) in sums.iter_mut().zip(weights) {
                        *sum += value * weight;
                    }
                }
            }
            let at = ((r / 2) * (columns / 2) + c / 2) * OUT;
            for (greatest, sum) in output[at..at + OUT].iter_mut().zip(sums) {
                *greatest = greatest.max(sum);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reference: the same net computed by JAX, for views drawn by lot.
    #[test]
    fn the_net_says_what_jax_says() {
        let table = include_str!("../../tests/reference/likeness.csv");
        let mut seen = 0;
        for line in table.lines().skip(1) {
            let mut row = line.split(',').map(|v| v.parse::<f32>().unwrap());
            let mut expected = || row.next().unwrap();
            let (odds, shift, doubt) = (expected(), expected(), expected());
            let mut view = [0.0; VIEW];
            let values: Vec<f32> = row.map(|v| v / 254.0).collect();
            view.copy_from_slice(&values);
            let told = likeness(&view);
            assert!((told.odds - odds).abs() < 0.01, "{told:?}, not {odds}");
            assert!((told.shift - shift).abs() < 0.002, "{told:?}, not {shift}");
            assert!((told.doubt - doubt).abs() < 0.002, "{told:?}, not {doubt}");
            seen += 1;
        }
        assert!(seen >= 10, "{seen} lines");
    }
}
