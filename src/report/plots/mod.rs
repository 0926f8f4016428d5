//! Charts as SVG text that takes its fonts and colours from the page around it.
//!
//! Every chart carries a title that states what it shows, and the same in words with its numbers for those who do not
//! see it.

pub(crate) mod canvas;
mod contours;
mod cooling;
mod dark;
mod exposure;
mod field;
pub(crate) mod figure;
mod night;
mod pixel_rates;
mod sampling;
mod star_image;
mod transfer;

pub use canvas::WIDTH;
pub use cooling::cooling_curve;
pub use dark::dark_current;
pub use exposure::noise_by_exposure;
pub use field::star_field;
pub use figure::{Figure, PlotError};
pub use night::over_the_night;
pub use pixel_rates::pixel_rates;
pub use sampling::sampling_axis;
pub use star_image::star_image;
pub use transfer::{photon_transfer, transfer_residuals};
