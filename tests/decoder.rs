//! The decoder against an independent one, and against what damage does.

use hindward::camera::{
    picture_to_rgb, DecodeError, Decoder, JpegEncoder, Picture, PixelFormat, Plane, Range, RawFrame,
};
use image::{Rgb, RgbImage};
use rand::rngs::SmallRng;
use rand::{Rng, SeedableRng};

fn frame(format: PixelFormat, width: u32, height: u32, bytes: Vec<u8>) -> RawFrame {
    RawFrame {
        format,
        width,
        height,
        bytes,
        ..RawFrame::empty()
    }
}

fn decode(raw: &RawFrame, denominator: u8) -> Result<Picture, DecodeError> {
    let mut out = Picture::default();
    Decoder::new()?.decode(raw, denominator, &mut out)?;
    Ok(out)
}

/// Greatest and mean absolute difference.
fn difference(a: &[u8], b: &[u8]) -> (u8, f64) {
    assert_eq!(a.len(), b.len());
    let each = a.iter().zip(b).map(|(a, b)| a.abs_diff(*b));
    let sum: f64 = each.clone().map(f64::from).sum();
    (each.max().unwrap_or(0), sum / a.len() as f64)
}

fn box_mean(plane: &Plane, d: usize) -> Vec<u8> {
    let mut out = Vec::new();
    for y in (0..plane.height).step_by(d) {
        for x in (0..plane.width).step_by(d) {
            let mut sum = 0u32;
            let mut count = 0;
            for row in y..(y + d).min(plane.height) {
                for v in &plane.row(row)[x..(x + d).min(plane.width)] {
                    sum += u32::from(*v);
                    count += 1;
                }
            }
            out.push(((sum + count / 2) / count) as u8);
        }
    }
    out
}

/// Vectors of ffmpeg's own JPEG decoder, made by
/// tests/reference/make_jpeg_vectors.sh. Two correct inverse transforms may
/// differ by one step each (ITU-T T.83, accuracy of the inverse transform).
#[test]
fn planes_agree_with_an_independent_decoder() {
    for (layout, sx, sy) in [("yuvj420p", 2, 2), ("yuvj422p", 2, 1), ("yuvj444p", 1, 1)] {
        for (w, h) in [(64usize, 48usize), (45, 31)] {
            let name = format!(
                "{}/tests/reference/jpeg/{layout}-{w}x{h}",
                env!("CARGO_MANIFEST_DIR")
            );
            let jpeg = std::fs::read(format!("{name}.jpg")).unwrap();
            let want = std::fs::read(format!("{name}.yuv")).unwrap();
            let raw = frame(PixelFormat::Jpeg, w as u32, h as u32, jpeg);
            let got = decode(&raw, 1).unwrap();
            let (cw, ch) = (w.div_ceil(sx), h.div_ceil(sy));
            assert_eq!((got.y.width, got.y.height), (w, h));
            assert_eq!((got.cb.width, got.cr.height), (cw, ch));
            let parts = [
                (&got.y, &want[..w * h]),
                (&got.cb, &want[w * h..w * h + cw * ch]),
                (&got.cr, &want[w * h + cw * ch..]),
            ];
            for (plane, want) in parts {
                let (greatest, mean) = difference(&plane.data, want);
                assert!(greatest <= 1 && mean < 0.1, "{name}: {greatest} {mean}");
            }
            // Scaled pictures: of the right size, and close to the box mean
            // of the full one (the reduced transform is a sharper filter).
            for d in [2u8, 4] {
                let small = decode(&raw, d).unwrap();
                let n = usize::from(d);
                assert_eq!(small.y.width, w.div_ceil(n));
                assert_eq!(small.y.height, h.div_ceil(n));
                assert_eq!(small.cb.width, w.div_ceil(n).div_ceil(sx));
                assert_eq!(small.cr.height, h.div_ceil(n).div_ceil(sy));
                assert_eq!((small.full_width, small.full_height), (w, h));
                let (_, mean) = difference(&small.y.data, &box_mean(&got.y, n));
                assert!(mean < 3.0, "{name} at 1/{d}: mean difference {mean}");
            }
        }
    }
}

fn scene(width: u32, height: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let wave = (x as f64 / 7.0).sin() * 50.0 + (y as f64 / 11.0).cos() * 50.0;
        Rgb([
            (120.0 + wave) as u8,
            (110.0 + wave * 0.8) as u8,
            (100 + (x + y) % 60) as u8,
        ])
    })
}

