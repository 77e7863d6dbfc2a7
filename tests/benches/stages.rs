//! What each stage costs per frame at the real picture size, on the demo's clip.
//!
//!     cargo bench --bench stages            all
//!     cargo bench --bench stages segmenter  one
//!
//! The clip is rendered once into target/benches.

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use criterion::{criterion_group, criterion_main, Criterion};
use hindward::camera::{ClipSource, Decoder, Grab, Picture, RawFrame, Source};
use hindward::profile::Profile;
use hindward::segment::relief::Filter;
use hindward::segment::{
    Aligner, GroundModel, Layout, Motion, Noise, Panorama, Scene, Sight, Slack, SPEEDS,
};
use hindward::watch::{Input, Pipeline};

/// Seeing works on pictures decoded at half size, as replay and run do.
const SCALE: u8 = 2;

fn clip() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let clip = root.join("target/benches/drive");
    if !clip.join("clip.toml").is_file() {
        std::fs::create_dir_all(root.join("target/benches")).expect("target is writable");
        let done = Command::new(env!("CARGO_BIN_EXE_hindward"))
            .arg("stage")
            .arg(root.join("demo/drive.toml"))
            .arg("--out")
            .arg(&clip)
            .status();
        assert!(done.is_ok_and(|s| s.success()), "the clip is rendered");
    }
    clip
}

struct Film {
    profile: Profile,
    frames: Vec<RawFrame>,
    pictures: Vec<Picture>,
}

impl Film {
    fn load() -> Film {
        let mut source = ClipSource::open(&clip()).expect("the clip opens");
        let profile = source.profile().expect("the clip names its profile");
        let profile = Profile::load(&profile).expect("the profile is sound");
        let mut decoder = Decoder::new().expect("the decoder starts");
        let (mut frames, mut pictures) = (Vec::new(), Vec::new());
        let mut frame = RawFrame::empty();
        while let Ok(Grab::Frame) = source.grab(&mut frame) {
            let mut picture = Picture::default();
            decoder.decode(&frame, SCALE, &mut picture).expect("sound");
            frames.push(frame.clone());
            pictures.push(picture);
        }
        assert!(frames.len() >= 60, "enough to go round");
        Film {
            profile,
            frames,
            pictures,
        }
    }
}

/// Frames one after the other, round and round, with times that go on.
struct Turn {
    at: usize,
    len: usize,
    now: Duration,
}

impl Turn {
    fn new(len: usize) -> Turn {
        Turn {
            at: 0,
            len,
            now: Duration::ZERO,
        }
    }

    fn next(&mut self) -> (usize, Duration) {
        let at = self.at;
        self.at = (self.at + 1) % self.len;
        self.now += Duration::from_micros(66_667);
        (at, self.now)
    }
}

fn stages(c: &mut Criterion) {
    let film = Film::load();
    let n = film.frames.len();
    let mut decoder = Decoder::new().expect("the decoder starts");
    let mut picture = Picture::default();
    for (name, scale) in [("decode, full size", 1), ("decode, half size", SCALE)] {
        let mut turn = Turn::new(n);
        c.bench_function(name, |b| {
            b.iter(|| {
                let (i, _) = turn.next();
                decoder
                    .decode(&film.frames[i], scale, &mut picture)
                    .expect("sound");
                black_box(picture.y.data.len())
            });
        });
    }

    let ground = film.profile.ground();
    let mut layout = Layout::new(&ground, &film.profile.watch, |_| false).expect("in view");
    let mut panorama = Panorama::default();
    let mut turn = Turn::new(n);
    c.bench_function("panorama", |b| {
        b.iter(|| {
            let (i, _) = turn.next();
            layout.sample(&film.pictures[i], &mut panorama);
            black_box(panorama.y.len())
        });
    });

    // The estimate alone: choice of points, search, refinement, as for a drive.
    let mut filter = Filter::default();
    let reliefs: Vec<(Vec<f32>, Vec<f32>)> = film
        .pictures
        .iter()
        .map(|picture| {
            let mut relief = Vec::new();
            layout.sample(picture, &mut panorama);
            filter.relief(&panorama.y, layout.columns, layout.rows, &mut relief);
            (relief, panorama.y.clone())
        })
        .collect();
    let cells = layout.columns * layout.rows;
    let (stuck, sure) = (vec![0.0; cells], vec![1.0; cells]);
    let slack = Slack::BETWEEN_PICTURES;
    let noise = Noise::default();
    let mut aligner = Aligner::default();
    let mut turn = Turn::new(n - 1);
    c.bench_function("own motion", |b| {
        b.iter(|| {
            let (i, _) = turn.next();
            let earlier = &reliefs[i].0;
            let now = Sight {
                relief: &reliefs[i + 1].0,
                luma: &reliefs[i + 1].1,
            };
            let scene = Scene {
                layout: &layout,
                usable: &layout.watched,
                stuck: &stuck,
                ground: &sure,
                noise: &noise,
            };
            aligner.choose(&scene, now, earlier, 1.0);
            let mut likely = [0.0; SPEEDS];
            aligner.weigh(&layout, earlier, 1.0 / 15.0, 0.001, &mut likely);
            aligner.trust_blocks(1.0);
            let start = Motion {
                along: 1.0 / 15.0,
                ..Motion::default()
            };
            black_box(aligner.refine(&layout, earlier, start, &start, &slack))
        });
    });

    let mut model = GroundModel::new(&film.profile, |_| false).expect("in view");
    let mut turn = Turn::new(n);
    c.bench_function("segmenter", |b| {
        b.iter(|| {
            let (i, now) = turn.next();
            black_box(model.step(&film.pictures[i], now))
        });
    });

    let mut pipeline = Pipeline::new(&film.profile).expect("in view");
    let mut turn = Turn::new(n);
    c.bench_function("pipeline, decode included", |b| {
        b.iter(|| {
            let (i, now) = turn.next();
            decoder
                .decode(&film.frames[i], SCALE, &mut picture)
                .expect("sound");
            black_box(pipeline.step(Input::Picture(&picture), now, &mut |_| {}))
        });
    });
}

criterion_group! {
    name = benches;
    config = Criterion::default().measurement_time(Duration::from_secs(4)).warm_up_time(Duration::from_secs(1));
    targets = stages
}
criterion_main!(benches);
