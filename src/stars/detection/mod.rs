//! Peaks of a frame: matched filter, heights worth a look, background beside them.

pub(crate) mod detect;
pub(crate) mod kernel;
pub(crate) mod limits;
pub(crate) mod ring;
pub(crate) mod view;
