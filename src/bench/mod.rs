//! Replay of clips, scoring against truth, reports.

pub mod replay;
mod run_folder;
pub mod score;
mod stage_picture;
mod tables;

pub use run_folder::RunFolder;
pub use tables::{verdict_word, Summary};
