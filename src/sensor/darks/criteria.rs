//! What darks must show before anything is read off them.

/// An exposure is long where the longest is less than this many times as long; the others are short.
pub(crate) const EXPOSURE_LEVER: f64 = 1.5;
/// Smallest range of temperature that measures a doubling step, C: about half of the smallest published step.
pub(crate) const LEAST_RANGE_C: f64 = 2.5;
/// A rate is seen where it stands this many errors above 0.
pub(crate) const SEEN_SIGMAS: f64 = 3.0;
