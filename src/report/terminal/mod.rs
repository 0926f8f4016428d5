//! What the terminal shows: the summary of a run, tables and lines of frames, how one file was understood.

pub(crate) mod columns;
pub(crate) mod explained;
pub(crate) mod line;
pub(crate) mod summary;
pub(crate) mod table;
