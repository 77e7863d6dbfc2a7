//! The loop, and the daemon around it.

mod health;
mod pipeline;

pub use health::{Health, Input};
pub use pipeline::{Outcome, Pipeline, SelfMask};
