//! Lines for people, on standard output and standard error.
//!
//! `println!` panics when the reader has gone (`| head`, a closed terminal). That
//! is no fault of ours, must not cost the results of a long run, and must never
//! stop the watch. Lints keep the library to these functions.

use std::fmt::Arguments;
use std::io::Write;

/// Prints text as it stands on standard output; a reader that has gone is no trouble.
pub fn text(text: impl std::fmt::Display) {
    let mut out = std::io::stdout();
    let _ = write!(out, "{text}");
    let _ = out.flush();
}

/// Prints a line on standard output: `say::line(format_args!(...))`.
pub fn line(line: Arguments) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// Prints a line on standard error.
pub fn error_line(line: Arguments) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// `println!` that a closed pipe does not stop.
macro_rules! say {
    ($($arg:tt)*) => { $crate::say::line(format_args!($($arg)*)) };
}

/// `eprintln!` that a closed pipe does not stop.
macro_rules! note {
    ($($arg:tt)*) => { $crate::say::error_line(format_args!($($arg)*)) };
}

pub(crate) use {note, say};
