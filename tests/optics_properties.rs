//! What must hold for every lens, mount and pixel.

use hindward::optics::{Ground, Lens, LensModel, Mount, PixelPoint};
use hindward::units::{Metres, Radians};
use nalgebra::{Matrix6, Vector3};
use proptest::prelude::*;

fn lens(model: LensModel, f: f64, cx: f64, cy: f64) -> Lens {
    Lens {
        model,
        fx: f,
        fy: f * 1.01,
        cx,
        cy,
        width: 640,
        height: 480,
    }
}

/// Lenses as they are sold: pinhole, barrel distortion, fisheye.
fn any_lens() -> impl Strategy<Value = Lens> {
    let model = prop_oneof![
        Just(LensModel::Pinhole),
        (
            -0.3..0.1f64,
            0.0..0.05f64,
            -0.002..0.002f64,
            -0.002..0.002f64,
            -0.004..0.004f64
        )
            .prop_map(|(k1, k2, p1, p2, k3)| LensModel::BrownConrady {
                k1,
                k2,
                p1,
                p2,
                k3
            }),
        [
            -0.1..0.1f64,
            -0.02..0.02f64,
            -0.005..0.005f64,
            -0.001..0.001f64
        ]
        .prop_map(|k| LensModel::KannalaBrandt { k }),
    ];
    (model, 200.0..900.0f64, 300.0..340.0f64, 220.0..260.0f64)
        .prop_map(|(model, f, cx, cy)| lens(model, f, cx, cy))
}

fn any_mount() -> impl Strategy<Value = Mount> {
    (
        0.3..3.0f64,
        -10.0..80.0f64,
        -15.0..15.0f64,
        -30.0..30.0f64,
        -0.5..3.0f64,
        -1.0..1.0f64,
    )
        .prop_map(|(height, pitch, roll, yaw, back, side)| Mount {
            height: Metres(height),
            pitch: Radians::from_degrees(pitch),
            roll: Radians::from_degrees(roll),
            yaw: Radians::from_degrees(yaw),
            set_back: Metres(back),
            side_offset: Metres(side),
            covariance: Matrix6::identity() * 1e-4,
        })
}

fn any_pixel() -> impl Strategy<Value = PixelPoint> {
    (-0.5..639.5f64, -0.5..479.5f64).prop_map(|(u, v)| PixelPoint { u, v })
}

