//! `hindward check` and `hindward zones` as a user runs them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use hindward::profile::cautions::CAUTIONS;
use hindward::profile::check::Report;
use hindward::profile::{Profile, ZoneShape};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn example(name: &str) -> PathBuf {
    root().join("config").join(name)
}

fn hindward(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hindward"))
        .args(arguments)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn files(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// The plate example with changes.
fn changed(changes: &[(&str, &str)]) -> String {
    let mut text = fs::read_to_string(example("plate-height.toml")).unwrap();
    for (from, to) in changes {
        assert!(text.contains(from), "{from} is not in the example");
        text = text.replacen(from, to, 1);
    }
    text
}

fn report(changes: &[(&str, &str)]) -> Report {
    let profile = Profile::parse(&changed(changes), "p.toml").unwrap_or_else(|e| panic!("{e}"));
    Report::new(&profile).unwrap()
}

/// The worked table of a pitched camera: f = 600 px, centre row 240, lens 0.9 m
/// up, 30 degrees down, no distortion; rows and slopes follow from
/// Z = H / tan(pitch + atan((v − cy) / f)).
const WORKED: [(&str, &str); 9] = [
    ("model = \"kannala-brandt\"", "model = \"pinhole\" #"),
    ("fx_px = 244.0", "fx_px = 600.0"),
    ("fy_px = 244.0", "fy_px = 600.0"),
    ("cx_px = 319.5", "cx_px = 320.0"),
    ("cy_px = 239.5", "cy_px = 240.0"),
    ("k1 = -0.015\nk2 = 0.004\nk3 = -0.002\nk4 = 0.0002\n", ""),
    ("height_m = 0.78", "height_m = 0.9"),
    ("pitch_deg = 32.0", "pitch_deg = 30.0"),
    ("set_back_m = 0.06", "set_back_m = 0.0"),
];

#[test]
fn distances_agree_with_the_worked_table() {
    let report = report(&WORKED);
    let rows: Vec<(f64, Option<f64>)> = report
        .outlook
        .distances
        .iter()
        .map(|d| (d.behind_m, d.row_px))
        .collect();
    // 0.5 m lies below the picture (the last row, 479, shows 0.7103 m).
    assert_eq!(rows[0], (0.5, None));
    for (row, wanted) in rows[1..].iter().zip([367.394, 179.348, 98.158, 24.034]) {
        assert!((row.1.unwrap() - wanted).abs() < 1e-3, "{row:?} {wanted}");
    }
    // Metres per row: dZ/dv = (H² + Z²)/H · f / (f² + (v − cy)²).
    for d in &report.outlook.distances[1..] {
        let (z, dv) = (d.behind_m, d.row_px.unwrap() - 240.0);
        let slope = (0.81 + z * z) / 0.9 * 600.0 / (360_000.0 + dv * dv);
        assert!((d.metres_per_row.unwrap() / slope - 1.0).abs() < 1e-4);
        // Mount: height dZ/dH = Z/H, pitch (H² + Z²)/H, set-back one to one.
        let pitch = (0.81 + z * z) / 0.9 * 0.7_f64.to_radians();
        let mount = (z / 0.9 * 0.01).hypot(pitch).hypot(0.01);
        assert!((d.mount_sd_m.unwrap() / mount - 1.0).abs() < 1e-3, "{d:?}");
        let all = mount.hypot(1.5 * slope);
        assert!((d.sd_m.unwrap() / all - 1.0).abs() < 1e-3, "{d:?}");
    }
    // Width: on the ray through row v the ground is H / sin(angle) away, and a
    // column of the picture covers that times cos of the ray's own angle / f.
    let d = &report.outlook.distances[2];
    let depth = (0.81 + 4.0_f64).sqrt() * ((d.row_px.unwrap() - 240.0) / 600.0).atan().cos();
    let half = depth * 319.5 / 600.0;
    assert!((d.right_m.unwrap() - half).abs() < 0.012, "{d:?} {half}");
    // The blind strip ends where row 479.5, the picture's lower rim, looks.
    let rim = 0.9 / (30_f64.to_radians() + (239.5_f64 / 600.0).atan()).tan();
    let strip = report.outlook.blind_strip_centre_m.unwrap();
    assert!((0.0..0.0101).contains(&(strip - rim)), "{strip} {rim}");
}

/// UK Highway Code rule 126, 20 mph: 12 m; here as the stopping room of a
/// profile is a reversing one: 1.5 s and 3.4 m/s² from 5 km/h make 2.37 m.
#[test]
fn zones_say_what_room_they_leave() {
    let report = report(&[]);
    assert!((report.outlook.stopping_room_m - 2.37).abs() < 0.005);
    for zone in &report.outlook.zones {
        assert!((zone.room_left_m - (zone.far_m - report.outlook.stopping_room_m)).abs() < 1e-9);
        // The speed that just stops within the far edge, put back in.
        let v = zone.greatest_speed_kmh / 3.6;
        assert!((v * 1.5 + v * v / 6.8 - zone.far_m).abs() < 1e-9);
    }
    let danger = &report.outlook.zones[0];
    assert_eq!((danger.signal, danger.seen_share), ("DANGER", 1.0));
}

/// Cylinders' outlines against the picture's rims, reckoned by hand for a level
/// pinhole camera: a point at depth z and height y over the axis stands at
/// row cy − f·y/z.
#[test]
fn test_objects_show_as_the_geometry_says() {
    let level = |height: &str| {
        let mut changes = WORKED.to_vec();
        changes[6] = ("height_m = 0.78", height);
        changes[7] = ("pitch_deg = 32.0", "pitch_deg = 0.0");
        report(&changes)
    };
    // Lens at 0.78 m, picture ±240 px: at 3.05 m the foot is at 240 + 600·0.78/3.05
    // = 393, top above; columns 1.52 ± 0.15 m: 600·1.67/3.05 = 329 > 319.
    let r = level("height_m = 0.78");
    let object = |label: &str| r.us_objects.iter().find(|o| o.label == label).unwrap();
    assert!(object("A").met && object("B").met && object("C").met);
    assert!(!object("D").met && !object("E").met);
    assert!(object("D").seen_share > 0.5 && object("D").seen_share < 1.0);
    assert!(!object("F").met && object("F").seen_share == 0.0);
    // 0.3 m across at 6.1 m: 600·0.3/6.1 px.
    let width = object("B").width_px.unwrap();
    assert!((width - 600.0 * 0.3 / 6.1).abs() < 0.05, "{width}");
    // UN R158's far row, 3.5 m, at ±0.81 m: foot at row 240 + 134, all in view.
    assert!(r
        .un_objects
        .iter()
        .filter(|o| o.behind_m == 3.5)
        .all(|o| o.met));
    // At 0.3 m the picture spans 0.78 ± 0.12 m in height and 0.16 m to a side:
    // no patch 0.15 m tall below the top rim … 0.66 to 0.80 m is 0.14 m, but the
    // top shows.
    let near = r
        .un_objects
        .iter()
        .find(|o| o.label == "near centre")
        .unwrap();
    assert!(near.met, "{near:?}");
    // 10 cm lower the top still shows at 0.3 m; from 1.3 m up it is out of view.
    let high = level("height_m = 1.3");
    let near = high
        .un_objects
        .iter()
        .find(|o| o.label == "near centre")
        .unwrap();
    assert!(!near.met && near.seen_share == 0.0, "{near:?}");
}

#[test]
fn suggestions_are_numbers_that_hold_when_followed() {
    // Looks too far up: the blind strip must shrink with the pitch it proposes.
    let too_high = [
        ("pitch_deg = 32.0", "pitch_deg = 8.0"),
        ("fx_px = 244.0", "fx_px = 330.0"),
        ("fy_px = 244.0", "fy_px = 330.0"),
    ];
    let before = report(&too_high);
    let advice = before
        .suggestions
        .iter()
        .find(|s| s.contains("tilt the camera"));
    let advice = advice.unwrap_or_else(|| panic!("{:?}", before.suggestions));
    let to = advice
        .split(" to ")
        .nth(1)
        .unwrap()
        .split(')')
        .next()
        .unwrap();
    let pitch = format!("pitch_deg = {to}");
    let mut followed = too_high;
    followed[0].1 = &pitch;
    let after = report(&followed);
    assert!(before.outlook.blind_strip_m.unwrap() > 0.3);
    assert!(after.outlook.blind_strip_m.unwrap() <= 0.3, "{advice}");
    assert!(!after.suggestions.iter().any(|s| s.contains("tilt")));
    // Half a degree less would not do.
    let less: f64 = to.parse::<f64>().unwrap() - 0.5;
    let less = format!("pitch_deg = {less}");
    followed[0].1 = &less;
    assert!(report(&followed).outlook.blind_strip_m.unwrap() > 0.3);

    // Too fast for the zones: both cures must work.
    let fast = report(&[("reverse_speed_kmh = 5.0", "reverse_speed_kmh = 12.0")]);
    let advice = fast
        .suggestions
        .iter()
        .find(|s| s.contains("reverse no faster than"))
        .unwrap();
    let number = |after: &str| -> String {
        let rest = advice.split(after).nth(1).unwrap();
        rest.trim().split(' ').next().unwrap().to_owned()
    };
    let slower = format!("reverse_speed_kmh = {}", number("no faster than"));
    let cured = report(&[("reverse_speed_kmh = 5.0", &slower)]);
    assert!(
        !cured.suggestions.iter().any(|s| s.contains("no faster")),
        "{advice}"
    );

    // Pitch known badly: the figure it asks for brings the tenth.
    let vague = report(&[("pitch_sd_deg = 0.7", "pitch_sd_deg = 2.5")]);
    let advice = vague
        .suggestions
        .iter()
        .find(|s| s.contains("know the pitch to"))
        .unwrap();
    let sd = advice
        .split("know the pitch to ")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap();
    let better = format!("pitch_sd_deg = {sd}");
    let cured = report(&[("pitch_sd_deg = 0.7", &better)]);
    assert!(
        !cured
            .suggestions
            .iter()
            .any(|s| s.contains("know the pitch")),
        "{advice}"
    );
}

#[test]
fn the_command_prints_figures_and_every_caution() {
    for name in ["plate-height.toml", "hatch.toml", "van-roof.toml"] {
        let path = example(name);
        let out = hindward(&["check", path.to_str().unwrap()]);
        assert_eq!(out.status.code(), Some(0));
        let shown = text(&out.stdout);
        for part in [
            "blind strip",
            "m per row",
            "room left",
            "from memory",
            "571.111",
            "R158",
        ] {
            assert!(shown.contains(part), "{name}: no {part:?} in\n{shown}");
        }
        for caution in CAUTIONS {
            assert!(shown.contains(caution));
        }
        let out = hindward(&["check", path.to_str().unwrap(), "--json"]);
        let json: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(json["distances"].as_array().unwrap().len(), 5);
        assert_eq!(json["us_objects"].as_array().unwrap().len(), 7);
        assert_eq!(json["cautions"].as_array().unwrap().len(), CAUTIONS.len());
        assert!(json["zones"][0]["room_left_m"].is_number());
    }
}

#[test]
fn faults_go_to_the_error_stream_as_bare_lines_and_exit_2() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bad.toml");
    fs::write(
        &path,
        changed(&[
            ("height_m = 0.78", "height_m = 0"),
            ("far_m = 0.6", "far_m = 0.0"),
        ]),
    )
    .unwrap();
    let plan = folder.path().join("plan.svg");
    let out = hindward(&[
        "check",
        path.to_str().unwrap(),
        "--plan",
        plan.to_str().unwrap(),
    ]);
    assert_eq!(out.status.code(), Some(2));
    assert!(out.stdout.is_empty());
    let shown = text(&out.stderr);
    assert_eq!(shown.lines().count(), 2, "{shown}");
    for line in shown.lines() {
        assert!(line.starts_with(&format!("{}:", path.display())), "{line}");
    }
    assert_eq!(files(folder.path()), ["bad.toml"]);
    let out = hindward(&["check", "absent.toml"]);
    assert_eq!(out.status.code(), Some(2));
    assert_eq!(text(&out.stderr).lines().count(), 1);
}

#[test]
fn plan_and_still_are_drawn() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let profile = example("hatch.toml");
    let profile = profile.to_str().unwrap();
    image::RgbImage::from_pixel(640, 480, image::Rgb([90, 90, 90]))
        .save(at("yard.png"))
        .unwrap();
    let out = hindward(&[
        "check",
        profile,
        "--plan",
        &at("plan.svg"),
        "--still",
        &at("yard.png"),
        "--out",
        &at("drawn.png"),
    ]);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let svg = fs::read_to_string(at("plan.svg")).unwrap();
    for part in [
        "DANGER",
        "WARNING",
        "from memory",
        ">A<",
        ">G<",
        "not a substitute",
    ] {
        assert!(svg.contains(part), "no {part}");
    }
    let drawn = image::open(at("drawn.png")).unwrap().into_rgb8();
    assert_eq!(drawn.dimensions(), (640, 480));
    // The far edge of DANGER, 0.6 m behind, is a white line where the lens says.
    let loaded = Profile::load(Path::new(profile)).unwrap();
    let p = loaded
        .ground()
        .to_pixel(hindward::optics::GroundPoint {
            behind_m: 0.6,
            side_m: 0.8,
        })
        .unwrap();
    let brightest = (-1..=1)
        .map(|dy| {
            drawn
                .get_pixel(p.u.round() as u32, (p.v.round() as i32 + dy) as u32)
                .0[1]
        })
        .max()
        .unwrap();
    assert!(brightest > 200, "{brightest} near {p:?}");
    let beside = drawn.get_pixel(p.u as u32, p.v as u32 + 8);
    assert_eq!(beside.0, [90, 90, 90]);

    // What cannot be done is one line, and nothing is left behind.
    image::RgbImage::new(320, 240)
        .save(at("small.png"))
        .unwrap();
    fs::write(at("empty.png"), b"").unwrap();
    let before = files(folder.path());
    for arguments in [
        vec!["--plan", "/no/such/folder/plan.svg"],
        vec!["--plan", "plan.gif"],
    ] {
        let all: Vec<&str> = ["check", profile].into_iter().chain(arguments).collect();
        let out = hindward(&all);
        assert_eq!(out.status.code(), Some(2), "{all:?}");
        assert_eq!(
            text(&out.stderr).lines().count(),
            1,
            "{}",
            text(&out.stderr)
        );
    }
    for still in ["small.png", "empty.png", "absent.png"] {
        let out = hindward(&[
            "check",
            profile,
            "--still",
            &at(still),
            "--out",
            &at("new.png"),
        ]);
        assert_eq!(out.status.code(), Some(2), "{still}");
        assert_eq!(
            text(&out.stderr).lines().count(),
            1,
            "{}",
            text(&out.stderr)
        );
    }
    assert_eq!(files(folder.path()), before);
}

