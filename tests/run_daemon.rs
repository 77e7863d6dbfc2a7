//! The daemon as the service manager and a bench see it: a clip in place of the
//! camera, a file in place of the gear lever, a table in place of the buzzer.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use hindward::camera::{AviWriter, JpegEncoder};
use image::{Rgb, RgbImage};

struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    /// A profile with a reverse file, and a clip of `seconds` at 10 a second:
    /// moving grain, or black pictures that never change.
    fn new(black: bool, seconds: u32) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let config = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let mut text = std::fs::read_to_string(config).unwrap();
        text.push_str("\n[reverse]\ninput = \"file\"\nfile = \"reverse\"\nlinger_ms = 100\n");
        std::fs::write(dir.path().join("profile.toml"), text).unwrap();
        std::fs::write(dir.path().join("reverse"), "0").unwrap();
        let profile = hindward::profile::Profile::load(&dir.path().join("profile.toml")).unwrap();
        let (width, height) = (profile.camera.width, profile.camera.height);
        let mut avi = AviWriter::create(&dir.path().join("clip.avi"), width, height, 10.0).unwrap();
        let mut encoder = JpegEncoder::new(85).unwrap();
        let mut jpeg = Vec::new();
        for n in 0..seconds * 10 {
            let picture = RgbImage::from_fn(width, height, |x, y| {
                let grain = x.wrapping_mul(31) ^ y.wrapping_mul(17) ^ (n * 7);
                let v = if black { 0 } else { 100 + (grain % 23) as u8 };
                Rgb([v, v, v])
            });
            encoder.encode_rgb(&picture, &mut jpeg).unwrap();
            avi.write_jpeg(&jpeg).unwrap();
        }
        avi.finish().unwrap();
        Bench { dir }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hindward"));
        command
            .arg("run")
            .arg(self.path("profile.toml"))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    }

    fn with_clip(&self) -> Command {
        let mut command = self.command();
        command
            .arg("--clip")
            .arg(self.path("clip.avi"))
            .arg("--edges")
            .arg(self.path("edges.csv"));
        command
    }

    /// Edges: time, on, pitch.
    fn edges(&self) -> Vec<(f64, bool, f64)> {
        let text = std::fs::read_to_string(self.path("edges.csv")).unwrap();
        text.lines()
            .skip(1)
            .map(|line| {
                let cells: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
                (cells[0], cells[1] == 1.0, cells[2])
            })
            .collect()
    }
}

fn signal(child: &Child, name: &str) {
    let done = Command::new("kill")
        .args(["-s", name, &child.id().to_string()])
        .status()
        .unwrap();
    assert!(done.success());
}

fn finish(child: Child) -> Output {
    child.wait_with_output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout)
}

#[test]
fn sounds_only_in_reverse_and_ends_silent_at_sigterm() {
    let bench = Bench::new(true, 20);
    let child = bench.with_clip().spawn().unwrap();
    std::thread::sleep(Duration::from_millis(2500));
    std::fs::write(bench.path("reverse"), "1").unwrap();
    std::thread::sleep(Duration::from_millis(2500));
    signal(&child, "TERM");
    let began = Instant::now();
    let output = finish(child);
    assert!(began.elapsed() < Duration::from_secs(5), "ends at once");
    assert!(output.status.success(), "{}", text(&output));
    assert!(
        text(&output).contains("reverse selected"),
        "{}",
        text(&output)
    );
    assert!(
        text(&output).contains("cannot tell: dark"),
        "{}",
        text(&output)
    );
    let edges = bench.edges();
    // The chirp, silence while not in reverse, then the fault of a black
    // picture, cut off by the end.
    assert_eq!(
        edges.iter().filter(|e| e.1 && e.0 < 1.0).count(),
        2,
        "{edges:?}"
    );
    assert!(
        edges.iter().all(|e| !(1.0..2.4).contains(&e.0)),
        "{edges:?}"
    );
    assert!(
        edges.iter().any(|e| e.1 && e.0 > 2.4 && e.2 == 450.0),
        "{edges:?}"
    );
    assert!(!edges.last().unwrap().1, "silent at the end: {edges:?}");
}

