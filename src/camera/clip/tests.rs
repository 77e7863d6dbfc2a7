use std::path::Path;

use image::{Rgb, RgbImage};
use rand::rngs::SmallRng;
use rand::{Rng, SeedableRng};

use super::*;
use crate::camera::{AviWriter, Decoder, JpegEncoder, Picture};

fn picture(n: u32) -> RgbImage {
    RgbImage::from_fn(48, 32, |x, y| {
        Rgb([(x * 5) as u8, (y * 7) as u8, (n * 40 % 256) as u8])
    })
}

fn jpeg(n: u32) -> Vec<u8> {
    let mut out = Vec::new();
    JpegEncoder::new(85)
        .unwrap()
        .encode_rgb(&picture(n), &mut out)
        .unwrap();
    out
}

fn write_avi(path: &Path, frames: u32) {
    let mut avi = AviWriter::create(path, 48, 32, 12.5).unwrap();
    for n in 0..frames {
        avi.write_jpeg(&jpeg(n)).unwrap();
    }
    avi.finish().unwrap();
}

/// Reads all of it: one letter per frame (`f` good, `b` broken), with the
/// sequence numbers and the notes.
fn read(path: &Path) -> anyhow::Result<(String, Vec<u64>, Vec<String>)> {
    let mut clip = ClipSource::open(path)?;
    let (mut letters, mut seqs) = (String::new(), Vec::new());
    let mut frame = RawFrame::empty();
    let mut decoder = Decoder::new()?;
    let mut planes = Picture::default();
    loop {
        match clip.grab(&mut frame)? {
            Grab::Frame => match decoder.decode(&frame, 2, &mut planes) {
                Ok(()) => letters.push('f'),
                Err(_) => letters.push('d'),
            },
            Grab::Broken(_) => letters.push('b'),
            Grab::End => break,
            Grab::Timeout => letters.push('t'),
        }
        seqs.push(frame.seq);
        assert!(letters.len() < 10_000, "a clip without end");
    }
    assert_eq!(clip.broken(), letters.matches('b').count() as u64);
    Ok((letters, seqs, clip.notes().to_vec()))
}

fn error(path: &Path) -> String {
    let text = format!("{:#}", ClipSource::open(path).map(|_| ()).unwrap_err());
    assert!(!text.contains('\n'), "one line: {text}");
    text
}

#[test]
fn avi_round_trip_keeps_every_byte() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("frames.avi");
    write_avi(&path, 5);
    let mut clip = ClipSource::open(dir.path()).unwrap();
    assert_eq!(clip.frame_count(), Some(5));
    assert_eq!(clip.size(), (48, 32));
    assert_eq!(clip.rate_hz(), 12.5);
    let mut frame = RawFrame::empty();
    for n in 0..5 {
        assert_eq!(clip.grab(&mut frame).unwrap(), Grab::Frame);
        assert_eq!(frame.bytes, jpeg(n));
        assert_eq!(frame.captured, Duration::from_secs_f64(f64::from(n) / 12.5));
    }
    assert_eq!(clip.grab(&mut frame).unwrap(), Grab::End);
    assert!(clip.notes().is_empty(), "{:?}", clip.notes());
    assert!(!dir.path().join("frames.avi.part").exists());
}

#[test]
fn an_unfinished_avi_leaves_nothing_and_one_cut_off_still_reads() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("frames.avi");
    let mut avi = AviWriter::create(&path, 48, 32, 12.5).unwrap();
    avi.write_jpeg(&jpeg(0)).unwrap();
    drop(avi);
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);

    // Power lost: the temporary file as it is before closing.
    let mut avi = AviWriter::create(&path, 48, 32, 12.5).unwrap();
    for n in 0..200 {
        avi.write_jpeg(&jpeg(n)).unwrap();
    }
    let cut = dir.path().join("cut.avi");
    std::fs::copy(dir.path().join("frames.avi.part"), &cut).unwrap();
    let (letters, _, notes) = read(&cut).unwrap();
    assert!(letters.len() > 20, "{letters}");
    assert!(
        letters.trim_end_matches('b').bytes().all(|b| b == b'f'),
        "{letters}"
    );
    assert!(notes.iter().any(|n| n.contains("no index")), "{notes:?}");
}

