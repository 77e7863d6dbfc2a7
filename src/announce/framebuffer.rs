//! The picture on a Linux framebuffer.
//!
//! A picture is scaled and turned to the screen, converted to the pixel layout
//! that the driver states (16, 24 or 32 bits), and written in one piece; where
//! the memory holds two screens, it goes to the hidden one, which is then shown,
//! and where it holds one, to that while the screen pauses between two pictures,
//! if the driver can tell. The text console is put into graphics mode, so that its
//! cursor and its blanking stay away, and put back on drop.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::time::Duration;

use anyhow::{bail, Context};
use image::RgbImage;

use super::kernel::{self, BitField, VarInfo};
use super::Screen;
use crate::profile::{ScreenSettings, Turn};

/// A framebuffer device that shows pictures.
pub struct Framebuffer {
    device: File,
    name: String,
    info: VarInfo,
    layout: Layout,
    turn: Turn,
    /// The memory holds a second screen at this line.
    second: Option<u32>,
    /// The driver can tell when the screen is between two pictures.
    tells_gap: bool,
    bytes: Vec<u8>,
    /// For each line along and across: the picture's column and row.
    map: ScaleMap,
    console: Option<Console>,
}

/// How pixels lie in the memory.
#[derive(Debug, Clone)]
struct Layout {
    width: usize,
    height: usize,
    stride: usize,
    bytes_per_pixel: usize,
    /// What each value of red, green and blue adds to a pixel.
    codes: [[u32; 256]; 3],
}

#[derive(Debug, Default)]
struct ScaleMap {
    picture: (u32, u32),
    /// First byte of each column of the picture, and its rows.
    columns: Vec<usize>,
    rows: Vec<usize>,
    left: usize,
    top: usize,
}

impl Framebuffer {
    /// Takes the device and the text console.
    ///
    /// # Errors
    /// There is no such device, it may not be used, or its pixel layout is none
    /// of 16, 24 or 32 bits.
    pub fn open(settings: &ScreenSettings) -> anyhow::Result<Self> {
        let name = settings.device.display().to_string();
        let device = OpenOptions::new()
            .read(true)
            .write(true)
            .open(&settings.device)
            .with_context(|| {
                format!("{name}: cannot be opened; check the path and the video group's rights")
            })?;
        let no_screen = || format!("{name}: is no framebuffer; check the path");
        let info = kernel::var_info(&device).with_context(no_screen)?;
        let fixed = kernel::fix_info(&device).with_context(no_screen)?;
        let layout = Layout::of(&info, fixed.line_length)
            .with_context(|| format!("{name}: pixels of {} bits", info.bits_per_pixel))?;
        let screen_bytes = u64::from(info.yres) * layout.stride as u64;
        let second = (fixed.ypanstep > 0
            && info.yres_virtual >= 2 * info.yres
            && u64::from(fixed.smem_len) >= 2 * screen_bytes)
            .then_some(info.yres);
        let _ = kernel::unblank(&device); // not every driver blanks
        Ok(Framebuffer {
            device,
            name,
            info,
            layout,
            turn: settings.turn,
            second,
            tells_gap: true,
            bytes: Vec::new(),
            map: ScaleMap::default(),
            console: take_console(),
        })
    }

    /// Width and height that pictures fill best, after turning.
    pub fn size(&self) -> (u32, u32) {
        let (width, height) = (self.info.xres, self.info.yres);
        match self.turn {
            Turn::Upright | Turn::Over => (width, height),
            Turn::Right | Turn::Left => (height, width),
        }
    }

    /// Makes the screen black.
    ///
    /// # Errors
    /// If the device refuses.
    pub fn clear(&mut self) -> anyhow::Result<()> {
        self.bytes.clear();
        self.bytes
            .resize(self.layout.stride * self.layout.height, 0);
        self.put()
    }

