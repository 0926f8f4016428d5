//! Facts as a reader sees them: every name, number and sentence.

pub(crate) mod numbers;
pub(crate) mod origins;
