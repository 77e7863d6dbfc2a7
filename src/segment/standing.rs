//! How surely a group of columns stands.
//!
//! No single measure tells a thing from ground: a joint points at the camera, shade
//! has another colour, snow seems to move. What a group measures, what the ground
//! before it and beside it measures, and how the picture as a whole is known, are
//! weighed together by boosted regression trees (J. H. Friedman, "Greedy Function
//! Approximation: A Gradient Boosting Machine", Annals of Statistics 29(5), 2001,
//! doi:10.1214/aos/1013203451). They are grown on staged scenes whose truth is known,
//! by `tests/fit/standing.py`, and stand in [`super::trees`].

use super::ground_model::Stages;
use super::groups::{implied_height, Run};
use super::likeness::look;
use super::panorama::Layout;
use super::trees::TREES;
use super::upstand::{upstand, Earlier};

/// Log-odds of an appearance or of all cues from which a cell stands out, and of height
/// from which a cell is seen to be high, or low.
const STANDS_OUT: f32 = 0.5;
const HIGH: f32 = 0.7;
/// Memory of a foot from which it is believed.
const FOOT: f32 = 6.0;
/// What an appearance counts at most, either way.
const COLOUR: (f32, f32) = (-1.0, 2.5);
/// Rows before a group, and columns beside it, that are looked at.
const BEFORE: (usize, usize) = (2, 8);
const BESIDE: (usize, usize) = (4, 12);
/// At rest for longer is as good, seconds.
const LONG_S: f32 = 5.0;
/// Every so many rows and columns of the picture as a whole are counted.
const EVERY: usize = 2;

