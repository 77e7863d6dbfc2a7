//! `hindward mount`.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use clap::Args;
use serde_json::{json, Value};

use super::board::{find_board, BoardSize};
use super::ground_board::{board_marks, with_place_noise, BoardPlace};
use super::marks;
use super::mount_fit::{fit_mount, range_sd_m, Mark, MarkNoise, MountFit, PREDICTED_AT_M};
use super::pick;
use super::pictures::one_shot;
use crate::optics::{Ground, Lens, Mount};
use crate::profile::edit::{rounded, rows, Edit, Saved};
use crate::profile::read_lens;
use crate::units::{Metres, Radians};

/// Find height, tilt and place of the camera from marks on the ground.
///
/// Park on level ground. Put at least 4, better 8, chalk marks on the ground that
/// the picture shows: near and far, left and right. Measure each with a tape:
/// metres behind the bumper, and metres to the side of the vehicle's centre line
/// (the vehicle's right positive, left negative).
#[derive(Args)]
#[command(after_help = "Marks are a CSV file:
  name,u_px,v_px,behind_m,side_m
  A,101.5,402,0.50,-0.80

Examples:
  hindward mount marks.csv --into van.toml
  hindward mount marks.csv --pick still.jpg --into van.toml
  hindward mount --ground-board still.jpg --board 9x6 --square-mm 25 \\
      --board-behind-m 1.2 --board-side-m 0 --into van.toml

With --pick a page opens on this machine only: click the marks, type their places, and
they are saved to the CSV file. A board on the ground covers little of it, so far ranges
stay less certain than with marks.

CAUTION: load and tyres tilt the vehicle; one degree is 0.2 m at 3 m. Calibrate as the
vehicle is mostly driven, and check with the tape afterwards.

Exit codes: 0 done; 2 the marks or the command line are at fault.")]
pub struct MountArgs {
    /// CSV file of marks; with --pick it is written
    marks: Option<PathBuf>,
    /// Profile that holds the lens and whose [mount] is set; the profile as it was stays as PROFILE.previous
    #[arg(long, value_name = "PROFILE")]
    into: PathBuf,
    /// Open a local page to click the marks in this picture, or in the first one of this clip
    #[arg(long, value_name = "PICTURE", requires = "marks")]
    pick: Option<PathBuf>,
    /// Picture (or clip: its first) of a checkerboard that lies on the ground, used instead of marks
    #[arg(long, value_name = "PICTURE", conflicts_with_all = ["marks", "pick"],
          requires_all = ["square_mm", "board_behind_m"])]
    ground_board: Option<PathBuf>,
    /// Inner corners of that board
    #[arg(long, value_name = "NxM", default_value = "9x6")]
    board: BoardSize,
    /// Edge of its squares in millimetres
    #[arg(long, value_name = "MM")]
    square_mm: Option<f64>,
    /// From the bumper to its nearest row of inner corners, in metres
    #[arg(long, value_name = "M")]
    board_behind_m: Option<f64>,
    /// From the vehicle's centre line to its middle, the vehicle's right positive
    #[arg(
        long,
        value_name = "M",
        default_value_t = 0.0,
        allow_hyphen_values = true
    )]
    board_side_m: f64,
    /// How well the board lies parallel to the bumper, degrees
    #[arg(long, value_name = "DEG", default_value_t = 1.0)]
    board_turn_sd_deg: f64,
    /// How well a mark's pixel is known
    #[arg(long, value_name = "PX", default_value_t = 1.0)]
    pixel_sd_px: f64,
    /// How well the tape was read, in centimetres
    #[arg(long, value_name = "CM", default_value_t = 1.0)]
    tape_sd_cm: f64,
    /// Show the result without writing it
    #[arg(long)]
    dry_run: bool,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Runs `hindward mount`.
