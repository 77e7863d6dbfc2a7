//! The cautions that every user sees, in one place: `hindward check` prints
//! them, and the README and the fitting guide carry them word for word (under
//! test).

/// One caution each.
pub const CAUTIONS: [&str; 6] = [
    "It is an aid. It never replaces looking: mirrors, a glance over the shoulder, a person outside.",
    "Small, low, overhanging, thin, glass and moving things may be missed or announced late. \
     Silence means that the program looked and found nothing; it does not mean that nothing is \
     there.",
    "A blocked or dirty lens, darkness, rain, low sun and sloping ground make it see less and \
     range worse.",
    "Test it on your own vehicle, with the things and the places you will meet, by day, by night \
     and in rain, before you trust it; and again after anything moved the camera.",
    "Local rules on rear visibility, screens and sounds in vehicles come first. Work on the \
     vehicle's wiring belongs to someone licensed for it.",
    "Fuse and isolate the tap on the reverse lamp. A board's input pin bears 3.3 V; a vehicle's \
     supply carries pulses of more than 100 V.",
];
