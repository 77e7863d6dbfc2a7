//! The scene file: its vocabulary, as read from TOML.
//!
//! Everything has a default except the profile; unknown keys are refused.
//! `demo/SCENES.md` explains each key to the person who writes scenes.

use std::path::PathBuf;

use serde::{Deserialize, Deserializer};

use super::shape::V3;

/// A whole scene.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Scene {
    /// What the clip shows, in a few words.
    pub title: String,
    /// Other scene files that this one builds on, beside it.
    pub include: Vec<PathBuf>,
    /// Chooses every random detail.
    pub seed: u32,
    /// Pictures a second.
    pub rate_hz: f64,
    /// Length of the clip.
    pub duration_s: f64,
    /// Vehicle profile: lens, mount, vehicle.
    pub profile: Option<PathBuf>,
    /// What differs from that profile.
    pub rig: Rig,
    /// Camera.
    pub camera: Camera,
    /// Ground.
    pub ground: Ground,
    /// Light.
    pub light: Light,
    /// The own vehicle.
    pub vehicle: Vehicle,
    /// Flat marks on the ground.
    pub mark: Vec<Mark>,
    /// Standing things.
    pub thing: Vec<Thing>,
    /// What happens to the camera.
    pub event: Vec<Event>,
}

impl Default for Scene {
    fn default() -> Self {
        Scene {
            title: String::new(),
            include: Vec::new(),
            seed: 1,
            rate_hz: 15.0,
            duration_s: 6.0,
            profile: None,
            rig: Rig::default(),
            camera: Camera::default(),
            ground: Ground::default(),
            light: Light::default(),
            vehicle: Vehicle::default(),
            mark: Vec::new(),
            thing: Vec::new(),
            event: Vec::new(),
        }
    }
}

/// Values that replace those of the profile; the clip gets the result.
#[derive(Debug, Clone, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Rig {
    /// Another lens altogether.
    pub lens: toml::Table,
    /// Single values of the mount.
    pub mount: toml::Table,
    /// Single values of the camera.
    pub camera: toml::Table,
    /// Single values of the vehicle.
    pub vehicle: toml::Table,
}

/// What the camera does to the light.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Camera {
    /// JPEG quality, 1 to 100.
    pub jpeg_quality: i32,
    /// Follows the brightness of the picture.
    pub auto_exposure: bool,
    /// Time constant of the auto-exposure.
    pub lag_s: f32,
    /// Exposure compensation, factor.
    pub exposure: f32,
    /// Sensor noise, factor; 1 is a small cheap sensor.
    pub noise: f32,
    /// Softness of the lens, standard deviation.
    pub blur_px: f32,
    /// Strength of the sharpening, 0 to 1.
    pub sharpen: f32,
    /// Light lost in the corners, share.
    pub vignette: f32,
    /// Left-over colour cast: factors on red, green, blue.
    pub white_balance: [f32; 3],
    /// Smears moving ground by the shutter time.
    pub motion_blur: bool,
    /// Specks of dirt on the lens, number.
    pub specks: u32,
    /// Water drops on the lens, number.
    pub drops: u32,
    /// Share of the lens that is smeared.
    pub smear: f32,
    /// Share of the lens that mud hides.
    pub mud: f32,
}

impl Default for Camera {
    fn default() -> Self {
        Camera {
            jpeg_quality: 85,
            auto_exposure: true,
            lag_s: 0.4,
            exposure: 1.0,
            noise: 1.0,
            blur_px: 0.55,
            sharpen: 0.35,
            vignette: 0.3,
            white_balance: [1.0; 3],
            motion_blur: true,
            specks: 0,
            drops: 0,
            smear: 0.0,
            mud: 0.0,
        }
    }
}

/// Kinds of ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum GroundKind {
    #[default]
    AsphaltOld,
    AsphaltNew,
    Concrete,
    Gravel,
    Paving,
    Grass,
    GarageFloor,
    Snow,
    Earth,
}

/// The ground plane.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Ground {
    /// Kind.
    pub kind: GroundKind,
    /// Film of water, 0 to 1.
    pub wet: f32,
    /// Share of the ground under puddles.
    pub puddles: f32,
    /// Brightness, factor.
    pub tone: f32,
    /// Turn of joints and courses against the vehicle, degrees.
    pub turn_deg: f32,
}

impl Default for Ground {
    fn default() -> Self {
        Ground {
            kind: GroundKind::default(),
            wet: 0.0,
            puddles: 0.0,
            tone: 1.0,
            turn_deg: 3.0,
        }
    }
}

