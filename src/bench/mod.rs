//! Replay of clips, scoring against truth, reports.

pub mod clip;
pub mod compare;
pub mod label;
pub mod mask;
mod page;
pub mod replay;
pub mod report;
mod run_data;
pub(crate) mod run_folder;
pub mod score;
mod stage_picture;
mod tables;
pub mod tune;

pub use run_data::{Detection, RunData, Shot};
pub use run_folder::RunFolder;
pub use tables::{verdict_word, Summary};