macro_rules! measures {
    ($($(#[$doc:meta])* $name:ident,)*) => {
        /// What is known of a group, in this order.
        #[derive(Debug, Clone, Copy, Default, PartialEq)]
        pub(super) struct Measures { $($(#[$doc])* pub $name: f32,)* }

        impl Measures {
            /// Names of the measures, in order.
            pub const NAMES: &[&str] = &[$(stringify!($name),)*];

            /// The measures in order.
            pub fn values(&self) -> [f32; Measures::NAMES.len()] {
                [$(self.$name,)*]
            }
        }
    };
}

measures! {
    /// How often its columns were looked at before, to find ground.
    looks,
    /// Whether it begins where the own vehicle ends.
    at_rim,
    /// Median distance from the camera's foot point, metres.
    distance_m,
    /// From its first column to its last, metres and columns.
    width_m,
    columns,
    /// Median and greatest height, metres.
    height_m,
    highest_m,
    /// Median rows, and cells below the horizon.
    rows,
    cells,
    /// Upright edges: the best column's mean, and that of all.
    upright,
    uprights,
    /// Mean size of the local contrast.
    relief,
    /// What the sweep brought: all columns, the best, share of columns.
    swept,
    swept_best,
    swept_share,
    /// Mean sum of a column's evidence.
    sum,
    /// Share of columns that reach the horizon.
    crossing,
    /// Steps of distance from column to column, as a share of the distance.
    ragged,
    /// Median rows down to the own vehicle.
    above_own,
    /// Means over its cells: height, change, texture that is missing, appearance.
    parallax,
    change,
    smooth,
    colour,
    /// Height by windows alone: mean, share that is high, share that is flat.
    windows,
    windows_high,
    windows_flat,
    /// Mean luma; against the ground before it, and beside it.
    luma,
    luma_before,
    luma_beside,
    /// Share of cells of another colour, and of feet.
    coloured,
    feet,
    /// The ground before it: height by windows, appearance, contrast, all cues.
    before_windows,
    before_colour,
    before_relief,
    before_odds,
    /// The same beside it, in its rows.
    beside_windows,
    beside_colour,
    beside_relief,
    beside_odds,
    /// The own motion: whether it is known, how surely, what it leaves, metres a second,
    /// seconds at rest.
    moves,
    quality,
    residual,
    speed,
    still_s,
    /// The watched ground as a whole: share that stands out, height by windows, share of
    /// another colour, share of feet; usual step of luma and spread of gradients; how
    /// well its colours are known.
    cluttered,
    all_windows,
    all_coloured,
    all_feet,
    texture,
    spread,
    proven,
    /// What moves by itself: mean over its cells, and over the watched ground.
    stir,
    all_stir,
    /// How far its mean luma is outside those of its two sides, as a logarithm: an edge of
    /// light is between them.
    outlying,
    /// At rest, how much more the light has changed on one side of it, or on itself, than on
    /// another, as a logarithm.
    relit,
    /// How much higher the ground behind it lies than that before it, metres; how much better
    /// it agrees with an earlier picture so; and how well both agree.
    upstand_m,
    upstand_gain,
    behind_agrees,
    before_agrees,
    /// How much it looks like what stands, log-odds; where its foot is by the looks, if it
    /// does: logarithm of the distance against its own; mean error of that.
    likeness,
    shift,
    doubt,
}

/// What is known besides the group.
#[derive(Debug, Clone, Copy)]
pub(super) struct Circumstances<'a> {
    /// Height by windows, per cell, and whether the cell shows anything but the own vehicle.
    pub windows: &'a [f32],
    pub usable: &'a [bool],
    /// What to compare with, if the vehicle has moved far enough.
    pub earlier: Option<Earlier<'a>>,
    /// The measures of the picture as a whole.
    pub picture: Measures,
}

/// The measures of the picture as a whole.
pub(super) fn of_picture(l: &Layout, s: &Stages, usable: &[bool], windows: &[f32]) -> Measures {
    let mut m = Measures::default();
    let mut n = 0.0f32;
    for r in (l.horizon_row..l.rows).step_by(EVERY) {
        for k in (l.at(0, r)..l.at(0, r) + l.columns).step_by(EVERY) {
            if !usable[k] || !l.watched[k] {
                continue;
            }
            n += 1.0;
            m.cluttered += f32::from(s.odds[k] > STANDS_OUT);
            m.all_windows += windows[k];
            m.all_stir += s.stir[k];
            m.all_coloured += f32::from(s.appearance[k] > STANDS_OUT);
            m.all_feet += f32::from(s.standing.get(k).is_some_and(|&f| f > FOOT));
        }
    }
    for v in [
        &mut m.cluttered,
        &mut m.all_windows,
        &mut m.all_stir,
        &mut m.all_coloured,
        &mut m.all_feet,
    ] {
        *v /= n.max(1.0);
    }
    m
}

/// Sums over cells of ground near a group.
#[derive(Debug, Default)]
struct Patch {
    cells: f32,
    windows: f32,
    colour: f32,
    luma: f32,
    relief: f32,
    odds: f32,
}

impl Patch {
    fn add(&mut self, s: &Stages, windows: &[f32], k: usize) {
        self.cells += 1.0;
        self.windows += windows[k];
        self.colour += s.appearance[k].clamp(COLOUR.0, COLOUR.1);
        self.luma += s.panorama.y[k];
        self.relief += s.relief[k].abs();
        self.odds += s.odds[k];
    }

    fn mean(mut self) -> Patch {
        let scale = 1.0 / self.cells.max(1.0);
        for v in [
            &mut self.windows,
            &mut self.colour,
            &mut self.luma,
            &mut self.relief,
            &mut self.odds,
        ] {
            *v *= scale;
        }
        self
    }
}

/// Measures a group whose columns were looked at `looks` times before.
pub(super) fn measure(
    l: &Layout,
    s: &Stages,
    about: &Circumstances<'_>,
    group: &[Run],
    looks: usize,
    at_rim: bool,
) -> Measures {
    let (Some(&first), Some(&last)) = (group.first(), group.last()) else {
        return Measures::default();
    };
    let windows = about.windows;
    let mut m = about.picture;
    m.still_s = m.still_s.min(LONG_S);
    m.looks = looks as f32;
    m.at_rim = f32::from(at_rim);
    m.distance_m = median(group.iter().map(|r| r.distance));
    let (a, b) = (
        l.place(first.column, first.contact),
        l.place(last.column, last.contact),
    );
    m.width_m = (a.0 - b.0).hypot(a.1 - b.1);
    let columns = group.len() as f32;
    m.columns = columns;
    let height = |run: &Run| implied_height(l, run.distance, run.top);
    m.height_m = median(group.iter().map(height));
    m.highest_m = group.iter().map(height).fold(0.0, f32::max);
    m.rows = median(group.iter().map(|r| (r.bottom - r.top) as f32));
    let mut own = Patch::default();
    let mut before = Patch::default();
    for run in group {
        let mut side = 0.0f32;
        for r in run.top..=run.bottom {
            let k = l.at(run.column, r);
            side += s.upright[k];
            if r < l.horizon_row {
                continue;
            }
            own.add(s, windows, k);
            m.parallax += s.parallax[k];
            m.change += s.change[k];
            m.stir += s.stir[k];
            m.smooth += s.smooth[k];
            m.windows_high += f32::from(windows[k] > HIGH);
            m.windows_flat += f32::from(windows[k] < -HIGH);
            m.coloured += f32::from(s.appearance[k] > STANDS_OUT);
            m.feet += f32::from(s.standing.get(k).is_some_and(|&f| f > FOOT));
        }
        let side = side / (run.bottom - run.top + 1) as f32;
        m.upright = m.upright.max(side);
        m.uprights += side / columns;
        m.swept += run.swept;
        m.swept_best = m.swept_best.max(run.swept);
        m.swept_share += f32::from(run.swept > 0.0) / columns;
        m.sum += run.sum / columns;
        m.crossing += f32::from(run.top <= l.horizon_row + 1) / columns;
        for r in run.bottom + BEFORE.0..(run.bottom + BEFORE.1).min(l.rows) {
            before.add(s, windows, l.at(run.column, r));
        }
    }
    let mut beside = Patch::default();
    for i in BESIDE.0..BESIDE.1 {
        let outside = [
            first.column.checked_sub(i).map(|c| (c, first)),
            Some((last.column + i, last)).filter(|(c, _)| *c < l.columns),
        ];
        for (c, run) in outside.into_iter().flatten() {
            for r in run.top.max(l.horizon_row)..=run.bottom {
                beside.add(s, windows, l.at(c, r));
            }
        }
    }
    m.cells = own.cells;
    let scale = 1.0 / own.cells.max(1.0);
    for v in [
        &mut m.parallax,
        &mut m.change,
        &mut m.stir,
        &mut m.smooth,
        &mut m.windows_high,
        &mut m.windows_flat,
        &mut m.coloured,
        &mut m.feet,
    ] {
        *v *= scale;
    }
    let (own, before, beside) = (own.mean(), before.mean(), beside.mean());
    (m.relief, m.colour, m.windows, m.luma) = (own.relief, own.colour, own.windows, own.luma);
    m.luma_before = own.luma / (before.luma + 1.0);
    m.luma_beside = own.luma / (beside.luma + 1.0);
    (m.before_windows, m.before_colour) = (before.windows, before.colour);
    (m.before_relief, m.before_odds) = (before.relief, before.odds);
    (m.beside_windows, m.beside_colour) = (beside.windows, beside.colour);
    (m.beside_relief, m.beside_odds) = (beside.relief, beside.odds);
    let steps = group
        .windows(2)
        .map(|p| (p[0].distance - p[1].distance).powi(2));
    m.ragged = (steps.sum::<f32>() / columns).sqrt() / m.distance_m.max(0.05);
    let below = |r: &Run| {
        s.lowest
            .get(r.column)
            .map_or(0.0, |&e| e as f32 - r.bottom as f32)
    };
    m.above_own = median(group.iter().map(below));
    (m.outlying, m.relit) = lighting(l, s, group, first, last);
    let middle = group[group.len() / 2];
    if let Some(earlier) = &about.earlier {
        let (column, distance) = (middle.column, m.distance_m);
        if let Some(u) = upstand(l, about.usable, &s.relief, earlier, column, distance) {
            (m.upstand_m, m.upstand_gain) = (u.height_m, u.gain);
            (m.before_agrees, m.behind_agrees) = u.agree;
        }
    }
    let foot = (middle.column, middle.contact);
    let looks = look(l, s, windows, about.usable, foot);
    (m.likeness, m.shift, m.doubt) = (looks.odds, looks.shift, looks.doubt);
    m
}

/// How far the group's luma is outside those of its two sides, and how much the light's change
/// differs between the three; nothing where it has no side that is seen.
fn lighting(l: &Layout, s: &Stages, group: &[Run], first: Run, last: Run) -> (f32, f32) {
    let below = |run: &Run| run.top.max(l.horizon_row)..run.bottom + 1;
    let mean = |cells: &mut dyn Iterator<Item = usize>| {
        let (mut luma, mut light, mut n) = (0.0f32, 0.0f32, 0.0f32);
        for k in cells {
            luma += s.panorama.y[k];
            light += s.light[k];
            n += 1.0;
        }
        (n > 0.0).then(|| ((luma / n + 1.0).ln(), light / n))
    };
    let side = |run: Run, column: &dyn Fn(usize) -> Option<usize>| {
        let columns = (BESIDE.0..BESIDE.1).filter_map(column);
        mean(&mut columns.flat_map(|c| below(&run).map(move |r| l.at(c, r))))
    };
    let left = side(first, &|i| first.column.checked_sub(i));
    let right = side(last, &|i| Some(last.column + i).filter(|&c| c < l.columns));
    let own = mean(
        &mut group
            .iter()
            .flat_map(|run| below(run).map(|r| l.at(run.column, r))),
    );
    let (Some(left), Some(own), Some(right)) = (left, own, right) else {
        return (0.0, 0.0);
    };
    let outlying = (own.0 - left.0.max(right.0)).max(left.0.min(right.0) - own.0);
    let most = left.1.max(own.1).max(right.1);
    let least = left.1.min(own.1).min(right.1);
    (outlying, most - least)
}

fn median(values: impl Iterator<Item = f32>) -> f32 {
    let mut values: Vec<f32> = values.collect();
    let mid = values.len() / 2;
    *values.select_nth_unstable_by(mid, f32::total_cmp).1
}

/// A tree of three questions: each is whether a measure exceeds a bound; yes leads to
/// `2 i + 2`, no to `2 i + 1`.
#[derive(Debug)]
pub(super) struct Tree {
    /// Number of the measure, and the bound.
    pub splits: [(u8, f32); 7],
    /// What each answer adds to the log-odds.
    pub leaves: [f32; 8],
}

impl Tree {
    fn answer(&self, values: &[f32]) -> f32 {
        let mut i = 0;
        while let Some(&(measure, bound)) = self.splits.get(i) {
            i = 2 * i + 1 + usize::from(values[usize::from(measure)] > bound);
        }
        self.leaves[i - self.splits.len()]
    }
}

/// What reaches past the horizon over more than this share of its columns, in another
/// colour (appearance ratio), with upright sides, stands, however little else is known: of
/// such groups in the scenes that the trees were grown on 88 of 100 were things. Trees
/// alone would go by what they have seen, and a bin right before the bumper at two
/// pictures a second they had not.
const TOWERING: (f32, f32, f32) = (0.5, 1.5, 1.0);
const TOWERS: f64 = 0.84;

fn towers(m: &Measures) -> bool {
    let (crossing, colour, upright) = TOWERING;
    m.crossing > crossing && m.colour > colour && m.upright > upright && m.at_rim == 0.0
}

/// What is slender, but higher than this, and was swept so surely while the own motion is
/// known so well, stands: a grey post on grey ground shows in no other way. Of such groups
/// 90 of 100 were things.
const SLENDER_M: f32 = 0.3;
const HIGH_M: f32 = 0.5;
const SURE_SWEPT: f32 = 100.0;
const KNOWN: f32 = 0.8;
const SLENDER: f64 = 0.71;
/// But not what looks as little like a thing as this: of such groups 2 of 100 were things.
const UNLIKE: f32 = -2.0;

fn slender(m: &Measures) -> bool {
    m.likeness > UNLIKE
        && m.width_m < SLENDER_M
        && m.height_m > HIGH_M
        && m.swept > SURE_SWEPT
        && m.moves > 0.0
        && m.quality > KNOWN
        && m.at_rim == 0.0
}

/// At rest, upright edges under the horizon that light alone explains, on either side by another
/// factor (as a logarithm), with a luma between those of the sides, are those of a passing
/// shadow: of such groups 17 of 49 were things. Without this rule the suite has 21 more false
/// alarms, where a van's shadow passes.
const EXPLAINED: f32 = -0.6;
const RELIT: f32 = 0.15;
const BETWEEN: f32 = 0.05;
const SHADOW: f64 = 0.2;

fn passing_shadow(m: &Measures) -> bool {
    m.moves == 0.0
        && m.change < EXPLAINED
        && m.relit > RELIT
        && m.outlying < BETWEEN
        && m.crossing < TOWERING.0
}

/// Probability that a group of these measures stands, 0..1.
pub(super) fn probability(measures: &Measures) -> f64 {
    if passing_shadow(measures) {
        return by_trees(measures).min(SHADOW);
    }
    let least = match (towers(measures), slender(measures)) {
        (true, _) => TOWERS,
        (false, true) => SLENDER,
        (false, false) => 0.0,
    };
    by_trees(measures).max(least)
}

fn by_trees(measures: &Measures) -> f64 {
    let values = measures.values();
    let odds = TREES
        .iter()
        .map(|t| f64::from(t.answer(&values)))
        .sum::<f64>();
    1.0 / (1.0 + (-odds).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reference: probabilities of scikit-learn's HistGradientBoostingClassifier, by
    /// which the trees were grown, for groups drawn by lot.
    #[test]
    fn the_trees_say_what_scikit_learn_says() {
        let table = include_str!("../../tests/reference/standing.csv");
        let mut lines = table.lines();
        let names: Vec<&str> = lines.next().unwrap().split(',').skip(1).collect();
        assert_eq!(names, Measures::NAMES, "grow the trees anew");
        let mut seen = 0;
        for line in lines {
            let row: Vec<f32> = line.split(',').map(|v| v.parse().unwrap()).collect();
            let odds: f64 = TREES.iter().map(|t| f64::from(t.answer(&row[1..]))).sum();
            let told = 1.0 / (1.0 + (-odds).exp());
            assert!(
                (told - f64::from(row[0])).abs() < 2e-3,
                "{told}, not {}",
                row[0]
            );
            seen += 1;
        }
        assert!(seen >= 50, "{seen} lines");
    }

    /// Whatever else is known or not known, at the bumper as well as far off.
    #[test]
    fn what_towers_over_the_horizon_in_another_colour_stands() {
        let bin = Measures {
            crossing: 1.0,
            colour: 2.4,
            upright: 1.9,
            ..Measures::default()
        };
        for distance_m in [0.3, 0.6, 1.5, 3.0] {
            let near = Measures { distance_m, ..bin };
            assert!(probability(&near) >= TOWERS);
        }
        let own = Measures { at_rim: 1.0, ..bin };
        assert!(probability(&own) < TOWERS, "the own vehicle's rim");
    }

    /// A grey post at 1.2 m on grey ground: no edges, no colour, only the sweep.
    #[test]
    fn what_is_slender_and_surely_swept_stands() {
        let post = Measures {
            distance_m: 1.5,
            width_m: 0.11,
            height_m: 0.99,
            swept: 239.0,
            colour: -1.0,
            moves: 1.0,
            quality: 0.89,
            ..Measures::default()
        };
        assert!(probability(&post) >= SLENDER);
        let kerb = Measures {
            height_m: 0.1,
            ..post
        };
        let unknown = Measures {
            quality: 0.5,
            ..post
        };
        let unlike = Measures {
            likeness: -4.0,
            ..post
        };
        for other in [kerb, unknown, unlike] {
            assert!(probability(&other) < SLENDER, "{other:?}");
        }
    }

    /// The edge of a van's shadow that passes at rest, as staged.
    #[test]
    fn the_edge_of_a_passing_shadow_does_not_stand() {
        let edge = Measures {
            upright: 2.0,
            sum: 38.0,
            width_m: 0.12,
            height_m: 0.84,
            change: -0.96,
            relit: 0.45,
            outlying: -0.31,
            still_s: 2.0,
            likeness: 4.0,
            ..Measures::default()
        };
        // Trees alone would believe it.
        assert!(by_trees(&edge) > SHADOW);
        assert!(probability(&edge) <= SHADOW);
        // What replaces the ground, or is there since before, may stand.
        for other in [
            Measures {
                change: 1.0,
                ..edge
            },
            Measures { relit: 0.0, ..edge },
        ] {
            assert!(!passing_shadow(&other), "{other:?}");
        }
    }

    #[test]
    fn every_tree_asks_for_measures_that_there_are() {
        for tree in &TREES {
            let known = |&(measure, bound): &(u8, f32)| {
                usize::from(measure) < Measures::NAMES.len() && bound.is_finite()
            };
            assert!(tree.splits.iter().all(known), "{tree:?}");
            assert!(tree.leaves.iter().all(|v| v.is_finite()), "{tree:?}");
        }
    }
}
