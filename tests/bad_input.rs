//! Bad input, from a user's side: one line that says what is wrong and what to do,
//! exit code 2, and nothing half written.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const HATCH: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");

struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    /// A folder with a sound profile, a sound clip of four pictures and a run.
    fn new() -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let bench = Bench { dir };
        fs::copy(HATCH, bench.at("car.toml")).unwrap();
        // The profile beside it: another user may not be let into this repository.
        let scene = "rate_hz = 10\nduration_s = 0.4\nprofile = \"car.toml\"\n[light]\nkind = \"overcast\"\n\
             [[thing]]\nkind = \"post\"\nbehind_m = 3\n";
        fs::write(bench.at("scene.toml"), scene).unwrap();
        for args in ["stage scene.toml --out clip", "replay clip --out run"] {
            let done = bench.run(args);
            assert!(done.status.success(), "{args}: {done:?}");
        }
        bench
    }

    fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn run(&self, args: &str) -> Output {
        Command::new(env!("CARGO_BIN_EXE_hindward"))
            .args(args.split_whitespace())
            .current_dir(self.dir.path())
            .output()
            .unwrap()
    }

    /// Everything in the folder, with sizes and times: what is there and unchanged.
    fn inventory(&self) -> Vec<(PathBuf, u64, i64)> {
        fn walk(folder: &Path, out: &mut Vec<(PathBuf, u64, i64)>) {
            for entry in fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                let meta = fs::symlink_metadata(&path).unwrap();
                let size = if meta.is_dir() { 0 } else { meta.size() };
                // A folder's own time changes when something passes through it.
                let time = if meta.is_dir() { 0 } else { meta.mtime_nsec() };
                out.push((path.clone(), size, time));
                if meta.is_dir() {
                    walk(&path, out);
                }
            }
        }
        let mut all = Vec::new();
        walk(self.dir.path(), &mut all);
        all.sort();
        all
    }

    /// Runs and demands: exit code 2, so many lines on standard error, each of
    /// `words` in them, nothing on standard output, nothing changed.
    fn refuses(&self, args: &str, lines: usize, words: &[&str]) {
        let before = self.inventory();
        let done = self.run(args);
        self.check_refusal(args, &done, lines, words);
        assert_eq!(
            self.inventory(),
            before,
            "{args}: something was left behind"
        );
    }

    fn check_refusal(&self, args: &str, done: &Output, lines: usize, words: &[&str]) {
        let said = String::from_utf8_lossy(&done.stderr);
        assert_eq!(done.status.code(), Some(2), "{args}: {said}");
        assert_eq!(said.lines().count(), lines, "{args}: {said}");
        assert!(done.stdout.is_empty(), "{args}: {done:?}");
        for word in words {
            assert!(said.contains(word), "{args}: no {word:?} in: {said}");
        }
        // What to do next stands after a semicolon, or as the choices there are.
        let advice = said.contains(';') || said.contains("expected");
        assert!(advice, "{args}: no advice in: {said}");
    }
}

#[test]
fn clips_that_cannot_be_used() {
    let b = Bench::new();
    fs::write(b.at("empty.avi"), "").unwrap();
    fs::write(b.at("empty.y4m"), "").unwrap();
    fs::write(b.at("empty.jpg"), "").unwrap();
    fs::write(b.at("noise.avi"), [7u8; 3000]).unwrap();
    fs::create_dir(b.at("bare")).unwrap();
    fs::create_dir(b.at("hollow")).unwrap();
    fs::write(b.at("hollow/clip.toml"), "rate_hz = 10\n").unwrap();
    fs::write(b.at("hollow/frames.avi"), "").unwrap();
    fs::create_dir(b.at("odd")).unwrap();
    fs::write(b.at("odd/clip.toml"), "rate_hz = -3\n").unwrap();
    for clip in [
        "nowhere",
        "empty.avi",
        "empty.y4m",
        "empty.jpg",
        "noise.avi",
        "bare",
        "hollow",
        "odd",
    ] {
        for command in [
            "replay CLIP --profile car.toml --out out",
            "clip CLIP --out out",
            "mask CLIP --into car.toml",
            "label CLIP --profile car.toml",
            "tune CLIP a b --profile car.toml --out out",
            "run car.toml --clip CLIP",
        ] {
            b.refuses(&command.replace("CLIP", clip), 1, &[clip]);
        }
    }
}

#[test]
fn a_clip_of_another_size_than_the_profile_says() {
    let b = Bench::new();
    let other = fs::read_to_string(HATCH).unwrap();
    let other = other.replace("width_px = 640", "width_px = 320");
    let other = other.replace("height_px = 480", "height_px = 240");
    let other = other.replace("cx_px = 319.5", "cx_px = 159.5");
    let other = other.replace("cy_px = 239.5", "cy_px = 119.5");
    fs::write(b.at("other.toml"), other).unwrap();
    for command in [
        "replay clip --profile other.toml --out out",
        "clip clip --profile other.toml --out out",
        "mask clip --into other.toml",
        "label clip --profile other.toml",
        "tune clip a b --profile other.toml --out out",
        "run other.toml --clip clip",
    ] {
        b.refuses(command, 1, &["640x480", "320x240"]);
    }
}

