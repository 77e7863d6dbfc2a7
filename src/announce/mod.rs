//! Sound patterns, buzzer, banner and picture: the ends that speak.
//!
//! [`PatternPlayer`] turns verdicts into buzzer edges, [`Painter`] draws the
//! banner and the rungs. What carries them out stands behind two traits:
//! [`Buzzer`] and [`Screen`].

mod colour;
mod draw;
mod ends;
mod layer;
mod pattern;
mod text;
mod view;

pub use colour::{contrast, plate, Plate, CANNOT_TELL, OVERLAY, QUIET};
pub use draw::Painter;
pub use ends::{Buzzer, Recorder, Screen, VideoFile};
pub use pattern::{Edge, PatternPlayer, START_LIMIT, TICK};