/// The same scene in every layout must give the same planes, at every scale.
#[test]
fn raw_layouts_agree_with_each_other() {
    let (w, h) = (22usize, 14usize);
    let rgb = scene(w as u32, h as u32);
    let full = decode(
        &frame(PixelFormat::Rgb24, w as u32, h as u32, rgb.as_raw().clone()),
        1,
    )
    .unwrap();
    let half_cb = box_mean(&full.cb, 2);
    let half_cr = box_mean(&full.cr, 2);
    let nv_chroma: Vec<u8> = half_cb
        .iter()
        .zip(&half_cr)
        .flat_map(|(b, r)| [*b, *r])
        .collect();
    let mut yuyv = Vec::new();
    for y in 0..h {
        for x in (0..w).step_by(2) {
            let c = y / 2 * (w / 2) + x / 2;
            yuyv.extend_from_slice(&[
                full.y.row(y)[x],
                half_cb[c],
                full.y.row(y)[x + 1],
                half_cr[c],
            ]);
        }
    }
    let layouts = [
        (
            PixelFormat::I420,
            [&full.y.data[..], &half_cb, &half_cr].concat(),
        ),
        (PixelFormat::Nv12, [&full.y.data[..], &nv_chroma].concat()),
        (PixelFormat::Yuyv, yuyv),
        (PixelFormat::Grey, full.y.data.clone()),
        (
            PixelFormat::I444,
            [&full.y.data[..], &full.cb.data, &full.cr.data].concat(),
        ),
    ];
    for (format, bytes) in layouts {
        for d in [1u8, 2, 4] {
            let got = decode(&frame(format, w as u32, h as u32, bytes.clone()), d).unwrap();
            assert_eq!(
                got.y.data,
                box_mean(&full.y, usize::from(d)),
                "{format:?} at 1/{d}"
            );
            if matches!(format, PixelFormat::I420 | PixelFormat::Nv12) {
                let plane = Plane {
                    width: w / 2,
                    height: h / 2,
                    data: half_cr.clone(),
                };
                assert_eq!(
                    got.cr.data,
                    box_mean(&plane, usize::from(d)),
                    "{format:?} at 1/{d}"
                );
            }
        }
        let mut short = bytes.clone();
        short.pop();
        let cut = decode(&frame(format, w as u32, h as u32, short), 1);
        assert!(matches!(cut, Err(DecodeError::Broken(_))), "{format:?}");
    }
}

#[test]
fn limited_range_reaches_black_and_white() {
    let mut raw = frame(PixelFormat::Grey, 2, 1, vec![16, 235]);
    raw.range = Range::Limited;
    assert_eq!(decode(&raw, 1).unwrap().y.data, [0, 255]);
    raw.range = Range::Full;
    assert_eq!(decode(&raw, 1).unwrap().y.data, [16, 235]);
}

#[test]
fn encoded_pictures_come_back() {
    let mut encoder = JpegEncoder::new(95).unwrap();
    let mut jpeg = Vec::new();
    for (w, h) in [(64, 48), (45, 31), (1, 1)] {
        let rgb = scene(w, h);
        encoder.encode_rgb(&rgb, &mut jpeg).unwrap();
        let raw = frame(PixelFormat::Jpeg, w, h, jpeg.clone());
        let mut back = RgbImage::new(1, 1);
        Decoder::new().unwrap().decode_rgb(&raw, &mut back).unwrap();
        assert_eq!(back.dimensions(), (w, h));
        let (_, mean) = difference(&back, &rgb);
        assert!(mean < 6.0, "{w}x{h}: {mean}");
        // Planes to JPEG and back lose little more.
        let planes = decode(&raw, 1).unwrap();
        encoder.encode_picture(&planes, &mut jpeg).unwrap();
        let again = decode(&frame(PixelFormat::Jpeg, w, h, jpeg.clone()), 1).unwrap();
        let (greatest, _) = difference(&again.y.data, &planes.y.data);
        assert!(greatest <= 6, "{w}x{h}: {greatest}");
        assert_eq!(again.cb.data.len(), planes.cb.data.len());
        let mut drawn = RgbImage::new(0, 0);
        picture_to_rgb(&planes, &mut drawn);
        assert_eq!(drawn.dimensions(), (w, h));
    }
    // Grey.
    let grey = decode(&frame(PixelFormat::Grey, 6, 5, vec![77; 30]), 1).unwrap();
    encoder.encode_picture(&grey, &mut jpeg).unwrap();
    let again = decode(&frame(PixelFormat::Jpeg, 6, 5, jpeg), 1).unwrap();
    assert_eq!(again.y.data, [77; 30]);
    assert_eq!((again.cb.data, again.cr.data), (vec![128], vec![128]));
    assert!(JpegEncoder::new(0).is_err());
    assert!(encoder
        .encode_rgb(&RgbImage::new(0, 3), &mut Vec::new())
        .is_err());
}

