//! Lens and ground geometry against figures from outside the project.

use hindward::optics::{Ground, GroundPoint, Lens, LensModel, Mount, PixelPoint};
use hindward::units::{Metres, Radians};
use nalgebra::{Matrix3, Matrix6, Vector3};

fn pinhole(f: f64, cx: f64, cy: f64) -> Lens {
    Lens {
        model: LensModel::Pinhole,
        fx: f,
        fy: f,
        cx,
        cy,
        width: 640,
        height: 480,
    }
}

/// A camera right over the rearmost bumper point.
fn mount(height_m: f64, pitch_deg: f64) -> Mount {
    Mount {
        height: Metres(height_m),
        pitch: Radians::from_degrees(pitch_deg),
        roll: Radians(0.0),
        yaw: Radians(0.0),
        set_back: Metres(0.0),
        side_offset: Metres(0.0),
        covariance: Matrix6::zeros(),
    }
}

fn close(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (got - expected).abs() <= tolerance,
        "{what}: {got}, expected {expected} within {tolerance}"
    );
}

// ---------------------------------------------------------------- OpenCV

struct Vectors {
    lens: Lens,
    forward: Vec<[f64; 5]>,
    inverse: Vec<[f64; 4]>,
}

/// Reads one file of tests/reference; how they are made stands in
/// tests/reference/make_lens_vectors.py.
fn vectors(name: &str) -> Vectors {
    let path = format!("{}/tests/reference/{name}.txt", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap();
    let numbers =
        |words: &[&str]| -> Vec<f64> { words.iter().map(|w| w.parse().unwrap()).collect() };
    let (mut lens, mut model_name) = (pinhole(1.0, 0.0, 0.0), "");
    let (mut forward, mut inverse) = (Vec::new(), Vec::new());
    let mut in_forward = true;
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words[0] {
            "#" => {}
            "lens" => {
                model_name = words[1];
                let v = numbers(&words[2..]);
                lens = Lens {
                    width: v[0] as u32,
                    height: v[1] as u32,
                    fx: v[2],
                    fy: v[3],
                    cx: v[4],
                    cy: v[5],
                    ..lens
                };
            }
            "coefficients" => {
                let d = numbers(&words[1..]);
                lens.model = match model_name {
                    "brown-conrady" => LensModel::BrownConrady {
                        k1: d[0],
                        k2: d[1],
                        p1: d[2],
                        p2: d[3],
                        k3: d[4],
                    },
                    "kannala-brandt" => LensModel::KannalaBrandt {
                        k: d.try_into().unwrap(),
                    },
                    other => panic!("unknown model {other}"),
                };
            }
            "forward" => in_forward = true,
            "inverse" => in_forward = false,
            _ if in_forward => forward.push(numbers(&words).try_into().unwrap()),
            _ => inverse.push(numbers(&words).try_into().unwrap()),
        }
    }
    Vectors {
        lens,
        forward,
        inverse,
    }
}

/// Agreement with opencv-python-headless 5.0.0.93 over the whole picture.
fn agrees_with_opencv(name: &str) {
    let Vectors {
        lens,
        forward,
        inverse,
    } = vectors(name);
    assert!(forward.len() >= 200 && inverse.len() >= 200);
    let (mut worst_px, mut worst_ray) = (0.0_f64, 0.0_f64);
    for [x, y, z, u, v] in forward {
        let p = lens
            .project(&Vector3::new(x, y, z))
            .unwrap_or_else(|| panic!("{name}: ({x}, {y}, {z}) has no pixel"));
        worst_px = worst_px.max((p.u - u).hypot(p.v - v));
    }
    for [u, v, x, y] in inverse {
        let ray = lens
            .unproject(PixelPoint { u, v })
            .unwrap_or_else(|| panic!("{name}: pixel ({u}, {v}) has no ray"));
        let theirs = Vector3::new(x, y, 1.0).normalize();
        worst_ray = worst_ray.max((ray - theirs).norm());
    }
    println!("{name}: forward {worst_px:.2e} px, inverse {worst_ray:.2e} of the ray's length");
    assert!(worst_px <= 0.01, "{name}: forward off by {worst_px} px");
    assert!(worst_ray <= 1e-6, "{name}: rays off by {worst_ray}");
}

