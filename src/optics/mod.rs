//! Lens models, mount, and the projection between picture and ground.

pub mod calibrate;
mod ground;
mod lens;
mod mount;

pub use ground::{Ground, GroundPoint};
pub use lens::{Lens, LensModel, PixelPoint};
pub use mount::Mount;
