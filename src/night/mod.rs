//! The main job: a night's folders in, a report out. Wires the stages; rayon over frames.
#![doc = include_str!("README.md")]

mod cache;
mod complete_files;
mod dark_match;
mod decision;
mod duplicates;
mod explain;
mod intake;
mod lights;
mod notices;
mod over_field;
mod same_stars;
mod sensors;
mod session;
mod sessions;
mod star_match;

use std::path::PathBuf;

use crate::folder::{FolderError, FoundFile, FrameKind, Rig, find_files};
use crate::report::Report;

pub use explain::explain;
use intake::{Intake, Read};

pub use cache::{Kept, Tally, What};
pub use complete_files::Settled;

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

/// Why no report came of it.
#[derive(Debug, thiserror::Error)]
pub enum NightError {
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// CFITSIO was built for one thread only; the bundled one never is.
    #[error("the linked CFITSIO is not re-entrant; build with the bundled one (cargo feature fitsio-src)")]
    NotReentrant,
    /// A file to explain that is none of the folders'.
    #[error("{file} does not lie below {folders}; give its folder, or no folder at all", file = file.display())]
    NotBelow { file: PathBuf, folders: String },
    /// Nothing to measure.
    #[error("{found} files found below {folders}, none of them a usable FITS frame; the first: {first}")]
    NoFrames { folders: String, found: usize, first: String },
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

/// Measures every frame below the folders; nothing is kept.
///
/// # Errors
///
/// A folder that cannot be used, or no usable frame at all. A bad file is a row of the report.
pub fn run(input: &NightInput, scope: Scope, progress: Progress) -> Result<Report, NightError> {
    run_on(find_files(&input.folders, &input.out)?, input, scope, &Kept::nothing(), progress)
}

/// Measures the files given, but for what was measured before and `kept`: the report is the same to the byte.
///
/// # Errors
///
/// No usable frame at all. A bad file is a row of the report.
pub fn run_on(
    files: Vec<FoundFile>,
    input: &NightInput,
    scope: Scope,
    kept: &Kept,
    progress: Progress,
) -> Result<Report, NightError> {
    if !crate::fits::is_reentrant() {
        return Err(NightError::NotReentrant);
    }
    let mut intakes = intake::look_at_all(files, &input.rig, kept, progress);
    duplicates::leave_out_copies(&mut intakes);
    if !intakes.iter().any(|i| i.read().is_some()) {
        let folders = input.folders.iter().map(|f| f.display().to_string()).collect::<Vec<_>>().join(", ");
        let first = intakes.first().map_or_else(|| "no file at all".to_owned(), Intake::first_words);
        return Err(NightError::NoFrames { folders, found: intakes.len(), first });
    }
    let mut warnings = notices::intake_notices(&intakes);
    let sensors = sensors::measure_sensors(&mut intakes, &input.rig, kept, progress, &mut warnings);
    if scope == Scope::Sensor {
        return Ok(sessions::report_of_sensors(intakes, sensors, warnings));
    }
    let measured = lights::measure_all(&mut intakes, &sensors, kept, progress, &mut warnings);
    if scope == Scope::Frames {
        return Ok(sessions::report_of_frames(intakes, &measured, sensors, warnings));
    }
    let matches = star_match::match_sessions(&measured, &|light| lights::places_of(light, &intakes, &sensors, kept));
    Ok(sessions::report_of_night(intakes, measured, sensors, &matches, &input.rig, input.stars, warnings))
}

/// The reads of one kind, with their place in the list.
fn reads_of(intakes: &[Intake], kinds: &[FrameKind]) -> Vec<(usize, Read)> {
    let wanted = |i: &Intake| i.read().filter(|r| kinds.contains(&r.kind)).cloned();
    intakes.iter().enumerate().filter_map(|(k, i)| wanted(i).map(|r| (k, r))).collect()
}
