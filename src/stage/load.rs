//! Reads scene files: includes, unknown keys, values out of range. Every fault
//! carries file and line.

use std::path::{Path, PathBuf};

use anyhow::{bail, Context};
use serde::Deserialize;
use toml::Table;

use super::scene::{MarkKind, Scene};

/// A scene, and whether a suite keeps it for the final trial.
#[derive(Debug, Clone)]
pub struct Case {
    /// Folder name of the clip; empty for a single scene.
    pub name: String,
    /// Not to be looked at while something is being tuned.
    pub held_back: bool,
    /// The scene.
    pub scene: Scene,
}

/// A file of many scenes that share fragments.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Suite {
    case: Vec<toml::Spanned<Table>>,
}

/// Files deeper than this include each other in a ring.
const DEEPEST: usize = 8;

/// Reads a scene file, or a suite of `[[case]]` tables.
pub fn load(path: &Path) -> anyhow::Result<Vec<Case>> {
    let text = read(path)?;
    let is_suite = text.lines().any(|l| l.trim_start().starts_with("[[case]]"));
    if !is_suite {
        let mut seen = Sources::default();
        let table = with_includes(path, &text, &mut seen, 0)?;
        let scene = finish(table, &seen, path, 1)?;
        return Ok(vec![Case {
            name: String::new(),
            held_back: false,
            scene,
        }]);
    }
    let suite: Suite = toml::from_str(&text).map_err(|e| at_line(path, &text, &e))?;
    let mut cases: Vec<Case> = Vec::new();
    for case in suite.case {
        let line = line_at(&text, case.span().start);
        let here = || format!("{}:{line}", path.display());
        let mut table = case.into_inner();
        let Some(name) = table
            .remove("name")
            .and_then(|n| n.as_str().map(str::to_owned))
        else {
            bail!("{}: the case has no name; add name = \"…\"", here());
        };
        let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        if name.is_empty() || !plain || cases.iter().any(|c| c.name == name) {
            bail!(
                "{}: name = {name:?} must be unique and of letters, digits and '-' only",
                here()
            );
        }
        let held_back = match table.remove("held_back") {
            None => false,
            Some(v) => v
                .as_bool()
                .with_context(|| format!("{}: held_back is not true or false", here()))?,
        };
        Scene::deserialize(table.clone())
            .map_err(|e| anyhow::anyhow!("{}: case {name:?}: {}", here(), e.message()))?;
        let mut seen = Sources::default();
        let table = join_includes(path, table, &mut seen, 0)?;
        let scene = finish(table, &seen, path, line)?;
        cases.push(Case {
            name,
            held_back,
            scene,
        });
    }
    Ok(cases)
}

/// The files that a scene came from, to find lines in.
#[derive(Default)]
struct Sources(Vec<(PathBuf, String)>);

impl Sources {
    /// `file:line` of the `index`-th table of an array, counted over all files
    /// in the order in which they were joined.
    fn table(&self, array: &str, mut index: usize) -> Option<String> {
        let header = format!("[[{array}]]");
        for (path, text) in &self.0 {
            for (i, line) in text.lines().enumerate() {
                if line.trim() == header {
                    if index == 0 {
                        return Some(format!("{}:{}", path.display(), i + 1));
                    }
                    index -= 1;
                }
            }
        }
        None
    }

    /// `file:line` of a key: the last file that has it wins.
    fn key(&self, section: &str, key: &str) -> Option<String> {
        for (path, text) in self.0.iter().rev() {
            let mut inside = section.is_empty();
            for (i, line) in text.lines().enumerate() {
                let line = line.trim();
                if line.starts_with('[') {
                    inside = line == format!("[{section}]");
                } else if inside {
                    if let Some(rest) = line.strip_prefix(key) {
                        if rest.trim_start().starts_with('=') {
                            return Some(format!("{}:{}", path.display(), i + 1));
                        }
                    }
                }
            }
        }
        None
    }
}

fn read(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path)
        .with_context(|| format!("{}: cannot read the scene", path.display()))
}

fn line_at(text: &str, offset: usize) -> usize {
    text.as_bytes()[..offset.min(text.len())]
        .iter()
        .filter(|&&b| b == b'\n')
        .count()
        + 1
}

fn at_line(path: &Path, text: &str, error: &toml::de::Error) -> anyhow::Error {
    let line = error.span().map_or(1, |s| line_at(text, s.start));
    anyhow::anyhow!(
        "{}:{line}: {}",
        path.display(),
        error.message().replace('\n', "; ")
    )
}

