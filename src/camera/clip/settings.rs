//! `clip.toml`.

use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

/// The keys of `clip.toml`, all optional.
#[derive(Debug, Default, Clone, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Settings {
    pub rate_hz: Option<f64>,
    pub profile: Option<PathBuf>,
    pub frames: Option<PathBuf>,
    pub truth: Option<PathBuf>,
    pub title: Option<String>,
}

impl Settings {
    /// Reads `clip.toml` in `folder`; a folder without one has no settings.
    pub fn read(folder: &Path) -> anyhow::Result<Self> {
        let path = folder.join("clip.toml");
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(e) => {
                return Err(e).with_context(|| format!("{}: cannot be read", path.display()));
            }
        };
        let settings: Settings = toml::from_str(&text).map_err(|e| {
            let at = e.span().map_or(0, |span| span.start);
            let message = e.message().trim().replace('\n', " ");
            anyhow::anyhow!(
                "{}:{}: {message}; correct this line",
                path.display(),
                line(&text, at)
            )
        })?;
        if let Some(rate_hz) = settings.rate_hz {
            if !(rate_hz > 0.0 && rate_hz <= 1000.0) {
                let at = text.find("rate_hz").unwrap_or(0);
                bail!(
                    "{}:{}: rate_hz = {rate_hz} is no frame rate; use a number above 0 and up to 1000",
                    path.display(),
                    line(&text, at)
                );
            }
        }
        Ok(settings)
    }
}

/// The line, counted from 1, that holds byte `at`.
fn line(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|&b| b == b'\n').count() + 1
}