    fn put(&mut self) -> anyhow::Result<()> {
        let stride = self.layout.stride as u64;
        // Draw on the page that is not shown, if there is one.
        let target = match self.second {
            Some(line) if self.info.yoffset == 0 => line,
            Some(_) => 0,
            None => self.info.yoffset,
        };
        if self.second.is_none() && self.tells_gap {
            self.tells_gap = kernel::wait_for_gap(&self.device).is_ok();
        }
        self.device
            .write_all_at(&self.bytes, u64::from(target) * stride)
            .with_context(|| format!("{}: cannot be drawn on", self.name))?;
        if self.second.is_some() {
            let mut info = self.info;
            info.yoffset = target;
            info.activate = 0; // at the next vertical blank
            match kernel::pan(&self.device, &mut info) {
                Ok(()) => self.info.yoffset = target,
                Err(_) => {
                    // The driver promised what it cannot do: draw on what is shown.
                    self.second = None;
                    return self.put();
                }
            }
        }
        Ok(())
    }
}

impl Screen for Framebuffer {
    fn show(&mut self, picture: &RgbImage, _at: Duration) -> anyhow::Result<()> {
        compose(
            picture,
            &self.layout,
            self.turn,
            &mut self.map,
            &mut self.bytes,
        );
        self.put()
    }
}

impl Drop for Framebuffer {
    fn drop(&mut self) {
        // A picture that no longer moves must not look like a live one.
        let _ = self.clear();
        if let Some(console) = &mut self.console {
            console.give_back();
        }
    }
}

/// The text console under the picture, kept from drawing into it.
enum Console {
    /// In graphics mode; the mode it was in before.
    Held(File, libc::c_int),
    /// Cursor and blanking switched off by escape sequences (console_codes(4)):
    /// changing the mode takes a right that the service does without.
    Hushed(File),
}

/// `None` if there is no console or it may not be used, which only means that
/// its cursor may blink through.
fn take_console() -> Option<Console> {
    if let Ok(tty) = OpenOptions::new().read(true).write(true).open("/dev/tty0") {
        if let Ok(mode) = kernel::console_mode(&tty) {
            if kernel::set_console_mode(&tty, kernel::KD_GRAPHICS).is_ok() {
                return Some(Console::Held(tty, mode));
            }
        }
    }
    let mut tty = OpenOptions::new().write(true).open("/dev/tty0").ok()?;
    tty.write_all(b"\x1b[?25l\x1b[9;0]").ok()?;
    Some(Console::Hushed(tty))
}

impl Console {
    fn give_back(&mut self) {
        // Nothing is lost but a cursor if this fails.
        let _ = match self {
            Console::Held(tty, mode) => kernel::set_console_mode(tty, *mode),
            Console::Hushed(tty) => tty.write_all(b"\x1b[?25h"),
        };
    }
}

impl Layout {
    fn of(info: &VarInfo, line_length: u32) -> anyhow::Result<Layout> {
        let bits = info.bits_per_pixel;
        if !matches!(bits, 16 | 24 | 32) {
            bail!("only 16, 24 and 32 bits a pixel are drawn; change the screen's mode");
        }
        for field in [info.red, info.green, info.blue] {
            if field.length == 0 || field.length > 8 || field.offset + field.length > bits {
                bail!("its colours do not fit its pixels; change the screen's mode");
            }
        }
        let (width, height) = (info.xres as usize, info.yres as usize);
        let bytes_per_pixel = bits as usize / 8;
        let stride = line_length as usize;
        if width == 0 || height == 0 || stride < width * bytes_per_pixel || width * height > 1 << 26
        {
            bail!("its size makes no sense; change the screen's mode");
        }
        Ok(Layout {
            width,
            height,
            stride,
            bytes_per_pixel,
            codes: [info.red, info.green, info.blue].map(|f: BitField| {
                std::array::from_fn(|v| (v as u32 >> (8 - f.length)) << f.offset)
            }),
        })
    }

    fn code(&self, pixel: &[u8]) -> u32 {
        let [red, green, blue] = &self.codes;
        red[usize::from(pixel[0])] | green[usize::from(pixel[1])] | blue[usize::from(pixel[2])]
    }
}

