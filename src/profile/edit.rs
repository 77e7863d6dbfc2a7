//! Changes single values of a profile and leaves everything else as the user
//! wrote it: comments, order, spacing.
//!
//! ```no_run
//! # fn main() -> Result<(), hindward::profile::ProfileError> {
//! use hindward::profile::edit::{rounded, Edit};
//! let mut edit = Edit::open(std::path::Path::new("van.toml"))?;
//! edit.set(&["mount", "height_m"], rounded(0.98213, 4))?
//!     .set(&["mount", "pitch_deg"], rounded(31.9871, 3))?
//!     .remove(&["mount", "covariance_m_rad"]);
//! edit.save()?;
//! # Ok(()) }
//! ```

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, TableLike, Value};

use super::{Fault, Profile, ProfileError};

/// A profile that is being changed. Nothing is written before [`Edit::save`].
#[derive(Debug)]
pub struct Edit {
    path: PathBuf,
    before: String,
    document: DocumentMut,
    sections: Vec<String>,
}

/// What [`Edit::save`] did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Saved {
    /// The file as it was, kept beside the profile; `None` if nothing changed.
    pub previous: Option<PathBuf>,
    /// Faults that were there before and still are, outside of what was set.
    pub faults_left: Vec<Fault>,
}

impl Saved {
    /// The same for programs: `profile`, `previous` and what is `still_to_mend`.
    pub fn json(&self, profile: &Path) -> serde_json::Value {
        let faults = self.faults_left.iter();
        let faults: Vec<String> = faults
            .map(|f| format!("line {}: {}{}", f.line, f.key, f.says))
            .collect();
        serde_json::json!({
            "profile": profile.display().to_string(),
            "previous": self.previous.as_ref().map(|p| p.display().to_string()),
            "still_to_mend": faults,
        })
    }
}

impl Edit {
    /// Opens a profile. It may have faults, as an unfinished one has, but must
    /// be TOML.
    ///
    /// # Errors
    /// The file cannot be read or is not TOML.
    pub fn open(path: &Path) -> Result<Edit, ProfileError> {
        let before = super::read_text(path)?;
        let document = before.parse::<DocumentMut>().map_err(|error| {
            // The checker says the same, with lines, in our own form.
            Profile::parse(&before, path).err().unwrap_or_else(|| {
                let why = error.message().replace('\n', ", ");
                not_saved(path, format!("cannot be changed: {why}; mend the TOML"))
            })
        })?;
        Ok(Edit {
            path: path.to_owned(),
            before,
            document,
            sections: Vec::new(),
        })
    }

    /// Sets a value, for example `&["lens", "fx_px"]`. A missing section is
    /// added at the end; a comment on the line of an old value stays.
    ///
    /// # Errors
    /// The path leads through something that is not a section.
    pub fn set(
        &mut self,
        key: &[&str],
        value: impl Into<Value>,
    ) -> Result<&mut Self, ProfileError> {
        let path = self.path.clone();
        let wrong = |at: &str| not_saved(&path, format!("{at} is not a section; write [{at}]"));
        let Some((last, sections)) = key.split_last() else {
            return Err(wrong(""));
        };
        let mut table: &mut dyn TableLike = self.document.as_table_mut();
        for section in sections {
            table = table
                .entry(section)
                .or_insert_with(|| Item::Table(Table::new()))
                .as_table_like_mut()
                .ok_or_else(|| wrong(section))?;
        }
        let mut value = value.into();
        match table.get_mut(last) {
            Some(Item::Value(old)) => {
                *value.decor_mut() = old.decor().clone();
                *old = value;
            }
            Some(_) => return Err(wrong(last)),
            None => {
                table.insert(last, Item::Value(value));
            }
        }
        self.touched(key);
        Ok(self)
    }

    /// Takes a value out, if it is there.
    pub fn remove(&mut self, key: &[&str]) -> &mut Self {
        let Some((last, sections)) = key.split_last() else {
            return self;
        };
        let mut table: Option<&mut dyn TableLike> = Some(self.document.as_table_mut());
        for section in sections {
            table = table
                .and_then(|t| t.get_mut(section))
                .and_then(Item::as_table_like_mut);
        }
        if let Some(table) = table {
            table.remove(last);
        }
        self.touched(key);
        self
    }

    /// A number as it stands now, if it is one.
    pub fn number(&self, key: &[&str]) -> Option<f64> {
        let mut item = self.document.as_item();
        for part in key {
            item = item.get(part)?;
        }
        item.as_float()
            .or_else(|| item.as_integer().map(|i| i as f64))
    }

