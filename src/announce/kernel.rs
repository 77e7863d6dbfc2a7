//! The framebuffer's and the console's ioctls: one function each, safe to call.
//!
//! Structures as in Linux's `<linux/fb.h>`, numbers as there and in
//! `<linux/kd.h>`; their sizes are under test.
#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::os::fd::AsRawFd;

const FBIOGET_VSCREENINFO: libc::c_ulong = 0x4600;
const FBIOGET_FSCREENINFO: libc::c_ulong = 0x4602;
const FBIOPAN_DISPLAY: libc::c_ulong = 0x4606;
const FBIOBLANK: libc::c_ulong = 0x4611;
/// `_IOW('F', 0x20, __u32)`.
const FBIO_WAITFORVSYNC: libc::c_ulong = 0x4004_4620;
const KDSETMODE: libc::c_ulong = 0x4B3A;
const KDGETMODE: libc::c_ulong = 0x4B3B;

/// Text console with its cursor.
pub(super) const KD_TEXT: libc::c_int = 0;
/// Console that leaves the screen to us.
pub(super) const KD_GRAPHICS: libc::c_int = 1;

/// `struct fb_bitfield`.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct BitField {
    pub offset: u32,
    pub length: u32,
    pub msb_right: u32,
}

/// `struct fb_var_screeninfo`.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct VarInfo {
    pub xres: u32,
    pub yres: u32,
    pub xres_virtual: u32,
    pub yres_virtual: u32,
    pub xoffset: u32,
    pub yoffset: u32,
    pub bits_per_pixel: u32,
    pub grayscale: u32,
    pub red: BitField,
    pub green: BitField,
    pub blue: BitField,
    pub transp: BitField,
    pub nonstd: u32,
    pub activate: u32,
    pub height_mm: u32,
    pub width_mm: u32,
    pub accel_flags: u32,
    pub timing: [u32; 9],
    pub rotate: u32,
    pub colorspace: u32,
    pub reserved: [u32; 4],
}

/// `struct fb_fix_screeninfo`.
#[repr(C)]
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct FixInfo {
    pub id: [u8; 16],
    pub smem_start: libc::c_ulong,
    pub smem_len: u32,
    pub kind: u32,
    pub type_aux: u32,
    pub visual: u32,
    pub xpanstep: u16,
    pub ypanstep: u16,
    pub ywrapstep: u16,
    pub line_length: u32,
    pub mmio_start: libc::c_ulong,
    pub mmio_len: u32,
    pub accel: u32,
    pub capabilities: u16,
    pub reserved: [u16; 2],
}

fn done(result: libc::c_int) -> io::Result<()> {
    if result < 0 {
        return Err(io::Error::last_os_error());
    }
    Ok(())
}

/// Size, layout and offset of the visible part.
pub(super) fn var_info(device: &File) -> io::Result<VarInfo> {
    let mut info = VarInfo::default();
    // SAFETY: the descriptor is open for as long as `device` is borrowed, and
    // the kernel fills exactly one `fb_var_screeninfo`, which `info` is.
    done(unsafe { libc::ioctl(device.as_raw_fd(), FBIOGET_VSCREENINFO as _, &mut info) })?;
    Ok(info)
}

/// Memory size and bytes in a line.
pub(super) fn fix_info(device: &File) -> io::Result<FixInfo> {
    let mut info = FixInfo::default();
    // SAFETY: as above, with one `fb_fix_screeninfo`.
    done(unsafe { libc::ioctl(device.as_raw_fd(), FBIOGET_FSCREENINFO as _, &mut info) })?;
    Ok(info)
}

/// Waits until the screen is between two pictures, where the driver can tell.
pub(super) fn wait_for_gap(device: &File) -> io::Result<()> {
    let mut crtc: u32 = 0;
    // SAFETY: as above; the kernel reads one `__u32`.
    done(unsafe { libc::ioctl(device.as_raw_fd(), FBIO_WAITFORVSYNC as _, &mut crtc) })
}

/// Shows the part of the memory that `info` gives the offset of.
pub(super) fn pan(device: &File, info: &mut VarInfo) -> io::Result<()> {
    // SAFETY: as above; the kernel reads and may write one `fb_var_screeninfo`.
    done(unsafe {
        libc::ioctl(
            device.as_raw_fd(),
            FBIOPAN_DISPLAY as _,
            info as *mut VarInfo,
        )
    })
}

/// Ends blanking.
pub(super) fn unblank(device: &File) -> io::Result<()> {
    // SAFETY: the argument is a plain number, 0 for "not blanked".
    done(unsafe { libc::ioctl(device.as_raw_fd(), FBIOBLANK as _, 0 as libc::c_ulong) })
}

/// Text or graphics mode of a console.
pub(super) fn console_mode(tty: &File) -> io::Result<libc::c_int> {
    let mut mode: libc::c_int = KD_TEXT;
    // SAFETY: the kernel writes one `int`, which `mode` is.
    done(unsafe { libc::ioctl(tty.as_raw_fd(), KDGETMODE as _, &mut mode) })?;
    Ok(mode)
}

/// Sets the mode of a console.
pub(super) fn set_console_mode(tty: &File, mode: libc::c_int) -> io::Result<()> {
    // SAFETY: the argument is a plain number.
    done(unsafe { libc::ioctl(tty.as_raw_fd(), KDSETMODE as _, mode as libc::c_ulong) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sizes compiled from Linux 6.1's headers, 64-bit.
    #[test]
    #[cfg(target_pointer_width = "64")]
    fn structures_have_the_kernels_size() {
        assert_eq!(size_of::<BitField>(), 12);
        assert_eq!(size_of::<VarInfo>(), 160);
        assert_eq!(size_of::<FixInfo>(), 80);
    }

    #[test]
    fn a_file_that_is_no_screen_is_an_error() {
        let file = tempfile::tempfile().unwrap();
        assert!(var_info(&file).is_err());
        assert!(fix_info(&file).is_err());
        assert!(console_mode(&file).is_err());
    }
}
