//! Scenes rendered by the command: truth against the picture itself, the same
//! bytes twice, faults named, bad input refused with nothing left behind.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use hindward::camera::{ClipSource, Decoder, Grab, RawFrame, Source};
use hindward::optics::GroundPoint;
use hindward::profile::Profile;

fn scene(body: &str) -> String {
    let profile = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/hatch.toml");
    format!(
        "duration_s = 0.2\nprofile = {:?}\n{body}\n\
         [camera]\nnoise = 0.0\njpeg_quality = 95\n[ground]\nkind = \"asphalt-new\"\n",
        profile.display().to_string()
    )
}

fn stage(dir: &Path, text: &str, out: &str) -> Output {
    let file = dir.join("scene.toml");
    fs::write(&file, text).unwrap();
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(["stage", "scene.toml", "--out", out])
        .current_dir(dir)
        .output()
        .unwrap()
}

/// First row of truth.csv as numbers: behind, side, half width, height, visible.
fn first_truth(clip: &Path) -> Vec<f64> {
    let text = fs::read_to_string(clip.join("truth.csv")).unwrap();
    let row = text.lines().nth(1).expect("a row");
    row.split(',').skip(4).map(|c| c.parse().unwrap()).collect()
}

/// A kerb is long and low: seen from every distance, none of it is hidden behind anything.
#[test]
fn a_kerb_in_full_view_is_visible_all_the_way() {
    let dir = tempfile::tempdir().unwrap();
    let text = scene(
        "rate_hz = 8\n[vehicle]\nmotion = [[0, 1.2, 0], [2, 1.2, 0]]\n\
         [[thing]]\nkind = \"kerb\"\nbehind_m = 4.6",
    )
    .replace("duration_s = 0.2", "duration_s = 2");
    let done = stage(dir.path(), &text, "clip");
    assert!(done.status.success(), "{done:?}");
    let truth = fs::read_to_string(dir.path().join("clip/truth.csv")).unwrap();
    let rows: Vec<&str> = truth.lines().skip(1).collect();
    assert_eq!(rows.len(), 16);
    for row in rows {
        let visible: f64 = row.split(',').next_back().unwrap().parse().unwrap();
        assert!(visible > 0.9, "{row}");
    }
}

#[test]
fn the_truth_lies_where_the_picture_shows_the_foot() {
    let dir = tempfile::tempdir().unwrap();
    let body = "[[thing]]\nkind = \"post\"\nbehind_m = 2.2\nside_m = -0.4\ncolour = \"#ffffff\"";
    let done = stage(dir.path(), &scene(body), "clip");
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let clip = dir.path().join("clip");
    let t = first_truth(&clip);
    // The rod's radius is 37.5 mm; nearest points of its outline follow.
    assert!((t[0] - (2.2 - 0.0375)).abs() < 2e-3, "behind {}", t[0]);
    assert!((t[1] + 0.4).abs() < 0.02 && (t[2] - 0.0375).abs() < 1e-3);
    assert!(t[4] > 0.95, "visible {}", t[4]);

    let ground = Profile::load(&clip.join("profile.toml")).unwrap().ground();
    let foot = ground
        .to_pixel(GroundPoint {
            behind_m: t[0],
            side_m: t[1],
        })
        .unwrap();
    let mut source = ClipSource::open(&clip).unwrap();
    let mut raw = RawFrame::empty();
    assert_eq!(source.grab(&mut raw).unwrap(), Grab::Frame);
    let mut rgb = image::RgbImage::new(1, 1);
    Decoder::new().unwrap().decode_rgb(&raw, &mut rgb).unwrap();
    // White rod on black asphalt: its lowest bright pixel is its foot.
    let column = foot.u.round() as u32;
    let lowest = (0..rgb.height())
        .rev()
        .find(|&y| rgb.get_pixel(column, y)[1] > 140);
    let lowest = f64::from(lowest.expect("the rod is in the picture"));
    assert!(
        (lowest - foot.v).abs() <= 2.0,
        "picture {lowest}, truth {}",
        foot.v
    );
}