#[test]
fn absurd_values_in_a_profile() {
    let b = Bench::new();
    let good = fs::read_to_string(HATCH).unwrap();
    let cases: [(&str, &str, &[&str]); 8] = [
        ("height_m = 1.05", "height_m = 0", &["height_m"]),
        ("height_m = 1.05", "height_m = nan", &["height_m"]),
        ("pitch_deg = 38.0", "pitch_deg = 90", &["pitch_deg"]),
        ("fx_px = 300.0", "fx_px = inf", &["fx_px"]),
        ("near_m = 0.6", "near_m = 1.5", &["near_m"]),
        ("name = \"near\"", "name = \"stop\"", &["stop"]),
        ("rate_hz = 30", "rate_hz = \"fast\"", &["rate_hz"]),
        ("[vehicle]", "[vehicle", &["bad.toml:"]),
    ];
    for (from, to, words) in cases {
        assert!(good.contains(from), "{from}");
        fs::write(b.at("bad.toml"), good.replacen(from, to, 1)).unwrap();
        let line = 1 + good.split(from).next().unwrap().matches('\n').count();
        for command in [
            "check bad.toml",
            "replay clip --profile bad.toml --out out",
            "mask clip --into bad.toml",
            "run bad.toml --self-test",
            "quiet bad.toml",
        ] {
            let before = b.inventory();
            let done = b.run(command);
            let said = String::from_utf8_lossy(&done.stderr);
            assert_eq!(done.status.code(), Some(2), "{to}: {command}: {said}");
            assert!(said.contains("bad.toml:"), "{to}: {said}");
            // The first line points at the place; a zone moved leaves others wrong too.
            let near = format!("bad.toml:{line}:");
            let place = said.contains(&near) || from.contains("near_m") || to == "[vehicle";
            assert!(place, "{to}: no {near} in: {said}");
            for word in words {
                assert!(said.contains(word), "{to}: {said}");
            }
            assert_eq!(b.inventory(), before, "{to}: {command}");
        }
    }
    // No profile at all, a folder, an empty file, a picture.
    fs::write(b.at("empty.toml"), "").unwrap();
    fs::write(b.at("picture.toml"), [0x89u8, 0x50, 0x4e, 0x47, 0xff, 0xfe]).unwrap();
    for profile in ["none.toml", "clip", "picture.toml"] {
        b.refuses(&format!("check {profile}"), 1, &[profile]);
        b.refuses(
            &format!("replay clip --profile {profile} --out out"),
            1,
            &[profile],
        );
    }
    let done = b.run("check empty.toml");
    assert_eq!(done.status.code(), Some(2));
    let said = String::from_utf8_lossy(&done.stderr);
    for section in ["[vehicle]", "[camera]", "[lens]", "[mount]", "[watch]"] {
        assert!(said.contains(section), "all at once: {said}");
    }
}

#[test]
fn results_that_cannot_be_written() {
    let b = Bench::new();
    // Root may write everywhere: the same as nobody then, with a program it may read.
    let open = |path: &Path, mode: u32| {
        fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    };
    let program = b.at("hindward");
    fs::copy(env!("CARGO_BIN_EXE_hindward"), &program).unwrap();
    open(b.dir.path(), 0o755);
    open(&program, 0o755);
    fs::create_dir(b.at("locked")).unwrap();
    fs::copy(b.at("car.toml"), b.at("locked/car.toml")).unwrap();
    open(&b.at("locked"), 0o555);
    let root = fs::metadata("/proc/self").unwrap().uid() == 0;
    let run = |args: &str| {
        let mut command = if root {
            let mut c = Command::new("setpriv");
            c.args(["--reuid=65534", "--regid=65534", "--clear-groups"]);
            c.arg(&program);
            c
        } else {
            Command::new(&program)
        };
        command
            .args(args.split_whitespace())
            .current_dir(b.dir.path())
            .output()
            .expect("setpriv (util-linux) is there")
    };
    let before = b.inventory();
    for (args, word) in [
        ("replay clip --out locked/run", "locked"),
        ("clip clip --out locked/part", "locked"),
        ("stage scene.toml --out locked/clip", "locked"),
        ("report run --out locked/page.html", "locked"),
        ("board --out locked/board.pdf", "locked"),
        ("check car.toml --plan locked/plan.svg", "locked"),
        (
            "zones --width-m 1.8 --speed-kmh 5 --reaction-s 1.5 --decel 3.4 --into locked/car.toml",
            "locked",
        ),
        ("replay clip --out /proc/run", "/proc"),
        // A file where a folder is wanted, and another's folder.
        ("replay clip --out car.toml", "car.toml"),
        ("replay clip --out clip", "clip"),
    ] {
        let done = run(args);
        b.check_refusal(args, &done, 1, &[word]);
        assert_eq!(b.inventory(), before, "{args}: something was left behind");
    }
    open(&b.at("locked"), 0o755);
}

#[test]
fn runs_scenes_and_tables_that_do_not_fit() {
    let b = Bench::new();
    fs::create_dir(b.at("none")).unwrap();
    for command in [
        "score none",
        "report none",
        "compare none run",
        "compare run none",
    ] {
        b.refuses(command, 1, &["none"]);
    }
    fs::create_dir(b.at("torn")).unwrap();
    fs::copy(b.at("run/summary.json"), b.at("torn/summary.json")).unwrap();
    fs::write(b.at("torn/detections.csv"), "frame,time_s\n0,zero\n").unwrap();
    for command in ["score torn", "report torn", "compare run torn"] {
        b.refuses(command, 1, &["torn"]);
    }
    let scene = fs::read_to_string(b.at("scene.toml")).unwrap();
    for (text, word) in [
        (scene.replace("post", "unicorn"), "unicorn"),
        (scene.replace("behind_m = 3", "behind_m = nan"), "behind_m"),
        (scene.replace("rate_hz = 10", "rate_hz = 0"), "rate_hz"),
        (String::new(), "profile"),
    ] {
        fs::write(b.at("bad-scene.toml"), text).unwrap();
        b.refuses("stage bad-scene.toml --out out", 1, &[word]);
    }
}
