//! Renders a scene into a clip folder with its truth.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};
use nalgebra::{Matrix3, Rotation3, Vector3};

use super::effects::Sensor;
use super::faults;
use super::light::{Lamp, Lights};
use super::marks::Laid;
use super::motion::{drive, walk, Pose};
use super::paint::Paint;
use super::render::{self, Rays, World};
use super::scene::{EventKind, Scene};
use super::shape::{Shape, V3};
use super::thing::{build, Part, Placed};
use super::tile::Tile;
use super::truth;
use crate::camera::AviWriter;
use crate::optics::{Ground, GroundPoint};
use crate::profile::Profile;

/// Where the pictures and tables go before they are complete.
struct Folder {
    part: PathBuf,
    done: PathBuf,
}

impl Folder {
    fn create(done: &Path) -> anyhow::Result<Folder> {
        if done.exists() {
            let empty = std::fs::read_dir(done).is_ok_and(|mut d| d.next().is_none());
            let ours = done.join("clip.toml").is_file() && done.join("truth.csv").is_file();
            if !empty && !ours {
                bail!(
                    "{}: exists and is not a staged clip; name a folder that does not exist yet",
                    done.display()
                );
            }
        }
        let name = done.file_name().map(|n| n.to_string_lossy().into_owned());
        let Some(name) = name else {
            bail!(
                "{}: cannot be the name of a clip; name a folder",
                done.display()
            );
        };
        let part = done.with_file_name(format!(".{name}.part"));
        if part.exists() {
            std::fs::remove_dir_all(&part)
                .with_context(|| format!("{}: cannot clear", part.display()))?;
        }
        std::fs::create_dir_all(&part).with_context(|| {
            format!(
                "{}: cannot make the folder; choose another --out",
                part.display()
            )
        })?;
        Ok(Folder {
            part,
            done: done.to_owned(),
        })
    }

    fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> anyhow::Result<()> {
        let path = self.part.join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)
                .with_context(|| format!("{}: cannot make", parent.display()))?;
        }
        std::fs::write(&path, bytes).with_context(|| format!("{}: cannot write", path.display()))
    }

    fn finish(self) -> anyhow::Result<()> {
        if self.done.exists() {
            std::fs::remove_dir_all(&self.done)
                .with_context(|| format!("{}: cannot replace", self.done.display()))?;
        }
        std::fs::rename(&self.part, &self.done)
            .with_context(|| format!("{}: cannot put in place", self.done.display()))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // After `finish` there is nothing left; after an error, nothing half
        // written stays.
        let _ = std::fs::remove_dir_all(&self.part);
    }
}

