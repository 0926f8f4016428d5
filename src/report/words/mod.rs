//! Facts as a reader sees them: every name, number and sentence.

pub(crate) mod advice;
pub(crate) mod answers;
pub(crate) mod asks;
pub(crate) mod cautions;
pub(crate) mod confidence;
pub(crate) mod cooling;
pub(crate) mod darks;
pub(crate) mod field;
pub(crate) mod first;
pub(crate) mod happenings;
pub(crate) mod header;
pub(crate) mod left_out;
pub(crate) mod light;
pub(crate) mod night;
pub(crate) mod noise_check;
pub(crate) mod numbers;
pub(crate) mod origins;
pub(crate) mod percent;
pub(crate) mod quantity;
pub(crate) mod questions;
pub(crate) mod reply;
pub(crate) mod sampling;
pub(crate) mod sensor;
pub(crate) mod sky;
pub(crate) mod star_match;
pub(crate) mod stars;
pub(crate) mod thermal;
pub(crate) mod verdict;
pub(crate) mod width;
pub(crate) mod worded;

pub use field::WordedField;
pub(crate) use percent::percent;
pub use quantity::InWords;
pub use worded::{WithSentence, Worded};
