//! Where the tip is: drift between images, levelling, centring on a maximum, and when to do it again.

mod centre;
mod drift;
mod image;
mod level;
mod shift;

pub use centre::{Centre, recentre};
pub use drift::{Drift, Due, drift};
pub use image::Image;
pub use level::{Plane, level_lines, level_plane};
pub use shift::{Shift, register};
