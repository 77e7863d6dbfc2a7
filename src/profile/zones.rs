//! `hindward zones`: works zone edges out from the vehicle's stopping room.
//!
//! Behind whatever sticks out farthest (bumper, tow bar, carrier, load), with a
//! clearance that is to be left when the vehicle stands:
//! * DANGER reaches as far as braking alone: whoever is there must brake now;
//! * WARNING as far as reaction and braking;
//! * CAUTION and NOTICE one and two seconds of travel farther, to slow down in.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use anyhow::{bail, Context};
use clap::Args;
use toml_edit::{value, Table};

use super::edit::{rounded, Edit, Saved};
use super::{Profile, SignalWord, Stopping};
use crate::units::MetresPerSecond;

/// No zone is shorter: it could not be told from its neighbour.
const LEAST_DEPTH_M: f64 = 0.3;
/// DANGER is never shorter, however slowly one reverses.
const LEAST_DANGER_M: f64 = 0.5;
/// The watch area reaches this much beyond the zones, so that something is
/// followed before it enters one.
const WATCH_BEYOND_M: f64 = 0.5;
const WATCH_BESIDE_M: f64 = 0.5;

/// Work zone edges out from the room that the vehicle needs to stop
///
/// Prints the zones, and with --into writes them into a profile; its comments
/// and all else stay, and the old file is kept as `NAME.previous`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  hindward zones --width-m 1.78 --speed-kmh 5 --reaction-s 1.5 --decel 3.4
  hindward zones --width-m 1.78 --speed-kmh 5 --reaction-s 1.5 --decel 3.4 \\
      --tow-bar-m 0.12 --into car.toml

Reaction and braking: 2.5 s and 3.4 m/s2 are AASHTO's cautious design values.
Exit codes: 0 done; 2 a value, the profile or a file is at fault, nothing is then written.")]
pub struct ZonesArgs {
    /// Overall width of the vehicle at the rear
    #[arg(long)]
    width_m: f64,
    /// The fastest that you reverse
    #[arg(long)]
    speed_kmh: f64,
    /// From the warning to the foot on the brake
    #[arg(long)]
    reaction_s: f64,
    /// Braking, m/s2
    #[arg(long)]
    decel: f64,
    /// Room to be left when standing
    #[arg(long, default_value_t = 0.3)]
    clearance_m: f64,
    /// How much wider than the vehicle the zones are, on each side
    #[arg(long, default_value_t = 0.25)]
    beside_m: f64,
    /// How far a tow bar stands out behind the bumper
    #[arg(long, default_value_t = 0.0)]
    tow_bar_m: f64,
    /// How far a loaded bike rack stands out behind the bumper
    #[arg(long, default_value_t = 0.0)]
    bike_rack_m: f64,
    /// Width of the loaded bike rack
    #[arg(long, default_value_t = 0.0)]
    bike_rack_width_m: f64,
    /// How far the load on a roof rack stands out behind the bumper
    #[arg(long, default_value_t = 0.0)]
    roof_rack_m: f64,
    /// Width of the load on the roof rack
    #[arg(long, default_value_t = 0.0)]
    roof_rack_width_m: f64,
    /// The profile to write into
    #[arg(long, value_name = "PROFILE")]
    into: Option<PathBuf>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// One strip across the vehicle's path.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Edge {
    signal: SignalWord,
    near_m: f64,
    far_m: f64,
}

