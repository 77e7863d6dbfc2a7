use std::fs;
use std::path::PathBuf;

use super::segments::{Plan, Segments};
use super::*;
use crate::camera::{ClipSource, Grab, PixelFormat, Range, Source};

const RATE_HZ: f64 = 20.0;

/// A frame of about `kib` KiB that begins and ends as a JPEG of 64x48 does.
fn frame(n: u64, kib: usize) -> RawFrame {
    let mut bytes = Vec::new();
    let picture = image::RgbImage::from_fn(64, 48, |x, y| {
        let v = (x * 3 + y * 2 + n as u32) as u8;
        image::Rgb([v, v, 90])
    });
    crate::camera::JpegEncoder::new(85)
        .unwrap()
        .encode_rgb(&picture, &mut bytes)
        .unwrap();
    // Readers stop at the end of the picture; what follows only takes space.
    bytes.resize(bytes.len().max(kib << 10), 0);
    RawFrame {
        seq: n,
        captured: Duration::from_secs_f64(n as f64 / RATE_HZ),
        format: PixelFormat::Jpeg,
        range: Range::Full,
        width: 64,
        height: 48,
        bytes,
    }
}

struct Card {
    dir: tempfile::TempDir,
    settings: RecordSettings,
}

impl Card {
    fn new(most_bytes: u64, last_s: u64) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let settings = RecordSettings {
            folder: dir.path().join("kept"),
            most_bytes,
            last: Duration::from_secs(last_s),
            on_danger: true,
        };
        Card { dir, settings }
    }

    fn store(&self) -> RingStore {
        let companions = clip_companions(None, RATE_HZ, None, None).unwrap();
        RingStore::new(self.settings.clone(), companions, RATE_HZ)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.settings.folder.join(name)
    }

    fn names(&self, name: &str) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.path(name))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// Bytes of all files.
    fn bytes(&self) -> u64 {
        fn of(path: PathBuf) -> u64 {
            let meta = fs::metadata(&path).unwrap();
            match meta.is_dir() {
                true => fs::read_dir(path)
                    .unwrap()
                    .map(|e| of(e.unwrap().path()))
                    .sum(),
                false => meta.len(),
            }
        }
        of(self.settings.folder.clone())
    }
}

/// Places of the frames of a clip; each must be whole.
fn read(clip: &std::path::Path) -> Vec<u64> {
    let mut source = ClipSource::open(clip).unwrap();
    let mut raw = RawFrame::empty();
    let mut seqs = Vec::new();
    loop {
        match source.grab(&mut raw).unwrap() {
            Grab::Frame => seqs.push(raw.seq),
            Grab::End => break,
            other => panic!("{other:?} in {}", clip.display()),
        }
    }
    assert!(source.notes().is_empty(), "{:?}", source.notes());
    seqs
}

#[test]
fn frames_are_stored_as_they_came_and_in_their_time() {
    let dir = tempfile::tempdir().unwrap();
    let mut segments = Segments::new(Plan {
        folder: dir.path().to_path_buf(),
        run: 7,
        rate_hz: RATE_HZ,
        length: Duration::from_secs(2),
        most_bytes: 1 << 20,
    })
    .unwrap();
    // Two lost, then a pause of an hour, then frames at twice the rate.
    for n in [0, 1, 2, 5] {
        assert!(segments.add(&frame(n, 2)).unwrap());
    }
    assert!(segments.add(&frame(72_006, 2)).unwrap());
    let fast: usize = (0..40)
        .map(|n| {
            let mut one = frame(72_007, 2);
            one.captured += Duration::from_secs_f64(f64::from(n) / (2.0 * RATE_HZ));
            usize::from(segments.add(&one).unwrap())
        })
        .sum();
    assert!((20..=22).contains(&fast), "{fast} of 40 at twice the rate");
    let file = segments.close().unwrap().unwrap();
    assert!(file.ends_with("000007-0000000000.avi"));
    let seqs = read(&file);
    assert_eq!(seqs[..5], [0, 1, 2, 5, 46], "the pause is stored as 2 s");
    let mut source = ClipSource::open(&file).unwrap();
    let mut raw = RawFrame::empty();
    source.grab(&mut raw).unwrap();
    assert_eq!(raw.bytes, frame(0, 2).bytes, "byte for byte");
}