/// Renders `scene` to the folder `out`; calls `tick` after each frame
/// with the frames done and in all. With `footline` the clip gets footline.csv as well. Gives the
/// number of frames.
///
/// # Errors
/// If the profile is at fault or the disk refuses; nothing half written stays.
pub fn render(
    scene: &Scene,
    out: &Path,
    footline: bool,
    tick: impl Fn(usize, usize),
) -> anyhow::Result<usize> {
    let rig = rig(scene)?;
    let folder = Folder::create(out)?;
    let frames = ((scene.duration_s * scene.rate_hz).round() as usize).max(1);
    let ground = &rig.ground;
    let rays = Rays::new(ground.lens());
    let (w, h) = (rays.width(), rays.height());
    let lights = Lights::new(&scene.light, scene.seed);
    let (turn, eye) = camera_pose(ground, &Pose::default(), [0.0; 3]);
    let tile = Tile::new(
        scene.ground.kind,
        scene.seed,
        rays.finest_patch(&turn, &eye),
    );
    let marks: Vec<Laid> = scene
        .mark
        .iter()
        .enumerate()
        .map(|(i, m)| {
            Laid::new(
                m,
                scene.seed.wrapping_mul(31).wrapping_add(i as u32 * 7 + 1),
            )
        })
        .collect();
    let poses = drive(&scene.vehicle, scene.rate_hz, frames);
    let flow = Flow::new(ground, w, h);
    let mut sensor = Sensor::new(&scene.camera, w, h, scene.seed);
    // Lost frames are gaps in the numbers of single pictures: a film has none.
    let loses = scene.event.iter().any(|e| e.kind == EventKind::Dropped);
    let mut film = if loses {
        None
    } else {
        let path = folder.part.join("frames.avi");
        Some(AviWriter::create(&path, w as u32, h as u32, scene.rate_hz)?)
    };
    let mut jpeg = turbojpeg::Compressor::new().context("the JPEG library does not start")?;
    jpeg.set_quality(scene.camera.jpeg_quality)?;
    jpeg.set_subsamp(turbojpeg::Subsamp::Sub2x1)?;

    let mut truth_csv =
        String::from("frame,time_s,id,class,behind_m,side_m,half_width_m,height_m,visible\n");
    let mut footline_csv = String::from("frame,direction,distance_m,top_rad\n");
    let mut ego_csv = String::from("frame,time_s,speed_mps,yaw_rate_rps,pitch_rad\n");
    let (mut linear, mut ids, mut bytes) = (Vec::new(), Vec::new(), Vec::new());
    let mut last_jpeg: Vec<u8> = Vec::new();
    let mut own_vehicle: Vec<u8> = Vec::new();
    for (frame, pose) in poses.iter().enumerate() {
        let time_s = frame as f64 / scene.rate_hz;
        let now = faults::now(&scene.event, time_s, frame as u32, scene.seed);
        let (turn, eye) = camera_pose(ground, pose, now.shake);
        let world = World {
            ground: &scene.ground,
            tile: &tile,
            marks: &marks,
            things: place(scene, &rig, pose, time_s as f32),
            lights: &lights,
            reversing: reversing_lamps(&lights, pose),
            sun_factor: now.sun,
            eye,
            turn,
            time_s: time_s as f32,
            seed: scene.seed,
        };
        let half_path = f64::from(rig.width_m) / 2.0;
        for thing in &world.things {
            let Some(row) = truth::row(thing, pose, &world, ground.lens(), &turn, half_path) else {
                continue;
            };
            let spec = &scene.thing[row.index];
            if spec.truth && !spec.shadow_only {
                let _ = writeln!(
                    truth_csv,
                    "{frame},{time_s:.4},{},{},{:.4},{:.4},{:.4},{:.3},{:.3}",
                    row.index + 1,
                    spec.kind.word(),
                    row.behind_m,
                    row.side_m,
                    row.half_width_m,
                    row.height_m,
                    row.visible
                );
            }
        }
        if footline {
            let camera = ground.camera_position();
            for foot in truth::footline(&world.things, pose, &camera) {
                let _ = writeln!(
                    footline_csv,
                    "{frame},{},{:.3},{:.3}",
                    foot.direction, foot.distance_m, foot.top_rad
                );
            }
        }
        let _ = writeln!(
            ego_csv,
            "{frame},{time_s:.4},{:.5},{:.6},{:.6}",
            pose.speed_mps, pose.yaw_rate_rps, pose.pitch_rad
        );
        if !now.frozen || last_jpeg.is_empty() {
            world.render(&rays, &mut linear, &mut ids);
            if own_vehicle.is_empty() {
                own_vehicle = own_pixels(&world, &ids);
            }
            let moved =
                |x: usize, y: usize| flow.at(x, y, pose.speed_mps as f32, pose.yaw_rate_rps as f32);
            sensor.take(
                &linear,
                &moved,
                &now,
                1.0 / scene.rate_hz as f32,
                frame as u32,
                &mut bytes,
            );
            let image = turbojpeg::Image {
                pixels: bytes.as_slice(),
                width: w,
                pitch: w * 3,
                height: h,
                format: turbojpeg::PixelFormat::RGB,
            };
            last_jpeg = jpeg.compress_to_vec(image)?;
        }
        if !now.dropped {
            let cut = if now.truncated {
                last_jpeg.len() / 2
            } else {
                last_jpeg.len()
            };
            match &mut film {
                Some(film) => film.write_jpeg(&last_jpeg[..cut])?,
                None => folder.write(&format!("frames/{frame:06}.jpg"), &last_jpeg[..cut])?,
            }
        }
        tick(frame + 1, frames);
    }
    if let Some(film) = film {
        film.finish()?;
    }
    folder.write("truth.csv", truth_csv)?;
    folder.write("ego.csv", ego_csv)?;
    if footline {
        folder.write("footline.csv", footline_csv)?;
    }
    let mask = image::GrayImage::from_raw(w as u32, h as u32, own_vehicle);
    if let Some(mask) = mask.filter(|m| m.iter().any(|&v| v > 0)) {
        mask.save(folder.part.join("own-vehicle.png"))?;
    }
    let health = health_csv(scene);
    if health.lines().count() > 1 {
        folder.write("health.csv", health)?;
    }
    folder.write("profile.toml", &rig.text)?;
    folder.write(
        "clip.toml",
        format!(
            "title = {:?}\nrate_hz = {:?}\nprofile = \"profile.toml\"\ntruth = \"truth.csv\"\n",
            scene.title, scene.rate_hz
        ),
    )?;
    folder.finish()?;
    Ok(frames)
}

