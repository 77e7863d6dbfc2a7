//! Devices aboard: what sounds, what shows, what is recorded, and how reverse gear
//! is known.

use std::path::PathBuf;
use std::time::Duration;

/// The devices aboard. All are optional but the reverse input, which is
/// "always" where nothing else is said.
#[derive(Debug, Clone, PartialEq)]
pub struct Aboard {
    /// The buzzer.
    pub buzzer: Option<BuzzerSettings>,
    /// The loudspeaker.
    pub sound: Option<SoundSettings>,
    /// The screen.
    pub screen: Option<ScreenSettings>,
    /// The recording, if one is wanted.
    pub record: Option<RecordSettings>,
    /// How reverse gear is known.
    pub reverse: ReverseSettings,
}

/// Which interface moves a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineDriver {
    /// The registers of a Raspberry Pi where there are some, else the
    /// character device.
    Auto,
    /// The registers of a Raspberry Pi.
    Pi,
    /// The kernel's GPIO character device.
    Chip,
}

/// One GPIO line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineSettings {
    /// The interface.
    pub driver: LineDriver,
    /// The chip, for the character device.
    pub chip: PathBuf,
    /// BCM number on a Raspberry Pi, offset on the chip elsewhere.
    pub line: u32,
    /// The line is low when the thing is on.
    pub active_low: bool,
}

/// What kind of buzzer hangs on the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BuzzerKind {
    /// Sounds by itself when it gets power; has one pitch.
    Active,
    /// Needs a square wave; the pitch is the pattern's.
    Passive,
}

/// The buzzer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BuzzerSettings {
    /// Its line.
    pub line: LineSettings,
    /// Active or passive.
    pub kind: BuzzerKind,
}

/// The loudspeaker.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundSettings {
    /// ALSA device name, or `default`.
    pub device: String,
    /// 0 to 1.
    pub volume: f64,
}

/// How far the picture is turned on the screen, clockwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Not at all.
    Upright,
    /// By 90°.
    Right,
    /// By 180°.
    Over,
    /// By 270°.
    Left,
}

/// The screen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScreenSettings {
    /// The framebuffer device.
    pub device: PathBuf,
    /// Rotation.
    pub turn: Turn,
}

/// What is kept of what the camera saw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordSettings {
    /// Where it is kept.
    pub folder: PathBuf,
    /// The most that all of it may take, bytes.
    pub most_bytes: u64,
    /// How far back it goes, in time spent reversing.
    pub last: Duration,
    /// Whether entering DANGER keeps a clip, and not only the driver's wish.
    pub on_danger: bool,
}

/// A resistor inside the board that holds an open input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pull {
    /// As the board has it.
    None,
    /// To supply.
    Up,
    /// To ground.
    Down,
}

/// Where the state of the gear lever comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReverseInput {
    /// The board has power only in reverse.
    Always,
    /// A line of the reverse lamp's isolated tap.
    Line {
        /// The line.
        line: LineSettings,
        /// Resistor.
        pull: Pull,
    },
    /// A file that holds `1` or `0`, for the bench.
    File(PathBuf),
}

/// How reverse gear is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReverseSettings {
    /// The source.
    pub input: ReverseInput,
    /// A change must last so long before it counts.
    pub debounce: Duration,
    /// Announcing goes on so long after reverse is left, for shunting.
    pub linger: Duration,
}
