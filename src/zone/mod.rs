//! Zones, and the verdict: what the program says for a frame.

mod evaluator;
mod reach;

pub use evaluator::{announced_range_m, zone_of, ZoneEvaluator, NEAR_SIDE_SIGMAS};
pub use reach::reach_m;

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
    /// Every reason, in the order of declaration.
    pub const ALL: [Reason; 10] = [
        Reason::NotYet,
        Reason::Late,
        Reason::Broken,
        Reason::Frozen,
        Reason::Covered,
        Reason::Dark,
        Reason::WashedOut,
        Reason::Smeared,
        Reason::Dirty,
        Reason::Shaken,
    ];

    /// What to tell the driver, in plain words, short enough for the banner.
    pub fn plain_words(self) -> &'static str {
        match self {
            Reason::NotYet => "starting, please look",
            Reason::Late => "no fresh picture",
            Reason::Broken => "picture unreadable",
            Reason::Frozen => "picture is frozen",
            Reason::Covered => "lens is covered",
            Reason::Dark => "too dark to see",
            Reason::WashedOut => "too bright to see",
            Reason::Smeared => "lens smeared or wet",
            Reason::Dirty => "dirt on the lens",
            Reason::Shaken => "picture shakes",
        }
    }

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