fn health_csv(scene: &Scene) -> String {
    let mut text = String::from("start_s,end_s,reason\n");
    for event in &scene.event {
        if let Some(reason) = faults::reason(event.kind) {
            let end = event
                .end_s
                .unwrap_or(scene.duration_s)
                .min(scene.duration_s);
            // Counted from when the fault has fully come about.
            let grows = matches!(
                event.kind,
                EventKind::Covered | EventKind::Dirty | EventKind::Smeared
            );
            let start = event.start_s + if grows { event.over_s } else { 0.0 };
            if start < end {
                let _ = writeln!(text, "{start:.3},{end:.3},{}", reason.word());
            }
        }
    }
    text
}

/// The own vehicle white, all else black, from what each pixel shows.
fn own_pixels(world: &World, ids: &[u32]) -> Vec<u8> {
    let own = |id: u32| {
        render::thing_of(id)
            .and_then(|i| world.things.get(i))
            .is_some_and(|thing| thing.index.is_none())
    };
    ids.iter()
        .map(|&id| if own(id) { 255 } else { 0 })
        .collect()
}

/// Camera to world, and the lens centre in the world.
fn camera_pose(ground: &Ground, pose: &Pose, shake: [f64; 3]) -> (Matrix3<f32>, V3) {
    // The body rocks about a point over the rear axle's tyres.
    let rock = Rotation3::from_axis_angle(&Vector3::y_axis(), pose.pitch_rad);
    let pivot = Vector3::new(-0.9, 0.0, 0.3);
    let heading = Rotation3::from_axis_angle(&Vector3::z_axis(), pose.heading_rad);
    let jolt = Rotation3::from_euler_angles(shake[2], shake[0], shake[1]);
    let to_vehicle = rock.matrix() * jolt.matrix() * ground.mount().rotation();
    let at = rock * (ground.camera_position() - pivot) + pivot;
    let eye = heading * at + Vector3::new(pose.behind_m, pose.side_m, 0.0);
    ((heading.matrix() * to_vehicle).cast(), eye.cast())
}

fn reversing_lamps(lights: &Lights, pose: &Pose) -> Vec<Lamp> {
    if lights.reversing.x <= 0.0 {
        return Vec::new();
    }
    let (s, c) = (pose.heading_rad.sin() as f32, pose.heading_rad.cos() as f32);
    [-0.62f32, 0.62]
        .iter()
        .map(|&y| Lamp {
            at: V3::new(
                pose.behind_m as f32 + c * 0.03 - s * y,
                pose.side_m as f32 + s * 0.03 + c * y,
                0.78,
            ),
            aim: Some(V3::new(c, s, -0.12).normalize()),
            power: lights.reversing,
        })
        .collect()
}

/// All things and the own vehicle where they are now.
fn place(scene: &Scene, rig: &Rig, pose: &Pose, t: f32) -> Vec<Placed> {
    let mut placed = Vec::with_capacity(scene.thing.len() + 2);
    for (i, thing) in scene.thing.iter().enumerate() {
        let stand = walk(thing, t);
        let mut spec = thing.clone();
        if spec.seed == 0 {
            spec.seed = scene.seed.wrapping_mul(97).wrapping_add(i as u32 * 13 + 5);
        }
        let mut p = Placed::new(
            Some(i),
            build(&spec, stand.gait),
            V3::new(stand.behind_m, stand.side_m, 0.0),
            stand.heading_rad,
            spec.seed,
        );
        p.seen = !thing.shadow_only;
        if thing.shadow_only {
            p.foot = None;
        }
        placed.push(p);
    }
    let half_w = rig.width_m / 2.0;
    let at = V3::new(pose.behind_m as f32, pose.side_m as f32, 0.0);
    let colour = scene.vehicle.bumper_colour;
    let paint = Paint::shiny(colour.unwrap_or(V3::new(0.03, 0.03, 0.033)));
    let slab = |x0: f32, x1: f32, z0: f32, z1: f32, half: f32| Part {
        shape: Shape::Box {
            c: V3::new((x0 + x1) / 2.0, 0.0, (z0 + z1) / 2.0),
            half: V3::new((x1 - x0) / 2.0, half, (z1 - z0) / 2.0),
        },
        paint,
        counts: false,
    };
    let v = &scene.vehicle;
    let heading = pose.heading_rad as f32;
    let mut body = Placed::new(
        None,
        vec![slab(-4.4, -0.12, 0.28, v.height_m, half_w)],
        at,
        heading,
        1,
    );
    body.seen = false;
    placed.push(body);
    if v.bumper {
        // Its upper edge stays out of the lens.
        let top = v
            .bumper_top_m
            .min(rig.ground.mount().height.0 as f32 - 0.12);
        let mut bumper = Placed::new(
            None,
            vec![slab(-0.9, 0.0, 0.3, top, half_w)],
            at,
            heading,
            2,
        );
        bumper.foot = None;
        placed.push(bumper);
    }
    placed
}

