//! `hindward mask` on staged clips, against the exact outline of the own vehicle.

use std::path::Path;
use std::process::{Command, Output};

fn hindward(args: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap()
}

/// Stages a small clip into `folder`/clip and gives it a profile beside it.
fn stage(folder: &Path, ground: &str, light: &str, vehicle: &str) {
    let scene = format!(
        "seed = 5\nrate_hz = 12\nduration_s = 3\nprofile = {:?}\n\
         [rig.camera]\nwidth_px = 320\nheight_px = 240\nrate_hz = 12\n\
         [rig.lens]\nmodel = \"kannala-brandt\"\nfx_px = 125.0\nfy_px = 125.0\n\
         cx_px = 159.5\ncy_px = 119.5\nk1 = 0.02\nk2 = -0.01\n\
         [ground]\n{ground}\n[light]\n{light}\n[vehicle]\n{vehicle}\n",
        concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml")
    );
    std::fs::write(folder.join("scene.toml"), scene).unwrap();
    let done = hindward(&["stage", "scene.toml", "--out", "clip"], folder);
    assert!(done.status.success(), "{done:?}");
    std::fs::copy(folder.join("clip/profile.toml"), folder.join("car.toml")).unwrap();
}

const ROLLS: &str = "motion = [[0, 0.8, 0], [3, 0.8, 0.03]]";

/// Share of the vehicle that the mask has, and share of the mask that is vehicle.
fn agreement(folder: &Path) -> (f64, f64) {
    let open = |name: &str| image::open(folder.join(name)).unwrap().to_luma8();
    let (mask, truth) = (open("car-self-mask.png"), open("clip/own-vehicle.png"));
    assert_eq!(mask.dimensions(), truth.dimensions());
    let count = |of: &dyn Fn(bool, bool) -> bool| {
        let pairs = mask.iter().zip(truth.iter());
        pairs.filter(|(m, t)| of(**m > 0, **t > 0)).count() as f64
    };
    let both = count(&|m, t| m && t);
    (both / count(&|_, t| t), both / count(&|m, _| m))
}

#[test]
fn the_bumper_is_found_and_the_profile_names_the_mask() {
    for (ground, light, colour) in [
        ("kind = \"gravel\"", "kind = \"overcast\"", "#e0e0e0"),
        // The vehicle's own shadow lies beside the bumper and moves with it.
        (
            "kind = \"asphalt-old\"",
            "kind = \"sun\"\nsun_azimuth_deg = 140\nsun_elevation_deg = 35",
            "#202224",
        ),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let vehicle = format!("{ROLLS}\nbumper_colour = {colour:?}");
        stage(dir.path(), ground, light, &vehicle);
        let before = std::fs::read_to_string(dir.path().join("car.toml")).unwrap();
        let args = ["mask", "clip", "--into", "car.toml", "--sheet", "sheet.png"];
        let done = hindward(&args, dir.path());
        assert!(done.status.success(), "{ground}: {done:?}");
        let (recall, precision) = agreement(dir.path());
        println!("{ground}: recall {recall:.3}, precision {precision:.3}");
        // Corners that stay undecided stay watched: the safe side. What is masked
        // beyond the vehicle is a rim of three pixels.
        assert!(recall >= 0.9, "{ground}: {recall}");
        assert!(precision >= 0.95, "{ground}: {precision}");
        let after = std::fs::read_to_string(dir.path().join("car.toml")).unwrap();
        assert!(after.contains("self_mask = \"car-self-mask.png\""));
        assert!(after.contains("# A PNG beside this file"), "comments stay");
        let kept = std::fs::read_to_string(dir.path().join("car.toml.previous")).unwrap();
        assert_eq!(kept, before);
        let sheet = image::open(dir.path().join("sheet.png")).unwrap();
        assert_eq!((sheet.width(), sheet.height()), (640, 240));
        let check = hindward(&["check", "car.toml"], dir.path());
        assert!(check.status.success(), "{check:?}");
    }
}

#[test]
fn without_a_vehicle_in_the_picture_nothing_is_masked() {
    let dir = tempfile::tempdir().unwrap();
    let light = "kind = \"sun\"\nsun_azimuth_deg = 140\nsun_elevation_deg = 35";
    let vehicle = format!("{ROLLS}\nbumper = false");
    stage(dir.path(), "kind = \"asphalt-old\"", light, &vehicle);
    let args = ["mask", "clip", "--into", "car.toml", "--json"];
    let done = hindward(&args, dir.path());
    assert!(done.status.success(), "{done:?}");
    let said: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap();
    assert_eq!(said["share_of_picture"], 0.0);
    assert_eq!(said["written"], false);
    assert!(!dir.path().join("car-self-mask.png").exists());
    assert!(!dir.path().join("car.toml.previous").exists());
}

#[test]
fn a_clip_that_does_not_tell_is_refused_and_nothing_is_written() {
    let dir = tempfile::tempdir().unwrap();
    stage(
        dir.path(),
        "kind = \"asphalt-old\"",
        "kind = \"overcast\"",
        "motion = [[0, 0, 0]]",
    );
    let before = std::fs::read_dir(dir.path()).unwrap().count();
    let args = ["mask", "clip", "--into", "car.toml", "--sheet", "sheet.png"];
    let done = hindward(&args, dir.path());
    assert_eq!(done.status.code(), Some(2), "{done:?}");
    let said = String::from_utf8_lossy(&done.stderr);
    assert_eq!(said.lines().count(), 1, "{said}");
    assert!(said.contains("roll two metres"), "{said}");
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), before);
    // Pictures of another size.
    let wide = std::fs::read_to_string(dir.path().join("car.toml")).unwrap();
    let wide = wide.replace("width_px = 320", "width_px = 640");
    let wide = wide.replace("height_px = 240", "height_px = 480");
    std::fs::write(dir.path().join("wide.toml"), wide).unwrap();
    let done = hindward(&["mask", "clip", "--into", "wide.toml"], dir.path());
    assert_eq!(done.status.code(), Some(2), "{done:?}");
    assert!(String::from_utf8_lossy(&done.stderr).contains("320x240"));
}
