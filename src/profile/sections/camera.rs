//! `[camera]` and `[lens]`: the picture and how rays bend into it.

use std::path::Path;

use crate::optics::{Lens, LensModel};
use crate::profile::reader::Table;
use crate::profile::CameraSettings;

pub(super) const ADVICE: &str = "add it with width_px, height_px and rate_hz";
pub(super) const LENS_ADVICE: &str =
    "add it with model, fx_px, fy_px, cx_px, cy_px, or let `hindward lens` find them";

pub(super) fn read(t: &mut Table, folder: &Path) -> Option<CameraSettings> {
    let device = t.text_or("device", "/dev/video0");
    let width = t.whole(
        "width_px",
        64..=7680,
        "give the picture width that the camera is asked for",
    );
    let height = t.whole(
        "height_px",
        48..=4320,
        "give the picture height that the camera is asked for",
    );
    let rate = t.number(
        "rate_hz",
        1.0..=240.0,
        "give the frames a second that the camera is asked for",
    );
    let mask = t.text_if_present("self_mask", "name a PNG beside the profile");
    Some(CameraSettings {
        device: device?,
        width: width?,
        height: height?,
        rate_hz: rate?,
        self_mask: mask?.map(|file| folder.join(file)),
    })
}

/// Reads the lens for a picture of `size`. A lens that was measured in
/// pictures of another size says so with `width_px` and `height_px` and is
/// scaled; the distortion does not change with the size.
pub(super) fn read_lens(t: &mut Table, size: Option<(u32, u32)>) -> Option<Lens> {
    enum Kind {
        Pinhole,
        Brown,
        Kannala,
    }
    let kind = t.word(
        "model",
        &[
            ("pinhole", &Kind::Pinhole),
            ("brown-conrady", &Kind::Brown),
            ("kannala-brandt", &Kind::Kannala),
        ],
    );
    let advice = "calibrate with `hindward lens`, or type in another calibration's figure";
    let fx = t.number("fx_px", 10.0..=20_000.0, advice);
    let fy = t.number("fy_px", 10.0..=20_000.0, advice);
    let measured = if t.has("width_px") || t.has("height_px") {
        let advice = "give the size of the pictures that the lens was measured in";
        let width = t.whole("width_px", 64..=15_360, advice);
        let height = t.whole("height_px", 48..=8640, advice);
        width.zip(height)
    } else {
        size
    };
    // Even with no size known the values are read, so that all faults show.
    let (mw, mh) = measured.unwrap_or((15_360, 8640));
    let centre =
        "it lies inside the picture, commonly near its middle; calibrate with `hindward lens`";
    let cx = t.number("cx_px", 0.0..=f64::from(mw) - 1.0, centre);
    let cy = t.number("cy_px", 0.0..=f64::from(mh) - 1.0, centre);
    let mut k = |key: &'static str, limit: f64| t.number_or(key, 0.0, -limit..=limit);
    let model = match kind {
        None => {
            for key in ["k1", "k2", "k3", "k4", "p1", "p2"] {
                k(key, 100.0);
            }
            None
        }
        Some(Kind::Pinhole) => Some(LensModel::Pinhole),
        Some(Kind::Brown) => {
            let (k1, k2, k3) = (k("k1", 100.0), k("k2", 100.0), k("k3", 100.0));
            let (p1, p2) = (k("p1", 1.0), k("p2", 1.0));
            match (k1, k2, p1, p2, k3) {
                (Some(k1), Some(k2), Some(p1), Some(p2), Some(k3)) => {
                    Some(LensModel::BrownConrady { k1, k2, p1, p2, k3 })
                }
                _ => None,
            }
        }
        Some(Kind::Kannala) => match (k("k1", 10.0), k("k2", 10.0), k("k3", 10.0), k("k4", 10.0)) {
            (Some(k1), Some(k2), Some(k3), Some(k4)) => Some(LensModel::KannalaBrandt {
                k: [k1, k2, k3, k4],
            }),
            _ => None,
        },
    };
    let (mut fx, mut fy, mut cx, mut cy) = (fx?, fy?, cx?, cy?);
    if fx / fy > 2.0 || fy / fx > 2.0 {
        t.fault(
            "fy_px",
            format!(" = {fy} is not near fx_px = {fx}; pixels are nearly square, check both"),
        );
        return None;
    }
    let (width, height) = size?;
    let (mw, mh) = measured?;
    let (sx, sy) = (
        f64::from(width) / f64::from(mw),
        f64::from(height) / f64::from(mh),
    );
    if (sx / sy - 1.0).abs() > 0.01 {
        t.fault(
            "width_px",
            format!(
                " = {mw} and height_px = {mh} is not the shape of the camera's {width}x{height}; \
                 measure the lens in pictures of that shape"
            ),
        );
        return None;
    }
    // Pixel centres at integers: the picture starts at -0.5.
    (fx, cx) = (fx * sx, (cx + 0.5) * sx - 0.5);
    (fy, cy) = (fy * sy, (cy + 0.5) * sy - 0.5);
    Some(Lens {
        model: model?,
        fx,
        fy,
        cx,
        cy,
        width,
        height,
    })
}