#[test]
fn pieces_play_in_order_and_empty_places_keep_the_time() {
    let dir = tempfile::tempdir().unwrap();
    let frames = dir.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    let mut avi = AviWriter::create(&frames.join("2.avi"), 48, 32, 12.5).unwrap();
    for n in 2..5 {
        avi.write_gap().unwrap();
        avi.write_jpeg(&jpeg(n)).unwrap();
    }
    avi.finish().unwrap();
    write_avi(&frames.join("1.avi"), 2);
    let (letters, seqs, notes) = read(dir.path()).unwrap();
    assert_eq!(
        (letters.as_str(), &seqs[..]),
        ("fffff", &[0, 1, 3, 5, 7][..])
    );
    assert!(notes.is_empty(), "{notes:?}");

    // A piece that was lost costs its own frames only.
    std::fs::write(frames.join("0.avi"), b"RIFF....AVI ").unwrap();
    let (letters, _, notes) = read(dir.path()).unwrap();
    assert_eq!(letters, "fffff");
    assert!(notes[0].contains("left out"), "{notes:?}");
    let mut avi = AviWriter::create(&frames.join("3.avi"), 48, 32, 25.0).unwrap();
    avi.write_jpeg(&jpeg(1)).unwrap();
    avi.finish().unwrap();
    assert!(error(dir.path()).contains("another rate"));
}

#[test]
fn truncated_avi_reports_its_tail() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.avi");
    write_avi(&path, 6);
    let bytes = std::fs::read(&path).unwrap();
    let last = bytes.windows(4).rposition(|w| w == b"00dc").unwrap();
    let last_frame = bytes[..last - 16 * 6]
        .windows(4)
        .rposition(|w| w == b"00dc")
        .unwrap();
    std::fs::write(&path, &bytes[..last_frame + 100]).unwrap();
    let (letters, _, notes) = read(&path).unwrap();
    assert_eq!(letters, "fffffb");
    assert!(
        notes.iter().any(|n| n.contains("cut off in frame 5")),
        "{notes:?}"
    );
}

#[test]
fn avi_without_index_and_with_damage_goes_on_after_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.avi");
    write_avi(&path, 6);
    let mut bytes = std::fs::read(&path).unwrap();
    // A chunk header in the middle overwritten with rubbish of a huge size.
    let third = bytes
        .windows(4)
        .enumerate()
        .filter(|(_, w)| w == b"00dc")
        .nth(2)
        .unwrap()
        .0;
    bytes[third..third + 8].copy_from_slice(&[1, 2, 3, 4, 0xFF, 0xFF, 0xFF, 0xFF]);
    std::fs::write(&path, &bytes).unwrap();
    let (letters, seqs, notes) = read(&path).unwrap();
    assert_eq!(letters, "ffbfff");
    assert_eq!(seqs, [0, 1, 2, 3, 4, 5]);
    assert!(
        notes.iter().any(|n| n.contains("damage at byte")),
        "{notes:?}"
    );
}

#[test]
fn avi_that_claims_four_gigabytes_is_harmless() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.avi");
    write_avi(&path, 3);
    let mut bytes = std::fs::read(&path).unwrap();
    for at in [4, 16, 48, 216] {
        bytes[at..at + 4].copy_from_slice(&u32::MAX.to_le_bytes());
    }
    std::fs::write(&path, &bytes).unwrap();
    let outcome = read(&path);
    if let Ok((letters, _, _)) = outcome {
        assert!(letters.len() <= 4, "{letters}");
    }
    // A picture of 4 GB that is not there.
    write_avi(&path, 1);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[228..232].copy_from_slice(&u32::MAX.to_le_bytes());
    std::fs::write(&path, &bytes).unwrap();
    assert!(error(&path).contains("a.avi"));
}

