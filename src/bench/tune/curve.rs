//! What each set of thresholds does, as a curve of recall against alarms: for
//! people as text, as a sketch for the terminal, and on a page.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::bench::score::measure::{Figures, Tally};

use super::knob::Knob;
use super::search::Point;

/// A set of thresholds on the curve or beside it.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// `now`, `proposed`, or nothing.
    pub role: &'static str,
    /// No other set sees as much of the searched clips with fewer alarms.
    pub on_curve: bool,
    /// The thresholds, by key.
    pub values: BTreeMap<String, f64>,
    /// What they do on the clips that were searched.
    pub searched: Figures,
    /// What they do on the clips that were kept back.
    pub held_back: Figures,
}

/// Every point that was tried, by rising alarms.
pub fn lines(points: &[Point], proposal: Option<usize>, knobs: &[Knob]) -> Vec<Line> {
    let beaten = |p: &Tally| {
        points.iter().any(|q| {
            let q = &q.searched;
            q.hit >= p.hit && q.alarms <= p.alarms && (q.hit > p.hit || q.alarms < p.alarms)
        })
    };
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by_key(|&i| (points[i].searched.alarms, points[i].searched.hit, i));
    order
        .into_iter()
        .map(|i| Line {
            role: match i {
                0 => "now",
                _ if Some(i) == proposal => "proposed",
                _ => "",
            },
            on_curve: !beaten(&points[i].searched),
            values: (knobs.iter())
                .map(|k| (k.name(), k.get(&points[i].profile)))
                .collect(),
            searched: points[i].searched.figures(),
            held_back: points[i].held_back.figures(),
        })
        .collect()
}

/// The curve with the present and the proposed point, as a table; of points in
/// one place the first.
pub fn table(lines: &[Line]) -> String {
    let cell = |v: Option<f64>, d: usize| v.map_or("-".into(), |v| format!("{v:.d$}"));
    let mut out = String::from("           searched            held back\n           recall alarms/min   recall alarms/min   thresholds\n");
    let mut last = None;
    for line in lines.iter().filter(|l| l.on_curve || !l.role.is_empty()) {
        let place = (line.searched.recall, line.searched.alarms_per_min);
        if line.role.is_empty() && last == Some(place) {
            continue;
        }
        last = Some(place);
        let values: Vec<String> = (line.values.iter())
            .map(|(key, v)| format!("{}={v}", key.rsplit('.').next().unwrap_or(key)))
            .collect();
        out.push_str(&format!(
            "{:9}  {:>6} {:>10}   {:>6} {:>10}   {}\n",
            line.role,
            cell(line.searched.recall, 3),
            cell(line.searched.alarms_per_min, 1),
            cell(line.held_back.recall, 3),
            cell(line.held_back.alarms_per_min, 1),
            values.join(" ")
        ));
    }
    out
}

/// Columns and rows of the sketch.
const SKETCH: (usize, usize) = (60, 12);

/// The searched clips' curve in letters; empty if there is nothing to draw.
pub fn sketch(lines: &[Line]) -> String {
    let mut at: Vec<(f64, f64, char)> = (lines.iter())
        .filter_map(|l| {
            let mark = match l.role {
                "now" => 'N',
                "proposed" => 'P',
                _ if l.on_curve => 'o',
                _ => '.',
            };
            Some((l.searched.alarms_per_min?, 100.0 * l.searched.recall?, mark))
        })
        .collect();
    // What counts more is drawn later, over the rest.
    at.sort_by_key(|p| ".oNP".find(p.2));
    let most = at.iter().map(|p| p.0).fold(0.0, f64::max).max(1.0);
    let low = at.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let high = at.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    if !low.is_finite() {
        return String::new();
    }
    let (columns, rows) = SKETCH;
    let mut grid = vec![vec![' '; columns]; rows];
    for (alarms, recall, mark) in at {
        let x = (alarms / most * (columns - 1) as f64).round() as usize;
        let y = (high - recall) / (high - low).max(1e-9) * (rows - 1) as f64;
        grid[(y.round() as usize).min(rows - 1)][x.min(columns - 1)] = mark;
    }
    let mut out = String::from("recall of the searched clips\n");
    for (i, row) in grid.iter().enumerate() {
        let label = match i {
            0 => format!("{high:.1} %"),
            _ if i == rows - 1 => format!("{low:.1} %"),
            _ => String::new(),
        };
        let row: String = row.iter().collect();
        out.push_str(&format!("{label:>8} |{}\n", row.trim_end()));
    }
    out.push_str(&format!("{:8} +{}\n", "", "-".repeat(columns)));
    out.push_str(&format!(
        "{:10}0{:>width$.1} alarm frames a minute\n",
        "",
        most,
        width = columns - 1
    ));
    out.push_str("N now   P proposed   o the curve   . beaten by one on the curve\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(role: &'static str, on_curve: bool, hit: u64, alarms: u64) -> Line {
        let tally = Tally {
            due: 100,
            hit,
            alarms,
            clear_s: 60.0,
            ..Tally::default()
        };
        Line {
            role,
            on_curve,
            values: BTreeMap::new(),
            searched: tally.figures(),
            held_back: tally.figures(),
        }
    }

    #[test]
    fn the_sketch_has_each_point_in_its_place() {
        let text = sketch(&[
            line("proposed", true, 90, 0),
            line("", false, 70, 59),
            line("now", false, 50, 118),
        ]);
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(rows[1], "  90.0 % |P");
        // Half the recall between them lies in the middle row, or just under it.
        assert_eq!(rows[7].find('.'), Some(10 + 30));
        assert_eq!(rows[12], format!("  50.0 % |{:59}N", ""));
        assert!(rows[14].ends_with("118.0 alarm frames a minute"));
    }

    #[test]
    fn nothing_to_draw_is_no_panic() {
        let mut none = line("now", true, 0, 0);
        none.searched = Tally::default().figures();
        assert_eq!(sketch(&[none]), "");
        assert!(sketch(&[line("now", true, 0, 0)]).contains("0.0 % |N"));
    }
}