#[test]
fn brown_conrady_110_degrees_agrees_with_opencv() {
    agrees_with_opencv("brown_110");
}

#[test]
fn brown_conrady_150_degrees_agrees_with_opencv() {
    agrees_with_opencv("brown_150");
}

#[test]
fn kannala_brandt_110_degrees_agrees_with_opencv() {
    agrees_with_opencv("fisheye_110");
}

#[test]
fn kannala_brandt_150_degrees_agrees_with_opencv() {
    agrees_with_opencv("fisheye_150");
}

/// Worked from the model equations on OpenCV's calib3d pages (fisheye model
/// and pinhole model with distortion).
#[test]
fn worked_points_of_the_published_model_equations() {
    let k = [0.1, -0.02, 0.005, -0.001];
    let unit = Lens {
        model: LensModel::KannalaBrandt { k },
        ..pinhole(1.0, 0.0, 0.0)
    };
    for (degrees, theta_d) in [
        (10.0_f64, 0.175061),
        (30.0, 0.537217),
        (45.0, 0.828677),
        (60.0, 1.142239),
        (75.0, 1.478069),
    ] {
        let t = degrees.to_radians();
        let p = unit.project(&Vector3::new(t.sin(), 0.0, t.cos())).unwrap();
        close(p.u, theta_d, 1e-6, "theta_d");
    }
    let p = Vector3::new(1.0, 0.5, 2.0);
    let fisheye = Lens {
        model: LensModel::KannalaBrandt { k },
        ..pinhole(300.0, 320.0, 240.0)
    };
    let seen = fisheye.project(&p).unwrap();
    close(seen.u, 460.158147, 1e-6, "fisheye u");
    close(seen.v, 310.079073, 1e-6, "fisheye v");
    let brown = Lens {
        model: LensModel::BrownConrady {
            k1: -0.3,
            k2: 0.1,
            p1: 0.001,
            p2: -0.0005,
            k3: 0.01,
        },
        ..pinhole(600.0, 320.0, 240.0)
    };
    let seen = brown.project(&p).unwrap();
    close(seen.u, 594.802490, 1e-6, "brown u");
    close(seen.v, 377.635620, 1e-6, "brown v");
}

// ---------------------------------------------------------------- Zhang