#[test]
fn pictures_in_natural_order_with_broken_ones_reported() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("clip.toml"),
        "rate_hz = 10\nprofile = \"../van.toml\"\n",
    )
    .unwrap();
    for n in [1, 2, 3, 9, 10, 11] {
        std::fs::write(dir.path().join(format!("p{n}.jpg")), jpeg(n)).unwrap();
    }
    std::fs::write(dir.path().join("p4.jpg"), b"").unwrap();
    std::fs::write(dir.path().join("p5.jpg"), b"not a picture").unwrap();
    let whole = jpeg(6);
    std::fs::write(dir.path().join("p6.jpg"), &whole[..whole.len() * 3 / 4]).unwrap();
    picture(8).save(dir.path().join("p8.png")).unwrap();
    let (letters, seqs, notes) = read(dir.path()).unwrap();
    assert_eq!(letters, "fffbbdffff");
    assert_eq!(seqs, [0, 1, 2, 3, 4, 5, 7, 8, 9, 10], "number 7 is missing");
    assert!(notes[0].contains("1 picture number"), "{notes:?}");
    let clip = ClipSource::open(dir.path()).unwrap();
    assert_eq!(clip.profile(), Some(dir.path().join("../van.toml")));
    assert_eq!(clip.truth(), None);
}

#[test]
fn a_gap_longer_than_the_wait_is_a_timeout_of_that_moment() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("clip.toml"), "rate_hz = 10\n").unwrap();
    // Frames 0, 1, 2, then 5, 6, and 13 after that.
    for n in [1, 2, 3, 6, 7, 14] {
        std::fs::write(dir.path().join(format!("{n}.jpg")), jpeg(n)).unwrap();
    }
    let told = |stale_ms| {
        let mut clip = ClipSource::open(dir.path()).unwrap();
        clip.time_out_after(Duration::from_millis(stale_ms));
        let mut frame = RawFrame::empty();
        let mut told = Vec::new();
        loop {
            match clip.grab(&mut frame).unwrap() {
                Grab::End => return told,
                grab => told.push((grab, frame.seq, frame.captured.as_millis())),
            }
        }
    };
    let frame = |seq: u64| (Grab::Frame, seq, u128::from(seq) * 100);
    let late = |seq, ms| (Grab::Timeout, seq, ms);
    let with = |timeouts: &[(Grab, u64, u128)]| {
        let mut all = [0, 1, 2, 5, 6, 13].map(frame).to_vec();
        all.extend_from_slice(timeouts);
        all.sort_by_key(|(_, seq, _)| *seq);
        all
    };
    assert_eq!(told(300), with(&[late(9, 900)]));
    assert_eq!(told(250), with(&[late(4, 450), late(8, 850)]));
    assert_eq!(told(700), with(&[]));
}

#[test]
fn a_gap_in_pieces_is_as_long_as_all_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("frames.avi");
    let mut avi = AviWriter::create(&path, 48, 32, 12.5).unwrap();
    avi.write_jpeg(&jpeg(0)).unwrap();
    for _ in 1..6 {
        avi.write_gap().unwrap();
    }
    avi.write_jpeg(&jpeg(6)).unwrap();
    avi.finish().unwrap();
    let mut clip = ClipSource::open(&path).unwrap();
    clip.time_out_after(Duration::from_millis(300));
    let mut frame = RawFrame::empty();
    let mut next = || (clip.grab(&mut frame).unwrap(), frame.captured.as_millis());
    assert_eq!(next(), (Grab::Frame, 0));
    assert_eq!(next(), (Grab::Timeout, 300));
    assert_eq!(next(), (Grab::Frame, 480));
    assert_eq!(next().0, Grab::End);
}