/// Kinds of light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum LightKind {
    Sun,
    #[default]
    Overcast,
    Dusk,
    Night,
    Garage,
}

/// Where the light comes from.
#[derive(Debug, Clone, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Light {
    /// Kind; sets what is not given below.
    pub kind: LightKind,
    /// Where the sun stands: 0 straight behind the vehicle, 90 to its right.
    pub sun_azimuth_deg: f32,
    /// Height of the sun.
    pub sun_elevation_deg: Option<f32>,
    /// Illuminance of the sun at right angles to it, lux.
    pub sun_lux: Option<f32>,
    /// Illuminance of the sky on flat ground, lux.
    pub sky_lux: Option<f32>,
    /// Luminous intensity of each of the two reversing lamps, candela.
    pub reversing_lamps_cd: Option<f32>,
    /// Lamps on masts: behind, side, height (m), candela.
    pub lamp: Vec<[f32; 4]>,
    /// Sunlight through leaves.
    pub dapple: Option<Dapple>,
}

/// Sunlight through moving leaves.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Dapple {
    /// Share of the ground in shade.
    pub share: f32,
    /// Size of the patches.
    pub size_m: f32,
    /// How far they swing to and fro.
    pub sway_m: f32,
    /// How often.
    pub sway_hz: f32,
    /// Steady drift along side, m/s: a tree's shadow moving past.
    pub drift_mps: f32,
}

impl Default for Dapple {
    fn default() -> Self {
        Dapple {
            share: 0.5,
            size_m: 0.5,
            sway_m: 0.08,
            sway_hz: 0.5,
            drift_mps: 0.0,
        }
    }
}

/// The own vehicle.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Vehicle {
    /// Way points of motion: time (s), speed rearward (m/s), yaw rate (rad/s,
    /// positive turns the rear toward the vehicle's right); straight between.
    pub motion: Vec<[f64; 3]>,
    /// Rocking of the body, amplitude.
    pub rock_deg: f64,
    /// Rocking, cycles a second.
    pub rock_hz: f64,
    /// Rear axle ahead of the rearmost bumper point: the point that does not
    /// slip sideways.
    pub axle_m: f64,
    /// Own bumper in view.
    pub bumper: bool,
    /// Height of the bumper's upper edge.
    pub bumper_top_m: f32,
    /// Its colour; nearly black without.
    #[serde(deserialize_with = "colour")]
    pub bumper_colour: Option<V3>,
    /// Height of the body, for its own cast shadow.
    pub height_m: f32,
}

impl Default for Vehicle {
    fn default() -> Self {
        Vehicle {
            motion: Vec::new(),
            rock_deg: 0.1,
            rock_hz: 1.3,
            axle_m: 0.9,
            bumper: true,
            bumper_top_m: 0.5,
            bumper_colour: None,
            height_m: 1.5,
        }
    }
}

/// Kinds of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum MarkKind {
    Line,
    Arrow,
    Hatching,
    Stain,
    TyreMark,
    Leaves,
    Litter,
    Manhole,
    Drain,
    Chalk,
    Patch,
    Puddle,
    Crack,
}

/// A flat mark on the ground, in the world frame (the ground frame at time 0).
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// Kind.
    pub kind: MarkKind,
    /// Place of its centre or start: behind, side.
    pub at: [f32; 2],
    /// End of a line, tyre mark, chalk or crack: behind, side.
    pub to: Option<[f32; 2]>,
    /// Extent along and across (areas), or width (lines: second value).
    pub size: Option<[f32; 2]>,
    /// Turn, degrees.
    #[serde(default)]
    pub turn_deg: f32,
    /// Length of a dash and of the gap after it.
    pub dash: Option<[f32; 2]>,
    /// Colour.
    #[serde(default, deserialize_with = "colour")]
    pub colour: Option<V3>,
    /// How much of it is still there, or how dark it is, 0 to 1.
    pub strength: Option<f32>,
    /// Ground kind of a patch.
    pub ground: Option<GroundKind>,
}

/// Kinds of standing things.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Kind {
    Adult,
    Child,
    CrouchingChild,
    Dog,
    Ball,
    Bollard,
    Post,
    TestCylinder,
    Cone,
    WheelieBin,
    Box,
    Kerb,
    Wall,
    Fence,
    Gate,
    Car,
    Van,
    TowTrailer,
    Headlights,
}

