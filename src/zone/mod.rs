//! Zones, and the verdict: what the program says for a frame.

use crate::profile::SignalWord;
use crate::track::Obstacle;

/// What the program says for a frame. There is no fourth.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Looked, and nothing stands in any zone.
    Clear,
    /// Something stands in a zone.
    Obstacle(Alert),
    /// The picture cannot be trusted; beats everything else.
    CannotTell {
        /// Why.
        reason: Reason,
    },
}

/// The gravest thing to announce.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// Index into the profile's zones.
    pub zone: usize,
    /// Signal word of that zone.
    pub signal: SignalWord,
    /// The obstacle nearest to the bumper inside it.
    pub obstacle: Obstacle,
}

/// Why a picture cannot be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reason {
    /// No picture has been judged yet.
    NotYet,
    /// Frames stopped coming, or come too slowly to warn in time.
    Late,
    /// The picture arrived, but could not be read.
    Broken,
    /// The picture no longer changes at all.
    Frozen,
    /// Something covers the lens.
    Covered,
    /// Too little light.
    Dark,
    /// Too much light.
    WashedOut,
    /// Smeared: rain, grease, condensation.
    Smeared,
    /// Dirt hides part of the watch area.
    Dirty,
    /// The picture shakes or jumps too much to be ranged.
    Shaken,
}

impl Reason {
    /// Short word used in tables and logs.
    pub fn word(self) -> &'static str {
        match self {
            Reason::NotYet => "not-yet",
            Reason::Late => "late",
            Reason::Broken => "broken",
            Reason::Frozen => "frozen",
            Reason::Covered => "covered",
            Reason::Dark => "dark",
            Reason::WashedOut => "washed-out",
            Reason::Smeared => "smeared",
            Reason::Dirty => "dirty",
            Reason::Shaken => "shaken",
        }
    }
}
