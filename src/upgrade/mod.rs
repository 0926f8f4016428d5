//! Whether other gear pays off: options of the user's own against what a report measured.
#![doc = include_str!("README.md")]

mod altogether;
mod compare;
mod geometry;
mod hours_figure;
mod keys;
mod measured;
mod options;
mod page;
mod pairing;
mod ratio;
mod read_options;
mod rows;
mod words;
mod write;

pub use altogether::Altogether;
pub use compare::{Comparison, Gain, Interval, Number, OptionResult, Upgrade, Way, Worth, upgrade};
pub use measured::{MeasuredReport, ReportFileError};
pub use options::{Options, OptionsError};
pub use ratio::{Detector, Part};
pub use rows::{Row, altogether_rows, free, money, not_computable, session_rows};
pub use words::{conditions, text};
pub use write::write_upgrade;