#[test]
fn a_self_mask_hides_ground() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("car.toml");
    fs::write(
        &path,
        changed(&[(
            "#self_mask = \"plate-height-mask.png\"",
            "self_mask = \"mask.png\"",
        )]),
    )
    .unwrap();
    let load = || Report::new(&Profile::load(&path).unwrap());
    let missing = load().unwrap_err().to_string();
    assert!(missing.contains("mask.png"), "{missing}");
    // The lowest third of the picture shows the bumper.
    let mask = image::GrayImage::from_fn(640, 480, |_, v| {
        image::Luma([if v >= 320 { 255 } else { 0 }])
    });
    mask.save(folder.path().join("mask.png")).unwrap();
    let masked = load().unwrap();
    let open = report(&[]);
    assert!(open.outlook.blind_strip_m.unwrap() < 0.01);
    // Row 320 of this lens looks at some 0.55 m (0.5 m is row 334).
    let strip = masked.outlook.blind_strip_centre_m.unwrap();
    assert!((0.5..0.65).contains(&strip), "{strip}");
    image::GrayImage::new(8, 8)
        .save(folder.path().join("mask.png"))
        .unwrap();
    assert!(load().unwrap_err().to_string().contains("8x8"));
}

const ZONES: [&str; 9] = [
    "zones",
    "--width-m",
    "1.78",
    "--speed-kmh",
    "6",
    "--reaction-s",
    "1.5",
    "--decel",
    "3.4",
];

