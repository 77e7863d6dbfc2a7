//! The profile: one TOML file that describes one vehicle and holds every
//! threshold. [`Profile`] is the checked form and the only one stages see.

mod checked;

pub use checked::*;