#[test]
fn the_same_scene_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let text = scene("[vehicle]\nmotion = [[0, 0.5, 0.1]]").replace("noise = 0.0", "noise = 1.0");
    for out in ["a", "b"] {
        assert!(stage(dir.path(), &text, out).status.success());
    }
    for name in [
        "frames.avi",
        "truth.csv",
        "ego.csv",
        "profile.toml",
        "clip.toml",
    ] {
        let read = |out: &str| fs::read(dir.path().join(out).join(name)).unwrap();
        assert!(read("a") == read("b"), "{name} differs");
    }
}

#[test]
fn lost_frames_are_gaps_and_the_fault_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let text = scene("[[event]]\nkind = \"dropped\"\nstart_s = 0.1\nend_s = 0.15\nshare = 1.0");
    assert!(stage(dir.path(), &text, "clip").status.success());
    let clip = dir.path().join("clip");
    assert!(clip.join("frames/000001.jpg").exists());
    // Frame 2 at 0.133 s is lost.
    assert!(!clip.join("frames/000002.jpg").exists());
    let health = fs::read_to_string(clip.join("health.csv")).unwrap();
    assert_eq!(health, "start_s,end_s,reason\n0.100,0.150,late\n");
}

/// The loop aboard hears of no picture at a time limit; so must the bench, which has only
/// the pictures that are there.
#[test]
fn replay_tells_of_lost_frames_when_the_daemon_would() {
    let dir = tempfile::tempdir().unwrap();
    let text = scene("[[event]]\nkind = \"dropped\"\nstart_s = 0.9\nend_s = 1.7\nshare = 1.0")
        .replace("duration_s = 0.2", "duration_s = 2.0");
    assert!(stage(dir.path(), &text, "clip").status.success());
    let replay = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(["replay", "clip", "--out", "run"])
        .current_dir(dir.path())
        .output()
        .unwrap();
    assert!(replay.status.success());
    let stale = Profile::load(&dir.path().join("clip/profile.toml"))
        .unwrap()
        .health
        .stale
        .as_secs_f64();
    let table = fs::read_to_string(dir.path().join("run/detections.csv")).unwrap();
    let times: Vec<f64> = (table.lines().filter(|l| l.ends_with("CannotTell:late")))
        .map(|l| l.split(',').nth(1).unwrap().parse().unwrap())
        .collect();
    // The last picture before the gap is that of 0.867 s.
    assert!((times[0] - 13.0 / 15.0 - stale).abs() < 2e-3, "{times:?}");
    assert!((times[1] - 26.0 / 15.0).abs() < 2e-3, "{times:?}");
}

#[test]
fn bad_scenes_are_refused_with_their_line_and_leave_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let cases = [
        ("[[thing]]\nkind = \"unicorn\"", "scene.toml:4:"),
        ("[[thing]]\nkind = \"post\"\nlength_m = 3", "scene.toml:5:"),
        (
            "[[event]]\nkind = \"frozen\"\nstart_s = nan",
            "scene.toml:3:",
        ),
        ("[vehicle]\nmotion = [[0, 99, 0]]", "scene.toml:4:"),
        ("include = [\"nowhere.toml\"]", "nowhere.toml"),
    ];
    for (body, says) in cases {
        let done = stage(dir.path(), &scene(body), "clip");
        let text = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(2), "{body}: {text}");
        assert!(text.contains(says), "{body}: {text}");
        let left: Vec<_> = fs::read_dir(dir.path())
            .unwrap()
            .flatten()
            .map(|e| e.file_name())
            .collect();
        assert_eq!(left, ["scene.toml"], "{body}");
    }
}

#[test]
fn every_case_of_the_suite_reads() {
    let suite = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/suite.toml");
    let text = fs::read_to_string(&suite).unwrap();
    let cases = text.matches("[[case]]").count();
    let held = text.matches("held_back = true").count();
    let empty = text.matches("name = \"empty-").count();
    assert!(
        cases >= 48 && held * 3 >= cases - 3 && empty >= 24,
        "{cases} {held} {empty}"
    );
    // A name that no case has: all are read and checked, none is rendered.
    let done = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args([
            "stage",
            &suite.display().to_string(),
            "--out",
            "/nowhere",
            "--only",
            "no such case",
        ])
        .output()
        .unwrap();
    let says = String::from_utf8_lossy(&done.stderr).into_owned();
    assert!(says.contains("no case matches"), "{says}");
}
