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
mod night;
mod pixel_rates;
mod sampling;
mod star_image;
mod transfer;

use thiserror::Error;

pub use canvas::WIDTH;
pub use cooling::cooling_curve;
pub use dark::dark_current;
pub use exposure::noise_by_exposure;
pub use field::star_field;
pub use night::over_the_night;
pub use pixel_rates::pixel_rates;
pub use sampling::sampling_axis;
pub use star_image::star_image;
pub use transfer::{photon_transfer, transfer_residuals};

/// A chart with its words.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Figure {
    /// What the chart shows, as a statement.
    pub title: String,
    /// The chart; every text in it is escaped.
    pub svg: String,
    /// The places of its values.
    pub marks: Marks,
    /// The chart in words, with its numbers.
    pub alt: String,
    /// How to read it.
    pub caption: String,
}

/// The places of a chart's values, for a reader who points at them.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize)]
pub struct Marks {
    /// Height of the chart in its own units; its width is that of all charts.
    pub height: u32,
    pub places: Vec<Mark>,
}

/// One value and its place, chart units.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Mark {
    pub x: i32,
    pub y: i32,
    /// The value in words.
    pub words: String,
}

/// A chart could not be drawn.
#[derive(Debug, Error)]
#[error("cannot draw the chart: {reason}")]
pub struct PlotError {
    reason: String,
}
