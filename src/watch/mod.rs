//! The loop, and the daemon around it.

mod conductor;
mod devices;
mod eyes;
mod health;
mod lasting;
mod live_clip;
mod notify;
mod pace;
mod pipeline;
#[cfg(feature = "realtime")]
mod realtime;
pub mod record;
mod reverse;
pub mod run;
mod sharpness;
mod viewer;

pub use health::{Health, Input};
pub use pipeline::{looks_every_s, Outcome, Pipeline, SelfMask};