#[test]
fn space_and_age_are_bounded_at_every_step() {
    let most = 16 << 20;
    let card = Card::new(most, 3600);
    let mut store = card.store();
    let mut kept = 0;
    for n in 0..1200 {
        store.add(&frame(n, 60)).unwrap();
        if n % 250 == 249 {
            store.keep(Cause::Danger, frame(n, 1).captured).unwrap();
            kept += 1;
        }
        if n % 10 == 0 {
            assert!(card.bytes() <= most, "{} at {n}", card.bytes());
        }
    }
    store.rest().unwrap();
    assert!(card.bytes() > most / 2, "the space is used");
    let clips = card.names("clips");
    assert!(
        !clips.is_empty() && clips.len() < kept,
        "the oldest went: {clips:?}"
    );
    for clip in clips {
        assert!(read(&card.path("clips").join(clip)).len() > 20);
    }

    // By age: 12 s of 5 s segments are three or four of them.
    let card = Card::new(64 << 20, 12);
    let mut store = card.store();
    for n in 0..(60.0 * RATE_HZ) as u64 {
        store.add(&frame(n, 1)).unwrap();
    }
    store.rest().unwrap();
    let ring = card.names("ring").len();
    assert!((3..=4).contains(&ring), "{ring} segments");
}

#[test]
fn one_clip_larger_than_all_space_forgets_its_own_beginning() {
    let card = Card::new(16 << 20, 3600);
    let mut store = card.store();
    for n in 0..2000 {
        store.add(&frame(n, 60)).unwrap();
        if n % 100 == 0 {
            // Asked for again and again: the clip never ends.
            store.keep(Cause::Asked, frame(n, 1).captured).unwrap();
            assert!(card.bytes() <= 16 << 20, "{} at {n}", card.bytes());
        }
    }
    assert_eq!(card.names("clips").len(), 1);
}

/// Every state that a cut of the power can leave, one after the other.
#[test]
fn what_a_cut_leaves_is_whole_or_goes_at_the_next_start() {
    let card = Card::new(64 << 20, 3600);
    let mut store = card.store();
    for n in 0..350 {
        store.add(&frame(n, 4)).unwrap();
    }
    drop(store); // as a cut: nothing is completed
    assert_eq!(card.names("ring").len(), 3, "{:?}", card.names("ring"));
    // In the middle of a segment, at any length.
    let whole = fs::read(card.path("ring").join(&card.names("ring")[0])).unwrap();
    for length in [0, 1, 100, 224, 1000, whole.len() / 2, whole.len() - 1] {
        let part = format!("000001-{length:010}.avi.part");
        fs::write(card.path("ring").join(part), &whole[..length]).unwrap();
    }
    // A name without content, as some file systems leave.
    fs::write(card.path("ring/000001-0000099999.avi"), b"").unwrap();
    // In the middle of making a clip, and between its name and its first piece.
    for name in [".000001-00003-danger", "000001-00004-danger"] {
        fs::create_dir_all(card.path("clips").join(name).join("frames")).unwrap();
        fs::write(card.path("clips").join(name).join("clip.toml"), "rate").unwrap();
    }
    // Somebody else's files stay.
    fs::write(card.path("clips/note.txt"), "mine").unwrap();
    fs::create_dir(card.path("clips/holiday")).unwrap();

    let ring = Ring::open(&card.settings, Vec::new()).unwrap();
    assert_eq!(card.names("ring").len(), 3, "{:?}", card.names("ring"));
    assert_eq!(card.names("clips"), ["holiday", "note.txt"]);
    assert_eq!(ring.plan(RATE_HZ).run, 2);

    // In the middle of taking segments over: the newest are in the clip.
    let clip = card.path("clips/000001-00017-danger");
    fs::create_dir_all(clip.join("frames")).unwrap();
    fs::write(clip.join("clip.toml"), "rate_hz = 20.0\n").unwrap();
    ring.join(&clip, &card.path("ring").join(&card.names("ring")[2]))
        .unwrap();
    let ring = Ring::open(&card.settings, Vec::new()).unwrap();
    assert_eq!(read(&clip).len(), 100);
    assert_eq!(card.names("ring").len(), 2);
    drop(ring);

    // Asked for after the cut, the rest is still to be had.
    let mut store = card.store();
    store.keep(Cause::Asked, Duration::from_secs(2)).unwrap();
    let clips = card.names("clips");
    let asked = clips.iter().find(|c| c.ends_with("asked")).unwrap();
    assert_eq!(read(&card.path("clips").join(asked)).len(), 200);
    assert_eq!(card.names("ring").len(), 0);
}

