//! Mount calibration: agreement with OpenCV, known mounts, bad marks, commands.

mod scene;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};

use hindward::optics::calibrate::board::{find_board, BoardSize};
use hindward::optics::calibrate::{
    board_marks, fit_mount, range_sd_m, with_place_noise, BoardPlace, Mark, MarkNoise,
    MountFitError, PREDICTED_AT_M,
};
use hindward::optics::{Ground, GroundPoint, Lens, LensModel, Mount, PixelPoint};
use hindward::units::{Metres, Radians};
use nalgebra::{Matrix3, Matrix6, Rotation3, Vector3};
use scene::{Noise, Pose};

/// The lens of tests/reference/marks.txt.
fn lens() -> Lens {
    Lens {
        model: LensModel::BrownConrady {
            k1: -0.21,
            k2: 0.04,
            p1: 0.0006,
            p2: -0.0004,
            k3: -0.003,
        },
        fx: 420.0,
        fy: 421.0,
        cx: 318.0,
        cy: 243.0,
        width: 640,
        height: 480,
    }
}

fn mount() -> Mount {
    Mount {
        height: Metres(0.93),
        pitch: Radians::from_degrees(34.0),
        roll: Radians::from_degrees(2.5),
        yaw: Radians::from_degrees(-4.0),
        set_back: Metres(0.21),
        side_offset: Metres(0.07),
        covariance: Matrix6::zeros(),
    }
}

/// Marks on a drive, in the picture of that mount.
const PLACES: [(f64, f64); 9] = [
    (0.6, -0.6),
    (0.6, 0.5),
    (1.2, -0.9),
    (1.3, 0.0),
    (1.2, 0.8),
    (2.2, -1.2),
    (2.4, 0.9),
    (3.5, -0.6),
    (4.5, 0.8),
];

fn mark(n: usize, behind_m: f64, side_m: f64, off: (f64, f64)) -> Mark {
    let g = GroundPoint { behind_m, side_m };
    let p = Ground::new(lens(), mount()).to_pixel(g).unwrap();
    Mark {
        name: format!("M{n}"),
        at: PixelPoint {
            u: p.u + off.0,
            v: p.v + off.1,
        },
        ground: g,
    }
}

fn marks(places: &[(f64, f64)], noise_px: f64, seed: u64) -> Vec<Mark> {
    let mut noise = Noise::new(seed);
    places
        .iter()
        .enumerate()
        .map(|(n, (b, s))| {
            mark(
                n,
                *b,
                *s,
                (noise_px * noise.normal(), noise_px * noise.normal()),
            )
        })
        .collect()
}

fn pixels_only(pixel_px: f64) -> MarkNoise {
    MarkNoise {
        pixel_px,
        tape: Metres(0.0),
    }
}

/// cv2.solvePnP of opencv-python-headless 5.0.0.93 on the same points; see
/// tests/reference/make_calibration_vectors.py.
#[test]
fn agrees_with_opencv_solve_pnp() {
    let path = format!("{}/tests/reference/marks.txt", env!("CARGO_MANIFEST_DIR"));
    let (mut points, mut sets) = (Vec::new(), 0);
    for line in std::fs::read_to_string(path).unwrap().lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        let number = |i: usize| -> f64 { words[i].parse().unwrap() };
        match words[0] {
            "#" => {}
            "marks" => points.clear(),
            "pose" => {
                let fit = fit_mount(&lens(), &points, pixels_only(1.0)).unwrap();
                let m = fit.mount;
                let ours = [
                    m.height.0,
                    m.pitch.degrees(),
                    m.roll.degrees(),
                    m.yaw.degrees(),
                    m.set_back.0,
                    m.side_offset.0,
                ];
                for (i, ours) in ours.into_iter().enumerate() {
                    let theirs = number(i + 1);
                    let off = (ours / theirs - 1.0).abs();
                    println!("value {i}: {ours:.8} theirs {theirs:.8} off {off:.1e}");
                    assert!(off <= 0.001, "value {i}: {ours} theirs {theirs}");
                }
                sets += 1;
            }
            _ => points.push(Mark {
                name: format!("M{}", points.len()),
                at: PixelPoint {
                    u: number(0),
                    v: number(1),
                },
                ground: GroundPoint {
                    behind_m: number(2),
                    side_m: number(3),
                },
            }),
        }
    }
    assert_eq!(sets, 2);
}