#[test]
fn pattern_folder_and_bare_picture() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir(dir.path().join("shots")).unwrap();
    for n in 0..3 {
        std::fs::write(dir.path().join(format!("shots/a_{n:03}.jpg")), jpeg(n)).unwrap();
    }
    std::fs::write(dir.path().join("shots/b_000.jpg"), jpeg(9)).unwrap();
    for (frames, want) in [
        ("shots/a_%03d.jpg", "fff"),
        ("shots/a_###.jpg", "fff"),
        ("shots", "ffff"),
    ] {
        std::fs::write(
            dir.path().join("clip.toml"),
            format!("rate_hz = 10\nframes = \"{frames}\"\n"),
        )
        .unwrap();
        assert_eq!(read(dir.path()).unwrap().0, want, "{frames}");
    }
    assert_eq!(read(&dir.path().join("shots/a_001.jpg")).unwrap().0, "f");
}

#[test]
fn a_picture_of_another_size_is_broken_not_used() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("clip.toml"), "rate_hz = 10\n").unwrap();
    std::fs::write(dir.path().join("1.jpg"), jpeg(1)).unwrap();
    RgbImage::new(16, 16)
        .save(dir.path().join("2.png"))
        .unwrap();
    assert_eq!(read(dir.path()).unwrap().0, "fb");
}

fn y4m(chroma: &str, planes: &[u8]) -> Vec<u8> {
    let mut bytes =
        format!("YUV4MPEG2 W5 H3 F15:1 Ip A1:1 C{chroma} XCOLORRANGE=FULL\n").into_bytes();
    for _ in 0..2 {
        bytes.extend_from_slice(b"FRAME\n");
        bytes.extend_from_slice(planes);
    }
    bytes
}

#[test]
fn y4m_layouts_reach_the_right_planes() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.y4m");
    let luma: Vec<u8> = (0..15).map(|v| v * 10).collect();
    // Chroma width and height for a picture of 5x3.
    for (chroma, width, height) in [
        ("420jpeg", 3, 2),
        ("422", 3, 3),
        ("444", 5, 3),
        ("mono", 0, 0),
    ] {
        let cb: Vec<u8> = (0..width * height).map(|v| 100 + v as u8).collect();
        let cr: Vec<u8> = cb.iter().map(|v| v + 50).collect();
        std::fs::write(&path, y4m(chroma, &[&luma[..], &cb, &cr].concat())).unwrap();
        let mut clip = ClipSource::open(&path).unwrap();
        assert_eq!((clip.frame_count(), clip.rate_hz()), (Some(2), 15.0));
        let mut frame = RawFrame::empty();
        assert_eq!(clip.grab(&mut frame).unwrap(), Grab::Frame);
        let mut planes = Picture::default();
        Decoder::new()
            .unwrap()
            .decode(&frame, 1, &mut planes)
            .unwrap();
        assert_eq!(planes.y.data, luma, "{chroma}");
        if width > 0 {
            assert_eq!((planes.cb.width, planes.cb.height), (width, height));
            assert_eq!((planes.cb.data, planes.cr.data), (cb, cr), "{chroma}");
        } else {
            assert_eq!((planes.cb.data, planes.cr.data), (vec![128], vec![128]));
        }
    }
    // Truncated in the second frame.
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() - 2]).unwrap();
    let (letters, _, notes) = read(&path).unwrap();
    assert_eq!(letters, "fb");
    assert!(notes[0].contains("13 of 15 bytes"), "{notes:?}");
}