/// How the standing picture flows while the vehicle moves, in blocks.
struct Flow {
    step: usize,
    across: usize,
    /// Pixels per metre driven and per radian turned.
    cells: Vec<[f32; 4]>,
}

impl Flow {
    fn new(ground: &Ground, w: usize, h: usize) -> Flow {
        let step = 16;
        let (across, down) = (w.div_ceil(step), h.div_ceil(step));
        let cells = (0..across * down)
            .map(|i| {
                let p = crate::optics::PixelPoint {
                    u: ((i % across) * step + step / 2) as f64,
                    v: ((i / across) * step + step / 2) as f64,
                };
                let near = ground
                    .to_ground(p)
                    .filter(|g: &GroundPoint| g.behind_m < 30.0);
                let point = match near {
                    Some(g) => Some(Vector3::new(g.behind_m, g.side_m, 0.0)),
                    None => ground.ray(p).map(|r| ground.camera_position() + r * 30.0),
                };
                let shift = |to: Vector3<f64>, per: f64| {
                    ground.point_to_pixel(&to).map_or([0.0, 0.0], |q| {
                        [((q.u - p.u) / per) as f32, ((q.v - p.v) / per) as f32]
                    })
                };
                let Some(g) = point else { return [0.0; 4] };
                let e = 1e-3;
                let f = shift(g - Vector3::new(e, 0.0, 0.0), e);
                let y = shift(g - Vector3::new(-g.y * e, g.x * e, 0.0), e);
                [f[0], f[1], y[0], y[1]]
            })
            .collect();
        Flow {
            step,
            across,
            cells,
        }
    }

    fn at(&self, x: usize, y: usize, speed: f32, yaw: f32) -> (f32, f32) {
        let c = self.cells[(y / self.step) * self.across + x / self.step];
        (c[0] * speed + c[2] * yaw, c[1] * speed + c[3] * yaw)
    }
}

/// What rendering needs of a profile.
struct Rig {
    ground: Ground,
    width_m: f32,
    text: String,
}

fn rig(scene: &Scene) -> anyhow::Result<Rig> {
    let Some(path) = &scene.profile else {
        bail!("the scene names no profile; add profile = \"…\", a path beside the scene file");
    };
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{}: the profile cannot be read", path.display()))?;
    let text = with_changes(&text, scene)
        .with_context(|| format!("{}: the scene's rig does not fit it", path.display()))?;
    let profile = Profile::parse(&text, path)?;
    Ok(Rig {
        ground: profile.ground(),
        width_m: profile.vehicle.width.0 as f32,
        text,
    })
}

/// The profile's text with the values of the scene's `rig`.
fn with_changes(text: &str, scene: &Scene) -> anyhow::Result<String> {
    use toml_edit::{DocumentMut, Item, Table};
    let rig = &scene.rig;
    let mut doc: DocumentMut = text.parse()?;
    for (name, values) in [
        ("lens", &rig.lens),
        ("mount", &rig.mount),
        ("camera", &rig.camera),
        ("vehicle", &rig.vehicle),
    ] {
        if values.is_empty() {
            continue;
        }
        let table = doc.entry(name).or_insert(Item::Table(Table::new()));
        let Some(table) = table.as_table_mut() else {
            bail!("{name} is not a table")
        };
        if name == "lens" {
            // Coefficients of another model would be left over.
            table.clear();
        }
        for (key, value) in values {
            table.insert(
                key,
                match value {
                    toml::Value::Float(v) => toml_edit::value(*v),
                    toml::Value::Integer(v) => toml_edit::value(*v),
                    toml::Value::String(v) => toml_edit::value(v.as_str()),
                    toml::Value::Boolean(v) => toml_edit::value(*v),
                    _ => bail!("rig.{name}.{key} is not a plain value"),
                },
            );
        }
    }
    Ok(doc.to_string())
}