#[test]
fn four_exact_marks_give_back_the_mount() {
    let four = [PLACES[0], PLACES[1], PLACES[5], PLACES[6]];
    let fit = fit_mount(&lens(), &marks(&four, 0.0, 1), pixels_only(1.0)).unwrap();
    for (a, b) in fit.mount.values().iter().zip(mount().values()) {
        assert!((a - b).abs() < 1e-6, "{a} {b}");
    }
    assert!(fit.marks.iter().all(|m| !m.outlier && m.error_px < 1e-4));
}

/// The predicted range error is the one that repeated noise, of pixels and tape
/// together, really gives.
#[test]
fn predicted_range_error_is_true() {
    let noise = MarkNoise {
        pixel_px: 1.0,
        tape: Metres(0.015),
    };
    let mut random = Noise::new(9);
    let truth = Ground::new(lens(), mount());
    let trials = 150;
    let mut errors = vec![Vec::new(); PREDICTED_AT_M.len()];
    let mut said = vec![0.0; PREDICTED_AT_M.len()];
    for _ in 0..trials {
        let mut set = marks(&PLACES, 0.0, 1);
        for m in &mut set {
            m.at.u += random.normal();
            m.at.v += random.normal();
            m.ground.behind_m += 0.015 * random.normal();
            m.ground.side_m += 0.015 * random.normal();
        }
        let fit = fit_mount(&lens(), &set, noise).unwrap();
        let ground = Ground::new(lens(), fit.mount);
        for (i, behind_m) in PREDICTED_AT_M.into_iter().enumerate() {
            let p = truth
                .to_pixel(GroundPoint {
                    behind_m,
                    side_m: 0.0,
                })
                .unwrap();
            errors[i].push(ground.to_ground(p).unwrap().behind_m - behind_m);
            said[i] += range_sd_m(&ground, behind_m, 0.0).unwrap() / f64::from(trials);
        }
    }
    for (i, at_m) in PREDICTED_AT_M.into_iter().enumerate() {
        let sd = (errors[i].iter().map(|e| e * e).sum::<f64>() / f64::from(trials)).sqrt();
        println!("at {at_m} m: said {:.4} m, seen {sd:.4} m", said[i]);
        // Widening by the misfit makes what is said a little larger on average.
        assert!(
            (0.65..1.25).contains(&(sd / said[i])),
            "at {at_m}: said {}, seen {sd}",
            said[i]
        );
    }
}

#[test]
fn a_wrong_mark_is_named() {
    let noise = MarkNoise {
        pixel_px: 1.0,
        tape: Metres(0.01),
    };
    for wrong in 0..PLACES.len() {
        let mut set = marks(&PLACES, 0.5, 4);
        // A slip of the tape, half a metre near by and a metre far off.
        let slip = 0.3 + 0.15 * set[wrong].ground.behind_m;
        set[wrong].ground.behind_m += slip;
        let fit = fit_mount(&lens(), &set, noise).unwrap();
        let out: Vec<usize> = (0..set.len()).filter(|&i| fit.marks[i].outlier).collect();
        assert_eq!(out, [wrong]);
        assert!((fit.marks[wrong].behind_error_m + slip).abs() < 0.25 * slip);
        assert!((fit.mount.height.0 - 0.93).abs() < 0.05);
    }
    // Among four, nobody can say which one it is: nothing is left out, and the
    // contradiction is told.
    let mut set = marks(&[PLACES[0], PLACES[1], PLACES[5], PLACES[6]], 0.0, 4);
    set[2].ground.behind_m += 0.3;
    match fit_mount(&lens(), &set, noise) {
        Ok(fit) => {
            assert!(fit.one_is_wrong && fit.marks.iter().all(|m| !m.outlier));
            assert!(fit.misfit > 2.5);
        }
        Err(e) => assert!(matches!(e, MountFitError::Weak { .. }), "{e}"),
    }
}

