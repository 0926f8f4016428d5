//! Facts as a reader sees them: every name, number and sentence.

pub(crate) mod advice;
pub(crate) mod answers;
pub(crate) mod darks;
pub(crate) mod field;
pub(crate) mod light;
pub(crate) mod night;
pub(crate) mod numbers;
pub(crate) mod origins;
pub(crate) mod quantity;
pub(crate) mod sensor;
pub(crate) mod sky;
pub(crate) mod star_match;
pub(crate) mod stars;
pub(crate) mod verdict;
pub(crate) mod width;
pub(crate) mod worded;

pub(crate) use crate::verdict::percent;
pub use field::WordedField;
pub use quantity::InWords;
pub use worded::{Told, Worded};
