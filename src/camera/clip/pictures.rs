//! Numbered JPEG or PNG pictures.

use std::cmp::Ordering;
use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::{bail, Context};

use super::{describe_coded, Next, MAX_FRAME_BYTES};
use crate::camera::frame::{Range, RawFrame};

/// A list of picture files in their natural order.
pub(super) struct Pictures {
    files: Vec<PathBuf>,
    /// Frames that are missing before each file, by its number.
    gaps: Vec<u64>,
    next: usize,
    gap_told: bool,
    size: (u32, u32),
}

/// Does the name end as a picture's does?
pub(super) fn is_picture(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("");
    ["jpg", "jpeg", "png"]
        .iter()
        .any(|p| p.eq_ignore_ascii_case(ending))
}

/// Does the file name stand for many (`%06d`, `####` or `*`)?
pub(super) fn is_pattern(path: &Path) -> bool {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or("");
    split_pattern(name).is_some() && !path.exists()
}

/// A pattern's text before and after its number.
fn split_pattern(name: &str) -> Option<(&str, &str)> {
    if let Some(at) = name.find('%') {
        let rest = name[at + 1..].trim_start_matches(|c: char| c.is_ascii_digit());
        return Some((&name[..at], rest.strip_prefix('d')?));
    }
    let mark = if name.contains('#') { '#' } else { '*' };
    let first = name.find(mark)?;
    let last = name.rfind(mark)?;
    Some((&name[..first], &name[last + 1..]))
}

impl Pictures {
    /// All pictures of a folder, or those that fit a pattern.
    pub fn open(place: &Path, notes: &mut Vec<String>) -> anyhow::Result<Self> {
        let (folder, pattern) = if place.is_dir() {
            (place, None)
        } else {
            let name = place.file_name().and_then(|n| n.to_str()).unwrap_or("");
            (place.parent().unwrap_or(Path::new("")), split_pattern(name))
        };
        let unreadable = || {
            format!(
                "{}: cannot list the pictures; check the path",
                folder.display()
            )
        };
        let listed = if folder.as_os_str().is_empty() {
            Path::new(".")
        } else {
            folder
        };
        let mut files = Vec::new();
        for entry in std::fs::read_dir(listed).with_context(unreadable)? {
            let path = entry.with_context(unreadable)?.path();
            let fits = match (pattern, path.file_name().and_then(|n| n.to_str())) {
                (_, None) => false,
                (None, Some(_)) => is_picture(&path),
                (Some((before, after)), Some(name)) => {
                    name.len() > before.len() + after.len()
                        && name.starts_with(before)
                        && name.ends_with(after)
                        && name[before.len()..name.len() - after.len()]
                            .bytes()
                            .all(|b| b.is_ascii_digit())
                }
            };
            if fits && path.is_file() {
                files.push(path);
            }
        }
        if files.is_empty() {
            bail!(
                "{}: no JPEG or PNG pictures there; check `frames` and the folder",
                place.display()
            );
        }
        files.sort_by(|a, b| natural_order(&a.to_string_lossy(), &b.to_string_lossy()));
        let gaps = missing_before(&files);
        let missing: u64 = gaps.iter().sum();
        if missing > 0 {
            notes.push(format!(
                "{}: {missing} picture number(s) are missing; counted as lost frames",
                place.display()
            ));
        }
        Self::with_files(files, gaps, place)
    }

    /// One bare picture.
    pub fn single(file: &Path) -> anyhow::Result<Self> {
        Self::with_files(vec![file.to_path_buf()], vec![0], file)
    }

    fn with_files(files: Vec<PathBuf>, gaps: Vec<u64>, place: &Path) -> anyhow::Result<Self> {
        let mut pictures = Pictures {
            files,
            gaps,
            next: 0,
            gap_told: false,
            size: (0, 0),
        };
        // The first picture that can be read gives the clip its size.
        let mut frame = RawFrame::empty();
        let mut why = String::new();
        for file in &pictures.files {
            match load(file, &mut frame) {
                Next::Frame => {
                    pictures.size = (frame.width, frame.height);
                    return Ok(pictures);
                }
                Next::Broken(reason) => why = format!("{}: {reason}", file.display()),
                Next::Gap(_) | Next::End => {}
            }
        }
        bail!(
            "{}: not one picture can be read ({why}); record or copy them again",
            place.display()
        )
    }

    pub fn len(&self) -> usize {
        self.files.len()
    }

    pub fn size(&self) -> (u32, u32) {
        self.size
    }