fn advised(text: &str) -> (f64, f64) {
    let number = |after: &str| -> f64 {
        let rest = text.split(after).nth(1).unwrap();
        rest.split_whitespace().next().unwrap().parse().unwrap()
    };
    let behind = number("next mark about ");
    let side = match () {
        () if text.contains("on the centre line") => 0.0,
        () if text.contains("vehicle's right") => number("behind the bumper, "),
        () => -number("behind the bumper, "),
    };
    (behind, side)
}

#[test]
fn degenerate_layouts_are_refused_with_advice_that_helps() {
    let noise = MarkNoise {
        pixel_px: 1.0,
        tape: Metres(0.01),
    };
    let solve = |places: &[(f64, f64)]| fit_mount(&lens(), &marks(places, 0.3, 2), noise);
    assert!(matches!(
        solve(&PLACES[..3]),
        Err(MountFitError::TooFew { have: 3, .. })
    ));
    // On one line across, along, aslant; and three of four on a line.
    let lines: [&[(f64, f64)]; 4] = [
        &[
            (1.0, -0.8),
            (1.0, -0.3),
            (1.0, 0.2),
            (1.0, 0.7),
            (1.01, 0.0),
        ],
        &[(0.6, 0.1), (1.2, 0.1), (2.0, 0.1), (3.0, 0.12)],
        &[(0.8, -0.4), (1.2, 0.0), (1.6, 0.4), (2.0, 0.8)],
        &[(1.0, -0.8), (1.0, 0.0), (1.0, 0.7), (2.5, 0.0)],
    ];
    for places in lines {
        let error = solve(places).unwrap_err();
        assert!(matches!(error, MountFitError::OneLine { .. }), "{error}");
        let mut more = places.to_vec();
        more.push(advised(&error.to_string()));
        if places.len() > 4 || places[3].1 == 0.0 {
            // One more mark is enough for these; the others need two.
            assert!(
                !matches!(solve(&more), Err(MountFitError::OneLine { .. })),
                "{error} did not help"
            );
        }
    }
    // A small patch right behind the bumper leaves the distance open.
    let patch = [(0.7, -0.1), (0.7, 0.1), (0.85, -0.1), (0.85, 0.1)];
    let error = solve(&patch).unwrap_err();
    assert!(matches!(error, MountFitError::Weak { .. }), "{error}");
    let mut more = patch.to_vec();
    more.push(advised(&error.to_string()));
    let sd = |places: &[(f64, f64)]| {
        solve(places).map(|fit| range_sd_m(&Ground::new(lens(), fit.mount), 3.0, 0.0).unwrap())
    };
    let better = sd(&more);
    println!("{error}; then {better:?}");
    assert!(better.is_ok_and(|sd| sd < 0.36), "the advice did not help");

    let mut twice = marks(&PLACES, 0.0, 1);
    twice[3].at = twice[4].at;
    assert!(matches!(
        fit_mount(&lens(), &twice, noise),
        Err(MountFitError::Twice(..))
    ));
    let mut mirrored = marks(&PLACES, 0.0, 1);
    mirrored
        .iter_mut()
        .for_each(|m| m.ground.side_m = -m.ground.side_m);
    assert_eq!(
        fit_mount(&lens(), &mirrored, noise).unwrap_err(),
        MountFitError::Mirrored
    );
    let mut nowhere = marks(&PLACES, 0.0, 1);
    nowhere[0].at.u = 1e9;
    assert!(matches!(
        fit_mount(&lens(), &nowhere, noise),
        Err(MountFitError::NoRay { .. })
    ));
}

// ------------------------------------------------- a board on the ground

/// Board frame into the ground frame, then into the camera: the board's first
/// corner at the given place, columns toward the vehicle's left (picture right),
/// rows toward the bumper, face up.
fn on_ground(m: &Mount, behind_m: f64, side_m: f64, turn: f64) -> Pose {
    let to_ground = Matrix3::from_columns(&[
        Vector3::new(0.0, -1.0, 0.0),
        Vector3::new(-1.0, 0.0, 0.0),
        Vector3::new(0.0, 0.0, -1.0),
    ]);
    let turned = Rotation3::from_axis_angle(&Vector3::z_axis(), turn).matrix() * to_ground;
    let to_camera = m.rotation().transpose();
    Pose {
        rotation: Rotation3::from_matrix_unchecked(to_camera * turned),
        shift: to_camera * (Vector3::new(behind_m, side_m, 0.0) - m.position()),
    }
}