fn with_includes(
    path: &Path,
    text: &str,
    seen: &mut Sources,
    depth: usize,
) -> anyhow::Result<Table> {
    // Once as a scene, so that a wrong key or type is found at its own line.
    toml::from_str::<Scene>(text).map_err(|e| at_line(path, text, &e))?;
    let table: Table = toml::from_str(text).map_err(|e| at_line(path, text, &e))?;
    let table = join_includes(path, table, seen, depth)?;
    seen.0.push((path.to_owned(), text.to_owned()));
    Ok(table)
}

/// Puts the included files under `table`: its own values win, lists add up.
fn join_includes(
    path: &Path,
    mut table: Table,
    seen: &mut Sources,
    depth: usize,
) -> anyhow::Result<Table> {
    if depth > DEEPEST {
        bail!(
            "{}: include goes more than {DEEPEST} files deep; is there a ring?",
            path.display()
        );
    }
    let beside = path.parent().unwrap_or(Path::new(""));
    if let Some(profile) = table.get("profile").and_then(|p| p.as_str()) {
        let full = beside.join(profile).to_string_lossy().into_owned();
        table.insert("profile".into(), full.into());
    }
    let mut joined = Table::new();
    if let Some(list) = table.remove("include") {
        for entry in list
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|v| v.as_str())
        {
            let file = beside.join(entry);
            let text =
                read(&file).with_context(|| format!("{}: include {entry:?}", path.display()))?;
            merge(&mut joined, with_includes(&file, &text, seen, depth + 1)?);
        }
    }
    merge(&mut joined, table);
    Ok(joined)
}

fn merge(into: &mut Table, from: Table) {
    for (key, value) in from {
        match (into.get_mut(&key), value) {
            (Some(toml::Value::Table(old)), toml::Value::Table(new)) => merge(old, new),
            (Some(toml::Value::Array(old)), toml::Value::Array(new))
                if ["mark", "thing", "event"].contains(&key.as_str()) =>
            {
                old.extend(new);
            }
            (_, value) => {
                into.insert(key, value);
            }
        }
    }
}

fn finish(table: Table, seen: &Sources, path: &Path, line: usize) -> anyhow::Result<Scene> {
    let scene = Scene::deserialize(table)
        .map_err(|e| anyhow::anyhow!("{}:{line}: {}", path.display(), e.message()))?;
    let mut faults = Vec::new();
    check(&scene, |section, index, key, says| {
        let place = match index {
            Some(i) => seen.table(section, i),
            None => seen.key(section, key),
        };
        let place = place.unwrap_or_else(|| format!("{}:{line}", path.display()));
        let dot = if section.is_empty() { "" } else { "." };
        faults.push(format!("{place}: {section}{dot}{key} {says}"));
    });
    if faults.is_empty() {
        Ok(scene)
    } else {
        bail!("{}", faults.join("\n"));
    }
}

