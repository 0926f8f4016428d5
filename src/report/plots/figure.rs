//! A chart with its words and the places of its values.

use thiserror::Error;

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
    pub(crate) reason: String,
}