#[cfg(feature = "systemd")]
#[test]
fn ready_and_watchdog_follow_verdicts() {
    let bench = Bench::new(false, 30);
    let manager = std::os::unix::net::UnixDatagram::bind(bench.path("notify")).unwrap();
    manager
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    let child = bench
        .with_clip()
        .env("NOTIFY_SOCKET", bench.path("notify"))
        .env("WATCHDOG_USEC", "400000")
        .env_remove("WATCHDOG_PID")
        .spawn()
        .unwrap();
    let mut seen = Vec::new();
    let mut buffer = [0; 512];
    let told = |seen: &[String], what: &str| seen.iter().filter(|w| w.contains(what)).count();
    while told(&seen, "WATCHDOG=1") < 8 {
        let n = manager.recv(&mut buffer).expect("words within 20 s");
        seen.push(String::from_utf8_lossy(&buffer[..n]).into_owned());
    }
    assert_eq!(told(&seen, "READY=1"), 1, "{seen:?}");
    assert!(
        seen[0].contains("READY=1"),
        "ready before all else: {seen:?}"
    );
    assert!(told(&seen, "STATUS=") >= 1, "{seen:?}");
    signal(&child, "INT");
    while told(&seen, "STOPPING=1") == 0 {
        let n = manager.recv(&mut buffer).expect("a last word");
        seen.push(String::from_utf8_lossy(&buffer[..n]).into_owned());
    }
    assert!(finish(child).status.success());
}

#[test]
#[cfg(feature = "v4l2")]
fn an_absent_camera_is_announced_not_fatal() {
    let bench = Bench::new(true, 1);
    let profile = std::fs::read_to_string(bench.path("profile.toml")).unwrap();
    // The example may or may not name its device.
    let lines = profile.lines().filter(|l| !l.starts_with("device"));
    let absent = lines.collect::<Vec<_>>().join("\n").replace(
        "\n[camera]\n",
        "\n[camera]\ndevice = \"/dev/no-such-camera\"\n",
    );
    std::fs::write(bench.path("profile.toml"), absent).unwrap();
    std::fs::write(bench.path("reverse"), "1").unwrap();
    let child = bench
        .command()
        .arg("--edges")
        .arg(bench.path("edges.csv"))
        .spawn()
        .unwrap();
    std::thread::sleep(Duration::from_secs(4));
    signal(&child, "TERM");
    let output = finish(child);
    let said = text(&output);
    assert!(output.status.success(), "{said}");
    assert!(
        said.contains("/dev/no-such-camera: cannot be opened"),
        "{said}"
    );
    assert!(said.contains("cannot tell: late"), "{said}");
    assert!(
        bench.edges().iter().any(|e| e.1 && e.2 == 450.0),
        "the fault is heard"
    );

    let output = bench.command().arg("--self-test").output().unwrap();
    let said = text(&output);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("FAULT camera: /dev/no-such-camera"), "{said}");
    assert!(said.contains("FAULT no buzzer"), "{said}");
}

#[test]
fn faults_of_the_command_line_exit_with_2_and_one_line() {
    let bench = Bench::new(true, 1);
    let fails = |arguments: &[&Path], want: &str| {
        let output = Command::new(env!("CARGO_BIN_EXE_hindward"))
            .args(arguments)
            .output()
            .unwrap();
        let said = text(&output);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(want), "{said}");
    };
    let profile = bench.path("profile.toml");
    let gone = bench.path("gone.toml");
    fails(&["run".as_ref(), &gone], "gone.toml");
    fails(&["quiet".as_ref(), &gone], "gone.toml");
    let clip = bench.path("gone.avi");
    fails(
        &["run".as_ref(), &profile, "--clip".as_ref(), &clip],
        "gone.avi",
    );
    let text = std::fs::read_to_string(&profile).unwrap();
    for (section, want) in [
        (
            "[buzzer]\nkind = \"active\"\nline = \"pin:6\"\n",
            "buzzer.line",
        ),
        ("[buzzer]\nkind = \"loud\"\nline = \"18\"\n", "buzzer.kind"),
        ("[buzzer]\nkind = \"active\"\n", "buzzer.line is missing"),
        ("[screen]\nturn_deg = \"45\"\n", "screen.turn_deg"),
        ("[sound]\nvolume = 7\n", "sound.volume"),
    ] {
        std::fs::write(&profile, format!("{text}\n{section}")).unwrap();
        fails(&["run".as_ref(), &profile], want);
    }
    // A line that is not there: the stop step says so.
    let buzzer = "[buzzer]\nkind = \"active\"\nline = \"pin:12\"\nchip = \"/dev/no-such-chip\"\n";
    std::fs::write(&profile, format!("{text}\n{buzzer}")).unwrap();
    fails(&["quiet".as_ref(), &profile], "/dev/no-such-chip line 18");
}