/// Anything a float can hold, with the awkward ones often.
fn absurd() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<f64>(),
        Just(0.0),
        Just(-1.0),
        Just(1e300),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        -1000.0..1000.0f64,
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn pixel_to_ray_and_back_returns(lens in any_lens(), p in any_pixel()) {
        if let Some(ray) = lens.unproject(p) {
            prop_assert!((ray.norm() - 1.0).abs() < 1e-9);
            let back = lens.project(&ray).expect("a ray that came from a pixel has one");
            prop_assert!((back.u - p.u).hypot(back.v - p.v) < 1e-6, "{p:?} came back as {back:?}");
        }
    }

    #[test]
    fn ray_to_pixel_and_back_returns(lens in any_lens(), x in -3.0..3.0f64, y in -3.0..3.0f64) {
        let ray = Vector3::new(x, y, 1.0).normalize();
        if let Some(p) = lens.project(&ray) {
            // Right at the fold the curve is flat and a pixel decides nothing.
            let near = Vector3::new(1.02 * x, 1.02 * y, 1.0);
            prop_assume!(lens.project(&near).is_some());
            let back = lens.unproject(p).expect("a pixel that a ray came to has one");
            prop_assert!((back - ray).norm() < 1e-8, "{ray:?} came back as {back:?}");
        }
    }

    #[test]
    fn pixel_to_ground_and_back_returns(lens in any_lens(), m in any_mount(), p in any_pixel()) {
        let ground = Ground::new(lens, m);
        if let Some(g) = ground.to_ground(p) {
            let back = ground.to_pixel(g).expect("a place seen has a pixel");
            prop_assert!((back.u - p.u).hypot(back.v - p.v) < 1e-5, "{p:?} came back as {back:?}");
        }
    }

    /// Without roll, a lower row of the same column is nearer ground, as long
    /// as the ray still looks rearward.
    #[test]
    fn a_lower_row_is_never_farther(
        lens in any_lens(), m in any_mount(), p in any_pixel(), down in 0.1..200.0f64
    ) {
        let m = Mount { roll: Radians(0.0), yaw: Radians(0.0), ..m };
        // Right through the middle, where distorted columns stay straight.
        let upper = PixelPoint { u: lens.cx, ..p };
        let lower = PixelPoint { v: p.v + down, ..upper };
        let ground = Ground::new(lens, m);
        match (ground.to_ground(upper), ground.to_ground(lower)) {
            (Some(a), Some(b)) => prop_assert!(b.behind_m <= a.behind_m, "{a:?} {b:?}"),
            // Once below the horizon, every lower row that has a ray and looks
            // down still meets the ground.
            (Some(_), None) => prop_assert!(
                ground.ray(lower).is_none_or(|r| r.x < 0.0),
                "ground ended below row {}", upper.v
            ),
            _ => {}
        }
    }

    #[test]
    fn no_ground_at_and_above_the_horizon(lens in any_lens(), m in any_mount(), p in any_pixel()) {
        let ground = Ground::new(lens, m);
        match ground.ray(p) {
            Some(ray) if ray.z >= 0.0 => {
                prop_assert_eq!(ground.to_ground(p), None);
                prop_assert_eq!(ground.behind_sd_m(p, 1.0), None);
            }
            Some(ray) if ray.z < -2e-3 => prop_assert!(ground.to_ground(p).is_some()),
            None => prop_assert_eq!(ground.to_ground(p), None),
            _ => {}
        }
    }

    #[test]
    fn uncertainty_is_never_negative_and_grows_with_noise(
        lens in any_lens(), m in any_mount(), p in any_pixel()
    ) {
        let ground = Ground::new(lens, m);
        if let (Some(a), Some(b)) = (ground.behind_sd_m(p, 0.5), ground.behind_sd_m(p, 1.0)) {
            prop_assert!(a >= 0.0 && b >= a && b.is_finite());
        }
    }

    #[test]
    fn absurd_input_neither_panics_nor_gives_nan(
        k in prop::array::uniform5(absurd()), f in prop::array::uniform4(absurd()),
        m in prop::array::uniform6(absurd()), u in absurd(), v in absurd(), kind in 0..3
    ) {
        let model = match kind {
            0 => LensModel::Pinhole,
            1 => LensModel::BrownConrady { k1: k[0], k2: k[1], p1: k[2], p2: k[3], k3: k[4] },
            _ => LensModel::KannalaBrandt { k: [k[0], k[1], k[2], k[3]] },
        };
        let lens = Lens { model, fx: f[0], fy: f[1], cx: f[2], cy: f[3], width: 640, height: 480 };
        let mount = Mount {
            height: Metres(1.0), pitch: Radians(0.0), roll: Radians(0.0), yaw: Radians(0.0),
            set_back: Metres(0.0), side_offset: Metres(0.0), covariance: Matrix6::identity(),
        }.with_values(m);
        let ground = Ground::new(lens, mount);
        let p = PixelPoint { u, v };
        if let Some(g) = ground.to_ground(p) {
            prop_assert!(g.behind_m.is_finite() && g.side_m.is_finite());
        }
        if let Some(j) = ground.jacobian(p) {
            prop_assert!(j.iter().all(|x| !x.is_nan()));
        }
        if let Some(sd) = ground.behind_sd_m(p, 1.0) {
            prop_assert!(!sd.is_nan());
        }
        if let Some(q) = ground.point_to_pixel(&Vector3::new(u, v, k[0])) {
            prop_assert!(q.u.is_finite() && q.v.is_finite());
        }
    }
}

#[test]
fn nothing_is_seen_behind_the_camera() {
    for model in [
        LensModel::Pinhole,
        LensModel::BrownConrady {
            k1: 0.0,
            k2: 0.0,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        },
        LensModel::KannalaBrandt { k: [0.0; 4] },
    ] {
        let lens = lens(model, 300.0, 320.0, 240.0);
        assert_eq!(lens.project(&Vector3::new(0.0, 0.0, -1.0)), None);
        assert_eq!(lens.project(&Vector3::zeros()), None);
    }
}
