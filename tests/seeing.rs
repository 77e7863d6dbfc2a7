//! The main job on staged clips with exact truth: what stands is told at its place,
//! bare ground is not, and the vehicle's own motion is right. Few scenes only; the
//! suite in demo/ is the measure.

use std::path::Path;
use std::process::Command;

/// Floors that guard what works: 0.95 and 0.88 were measured when they were set.
/// They are no bars; those are in `hindward score --bars`, and are higher.
const RECALL: f64 = 0.9;
const NEAREST: f64 = 0.85;
/// What own speed may be off.
const SPEED_MPS: f64 = 0.05;
const SPEED_SHARE: f64 = 0.05;

fn hindward(args: &[&str], folder: &Path) -> String {
    let done = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(done.status.success(), "{args:?}: {done:?}");
    String::from_utf8(done.stdout).unwrap()
}

/// Backs up, with fifteen pictures a second.
const BACKS: &str =
    "rate_hz = 15\nvehicle.motion = [[0, 0, 0], [0.6, 0, 0], [1.2, 0.6, 0], [4, 0.6, 0]]";
const HATCH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");

/// Stages a scene on old asphalt, replays it and scores the replay.
fn score(folder: &Path, profile: &str, motion: &str, thing: &str) -> serde_json::Value {
    let scene = format!(
        "seed = 11\nduration_s = 4\nprofile = {profile:?}\n{motion}\n\
         [ground]\nkind = \"asphalt-old\"\n[light]\nkind = \"overcast\"\n{thing}"
    );
    std::fs::write(folder.join("scene.toml"), scene).unwrap();
    hindward(&["stage", "scene.toml", "--out", "clip"], folder);
    hindward(&["replay", "clip", "--out", "run"], folder);
    let told = hindward(&["score", "run", "--json"], folder);
    serde_json::from_str(&told).unwrap()
}

/// A column of a table, by its name; rows without a value are left out.
fn column(path: &Path, name: &str) -> Vec<(u64, f64)> {
    let text = std::fs::read_to_string(path).unwrap();
    let at = |wanted: &str| {
        let head = text.lines().next().unwrap();
        head.split(',').position(|n| n == wanted).unwrap()
    };
    let (frame, value) = (at("frame"), at(name));
    text.lines()
        .skip(1)
        .filter_map(|row| {
            let cells: Vec<&str> = row.split(',').collect();
            Some((cells[frame].parse().ok()?, cells[value].parse().ok()?))
        })
        .collect()
}

#[test]
fn a_bin_is_told_at_its_place_and_the_own_speed_is_right() {
    let dir = tempfile::tempdir().unwrap();
    let thing = "[[thing]]\nkind = \"wheelie-bin\"\nbehind_m = 3.2\nside_m = 0.2\n";
    let told = score(dir.path(), HATCH, BACKS, thing);
    let total = &told["total"];
    assert!(total["recall"].as_f64().unwrap() >= RECALL, "{total}");
    assert!(
        total["nearest_right"].as_f64().unwrap() >= NEAREST,
        "{total}"
    );
    assert_eq!(total["never_announced"], serde_json::json!([]));

    let truth = column(&dir.path().join("clip/ego.csv"), "speed_mps");
    let seen = column(&dir.path().join("run/motion.csv"), "speed_mps");
    let right = truth.iter().zip(&seen).filter(|((f, t), (g, s))| {
        assert_eq!(f, g);
        (t - s).abs() <= SPEED_MPS.max(SPEED_SHARE * t.abs())
    });
    let share = right.count() as f64 / truth.len() as f64;
    println!("own speed right in {share:.2} of the frames");
    assert!(share >= 0.9, "{share}");
}

/// How far behind a kerb of 10 cm is first told, metres; 2.4 was measured when it was set, and
/// the aim is 2.5.
const KERB_M: f64 = 2.3;

