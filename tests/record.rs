//! Recording: `hindward record`, and what the daemon keeps of what it saw.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use hindward::camera::{
    AviWriter, ClipSource, Decoder, Grab, JpegEncoder, Picture, RawFrame, Source,
};
use image::{Rgb, RgbImage};
use rand::rngs::SmallRng;
use rand::{Rng, SeedableRng};

const RATE_HZ: f64 = 20.0;

struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    /// A profile, and a clip of `seconds` of moving grain as its camera.
    fn new(seconds: u32, record: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let config = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let text = std::fs::read_to_string(config).unwrap();
        let text = text.replace("rate_hz = 30", "rate_hz = 20");
        std::fs::write(dir.path().join("profile.toml"), format!("{text}\n{record}")).unwrap();
        let profile = hindward::profile::Profile::load(&dir.path().join("profile.toml")).unwrap();
        let (width, height) = (profile.camera.width, profile.camera.height);
        let mut avi =
            AviWriter::create(&dir.path().join("camera.avi"), width, height, RATE_HZ).unwrap();
        let mut encoder = JpegEncoder::new(80).unwrap();
        let mut jpegs = Vec::new();
        for n in 0..10u32 {
            let picture = RgbImage::from_fn(width, height, |x, y| {
                let v = 90 + ((x / 8 * 31) ^ (y / 8 * 17) ^ (n * 7)) as u8 % 60;
                Rgb([v, v, v])
            });
            let mut jpeg = Vec::new();
            encoder.encode_rgb(&picture, &mut jpeg).unwrap();
            jpegs.push(jpeg);
        }
        for n in 0..(f64::from(seconds) * RATE_HZ) as usize {
            avi.write_jpeg(&jpegs[n % jpegs.len()]).unwrap();
        }
        avi.finish().unwrap();
        Bench { dir }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn command(&self, name: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hindward"));
        command
            .arg(name)
            .arg(self.path("profile.toml"))
            .arg("--clip")
            .arg(self.path("camera.avi"))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    fn record(&self, more: &[&str]) -> Output {
        let mut command = self.command("record");
        command.arg("--out").arg(self.path("clip"));
        command.args(more).output().unwrap()
    }
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout)
}

fn signal(child: &Child, name: &str) {
    let id = child.id().to_string();
    let done = Command::new("kill").args(["-s", name, &id]).status();
    assert!(done.unwrap().success());
}

/// How many frames a clip has; each must be whole and decode.
fn frames(clip: &Path) -> u64 {
    let mut source = ClipSource::open(clip).unwrap_or_else(|e| panic!("{e:#}"));
    let (mut raw, mut count) = (RawFrame::empty(), 0);
    let (mut decoder, mut picture) = (Decoder::new().unwrap(), Picture::default());
    loop {
        match source.grab(&mut raw).unwrap() {
            Grab::Frame => decoder.decode(&raw, 4, &mut picture).unwrap(),
            Grab::End => break,
            other => panic!("{other:?} in {}", clip.display()),
        }
        count += 1;
    }
    assert!(source.notes().is_empty(), "{:?}", source.notes());
    count
}

fn list(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut found: Vec<PathBuf> = entries.map(|e| e.unwrap().path()).collect();
    found.sort();
    found
}

#[test]
fn a_recorded_clip_replays_and_has_the_cameras_own_bytes() {
    let bench = Bench::new(4, "");
    let output = bench.record(&["--seconds", "2", "--title", "yard", "--json"]);
    assert!(output.status.success(), "{}", text(&output));
    let said: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let stored = said["frames"].as_u64().unwrap();
    // A machine that is busy with other tests may lose some.
    let lost = said["lost"].as_u64().unwrap();
    assert!((35..=41).contains(&(stored + lost)), "{said}");
    assert!(stored > 20, "{said}");
    assert_eq!(frames(&bench.path("clip")), stored);

    let bytes = |path: &Path| {
        let mut source = ClipSource::open(path).unwrap();
        let mut raw = RawFrame::empty();
        assert_eq!(source.grab(&mut raw).unwrap(), Grab::Frame);
        raw.bytes
    };
    let source = std::fs::read(bench.path("camera.avi")).unwrap();
    let first = bytes(&bench.path("clip"));
    assert!(source.windows(first.len()).any(|w| w == first));

    // It carries its profile and needs nothing else.
    let replay = Command::new(env!("CARGO_BIN_EXE_hindward"))
        .arg("replay")
        .arg(bench.path("clip"))
        .arg("--out")
        .arg(bench.path("run"))
        .output()
        .unwrap();
    assert!(replay.status.success(), "{}", text(&replay));
    let detections = std::fs::read_to_string(bench.path("run/detections.csv")).unwrap();
    assert!(
        detections.lines().count() as u64 > stored,
        "a row a frame, and a head"
    );
    assert!(std::fs::read_to_string(bench.path("clip/clip.toml"))
        .unwrap()
        .contains("title = \"yard\""));
}

