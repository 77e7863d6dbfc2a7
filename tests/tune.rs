//! `tune` on small staged clips: the proposal, what it is held to, and the page.

mod browser;

use std::path::Path;
use std::process::{Command, Output};

use browser::Browser;
use serde_json::Value;

const HATCH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
const TRIALS: usize = 5;
/// Thresholds that can be tuned.
const KEYS: usize = 6;

fn hindward(args: &str, folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args.split_whitespace())
        .current_dir(folder)
        .output()
        .expect("the program starts")
}

/// A rolling vehicle, small pictures; with someone behind it or without.
fn stage(folder: &Path, name: &str, seed: u32, stands: bool) {
    let thing = "[[thing]]\nkind = \"adult\"\nbehind_m = 2.6\nside_m = 0.1\n";
    let text = format!(
        "seed = {seed}\nrate_hz = 12\nduration_s = 2\nprofile = {HATCH:?}\n\
         [rig.camera]\nwidth_px = 320\nheight_px = 240\nrate_hz = 12\n\
         [rig.lens]\nmodel = \"pinhole\"\nfx_px = 150.0\nfy_px = 150.0\ncx_px = 159.5\ncy_px = 119.5\n\
         [ground]\nkind = \"gravel\"\n[light]\nkind = \"overcast\"\n\
         [vehicle]\nmotion = [[0, 0.7, 0]]\n{}",
        if stands { thing } else { "" }
    );
    std::fs::write(folder.join("scene.toml"), text).expect("temp dir");
    let out = hindward(&format!("stage scene.toml --out {name}"), folder);
    assert!(out.status.success(), "{out:?}");
}

/// Four labelled clips, two of them kept back, and a profile that is all but deaf.
fn bench() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("temp dir");
    let folder = dir.path();
    std::fs::create_dir(folder.join("held-back")).expect("temp dir");
    stage(folder, "adult", 3, true);
    stage(folder, "plain", 4, false);
    stage(folder, "held-back/adult", 5, true);
    stage(folder, "held-back/plain", 6, false);
    let text = std::fs::read_to_string(folder.join("adult/profile.toml")).expect("staged");
    assert!(text.contains("min_area_cm2 = 150"), "{text}");
    let text = text.replace("min_area_cm2 = 150", "min_area_cm2 = 20000");
    std::fs::write(folder.join("car.toml"), text).expect("temp dir");
    dir
}

fn tune(folder: &Path, more: &str) -> Value {
    let clips = "adult plain held-back/adult held-back/plain";
    let line = format!("tune {clips} --profile car.toml --trials {TRIALS} --json {more}");
    let out = hindward(&line, folder);
    let errors = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(0), "{errors}");
    serde_json::from_slice(&out.stdout).expect("JSON")
}

fn point<'a>(result: &'a Value, role: &str) -> &'a Value {
    let mut all = result["points"].as_array().into_iter().flatten();
    all.find(|p| p["role"] == role)
        .expect("there is such a point")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[test]
fn the_proposal_holds_on_clips_kept_back_and_keeps_the_comments() {
    let dir = bench();
    let folder = dir.path();
    let before = std::fs::read_to_string(folder.join("car.toml")).expect("there");
    let result = tune(folder, "");
    let tried = result["points"].as_array().map_or(0, Vec::len);
    let most = TRIALS + 1 + KEYS; // each change may be tried without
    assert!((TRIALS + 1..=most).contains(&tried), "{tried} points");

    // What now is deaf sees after it, and pays with no alarm, on either part.
    let (now, proposed) = (point(&result, "now"), point(&result, "proposed"));
    assert_eq!(number(&now["searched"]["recall"]), 0.0);
    for part in ["searched", "held_back"] {
        let of = |p: &Value, key: &str| number(&p[part][key]);
        assert!(of(proposed, "recall") > of(now, "recall"), "{result}");
        assert!(of(proposed, "alarms_per_min") <= of(now, "alarms_per_min"));
    }

    // The profile is untouched; the proposal differs in the told lines alone.
    let after = std::fs::read_to_string(folder.join("car.toml")).expect("there");
    assert_eq!(before, after);
    let text = std::fs::read_to_string(folder.join("car-proposed.toml")).expect("written");
    let changes = result["changes"].as_array().expect("a list");
    assert!(!changes.is_empty());
    let differ: Vec<&str> = (before.lines().zip(text.lines()))
        .filter_map(|(a, b)| (a != b).then_some(b))
        .collect();
    assert_eq!(before.lines().count(), text.lines().count());
    assert_eq!(differ.len(), changes.len(), "{differ:?}");
    for (line, change) in differ.iter().zip(changes) {
        let comment = |l: &str| l.split_once('#').map(|(_, c)| c.to_owned());
        let was = before
            .lines()
            .find(|l| l.split('=').next() == line.split('=').next());
        assert_eq!(comment(line), was.and_then(comment), "{line}");
        let told = changes.iter().any(|c| {
            let key = c["key"].as_str().and_then(|k| k.split('.').next_back());
            let value = line
                .split(['=', '#'])
                .nth(1)
                .and_then(|v| v.trim().parse().ok());
            line.starts_with(key.expect("a key")) && value == c["proposed"].as_f64()
        });
        assert!(told, "{line} is not told: {change}");
    }
    let checked = hindward("check car-proposed.toml", folder);
    assert!(checked.status.success(), "{checked:?}");
    assert!(folder.join("car-proposed.html").is_file());

    // A second search does not overwrite a proposal, and says so at once.
    let clips = "adult plain held-back/adult held-back/plain";
    let again = hindward(&format!("tune {clips} --profile car.toml"), folder);
    assert_eq!(again.status.code(), Some(2));
    assert!(again.stdout.is_empty());
}