fn vector(name: &str) -> Vec<u8> {
    std::fs::read(format!(
        "{}/tests/reference/jpeg/{name}",
        env!("CARGO_MANIFEST_DIR")
    ))
    .unwrap()
}

#[test]
fn a_picture_cut_anywhere_is_an_error() {
    let jpeg = vector("yuvj420p-64x48.jpg");
    let mut decoder = Decoder::new().unwrap();
    let mut out = Picture::default();
    for end in 0..jpeg.len() {
        for d in [1, 2, 4] {
            let raw = frame(PixelFormat::Jpeg, 64, 48, jpeg[..end].to_vec());
            let done = decoder.decode(&raw, d, &mut out);
            assert!(
                matches!(done, Err(DecodeError::Broken(_))),
                "cut at {end}: {done:?}"
            );
        }
    }
    // And the decoder is none the worse for it.
    decoder
        .decode(&frame(PixelFormat::Jpeg, 64, 48, jpeg), 1, &mut out)
        .unwrap();
}

#[test]
fn fill_before_the_end_marker_passes_but_surplus_data_does_not() {
    let jpeg = vector("yuvj422p-64x48.jpg");
    let with = |extra: &[u8]| {
        let mut bytes = jpeg[..jpeg.len() - 2].to_vec();
        bytes.extend_from_slice(extra);
        bytes.extend_from_slice(&[0xFF, 0xD9]);
        decode(&frame(PixelFormat::Jpeg, 64, 48, bytes), 1)
    };
    let whole = with(&[]).unwrap();
    assert_eq!(with(&[0; 17]).unwrap().y, whole.y);
    assert!(matches!(with(&[0x5A; 20]), Err(DecodeError::Broken(_))));
    let mut trailing = jpeg.clone();
    trailing.extend_from_slice(&[0; 300]);
    assert_eq!(
        decode(&frame(PixelFormat::Jpeg, 64, 48, trailing), 1)
            .unwrap()
            .y,
        whole.y
    );
}

/// MJPEG often leaves the standard Huffman tables (ITU-T T.81, Annex K.3) out.
#[test]
fn frames_without_huffman_tables_are_read() {
    let mut plain = Vec::new();
    JpegEncoder::new(85)
        .unwrap()
        .encode_rgb(&scene(64, 48), &mut plain)
        .unwrap();
    let mut bare = plain[..2].to_vec();
    let mut at = 2;
    while plain[at + 1] != 0xDA {
        let length = 2 + usize::from(u16::from_be_bytes([plain[at + 2], plain[at + 3]]));
        if plain[at + 1] != 0xC4 {
            bare.extend_from_slice(&plain[at..at + length]);
        }
        at += length;
    }
    bare.extend_from_slice(&plain[at..]);
    assert!(bare.len() < plain.len());
    let read = |bytes: Vec<u8>| {
        decode(&frame(PixelFormat::Jpeg, 64, 48, bytes), 1)
            .unwrap()
            .y
    };
    assert_eq!(read(bare), read(plain));
}

#[test]
fn sizes_that_lie_are_refused_before_anything_is_reserved() {
    let mut jpeg = vector("yuvj420p-64x48.jpg");
    let other = decode(&frame(PixelFormat::Jpeg, 640, 480, jpeg.clone()), 1);
    assert_eq!(
        other.unwrap_err(),
        DecodeError::Size {
            got: (64, 48),
            announced: (640, 480)
        }
    );
    let at = jpeg.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    jpeg[at + 5..at + 9].fill(0xFF);
    let huge = decode(&frame(PixelFormat::Jpeg, 0, 0, jpeg.clone()), 1);
    assert_eq!(huge.unwrap_err(), DecodeError::TooLarge(65535, 65535));
    let raw = decode(&frame(PixelFormat::Grey, 65_535, 65_535, vec![]), 1);
    assert_eq!(raw.unwrap_err(), DecodeError::TooLarge(65535, 65535));
    assert_eq!(
        decode(&frame(PixelFormat::Grey, 1, 1, vec![0]), 3).unwrap_err(),
        DecodeError::Denominator(3)
    );
}

