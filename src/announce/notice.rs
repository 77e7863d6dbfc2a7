//! A page of text for the screen: what the self-test found.

use image::RgbImage;

use super::text::Face;
use super::{CANNOT_TELL, OVERLAY};

/// A page of `size` that lists what works and what does not, faults marked by
/// word and by colour.
pub fn notice(size: (u32, u32), title: &str, lines: &[(String, bool)]) -> RgbImage {
    let mut page = RgbImage::new(size.0.max(1), size.1.max(1));
    let share = (f64::from(size.0) / 640.0).min(f64::from(size.1) / 480.0);
    let large = Face::new((2.0 * share).round().max(1.0) as usize);
    let small = Face::new(share.round().max(1.0) as usize);
    let left = large.height() / 2;
    let mut top = left;
    let white = OVERLAY.ink;
    large.draw(&mut page, (left, top), title, white, None);
    top += large.height() * 3 / 2;
    for (line, good) in lines {
        let (word, ink) = match good {
            true => ("ok     ", white),
            false => ("FAULT  ", CANNOT_TELL.ink),
        };
        small.draw(&mut page, (left, top), word, ink, None);
        let right = left + small.width(word);
        small.draw(&mut page, (right, top), line, ink, None);
        top += small.height() * 5 / 4;
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_differ_from_what_works_and_long_lines_do_not_panic() {
        let line = |good| vec![("buzzer ".repeat(40), good)];
        let good = notice((320, 240), "self-test", &line(true));
        let bad = notice((320, 240), "self-test", &line(false));
        assert_eq!(good.dimensions(), (320, 240));
        assert!(good != bad);
        assert!(bad.pixels().any(|p| *p == CANNOT_TELL.ink));
        assert!(good.pixels().all(|p| *p != CANNOT_TELL.ink));
        notice((1, 1), "x", &line(false));
    }
}
