//! The drawings of the fitting guide, made by the same plots as the plan. The
//! test compares them with config/drawings; `REGENERATE=1` rewrites them there.

use std::path::Path;

use image::Rgb;

use super::plot::{Anchor, Drawing, Ink};

const INK: Ink = Rgb([20; 3]);
const BODY: Ink = Rgb([205, 212, 218]);
const GROUND: Ink = Rgb([120, 110, 100]);
const MEASURE: Ink = Rgb([0, 83, 135]);

/// A measure between two points with end marks and its name.
fn measure(d: &mut Drawing, a: (f64, f64), b: (f64, f64), name: &str, text_at: (f64, f64)) {
    d.line(vec![a, b], MEASURE, 1.5);
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx.hypot(dy).max(1e-9);
    let (nx, ny) = (-dy / length * 5.0, dx / length * 5.0);
    for p in [a, b] {
        d.line(
            vec![(p.0 - nx, p.1 - ny), (p.0 + nx, p.1 + ny)],
            MEASURE,
            1.5,
        );
    }
    d.text(text_at, name, MEASURE, Anchor::Middle);
}

fn boxed(d: &mut Drawing, left: f64, top: f64, width: f64, height: f64, lines: &[&str]) {
    let (right, bottom) = (left + width, top + height);
    let corners = vec![(left, top), (right, top), (right, bottom), (left, bottom)];
    d.area(corners.clone(), BODY, 0.6);
    let mut outline = corners;
    outline.push((left, top));
    d.line(outline, INK, 1.2);
    let first = top + 0.5 * height - 8.0 * (lines.len() as f64 - 1.0);
    for (i, line) in lines.iter().enumerate() {
        let at = (left + 0.5 * width, first + 16.0 * i as f64);
        d.text(at, *line, INK, Anchor::Middle);
    }
}

/// From the side: height, pitch, set-back.
fn side() -> Drawing {
    let mut d = Drawing::new(640, 300);
    let ground = 250.0;
    d.line(vec![(10.0, ground), (630.0, ground)], GROUND, 3.0);
    // The rear of a vehicle: body, hatch, bumper, wheel.
    d.area(
        vec![
            (10.0, 60.0),
            (150.0, 60.0),
            (190.0, 130.0),
            (200.0, 180.0),
            (215.0, 182.0),
            (215.0, 215.0),
            (10.0, 215.0),
        ],
        BODY,
        1.0,
    );
    d.disc((95.0, 217.0), 33.0, Rgb([60; 3]), 1.0);
    d.disc((95.0, 217.0), 15.0, BODY, 1.0);
    let lens = (192.0, 124.0);
    d.disc(lens, 5.0, INK, 1.0);
    d.text((lens.0 - 8.0, lens.1 - 16.0), "lens", INK, Anchor::End);
    measure(
        &mut d,
        (lens.0, lens.1 + 8.0),
        (lens.0, ground),
        "height_m",
        (lens.0 - 40.0, 168.0),
    );
    measure(
        &mut d,
        (lens.0, 274.0),
        (215.0, 274.0),
        "set_back_m",
        (204.0, 290.0),
    );
    d.dashes((215.0, 215.0), (215.0, 282.0), MEASURE, 1.0);
    d.text((262.0, 240.0), "0 m behind", INK, Anchor::Middle);
    // Level line and line of sight, 32 degrees down.
    d.dashes(lens, (480.0, lens.1), INK, 1.0);
    d.text((486.0, lens.1), "level", INK, Anchor::Start);
    let (sin, cos) = 32_f64.to_radians().sin_cos();
    let reach = (ground - lens.1) / sin;
    d.line(vec![lens, (lens.0 + reach * cos, ground)], MEASURE, 1.5);
    let arc = (0..=16)
        .map(|i| {
            let (s, c) = (32_f64.to_radians() * f64::from(i) / 16.0).sin_cos();
            (lens.0 + 90.0 * c, lens.1 + 90.0 * s)
        })
        .collect();
    d.line(arc, MEASURE, 1.5);
    d.text(
        (lens.0 + 100.0, lens.1 + 22.0),
        "pitch_deg",
        MEASURE,
        Anchor::Start,
    );
    d.text(
        (430.0, ground - 14.0),
        "middle of the picture",
        MEASURE,
        Anchor::Start,
    );
    d
}

