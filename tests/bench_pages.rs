//! The bench's commands on a small staged clip: report, compare, clip, label.

mod browser;

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use browser::Browser;

const SCENE: &str = r#"
title = "A post on plain ground"
seed = 3
rate_hz = 10
duration_s = 4
profile = "PROFILE"

[ground]
kind = "asphalt-old"

[light]
kind = "overcast"

[vehicle]
motion = [[0, 0.5, 0], [4, 0.5, 0]]

[[thing]]
kind = "post"
behind_m = 3.0
side_m = 0.2
"#;

fn hindward(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args)
        .output()
        .expect("the program starts")
}

fn ok(args: &[&str]) -> String {
    let out = hindward(args);
    let errors = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{args:?}: {errors}");
    String::from_utf8_lossy(&out.stdout).into_owned()
}

/// A staged clip and a run of it.
fn staged(dir: &Path) -> (PathBuf, PathBuf) {
    let profile = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/hatch.toml");
    let scene = dir.join("post.toml");
    let text = SCENE.replace("PROFILE", &profile.display().to_string());
    std::fs::write(&scene, text).expect("temp dir");
    let (clip, run) = (dir.join("post"), dir.join("post-run"));
    ok(&[
        "stage",
        scene.to_str().unwrap(),
        "--out",
        clip.to_str().unwrap(),
    ]);
    ok(&[
        "replay",
        clip.to_str().unwrap(),
        "--out",
        run.to_str().unwrap(),
        "--annotate",
    ]);
    (clip, run)
}

#[test]
fn the_page_works_in_a_browser() {
    let Some(mut browser) = Browser::start() else {
        eprintln!("skipped: no chromium on this machine");
        return;
    };
    let dir = tempfile::tempdir().expect("temp dir");
    let (_, run) = staged(dir.path());
    let page = dir.path().join("page.html");
    ok(&[
        "report",
        run.to_str().unwrap(),
        "--out",
        page.to_str().unwrap(),
    ]);
    let text = std::fs::read_to_string(&page).expect("written");
    for outside in ["http:", "https:", "src=\"//", "@import", "url("] {
        let found = text
            .replace("http://www.w3.org/2000/svg", "")
            .replace("url(#", "");
        assert!(!found.contains(outside), "the page reaches out: {outside}");
    }
    browser.open(&format!("file://{}", page.display()));
    browser.wait_for("document.querySelectorAll('.card').length >= 6");
    let out = "document.querySelector('output').textContent";
    assert!(browser.text(out).starts_with("frame 0 "));

    // One frame on by the button, then to an event by its link.
    browser.click("button[aria-label='One frame on']");
    assert!(browser.text(out).starts_with("frame 1 "));
    browser.click(".events li:last-child a");
    let frame =
        browser.text("document.querySelector('.events li:last-child a').hash.split('frame')[1]");
    assert!(browser.text(out).starts_with(&format!("frame {frame} ")));
    assert_eq!(
        browser.text("String(document.querySelector('.card figure img').naturalWidth > 100)"),
        "true"
    );

    // A click into the middle of the range chart goes to the middle of time.
    browser.click("svg[aria-label='Range against time']");
    let middle: u64 = browser
        .text(out)
        .split(' ')
        .nth(1)
        .and_then(|n| n.parse().ok())
        .unwrap_or(0);
    assert!((15..=24).contains(&middle), "frame {middle} of 40");

    // Light and dark differ; a phone needs no sideways scrolling.
    let ground = "getComputedStyle(document.body).backgroundColor";
    let before = browser.text(ground);
    browser.click("#theme");
    assert_ne!(browser.text(ground), before);
    browser.resize(390, 800);
    assert_eq!(
        browser.text("String(document.documentElement.scrollWidth <= innerWidth)"),
        "true"
    );
    assert_eq!(browser.errors(), Vec::<String>::new());
    if let Ok(folder) = std::env::var("KEEP_PICTURES") {
        browser.screenshot(&Path::new(&folder).join("report-phone.png"));
    }
}

