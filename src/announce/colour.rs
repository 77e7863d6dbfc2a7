//! Colours of plates and lines, after ANSI Z535.1 and ISO 3864.
//!
//! Those standards fix safety colours in Munsell and CIE terms; no screen value
//! is normative, since displays are not calibrated. Screen values: encyclopaedia
//! article "ISO 3864" for yellow and orange (the ANSI rows, Pantone 109 and
//! 151); red (Pantone 186) and blue (RAL 5005) from memory. White on yellow or
//! orange cannot be read, so those plates carry black.

use image::Rgb;

use crate::profile::SignalWord;

/// A plate and the text on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plate {
    /// Fill.
    pub ground: Rgb<u8>,
    /// Text and marks on it.
    pub ink: Rgb<u8>,
}

const BLACK: Rgb<u8> = Rgb([0, 0, 0]);
const WHITE: Rgb<u8> = Rgb([255, 255, 255]);
const SAFETY_RED: Rgb<u8> = Rgb([0xC8, 0x10, 0x2E]);
const SAFETY_ORANGE: Rgb<u8> = Rgb([0xFF, 0x82, 0x00]);
const SAFETY_YELLOW: Rgb<u8> = Rgb([0xFF, 0xD1, 0x00]);
const SAFETY_BLUE: Rgb<u8> = Rgb([0x00, 0x53, 0x87]);

/// The plate of a signal word.
pub fn plate(signal: SignalWord) -> Plate {
    let (ground, ink) = match signal {
        SignalWord::Notice => (SAFETY_BLUE, WHITE),
        SignalWord::Caution => (SAFETY_YELLOW, BLACK),
        SignalWord::Warning => (SAFETY_ORANGE, BLACK),
        SignalWord::Danger => (SAFETY_RED, WHITE),
    };
    Plate { ground, ink }
}

/// `CANNOT TELL`: the black and yellow of a barrier (ISO 3864-1's marking of a
/// place of hazard), which no signal word uses.
pub const CANNOT_TELL: Plate = Plate {
    ground: BLACK,
    ink: SAFETY_YELLOW,
};

/// The plate shown while nothing is announced.
pub const QUIET: Plate = Plate {
    ground: Rgb([0x20, 0x26, 0x2B]),
    ink: WHITE,
};

/// Rungs, edges and their figures: `ink` with an outline of `ground`, so that
/// they read on snow and on wet asphalt alike.
pub const OVERLAY: Plate = Plate {
    ground: BLACK,
    ink: WHITE,
};

/// Contrast ratio of two colours, 1 to 21, by the formula of WCAG 2.x.
pub fn contrast(a: Rgb<u8>, b: Rgb<u8>) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn luminance(colour: Rgb<u8>) -> f64 {
    let linear = |channel: u8| {
        let c = f64::from(channel) / 255.0;
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    };
    let [r, g, b] = colour.0;
    0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.x, success criterion 1.4.3: 4.5 to 1 for text.
    #[test]
    fn every_text_reads_on_its_plate() {
        let words = [
            SignalWord::Notice,
            SignalWord::Caution,
            SignalWord::Warning,
            SignalWord::Danger,
        ];
        let plates = words.map(plate).into_iter();
        for plate in plates.chain([CANNOT_TELL, QUIET, OVERLAY]) {
            let ratio = contrast(plate.ground, plate.ink);
            assert!(ratio >= 4.5, "{plate:?} has {ratio:.2}");
        }
    }

    /// Relative luminances and ratios worked out from the WCAG formula.
    #[test]
    fn contrast_follows_the_formula() {
        assert!((contrast(BLACK, WHITE) - 21.0).abs() < 1e-9);
        assert!((contrast(SAFETY_RED, WHITE) - 5.88).abs() < 0.01);
        assert!((contrast(SAFETY_ORANGE, BLACK) - 8.45).abs() < 0.01);
        assert!((contrast(SAFETY_YELLOW, BLACK) - 14.37).abs() < 0.01);
        assert!((contrast(SAFETY_YELLOW, WHITE) - 1.46).abs() < 0.01);
    }
}