/// Z. Zhang, "A flexible new technique for camera calibration", MSR-TR-98-71 and
/// IEEE PAMI 22(11), 2000: the published camera (832.5, 832.53, 303.959,
/// 206.585, k1 -0.228601, k2 0.190353, skew 0.204494) and poses, with measured
/// corners of the first squares. Our lens has no skew term; the test shears the
/// pixel by the published skew instead, which is the same thing.
#[test]
fn zhang_published_corners_reproject() {
    let lens = Lens {
        model: LensModel::BrownConrady {
            k1: -0.228601,
            k2: 0.190353,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        },
        fx: 832.5,
        fy: 832.53,
        cx: 303.959,
        cy: 206.585,
        width: 640,
        height: 480,
    };
    let poses = [
        (
            Matrix3::new(
                0.992759, -0.026319, 0.117201, 0.0139247, 0.994339, 0.105341, -0.11931, -0.102947,
                0.987505,
            ),
            Vector3::new(-3.84019, 3.65164, 12.791),
        ),
        (
            Matrix3::new(
                0.997397,
                -0.00482564,
                0.0719419,
                0.0175608,
                0.983971,
                -0.17746,
                -0.0699324,
                0.178262,
                0.981495,
            ),
            Vector3::new(-3.71693, 3.76928, 13.1974),
        ),
        (
            Matrix3::new(
                0.915213,
                -0.0356648,
                0.401389,
                -0.00807547,
                0.994252,
                0.106756,
                -0.402889,
                -0.100946,
                0.909665,
            ),
            Vector3::new(-2.94409, 3.77653, 14.2456),
        ),
    ];
    let a = 8.0 / 9.0;
    let b = 25.0 / 18.0;
    // image, X, Y (inches), measured u, v, error of the published model in px
    let corners = [
        (1, 0.0, -0.5, 63.43921, 405.57680, 0.615),
        (1, 0.5, -0.5, 92.46270, 407.45565, 0.521),
        (1, 0.5, 0.0, 91.80637, 438.65765, 0.192),
        (1, 0.0, 0.0, 62.58725, 436.28844, 0.107),
        (1, a, -0.5, 116.28036, 409.17858, 0.543),
        (1, b, -0.5, 146.45027, 410.92322, 0.309),
        (1, b, 0.0, 145.61154, 442.55885, 0.189),
        (1, a, 0.0, 115.46213, 440.29015, 0.159),
        (2, 0.0, -0.5, 74.95174, 409.09268, 0.354),
        (2, 0.5, -0.5, 104.31260, 410.82633, 0.306),
        (2, 0.5, 0.0, 106.06049, 438.70991, 0.241),
        (2, 0.0, 0.0, 77.00429, 436.94254, 0.155),
        (3, 0.0, -0.5, 137.22826, 394.36338, 0.649),
        (3, 0.5, -0.5, 160.18794, 397.09745, 0.821),
        (3, 0.5, 0.0, 159.34730, 425.12927, 0.525),
        (3, 0.0, 0.0, 136.29854, 421.95771, 0.353),
    ];
    for (image, x, y, u, v, published_error) in corners {
        let (rotation, shift) = &poses[image - 1];
        let p = lens
            .project(&(rotation * Vector3::new(x, y, 0.0) + shift))
            .unwrap();
        let sheared = p.u + 0.204494 * (p.v - lens.cy) / lens.fy;
        let error = (sheared - u).hypot(p.v - v);
        close(error, published_error, 0.002, "error px");
    }
}

// ---------------------------------------------------------------- flat ground

/// G. P. Stein, O. Mano, A. Shashua, "Vision-based ACC with a single camera:
/// bounds on range and range rate accuracy", IEEE Intelligent Vehicles 2003,
/// 120-125: Z = f H / y, one pixel costs Z/(f H) of the range; with f = 740 px
/// and H = 1.2 m about 5 % at 44 m and 10 % at 90 m.
#[test]
fn flat_ground_law_of_stein_mano_shashua_2003() {
    let lens = pinhole(740.0, 320.0, 240.0);
    let ground = Ground::new(lens, mount(1.2, 0.0));
    for (range_m, row_px, per_cent, rounded) in
        [(44.0, 20.182, 4.955, 5.0), (90.0, 9.867, 10.135, 10.0)]
    {
        let p = ground
            .to_pixel(GroundPoint {
                behind_m: range_m,
                side_m: 0.0,
            })
            .unwrap();
        close(p.v - 240.0, row_px, 5e-4, "row below the horizon");
        let sd = ground.behind_sd_m(p, 1.0).unwrap();
        close(100.0 * sd / range_m, per_cent, 2e-3, "error per pixel, %");
        close(
            100.0 * sd / range_m,
            rounded,
            0.5,
            "the paper's own figure, %",
        );
    }
    // Growing with the square of the range.
    let at = |z: f64| {
        let p = PixelPoint {
            u: 320.0,
            v: 240.0 + 740.0 * 1.2 / z,
        };
        ground.behind_sd_m(p, 1.0).unwrap()
    };
    close(at(40.0) / at(10.0), 16.0, 1e-3, "square law");
}