#[test]
fn recording_ends_whole_at_ctrl_c_and_leaves_nothing_when_it_fails() {
    let bench = Bench::new(20, "");
    let mut command = bench.command("record");
    let child = command
        .arg("--out")
        .arg(bench.path("clip"))
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_millis(2500));
    signal(&child, "INT");
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", text(&output));
    assert!(frames(&bench.path("clip")) > 10);

    let before = list(bench.dir.path()).len();
    for (more, want) in [
        (&["--seconds", "0"][..], "give seconds"),
        (&["--seconds", "1"], "is there already"),
    ] {
        let output = bench.record(more);
        assert_eq!(output.status.code(), Some(2), "{}", text(&output));
        assert!(text(&output).contains(want), "{}", text(&output));
    }
    let mut absent = Command::new(env!("CARGO_BIN_EXE_hindward"));
    let output = absent
        .args(["record", "gone.toml", "--out"])
        .arg(bench.path("other"))
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(list(bench.dir.path()).len(), before, "nothing left behind");
}

#[test]
fn killed_at_any_instant_all_that_is_there_is_whole() {
    let record = "[record]\nfolder = \"kept\"\nmost_mib = 64\nminutes = 1.0\n";
    let bench = Bench::new(30, record);
    let mut random = SmallRng::seed_from_u64(4);
    let (mut clips, mut whole) = (0, 0);
    for round in 0..10 {
        let mut child = bench.command("run").spawn().unwrap();
        std::thread::sleep(Duration::from_millis(900));
        // A clip is asked for right before the end, or some time before it.
        for _ in 0..random.random_range(1..4) {
            std::thread::sleep(Duration::from_millis(random.random_range(0..700)));
            signal(&child, "USR1");
        }
        std::thread::sleep(Duration::from_millis(random.random_range(0..120)));
        signal(&child, "KILL");
        child.wait().unwrap();
        whole = 0;
        for segment in list(&bench.path("kept/ring")) {
            if segment.extension().is_some_and(|e| e == "avi") {
                whole += frames(&segment);
            }
        }
        let kept = list(&bench.path("kept/clips"));
        clips = 0;
        for clip in &kept {
            // One that has its name but no piece yet is removed at the next start.
            let hidden = clip.file_name().unwrap().to_str().unwrap().starts_with('.');
            if !hidden && !list(&clip.join("frames")).is_empty() {
                whole += frames(clip);
                clips += 1;
            }
        }
        assert!(whole > 0 || round == 0, "round {round}: nothing was kept");
    }
    assert!(clips >= 3 && whole > 60, "{clips} clips, {whole} frames");

    // The next start cleans up, records on, and ends by completing its segment.
    let child = bench.command("run").spawn().unwrap();
    std::thread::sleep(Duration::from_secs(3));
    signal(&child, "TERM");
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", text(&output));
    assert!(text(&output).contains("frames stored"), "{}", text(&output));
    for path in list(&bench.path("kept/ring")) {
        assert!(path.extension().is_some_and(|e| e == "avi"), "{path:?}");
        frames(&path);
    }
}

#[test]
fn a_folder_that_cannot_be_written_stops_nothing_else() {
    let bench = Bench::new(20, "[record]\nfolder = \"kept\"\n");
    std::fs::write(bench.path("kept"), "a file is in the way").unwrap();
    let child = bench.command("run").spawn().unwrap();
    std::thread::sleep(Duration::from_secs(2));
    signal(&child, "USR1");
    std::thread::sleep(Duration::from_millis(500));
    let begun = Instant::now();
    signal(&child, "TERM");
    let output = child.wait_with_output().unwrap();
    assert!(begun.elapsed() < Duration::from_secs(3), "ends at once");
    let said = text(&output);
    assert!(output.status.success(), "{said}");
    assert!(said.contains("check record.folder"), "{said}");
    assert!(
        said.contains("clear") || said.contains("cannot tell"),
        "{said}"
    );

    // Without the section nothing is recorded, and asking for it is answered.
    let bench = Bench::new(20, "");
    let child = bench.command("run").spawn().unwrap();
    std::thread::sleep(Duration::from_secs(2));
    signal(&child, "USR1");
    std::thread::sleep(Duration::from_millis(500));
    signal(&child, "TERM");
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", text(&output));
    assert!(text(&output).contains("the profile has no [record]"));
    assert_eq!(
        list(bench.dir.path()).len(),
        2,
        "profile and camera, no more"
    );
}

#[test]
fn faults_of_the_section_are_told_with_line_and_key() {
    let bench = Bench::new(1, "");
    let profile = std::fs::read_to_string(bench.path("profile.toml")).unwrap();
    let first = profile.lines().count() + 1;
    for (line, want) in [
        (
            "most_mib = 4",
            "record.most_mib = 4 is outside 16 to 1000000",
        ),
        ("minutes = 0", "record.minutes = 0 is outside 0.2 to 60"),
        (
            "minutes = \"two\"",
            "record.minutes = \"two\" is not a number",
        ),
        ("on_danger = 1", "record.on_danger = 1 is not true or false"),
        ("folder = 3", "record.folder = 3 is not a text"),
        ("foldr = \"x\"", "did you mean folder?"),
    ] {
        let folder = if line.contains("fold") {
            ""
        } else {
            "folder = \"kept\""
        };
        let section = format!("{profile}[record]\n{line}\n{folder}\n");
        std::fs::write(bench.path("profile.toml"), section).unwrap();
        let output = bench.record(&["--seconds", "1"]);
        assert_eq!(output.status.code(), Some(2), "{}", text(&output));
        let said = text(&output);
        assert!(said.contains(want), "{want}: {said}");
        assert!(
            said.contains(&format!("profile.toml:{}", first + 1)),
            "{said}"
        );
    }
}
