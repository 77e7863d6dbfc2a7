//! What stands beside the frames of a clip.

use std::path::Path;

use anyhow::Context;

/// The files beside a clip's frames, by name: `clip.toml`, and the profile with
/// its self-mask. `frames` names the frames where they are not in a usual place.
///
/// # Errors
/// The profile or the mask cannot be read.
pub fn clip_companions(
    title: Option<&str>,
    rate_hz: f64,
    frames: Option<&str>,
    profile: Option<(&Path, Option<&Path>)>,
) -> anyhow::Result<Vec<(String, Vec<u8>)>> {
    let read = |path: &Path| {
        std::fs::read(path).with_context(|| format!("{}: cannot be copied", path.display()))
    };
    let mut files = Vec::new();
    let mut settings = toml_edit::DocumentMut::new();
    if let Some(title) = title {
        settings["title"] = toml_edit::value(title);
    }
    settings["rate_hz"] = toml_edit::value(rate_hz);
    if let Some(frames) = frames {
        settings["frames"] = toml_edit::value(frames);
    }
    if let Some((path, mask)) = profile {
        files.push(("profile.toml".to_owned(), read(path)?));
        if let (Some(mask), Some(beside)) = (mask, path.parent()) {
            // Only a mask beside the profile keeps its name in the copy.
            if let (Ok(name), true) = (mask.strip_prefix(beside), mask.is_file()) {
                files.push((name.to_string_lossy().into_owned(), read(mask)?));
            }
        }
        settings["profile"] = toml_edit::value("profile.toml");
    }
    files.push(("clip.toml".to_owned(), settings.to_string().into_bytes()));
    Ok(files)
}