const GROUND_BOARD: BoardSize = BoardSize {
    columns: 9,
    rows: 6,
};

#[test]
fn a_board_on_the_ground_gives_the_mount() {
    let square = 0.06;
    let place = BoardPlace {
        behind: Metres(1.1),
        side: Metres(-0.1),
        tape: Metres(0.01),
        turn: Radians::from_degrees(1.0),
    };
    // Lying across, turned half round, and lengthwise: all are recognised.
    for (name, turn) in [
        ("across", 0.0),
        ("half round", std::f64::consts::PI),
        ("lengthwise", 0.5 * std::f64::consts::PI),
    ] {
        let (across, away) = if name == "lengthwise" {
            (5.0, 8.0)
        } else {
            (8.0, 5.0)
        };
        // The first corner's place follows from the middle.
        let middle = Vector3::new(1.1 + 0.5 * away * square, -0.1, 0.0);
        let flat = on_ground(&mount(), 0.0, 0.0, turn);
        let to_ground = mount().rotation() * flat.rotation.matrix();
        let first = middle - to_ground * Vector3::new(4.0 * square, 2.5 * square, 0.0);
        let pose = on_ground(&mount(), first.x, first.y, turn);
        let picture = scene::picture(&lens(), &pose, GROUND_BOARD, square, 8);
        if let Ok(folder) = std::env::var("SAVE_PICTURES") {
            scene::save_png(
                &picture,
                &Path::new(&folder).join(format!("ground-{across}.png")),
            );
        }
        let found = find_board(&picture, GROUND_BOARD).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(found.whole, "{name}");
        let corners = board_marks(&found, Metres(square), place).unwrap();
        let noise = MarkNoise {
            pixel_px: 0.3,
            tape: Metres(0.0003),
        };
        let fit = fit_mount(&lens(), &corners, noise).unwrap_or_else(|e| panic!("{name}: {e}"));
        let m = with_place_noise(&fit.mount, &corners, place);
        println!("{name}: {:?} against {:?}", m.values(), mount().values());
        for (i, (ours, truth)) in m.values().iter().zip(mount().values()).enumerate() {
            let sd = m.covariance[(i, i)].sqrt();
            assert!(
                (ours - truth).abs() < 3.0 * sd,
                "{name}: value {i}: {ours} truth {truth} sd {sd}"
            );
        }
        assert!((m.height.0 - 0.93).abs() < 0.02 && (m.pitch.degrees() - 34.0).abs() < 0.5);
        // The board's own misplacement is in the deviations.
        assert!(m.covariance[(3, 3)] >= place.turn.0.powi(2));
        assert!(m.covariance[(4, 4)].sqrt() >= 0.01);
    }
}

// ------------------------------------------------- commands

fn csv(marks: &[Mark]) -> String {
    let mut text = String::from("# a drive\nname,u_px,v_px,behind_m,side_m\n");
    for m in marks {
        text += &format!(
            "{},{:.2},{:.2},{},{}\n",
            m.name, m.at.u, m.at.v, m.ground.behind_m, m.ground.side_m
        );
    }
    text
}

/// A profile with the lens of these tests and a mount that is a guess.
fn profile(folder: &Path) -> (std::path::PathBuf, String) {
    let mut text = std::fs::read_to_string("config/hatch.toml").unwrap();
    for (key, value) in [
        ("fx_px", "420.0"),
        ("fy_px", "421.0"),
        ("cx_px", "318.0"),
        ("cy_px", "243.0"),
        ("k1", "-0.21"),
        ("k2", "0.04"),
        ("p1", "0.0006"),
        ("p2", "-0.0004"),
        ("k3", "-0.003"),
    ] {
        let lines: Vec<String> = text
            .lines()
            .map(|line| {
                if line.starts_with(&format!("{key} =")) {
                    format!("{key} = {value} # typed in by hand")
                } else {
                    line.to_owned()
                }
            })
            .collect();
        text = lines.join("\n") + "\n";
    }
    let path = folder.join("car.toml");
    std::fs::write(&path, &text).unwrap();
    (path, text)
}