/// Fixed-seed damage to coded pictures: an answer or an error, never a panic,
/// and an answer is always a consistent picture.
#[test]
fn mutated_pictures_never_panic() {
    let mut rng = SmallRng::seed_from_u64(7);
    let mut png = std::io::Cursor::new(Vec::new());
    scene(20, 10)
        .write_to(&mut png, image::ImageFormat::Png)
        .unwrap();
    let seeds = [
        (PixelFormat::Jpeg, vector("yuvj420p-45x31.jpg")),
        (PixelFormat::Jpeg, vector("yuvj422p-64x48.jpg")),
        (PixelFormat::Jpeg, vector("yuvj444p-45x31.jpg")),
        (PixelFormat::Png, png.into_inner()),
    ];
    let mut decoder = Decoder::new().unwrap();
    let (mut out, mut rgb) = (Picture::default(), RgbImage::new(1, 1));
    let (mut good, mut bad) = (0, 0);
    for round in 0..6000 {
        let (format, seed) = &seeds[round % seeds.len()];
        let mut bytes = seed.clone();
        for _ in 0..rng.random_range(1..5) {
            let at = rng.random_range(0..bytes.len());
            match rng.random_range(0..4) {
                0 => bytes[at] = rng.random(),
                1 => bytes[at] ^= 1 << rng.random_range(0..8),
                2 => bytes.truncate(at.max(1)),
                _ => bytes.insert(at, rng.random()),
            }
        }
        let raw = frame(*format, 0, 0, bytes);
        let d = [1, 2, 4][round % 3];
        match decoder.decode(&raw, d, &mut out) {
            Ok(()) => {
                good += 1;
                for plane in [&out.y, &out.cb, &out.cr] {
                    assert_eq!(plane.data.len(), plane.width * plane.height);
                    assert!(plane.width <= out.y.width && plane.height <= out.y.height);
                }
                assert_eq!(out.y.width, out.full_width.div_ceil(usize::from(d)));
                picture_to_rgb(&out, &mut rgb);
            }
            Err(_) => bad += 1,
        }
        let _ = decoder.decode_rgb(&raw, &mut rgb);
    }
    assert!(good > 500 && bad > 1000, "{good} read, {bad} refused");
}

/// Not a test of a bar but a measurement; run with
/// `cargo test --release --test decoder -- --ignored --nocapture`.
#[test]
#[ignore = "measures time, which no bar can hold on a shared machine; run by hand"]
fn time_of_a_frame() {
    // A clip given by TIMING_CLIP, or a textured scene of our own.
    let mut jpeg = Vec::new();
    let mut rng = SmallRng::seed_from_u64(1);
    let mut picture = scene(640, 480);
    for v in picture.iter_mut() {
        *v = v.saturating_add_signed(rng.random_range(-6..=6));
    }
    JpegEncoder::new(85)
        .unwrap()
        .encode_rgb(&picture, &mut jpeg)
        .unwrap();
    println!("640x480 4:2:0 quality 85, {} bytes", jpeg.len());
    let raw = frame(PixelFormat::Jpeg, 640, 480, jpeg);
    let mut decoder = Decoder::new().unwrap();
    let (mut out, mut rgb) = (Picture::default(), RgbImage::new(640, 480));
    let mut best = |name: &str, run: &mut dyn FnMut(&mut Decoder)| {
        let mut times: Vec<f64> = (0..400)
            .map(|_| {
                let start = std::time::Instant::now();
                run(&mut decoder);
                start.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        times.sort_by(f64::total_cmp);
        println!(
            "{name}: median {:.3} ms, least {:.3} ms",
            times[200], times[0]
        );
    };
    for d in [1, 2, 4] {
        best(&format!("planes at 1/{d}"), &mut |dec| {
            dec.decode(&raw, d, &mut out).unwrap()
        });
    }
    best("RGB", &mut |dec| dec.decode_rgb(&raw, &mut rgb).unwrap());
    let yuyv = frame(PixelFormat::Yuyv, 640, 480, vec![100; 640 * 480 * 2]);
    for d in [1, 2] {
        best(&format!("YUYV at 1/{d}"), &mut |dec| {
            dec.decode(&yuyv, d, &mut out).unwrap()
        });
    }
}