#[test]
fn zones_are_written_into_a_profile_and_comments_stay() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("car.toml");
    let before = changed(&[
        ("signal = \"WARNING\"", "signal = \"WARNING\" # mine"),
        ("[[zone]]\nname = \"outer\"", "[[zone]] # beside\nname = \"door\"\nsignal = \"CAUTION\"\ncorners_m = [[-1, 1], [1, 1], [1, 2], [-1, 2]]\n\n[[zone]]\nname = \"outer\""),
    ]);
    fs::write(&path, &before).unwrap();
    let mut arguments = ZONES.to_vec();
    arguments.extend(["--tow-bar-m", "0.15", "--into", path.to_str().unwrap()]);
    let out = hindward(&arguments);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    let profile = Profile::load(&path).unwrap();
    // 0.15 + 0.3 m, then 0.409 m to brake and 2.5 m to react at 1.667 m/s, then
    // 1.667 m a second, up to the next 5 cm.
    let far: Vec<f64> = profile
        .zones
        .iter()
        .filter_map(|z| match z.shape {
            ZoneShape::Strip { far, .. } => Some(far.0),
            ZoneShape::Polygon(_) => None,
        })
        .collect();
    assert_eq!(far, [0.9, 3.4, 5.05, 6.7]);
    assert_eq!(profile.zones.len(), 5);
    assert!((profile.vehicle.reverse_speed.0 - 6.0 / 3.6).abs() < 1e-12);
    assert!((profile.watch.far.0 - 7.2).abs() < 1e-12);
    let after = fs::read_to_string(&path).unwrap();
    for kept in [
        "# mine",
        "# beside",
        "name = \"near\"",
        "# so far out before it is left",
        "# overall, at the rear",
    ] {
        assert!(after.contains(kept), "{kept} is gone:\n{after}");
    }
    assert_eq!(
        fs::read_to_string(folder.path().join("car.toml.previous")).unwrap(),
        before
    );

    // Again: nothing changes, and nothing is written.
    fs::remove_file(folder.path().join("car.toml.previous")).unwrap();
    let out = hindward(&arguments);
    assert!(text(&out.stdout).contains("had these zones already"));
    assert_eq!(files(folder.path()), ["car.toml"]);
}

