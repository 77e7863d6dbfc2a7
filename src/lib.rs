//! `hindward` warns the driver of an older vehicle of what stands behind it.
//!
//! One direction of data:
//!
//! ```text
//! Source ─Frame→ Health ─→ Segmenter ─Blobs→ Ranger ─Contacts→ Tracker ─Obstacles→ ZoneEvaluator ─Verdict→ Announcer
//! ```
//!
//! Every stage is a plain struct with a `step`; none reads a clock, a file or a
//! device. `replay` and `run` are the same loop with other ends.
#![deny(unsafe_code)]
#![deny(missing_docs)]
// A closed pipe must stop nothing: see `say`.
#![deny(clippy::print_stdout, clippy::print_stderr)]

pub mod announce;
pub mod bench;
pub mod camera;
pub mod loopback;
pub mod optics;
pub mod profile;
pub mod say;
pub mod segment;
pub mod stage;
pub mod track;
pub mod units;
pub mod watch;
pub mod zone;