#[test]
fn clips_that_can_prove_nothing_are_refused() {
    let dir = bench();
    let folder = dir.path();
    for (line, word) in [
        (
            "tune adult held-back/adult --profile car.toml",
            "never show a clear path",
        ),
        (
            "tune adult plain held-back/plain --profile car.toml",
            "nothing in the path",
        ),
        ("tune adult plain adult --profile car.toml", "named twice"),
        ("tune adult plain --profile car.toml", "three or more"),
        (
            "tune adult plain held-back/adult held-back/plain --profile car.toml --page no/p.html",
            "--page",
        ),
        (
            "tune adult plain held-back/adult held-back/plain --profile car.toml --out no/p.toml",
            "--out",
        ),
    ] {
        let out = hindward(line, folder);
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(2), "{line}: {said}");
        assert_eq!(said.lines().count(), 1, "{line}: {said}");
        assert!(said.contains(word) && said.contains(';'), "{line}: {said}");
        assert!(out.stdout.is_empty());
    }
    let left = std::fs::read_dir(folder).expect("there").count();
    assert_eq!(left, 5, "clips, profile and scene, and nothing else");
}

/// Where the axes of a chart put a value: the first and the last grid line of
/// the axis carry theirs.
fn on_axis(browser: &mut Browser, chart: &str, axis: &str, place: &str, value: f64) -> f64 {
    let text = browser.text(&format!(
        "JSON.stringify([...document.querySelectorAll('#{chart} [data-{axis}]')].map(l => [+l.dataset.{axis}, +l.getAttribute('{place}')]))"
    ));
    let lines: Vec<(f64, f64)> = serde_json::from_str(&text).expect("pairs");
    let ((v0, p0), (v1, p1)) = (lines[0], lines[lines.len() - 1]);
    assert!(v1 > v0, "{axis}: {lines:?}");
    p0 + (value - v0) / (v1 - v0) * (p1 - p0)
}

#[test]
fn the_page_shows_every_point_where_its_figures_say() {
    let Some(mut browser) = Browser::start() else {
        eprintln!("skipped: no chromium on this machine");
        return;
    };
    let dir = bench();
    let page = dir.path().join("curve.html");
    let result = tune(dir.path(), "--page curve.html");
    browser.open(&format!("file://{}", page.display()));
    browser.wait_for("document.querySelectorAll('svg').length === 2");
    let tried = result["points"].as_array().map_or(0, Vec::len);
    let count = |browser: &mut Browser, selector: &str| -> usize {
        let text = browser.text(&format!(
            "String(document.querySelectorAll('{selector}').length)"
        ));
        text.parse().expect("a count")
    };
    for chart in ["searched", "held_back"] {
        assert_eq!(count(&mut browser, &format!("#{chart} circle")), tried);
        for role in ["now", "proposed"] {
            let told = point(&result, role);
            let (alarms, recall) = (
                number(&told[chart]["alarms_per_min"]),
                100.0 * number(&told[chart]["recall"]),
            );
            let x = on_axis(&mut browser, chart, "alarms", "x1", alarms);
            let y = on_axis(&mut browser, chart, "recall", "y1", recall);
            let at = browser.text(&format!(
                "(c => c.getAttribute('cx') + ' ' + c.getAttribute('cy'))(document.querySelector('#{chart} .{role}'))"
            ));
            let at: Vec<f64> = at.split(' ').map(|v| v.parse().expect("a place")).collect();
            assert!(
                (at[0] - x).abs() < 0.01 && (at[1] - y).abs() < 0.01,
                "{chart} {role}: at {at:?}, {alarms} a minute and {recall} % are at {x} {y}"
            );
            let tip = browser.text(&format!(
                "document.querySelector('#{chart} .{role} title').textContent"
            ));
            for (key, value) in told["values"].as_object().expect("thresholds") {
                assert!(tip.contains(&format!("{key} = {}", number(value))), "{tip}");
            }
            let name = browser.text(&format!(
                "[...document.querySelectorAll('#{chart} .name')].map(t => t.textContent).join(' ')"
            ));
            assert!(name.split(' ').any(|n| n == role), "{name}");
        }
    }
    assert_eq!(count(&mut browser, "tbody tr[data-point]"), tried);
    let changes = result["changes"].as_array().map_or(0, Vec::len);
    assert_eq!(count(&mut browser, "#changes tbody tr"), changes);

    // A row of the table names its point in both charts.
    browser.click("tbody tr[data-point='0']");
    assert_eq!(count(&mut browser, "circle.on[data-point=\"0\"]"), 2);
    assert_eq!(count(&mut browser, "circle.on"), 2);

    let keep = |browser: &mut Browser, name: &str| {
        if let Ok(folder) = std::env::var("KEEP_PICTURES") {
            browser.screenshot(&Path::new(&folder).join(name));
        }
    };
    keep(&mut browser, "tune.png");

    // Light and dark differ; a phone needs no sideways scrolling of the page.
    let ground = "getComputedStyle(document.body).backgroundColor";
    let before = browser.text(ground);
    browser.click("#theme");
    assert_ne!(browser.text(ground), before);
    keep(&mut browser, "tune-dark.png");
    browser.resize(390, 800);
    assert_eq!(
        browser.text("String(document.documentElement.scrollWidth <= innerWidth)"),
        "true"
    );
    keep(&mut browser, "tune-phone.png");
    assert_eq!(browser.errors(), Vec::<String>::new());
}