    /// The sections `[[name]]`, to be changed in place; an empty list is made
    /// if there is none.
    ///
    /// # Errors
    /// Something else stands under that name.
    pub fn list_mut(&mut self, name: &str) -> Result<&mut ArrayOfTables, ProfileError> {
        self.touched(&[name]);
        let item = self
            .document
            .entry(name)
            .or_insert_with(|| Item::ArrayOfTables(ArrayOfTables::new()));
        // `zone = [{…}]` means the same; it is rewritten as sections.
        if item.is_array() {
            let old = std::mem::take(item);
            *item = old
                .into_array_of_tables()
                .map_or_else(|old| old, Item::ArrayOfTables);
        }
        let path = &self.path;
        item.as_array_of_tables_mut()
            .ok_or_else(|| not_saved(path, format!("{name} is not a list; write [[{name}]]")))
    }

    fn touched(&mut self, key: &[&str]) {
        if let Some(section) = key.first() {
            self.sections.push((*section).to_owned());
        }
    }

    /// The text as it would be saved.
    pub fn text(&self) -> String {
        self.document.to_string()
    }

    /// Checks the changed profile and writes it: to a file beside it, synced,
    /// then renamed over the old one, which stays as `<name>.previous`. A power
    /// cut leaves the old or the new profile, never a part.
    ///
    /// # Errors
    /// The change would bring in a fault, the file was changed meanwhile, or it
    /// cannot be written. The profile is then as it was.
    pub fn save(&self) -> Result<Saved, ProfileError> {
        let text = self.text();
        let faults_left = self.check(&text)?;
        if text == self.before {
            return Ok(Saved {
                previous: None,
                faults_left,
            });
        }
        // A link is followed, so that it goes on leading to the profile.
        let target = fs::canonicalize(&self.path)
            .map_err(|e| not_saved(&self.path, format!("cannot be found ({e}); check the path")))?;
        if super::read_text(&target)? != self.before {
            let why = "was changed by someone else meanwhile; run the command again";
            return Err(not_saved(&self.path, why.to_owned()));
        }
        let mut previous = target.clone().into_os_string();
        previous.push(".previous");
        let previous = PathBuf::from(previous);
        write_atomically(&previous, self.before.as_bytes())
            .and_then(|()| write_atomically(&target, text.as_bytes()))
            .map_err(|e| {
                let why = format!("cannot be written ({e}); check permissions and free space");
                not_saved(&self.path, why)
            })?;
        Ok(Saved {
            previous: Some(previous),
            faults_left,
        })
    }

    /// A sound profile must stay sound; one with faults must get none in the
    /// sections that were touched.
    fn check(&self, text: &str) -> Result<Vec<Fault>, ProfileError> {
        let Err(after) = Profile::parse(text, &self.path) else {
            return Ok(Vec::new());
        };
        let sound_before = Profile::parse(&self.before, &self.path).is_ok();
        let touched = |fault: &Fault| {
            let section = fault.key.trim_matches(['[', ']']);
            let section = section.split(['.', '[']).next().unwrap_or("");
            self.sections.iter().any(|s| s == section)
        };
        let (ours, left): (Vec<Fault>, Vec<Fault>) = after
            .faults()
            .iter()
            .cloned()
            .partition(|fault| sound_before || touched(fault));
        if ours.is_empty() {
            return Ok(left);
        }
        Err(ProfileError::Faults {
            file: format!("{} (as it would be saved)", self.path.display()),
            faults: ours,
        })
    }
}

fn not_saved(path: &Path, why: String) -> ProfileError {
    ProfileError::NotSaved {
        file: path.display().to_string(),
        why,
    }
}

/// The value with so many decimals, as a person would write it.
pub fn rounded(value: f64, decimals: u32) -> f64 {
    let scale = 10_f64.powi(decimals.min(12) as i32);
    let rounded = (value * scale).round() / scale;
    // No "-0.0" in anybody's profile.
    if rounded == 0.0 {
        0.0
    } else {
        rounded
    }
}

/// Rows of numbers as a TOML list of lists, one row a line.
pub fn rows(rows: &[Vec<f64>]) -> Array {
    let mut list = Array::new();
    for row in rows {
        let mut value = Value::Array(row.iter().copied().collect());
        value.decor_mut().set_prefix("\n  ");
        list.push_formatted(value);
    }
    list.set_trailing("\n");
    list.set_trailing_comma(true);
    list
}

/// Writes a whole file or nothing: a file beside it, synced, takes its name.
/// Permissions of a file that is replaced are kept.
///
/// # Errors
/// As the file system reports; no part of the file is left behind.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let name = path
        .file_name()
        .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "names no file"))?;
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let mut part = std::ffi::OsString::from(".");
    part.push(name);
    part.push(format!(".{}.part", std::process::id()));
    let part = folder.join(part);
    let done = (|| {
        let mut file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .open(&part)?;
        if let Ok(old) = fs::metadata(path) {
            file.set_permissions(old.permissions())?;
        }
        file.write_all(bytes)?;
        file.sync_all()?;
        fs::rename(&part, path)?;
        // The new name must reach the disk as well.
        File::open(folder)?.sync_all()
    })();
    if done.is_err() {
        let _ = fs::remove_file(&part);
    }
    done
}
