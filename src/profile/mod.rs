//! The profile: one TOML file that describes one vehicle and holds every
//! threshold. [`Profile`] is the checked form and the only one stages see;
//! [`Profile::load`] makes it from a file and reports every fault at once.

mod aboard;
pub mod cautions;
pub mod check;
mod checked;
pub mod edit;
mod error;
mod reader;
mod sections;
mod stopping;
pub mod zones;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use toml::de::DeTable;

pub use aboard::*;
pub use checked::*;
pub use error::{Fault, ProfileError};
pub use stopping::Stopping;

/// A profile is some kilobytes; more is some other file given by mistake.
const GREATEST_BYTES: u64 = 1 << 20;

impl Profile {
    /// Reads and checks a profile.
    ///
    /// # Errors
    /// The file cannot be read, or [`ProfileError::Faults`] with all that is
    /// wrong in it, one line each.
    pub fn load(path: &Path) -> Result<Profile, ProfileError> {
        Profile::parse(&read_text(path)?, path)
    }

    /// Checks the text of a profile. `file` names it in messages; files that
    /// the profile mentions are looked for beside it.
    ///
    /// # Errors
    /// [`ProfileError::Faults`] with all that is wrong, one line each.
    pub fn parse(text: &str, file: impl AsRef<Path>) -> Result<Profile, ProfileError> {
        let file = file.as_ref();
        let faults = reader::Faults::new(text);
        let (table, errors) = DeTable::parse_recoverable(text);
        for error in &errors {
            let at = error.span().map_or(0, |s| s.start);
            let message = error.message().replace('\n', ", ");
            faults.add(at, "", format!("{message}; mend the TOML"));
        }
        let mut profile = None;
        // After a slip of syntax the rest would be guesswork.
        if errors.is_empty() {
            let mut root = reader::Table::root(&table, &faults);
            profile = sections::read(&mut root, file.parent().unwrap_or(Path::new("")));
            root.finish();
        }
        let faults = faults.into_sorted();
        match profile {
            Some(profile) if faults.is_empty() => Ok(profile),
            _ => Err(ProfileError::Faults {
                file: file.display().to_string(),
                faults,
            }),
        }
    }
}

/// The lens of a profile whose other sections may still be missing or wrong,
/// as they are while a vehicle is being fitted.
///
/// # Errors
/// The file cannot be read, or what is wrong in `[camera]` and `[lens]`.
pub fn read_lens(path: &Path) -> Result<crate::optics::Lens, ProfileError> {
    let text = read_text(path)?;
    let faults = reader::Faults::new(&text);
    let (table, errors) = DeTable::parse_recoverable(&text);
    for error in &errors {
        let at = error.span().map_or(0, |s| s.start);
        let message = error.message().replace('\n', ", ");
        faults.add(at, "", format!("{message}; mend the TOML"));
    }
    let mut lens = None;
    if errors.is_empty() {
        let mut root = reader::Table::root(&table, &faults);
        lens = sections::read_lens_alone(&mut root);
    }
    lens.ok_or_else(|| ProfileError::Faults {
        file: path.display().to_string(),
        faults: faults.into_sorted(),
    })
}

fn read_text(path: &Path) -> Result<String, ProfileError> {
    let unreadable = |why: String| ProfileError::Unreadable {
        file: path.display().to_string(),
        why,
    };
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(GREATEST_BYTES + 1).read_to_end(&mut bytes))
        .map_err(|e| unreadable(format!("the profile cannot be read ({e}); check the path")))?;
    if bytes.len() as u64 > GREATEST_BYTES {
        return Err(unreadable(
            "is over 1 MiB, so it is no profile; check the path".to_owned(),
        ));
    }
    String::from_utf8(bytes).map_err(|e| {
        let good = e.utf8_error().valid_up_to();
        let before = e.as_bytes().iter().take(good);
        let line = 1 + before.filter(|b| **b == b'\n').count();
        unreadable(format!(
            "line {line} is not UTF-8 text; save the profile as UTF-8"
        ))
    })
}
