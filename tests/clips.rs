//! Clips that other programs write and read.

use std::path::Path;
use std::process::Command;

use hindward::camera::{
    AviWriter, ClipSource, Decoder, Grab, JpegEncoder, Picture, RawFrame, Source,
};
use image::{Rgb, RgbImage};

fn ffmpeg(arguments: &[&str]) -> Option<std::process::Output> {
    let output = Command::new("ffmpeg")
        .arg("-nostdin")
        .args(["-v", "error"])
        .args(arguments)
        .output();
    match output {
        Ok(output) => Some(output),
        Err(_) => {
            eprintln!("skipped: there is no ffmpeg on this machine");
            None
        }
    }
}

struct Outcome {
    frames: u64,
    broken: u64,
    notes: Vec<String>,
    first: Picture,
}

fn read(path: &Path) -> Outcome {
    let mut clip = ClipSource::open(path).unwrap();
    let mut frame = RawFrame::empty();
    let mut decoder = Decoder::new().unwrap();
    let (mut frames, mut broken, mut first) = (0, 0, Picture::default());
    loop {
        match clip.grab(&mut frame).unwrap() {
            Grab::Frame => {
                let mut planes = Picture::default();
                decoder.decode(&frame, 1, &mut planes).unwrap();
                if frames == 0 {
                    first = planes;
                }
                frames += 1;
            }
            Grab::Broken(_) => broken += 1,
            Grab::End => break,
            Grab::Timeout => panic!("a clip does not time out"),
        }
    }
    Outcome {
        frames,
        broken,
        notes: clip.notes().to_vec(),
        first,
    }
}

fn write_avi(path: &Path, frames: usize, finish: bool) -> Option<Vec<u8>> {
    let mut encoder = JpegEncoder::new(85).unwrap();
    let mut jpeg = Vec::new();
    let mut avi = AviWriter::create(path, 320, 240, 12.5).unwrap();
    for n in 0..frames {
        let picture = RgbImage::from_fn(320, 240, |x, y| {
            Rgb([x as u8 ^ y as u8, (y + n as u32 * 3) as u8, (x * 2) as u8])
        });
        encoder.encode_rgb(&picture, &mut jpeg).unwrap();
        avi.write_jpeg(&jpeg).unwrap();
    }
    if finish {
        avi.finish().unwrap();
        return None;
    }
    // What the disk holds if power is lost now.
    let part = path.with_file_name(format!("{}.part", path.file_name()?.to_str()?));
    std::fs::read(part).ok()
}

/// ffmpeg must see as many frames, the size and the rate in what we write, in
/// a finished file and in one that power was taken from.
#[test]
fn our_avi_plays_elsewhere() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.avi");
    write_avi(&path, 40, true);
    let arguments = ["-i", path.to_str().unwrap(), "-f", "framemd5", "-"];
    let Some(output) = ffmpeg(&arguments) else {
        return;
    };
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert!(text.contains("#dimensions 0: 320x240"), "{text}");
    assert!(text.contains("#tb 0: 2/25"), "{text}");
    assert_eq!(text.lines().filter(|l| !l.starts_with('#')).count(), 40);

    let cut = dir.path().join("cut.avi");
    let bytes = write_avi(&dir.path().join("b.avi"), 40, false).unwrap();
    std::fs::write(&cut, &bytes).unwrap();
    let ours = read(&cut);
    assert!(ours.frames > 10 && ours.notes.iter().any(|n| n.contains("no index")));
    let arguments = ["-i", cut.to_str().unwrap(), "-f", "framemd5", "-"];
    let output = ffmpeg(&arguments).unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let theirs = text.lines().filter(|l| !l.starts_with('#')).count() as u64;
    assert!(theirs >= ours.frames, "{theirs} of {}", ours.frames);
}

/// Films of other kinds come through ffmpeg with the right count and colours.
#[test]
fn foreign_films_are_read_through_ffmpeg() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("film.mp4");
    let film = path.to_str().unwrap();
    let red = "color=c=red:size=64x48:rate=10:duration=2";
    let Some(output) = ffmpeg(&["-f", "lavfi", "-i", red, "-c:v", "mpeg4", "-q:v", "2", film])
    else {
        return;
    };
    assert!(output.status.success());
    let seen = read(dir.path());
    assert_eq!((seen.frames, seen.broken), (20, 0), "{:?}", seen.notes);
    assert_eq!((seen.first.y.width, seen.first.y.height), (64, 48));
    // Pure red in JFIF: Y 76, Cb 85, Cr 255 (ITU-T T.871, clause 7).
    for (plane, want) in [
        (&seen.first.y, 76),
        (&seen.first.cb, 85),
        (&seen.first.cr, 255),
    ] {
        let got = i32::from(plane.data[plane.data.len() / 2]);
        assert!((got - want).abs() <= 4, "{got} instead of {want}");
    }
    // A film cut in half is an error or a note, never silence.
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    match ClipSource::open(&path) {
        Err(e) => {
            let text = format!("{e:#}");
            assert!(
                text.contains("ffmpeg cannot read it") && !text.contains('\n'),
                "{text}"
            );
        }
        Ok(_) => {
            let seen = read(&path);
            assert!(!seen.notes.is_empty() || seen.broken > 0);
        }
    }
    // Leaving a film in the middle ends the child at once.
    ffmpeg(&[
        "-y",
        "-f",
        "lavfi",
        "-i",
        "testsrc=size=640x480:rate=30:duration=20",
        "-c:v",
        "mpeg4",
        film,
    ]);
    let start = std::time::Instant::now();
    let mut clip = ClipSource::open(&path).unwrap();
    clip.grab(&mut RawFrame::empty()).unwrap();
    drop(clip);
    assert!(start.elapsed().as_secs_f64() < 3.0);
}

/// MJPEG by another writer, and its raw twin, give the same pictures.
#[test]
fn mjpeg_and_y4m_of_another_writer_agree() {
    let dir = tempfile::tempdir().unwrap();
    let (avi, y4m) = (dir.path().join("a.avi"), dir.path().join("a.y4m"));
    let made = ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "testsrc2=size=96x64:rate=15:duration=1",
        "-pix_fmt",
        "yuvj422p",
        "-c:v",
        "mjpeg",
        "-q:v",
        "3",
        avi.to_str().unwrap(),
    ]);
    let Some(made) = made else { return };
    assert!(made.status.success());
    ffmpeg(&[
        "-i",
        avi.to_str().unwrap(),
        "-pix_fmt",
        "yuvj422p",
        "-strict",
        "-1",
        y4m.to_str().unwrap(),
    ]);
    let (a, b) = (read(&avi), read(&y4m));
    assert_eq!((a.frames, b.frames), (15, 15));
    assert!(a.notes.is_empty(), "{:?}", a.notes);
    for (a, b) in [
        (&a.first.y, &b.first.y),
        (&a.first.cb, &b.first.cb),
        (&a.first.cr, &b.first.cr),
    ] {
        assert_eq!((a.width, a.height), (b.width, b.height));
        let greatest = a
            .data
            .iter()
            .zip(&b.data)
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(greatest <= Some(1), "{greatest:?}");
    }
}
