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
mod rows;
mod words;
mod year;

pub use compare::{Altogether, Comparison, Gain, Interval, Number, OptionResult, Upgrade, Way, Worth, upgrade};
pub use measured::{MeasuredReport, ReportFileError};
pub use options::{Options, OptionsError};
pub use ratio::{Detector, Part};
pub use rows::{Row, altogether_rows, free, money, session_rows};
pub use words::{conditions, text};
pub use year::Verdict;
