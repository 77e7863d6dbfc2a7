//! Board finding and lens calibration against pictures and results from outside
//! the project.

use std::path::{Path, PathBuf};

use hindward::camera::{Decoder, Picture, PixelFormat, RawFrame};
use hindward::optics::calibrate::board::{find_board, BoardSize, FoundBoard, Grey};
use hindward::optics::calibrate::{fit_lens, FitModel, View};
use hindward::units::Metres;

const BOARD: BoardSize = BoardSize {
    columns: 9,
    rows: 6,
};

/// Where Debian's opencv-doc package puts its sample pictures. `None`, said
/// aloud, if it is not installed.
fn samples(test: &str) -> Option<PathBuf> {
    let folder = Path::new("/usr/share/doc/opencv-doc/examples/data");
    if folder.join("left01.jpg").is_file() {
        return Some(folder.to_owned());
    }
    println!("{test}: NOT RUN: Debian's opencv-doc package is not installed");
    None
}

fn grey(path: &Path) -> Grey {
    let mut raw = RawFrame::empty();
    raw.format = PixelFormat::Jpeg;
    raw.bytes = std::fs::read(path).unwrap();
    let mut picture = Picture::default();
    Decoder::new()
        .unwrap()
        .decode(&raw, 1, &mut picture)
        .unwrap();
    Grey::from_plane(&picture.y)
}

/// The sample pictures of one side; there is no number 10.
fn boards(folder: &Path, side: &str) -> Vec<(String, FoundBoard)> {
    (1..=14)
        .filter(|n| *n != 10)
        .map(|n| {
            let name = format!("{side}{n:02}.jpg");
            let found = find_board(&grey(&folder.join(&name)), BOARD)
                .unwrap_or_else(|e| panic!("{name}: {e}"));
            (name, found)
        })
        .collect()
}

fn calibrate(test: &str, side: &str) -> Option<hindward::optics::calibrate::LensFit> {
    let folder = samples(test)?;
    let boards = boards(&folder, side);
    let whole = boards.iter().filter(|b| b.1.whole).count();
    println!("{side}: {whole} whole boards of {}", boards.len());
    if let Ok(path) = std::env::var("DUMP_CORNERS") {
        let mut text = String::new();
        for (name, b) in &boards {
            text += &format!("{name}\n");
            for c in &b.corners {
                text += &format!("{} {} {:.4} {:.4}\n", c.column, c.row, c.at.u, c.at.v);
            }
        }
        std::fs::write(format!("{path}/corners_{side}.txt"), text).unwrap();
    }
    let views: Vec<View> = boards
        .iter()
        .map(|(name, b)| View::of_board(name.clone(), &b.corners, Metres(0.025)))
        .collect();
    let fit = fit_lens(&views, (640, 480), FitModel::BrownConrady, false).unwrap();
    println!(
        "{side}: RMS {:.4} px, {:?} sd {:?}",
        fit.rms_px, fit.lens, fit.sd
    );
    for v in &fit.views {
        println!("  {} {:.3} {:?}", v.view.name, v.rms_px, v.left_out);
    }
    let fit2 = fit_lens(&views, (640, 480), FitModel::BrownConrady, true).unwrap();
    println!("{side}: robust RMS {:.4} px, {:?}", fit2.rms_px, fit2.lens);
    for v in &fit2.views {
        println!("  {} {:.3} {:?}", v.view.name, v.rms_px, v.left_out);
    }
    Some(fit)
}

#[test]
fn left_pictures() {
    if let Some(fit) = calibrate("left_pictures", "left") {
        assert!(fit.rms_px <= 0.41, "{}", fit.rms_px);
    }
}

#[test]
fn right_pictures() {
    if let Some(fit) = calibrate("right_pictures", "right") {
        assert!(fit.rms_px <= 0.46, "{}", fit.rms_px);
    }
}
