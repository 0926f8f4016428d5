//! Words for a sensor, from its calibration frames.

mod caution;
pub(crate) mod dark;
mod method;
mod missing;
mod note;

pub(crate) use caution::caution;
pub(crate) use method::method;
pub(crate) use missing::missing;
pub(crate) use note::note;