/// Scales the picture to the screen (the whole of it, with black bars where
/// the shape differs), turns it and converts it.
fn compose(
    picture: &RgbImage,
    layout: &Layout,
    turn: Turn,
    map: &mut ScaleMap,
    bytes: &mut Vec<u8>,
) {
    bytes.resize(layout.stride * layout.height, 0);
    let across = matches!(turn, Turn::Right | Turn::Left);
    let (width, height) = match across {
        false => (layout.width, layout.height),
        true => (layout.height, layout.width),
    };
    if map.picture != picture.dimensions() || map.columns.is_empty() {
        *map = ScaleMap::new(picture.dimensions(), (width, height));
        bytes.fill(0);
    }
    match layout.bytes_per_pixel {
        2 => lay_out::<2>(picture, layout, turn, map, bytes),
        3 => lay_out::<3>(picture, layout, turn, map, bytes),
        _ => lay_out::<4>(picture, layout, turn, map, bytes),
    }
}

/// Writes the pixels, `N` bytes each, where the map and the turn say.
fn lay_out<const N: usize>(
    picture: &RgbImage,
    layout: &Layout,
    turn: Turn,
    map: &ScaleMap,
    bytes: &mut [u8],
) {
    let source = picture.as_raw();
    let row_bytes = picture.width() as usize * 3;
    let (right, bottom) = (layout.width - 1, layout.height - 1);
    let stride = layout.stride;
    for (y, row) in map.rows.iter().enumerate() {
        let row = &source[row * row_bytes..][..row_bytes];
        let y = y + map.top;
        // Where the row's first pixel comes to lie, and how far its next is from there.
        let (x, step) = (map.left, N as isize);
        let (first, step) = match turn {
            Turn::Upright => (y * stride + x * N, step),
            Turn::Right => (x * stride + (right - y) * N, stride as isize),
            Turn::Over => ((bottom - y) * stride + (right - x) * N, -step),
            Turn::Left => ((bottom - x) * stride + y * N, -(stride as isize)),
        };
        let codes = map.columns.iter().map(|at| layout.code(&row[*at..*at + 3]));
        if turn == Turn::Upright {
            for (to, code) in bytes[first..].chunks_exact_mut(N).zip(codes) {
                to.copy_from_slice(&code.to_le_bytes()[..N]);
            }
        } else {
            for (i, code) in codes.enumerate() {
                let at = first.wrapping_add_signed(step * i as isize);
                bytes[at..at + N].copy_from_slice(&code.to_le_bytes()[..N]);
            }
        }
    }
}

