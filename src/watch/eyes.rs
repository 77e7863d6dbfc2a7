//! Where the daemon's pictures come from.

use std::path::Path;
use std::time::{Duration, Instant};

use super::live_clip::LiveClip;
use crate::camera::{ClipSource, Source};
use crate::profile::Profile;

/// Longest wait for a frame, so that signals and silence are seen in time.
const PATIENCE: Duration = Duration::from_millis(100);

/// A camera, or a clip that plays like one.
pub(super) enum Eyes {
    #[cfg(feature = "v4l2")]
    Camera(Box<crate::camera::V4lSource>),
    Clip(Box<LiveClip>),
}

impl Eyes {
    /// The profile's camera, or a clip in its place.
    ///
    /// # Errors
    /// The clip cannot be used, or this build has no camera.
    pub fn open(clip: Option<&Path>, profile: &Profile) -> anyhow::Result<Self> {
        if let Some(path) = clip {
            let clip = ClipSource::open(path)?;
            let (size, asked) = (clip.size(), (profile.camera.width, profile.camera.height));
            anyhow::ensure!(
                size == asked,
                "{}: pictures are {}x{}, the profile asks {}x{}; use the profile of its camera",
                path.display(),
                size.0,
                size.1,
                asked.0,
                asked.1
            );
            return Ok(Eyes::Clip(Box::new(LiveClip::new(clip, PATIENCE))));
        }
        #[cfg(feature = "v4l2")]
        return Ok(Eyes::Camera(Box::new(crate::camera::V4lSource::new(
            &profile.camera,
            PATIENCE,
        ))));
        #[cfg(not(feature = "v4l2"))]
        anyhow::bail!("this build has no camera; build with the feature `v4l2`, or give --clip")
    }

    pub fn source(&mut self) -> &mut dyn Source {
        match self {
            #[cfg(feature = "v4l2")]
            Eyes::Camera(camera) => camera.as_mut(),
            Eyes::Clip(clip) => clip.as_mut(),
        }
    }

    /// The moment that `captured` counts from.
    pub fn epoch(&self) -> Instant {
        match self {
            #[cfg(feature = "v4l2")]
            Eyes::Camera(camera) => camera.epoch(),
            Eyes::Clip(clip) => clip.epoch(),
        }
    }

    /// What the source is, or what is wrong with it.
    pub fn status(&self) -> &str {
        match self {
            #[cfg(feature = "v4l2")]
            Eyes::Camera(camera) => camera.status(),
            Eyes::Clip(clip) => clip.name(),
        }
    }
}