fn hindward(args: &[&str]) -> (i32, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(args)
        .output()
        .unwrap();
    (
        out.status.code().unwrap(),
        String::from_utf8(out.stdout).unwrap(),
        String::from_utf8(out.stderr).unwrap(),
    )
}

#[test]
fn mount_command_writes_the_profile() {
    let folder = tempfile::tempdir().unwrap();
    let (path, before) = profile(folder.path());
    let file = folder.path().join("marks.csv");
    let mut set = marks(&PLACES, 0.4, 6);
    set[4].ground.side_m += 0.6;
    std::fs::write(&file, csv(&set)).unwrap();
    let (code, out, err) = hindward(&[
        "mount",
        file.to_str().unwrap(),
        "--into",
        path.to_str().unwrap(),
    ]);
    println!("{out}{err}");
    assert_eq!(code, 0, "{out}{err}");
    let outlier = out.lines().find(|l| l.contains("OUTLIER")).unwrap();
    assert!(outlier.starts_with("M4"), "{outlier}");
    for words in ["at 1 m", "at 2 m", "at 3 m", "at 5 m"] {
        assert!(out.contains(words), "{out}");
    }
    let after = hindward::profile::Profile::load(&path).unwrap();
    for (i, (a, b)) in after
        .mount
        .values()
        .iter()
        .zip(mount().values())
        .enumerate()
    {
        let sd = after.mount.covariance[(i, i)].sqrt();
        assert!(
            sd > 0.0 && (a - b).abs() < 3.5 * sd,
            "value {i}: {a} {b} sd {sd}"
        );
    }
    // Off the diagonal too: height and pitch hang together.
    assert!(after.mount.covariance[(0, 1)] != 0.0);
    let previous = std::fs::read_to_string(folder.path().join("car.toml.previous")).unwrap();
    assert_eq!(previous, before);
    let text = std::fs::read_to_string(&path).unwrap();
    for comment in before.lines().filter(|l| l.trim_start().starts_with('#')) {
        assert!(text.contains(comment), "lost: {comment}");
    }
    assert!(text.contains("# typed in by hand"));
}

/// A profile that is not finished, the mount missing, is just what the command
/// is for.
#[test]
fn mount_command_completes_an_unfinished_profile() {
    let folder = tempfile::tempdir().unwrap();
    let (path, text) = profile(folder.path());
    let start = text.find("[mount]").unwrap();
    let end = start + text[start + 1..].find("\n[").unwrap() + 1;
    std::fs::write(&path, format!("{}{}", &text[..start], &text[end..])).unwrap();
    assert!(hindward::profile::Profile::load(&path).is_err());
    let file = folder.path().join("marks.csv");
    std::fs::write(&file, csv(&marks(&PLACES, 0.3, 3))).unwrap();
    let (code, out, err) = hindward(&[
        "mount",
        file.to_str().unwrap(),
        "--into",
        path.to_str().unwrap(),
    ]);
    assert_eq!(code, 0, "{out}{err}");
    let after = hindward::profile::Profile::load(&path).unwrap();
    assert!((after.mount.height.0 - 0.93).abs() < 0.05);
}

#[test]
fn bad_input_of_the_mount_command_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (path, before) = profile(folder.path());
    let into = path.to_str().unwrap();
    let file = folder.path().join("marks.csv");
    let name = file.to_str().unwrap();
    let cases = [
        ("", "is empty"),
        (
            "name,u_px,v_px,behind_m,side_m\nA,1,x,2,3\n",
            "marks.csv:2: v_px",
        ),
        (
            "name,u_px,v_px,behind_m,side_m\nA,1,2,3,4\n",
            "1 marks are too few",
        ),
        ("\u{0}\u{1}", "header"),
    ];
    for (text, says) in cases {
        std::fs::write(&file, text).unwrap();
        let (code, _, err) = hindward(&["mount", name, "--into", into]);
        assert!(code == 2 && err.contains(says), "{text:?}: {err}");
    }
    let line: Vec<(f64, f64)> = (0..5).map(|i| (1.0 + 0.4 * f64::from(i), 0.0)).collect();
    std::fs::write(&file, csv(&marks(&line, 0.0, 1))).unwrap();
    let (code, _, err) = hindward(&["mount", name, "--into", into]);
    assert!(
        code == 2 && err.contains("one line") && err.contains("put the next mark"),
        "{err}"
    );
    let (code, _, err) = hindward(&["mount", "/nowhere.csv", "--into", into]);
    assert!(code == 2 && err.contains("/nowhere.csv"), "{err}");
    let (code, _, err) = hindward(&["mount", name, "--into", "/nowhere.toml"]);
    assert!(code == 2 && err.contains("/nowhere.toml"), "{err}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), before);
    assert!(!folder.path().join("car.toml.previous").exists());
}