/// Runs the command.
///
/// # Errors
/// A value makes no sense, or the profile cannot be read, would be refused with
/// the new zones, or cannot be written.
pub fn run(args: &ZonesArgs) -> anyhow::Result<ExitCode> {
    check_values(args)?;
    let edges = edges(args);
    let half = half_width_m(args);
    let stopping = stopping(args);
    let speed = MetresPerSecond::from_kmh(args.speed_kmh);
    // Before anything is said: what cannot be written is refused with nothing done.
    let saved = match &args.into {
        Some(path) => Some((path, write(args, path, &edges, half)?)),
        None => None,
    };
    if args.json {
        let saved = saved.map(|(path, saved)| saved.json(path));
        let zones: Vec<_> = edges
            .iter()
            .map(|e| {
                serde_json::json!({"signal": e.signal.text(), "near_m": rounded(e.near_m, 3),
                    "far_m": rounded(e.far_m, 3), "half_width_m": rounded(half, 3)})
            })
            .collect();
        let all = serde_json::json!({
            "reaction_room_m": rounded(stopping.reaction_room(speed).0, 3),
            "braking_room_m": rounded(stopping.braking_room(speed).0, 3),
            "stands_out_m": stands_out_m(args),
            "clearance_m": args.clearance_m,
            "zones": zones,
            "saved": saved,
        });
        crate::say::say!("{}", serde_json::to_string_pretty(&all)?);
        return Ok(ExitCode::SUCCESS);
    }
    crate::say::say!(
        "From {} km/h: {:.2} m to react, {:.2} m to brake, {:.2} m in all.",
        args.speed_kmh,
        stopping.reaction_room(speed).0,
        stopping.braking_room(speed).0,
        stopping.room(speed).0
    );
    crate::say::say!(
        "{:.2} m stand out behind the bumper, {} m are to be left when standing.",
        stands_out_m(args),
        args.clearance_m
    );
    for e in &edges {
        crate::say::say!(
            "{:8} {:5.2} m to {:5.2} m behind, {half:.2} m to either side",
            e.signal.text(),
            e.near_m,
            e.far_m
        );
    }
    if args.bike_rack_m > 0.0 || args.roof_rack_m > 0.0 {
        crate::say::say!(
            "A rack may hide the camera's view and is not there every day: keep a profile with and \
             one without it, each with its own self-mask. What stands high (a garage door, a \
             branch) is not measured by its foot on the ground: leave it more room."
        );
    }
    if let Some((path, saved)) = saved {
        match &saved.previous {
            Some(previous) => crate::say::say!(
                "Written into {}; the old one is {}.",
                path.display(),
                previous.display()
            ),
            None => crate::say::say!("{} had these zones already.", path.display()),
        }
        for fault in &saved.faults_left {
            crate::say::say!(
                "Still to do: {}:{}: {}{}",
                path.display(),
                fault.line,
                fault.key,
                fault.says
            );
        }
        if saved.faults_left.is_empty() {
            report_certainty(&Profile::load(path)?)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Writes the zones, and what they follow from, into the profile.
fn write(args: &ZonesArgs, path: &Path, edges: &[Edge], half: f64) -> anyhow::Result<Saved> {
    let far = edges.last().map_or(0.0, |e| e.far_m);
    let mut edit = Edit::open(path)?;
    let round = |v: f64| rounded(v, 3);
    edit.set(&["vehicle", "width_m"], round(args.width_m))?
        .set(&["vehicle", "reverse_speed_kmh"], round(args.speed_kmh))?
        .set(&["vehicle", "reaction_s"], round(args.reaction_s))?
        .set(&["vehicle", "deceleration_mps2"], round(args.decel))?;
    widen_watch(&mut edit, far, half)?;
    put_strips(&mut edit, edges, half)?;
    Ok(edit.save()?)
}

/// What `check` suggests about the new zones, at once.
fn report_certainty(profile: &Profile) -> anyhow::Result<()> {
    let report = super::check::Report::new(profile)
        .context("the zones are written, but cannot be looked at")?;
    for line in report.suggestions {
        crate::say::say!("Note: {line}");
    }
    Ok(())
}

fn check_values(args: &ZonesArgs) -> anyhow::Result<()> {
    for (option, value, range) in [
        ("--width-m", args.width_m, 0.5..=3.5),
        ("--speed-kmh", args.speed_kmh, 0.5..=30.0),
        ("--reaction-s", args.reaction_s, 0.2..=5.0),
        ("--decel", args.decel, 0.5..=10.0),
        ("--clearance-m", args.clearance_m, 0.0..=2.0),
        ("--beside-m", args.beside_m, 0.0..=2.0),
        ("--tow-bar-m", args.tow_bar_m, 0.0..=1.0),
        ("--bike-rack-m", args.bike_rack_m, 0.0..=2.0),
        ("--bike-rack-width-m", args.bike_rack_width_m, 0.0..=3.5),
        ("--roof-rack-m", args.roof_rack_m, 0.0..=2.0),
        ("--roof-rack-width-m", args.roof_rack_width_m, 0.0..=3.5),
    ] {
        // NaN lies in no range.
        if !range.contains(&value) {
            bail!(
                "{option} = {value} is outside {} to {}; measure again",
                range.start(),
                range.end()
            );
        }
    }
    Ok(())
}

fn stopping(args: &ZonesArgs) -> Stopping {
    Stopping {
        reaction: Duration::from_secs_f64(args.reaction_s),
        deceleration_mps2: args.decel,
    }
}

fn stands_out_m(args: &ZonesArgs) -> f64 {
    args.tow_bar_m.max(args.bike_rack_m).max(args.roof_rack_m)
}

fn half_width_m(args: &ZonesArgs) -> f64 {
    let widest = args
        .width_m
        .max(args.bike_rack_width_m)
        .max(args.roof_rack_width_m);
    round_up(0.5 * widest + args.beside_m)
}

/// To the next 5 cm, never down.
fn round_up(metres: f64) -> f64 {
    (metres * 20.0 - 1e-6).ceil() / 20.0
}

/// The strips, nearest first.
fn edges(args: &ZonesArgs) -> Vec<Edge> {
    let stopping = stopping(args);
    let speed = MetresPerSecond::from_kmh(args.speed_kmh);
    let start = stands_out_m(args) + args.clearance_m;
    let braking = start + stopping.braking_room(speed).0;
    let stop = start + stopping.room(speed).0;
    let wanted = [
        (
            SignalWord::Danger,
            braking.max(stands_out_m(args) + LEAST_DANGER_M),
        ),
        (SignalWord::Warning, stop),
        (SignalWord::Caution, stop + speed.0),
        (SignalWord::Notice, stop + 2.0 * speed.0),
    ];
    let mut near_m = 0.0;
    wanted
        .into_iter()
        .map(|(signal, far)| {
            let far_m = round_up(far.max(near_m + LEAST_DEPTH_M));
            let edge = Edge {
                signal,
                near_m,
                far_m,
            };
            near_m = far_m;
            edge
        })
        .collect()
}

/// Makes the watch area hold the zones; never makes it smaller.
fn widen_watch(edit: &mut Edit, far_m: f64, half_m: f64) -> anyhow::Result<()> {
    for (key, least) in [
        ("far_m", far_m + WATCH_BEYOND_M),
        ("half_width_m", half_m + WATCH_BESIDE_M),
    ] {
        let now = edit.number(&["watch", key]);
        if now.is_none_or(|now| now < least) {
            edit.set(&["watch", key], rounded(least, 3))?;
        }
    }
    Ok(())
}

/// Puts the strips in place. A strip of the same word keeps its name, its sound
/// and its comments; polygons stay; other strips go.
fn put_strips(edit: &mut Edit, edges: &[Edge], half_m: f64) -> anyhow::Result<()> {
    let zones = edit.list_mut("zone")?;
    let is_strip = |zone: &Table| !zone.contains_key("corners_m");
    let mut left: Vec<Edge> = edges.to_vec();
    let mut surplus = Vec::new();
    for (i, zone) in zones.iter_mut().enumerate() {
        if !is_strip(zone) {
            continue;
        }
        let word = zone.get("signal").and_then(|s| s.as_str()).unwrap_or("");
        match left.iter().position(|e| e.signal.text() == word) {
            Some(at) => fill(zone, &left.remove(at), half_m),
            None => surplus.push(i),
        }
    }
    for i in surplus.into_iter().rev() {
        zones.remove(i);
    }
    for edge in left {
        let taken: Vec<String> = zones
            .iter()
            .filter_map(|z| Some(z.get("name")?.as_str()?.to_lowercase()))
            .collect();
        let word = edge.signal.text().to_lowercase();
        let name = (0..)
            .map(|i| {
                if i == 0 {
                    word.clone()
                } else {
                    format!("{word} {}", i + 1)
                }
            })
            .find(|name| !taken.contains(name))
            .unwrap_or(word);
        let mut zone = Table::new();
        zone["name"] = value(name);
        zone["signal"] = value(edge.signal.text());
        fill(&mut zone, &edge, half_m);
        zones.push(zone);
    }
    Ok(())
}

fn fill(zone: &mut Table, edge: &Edge, half_m: f64) {
    for (key, metres) in [
        ("near_m", edge.near_m),
        ("far_m", edge.far_m),
        ("half_width_m", half_m),
    ] {
        let mut new = toml_edit::Value::from(rounded(metres, 3));
        if let Some(old) = zone.get(key).and_then(|i| i.as_value()) {
            *new.decor_mut() = old.decor().clone();
        }
        zone[key] = toml_edit::Item::Value(new);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(clap::Parser)]
    struct Cli {
        #[command(flatten)]
        args: ZonesArgs,
    }

    fn args(line: &str) -> ZonesArgs {
        use clap::Parser;
        Cli::parse_from(std::iter::once("zones").chain(line.split(' '))).args
    }

    const PLAIN: &str = "--width-m 1.78 --speed-kmh 8 --reaction-s 1.5 --decel 3.4";

    /// Stopping from 8 km/h with 1.5 s and 3.4 m/s²: 4.06 m, 0.726 m of it
    /// braking (v·t + v²/2a, the constants as AASHTO's).
    #[test]
    fn edges_follow_the_stopping_room() {
        let edges = edges(&args(PLAIN));
        let far: Vec<f64> = edges.iter().map(|e| e.far_m).collect();
        // 0.3 + 0.726, 0.3 + 4.06, then 2.222 m a second; up to the next 5 cm.
        assert_eq!(far, [1.05, 4.4, 6.6, 8.85]);
        assert!(edges.windows(2).all(|w| w[0].far_m == w[1].near_m));
        assert_eq!(edges[0].near_m, 0.0);
        assert!((half_width_m(&args(PLAIN)) - 1.15).abs() < 1e-12);
    }

    /// The same reckoning at a speed of UK Highway Code rule 126: overall 12 m
    /// at 20 mph with 0.671 s and 6.66 m/s² (thinking and braking 6 m each).
    #[test]
    fn the_warning_edge_is_the_highway_codes_overall_distance() {
        let mut fast =
            args("--width-m 1.78 --speed-kmh 8 --reaction-s 0.671 --decel 6.66 --clearance-m 0");
        fast.speed_kmh = 20.0 * 1.609_344;
        let edges = edges(&fast);
        assert!((edges[0].far_m - 6.0).abs() <= 0.05 + 1e-9, "{edges:?}");
        assert!((edges[1].far_m - 12.0).abs() <= 0.05 + 1e-9, "{edges:?}");
    }

    #[test]
    fn what_stands_out_moves_every_edge() {
        let plain = edges(&args(PLAIN));
        let racks = args(&format!(
            "{PLAIN} --tow-bar-m 0.1 --bike-rack-m 0.6 --roof-rack-m 0.2 --bike-rack-width-m 1.9"
        ));
        for (a, b) in plain.iter().zip(edges(&racks)) {
            assert!((b.far_m - a.far_m - 0.6).abs() < 0.051);
        }
        assert!((half_width_m(&racks) - 1.2).abs() < 1e-12);
    }

    #[test]
    fn values_that_make_no_sense_are_refused() {
        for bad in [
            "--speed-kmh NaN",
            "--speed-kmh 0",
            "--decel 0",
            "--width-m inf",
        ] {
            let (option, value) = bad.split_once(' ').unwrap();
            let line: Vec<String> = PLAIN
                .split(' ')
                .scan(false, |next, word| {
                    let out = if *next { value } else { word };
                    *next = word == option;
                    Some(out.to_owned())
                })
                .collect();
            let error = check_values(&args(&line.join(" "))).unwrap_err();
            assert!(error.to_string().starts_with(option), "{error}");
        }
    }
}
