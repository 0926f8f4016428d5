//! The comparison in words: every name and sentence that a reader sees of it.

pub(crate) mod letter;
pub(crate) mod names;
pub(crate) mod reasons;
pub(crate) mod rows;
pub(crate) mod screen;
