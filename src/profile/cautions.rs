//! The cautions that every user sees, in one place: `hindward check` prints
//! them, and the README and the fitting guide carry them word for word (under
//! test).

/// One caution a line.
pub const CAUTIONS: [&str; 6] = [
    "An aid, not a substitute for looking: you stay responsible for where you reverse.",
    "Small, low, overhanging, thin, glass and moving things may be missed.",
    "Silence is not a promise. A blocked or dirty lens, dark, rain, low sun and sloping ground all make it see less.",
    "Test it on your own vehicle, by day, at night and in rain, before you trust it, and again after every change.",
    "Local rules on rear visibility and licensed vehicle-electric practice come first.",
    "Fuse the reverse-lamp tap at its source and isolate it; never lead 12 V to a pin of the board.",
];
