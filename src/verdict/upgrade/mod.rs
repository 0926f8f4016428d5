//! Whether other gear pays off: options of the user's own against what a report measured.

mod compare;
mod free;
mod geometry;
mod keys;
mod measured;
mod options;
mod pairing;
mod ratio;
mod read_options;
mod words;
mod year;

pub use compare::{Comparison, Gain, Interval, Number, OptionResult, Upgrade, Worth, upgrade};
pub use measured::{MeasuredReport, ReportFileError};
pub use options::{Options, OptionsError};
pub use ratio::{Detector, Part};
pub use words::text;
pub use year::Verdict;