fn ask(port: u16, request: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    String::from_utf8_lossy(&answer).into_owned()
}

/// The click page: only under its token and its own host; try, then save.
#[test]
fn the_page_takes_marks_and_lets_nobody_else_in() {
    let folder = tempfile::tempdir().unwrap();
    let (path, _) = profile(folder.path());
    let still = folder.path().join("still.png");
    scene::save_png(
        &scene::picture(
            &lens(),
            &on_ground(&mount(), 1.5, 0.2, 0.0),
            GROUND_BOARD,
            0.06,
            1,
        ),
        &still,
    );
    let file = folder.path().join("marks.csv");
    let mut child = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args([
            "mount",
            file.to_str().unwrap(),
            "--pick",
            still.to_str().unwrap(),
        ])
        .args(["--into", path.to_str().unwrap()])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let address = lines
        .find_map(|l| {
            l.unwrap()
                .trim()
                .strip_prefix("http://127.0.0.1:")
                .map(str::to_owned)
        })
        .unwrap();
    let (port, token) = address.split_once('/').unwrap();
    let token = token.trim_end_matches('/');
    let port: u16 = port.parse().unwrap();
    assert!(token.len() == 32 && token.chars().all(|c| c.is_ascii_hexdigit()));
    let get = |path: &str, host: &str| {
        ask(
            port,
            &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\n\r\n"),
        )
    };
    let host = format!("127.0.0.1:{port}");
    assert!(get("/", &host).starts_with("HTTP/1.1 404"));
    assert!(get("/picture", &host).starts_with("HTTP/1.1 404"));
    assert!(get(&format!("/{}/", "0".repeat(32)), &host).starts_with("HTTP/1.1 404"));
    assert!(get(&format!("/{token}/"), "elsewhere.example").starts_with("HTTP/1.1 404"));
    assert!(ask(port, "nonsense\r\n\r\n").starts_with("HTTP/1.1 400"));
    assert!(
        ask(port, "POST / HTTP/1.1\r\nContent-Length: 99999999\r\n\r\n")
            .starts_with("HTTP/1.1 400")
    );
    let page = get(&format!("/{token}/"), &host);
    assert!(
        page.starts_with("HTTP/1.1 200") && page.contains("640 480"),
        "{page}"
    );
    assert!(get(&format!("/{token}/picture"), &host).contains("image/png"));

    let post = |what: &str, body: &str| {
        ask(
            port,
            &format!(
                "POST /{token}/{what} HTTP/1.1\r\nHost: {host}\r\nContent-Length: {}\r\n\r\n{body}",
                body.len()
            ),
        )
    };
    let few = csv(&marks(&PLACES[..3], 0.0, 1));
    assert!(post("solve", &few).contains("too few"));
    assert!(post("save", &few).starts_with("HTTP/1.1 409"));
    assert!(!file.exists());
    let good = csv(&marks(&PLACES, 0.3, 1));
    assert!(post("solve", &good).contains("range error to expect"));
    assert!(post("save", &good).starts_with("HTTP/1.1 200"));
    let rest: Vec<String> = lines.map_while(Result::ok).collect();
    assert!(child.wait().unwrap().success(), "{rest:?}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), good);
    let after = hindward::profile::Profile::load(&path).unwrap();
    assert!((after.mount.height.0 - 0.93).abs() < 0.05);
}
