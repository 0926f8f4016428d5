//! What the user asked for, and what a run is at.

use std::path::PathBuf;

use crate::folder::Rig;

/// What the user asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct NightInput {
    /// Folders that hold the frames.
    pub folders: Vec<PathBuf>,
    /// Where the report goes; never searched for frames.
    pub out: PathBuf,
    /// The rig file's contents.
    pub rig: Rig,
    /// Whether the report keeps the fitted stars of each frame: a few hundred rows a frame.
    pub stars: bool,
}

/// Which part of the report is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// Everything.
    Night,
    /// The rows of the frames alone: sessions are neither looked up on the sky nor judged.
    Frames,
    /// The detector alone: lights are listed and left alone.
    Sensor,
}

/// What the program is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Reading headers and a sample of rows.
    Looking,
    /// Bias, dark and flat frames.
    Sensor,
    /// Light frames.
    Stars,
}

/// Reports that `done` of `total` frames of a stage are through. Called from any thread.
pub type Progress<'a> = &'a (dyn Fn(Stage, usize, usize) + Sync);
