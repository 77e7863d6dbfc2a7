//! Profiles as a user writes them: the shipped examples, and what is refused.

use std::path::{Path, PathBuf};

use hindward::profile::{Profile, ProfileError, SegmentMethod};

const EXAMPLES: [&str; 3] = ["plate-height.toml", "hatch.toml", "van-roof.toml"];

fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("config")
        .join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(example(name)).unwrap()
}

/// The example with one piece of text replaced, which must be there.
fn with(change: &[(&str, &str)]) -> Result<Profile, ProfileError> {
    let mut text = text("plate-height.toml");
    for (from, to) in change {
        assert!(text.contains(from), "{from} is not in the example");
        text = text.replacen(from, to, 1);
    }
    Profile::parse(&text, "p.toml")
}

/// All faults as they are shown.
fn faults(change: &[(&str, &str)]) -> Vec<String> {
    match with(change) {
        Ok(_) => panic!("{change:?} was accepted"),
        Err(e) => e.to_string().lines().map(str::to_owned).collect(),
    }
}

#[test]
fn every_example_in_config_loads() {
    let folder = example("");
    let mut found: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.ends_with(".toml"))
        .collect();
    found.sort();
    let mut known = EXAMPLES.map(str::to_owned).to_vec();
    known.sort();
    assert_eq!(found, known);
    for name in EXAMPLES {
        if let Err(e) = Profile::load(&example(name)) {
            panic!("{e}");
        }
    }
}

/// The examples show the defaults: taking every optional line out changes
/// nothing.
#[test]
fn thresholds_in_the_examples_equal_the_defaults() {
    for name in EXAMPLES {
        let shown = Profile::parse(&text(name), name).unwrap();
        let mut section = String::new();
        let kept: Vec<String> = text(name)
            .lines()
            .filter(|line| {
                if line.starts_with('[') {
                    section = line.to_string();
                }
                let key = line.split('=').next().unwrap_or("").trim();
                match section.as_str() {
                    "[segment]" | "[track]" | "[health]" | "[fault]" | "[display]" => false,
                    "[[zone]]" => !matches!(
                        key,
                        "leave_margin_m" | "hold_ms" | "on_ms" | "off_ms" | "tone_hz"
                    ),
                    _ => true,
                }
            })
            .map(str::to_owned)
            .collect();
        assert!(kept.len() + 30 < text(name).lines().count());
        let bare = Profile::parse(&kept.join("\n"), name).unwrap();
        assert_eq!(format!("{shown:?}"), format!("{bare:?}"), "{name}");
        assert_eq!(bare.segment.method, SegmentMethod::GroundModel);
    }
}

/// What depends on the mounting has no default: each such line is needed.
#[test]
fn every_measured_value_must_be_given() {
    let whole = text("plate-height.toml");
    let mut section = "";
    let mut tried = 0;
    for (i, line) in whole.lines().enumerate() {
        if line.starts_with('[') {
            section = line;
        }
        if !["[vehicle]", "[camera]", "[mount]", "[watch]"].contains(&section)
            || !line.contains('=')
            || line.starts_with('#')
        {
            continue;
        }
        let key = line.split('=').next().unwrap().trim();
        let rest: Vec<&str> = whole
            .lines()
            .enumerate()
            .filter(|(j, _)| *j != i)
            .map(|(_, l)| l)
            .collect();
        let error = Profile::parse(&rest.join("\n"), "p.toml").unwrap_err();
        let full = format!("{}.{key} is missing; ", section.trim_matches(['[', ']']));
        assert!(error.to_string().contains(&full), "{full}: {error}");
        tried += 1;
    }
    assert_eq!(tried, 21);
}