/// From above: centre line, side offset, yaw, chalk marks.
fn above() -> Drawing {
    let mut d = Drawing::new(640, 430);
    let (centre, bumper) = (320.0, 80.0);
    d.area(
        vec![(230.0, 0.0), (410.0, 0.0), (420.0, bumper), (220.0, bumper)],
        BODY,
        1.0,
    );
    d.text((centre, 16.0), "vehicle", INK, Anchor::Middle);
    d.dashes((centre, 28.0), (centre, 420.0), INK, 1.0);
    d.text((centre + 6.0, 412.0), "centre line", INK, Anchor::Start);
    let lens = (305.0, 56.0);
    d.disc(lens, 5.0, INK, 1.0);
    measure(
        &mut d,
        (lens.0, 40.0),
        (centre, 40.0),
        "side_offset_m (here negative)",
        (470.0, 40.0),
    );
    // Toward the vehicle's right, that is to the right of this page.
    let (sin, cos) = 8_f64.to_radians().sin_cos();
    d.line(
        vec![lens, (lens.0 + 330.0 * sin, lens.1 + 330.0 * cos)],
        MEASURE,
        1.5,
    );
    d.dashes(lens, (lens.0, lens.1 + 330.0), MEASURE, 1.0);
    d.text(
        (lens.0 + 58.0, lens.1 + 330.0),
        "yaw_deg",
        MEASURE,
        Anchor::Start,
    );
    // Six chalk marks, 100 px a metre.
    for (n, (behind, side)) in [
        (1.0, -0.9),
        (1.0, 0.9),
        (2.0, -1.2),
        (2.0, 1.2),
        (3.0, -0.9),
        (3.0, 1.1),
    ]
    .into_iter()
    .enumerate()
    {
        let (x, y) = (centre + side * 100.0, bumper + behind * 100.0);
        d.line(vec![(x - 6.0, y), (x + 6.0, y)], INK, 2.0);
        d.line(vec![(x, y - 6.0), (x, y + 6.0)], INK, 2.0);
        d.text(
            (x + 10.0, y - 10.0),
            format!("mark {}", n + 1),
            INK,
            Anchor::Start,
        );
    }
    measure(
        &mut d,
        (120.0, bumper),
        (120.0, bumper + 200.0),
        "behind",
        (84.0, bumper + 100.0),
    );
    measure(
        &mut d,
        (200.0, bumper + 216.0),
        (centre, bumper + 216.0),
        "side (left: negative)",
        (222.0, bumper + 232.0),
    );
    d.dashes((110.0, bumper), (220.0, bumper), MEASURE, 1.0);
    d.text((20.0, 16.0), "left", INK, Anchor::Start);
    d.text((620.0, 16.0), "right", INK, Anchor::End);
    d
}

