//! Sound patterns, buzzer, banner and picture: the ends that speak.
//!
//! [`PatternPlayer`] turns verdicts into buzzer edges, [`Painter`] draws the
//! banner and the rungs. What carries them out stands behind two traits:
//! [`Buzzer`] and [`Screen`].

mod buzzer;
mod colour;
mod draw;
mod ends;
#[cfg(feature = "framebuffer")]
mod framebuffer;
#[cfg(feature = "framebuffer")]
mod kernel;
mod layer;
mod line;
mod notice;
mod pattern;
mod returning;
mod scale;
#[cfg(feature = "sound")]
mod sound;
mod text;
mod view;

pub use buzzer::LineBuzzer;
pub use colour::{contrast, plate, Plate, CANNOT_TELL, OVERLAY, QUIET};
pub use draw::Painter;
pub use ends::{Buzzer, Recorder, Screen, VideoFile};
#[cfg(feature = "framebuffer")]
pub use framebuffer::Framebuffer;
#[cfg(feature = "gpio")]
pub(crate) use line::refuse_busy;
pub use notice::notice;
pub use pattern::{Edge, PatternPlayer, START_LIMIT, TICK};
pub use returning::{Opener, Returning};
#[cfg(feature = "sound")]
pub use sound::Speaker;
