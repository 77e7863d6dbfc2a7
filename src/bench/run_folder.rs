//! A folder of results that appears whole or not at all.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

/// A run's results while they are being written, under a temporary name.
/// Dropped without [`RunFolder::finish`], nothing is left behind.
#[derive(Debug)]
pub struct RunFolder {
    target: PathBuf,
    temporary: PathBuf,
    kept: bool,
}

impl RunFolder {
    /// Makes the temporary folder beside `target`. An earlier run at `target`
    /// is replaced when the new one is complete; anything else is refused.
    ///
    /// # Errors
    /// `target` holds something else, or its parent cannot be written.
    pub fn create(target: &Path) -> anyhow::Result<RunFolder> {
        if target.exists() && !replaceable(target) {
            bail!(
                "{}: exists and is not the folder of an earlier run; give another --out",
                target.display()
            );
        }
        let name = target.file_name().with_context(|| {
            format!("{}: names no folder; give another --out", target.display())
        })?;
        let mut hidden = std::ffi::OsString::from(".");
        hidden.push(name);
        hidden.push(format!(".{}.part", std::process::id()));
        let temporary = target.with_file_name(hidden);
        fs::create_dir_all(&temporary).with_context(|| {
            format!(
                "{}: cannot make a folder here; check the rights or give another --out",
                target.display()
            )
        })?;
        Ok(RunFolder {
            target: target.to_path_buf(),
            temporary,
            kept: false,
        })
    }

    /// Path of a file inside.
    pub fn path(&self, name: &str) -> PathBuf {
        self.temporary.join(name)
    }

    /// Gives the folder its name.
    ///
    /// # Errors
    /// The name cannot be taken.
    pub fn finish(mut self) -> anyhow::Result<PathBuf> {
        if self.target.exists() {
            fs::remove_dir_all(&self.target)
                .with_context(|| format!("{}: cannot be replaced", self.target.display()))?;
        }
        fs::rename(&self.temporary, &self.target)
            .with_context(|| format!("{}: cannot be written", self.target.display()))?;
        self.kept = true;
        Ok(self.target.clone())
    }
}

impl Drop for RunFolder {
    fn drop(&mut self) {
        if !self.kept {
            // Nothing more can be done about a folder that will not go.
            let _ = fs::remove_dir_all(&self.temporary);
        }
    }
}

fn replaceable(target: &Path) -> bool {
    target.is_dir()
        && (target.join("summary.json").is_file()
            || fs::read_dir(target).is_ok_and(|mut d| d.next().is_none()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unfinished_run_leaves_nothing() {
        let dir = tempfile::tempdir().expect("temp dir");
        let target = dir.path().join("run");
        let folder = RunFolder::create(&target).expect("create");
        fs::write(folder.path("a"), "x").expect("write");
        drop(folder);
        assert_eq!(fs::read_dir(dir.path()).expect("read").count(), 0);
    }

    #[test]
    fn a_folder_of_something_else_is_not_replaced() {
        let dir = tempfile::tempdir().expect("temp dir");
        let target = dir.path().join("run");
        fs::create_dir(&target).expect("dir");
        fs::write(target.join("letter.txt"), "dear").expect("write");
        assert!(RunFolder::create(&target).is_err());
        fs::write(target.join("summary.json"), "{}").expect("write");
        let folder = RunFolder::create(&target).expect("create");
        fs::write(folder.path("a"), "x").expect("write");
        folder.finish().expect("finish");
        assert!(target.join("a").exists() && !target.join("letter.txt").exists());
    }
}