/// Reverse-lamp tap and buzzer.
fn wiring() -> Drawing {
    let mut d = Drawing::new(720, 400);
    let wire = |d: &mut Drawing, points: &[(f64, f64)]| d.line(points.to_vec(), INK, 1.5);
    d.text(
        (12.0, 16.0),
        "Reverse-lamp tap: vehicle side and board side share no wire",
        INK,
        Anchor::Start,
    );
    boxed(&mut d, 12.0, 40.0, 90.0, 46.0, &["reverse", "lamp 12 V"]);
    boxed(
        &mut d,
        140.0,
        40.0,
        90.0,
        46.0,
        &["fuse 0.5 A", "at the lamp"],
    );
    boxed(
        &mut d,
        268.0,
        40.0,
        110.0,
        46.0,
        &["2.2 kOhm,", "pulse-rated"],
    );
    boxed(
        &mut d,
        430.0,
        36.0,
        120.0,
        112.0,
        &["optocoupler", "LED | transistor"],
    );
    wire(&mut d, &[(102.0, 63.0), (140.0, 63.0)]);
    wire(&mut d, &[(230.0, 63.0), (268.0, 63.0)]);
    wire(&mut d, &[(378.0, 63.0), (430.0, 63.0)]);
    boxed(&mut d, 352.0, 92.0, 72.0, 36.0, &["diode,", "reversed"]);
    wire(&mut d, &[(404.0, 63.0), (404.0, 92.0)]);
    wire(&mut d, &[(404.0, 128.0), (404.0, 160.0)]);
    wire(
        &mut d,
        &[
            (12.0, 160.0),
            (418.0, 160.0),
            (418.0, 140.0),
            (430.0, 140.0),
        ],
    );
    d.text((12.0, 174.0), "lamp's own ground", INK, Anchor::Start);
    wire(&mut d, &[(550.0, 63.0), (600.0, 63.0)]);
    d.text((606.0, 63.0), "input pin", INK, Anchor::Start);
    boxed(&mut d, 586.0, 84.0, 126.0, 34.0, &["10 kOhm to 3.3 V"]);
    wire(&mut d, &[(568.0, 63.0), (568.0, 101.0), (586.0, 101.0)]);
    wire(&mut d, &[(550.0, 138.0), (600.0, 138.0)]);
    d.text((606.0, 138.0), "board ground", INK, Anchor::Start);

    d.text(
        (12.0, 214.0),
        "Buzzer: the pin drives a transistor, never the buzzer",
        INK,
        Anchor::Start,
    );
    d.text((12.0, 290.0), "output pin", INK, Anchor::Start);
    wire(&mut d, &[(90.0, 290.0), (130.0, 290.0)]);
    boxed(&mut d, 130.0, 270.0, 80.0, 40.0, &["1 kOhm"]);
    wire(&mut d, &[(210.0, 290.0), (290.0, 290.0)]);
    boxed(
        &mut d,
        290.0,
        262.0,
        110.0,
        56.0,
        &["transistor", "base|C|E"],
    );
    boxed(&mut d, 212.0, 330.0, 84.0, 36.0, &["10 kOhm"]);
    wire(&mut d, &[(250.0, 290.0), (250.0, 330.0)]);
    wire(&mut d, &[(250.0, 366.0), (250.0, 384.0), (370.0, 384.0)]);
    wire(&mut d, &[(370.0, 318.0), (370.0, 384.0)]);
    d.text((376.0, 384.0), "board ground", INK, Anchor::Start);
    boxed(&mut d, 460.0, 236.0, 90.0, 40.0, &["buzzer"]);
    wire(&mut d, &[(370.0, 262.0), (370.0, 256.0), (460.0, 256.0)]);
    wire(&mut d, &[(550.0, 256.0), (640.0, 256.0)]);
    d.text((646.0, 256.0), "+5 V", INK, Anchor::Start);
    boxed(
        &mut d,
        440.0,
        300.0,
        190.0,
        40.0,
        &["diode across a magnetic", "buzzer, band to +5 V"],
    );
    wire(&mut d, &[(448.0, 256.0), (448.0, 300.0)]);
    wire(&mut d, &[(600.0, 256.0), (600.0, 300.0)]);
    d
}

#[test]
fn the_guides_drawings_are_up_to_date() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/drawings");
    let profile = crate::profile::Profile::load(&folder.join("../hatch.toml")).unwrap();
    let sight = super::Sight::new(&profile).unwrap();
    let report = super::Report::of(&profile, &sight);
    let plan = super::plan::plan(&profile, &sight, &report.us_objects, &report.un_objects);
    for (name, drawing) in [
        ("measure-side.svg", side()),
        ("measure-above.svg", above()),
        ("wiring.svg", wiring()),
        ("plan-hatch.svg", plan),
    ] {
        let path = folder.join(name);
        let svg = drawing.to_svg();
        if std::env::var_os("REGENERATE").is_some() {
            std::fs::write(&path, &svg).unwrap();
            let seen = std::env::temp_dir().join(name).with_extension("png");
            drawing.to_picture().save(seen).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            kept == svg,
            "{name} is out of date; run with REGENERATE=1 and look at it"
        );
    }
}
