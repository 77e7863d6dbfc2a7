//! Where pictures come from: the [`Source`] trait, clip readers, the camera
//! device, pixel formats and the (scaled) decoder.

mod avi_writer;
mod clip;
mod convert;
mod decode;
mod encode;
mod frame;
mod jpeg_header;
#[cfg(feature = "v4l2")]
mod v4l_source;

pub use avi_writer::AviWriter;
pub use clip::{clip_companions, ClipSource};
pub use convert::picture_to_rgb;
pub use decode::{DecodeError, Decoder};
pub use encode::JpegEncoder;
pub use frame::{Picture, PixelFormat, Plane, Range, RawFrame};
#[cfg(feature = "v4l2")]
pub use v4l_source::V4lSource;

/// What one attempt to grab a frame brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Grab {
    /// The frame buffer now holds a new frame.
    Frame,
    /// There is a frame at this place, but it cannot be read; `seq` and
    /// `captured` of the buffer are set, its bytes are not to be used.
    Broken(String),
    /// Nothing came within the time limit. A live source may recover.
    Timeout,
    /// The clip is over.
    End,
}

/// A supplier of frames: a clip or a camera.
pub trait Source {
    /// Waits for the next frame (a clip: reads it; a camera: the newest) and
    /// puts it into `frame`, reusing its buffer.
    ///
    /// # Errors
    /// Only when the source is lost for good; what may pass is a [`Grab`].
    fn grab(&mut self, frame: &mut RawFrame) -> anyhow::Result<Grab>;

    /// Frames in all, if the source has an end.
    fn frame_count(&self) -> Option<u64>;

    /// Picture width and height in pixels.
    fn size(&self) -> (u32, u32);

    /// What to call the source in messages.
    fn name(&self) -> &str;
}
