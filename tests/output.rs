//! What every command owes whoever reads it: no panic when the reader goes, help
//! with examples, and a README that names what there is.

use std::process::{Command, Stdio};

fn hindward(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hindward"));
    command
        .args(arguments)
        .current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

fn help_of(arguments: &[&str]) -> String {
    let output = hindward(arguments).output().expect("start");
    assert!(output.status.success(), "{arguments:?}");
    String::from_utf8(output.stdout).expect("text")
}

/// The names under "Commands:" of `hindward --help`.
fn commands() -> Vec<String> {
    let help = help_of(&["--help"]);
    let names: Vec<String> = help
        .lines()
        .skip_while(|l| *l != "Commands:")
        .skip(1)
        .take_while(|l| !l.is_empty())
        .filter_map(|l| l.strip_prefix("  ")?.split(' ').next())
        .filter(|name| !name.is_empty() && *name != "help")
        .map(str::to_owned)
        .collect();
    assert!(names.len() >= 15, "{help}");
    names
}

#[test]
fn a_reader_that_has_gone_is_no_fault() {
    for arguments in [
        &["check", "config/hatch.toml"] as &[&str],
        &["check", "config/hatch.toml", "--json"],
        &[
            "zones",
            "--width-m",
            "1.8",
            "--speed-kmh",
            "5",
            "--reaction-s",
            "1.5",
            "--decel",
            "3.4",
        ],
        &["--help"],
        &["check", "--help"],
    ] {
        let (reader, writer) = std::io::pipe().expect("pipe");
        drop(reader);
        let output = hindward(arguments)
            .stdout(writer)
            .stderr(Stdio::piped())
            .spawn()
            .and_then(std::process::Child::wait_with_output)
            .expect("start");
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {said}");
        assert_eq!(said, "", "{arguments:?}");
    }
}

#[test]
fn an_error_with_nobody_to_read_it_still_exits_with_2() {
    let (reader, writer) = std::io::pipe().expect("pipe");
    drop(reader);
    for arguments in [["check", "absent.toml"], ["replay", "absent"]] {
        let status = hindward(&arguments)
            .stderr(writer.try_clone().expect("pipe"))
            .stdout(Stdio::null())
            .status()
            .expect("start");
        assert_eq!(status.code(), Some(2), "{arguments:?}");
    }
}

#[test]
fn every_command_has_help_with_an_example() {
    for name in commands() {
        let help = help_of(&[&name, "--help"]);
        assert!(help.contains("Example"), "{name}: no example");
        assert!(
            help.contains(&format!("  hindward {name} ")),
            "{name}: the example is of something else"
        );
    }
}

#[test]
fn the_readme_lists_every_command() {
    let readme = include_str!("../README.md");
    for name in commands() {
        assert!(
            readme.contains(&format!("\n| `{name} ")),
            "README's table lacks `{name}`"
        );
    }
}

#[test]
fn the_readme_explains_every_column_of_every_table() {
    let readme = include_str!("../README.md");
    let dir = tempfile::tempdir().expect("temp dir");
    let place = |name: &str| dir.path().join(name).display().to_string();
    let (scene, clip, run) = (place("scene.toml"), place("clip"), place("run"));
    let profile = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
    let text = format!(
        "rate_hz = 10.0\nduration_s = 1.2\nprofile = {profile:?}\n\
         [[thing]]\nkind = \"post\"\nbehind_m = 2.0\nside_m = 0.0\n\
         [[event]]\nkind = \"black\"\nstart_s = 0.8\n"
    );
    std::fs::write(&scene, text).expect("scene");
    let steps: [&[&str]; 2] = [
        &["stage", &scene, "--out", &clip],
        &["replay", &clip, "--out", &run],
    ];
    for step in steps {
        let output = hindward(step).output().expect("start");
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
    for (folder, table) in [
        (&clip, "truth.csv"),
        (&clip, "ego.csv"),
        (&clip, "health.csv"),
        (&run, "detections.csv"),
        (&run, "motion.csv"),
        (&run, "edges.csv"),
    ] {
        let path = std::path::Path::new(folder).join(table);
        let text = std::fs::read_to_string(&path).expect(table);
        let head = text.lines().next().expect("a head line");
        // The section about a table begins with its name and goes on to the next.
        let section = readme
            .split(&format!("\n| `{table}` | "))
            .nth(1)
            .unwrap_or_else(|| panic!("README has no section on {table}"))
            .split("\n\n")
            .next()
            .unwrap_or("");
        for column in head.split(',') {
            assert!(
                section.contains(&format!("`{column}`")),
                "README does not explain {column} of {table}"
            );
        }
    }
}