#[test]
fn comparing_says_who_is_worse() {
    let dir = tempfile::tempdir().expect("temp dir");
    let (clip, run) = staged(dir.path());
    let run = run.to_str().unwrap();
    ok(&["compare", run, run]);
    // A run that was blind throughout misses what the other saw.
    let text = std::fs::read_to_string(clip.join("profile.toml")).expect("staged");
    let deaf = dir.path().join("deaf.toml");
    let text = text.replace("min_area_cm2 = 150", "min_area_cm2 = 20000");
    std::fs::write(&deaf, text).expect("temp dir");
    let other = dir.path().join("deaf-run");
    let other = other.to_str().unwrap();
    ok(&[
        "replay",
        clip.to_str().unwrap(),
        "--profile",
        deaf.to_str().unwrap(),
        "--out",
        other,
    ]);
    let out = hindward(&["compare", run, other, "--json"]);
    let value: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    assert!(
        value["b"]["misses"].as_u64() > value["a"]["misses"].as_u64(),
        "{value}"
    );
    assert_eq!(out.status.code(), Some(1));
    assert_eq!(
        hindward(&["compare", other, run]).status.code(),
        Some(
            // The better run may still alarm more: then it is worse in that.
            i32::from(value["a"]["alarms"].as_u64() > value["b"]["alarms"].as_u64())
        )
    );
    // A run of another clip is no run to compare with.
    let stray = dir.path().join("stray");
    std::fs::create_dir(&stray).expect("temp dir");
    for name in ["detections.csv", "edges.csv", "profile.toml"] {
        std::fs::copy(Path::new(run).join(name), stray.join(name)).expect("temp dir");
    }
    std::fs::write(stray.join("summary.json"), r#"{"clip": "another"}"#).expect("temp dir");
    let out = hindward(&["compare", run, stray.to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(2));
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(said.contains("different clips"), "{said}");
    assert_eq!(
        hindward(&["compare", run, "nowhere"]).status.code(),
        Some(2)
    );
}

#[test]
fn a_part_of_a_clip_keeps_its_truth() {
    let dir = tempfile::tempdir().expect("temp dir");
    let (clip, _) = staged(dir.path());
    let part = dir.path().join("part");
    let names = [clip.to_str().unwrap(), part.to_str().unwrap()];
    let out = ok(&[
        "clip", names[0], "--from", "1.0", "--to", "2.0", "--out", names[1], "--json",
    ]);
    let value: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!(value["frames"], 11);
    let rows = |folder: &Path| -> Vec<String> {
        let text = std::fs::read_to_string(folder.join("truth.csv")).expect("truth");
        text.lines().map(str::to_owned).collect()
    };
    // Frame 10 of the whole is frame 0 of the part, and stands where it stood.
    let tail = |row: &str| row.splitn(3, ',').nth(2).map(str::to_owned);
    assert_eq!(tail(&rows(&part)[1]), tail(&rows(&clip)[11]));
    assert_eq!(rows(&part).len(), 12);
    ok(&[
        "replay",
        names[1],
        "--out",
        dir.path().join("r").to_str().unwrap(),
    ]);
    let again = hindward(&["clip", names[0], "--out", names[1]]);
    assert_eq!(again.status.code(), Some(2));
}

#[test]
fn clicks_in_a_browser_become_truth() {
    let Some(mut browser) = Browser::start() else {
        eprintln!("skipped: no chromium on this machine");
        return;
    };
    let dir = tempfile::tempdir().expect("temp dir");
    let (clip, _) = staged(dir.path());
    let mut child = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(["label", clip.to_str().unwrap(), "--json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut said = BufReader::new(child.stderr.take().expect("piped")).lines();
    let address = said
        .find_map(|line| {
            line.ok()?
                .trim()
                .strip_prefix("http")
                .map(|rest| format!("http{rest}"))
        })
        .expect("the address is told");
    assert!(address.starts_with("http://127.0.0.1:"), "{address}");
    browser.open(&address);
    browser.wait_for("document.getElementById('frame').max > 0");

    // The same line in the first and in the last frame: a thing that stays.
    let answer = "document.getElementById('answer').textContent";
    browser.drag("#view", (0.45, 0.6), (0.55, 0.6));
    browser.wait_for(&format!("{answer}.includes('m behind')"));
    let told = browser.text(answer);
    browser.text("(() => { const f = document.getElementById('frame'); f.value = f.max; f.dispatchEvent(new Event('input')); return ''; })()");
    browser.drag("#view", (0.45, 0.6), (0.55, 0.6));
    browser.wait_for("document.querySelectorAll('#rows tr').length === 2");
    if let Ok(folder) = std::env::var("KEEP_PICTURES") {
        browser.screenshot(&Path::new(&folder).join("label.png"));
    }
    browser.click("#save");
    browser.wait_for(&format!("{answer}.startsWith('saved')"));
    assert_eq!(browser.errors(), Vec::<String>::new());
    let out = child.wait_with_output().expect("it ends by itself");
    assert!(out.status.success());

    let truth = std::fs::read_to_string(clip.join("truth.csv")).expect("saved");
    let rows: Vec<&str> = truth.lines().skip(1).collect();
    assert_eq!(rows.len(), 40, "one row a frame");
    let behind: f64 = rows[20]
        .split(',')
        .nth(4)
        .and_then(|v| v.parse().ok())
        .expect("a number");
    assert!(
        told.starts_with(&format!("{behind:.2} m behind")),
        "{told} / {}",
        rows[20]
    );
}

/// Where the thing stands and how sure of it the program is must agree with the scene's truth.
#[test]
fn candidates_tell_where_and_how_surely() {
    let dir = tempfile::tempdir().expect("temp dir");
    let (clip, _) = staged(dir.path());
    let run = dir.path().join("weighed");
    let (clip, out) = (clip.to_str().unwrap(), run.to_str().unwrap());
    ok(&["replay", clip, "--out", out, "--candidates"]);
    let table = std::fs::read_to_string(run.join("candidates.csv")).expect("written");
    let mut lines = table.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let columns = names.len();
    let sure = names.iter().position(|n| *n == "probability").unwrap();
    // Of every other of 40 pictures, after its number.
    let planes = std::fs::metadata(run.join("footline.i8")).expect("written");
    let each = 4 + hindward::segment::PLANES_TO_TRAIN_ON;
    assert_eq!(planes.len(), 20 * each as u64);
    let mut told = std::collections::BTreeSet::new();
    for line in lines {
        let row: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
        assert_eq!(row.len(), columns);
        assert!((0.0..=1.0).contains(&row[sure]), "{line}");
        // The post comes nearer at half a metre a second, from 3 m on.
        let behind = 3.0 - 0.0375 - 0.5 * row[1];
        let near = (row[2] - behind).abs() < 0.3 && (row[3] - 0.2).abs() < 0.3;
        // What is less sure than the profile's stay_probability is not told.
        if near && row[sure] >= 0.5 {
            told.insert(row[0] as u32);
        }
    }
    assert!(told.len() >= 25, "{told:?}");
}