///
/// # Errors
/// Marks or profile are at fault; says what and where to put the next mark.
pub fn run_mount(args: &MountArgs) -> anyhow::Result<ExitCode> {
    for (name, value) in [
        ("--pixel-sd-px", args.pixel_sd_px),
        ("--tape-sd-cm", args.tape_sd_cm),
        ("--board-turn-sd-deg", args.board_turn_sd_deg),
    ] {
        if !(value > 0.0 && value <= 50.0) {
            bail!("{name} {value} is no standard deviation; give a value over 0 and up to 50");
        }
    }
    let lens = read_lens(&args.into)?;
    let edit = Edit::open(&args.into)?;
    let noise = MarkNoise {
        pixel_px: args.pixel_sd_px,
        tape: Metres(args.tape_sd_cm / 100.0),
    };
    let fit = if let Some(picture) = &args.ground_board {
        from_board(args, picture, &lens)?
    } else {
        let Some(file) = &args.marks else {
            bail!("no marks given; name a CSV file, add --pick PICTURE to click them, or use --ground-board PICTURE");
        };
        if let Some(picture) = &args.pick {
            let solve = |marks: &[Mark]| match fit_mount(&lens, marks, noise) {
                Ok(fit) => (true, report(&fit, &lens)),
                Err(why) => (false, why.to_string()),
            };
            if !pick::serve(picture, file, (lens.width, lens.height), &solve)? {
                if args.json {
                    super::say(format_args!("{}", json!({"saved": null})));
                } else {
                    super::say(format_args!(
                        "given up: no marks saved, the profile is as it was"
                    ));
                }
                return Ok(ExitCode::from(1));
            }
        }
        fit_mount(&lens, &read_marks(file)?, noise)?
    };
    if !args.json {
        super::say(format_args!("{}", report(&fit, &lens)));
    }
    let saved = match args.dry_run {
        true => None,
        false => Some(store(edit, &fit.mount)?),
    };
    match saved {
        _ if args.json => {
            let saved = saved.map(|saved| saved.json(&args.into));
            super::say(format_args!("{:#}", as_json(&fit, &lens, saved)));
        }
        Some(saved) => super::say_saved(&saved, "[mount]"),
        None => {}
    }
    Ok(ExitCode::SUCCESS)
}

/// The result for programs.
fn as_json(fit: &MountFit, lens: &Lens, saved: Option<Value>) -> Value {
    let m = &fit.mount;
    let sd = |i: usize| m.covariance[(i, i)].max(0.0).sqrt();
    let marks: Vec<Value> = fit
        .marks
        .iter()
        .map(|k| {
            json!({"mark": k.mark.name, "behind_error_m": k.behind_error_m,
                "side_error_m": k.side_error_m, "error_px": k.error_px, "outlier": k.outlier})
        })
        .collect();
    let ground = Ground::new(*lens, *m);
    let expected: Vec<Value> = PREDICTED_AT_M
        .iter()
        .map(|&at| json!({"behind_m": at, "sd_m": range_sd_m(&ground, at, 0.0)}))
        .collect();
    json!({
        "marks": marks,
        "one_is_wrong": fit.one_is_wrong,
        "height_m": m.height.0,
        "pitch_deg": m.pitch.degrees(),
        "roll_deg": m.roll.degrees(),
        "yaw_deg": m.yaw.degrees(),
        "set_back_m": m.set_back.0,
        "side_offset_m": m.side_offset.0,
        "height_sd_m": sd(0),
        "pitch_sd_deg": sd(1).to_degrees(),
        "roll_sd_deg": sd(2).to_degrees(),
        "yaw_sd_deg": sd(3).to_degrees(),
        "set_back_sd_m": sd(4),
        "side_offset_sd_m": sd(5),
        "range_error": expected,
        "saved": saved,
    })
}

fn read_marks(file: &Path) -> anyhow::Result<Vec<Mark>> {
    let text = std::fs::read_to_string(file).with_context(|| {
        format!(
            "{}: cannot be read; check the path, or add --pick PICTURE to make it",
            file.display()
        )
    })?;
    marks::parse(&text, &file.display().to_string()).map_err(anyhow::Error::msg)
}

fn from_board(args: &MountArgs, picture: &Path, lens: &Lens) -> anyhow::Result<MountFit> {
    let (Some(square_mm), Some(behind_m)) = (args.square_mm, args.board_behind_m) else {
        bail!("--ground-board needs --square-mm and --board-behind-m");
    };
    if !(square_mm > 0.5
        && square_mm < 2000.0
        && behind_m.is_finite()
        && args.board_side_m.is_finite())
    {
        bail!("--square-mm, --board-behind-m or --board-side-m is no sensible measure; give millimetres and metres");
    }
    let grey = one_shot(picture)?;
    if (grey.width as u32, grey.height as u32) != (lens.width, lens.height) {
        bail!(
            "{}: is {}x{}, but the profile's camera gives {}x{}; take the picture with that camera setting",
            picture.display(), grey.width, grey.height, lens.width, lens.height
        );
    }
    let found =
        find_board(&grey, args.board).map_err(|e| anyhow::anyhow!("{}: {e}", picture.display()))?;
    let place = BoardPlace {
        behind: Metres(behind_m),
        side: Metres(args.board_side_m),
        tape: Metres(args.tape_sd_cm / 100.0),
        turn: Radians::from_degrees(args.board_turn_sd_deg),
    };
    let corners = board_marks(&found, Metres(square_mm / 1000.0), place)
        .map_err(|why| anyhow::anyhow!("{}: {why}", picture.display()))?;
    // The finder's own noise; a board's squares are printed true to 0.3 mm.
    let noise = MarkNoise {
        pixel_px: 0.3,
        tape: Metres(0.0003),
    };
    let mut fit = fit_mount(lens, &corners, noise)?;
    fit.mount = with_place_noise(&fit.mount, &corners, place);
    Ok(fit)
}

