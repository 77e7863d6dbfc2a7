//! Changes to a profile: everything else stays as the user wrote it, and a
//! profile is never left broken or half written.

use std::fs;
use std::path::{Path, PathBuf};

use hindward::profile::edit::{rounded, rows, write_atomically, Edit};
use hindward::profile::{Profile, ProfileError};

fn copy_of_example(folder: &Path) -> PathBuf {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/hatch.toml");
    let path = folder.join("car.toml");
    fs::copy(from, &path).unwrap();
    path
}

fn files(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_change_touches_its_own_line_only() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of_example(folder.path());
    let before = fs::read_to_string(&path).unwrap();
    let mut edit = Edit::open(&path).unwrap();
    edit.set(&["mount", "pitch_deg"], rounded(36.12345, 3))
        .unwrap();
    let saved = edit.save().unwrap();

    let after = fs::read_to_string(&path).unwrap();
    let changed: Vec<(&str, &str)> = before
        .lines()
        .zip(after.lines())
        .filter(|(a, b)| a != b)
        .collect();
    assert_eq!(before.lines().count(), after.lines().count());
    assert_eq!(changed.len(), 1, "{changed:?}");
    assert!(changed[0].1.starts_with("pitch_deg = 36.123 "));
    assert!(changed[0].1.ends_with("# down from level"));
    let pitch = Profile::load(&path).unwrap().mount.pitch.degrees();
    assert!((pitch - 36.123).abs() < 1e-9);

    let previous = saved.previous.unwrap();
    assert!(previous.ends_with("car.toml.previous"));
    assert_eq!(fs::read_to_string(previous).unwrap(), before);
    assert_eq!(files(folder.path()), ["car.toml", "car.toml.previous"]);
}

#[test]
fn new_keys_lists_and_matrices_are_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of_example(folder.path());
    let mut edit = Edit::open(&path).unwrap();
    let mut c = vec![vec![0.0; 6]; 6];
    for (i, row) in c.iter_mut().enumerate() {
        row[i] = 1e-4;
    }
    edit.set(&["mount", "covariance_m_rad"], rows(&c)).unwrap();
    for key in ["height_sd_m", "pitch_sd_deg", "roll_sd_deg", "yaw_sd_deg"] {
        edit.remove(&["mount", key]);
    }
    edit.remove(&["mount", "no_such_key"]);
    let zones = edit.list_mut("zone").unwrap();
    zones.remove(3);
    zones.remove(2);
    zones.get_mut(0).unwrap()["far_m"] = toml_edit::value(0.8);
    zones.get_mut(1).unwrap()["near_m"] = toml_edit::value(0.8);
    let mut zone = toml_edit::Table::new();
    zone["name"] = toml_edit::value("new");
    zone["signal"] = toml_edit::value("CAUTION");
    zone["near_m"] = toml_edit::value(1.4);
    zone["far_m"] = toml_edit::value(2.0);
    zone["half_width_m"] = toml_edit::value(1.0);
    zones.push(zone);
    assert_eq!(edit.number(&["watch", "far_m"]), Some(5.0));
    assert_eq!(edit.number(&["watch", "fat_m"]), None);
    edit.save().unwrap();
    let profile = Profile::load(&path).unwrap();
    assert_eq!(profile.zones.len(), 3);
    assert!((profile.mount.covariance[(4, 4)] - 1e-4).abs() < 1e-18);
    let text = fs::read_to_string(&path).unwrap();
    // The list stayed where it was, with the comment above it.
    let at = |s: &str| {
        text.find(s)
            .unwrap_or_else(|| panic!("{s} is gone:\n{text}"))
    };
    assert!(at("# Zones.") < at("[[zone]]"));
    assert!(at("[health]") < at("[[zone]]"));
    assert!(at("[[zone]]") < at("# The sound of \"cannot tell\""));
    assert!(at("# The sound of \"cannot tell\"") < at("[fault]"));
}

