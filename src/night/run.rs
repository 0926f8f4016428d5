//! One run: from the files to the report.

use std::path::PathBuf;

use crate::folder::{FolderError, FoundFile, find_files};
use crate::report::Report;

use super::cache::Kept;
use super::input::{NightInput, Progress, Scope};
use super::intake::{Intake, look_at_all};
use super::sessions::Beside;
use super::{
    ceilings, duplicates, events, hot_in_lights, lights, mosaics, notices, one_name, sensors, sessions, set_apart,
    sky_noise, star_match, sub_frames, unknown_kinds,
};

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
    #[error(
        "files found below {folders}: {found}, none of them a usable FITS frame; the first: {first}. Give the folder with the FITS files that the camera wrote; `--explain FILE` says what is the matter with one"
    )]
    NoFrames { folders: String, found: usize, first: String },
}

/// Measures every frame below the folders; nothing is kept.
///
/// # Errors
///
/// A folder that cannot be used, or no usable frame at all. A bad file is a row of the report.
///
/// # Examples
///
/// A simulated night, whose camera has a read noise of 3.4 e-:
///
/// ```
/// use skygrain::folder::Rig;
/// use skygrain::night::{NightInput, Scope, run};
/// use skygrain::simulate::write_night;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let dir = tempfile::tempdir()?;
/// let (night, out) = (dir.path().join("night"), dir.path().join("report"));
/// let truth = write_night(&night, 1, &|_, _| {})?;
/// let input = NightInput { folders: vec![night], out, rig: Rig::default(), stars: false };
/// let report = run(&input, Scope::Sensor, &|_, _, _| {})?;
/// let (read_noise_e, sigma) = report.sensors[0].result.read_noise_e.pair().expect("there are biases and flats");
/// assert!((read_noise_e - truth.read_noise_e).abs() < 5.0 * sigma);
/// # Ok(())
/// # }
/// ```
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
    let mut intakes = look_at_all(files, &input.rig, kept, progress);
    unknown_kinds::tell_unknown_kinds(&mut intakes);
    duplicates::leave_out_copies(&mut intakes);
    if !intakes.iter().any(|i| i.read().is_some()) {
        let folders = input.folders.iter().map(|f| f.display().to_string()).collect::<Vec<_>>().join(", ");
        let first = intakes.first().map_or_else(|| "no file".to_owned(), Intake::first_words);
        return Err(NightError::NoFrames { folders, found: intakes.len(), first });
    }
    set_apart::by_pitch(&mut intakes);
    set_apart::take_exposed_biases_for_darks(&mut intakes);
    set_apart::leave_out_processed(&mut intakes);
    let mut warnings = Vec::new();
    sub_frames::find_windows(&mut intakes, &mut warnings);
    set_apart::by_epoch(&mut intakes);
    warnings.extend(notices::intake_notices(&intakes));
    one_name::unify_filters(&mut intakes, &mut warnings);
    mosaics::tell_mosaics(&mut intakes, &input.rig, &mut warnings);
    let mut sensors = sensors::measure_sensors(&mut intakes, &input.rig, kept, progress, &mut warnings);
    if scope == Scope::Sensor {
        return Ok(sessions::report_of_sensors(intakes, sensors, warnings));
    }
    hot_in_lights::learn(&mut sensors, &intakes, kept, &mut warnings);
    let mut measured = lights::measure_all(&mut intakes, &sensors, kept, progress, &mut warnings);
    events::leave_out_the_unlike(&mut measured, &mut intakes, &sensors);
    ceilings::learn(&mut sensors, &measured);
    if scope == Scope::Frames {
        return Ok(sessions::report_of_frames(intakes, &measured, sensors, warnings));
    }
    let matches = star_match::match_sessions(&measured, &|light| lights::places_of(light, &intakes, &sensors, kept));
    let noise = sky_noise::of_sessions(&measured, &intakes, &sensors, kept);
    let beside = Beside { matches, noise };
    Ok(sessions::report_of_night(intakes, measured, sensors, &beside, input, warnings))
}