#[test]
fn a_clip_goes_on_for_ten_seconds_after_its_cause() {
    let card = Card::new(64 << 20, 60);
    let mut store = card.store();
    for n in 0..800 {
        store.add(&frame(n, 1)).unwrap();
        if n == 203 {
            store.keep(Cause::Danger, frame(n, 1).captured).unwrap();
            let clip = card.path("clips/000001-00010-danger");
            assert_eq!(read(&clip).len(), 204, "what led to it is there at once");
        }
    }
    store.rest().unwrap();
    assert_eq!(card.names("clips"), ["000001-00010-danger"]);
    let seqs = read(&card.path("clips/000001-00010-danger"));
    assert_eq!(seqs, (0..404).collect::<Vec<_>>());
}

struct SlowDisk;

impl Store for SlowDisk {
    fn add(&mut self, _: &RawFrame) -> anyhow::Result<bool> {
        std::thread::sleep(Duration::from_millis(20));
        Ok(true)
    }
    fn keep(&mut self, _: Cause, _: Duration) -> anyhow::Result<()> {
        Ok(())
    }
    fn rest(&mut self) -> anyhow::Result<()> {
        Ok(())
    }
    fn abandon(&mut self) {}
}

#[test]
fn a_slow_disk_costs_frames_and_no_time() {
    let recorder = FrameRecorder::start(SlowDisk).unwrap();
    let one = frame(0, 100);
    let mut slowest = Duration::ZERO;
    for _ in 0..300 {
        let begun = Instant::now();
        recorder.offer(&one);
        slowest = slowest.max(begun.elapsed());
    }
    crate::say::note!("slowest of 300 offers of 100 KiB: {slowest:?}");
    let (counts, fault) = recorder.finish();
    assert_eq!(counts.stored + counts.dropped, 300, "{counts:?}");
    assert!(counts.dropped >= 150, "{counts:?}");
    assert_eq!(fault, None);
}

#[test]
fn a_folder_that_cannot_be_written_is_a_fault_and_tried_again() {
    let card = Card::new(64 << 20, 60);
    // A file where the folder should be: also root cannot write there.
    fs::write(card.dir.path().join("kept"), "").unwrap();
    assert!(FrameRecorder::try_folder(&card.settings).is_err());
    let recorder = FrameRecorder::start(card.store()).unwrap();
    recorder.offer(&frame(0, 1));
    recorder.offer(&frame(1, 1));
    let (counts, fault) = recorder.finish();
    assert_eq!((counts.stored, counts.dropped), (0, 2));
    assert!(fault.unwrap().contains("check record.folder"));

    fs::remove_file(card.dir.path().join("kept")).unwrap();
    let recorder = FrameRecorder::start(card.store()).unwrap();
    recorder.offer(&frame(0, 1));
    assert_eq!(recorder.finish().0.stored, 1);
    assert_eq!(
        card.names("ring").len(),
        1,
        "the end completes what was begun"
    );
}
