//! Calibration: the lens from pictures of a checkerboard, the mount from marks
//! on the ground.

pub mod board;
mod ground_board;
mod least_squares;
mod lens_command;
mod lens_fit;
mod lens_parameters;
mod lens_sheet;
pub mod marks;
mod mount_command;
mod mount_fit;
mod mount_layout;
mod pick;
mod pictures;
mod planar;

pub use ground_board::{board_marks, with_place_noise, BoardPlace};
pub use lens_command::{run_board, run_lens, BoardArgs, LensArgs};
pub use lens_fit::{fit_lens, LensFit, LensFitError, View, ViewFit};
pub use lens_parameters::FitModel;
pub use lens_sheet::html as lens_sheet;
pub use mount_command::{run_mount, MountArgs};
pub use mount_fit::{
    fit_mount, range_sd_m, Mark, MarkFit, MarkNoise, MountFit, MountFitError, PREDICTED_AT_M,
};
pub use planar::TargetPose;

use crate::say::line as say;

/// Says on standard output what became of a profile.
fn say_saved(saved: &crate::profile::edit::Saved, section: &str) {
    match &saved.previous {
        Some(previous) => say(format_args!(
            "{section} written; the profile as it was is kept as {}",
            previous.display()
        )),
        None => say(format_args!(
            "{section} already held these values; nothing written"
        )),
    }
    for fault in &saved.faults_left {
        say(format_args!(
            "still to mend in the profile: line {}: {}{}",
            fault.line, fault.key, fault.says
        ));
    }
}