impl Kind {
    /// The word of the `class` column.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Adult => "adult",
            Kind::Child => "child",
            Kind::CrouchingChild => "crouching-child",
            Kind::Dog => "dog",
            Kind::Ball => "ball",
            Kind::Bollard => "bollard",
            Kind::Post => "post",
            Kind::TestCylinder => "test-cylinder",
            Kind::Cone => "cone",
            Kind::WheelieBin => "wheelie-bin",
            Kind::Box => "box",
            Kind::Kerb => "kerb",
            Kind::Wall => "wall",
            Kind::Fence => "fence",
            Kind::Gate => "gate",
            Kind::Car => "car",
            Kind::Van => "van",
            Kind::TowTrailer => "tow-trailer",
            Kind::Headlights => "headlights",
        }
    }
}

/// A standing thing, in the world frame.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Thing {
    /// Kind.
    pub kind: Kind,
    /// Distance behind at time 0 of its centre (kerb and wall: of its face).
    #[serde(default)]
    pub behind_m: f32,
    /// Distance to the right.
    #[serde(default)]
    pub side_m: f32,
    /// Which way it faces: 0 away from the vehicle, 90 toward its right.
    #[serde(default)]
    pub heading_deg: f32,
    /// Way points: time (s), behind, side. It walks straight between them.
    #[serde(default)]
    pub path: Vec<[f32; 3]>,
    /// Colour; each kind has its own.
    #[serde(default, deserialize_with = "colour")]
    pub colour: Option<V3>,
    /// Height, or stature.
    pub height_m: Option<f32>,
    /// Width across its heading.
    pub width_m: Option<f32>,
    /// Depth along its heading.
    pub depth_m: Option<f32>,
    /// A wall without bricks.
    #[serde(default)]
    pub plain: bool,
    /// Luminance of headlights, relative to white paper in full sun.
    #[serde(default = "one")]
    pub glow: f32,
    /// Listed in the truth; false for scenery out of reach.
    #[serde(default = "yes")]
    pub truth: bool,
    /// Out of the picture: casts its shadow only, never in the truth.
    #[serde(default)]
    pub shadow_only: bool,
    /// Chooses clothes and textures; 0 takes a number of its own.
    #[serde(default)]
    pub seed: u32,
}

fn one() -> f32 {
    1.0
}

fn yes() -> bool {
    true
}

/// Kinds of events.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum EventKind {
    Exposure,
    WhiteBalance,
    SunFactor,
    Covered,
    Frozen,
    Black,
    Dark,
    WashedOut,
    Shaken,
    Dropped,
    Truncated,
    Dirty,
    Smeared,
}

/// What covers the lens.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)]
pub enum Cover {
    #[default]
    Hand,
    Cloth,
    Snow,
    Mud,
}

/// Something that happens to the camera during the clip.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Event {
    /// Kind.
    pub kind: EventKind,
    /// When it starts.
    pub start_s: f64,
    /// When it ends; the end of the clip if not given.
    pub end_s: Option<f64>,
    /// How long it takes to come about.
    #[serde(default)]
    pub over_s: f64,
    /// Factor of an exposure or sun step.
    #[serde(default = "one")]
    pub factor: f32,
    /// Factors on red, green, blue of a white-balance step.
    #[serde(default = "ones")]
    pub gains: [f32; 3],
    /// Covers: what with. Dirt, drops: unused.
    #[serde(default)]
    pub by: Cover,
    /// Share of the lens hidden (dirty, smeared) or frames lost (dropped).
    #[serde(default = "most")]
    pub share: f32,
    /// Amplitude of a shake.
    #[serde(default = "three")]
    pub amplitude_deg: f64,
}

fn ones() -> [f32; 3] {
    [1.0; 3]
}

fn most() -> f32 {
    0.7
}

fn three() -> f64 {
    3.0
}

/// `"#rrggbb"` (sRGB) to linear reflectance.
fn colour<'de, D: Deserializer<'de>>(d: D) -> Result<Option<V3>, D::Error> {
    let text = String::deserialize(d)?;
    let digits = text
        .strip_prefix('#')
        .filter(|h| h.len() == 6 && h.is_ascii());
    let value = digits.and_then(|h| u32::from_str_radix(h, 16).ok());
    let Some(v) = value else {
        return Err(serde::de::Error::custom(format!(
            "colour {text:?} is not of the form \"#rrggbb\""
        )));
    };
    let linear = |s: u32| {
        let x = (s & 255) as f32 / 255.0;
        // IEC 61966-2-1.
        if x <= 0.04045 {
            x / 12.92
        } else {
            ((x + 0.055) / 1.055).powf(2.4)
        }
    };
    Ok(Some(V3::new(linear(v >> 16), linear(v >> 8), linear(v))))
}
