//! Opens what sounds and what shows. What does not work is a finding, left out and
//! tried again.

use std::path::Path;
use std::sync::mpsc::Sender;

use super::conductor::SoundEnd;
use super::viewer::{OpenScreen, ScreenOpener};
use crate::announce::{Buzzer, LineBuzzer, Recorder, Returning};
use crate::profile::{Profile, ScreenSettings};

/// What was found of each device, and whether it works.
pub(super) type Findings = Vec<(String, bool)>;

/// What became of the first try to open the loudspeaker.
pub(super) type News = Result<(), String>;

/// Opens the profile's buzzer and loudspeaker, and the table that `--edges` asks for.
/// With `news` the loudspeaker is opened meanwhile, since the sound library takes longer
/// over it than all else together, and what comes of it is sent there.
///
/// # Errors
/// The table cannot be written, or the system gives no thread.
pub(super) fn open_sounds(
    edges: Option<&Path>,
    profile: &Profile,
    findings: &mut Findings,
    news: Option<Sender<News>>,
) -> anyhow::Result<Vec<SoundEnd>> {
    let mut sounds = Vec::new();
    if let Some(settings) = profile.aboard.buzzer.clone() {
        let open = move || LineBuzzer::open(&settings);
        let line = |buzzer: &LineBuzzer| buzzer.name().to_owned();
        sounds.push(keep("buzzer", open, line, findings)?);
    }
    let pending = news.is_some();
    #[cfg(feature = "sound")]
    if let Some(settings) = profile.aboard.sound.clone() {
        let device = settings.device.clone();
        let open = move || crate::announce::Speaker::open(&settings);
        sounds.push(match news {
            None => keep("sound", open, |_| device.clone(), findings)?,
            news => SoundEnd {
                name: "sound".into(),
                device: Box::new(Returning::new(
                    "sound",
                    None,
                    Box::new(move || Ok(Box::new(open()?))),
                    news,
                )?),
                faulty: true,
            },
        });
    }
    if sounds.is_empty() {
        let none = "no buzzer and no loudspeaker: nothing will be heard; \
                    add [buzzer] or [sound] to the profile";
        findings.push((none.into(), false));
    } else if !pending && sounds.iter().all(|sound| sound.faulty) {
        let none = "no buzzer and no loudspeaker works: nothing will be heard";
        findings.push((none.into(), false));
    }
    if let Some(path) = edges {
        sounds.push(SoundEnd {
            name: "edges".into(),
            device: Box::new(Recorder::create(path)?),
            faulty: false,
        });
    }
    Ok(sounds)
}

/// Opens a device for the first time and keeps it open from then on.
fn keep<B: Buzzer + Send + 'static>(
    name: &str,
    mut open: impl FnMut() -> anyhow::Result<B> + Send + 'static,
    which: impl Fn(&B) -> String,
    findings: &mut Findings,
) -> anyhow::Result<SoundEnd> {
    let mut device: Option<Box<dyn Buzzer + Send>> = None;
    match open() {
        Ok(opened) => {
            findings.push((format!("{name}: {}", which(&opened)), true));
            device = Some(Box::new(opened));
        }
        Err(e) => findings.push((format!("{name}: {e:#}"), false)),
    }
    Ok(SoundEnd {
        name: name.into(),
        faulty: device.is_none(),
        device: Box::new(Returning::new(
            name,
            device,
            Box::new(move || Ok(Box::new(open()?))),
            None,
        )?),
    })
}

/// Opens the profile's screen, as often as it is asked to.
#[cfg(feature = "framebuffer")]
pub(super) fn screen_opener(settings: &ScreenSettings) -> ScreenOpener {
    let settings = settings.clone();
    Box::new(move || {
        let screen = crate::announce::Framebuffer::open(&settings)?;
        let size = screen.size();
        Ok((Box::new(screen), size))
    })
}

/// Says that there is none in this build.
#[cfg(not(feature = "framebuffer"))]
pub(super) fn screen_opener(settings: &ScreenSettings) -> ScreenOpener {
    let name = settings.device.display().to_string();
    Box::new(move || {
        anyhow::bail!("{name}: this build has no screen; build with the feature `framebuffer`")
    })
}

/// Opens the screen for the first time.
pub(super) fn open_screen(
    settings: &ScreenSettings,
    open: &mut ScreenOpener,
    findings: &mut Findings,
) -> Option<OpenScreen> {
    match open() {
        Ok((screen, size)) => {
            let name = settings.device.display();
            findings.push((format!("screen: {name} {}x{}", size.0, size.1), true));
            Some((screen, size))
        }
        Err(e) => {
            findings.push((format!("screen: {e:#}"), false));
            None
        }
    }
}
