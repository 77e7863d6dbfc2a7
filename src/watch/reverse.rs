//! Whether reverse is selected.

use std::path::Path;
use std::time::Duration;

use anyhow::Context;

use crate::profile::{LineSettings, Pull, ReverseInput, ReverseSettings};

/// Turns a bouncing contact into a state: a change counts once it has lasted.
/// Leaving reverse counts only after the linger time, so that shunting does not
/// switch the announcements on and off.
#[derive(Debug, Clone)]
pub struct Gate {
    debounce: Duration,
    linger: Duration,
    reversing: bool,
    /// The contact has differed from the state since then.
    differs_since: Option<Duration>,
}

impl Gate {
    /// A gate that starts out of reverse.
    pub fn new(settings: &ReverseSettings) -> Self {
        Gate {
            debounce: settings.debounce,
            linger: settings.linger,
            reversing: false,
            differs_since: None,
        }
    }

    /// The state, given what the contact says at `now`.
    pub fn step(&mut self, contact: bool, now: Duration) -> bool {
        if contact == self.reversing {
            self.differs_since = None;
            return self.reversing;
        }
        let since = *self.differs_since.get_or_insert(now);
        let needed = match contact {
            true => self.debounce,
            false => self.linger.max(self.debounce),
        };
        if now.saturating_sub(since) >= needed {
            self.reversing = contact;
            self.differs_since = None;
        }
        self.reversing
    }
}

/// The contact itself.
pub enum Contact {
    /// Power means reverse.
    Always,
    /// A GPIO line.
    #[cfg(feature = "gpio")]
    Line(gpiocdev::Request, String),
    /// A file that begins with `1` in reverse.
    File(std::path::PathBuf),
}

impl Contact {
    /// Opens the profile's input.
    ///
    /// # Errors
    /// The line is not there, is in use, or may not be used.
    pub fn open(settings: &ReverseSettings) -> anyhow::Result<Self> {
        match &settings.input {
            ReverseInput::Always => Ok(Contact::Always),
            ReverseInput::File(path) => Ok(Contact::File(path.clone())),
            ReverseInput::Line { line, pull } => open_line(line, *pull),
        }
    }

    /// Whether the contact says reverse now.
    ///
    /// # Errors
    /// The input cannot be read; the caller must then take it that the vehicle
    /// reverses.
    pub fn read(&self) -> anyhow::Result<bool> {
        match self {
            Contact::Always => Ok(true),
            Contact::File(path) => read_file(path),
            #[cfg(feature = "gpio")]
            Contact::Line(request, name) => {
                let value = request
                    .lone_value()
                    .with_context(|| format!("{name}: cannot be read; check reverse.line"))?;
                Ok(value == gpiocdev::line::Value::Active)
            }
        }
    }

    /// What the input is called.
    pub fn name(&self) -> String {
        match self {
            Contact::Always => "always in reverse".into(),
            Contact::File(path) => path.display().to_string(),
            #[cfg(feature = "gpio")]
            Contact::Line(_, name) => name.clone(),
        }
    }
}

fn read_file(path: &Path) -> anyhow::Result<bool> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{}: cannot be read; check reverse.file", path.display()))?;
    Ok(text.trim_start().starts_with('1'))
}

#[cfg(feature = "gpio")]
fn open_line(line: &LineSettings, pull: Pull) -> anyhow::Result<Contact> {
    use gpiocdev::line::Bias;

    let name = format!("{} line {}", line.chip.display(), line.line);
    crate::announce::refuse_busy(line)?;
    let mut builder = gpiocdev::Request::builder();
    builder
        .on_chip(&line.chip)
        .with_consumer("hindward reverse")
        .with_line(line.line)
        .as_input();
    if line.active_low {
        builder.as_active_low();
    }
    match pull {
        Pull::None => {}
        Pull::Up => drop(builder.with_bias(Bias::PullUp)),
        Pull::Down => drop(builder.with_bias(Bias::PullDown)),
    }
    let request = builder.request().with_context(|| {
        format!("{name}: cannot be had; check reverse.chip, reverse.line and the gpio group")
    })?;
    Ok(Contact::Line(request, name))
}

#[cfg(not(feature = "gpio"))]
fn open_line(line: &LineSettings, _pull: Pull) -> anyhow::Result<Contact> {
    anyhow::bail!(
        "{} line {}: this build has no GPIO; build with the feature `gpio`",
        line.chip.display(),
        line.line
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounces_do_not_count_and_leaving_lingers() {
        let ms = Duration::from_millis;
        let mut gate = Gate::new(&ReverseSettings {
            input: ReverseInput::Always,
            debounce: ms(30),
            linger: ms(1000),
        });
        assert!(!gate.step(true, ms(0)));
        assert!(!gate.step(false, ms(10)), "a bounce starts the wait again");
        assert!(!gate.step(true, ms(20)));
        assert!(!gate.step(true, ms(40)));
        assert!(gate.step(true, ms(50)));
        assert!(gate.step(false, ms(60)));
        assert!(gate.step(true, ms(500)), "back in time: never left");
        assert!(gate.step(false, ms(600)));
        assert!(gate.step(false, ms(1590)));
        assert!(!gate.step(false, ms(1600)));
    }

    #[test]
    fn the_bench_file_is_read() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("reverse");
        let contact = Contact::File(path.clone());
        assert!(contact.read().is_err(), "absent is a fault, not `forward`");
        std::fs::write(&path, "1\n").unwrap();
        assert!(contact.read().unwrap());
        std::fs::write(&path, "0\n").unwrap();
        assert!(!contact.read().unwrap());
    }
}