/// Calls `fault(section, index, key, what is wrong)` for each value that
/// cannot be rendered.
fn check(scene: &Scene, mut fault: impl FnMut(&str, Option<usize>, &str, String)) {
    let mut range = |section: &str, i: Option<usize>, key: &str, v: f64, low: f64, high: f64| {
        if !(v >= low && v <= high) {
            fault(
                section,
                i,
                key,
                format!("= {v} is not within {low} to {high}; give a value between"),
            );
        }
    };
    range("", None, "rate_hz", scene.rate_hz, 0.5, 240.0);
    range("", None, "duration_s", scene.duration_s, 0.0, 3600.0);
    let c = &scene.camera;
    range(
        "camera",
        None,
        "jpeg_quality",
        f64::from(c.jpeg_quality),
        1.0,
        100.0,
    );
    for (key, v, high) in [
        ("lag_s", c.lag_s, 60.0),
        ("exposure", c.exposure, 100.0),
        ("noise", c.noise, 100.0),
        ("blur_px", c.blur_px, 10.0),
        ("sharpen", c.sharpen, 2.0),
        ("vignette", c.vignette, 1.0),
        ("smear", c.smear, 1.0),
        ("mud", c.mud, 1.0),
    ] {
        range("camera", None, key, f64::from(v), 0.0, high);
    }
    range("camera", None, "specks", f64::from(c.specks), 0.0, 2000.0);
    range("camera", None, "drops", f64::from(c.drops), 0.0, 2000.0);
    for g in c.white_balance {
        range("camera", None, "white_balance", f64::from(g), 0.0, 20.0);
    }
    for (key, v, high) in [
        ("wet", scene.ground.wet, 1.0),
        ("puddles", scene.ground.puddles, 1.0),
        ("tone", scene.ground.tone, 5.0),
    ] {
        range("ground", None, key, f64::from(v), 0.0, high);
    }
    range(
        "ground",
        None,
        "turn_deg",
        f64::from(scene.ground.turn_deg),
        -360.0,
        360.0,
    );
    let l = &scene.light;
    range(
        "light",
        None,
        "sun_azimuth_deg",
        f64::from(l.sun_azimuth_deg),
        -720.0,
        720.0,
    );
    range(
        "light",
        None,
        "sun_elevation_deg",
        f64::from(l.sun_elevation_deg.unwrap_or(0.0)),
        0.0,
        90.0,
    );
    for (key, v) in [
        ("sun_lux", l.sun_lux),
        ("sky_lux", l.sky_lux),
        ("reversing_lamps_cd", l.reversing_lamps_cd),
    ] {
        range("light", None, key, f64::from(v.unwrap_or(0.0)), 0.0, 1e6);
    }
    for v in l.lamp.iter().flatten() {
        range("light", None, "lamp", f64::from(*v), -1e6, 1e6);
    }
    for m in &scene.vehicle.motion {
        range("vehicle", None, "motion", m[0], 0.0, 3600.0);
        range("vehicle", None, "motion", m[1], -20.0, 20.0);
        range("vehicle", None, "motion", m[2], -3.0, 3.0);
    }
    range(
        "vehicle",
        None,
        "rock_deg",
        scene.vehicle.rock_deg,
        0.0,
        10.0,
    );
    range("vehicle", None, "rock_hz", scene.vehicle.rock_hz, 0.0, 30.0);
    for (i, t) in scene.thing.iter().enumerate() {
        let i = Some(i);
        range("thing", i, "behind_m", f64::from(t.behind_m), -100.0, 200.0);
        range("thing", i, "side_m", f64::from(t.side_m), -200.0, 200.0);
        range(
            "thing",
            i,
            "heading_deg",
            f64::from(t.heading_deg),
            -720.0,
            720.0,
        );
        for (key, v) in [
            ("height_m", t.height_m),
            ("width_m", t.width_m),
            ("depth_m", t.depth_m),
        ] {
            range("thing", i, key, f64::from(v.unwrap_or(1.0)), 0.01, 100.0);
        }
        range("thing", i, "glow", f64::from(t.glow), 0.0, 1e4);
        for p in t.path.iter().flatten() {
            range("thing", i, "path", f64::from(*p), -1000.0, 3600.0);
        }
        let mut times = t.path.windows(2);
        if times.any(|w| w[1][0] <= w[0][0]) {
            range("thing", i, "path (times must rise)", f64::NAN, 0.0, 0.0);
        }
    }
    for (i, m) in scene.mark.iter().enumerate() {
        let i = Some(i);
        let sizes = m.size.iter().flatten().chain(m.dash.iter().flatten());
        for v in sizes {
            range("mark", i, "size or dash", f64::from(*v), 0.0, 500.0);
        }
        for v in m.at.iter().chain(m.to.iter().flatten()) {
            range("mark", i, "at or to", f64::from(*v), -500.0, 500.0);
        }
        range(
            "mark",
            i,
            "strength",
            f64::from(m.strength.unwrap_or(0.0)),
            0.0,
            1.0,
        );
        let long = [
            MarkKind::Line,
            MarkKind::TyreMark,
            MarkKind::Chalk,
            MarkKind::Crack,
        ];
        if long.contains(&m.kind) && m.to.is_none() {
            range(
                "mark",
                i,
                "to (this kind needs its other end)",
                f64::NAN,
                -500.0,
                500.0,
            );
        }
    }
    for (i, e) in scene.event.iter().enumerate() {
        let i = Some(i);
        range("event", i, "start_s", e.start_s, 0.0, 3600.0);
        range(
            "event",
            i,
            "end_s",
            e.end_s.unwrap_or(3600.0),
            e.start_s,
            3600.0,
        );
        range("event", i, "over_s", e.over_s, 0.0, 3600.0);
        range("event", i, "share", f64::from(e.share), 0.0, 1.0);
        range("event", i, "factor", f64::from(e.factor), 0.0, 1000.0);
        range("event", i, "amplitude_deg", e.amplitude_deg, 0.0, 45.0);
    }
}
