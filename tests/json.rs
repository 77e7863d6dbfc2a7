//! Every command that prints a result prints it as JSON with `--json`, and then
//! nothing else on standard output.

mod scene;

use std::path::Path;
use std::process::{Command, Output};

use hindward::optics::calibrate::board::BoardSize;
use hindward::optics::{GroundPoint, Lens, LensModel};
use hindward::profile::Profile;
use nalgebra::{Rotation3, Vector3};

const HATCH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");

fn hindward(args: &str, folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args.split_whitespace())
        .current_dir(folder)
        .output()
        .unwrap()
}

/// A rolling vehicle, small and short: with a post behind it, with nothing, and
/// with a child that steps in.
fn stage_scenes(folder: &Path) {
    let plain = format!(
        "rate_hz = 12\nduration_s = 2.5\nprofile = {HATCH:?}\n\
         [rig.camera]\nwidth_px = 320\nheight_px = 240\nrate_hz = 12\n\
         [rig.lens]\nmodel = \"pinhole\"\nfx_px = 150.0\nfy_px = 150.0\ncx_px = 159.5\ncy_px = 119.5\n\
         [ground]\nkind = \"gravel\"\n[light]\nkind = \"overcast\"\n\
         [vehicle]\nmotion = [[0, 0.7, 0]]\n"
    );
    let post = "[[thing]]\nkind = \"post\"\nbehind_m = 3.5\nside_m = 0.1\n";
    let child = "[[thing]]\nkind = \"child\"\npath = [[0, 4.0, 3.0], [2, 4.0, 0.0]]\n";
    for (name, thing) in [("scene", post), ("plain", ""), ("both", child)] {
        std::fs::write(
            folder.join(format!("{name}.toml")),
            format!("{plain}{thing}"),
        )
        .unwrap();
    }
}

/// Pictures of a board, tilted to all sides.
fn board_pictures(folder: &Path) {
    let lens = Lens {
        model: LensModel::Pinhole,
        fx: 600.0,
        fy: 600.0,
        cx: 319.5,
        cy: 239.5,
        width: 640,
        height: 480,
    };
    std::fs::create_dir(folder.join("boards")).unwrap();
    for (n, (x, y)) in [
        (0.5, 0.1),
        (-0.5, 0.2),
        (0.2, 0.5),
        (-0.1, -0.5),
        (0.4, -0.4),
    ]
    .into_iter()
    .enumerate()
    {
        let rotation = Rotation3::from_euler_angles(y, x, 0.1);
        let middle = rotation * Vector3::new(0.1, 0.0625, 0.0);
        let pose = scene::Pose {
            rotation,
            shift: Vector3::new(0.0, 0.0, 0.42) - middle,
        };
        let size: BoardSize = "9x6".parse().unwrap();
        let picture = scene::picture(&lens, &pose, size, 0.025, n as u64);
        scene::save_png(&picture, &folder.join(format!("boards/{n}.png")));
    }
}

/// Marks as the hatch's camera would see them.
fn marks(folder: &Path) {
    let ground = Profile::load(HATCH.as_ref()).unwrap().ground();
    let mut text = String::from("name,u_px,v_px,behind_m,side_m\n");
    for (n, (behind_m, side_m)) in [(0.6, -0.7), (0.6, 0.7), (1.5, 0.0), (3.0, -1.2), (3.0, 1.2)]
        .into_iter()
        .enumerate()
    {
        let p = ground.to_pixel(GroundPoint { behind_m, side_m }).unwrap();
        text += &format!("M{n},{},{},{behind_m},{side_m}\n", p.u, p.v);
    }
    std::fs::write(folder.join("marks.csv"), text).unwrap();
}

#[test]
fn every_command_that_prints_offers_json() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path();
    stage_scenes(folder);
    board_pictures(folder);
    marks(folder);
    for name in ["zones.toml", "lens.toml", "mount.toml", "car.toml"] {
        std::fs::copy(HATCH, folder.join(name)).unwrap();
    }
    // Each with the keys that make its answer; later ones use what earlier ones made.
    let tried = [
        ("stage", "stage scene.toml --out clip", "clips frames"),
        ("stage", "stage plain.toml --out plain", "clips frames"),
        ("stage", "stage both.toml --out both", "clips frames"),
        ("check", "check car.toml", "zones suggestions"),
        (
            "zones",
            "zones --width-m 1.8 --speed-kmh 5 --reaction-s 1.5 --decel 3.4 --into zones.toml",
            "zones saved",
        ),
        ("board", "board --out board.pdf", "board square_mm"),
        (
            "lens",
            "lens boards --square-mm 25 --into lens.toml",
            "pictures rms_px values saved",
        ),
        (
            "mount",
            "mount marks.csv --into mount.toml",
            "marks height_m pitch_deg saved",
        ),
        ("replay", "replay clip --out one", "clip frames verdicts"),
        ("clip", "clip clip --to 1 --out part", "clip frames"),
        (
            "record",
            "record clip/profile.toml --clip clip --out taken",
            "",
        ),
        (
            "mask",
            "mask clip --into clip/profile.toml --dry-run",
            "driven_m written",
        ),
        ("score", "score one", "clips"),
        ("compare", "compare one one", ""),
        ("report", "report one --out page.html", ""),
        (
            "run",
            "run clip/profile.toml --self-test --clip clip",
            "findings",
        ),
        (
            "tune",
            "tune clip plain both --profile clip/profile.toml --out tuned.toml --trials 2",
            "points changes page",
        ),
    ];
    // Silent, or with a page of its own that a browser test goes through.
    let not_run = ["quiet", "label"];
    let help = hindward("help", folder);
    let help = String::from_utf8(help.stdout).unwrap();
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|l| !l.starts_with("Commands:"))
        .skip(1)
        .take_while(|l| !l.is_empty())
        .filter_map(|l| l.split_whitespace().next())
        .filter(|c| *c != "help")
        .collect();
    assert!(commands.len() >= 15, "{commands:?}");
    for command in &commands {
        let known = tried.iter().any(|t| t.0 == *command) || not_run.contains(command);
        assert!(known, "{command} is not tried here; add it");
        if *command != "quiet" {
            let help = hindward(&format!("{command} --help"), folder);
            let help = String::from_utf8(help.stdout).unwrap();
            assert!(help.contains("--json"), "{command} does not offer --json");
        }
    }
    for (command, line, keys) in tried {
        let done = hindward(&format!("{line} --json"), folder);
        let errors = String::from_utf8_lossy(&done.stderr);
        // 1 is "done, and the answer is no".
        assert!(
            matches!(done.status.code(), Some(0 | 1)),
            "{line}: {:?} {errors}",
            done.status
        );
        let said: serde_json::Value = serde_json::from_slice(&done.stdout).unwrap_or_else(|e| {
            panic!("{command}: {e}: {}", String::from_utf8_lossy(&done.stdout))
        });
        assert!(said.is_object() || said.is_array(), "{command}: {said}");
        for key in keys.split_whitespace() {
            assert!(!said[key].is_null(), "{command} says no {key}: {said}");
        }
    }
}