/// The result as text.
fn report(fit: &MountFit, lens: &Lens) -> String {
    let mut out = String::new();
    let several = fit.marks.len() > 24;
    if several {
        let mean = fit
            .marks
            .iter()
            .map(|m| m.error_px * m.error_px)
            .sum::<f64>()
            / fit.marks.len() as f64;
        let _ = writeln!(
            out,
            "{} corners, RMS {:.2} px",
            fit.marks.len(),
            mean.sqrt()
        );
    } else {
        let _ = writeln!(out, "mark        behind cm   side cm      px");
        for m in &fit.marks {
            let note = if m.outlier {
                "  OUTLIER, left out: measure it again"
            } else {
                ""
            };
            let _ = writeln!(
                out,
                "{:10} {:+10.1} {:+9.1} {:7.2}{note}",
                m.mark.name,
                100.0 * m.behind_error_m,
                100.0 * m.side_error_m,
                m.error_px
            );
        }
    }
    if fit.one_is_wrong {
        let _ = writeln!(
            out,
            "note: the marks contradict each other by {:.1} times their noise, but which is wrong cannot be told; measure them again or add more",
            fit.misfit
        );
    }
    let m = &fit.mount;
    let sd = |i: usize| m.covariance[(i, i)].max(0.0).sqrt();
    let _ = writeln!(
        out,
        "\nheight      {:7.3} m   standard deviation {:.3} m",
        m.height.0,
        sd(0)
    );
    for (name, angle, i) in [
        ("pitch", m.pitch, 1),
        ("roll", m.roll, 2),
        ("yaw", m.yaw, 3),
    ] {
        let _ = writeln!(
            out,
            "{name:11} {:7.2} deg standard deviation {:.2} deg",
            angle.degrees(),
            sd(i).to_degrees()
        );
    }
    for (name, length, i) in [
        ("set-back", m.set_back, 4),
        ("side offset", m.side_offset, 5),
    ] {
        let _ = writeln!(
            out,
            "{name:11} {:7.3} m   standard deviation {:.3} m",
            length.0,
            sd(i)
        );
    }
    let ground = Ground::new(*lens, *m);
    let _ = writeln!(
        out,
        "\nrange error to expect from this mount (one standard deviation)"
    );
    for at_m in PREDICTED_AT_M {
        let _ = match range_sd_m(&ground, at_m, 0.0) {
            Some(sd) => writeln!(out, "  at {at_m:.0} m  {:5.1} cm", 100.0 * sd),
            None => writeln!(out, "  at {at_m:.0} m  not in the picture"),
        };
    }
    out
}

/// Writes the mount into the profile.
fn store(mut edit: Edit, mount: &Mount) -> anyhow::Result<Saved> {
    let m = mount;
    let sd = |i: usize| m.covariance[(i, i)].max(0.0).sqrt();
    let degrees = |a: Radians| rounded(a.degrees(), 4);
    let values = [
        ("height_m", rounded(m.height.0, 4)),
        ("pitch_deg", degrees(m.pitch)),
        ("roll_deg", degrees(m.roll)),
        ("yaw_deg", degrees(m.yaw)),
        ("set_back_m", rounded(m.set_back.0, 4)),
        ("side_offset_m", rounded(m.side_offset.0, 4)),
        ("height_sd_m", rounded(sd(0).max(0.0001), 6)),
        ("pitch_sd_deg", rounded(sd(1).to_degrees().max(0.001), 5)),
        ("roll_sd_deg", rounded(sd(2).to_degrees().max(0.001), 5)),
        ("yaw_sd_deg", rounded(sd(3).to_degrees().max(0.001), 5)),
        ("set_back_sd_m", rounded(sd(4).max(0.0001), 6)),
        ("side_offset_sd_m", rounded(sd(5).max(0.0001), 6)),
    ];
    for (key, value) in values {
        edit.set(&["mount", key], value)?;
    }
    let matrix: Vec<Vec<f64>> = (0..6)
        .map(|i| (0..6).map(|j| significant(m.covariance[(i, j)])).collect())
        .collect();
    edit.set(&["mount", "covariance_m_rad"], rows(&matrix))?;
    Ok(edit.save()?)
}

/// Seven significant digits.
fn significant(value: f64) -> f64 {
    format!("{value:.6e}").parse().unwrap_or(value)
}
