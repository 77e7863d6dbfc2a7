//! The checked profile: typed values that are known to fit together.

use std::time::Duration;

use crate::optics::{Ground, GroundPoint, Lens, Mount};
use crate::units::{Metres, MetresPerSecond};

/// Everything about one vehicle, checked.
#[derive(Debug, Clone)]
pub struct Profile {
    /// What the profile is called in messages.
    pub name: String,
    /// The vehicle.
    pub vehicle: Vehicle,
    /// The picture that the camera is asked for.
    pub camera: CameraSettings,
    /// The lens.
    pub lens: Lens,
    /// Where the lens stands and looks.
    pub mount: Mount,
    /// The ground region that is examined.
    pub watch: WatchArea,
    /// How ground and blobs are told apart.
    pub segment: SegmentSettings,
    /// When a blob becomes an obstacle.
    pub track: TrackSettings,
    /// When the picture cannot be trusted.
    pub health: HealthSettings,
    /// Zones, nearest (gravest) first.
    pub zones: Vec<Zone>,
    /// Pattern announced for `CannotTell`.
    pub fault_pattern: Pattern,
    /// How the picture is shown.
    pub display: DisplaySettings,
    /// The devices aboard.
    pub aboard: super::Aboard,
}

impl Profile {
    /// Lens and mount joined.
    pub fn ground(&self) -> Ground {
        Ground::new(self.lens, self.mount)
    }
}

/// The vehicle's own measures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vehicle {
    /// Overall width at the rear.
    pub width: Metres,
    /// The fastest that the driver reverses.
    pub reverse_speed: MetresPerSecond,
    /// From the warning to the foot on the brake.
    pub reaction: Duration,
    /// Braking, m/s².
    pub deceleration_mps2: f64,
}

/// The picture asked of the camera or expected of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraSettings {
    /// Device path for live use.
    pub device: String,
    /// Picture width in pixels.
    pub width: u32,
    /// Picture height in pixels.
    pub height: u32,
    /// Frames a second.
    pub rate_hz: f64,
    /// PNG beside the profile that marks pixels of the own vehicle (non-zero).
    pub self_mask: Option<std::path::PathBuf>,
}

/// The ground region that is examined: a rectangle behind the vehicle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WatchArea {
    /// Far edge, metres behind the bumper. The near edge is what the camera sees.
    pub far: Metres,
    /// Half its width, about the vehicle's centre line.
    pub half_width: Metres,
}

/// Which segmenter runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SegmentMethod {
    /// Learnt ground appearance, ground motion and structure, fused.
    GroundModel,
    /// Fixed colour ranges, dilation, regions, area threshold.
    ColourRange,
}

/// Segmenter settings.
#[derive(Debug, Clone, PartialEq)]
pub struct SegmentSettings {
    /// The method.
    pub method: SegmentMethod,
    /// Least area of a blob's frontal silhouette, cm².
    pub min_area_cm2: f64,
    /// Least height that counts, metres.
    pub min_height: Metres,
    /// Probability that it stands from which a thing is told.
    pub enter_probability: f64,
    /// Probability from which a thing that was told goes on being told.
    pub stay_probability: f64,
    /// Noise of a contact row, in pixels (one standard deviation).
    pub contact_sd_px: f64,
    /// Ranges of `colour-range`: pixels inside any of them are not ground.
    pub colour_ranges: Vec<ColourRange>,
    /// Dilation radius of `colour-range`, pixels.
    pub dilate_px: u8,
}

/// A box in HSV space (hue 0..360 degrees, may wrap; saturation, value 0..1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourRange {
    /// Least and greatest hue in degrees; least above greatest wraps through 0.
    pub hue_deg: (f64, f64),
    /// Least and greatest saturation.
    pub saturation: (f64, f64),
    /// Least and greatest value.
    pub value: (f64, f64),
}

/// Tracker settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackSettings {
    /// Seen in at least this many ...
    pub confirm_hits: u32,
    /// ... of this many frames makes an obstacle.
    pub confirm_window: u32,
    /// An obstacle out of sight is kept this long.
    pub coast: Duration,
    /// Greatest jump between frames that is still the same obstacle.
    pub gate: Metres,
}

/// When the picture cannot be trusted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HealthSettings {
    /// A state must last this long before it is announced.
    pub settle: Duration,
    /// The picture must be good this long before it is trusted again.
    pub recover: Duration,
    /// No frame for this long is a fault.
    pub stale: Duration,
    /// Mean luma (0..255) under which the picture is too dark.
    pub dark_luma: f64,
    /// Share of burnt-out pixels over which the picture is washed out.
    pub washed_share: f64,
    /// Share of the watch area that dirt may hide.
    pub dirt_share: f64,
}

/// Signal words of ANSI Z535.4, mildest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SignalWord {
    /// Worth knowing.
    Notice,
    /// Could lead to minor injury.
    Caution,
    /// Could lead to serious injury or death.
    Warning,
    /// Will lead to serious injury or death if not avoided.
    Danger,
}

impl SignalWord {
    /// The word in capitals, as it is shown.
    pub fn text(self) -> &'static str {
        match self {
            SignalWord::Notice => "NOTICE",
            SignalWord::Caution => "CAUTION",
            SignalWord::Warning => "WARNING",
            SignalWord::Danger => "DANGER",
        }
    }
}

/// A ground region with a signal word and a sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    /// Unique name.
    pub name: String,
    /// Signal word.
    pub signal: SignalWord,
    /// The region.
    pub shape: ZoneShape,
    /// An obstacle inside must go this far out to leave the zone.
    pub leave_margin: Metres,
    /// The zone stays announced at least this long.
    pub hold: Duration,
    /// Sound pattern.
    pub pattern: Pattern,
}

/// Outline of a zone on the ground.
#[derive(Debug, Clone, PartialEq)]
pub enum ZoneShape {
    /// Across the vehicle's path.
    Strip {
        /// Near edge, metres behind.
        near: Metres,
        /// Far edge, metres behind.
        far: Metres,
        /// Half its width about the centre line.
        half_width: Metres,
    },
    /// Any simple polygon, at least three corners.
    Polygon(Vec<GroundPoint>),
}

/// A repeating sound: on for a while, off for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pattern {
    /// Sounding time of a cycle.
    pub on: Duration,
    /// Silent time of a cycle; zero is a steady tone.
    pub off: Duration,
    /// Pitch for ends that can make one.
    pub tone_hz: f64,
}

/// How the picture is shown.
#[derive(Debug, Clone, PartialEq)]
pub struct DisplaySettings {
    /// Left and right swapped, as in a mirror.
    pub mirrored: bool,
    /// Distances at which rungs are drawn.
    pub rungs: Vec<Metres>,
}