/// Rows, range in metres, change for one pixel up, change for one degree of
/// pitch. Worked from Z = H / tan(pitch + atan((v - cy)/f)), the flat-ground
/// relation of Stein, Mano & Shashua 2003 for a camera pitched 30° down,
/// f = 600 px, cy = 240, H = 0.9 m.
const PITCHED: [(f64, f64, f64, f64); 9] = [
    (0.0, 6.2467, 0.0642, 0.772),
    (60.0, 3.8070, 0.0262, 0.297),
    (120.0, 2.6605, 0.0141, 0.153),
    (180.0, 1.9943, 0.0088, 0.093),
    (240.0, 1.5588, 0.0060, 0.063),
    (300.0, 1.2520, 0.0044, 0.046),
    (360.0, 1.0241, 0.0033, 0.036),
    (420.0, 0.8481, 0.0026, 0.030),
    (479.0, 0.7103, 0.0021, 0.026),
];

#[test]
fn pitched_camera_gives_the_worked_ranges() {
    let ground = Ground::new(pinhole(600.0, 320.0, 240.0), mount(0.9, 30.0));
    for (v, behind_m, per_pixel_m, _) in PITCHED {
        let p = PixelPoint { u: 320.0, v };
        close(
            ground.to_ground(p).unwrap().behind_m,
            behind_m,
            5e-5,
            "range",
        );
        let up = PixelPoint {
            u: 320.0,
            v: v - 1.0,
        };
        let step = ground.to_ground(up).unwrap().behind_m - behind_m;
        close(step, per_pixel_m, 1e-4, "one pixel up");
        // The slope there, half a pixel apart, by the Jacobian.
        let slope = -ground
            .jacobian(PixelPoint {
                u: 320.0,
                v: v - 0.5,
            })
            .unwrap()[(0, 1)];
        close(slope, per_pixel_m, 1e-4, "Jacobian");
    }
}

#[test]
fn worked_ranges_give_back_their_rows() {
    let ground = Ground::new(pinhole(600.0, 320.0, 240.0), mount(0.9, 30.0));
    for (behind_m, v) in [
        (1.0, 367.394),
        (1.5, 250.093),
        (2.0, 179.348),
        (3.0, 98.158),
        (4.0, 52.895),
        (5.0, 24.034),
        (6.1, 2.357),
    ] {
        let p = ground
            .to_pixel(GroundPoint {
                behind_m,
                side_m: 0.0,
            })
            .unwrap();
        close(p.v, v, 5e-4, "row");
        close(p.u, 320.0, 1e-9, "column");
    }
}

/// dZ/dθ = (H² + Z²)/H, the derivative of Stein, Mano & Shashua's relation.
#[test]
fn pitch_uncertainty_reaches_the_range_by_the_law() {
    let one_degree = 1.0_f64.to_radians();
    let mut m = mount(0.9, 30.0);
    m.covariance[(1, 1)] = one_degree * one_degree;
    let ground = Ground::new(pinhole(600.0, 320.0, 240.0), m);
    for (v, z, _, per_degree_m) in PITCHED {
        let sd = ground.behind_sd_m(PixelPoint { u: 320.0, v }, 0.0).unwrap();
        close(sd, (0.81 + z * z) / 0.9 * one_degree, 1e-4, "law");
        close(sd, per_degree_m, 5.1e-4, "worked figure");
    }
}

/// An underside at height b reads as Z·H/(H − b): similar triangles.
#[test]
fn overhanging_parts_read_too_far() {
    let ground = Ground::new(pinhole(600.0, 320.0, 240.0), mount(0.9, 30.0));
    for (b, factor) in [(0.1, 1.125), (0.3, 1.5), (0.5, 2.25)] {
        let p = ground.point_to_pixel(&Vector3::new(2.0, 0.0, b)).unwrap();
        let read = ground.to_ground(p).unwrap().behind_m;
        close(read / 2.0, factor, 1e-9, "overhang factor");
    }
}