#[test]
fn each_absurd_value_is_refused_with_its_line_and_key() {
    for (from, to, key) in [
        ("height_m = 0.78", "height_m = 0", "mount.height_m = 0 "),
        ("height_m = 0.78", "height_m = nan", "mount.height_m = nan "),
        (
            "height_m = 0.78",
            "height_m = -inf",
            "mount.height_m = -inf ",
        ),
        (
            "height_m = 0.78",
            "height_m = 1e999",
            "mount.height_m = 1e999 ",
        ),
        (
            "height_m = 0.78",
            "height_m = \"0.78\"",
            "mount.height_m = \"0.78\" ",
        ),
        (
            "pitch_deg = 32.0",
            "pitch_deg = 90",
            "mount.pitch_deg = 90 ",
        ),
        (
            "pitch_deg = 32.0",
            "pitch_deg = -31",
            "mount.pitch_deg = -31 ",
        ),
        (
            "pitch_sd_deg = 0.7",
            "pitch_sd_deg = 0",
            "mount.pitch_sd_deg = 0 ",
        ),
        ("cx_px = 319.5", "cx_px = 700", "lens.cx_px = 700 "),
        ("cy_px = 239.5", "cy_px = -3", "lens.cy_px = -3 "),
        ("fx_px = 244.0", "fx_px = 900.0", "lens.fy_px = 244 "),
        ("width_px = 640", "width_px = 0", "camera.width_px = 0 "),
        (
            "width_px = 640",
            "width_px = 99999999999999999999",
            "camera.width_px = 99999999999999999999 ",
        ),
        (
            "width_px = 640",
            "width_px = 640.5",
            "camera.width_px = 640.5 ",
        ),
        ("rate_hz = 30", "rate_hz = 2", "health.stale_ms = 300 "),
        ("far_m = 0.6", "far_m = 0.0", "zone[1].far_m = 0.0 "),
        ("near_m = 0.6", "near_m = 1.4", "zone[2].near_m = 1.4 "),
        (
            "near_m = 0.6",
            "near_m = 0.9",
            "zone[2].near_m = 0.9 is leaving a gap",
        ),
        (
            "name = \"near\"",
            "name = \"Stop\"",
            "zone[2].name = \"Stop\" is taken",
        ),
        (
            "signal = \"WARNING\"",
            "signal = \"danger\"",
            "zone[2].signal = \"danger\" ",
        ),
        (
            "signal = \"WARNING\"",
            "signal = \"NOTICE\"",
            "zone[2].signal = NOTICE is milder",
        ),
        (
            "far_m = 4.0",
            "far_m = 5.5",
            "zone[4].far_m = 5.5 is beyond watch.far_m",
        ),
        (
            "tone_hz = 1200",
            "tone_hz = 3500",
            "zone[1].tone_hz = 3500 is outside 400 to 2000",
        ),
        (
            "off_ms = 0 ",
            "off_ms = 100 ",
            "zone[1].off_ms = 100 is a pause in DANGER",
        ),
        (
            "off_ms = 120",
            "off_ms = 0",
            "zone[2].off_ms = 0 is a steady tone",
        ),
        (
            "off_ms = 120",
            "off_ms = 900",
            "zone[3].on_ms and off_ms make a cycle",
        ),
        (
            "on_ms = 700\noff_ms = 1300",
            "on_ms = 80\noff_ms = 420",
            "fault.on_ms = 80 and off_ms = 420 sounds like",
        ),
        (
            "stay_probability = 0.5",
            "stay_probability = 0.9",
            "segment.stay_probability = 0.9 ",
        ),
        (
            "confirm_hits = 2",
            "confirm_hits = 5",
            "track.confirm_hits = 5 ",
        ),
        (
            "method = \"ground-model\"",
            "method = \"colour-range\"",
            "segment.method = \"colour-range\" ",
        ),
        (
            "rungs_m = [0.5, 1, 2, 3]",
            "rungs_m = [1, 1]",
            "display.rungs_m = [1.0, 1.0] ",
        ),
        ("mirrored = true", "mirrored = 1", "display.mirrored = 1 "),
        (
            "name = \"small hatchback, plate camera\"",
            "name = \"\"",
            "name = \"\" ",
        ),
        ("[watch]", "[wach]", "[watch] is missing"),
        (
            "near_m = 0.0\nfar_m = 0.6\nhalf_width_m = 1.1",
            "corners_m = [[0, 0], [1, 1], [1, 0], [0, 1]]",
            "zone[1].corners_m is a polygon that crosses itself",
        ),
        (
            "near_m = 0.0\n",
            "near_m = 0.0\ncorners_m = [[0, 0], [1, 0], [1, 1]]\n",
            "zone[1].near_m is given beside corners_m",
        ),
    ] {
        let shown = faults(&[(from, to)]);
        let hit = shown.iter().find(|l| l.contains(key));
        let Some(hit) = hit else {
            panic!("{to}: no {key:?} in {shown:#?}");
        };
        assert!(hit.contains("; "), "says not what to do: {hit}");
        // The line is the one that was changed, or the other half of a pair.
        let line: usize = hit.split(':').nth(1).unwrap().parse().unwrap();
        assert!(line > 1 || key.starts_with('['), "{hit}");
    }
}

