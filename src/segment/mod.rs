//! What in the picture is not ground: appearance, ground motion, structure.
//!
//! ```text
//! Picture ─→ Panorama ─→ relief ─→ own motion ─→ parallax ─→ height ─┬→ footline ─→ groups ─→ Blobs
//!                │           └────→ upright edges ──────────────────┤      │
//!                ├─────→ appearance ────────────────────────────────┤      ↓
//!                └─────→ change (at rest) ──────────────────────────┴→ what is ground
//! ```

mod appearance;
mod blob;
mod change;
mod colour_range;
mod edges;
mod footline;
mod footline_weights;
mod ground_model;
mod groups;
mod motion;
mod own_motion;
mod own_parts;
mod pace;
mod panorama;
mod parallax;
mod range;
pub mod relief;
mod seek;

pub use blob::Blob;
pub use colour_range::ColourSegmenter;
pub use footline::{direction_of, DIRECTIONS, PLANES_TO_TRAIN_ON};
pub use ground_model::{GroundModel, Stages};
pub use groups::Candidate;
pub use motion::{look, Aligner, Estimate, Motion, Noise, Scene, Sight, Slack};
pub use pace::SPEEDS;
pub use panorama::{Layout, Panorama};
pub use range::Ranger;