    pub fn next(&mut self, frame: &mut RawFrame) -> Next {
        let Some(file) = self.files.get(self.next) else {
            return Next::End;
        };
        let gap = self.gaps.get(self.next).copied().unwrap_or(0);
        if gap > 0 && !self.gap_told {
            self.gap_told = true;
            return Next::Gap(gap);
        }
        self.gap_told = false;
        self.next += 1;
        match load(file, frame) {
            Next::Broken(why) => {
                let name = file.file_name().unwrap_or_default().to_string_lossy();
                Next::Broken(format!("{name}: {why}"))
            }
            other => other,
        }
    }
}

fn load(file: &Path, frame: &mut RawFrame) -> Next {
    frame.bytes.clear();
    frame.range = Range::Full;
    let read = std::fs::File::open(file)
        .and_then(|f| f.take(MAX_FRAME_BYTES + 1).read_to_end(&mut frame.bytes));
    match read {
        Err(e) => Next::Broken(e.to_string()),
        Ok(n) if n as u64 > MAX_FRAME_BYTES => Next::Broken("too large for a picture".into()),
        Ok(_) => describe_coded(frame),
    }
}

/// Compares names so that numbers inside them count as numbers.
fn natural_order(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let digits = |s: &str| s.bytes().take_while(u8::is_ascii_digit).count();
        let (da, db) = (digits(a), digits(b));
        if da > 0 && db > 0 {
            let (na, nb) = (
                a[..da].trim_start_matches('0'),
                b[..db].trim_start_matches('0'),
            );
            let order = na.len().cmp(&nb.len()).then(na.cmp(nb)).then(da.cmp(&db));
            if order != Ordering::Equal {
                return order;
            }
            (a, b) = (&a[da..], &b[db..]);
            continue;
        }
        let (mut ca, mut cb) = (a.chars(), b.chars());
        match (ca.next(), cb.next()) {
            (None, None) => return Ordering::Equal,
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
            (Some(x), Some(y)) if x == y => (a, b) = (ca.as_str(), cb.as_str()),
            (Some(x), Some(y)) => return x.cmp(&y),
        }
    }
}

/// Frames missing before each file, judged by the last number in its name.
/// All zero unless every number is a multiple of the usual step away.
fn missing_before(files: &[PathBuf]) -> Vec<u64> {
    let none = vec![0; files.len()];
    let numbers: Option<Vec<u64>> = files
        .iter()
        .map(|file| {
            let stem = file.file_stem()?.to_str()?;
            let end = stem.rfind(|c: char| c.is_ascii_digit())? + 1;
            let start = stem[..end]
                .rfind(|c: char| !c.is_ascii_digit())
                .map_or(0, |at| at + 1);
            stem.get(start..end)?.parse().ok()
        })
        .collect();
    let Some(numbers) = numbers else {
        return none;
    };
    let steps: Option<Vec<u64>> = numbers
        .windows(2)
        .map(|pair| pair[1].checked_sub(pair[0]).filter(|&s| s > 0))
        .collect();
    let Some(steps) = steps else {
        return none;
    };
    let Some(&usual) = steps.iter().min() else {
        return none;
    };
    let often = steps.iter().filter(|&&s| s == usual).count() * 2 > steps.len();
    if !often || steps.iter().any(|s| s % usual != 0) {
        return none;
    }
    std::iter::once(0)
        .chain(steps.iter().map(|s| s / usual - 1))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_sort_as_numbers() {
        let mut names = ["f10.jpg", "f9.jpg", "f009.jpg", "f1.jpg", "e.jpg", "f.jpg"];
        names.sort_by(|a, b| natural_order(a, b));
        assert_eq!(
            names,
            ["e.jpg", "f.jpg", "f1.jpg", "f9.jpg", "f009.jpg", "f10.jpg"]
        );
    }

    #[test]
    fn gaps_follow_the_usual_step() {
        let gaps = |numbers: &[u64]| {
            let files: Vec<_> = numbers
                .iter()
                .map(|n| PathBuf::from(format!("f{n:04}.jpg")))
                .collect();
            missing_before(&files)
        };
        assert_eq!(gaps(&[1, 2, 3]), [0, 0, 0]);
        assert_eq!(gaps(&[1, 2, 3, 6]), [0, 0, 0, 2]);
        assert_eq!(gaps(&[10, 20, 30, 50]), [0, 0, 0, 1]);
        assert_eq!(
            gaps(&[1, 2, 4, 9]),
            [0, 0, 0, 0],
            "no usual step: times, not numbers"
        );
        assert_eq!(gaps(&[7]), [0]);
    }

    #[test]
    fn patterns_split() {
        assert_eq!(split_pattern("a_%06d.jpg"), Some(("a_", ".jpg")));
        assert_eq!(split_pattern("a_####.png"), Some(("a_", ".png")));
        assert_eq!(split_pattern("*.png"), Some(("", ".png")));
        assert_eq!(split_pattern("a_%06x.jpg"), None);
        assert_eq!(split_pattern("frames.avi"), None);
    }
}
