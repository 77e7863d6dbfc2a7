//! The loop, and the daemon around it.

mod conductor;
mod health;
mod live_clip;
mod notify;
mod pipeline;
#[cfg(feature = "realtime")]
mod realtime;
mod reverse;
pub mod run;
mod sharpness;
mod viewer;

pub use health::{Health, Input};
pub use pipeline::{Outcome, Pipeline, SelfMask};
