//! Calibration: the lens from pictures of a checkerboard, the mount from marks
//! on the ground.

pub mod board;
mod least_squares;
mod lens_fit;
mod planar;

pub use lens_fit::{fit_lens, FitModel, LensFit, LensFitError, View, ViewFit};
pub use planar::TargetPose;
