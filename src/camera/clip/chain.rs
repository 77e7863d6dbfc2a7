//! A recording in pieces: AVI files of one folder, played one after the other
//! in the order of their names.

use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

use super::avi::AviReader;
use super::pictures::is_picture;
use super::Next;
use crate::camera::frame::RawFrame;

/// Reads the pieces in order, one file open at a time.
pub(super) struct Chain {
    pieces: Vec<PathBuf>,
    next: usize,
    open: Option<AviReader>,
    frames: u64,
    rate_hz: Option<f64>,
    size: (u32, u32),
}

/// Whether the folder holds a recording in pieces: films, and no pictures.
pub(super) fn is_chain(folder: &Path) -> anyhow::Result<bool> {
    let unreadable = || format!("{}: cannot list the frames", folder.display());
    let mut films = false;
    for entry in std::fs::read_dir(folder).with_context(unreadable)? {
        let path = entry.with_context(unreadable)?.path();
        if is_picture(&path) {
            return Ok(false);
        }
        films |= is_film(&path);
    }
    Ok(films)
}

fn is_film(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str());
    ending.is_some_and(|e| e.eq_ignore_ascii_case("avi")) && path.is_file()
}

/// The AVI files of a folder in order.
fn pieces(folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let unreadable = || format!("{}: cannot list the pieces", folder.display());
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).with_context(unreadable)? {
        let path = entry.with_context(unreadable)?.path();
        if is_film(&path) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

impl Chain {
    /// Looks into each piece. One that cannot be read is noted and left out.
    pub fn open(folder: &Path, notes: &mut Vec<String>) -> anyhow::Result<Self> {
        let mut chain = Chain {
            pieces: Vec::new(),
            next: 0,
            open: None,
            frames: 0,
            rate_hz: None,
            size: (0, 0),
        };
        for piece in pieces(folder)? {
            let reader = match AviReader::open(&piece, notes) {
                Ok(Some(reader)) => reader,
                Ok(None) => bail!(
                    "{}: is not MJPEG, as the pieces of a recording must be; \
                     name one film as `frames = \"...\"` in clip.toml",
                    piece.display()
                ),
                Err(e) => {
                    notes.push(format!("{e:#}; left out"));
                    continue;
                }
            };
            let same_rate = chain.pieces.is_empty() || chain.rate_hz == reader.rate_hz();
            if !same_rate {
                bail!(
                    "{}: runs at another rate than the piece before it; \
                     put recordings of different rate into clips of their own",
                    piece.display()
                );
            }
            if chain.pieces.is_empty() {
                chain.size = reader.size();
                chain.rate_hz = reader.rate_hz();
            }
            chain.frames += reader.len() as u64;
            chain.pieces.push(piece);
        }
        if chain.pieces.is_empty() {
            bail!(
                "{}: not one piece of the recording can be read; record it again",
                folder.display()
            );
        }
        Ok(chain)
    }

    pub fn len(&self) -> u64 {
        self.frames
    }

    pub fn size(&self) -> (u32, u32) {
        self.size
    }

    pub fn rate_hz(&self) -> Option<f64> {
        self.rate_hz
    }

    pub fn next(&mut self, frame: &mut RawFrame) -> Next {
        loop {
            if let Some(reader) = &mut self.open {
                match reader.next(frame) {
                    Next::End => self.open = None,
                    found => return found,
                }
            }
            let Some(piece) = self.pieces.get(self.next) else {
                return Next::End;
            };
            self.next += 1;
            // Its notes were taken when it was looked into.
            match AviReader::open(piece, &mut Vec::new()) {
                Ok(Some(reader)) => self.open = Some(reader),
                _ => return Next::Broken(format!("{}: is gone", piece.display())),
            }
        }
    }
}