#[test]
fn a_low_kerb_is_told_while_the_vehicle_backs() {
    let dir = tempfile::tempdir().unwrap();
    let kerb = "[[thing]]\nkind = \"kerb\"\nbehind_m = 3.3\nheight_m = 0.1\n";
    let told = score(dir.path(), HATCH, BACKS, kerb);
    let total = &told["total"];
    assert_eq!(total["never_announced"], serde_json::json!([]));
    let truth = column(&dir.path().join("clip/truth.csv"), "behind_m");
    let seen = column(&dir.path().join("run/detections.csv"), "behind_m");
    let &(frame, first_m) = seen.first().expect("a detection");
    let (_, true_m) = truth.iter().find(|(f, _)| *f == frame).unwrap();
    println!("told at {true_m:.2} m as {first_m:.2} m");
    assert!(*true_m >= KERB_M, "{true_m}");
    assert!(
        (first_m / true_m - 1.0).abs() < 0.1,
        "{first_m}, not {true_m}"
    );
}

/// At the start nothing has moved yet, and a slow board shows few pictures.
#[test]
fn a_bin_behind_a_vehicle_at_rest_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let board = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/rig/board.toml");
    let bin = "[[thing]]\nkind = \"wheelie-bin\"\nbehind_m = 1.45\nside_m = 0.1\nheading_deg = 180";
    let rest = "rate_hz = 2.5\nvehicle.motion = [[0, 0, 0]]";
    let told = score(dir.path(), board, rest, bin);
    let figures = &told["total"];
    let recall = figures["recall"].as_f64().unwrap();
    // All but the first two pictures, in which nothing may be told yet.
    assert!(recall >= 0.8, "{figures}");
    assert!(
        figures["never_announced"].as_array().unwrap().is_empty(),
        "{figures}"
    );
}

#[test]
fn bare_ground_is_silent() {
    let dir = tempfile::tempdir().unwrap();
    let told = score(dir.path(), HATCH, BACKS, "");
    let total = &told["total"];
    assert_eq!(total["alarms_per_min"], 0.0, "{total}");
    assert!(total["clear_min"].as_f64().unwrap() > 0.05, "{total}");
    assert!(
        total["cannot_tell_share"].as_f64().unwrap() < 0.15,
        "{total}"
    );
}

/// The smooth floor shows next to nothing of what gravel shows, as a smeared lens does of
/// gravel; on both the picture keeps its horizon only if the lens is clean. Nor is the border a
/// wall.
#[test]
fn a_smooth_floor_after_gravel_is_no_smeared_lens() {
    let dir = tempfile::tempdir().unwrap();
    for (event, expected) in [
        ("", "Clear"),
        (
            "[[event]]\nkind = \"smeared\"\nstart_s = 5.5\nover_s = 0.5\nshare = 0.9\n",
            "CannotTell:smeared",
        ),
    ] {
        // The border lies 3 m behind; 3.8 m are driven. With the smear, gravel all the way.
        let floor = "[[mark]]\nkind = \"patch\"\nground = \"garage-floor\"\n\
                     at = [14, 0]\nsize = [22, 40]\n";
        let scene = format!(
            "seed = 12\nrate_hz = 8\nduration_s = 7.5\nprofile = {:?}\n\
             [ground]\nkind = \"gravel\"\n[light]\nkind = \"overcast\"\n\
             [vehicle]\nmotion = [[0, 0, 0], [1, 0, 0], [1.6, 0.8, 0], [6, 0.8, 0], [6.5, 0, 0]]\n\
             {}{event}",
            concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml"),
            if event.is_empty() { floor } else { "" }
        );
        std::fs::write(dir.path().join("scene.toml"), scene).unwrap();
        let _ = std::fs::remove_dir_all(dir.path().join("clip"));
        let _ = std::fs::remove_dir_all(dir.path().join("run"));
        hindward(&["stage", "scene.toml", "--out", "clip"], dir.path());
        hindward(&["replay", "clip", "--out", "run"], dir.path());
        let text = std::fs::read_to_string(dir.path().join("run/detections.csv")).unwrap();
        let told: Vec<&str> = text
            .lines()
            .skip(1)
            .map(|row| row.rsplit(',').next().unwrap())
            .collect();
        assert_eq!(told.len(), 60);
        let after = if event.is_empty() { 10 } else { 52 };
        assert!(
            told[after..].iter().all(|t| *t == expected),
            "{expected}: {told:?}"
        );
    }
}