#[test]
fn a_change_that_would_break_the_profile_is_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of_example(folder.path());
    let before = fs::read_to_string(&path).unwrap();
    let mut edit = Edit::open(&path).unwrap();
    edit.set(&["mount", "height_m"], 0.0).unwrap();
    edit.set(&["lens", "fx_pix"], 300.0).unwrap();
    let error = edit.save().unwrap_err().to_string();
    assert!(error.contains("mount.height_m = 0.0 is outside"), "{error}");
    assert!(error.contains("did you mean fx_px?"), "{error}");
    assert!(edit.set(&["name", "first"], 1).is_err());
    assert!(edit.set(&["mount"], 1).is_err());
    assert_eq!(fs::read_to_string(&path).unwrap(), before);
    assert_eq!(files(folder.path()), ["car.toml"]);
}

/// From a bare camera to a whole profile: steps must be possible in any order.
#[test]
fn an_unfinished_profile_can_be_filled_in() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new.toml");
    fs::write(&path, "# mine\nname = \"new\"\n[mount]\nheight_m = 1.0\n").unwrap();
    let mut edit = Edit::open(&path).unwrap();
    for (key, value) in [
        ("fx_px", 300.0),
        ("fy_px", 300.0),
        ("cx_px", 320.0),
        ("cy_px", 240.0),
    ] {
        edit.set(&["lens", key], value).unwrap();
    }
    edit.set(&["lens", "model"], "pinhole").unwrap();
    let saved = edit.save().unwrap();
    assert!(saved.faults_left.iter().any(|f| f.key == "mount.pitch_deg"));
    assert!(!saved.faults_left.iter().any(|f| f.key.starts_with("lens")));
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.starts_with("# mine\nname = \"new\"\n[mount]\nheight_m = 1.0\n"));
    // But what it sets must be sound.
    let mut edit = Edit::open(&path).unwrap();
    edit.set(&["lens", "cx_px"], -5.0).unwrap();
    assert!(matches!(edit.save(), Err(ProfileError::Faults { .. })));
    assert_eq!(fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn what_someone_else_wrote_meanwhile_is_not_lost() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of_example(folder.path());
    let mut edit = Edit::open(&path).unwrap();
    edit.set(&["mount", "height_m"], 1.2).unwrap();
    fs::write(&path, "name = \"other\"\n").unwrap();
    let error = edit.save().unwrap_err().to_string();
    assert!(error.contains("changed by someone else"), "{error}");
    assert_eq!(fs::read_to_string(&path).unwrap(), "name = \"other\"\n");
}

#[cfg(unix)]
#[test]
fn links_and_permissions_stay() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of_example(folder.path());
    fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
    let link = folder.path().join("link.toml");
    std::os::unix::fs::symlink("car.toml", &link).unwrap();
    let mut edit = Edit::open(&link).unwrap();
    edit.set(&["mount", "height_m"], 1.2).unwrap();
    edit.save().unwrap();
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert!((Profile::load(&path).unwrap().mount.height.0 - 1.2).abs() < 1e-12);
    assert_eq!(
        fs::metadata(&path).unwrap().permissions().mode() & 0o777,
        0o640
    );
}

#[test]
fn a_file_that_cannot_be_written_leaves_no_part() {
    let folder = tempfile::tempdir().unwrap();
    // A folder in the way: the rename fails, whoever runs this.
    let target = folder.path().join("taken");
    fs::create_dir(&target).unwrap();
    fs::write(target.join("x"), "x").unwrap();
    assert!(write_atomically(&target, b"text").is_err());
    assert!(write_atomically(&folder.path().join("absent/file"), b"text").is_err());
    assert_eq!(files(folder.path()), ["taken"]);
}

#[test]
fn rounded_writes_what_a_person_would() {
    assert_eq!(rounded(1.23456, 3).to_string(), "1.235");
    assert_eq!(rounded(-0.0001, 3).to_string(), "0");
    assert!(!rounded(-0.0001, 3).is_sign_negative());
}
