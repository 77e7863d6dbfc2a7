//! `hindward lens` and `hindward board`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{bail, Context};
use clap::{Args, ValueEnum};
use serde_json::{json, Value};

use super::board::print::{Paper, Sheet};
use super::board::{find_board, BoardSize, Grey};
use super::lens_fit::{fit_lens, LensFit, View};
use super::lens_parameters::FitModel;
use super::lens_sheet::{self, COVERAGE};
use super::pictures::{each_shot, Shot};
use crate::optics::{Lens, LensModel};
use crate::profile::edit::{rounded, write_atomically, Edit, Saved};
use crate::units::Metres;

/// Calibrate the lens from pictures of a flat checkerboard.
///
/// Take 12 to 20 sharp pictures with the camera's own picture size: the board
/// near enough to fill a third of the picture, tilted by 20 to 45 degrees to all
/// sides, and together reaching into every corner of the picture.
#[derive(Args)]
#[command(after_help = "Examples:
  hindward board --out board.pdf
  hindward lens board-pictures/ --board 9x6 --square-mm 25 --into van.toml
  hindward lens board.avi --board 9x6 --square-mm 24.8 --model kannala-brandt --sheet lens.html

Measure a square of your print: printers shrink. Exit codes: 0 done; 2 the pictures
or the command line are at fault.")]
pub struct LensArgs {
    /// Pictures, folders of pictures, or films of the board
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// Inner corners of the board, COLUMNSxROWS
    #[arg(long, value_name = "NxM", default_value = "9x6")]
    board: BoardSize,
    /// Edge of a square as measured on the print, in millimetres
    #[arg(long, value_name = "MM")]
    square_mm: f64,
    /// How rays bend: brown-conrady up to about 110 degrees, kannala-brandt beyond
    #[arg(long, value_enum, default_value = "brown-conrady")]
    model: FitModel,
    /// Profile whose [lens] is set; the profile as it was stays as PROFILE.previous
    #[arg(long, value_name = "PROFILE")]
    into: Option<PathBuf>,
    /// Write a page with residual arrows and the coverage map
    #[arg(long, value_name = "FILE.html")]
    sheet: Option<PathBuf>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Make a checkerboard to print.
#[derive(Args)]
#[command(after_help = "Examples:
  hindward board --out board.pdf
  hindward board --out big.svg --board 11x8 --square-mm 40 --paper a2

Print at 100 %, check that the bar measures 100 mm, glue the sheet onto something flat.")]
pub struct BoardArgs {
    /// File to write: .pdf or .svg
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Inner corners, COLUMNSxROWS
    #[arg(long, value_name = "NxM", default_value = "9x6")]
    board: BoardSize,
    /// Edge of a square in millimetres
    #[arg(long, value_name = "MM", default_value_t = 25.0)]
    square_mm: f64,
    /// Paper, lying
    #[arg(long, value_enum, default_value = "a4")]
    paper: Paper,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Runs `hindward board`.
///
/// # Errors
/// The board does not fit, or the file cannot be written.
pub fn run_board(args: &BoardArgs) -> anyhow::Result<ExitCode> {
    let sheet = Sheet::new(args.board, args.square_mm, args.paper).map_err(anyhow::Error::msg)?;
    let kind = args.out.extension().and_then(|e| e.to_str());
    let bytes = match kind.map(str::to_ascii_lowercase).as_deref() {
        Some("pdf") => sheet.pdf(),
        Some("svg") => sheet.svg().into_bytes(),
        _ => bail!(
            "{}: ends in neither .pdf nor .svg; name it board.pdf",
            args.out.display()
        ),
    };
    write_file(&args.out, &bytes)?;
    if args.json {
        let all = json!({"board": args.out.display().to_string(),
            "inner_corners": args.board.to_string(), "square_mm": args.square_mm, "bar_mm": 100});
        super::say(format_args!("{all:#}"));
        return Ok(ExitCode::SUCCESS);
    }
    super::say(format_args!(
        "{}: {} inner corners, {} mm squares. Print at 100 % and check that the bar measures 100 mm.",
        args.out.display(),
        args.board,
        args.square_mm
    ));
    Ok(ExitCode::SUCCESS)
}

/// Runs `hindward lens`.
///
/// # Errors
/// Unreadable pictures, too few boards, or a profile that cannot be changed.
pub fn run_lens(args: &LensArgs) -> anyhow::Result<ExitCode> {
    if !(args.square_mm > 0.5 && args.square_mm < 2000.0) {
        bail!(
            "--square-mm {} is no square's edge; measure a square of the print in millimetres",
            args.square_mm
        );
    }
    // Before the work: a profile that cannot be opened.
    let edit = args.into.as_deref().map(Edit::open).transpose()?;
    let mut views = Vec::new();
    let mut size = None;
    let square = Metres(args.square_mm / 1000.0);
    let mut unusable = Vec::new();
    each_shot(&args.pictures, |shot| {
        match look(&shot, args.board, square, &mut size) {
            Ok(view) => views.push(view),
            Err(why) if args.json => unusable.push((shot.name, why)),
            Err(why) => super::say(format_args!("{}: left out: {why}", shot.name)),
        }
    })?;
    let Some(size) = size else {
        bail!("none of the pictures could be read; check the paths");
    };
    let fit = fit_lens(&views, size, args.model, true)?;
    if !args.json {
        report(&fit, args.board);
    }
    if let Some(path) = &args.sheet {
        write_file(path, lens_sheet::html(&fit).as_bytes())?;
        if !args.json {
            super::say(format_args!("sheet: {}", path.display()));
        }
    }
    let saved = edit.map(|edit| store(edit, &fit.lens)).transpose()?;
    match saved {
        _ if args.json => {
            let saved = saved.zip(args.into.as_ref());
            let saved = saved.map(|(saved, profile)| saved.json(profile));
            super::say(format_args!("{:#}", as_json(&fit, &unusable, saved)));
        }
        Some(saved) => super::say_saved(&saved, "[lens]"),
        None => {}
    }
    Ok(ExitCode::SUCCESS)
}

/// The result for programs.
fn as_json(fit: &LensFit, unusable: &[(String, String)], saved: Option<Value>) -> Value {
    let mut pictures: Vec<Value> = fit
        .views
        .iter()
        .map(|v| {
            json!({"picture": v.view.name, "corners": v.view.points.len(), "rms_px": v.rms_px,
                "left_out": v.left_out})
        })
        .collect();
    pictures.extend(unusable.iter().map(
        |(name, why)| json!({"picture": name, "corners": 0, "rms_px": null, "left_out": why}),
    ));
    let names = fit.model.parameter_names();
    let named = |values: &[f64]| -> serde_json::Map<String, Value> {
        let pairs = names.iter().zip(values);
        pairs.map(|(n, v)| ((*n).to_string(), json!(v))).collect()
    };
    let (columns, rows) = COVERAGE;
    let counts = fit.coverage(columns, rows);
    let used = fit.views.iter().filter(|v| v.left_out.is_none()).count();
    json!({
        "pictures": pictures,
        "rms_px": fit.rms_px,
        "values": named(&fit.values),
        "standard_deviations": named(&fit.sd),
        "coverage": counts.chunks(columns).collect::<Vec<_>>(),
        "notes": warnings(fit, &counts, used),
        "saved": saved,
    })
}

fn look(
    shot: &Shot,
    board: BoardSize,
    square: Metres,
    size: &mut Option<(u32, u32)>,
) -> Result<View, String> {
    let grey: &Grey = shot.grey.as_ref().map_err(Clone::clone)?;
    let own = (grey.width as u32, grey.height as u32);
    let first = *size.get_or_insert(own);
    if own != first {
        return Err(format!(
            "it is {}x{}, the first picture {}x{}; take all with the same setting",
            own.0, own.1, first.0, first.1
        ));
    }
    let found = find_board(grey, board).map_err(|e| e.to_string())?;
    Ok(View::of_board(shot.name.clone(), &found.corners, square))
}

fn report(fit: &LensFit, board: BoardSize) {
    let all = board.columns * board.rows;
    for v in &fit.views {
        let corners = v.view.points.len();
        match &v.left_out {
            Some(why) => super::say(format_args!("{}: left out: {why}", v.view.name)),
            None => super::say(format_args!(
                "{}: {corners} of {all} corners, RMS {:.3} px",
                v.view.name, v.rms_px
            )),
        }
    }
    let used = fit.views.iter().filter(|v| v.left_out.is_none()).count();
    super::say(format_args!(
        "\n{used} pictures, total RMS {:.3} px",
        fit.rms_px
    ));
    let names = fit.model.parameter_names();
    for ((name, value), sd) in names.iter().zip(&fit.values).zip(&fit.sd) {
        super::say(format_args!(
            "  {name:6} {value:12.5}  standard deviation {sd:.5}"
        ));
    }
    let (columns, rows) = COVERAGE;
    let counts = fit.coverage(columns, rows);
    super::say(format_args!("\ncorners seen in each part of the picture:"));
    for row in counts.chunks(columns) {
        let cells: Vec<String> = row
            .iter()
            .map(|n| {
                if *n == 0 {
                    "   .".into()
                } else {
                    format!("{n:4}")
                }
            })
            .collect();
        super::say(format_args!("  {}", cells.concat()));
    }
    for warning in warnings(fit, &counts, used) {
        super::say(format_args!("note: {warning}"));
    }
}

/// What a careful person would want to be told about the result.
fn warnings(fit: &LensFit, counts: &[usize], used: usize) -> Vec<String> {
    let mut out = Vec::new();
    let (columns, rows) = COVERAGE;
    let mut bare = Vec::new();
    for (j, vertical) in ["top", "middle", "bottom"].iter().enumerate() {
        for (i, horizontal) in ["left", "centre", "right"].iter().enumerate() {
            let cells: Vec<usize> = (0..columns * rows)
                .filter(|n| (n % columns) * 3 / columns == i && (n / columns) * 3 / rows == j)
                .map(|n| counts[n])
                .collect();
            if 2 * cells.iter().filter(|n| **n > 0).count() < cells.len() {
                bare.push(format!("{vertical} {horizontal}"));
            }
        }
    }
    if !bare.is_empty() {
        out.push(format!(
            "boards hardly reached the {} of the picture, there the lens is a guess; add pictures with the board there",
            bare.join(", ")
        ));
    }
    if used < 8 {
        out.push(format!(
            "{used} pictures are few; 12 or more give a steadier lens"
        ));
    }
    if fit.rms_px > 1.0 {
        out.push(format!(
            "RMS {:.2} px is high (0.1 to 0.5 is usual); check that the board is flat and the pictures sharp, or try the other --model",
            fit.rms_px
        ));
    }
    let folded = fit.folded_border();
    if folded > 0.0 {
        out.push(format!(
            "the curve folds before it reaches {:.0} % of the picture's border; that part will show no ground. Add pictures with the board near the border, or use --model kannala-brandt",
            100.0 * folded
        ));
    }
    out
}

/// Writes the lens into the profile.
fn store(mut edit: Edit, lens: &Lens) -> anyhow::Result<Saved> {
    let name = FitModel::value_variants()
        .iter()
        .find(|m| {
            matches!(
                (m, lens.model),
                (FitModel::BrownConrady, LensModel::BrownConrady { .. })
                    | (FitModel::KannalaBrandt, LensModel::KannalaBrandt { .. })
            )
        })
        .and_then(|m| m.to_possible_value())
        .map_or_else(|| "pinhole".to_owned(), |v| v.get_name().to_owned());
    edit.set(&["lens", "model"], name)?;
    let sizes = [
        ("fx_px", lens.fx),
        ("fy_px", lens.fy),
        ("cx_px", lens.cx),
        ("cy_px", lens.cy),
    ];
    for (key, value) in sizes {
        edit.set(&["lens", key], rounded(value, 4))?;
    }
    // The pictures' size: the profile's camera may ask for another one.
    edit.set(&["lens", "width_px"], i64::from(lens.width))?;
    edit.set(&["lens", "height_px"], i64::from(lens.height))?;
    let coefficients: Vec<(&str, f64)> = match lens.model {
        LensModel::Pinhole => vec![],
        LensModel::BrownConrady { k1, k2, p1, p2, k3 } => {
            vec![("k1", k1), ("k2", k2), ("p1", p1), ("p2", p2), ("k3", k3)]
        }
        LensModel::KannalaBrandt { k } => {
            vec![("k1", k[0]), ("k2", k[1]), ("k3", k[2]), ("k4", k[3])]
        }
    };
    for key in ["k1", "k2", "p1", "p2", "k3", "k4"] {
        match coefficients.iter().find(|(name, _)| *name == key) {
            Some((_, value)) => edit.set(&["lens", key], rounded(*value, 8))?,
            None => edit.remove(&["lens", key]),
        };
    }
    Ok(edit.save()?)
}

fn write_file(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    write_atomically(path, bytes).with_context(|| {
        format!(
            "{}: cannot be written; check the folder and its permissions",
            path.display()
        )
    })
}