#[test]
fn zones_start_an_unfinished_profile_and_refuse_nonsense() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new.toml");
    fs::write(&path, "name = \"new\"\n").unwrap();
    let mut arguments = ZONES.to_vec();
    arguments.extend(["--into", path.to_str().unwrap()]);
    let out = hindward(&arguments);
    assert_eq!(out.status.code(), Some(0), "{}", text(&out.stderr));
    assert!(text(&out.stdout).contains("Still to do"));
    let written = fs::read_to_string(&path).unwrap();
    assert_eq!(written.matches("[[zone]]").count(), 4, "{written}");
    assert!(Profile::load(&path)
        .unwrap_err()
        .faults()
        .iter()
        .all(|f| !f.key.starts_with("zone")));

    arguments[4] = "NaN";
    let out = hindward(&arguments);
    assert_eq!(out.status.code(), Some(2));
    assert_eq!(text(&out.stderr).lines().count(), 1);
    assert_eq!(fs::read_to_string(&path).unwrap(), written);
}

/// Words of a text with its line breaks and list marks out of the way.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn readme_guide_and_check_carry_the_same_cautions() {
    for name in ["README.md", "config/FITTING.md"] {
        let shown = flowing(&fs::read_to_string(root().join(name)).unwrap());
        for caution in CAUTIONS {
            assert!(shown.contains(caution), "{name} lacks: {caution}");
        }
    }
}

/// The guide must not fall behind: each measured key is in it, every picture
/// and file it points at is there.
#[test]
fn the_fitting_guide_is_complete() {
    let guide = fs::read_to_string(root().join("config/FITTING.md")).unwrap();
    for key in [
        "height_m",
        "pitch_deg",
        "roll_deg",
        "yaw_deg",
        "set_back_m",
        "side_offset_m",
        "pitch_sd_deg",
        "width_m",
        "reverse_speed_kmh",
        "reaction_s",
        "deceleration_mps2",
        "self_mask",
    ] {
        assert!(
            guide.contains(&format!("`{key}`")),
            "{key} is not in the guide"
        );
    }
    let mut links = 0;
    for link in guide.split("](").skip(1) {
        let target = link.split(')').next().unwrap();
        assert!(
            root().join("config").join(target).exists(),
            "{target} is missing"
        );
        links += 1;
    }
    assert!(links >= 4, "{links}");
}
