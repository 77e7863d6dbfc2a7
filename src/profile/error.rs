//! What can be wrong with a profile, one line per fault.

use std::fmt;

/// One fault: where, what, and what to do.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// Line in the file, from 1.
    pub line: usize,
    /// Key, in full (`mount.height_m`); empty if the text itself is at fault.
    pub key: String,
    /// What is wrong and what to do; starts with ` = value is …` or ` is …`.
    pub says: String,
}

/// Why a profile cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProfileError {
    /// The file cannot be read.
    Unreadable {
        /// The file.
        file: String,
        /// Why, and what to do.
        why: String,
    },
    /// A change to the file could not be made; it is as it was.
    NotSaved {
        /// The file.
        file: String,
        /// Why, and what to do.
        why: String,
    },
    /// The file was read, and these are all its faults, in order of lines.
    Faults {
        /// The file.
        file: String,
        /// At least one.
        faults: Vec<Fault>,
    },
}

impl ProfileError {
    /// The faults; none if the file could not be read at all.
    pub fn faults(&self) -> &[Fault] {
        match self {
            ProfileError::Unreadable { .. } | ProfileError::NotSaved { .. } => &[],
            ProfileError::Faults { faults, .. } => faults,
        }
    }
}

impl fmt::Display for ProfileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ProfileError::Unreadable { file, why } | ProfileError::NotSaved { file, why } => {
                write!(f, "{file}: {why}")
            }
            ProfileError::Faults { file, faults } => {
                for (i, fault) in faults.iter().enumerate() {
                    if i > 0 {
                        writeln!(f)?;
                    }
                    write!(f, "{file}:{}: {}{}", fault.line, fault.key, fault.says)?;
                }
                Ok(())
            }
        }
    }
}

impl std::error::Error for ProfileError {}