#[test]
fn all_faults_come_at_once_in_order_of_lines() {
    let shown = faults(&[
        ("width_m = 1.62", "width_m = 0"),
        ("cx_px = 319.5", "cx_px = 700"),
        ("pitch_deg = 32.0", "pitch_deg = 90"),
        ("coast_ms = 600", "coast_ms = -1"),
        ("dark_luma", "dark_lume"),
    ]);
    let keys: Vec<&str> = shown
        .iter()
        .map(|l| {
            l.splitn(3, ':')
                .nth(2)
                .unwrap()
                .trim()
                .split(' ')
                .next()
                .unwrap()
        })
        .collect();
    assert_eq!(
        keys,
        [
            "vehicle.width_m",
            "lens.cx_px",
            "mount.pitch_deg",
            "track.coast_ms",
            "health.dark_lume"
        ]
    );
    let whole = text("plate-height.toml");
    for (fault, was) in shown.iter().zip([
        "width_m = 1.62",
        "cx_px",
        "pitch_deg",
        "coast_ms",
        "dark_luma",
    ]) {
        let line: usize = fault.split(':').nth(1).unwrap().parse().unwrap();
        assert!(
            whole.lines().nth(line - 1).unwrap().contains(was),
            "{fault}"
        );
    }
    assert!(
        shown[4].ends_with("did you mean dark_luma?"),
        "{}",
        shown[4]
    );
}

#[test]
fn a_camera_that_sees_no_watched_ground_is_refused() {
    let shown = faults(&[
        ("pitch_deg = 32.0", "pitch_deg = -30"),
        ("fx_px = 244.0", "fx_px = 900.0"),
        ("fy_px = 244.0", "fy_px = 900.0"),
    ]);
    assert!(
        shown[0].contains("mount.pitch_deg = -30.0 is such that the camera sees nothing"),
        "{shown:#?}"
    );
}

#[test]
fn slips_of_syntax_are_one_line_each() {
    for (from, to) in [
        ("width_m = 1.62", "width_m = "),
        ("[lens]", "[lens"),
        ("name = \"near\"", "name = \"near"),
        ("roll_deg = 0.0", "roll_deg = 0.0\nroll_deg = 1.0"),
    ] {
        let shown = faults(&[(from, to)]);
        assert!(shown.iter().all(|l| l.starts_with("p.toml:")), "{shown:#?}");
        let line: usize = shown[0].split(':').nth(1).unwrap().parse().unwrap();
        assert!(line > 10, "{shown:#?}");
    }
}

