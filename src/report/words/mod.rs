//! Facts as a reader sees them: every name, number and sentence.

pub(crate) mod answers;
pub(crate) mod cautions;
pub(crate) mod header;
pub(crate) mod left_out;
pub(crate) mod night;
pub(crate) mod numbers;
pub(crate) mod origins;
pub(crate) mod quantity;
pub(crate) mod sensor;
pub(crate) mod sky;
pub(crate) mod stars;
pub(crate) mod verdict;
pub(crate) mod worded;

pub use quantity::InWords;
pub use worded::Worded;