/// The frame conventions of the mount, each angle alone.
#[test]
fn angles_turn_the_way_they_are_documented() {
    let lens = pinhole(600.0, 320.0, 240.0);
    let look = |m: Mount| {
        Ground::new(lens, m)
            .ray(PixelPoint { u: 320.0, v: 240.0 })
            .unwrap()
    };
    assert!(look(mount(1.0, 20.0)).z < 0.0, "pitch down is positive");
    let mut yawed = mount(1.0, 0.0);
    yawed.yaw = Radians(0.2);
    assert!(
        look(yawed).y > 0.0,
        "yaw toward the vehicle's right is positive"
    );
    // Rolled clockwise, a thing to the picture's right moves up in the picture.
    let mut rolled = mount(1.0, 20.0);
    let right = Vector3::new(3.0, -1.0, 0.0);
    let before = Ground::new(lens, rolled).point_to_pixel(&right).unwrap();
    rolled.roll = Radians(0.1);
    let after = Ground::new(lens, rolled).point_to_pixel(&right).unwrap();
    assert!(
        before.u > 320.0,
        "the vehicle's left is on the picture's right"
    );
    assert!(after.v < before.v, "roll is clockwise along the view");
    // Set-back and side offset.
    let mut shifted = mount(0.9, 30.0);
    shifted.set_back = Metres(0.4);
    shifted.side_offset = Metres(0.3);
    let g = Ground::new(lens, shifted)
        .to_ground(PixelPoint { u: 320.0, v: 240.0 })
        .unwrap();
    close(
        g.behind_m,
        1.5588 - 0.4,
        5e-5,
        "set-back shortens the range",
    );
    close(g.side_m, 0.3, 1e-9, "side offset");
}

// ------------------------------------------------------------------ Tsai

/// A camera given in Tsai's model, converted by tests/reference/tsai_to_profile.py
/// (R. Y. Tsai, IEEE J. Robotics and Automation 3(4), 1987): ground points lie in
/// our picture where the model itself puts them, and come back.
#[test]
fn a_camera_in_tsais_model_becomes_lens_and_mount() {
    let file = std::env::var("HINDWARD_TSAI_POINTS")
        .unwrap_or_else(|_| format!("{}/tests/reference/tsai.txt", env!("CARGO_MANIFEST_DIR")));
    let text = std::fs::read_to_string(&file).unwrap();
    let numbers = |line: &str| -> Vec<f64> {
        line.split_whitespace()
            .filter_map(|w| w.parse().ok())
            .collect()
    };
    let head = |word: &str| numbers(text.lines().find(|l| l.starts_with(word)).unwrap());
    let (size, l, m) = (head("size "), head("lens "), head("mount "));
    let lens = Lens {
        model: LensModel::BrownConrady {
            k1: l[4],
            k2: l[5],
            p1: 0.0,
            p2: 0.0,
            k3: l[6],
        },
        fx: l[0],
        fy: l[1],
        cx: l[2],
        cy: l[3],
        width: size[0] as u32,
        height: size[1] as u32,
    };
    let ground = Ground::new(
        lens,
        Mount {
            roll: Radians::from_degrees(m[2]),
            ..mount(m[0], m[1])
        },
    );
    let points = text
        .lines()
        .filter(|l| l.starts_with(|c: char| c == '-' || c.is_ascii_digit()));
    let (mut n, mut worst_px, mut worst_share) = (0, 0.0_f64, 0.0_f64);
    for p in points.map(numbers) {
        let place = GroundPoint {
            behind_m: p[0],
            side_m: p[1],
        };
        let seen = ground.to_pixel(place).unwrap();
        worst_px = worst_px.max((seen.u - p[2]).hypot(seen.v - p[3]));
        let back = ground.to_ground(PixelPoint { u: p[2], v: p[3] }).unwrap();
        let off = (back.behind_m - p[0]).hypot(back.side_m - p[1]);
        worst_share = worst_share.max(off / p[0].hypot(p[1]));
        n += 1;
    }
    println!(
        "{n} points: {worst_px:.5} px, {:.5} % of the distance",
        100.0 * worst_share
    );
    assert!(n >= 200, "only {n} points");
    // The three coefficients are a fit to Tsai's cubic: a hundredth of a pixel, which
    // far out is up to a thousandth of the distance.
    assert!(worst_px <= 0.01, "{worst_px} px");
    assert!(worst_share <= 1e-3, "{worst_share}");
}