#[test]
fn files_that_are_no_profile_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("empty.toml"), "").unwrap();
    std::fs::write(at("latin1.toml"), b"name = \"k\"\n# \xe4\n").unwrap();
    std::fs::write(at("deep.toml"), format!("a = {}", "[".repeat(200_000))).unwrap();
    std::fs::write(at("deep2.toml"), format!("[{}]", "a.".repeat(200_000))).unwrap();
    std::fs::write(at("huge.toml"), vec![b'#'; (1 << 20) + 1]).unwrap();
    for (name, says) in [
        ("absent.toml", "cannot be read"),
        ("", "cannot be read"),
        ("latin1.toml", "line 2 is not UTF-8"),
        ("huge.toml", "over 1 MiB"),
        ("empty.toml", "name is missing"),
        ("deep.toml", "mend the TOML"),
        ("deep2.toml", "deep2.toml:1: "),
    ] {
        let error = Profile::load(&at(name)).unwrap_err();
        assert!(error.to_string().contains(says), "{name}: {error}");
    }
}

#[test]
fn a_lens_measured_in_larger_pictures_is_scaled() {
    let same = with(&[]).unwrap();
    let twice = with(&[
        (
            "fx_px = 244.0",
            "fx_px = 488.0\nwidth_px = 1280\nheight_px = 960",
        ),
        ("fy_px = 244.0", "fy_px = 488.0"),
        ("cx_px = 319.5", "cx_px = 639.5"),
        ("cy_px = 239.5", "cy_px = 479.5"),
    ])
    .unwrap();
    assert_eq!(same.lens, twice.lens);
    let shown = faults(&[(
        "fx_px = 244.0",
        "fx_px = 244.0\nwidth_px = 1280\nheight_px = 720",
    )]);
    assert!(shown[0].contains("is not the shape"), "{shown:#?}");
}

#[test]
fn a_covariance_matrix_stands_for_the_deviations_and_must_agree() {
    let sds = "height_sd_m = 0.01\npitch_sd_deg = 0.7\nroll_sd_deg = 0.5\nyaw_sd_deg = 0.7\nset_back_sd_m = 0.01\nside_offset_sd_m = 0.01\n";
    let plain = with(&[]).unwrap();
    let c = plain.mount.covariance;
    let rows = |c: nalgebra::Matrix6<f64>| {
        let rows: Vec<String> = c
            .row_iter()
            .map(|r| format!("{:?}", r.iter().collect::<Vec<_>>()))
            .collect();
        format!("covariance_m_rad = [{}]\n", rows.join(", "))
    };
    let only = with(&[(sds, &rows(c))]).unwrap();
    assert!((only.mount.covariance - c).abs().max() < 1e-15);
    assert!(with(&[(sds, &format!("{sds}{}", rows(c)))]).is_ok());
    // Height and pitch go together in a real calibration.
    let mut tied = c;
    tied[(0, 1)] = -0.9 * (c[(0, 0)] * c[(1, 1)]).sqrt();
    tied[(1, 0)] = tied[(0, 1)];
    let tied = with(&[(sds, &rows(tied))]).unwrap();
    assert!(tied.mount.covariance[(0, 1)] < 0.0);

    let mut lopsided = c;
    lopsided[(0, 1)] = 1e-5;
    let mut negative = c;
    negative[(2, 2)] = -c[(2, 2)];
    let mut impossible = c;
    impossible[(0, 1)] = 1.5 * (c[(0, 0)] * c[(1, 1)]).sqrt();
    impossible[(1, 0)] = impossible[(0, 1)];
    for bad in [lopsided, negative, impossible] {
        let shown = faults(&[(sds, &rows(bad))]);
        assert!(
            shown[0].contains("covariance_m_rad is no covariance"),
            "{shown:#?}"
        );
    }
    let other = sds.replace("pitch_sd_deg = 0.7", "pitch_sd_deg = 0.9");
    let shown = faults(&[(sds, &format!("{other}{}", rows(c)))]);
    assert!(
        shown[0].contains("pitch_sd_deg does not agree"),
        "{shown:#?}"
    );
}
