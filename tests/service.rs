//! The service's unit file, as the service manager's own tools see it.

use std::process::Command;

const UNIT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hindward.service");

/// `systemd-analyze` with the unit file; `None`, said aloud, where there is none.
fn analyze(arguments: &[&str]) -> Option<String> {
    let done = Command::new("systemd-analyze")
        .args(arguments)
        .arg("--no-pager")
        .arg(UNIT)
        .output();
    let Ok(done) = done else {
        eprintln!("skipped: no systemd-analyze here");
        return None;
    };
    Some(
        String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr),
    )
}

/// 0 is best, 10 worst; systemd.exec(5) has what counts. The rest is what the
/// program needs: its devices, their groups, real-time edges, the notify socket.
#[test]
fn the_service_exposes_little() {
    let Some(text) = analyze(&["security", "--offline=true"]) else {
        return;
    };
    let level = text
        .lines()
        .find_map(|line| line.split_once("hindward.service: ")?.1.split(' ').next())
        .and_then(|number| number.parse::<f64>().ok());
    if level.is_none() && text.contains("offline") {
        eprintln!("skipped: this systemd-analyze knows no --offline");
        return;
    }
    let level = level.unwrap_or_else(|| panic!("no level in:\n{text}"));
    assert!(level <= 1.5, "exposure {level}:\n{text}");
}

/// Misspelt keys are warnings to systemd, which would then run it unprotected.
#[test]
fn the_unit_file_has_no_key_that_systemd_does_not_know() {
    let Some(text) = analyze(&["verify", "--man=no"]) else {
        return;
    };
    let about_ours: Vec<&str> = text
        .lines()
        .filter(|line| line.contains("hindward.service") && !line.contains("is not executable"))
        .filter(|line| !line.contains("No such file"))
        .collect();
    assert!(about_ours.is_empty(), "{about_ours:?}");
}