impl ScaleMap {
    /// The largest place of the picture's shape in the middle of the screen.
    fn new(picture: (u32, u32), screen: (usize, usize)) -> Self {
        let (pw, ph) = (f64::from(picture.0), f64::from(picture.1));
        let (sw, sh) = (screen.0 as f64, screen.1 as f64);
        let scale = (sw / pw).min(sh / ph);
        let along = |picture: u32, length: f64| -> Vec<usize> {
            let count = ((f64::from(picture) * scale).round() as usize).clamp(1, length as usize);
            (0..count)
                .map(|i| {
                    let at = (i as f64 + 0.5) * f64::from(picture) / count as f64;
                    (at as u32).min(picture.saturating_sub(1)) as usize
                })
                .collect()
        };
        if picture.0 == 0 || picture.1 == 0 {
            return ScaleMap::default();
        }
        let (columns, rows) = (along(picture.0, sw), along(picture.1, sh));
        ScaleMap {
            picture,
            left: (screen.0 - columns.len()) / 2,
            top: (screen.1 - rows.len()) / 2,
            columns: columns.iter().map(|column| column * 3).collect(),
            rows,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    fn layout(width: usize, height: usize, bits: u32, spare: usize) -> Layout {
        let field = |offset, length| BitField {
            offset,
            length,
            msb_right: 0,
        };
        let info = VarInfo {
            xres: width as u32,
            yres: height as u32,
            bits_per_pixel: bits,
            red: if bits == 16 {
                field(11, 5)
            } else {
                field(16, 8)
            },
            green: if bits == 16 { field(5, 6) } else { field(8, 8) },
            blue: if bits == 16 { field(0, 5) } else { field(0, 8) },
            ..VarInfo::default()
        };
        Layout::of(&info, (width * bits as usize / 8 + spare) as u32).unwrap()
    }

    /// 3×2: red, green, blue over white, grey, black.
    fn flag() -> RgbImage {
        let colours = [
            [255, 0, 0],
            [0, 255, 0],
            [0, 0, 255],
            [255, 255, 255],
            [128, 128, 128],
            [0, 0, 0],
        ];
        RgbImage::from_fn(3, 2, |x, y| Rgb(colours[(y * 3 + x) as usize]))
    }

    fn drawn(layout: &Layout, turn: Turn) -> Vec<u8> {
        let mut bytes = Vec::new();
        compose(&flag(), layout, turn, &mut ScaleMap::default(), &mut bytes);
        bytes
    }

    #[test]
    fn pixels_take_the_drivers_layout_and_stride() {
        let bytes = drawn(&layout(3, 2, 32, 4), Turn::Upright);
        assert_eq!(bytes.len(), 2 * 16);
        assert_eq!(bytes[..4], [0, 0, 255, 0], "red is the third byte");
        assert_eq!(bytes[12..16], [0; 4], "the spare of the line stays empty");
        assert_eq!(bytes[16..20], [255, 255, 255, 0]);
        let bytes = drawn(&layout(3, 2, 16, 0), Turn::Upright);
        // RGB565: red 0xF800, green 0x07E0, blue 0x001F, grey 128 is 0x8410.
        let codes: Vec<u16> = bytes
            .chunks(2)
            .map(|p| u16::from_le_bytes([p[0], p[1]]))
            .collect();
        assert_eq!(codes, [0xF800, 0x07E0, 0x001F, 0xFFFF, 0x8410, 0]);
        let bytes = drawn(&layout(3, 2, 24, 0), Turn::Upright);
        assert_eq!(bytes[..9], [0, 0, 255, 0, 255, 0, 255, 0, 0]);
    }

    #[test]
    fn turning_moves_the_corners_clockwise() {
        // Where the picture's red corner (top left) comes to lie.
        for (turn, width, height, red_at) in [
            (Turn::Upright, 3, 2, (0, 0)),
            (Turn::Right, 2, 3, (1, 0)),
            (Turn::Over, 3, 2, (2, 1)),
            (Turn::Left, 2, 3, (0, 2)),
        ] {
            let layout = layout(width, height, 32, 0);
            let bytes = drawn(&layout, turn);
            let at = red_at.1 * layout.stride + red_at.0 * 4;
            assert_eq!(bytes[at..at + 4], [0, 0, 255, 0], "{turn:?}");
        }
    }

    #[test]
    fn pictures_are_scaled_whole_with_bars() {
        let layout = layout(12, 6, 32, 0); // wider than 3:2
        let bytes = drawn(&layout, Turn::Upright);
        let pixel = |x: usize, y: usize| &bytes[y * layout.stride + x * 4..][..3];
        // 9×6 of the 12×6 pixels, one column left free, two right.
        assert_eq!(pixel(0, 0), [0, 0, 0], "bar");
        assert_eq!(pixel(1, 0), [0, 0, 255]);
        assert_eq!(pixel(1, 5), [255, 255, 255]);
        assert_eq!(pixel(9, 2), [255, 0, 0]);
        assert_eq!(pixel(10, 0), [0, 0, 0], "bar");
        assert_eq!(pixel(11, 0), [0, 0, 0], "bar");
    }

    #[test]
    fn layouts_that_make_no_sense_are_refused() {
        let mut info = VarInfo {
            xres: 4,
            yres: 4,
            bits_per_pixel: 8,
            ..VarInfo::default()
        };
        assert!(Layout::of(&info, 4).is_err());
        info.bits_per_pixel = 32;
        assert!(Layout::of(&info, 16).is_err(), "no colours");
        let field = BitField {
            offset: 0,
            length: 8,
            msb_right: 0,
        };
        (info.red, info.green, info.blue) = (field, field, field);
        assert!(Layout::of(&info, 16).is_ok());
        assert!(Layout::of(&info, 15).is_err(), "line too short");
    }
}