#[test]
fn faults_are_one_line_with_place_and_advice() {
    let dir = tempfile::tempdir().unwrap();
    let d = dir.path();
    assert!(error(&d.join("nowhere")).contains("check the path"));
    assert!(error(d).contains("no frames in this clip"));
    std::fs::write(d.join("frames.avi"), b"").unwrap();
    assert!(error(d).contains("the file is empty"));
    std::fs::write(d.join("frames.avi"), b"RIFF\0\0\0\0AVI ").unwrap();
    assert!(error(d).contains("no frames in this AVI"));
    std::fs::write(d.join("clip.toml"), "rate_hz = 10\n\nspeed = 3\n").unwrap();
    let text = error(d);
    assert!(
        text.contains("clip.toml:3: ") && text.contains("speed"),
        "{text}"
    );
    std::fs::write(d.join("clip.toml"), "title = \"x\"\nrate_hz = nan\n").unwrap();
    assert!(error(d).contains("clip.toml:2: rate_hz"));
    std::fs::write(d.join("clip.toml"), "rate_hz = 10\nframes = \"gone.avi\"\n").unwrap();
    assert!(error(d).contains("gone.avi"));
    std::fs::write(d.join("clip.toml"), "title = \"x\"\nframes = \"p\"\n").unwrap();
    std::fs::create_dir(d.join("p")).unwrap();
    assert!(error(d).contains("no JPEG or PNG pictures"));
    for n in 0..2 {
        std::fs::write(d.join(format!("p/{n}.jpg")), jpeg(n)).unwrap();
    }
    assert!(error(d).contains("rate_hz = 15"));
    std::fs::write(
        d.join("a.y4m"),
        b"YUV4MPEG2 W99999999 H99999999 F1:1\nFRAME\n",
    )
    .unwrap();
    assert!(error(&d.join("a.y4m")).contains("Y4M header"));
    std::fs::write(d.join("b.y4m"), b"YUV4MPEG2 W4 H4 F1:1 C420p10\nFRAME\n").unwrap();
    assert!(error(&d.join("b.y4m")).contains("420p10"));
}

/// Damages files in many ways with a fixed seed; nothing may panic, run on
/// without end, or pretend to be an error without text.
#[test]
fn mutated_clips_never_panic() {
    let dir = tempfile::tempdir().unwrap();
    let seeds: Vec<(&str, Vec<u8>)> = {
        let avi = dir.path().join("seed.avi");
        write_avi(&avi, 3);
        vec![
            ("m.avi", std::fs::read(&avi).unwrap()),
            ("m.y4m", y4m("422", &[128; 15 + 18])),
            ("m.jpg", jpeg(1)),
            ("m.png", {
                let png = dir.path().join("seed.png");
                picture(1).save(&png).unwrap();
                std::fs::read(&png).unwrap()
            }),
        ]
    };
    let mut rng = SmallRng::seed_from_u64(20_240_601);
    let (mut opened, mut refused) = (0, 0);
    for round in 0..1200 {
        let (name, seed) = &seeds[round % seeds.len()];
        let mut bytes = seed.clone();
        for _ in 0..rng.random_range(1..6) {
            let at = rng.random_range(0..bytes.len());
            match rng.random_range(0..5) {
                0 => bytes[at] = rng.random(),
                1 => bytes[at] ^= 1 << rng.random_range(0..8),
                2 => bytes.truncate(at.max(1)),
                3 => {
                    let end = (at + 4).min(bytes.len());
                    bytes[at..end].fill(0xFF);
                }
                _ => {
                    let end = (at + rng.random_range(1..40)).min(bytes.len());
                    bytes.drain(at..end);
                }
            }
            if bytes.is_empty() {
                bytes.push(0);
            }
        }
        // What is no longer one of ours would start a foreign decoder.
        let own = [&b"RIFF"[..], b"YUV4", b"\xFF\xD8", b"\x89PNG"];
        if !own.iter().any(|o| bytes.starts_with(o))
            || (bytes[0] == b'R' && bytes.get(8..12) != Some(b"AVI "))
        {
            continue;
        }
        if bytes[0] == b'Y' && !bytes.starts_with(b"YUV4MPEG2") {
            continue;
        }
        let path = dir.path().join(name);
        std::fs::write(&path, &bytes).unwrap();
        match read(&path) {
            Ok(_) => opened += 1,
            Err(e) => {
                assert!(!format!("{e:#}").is_empty());
                refused += 1;
            }
        }
    }
    assert!(
        opened > 300 && refused > 50,
        "{opened} opened, {refused} refused"
    );
}
