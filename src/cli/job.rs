//! `skygrain night` and `skygrain sensor`: one job from the folders to the files of the report.

use std::path::{Path, PathBuf};

use super::ending::Ending;
use super::error::CliError;
use super::output::print;
use super::progress::{Bar, Say};
use super::status::{SOME_LEFT_OUT, status_of};
use crate::folder::{Content, FoundFile, content_of, find_files};
use crate::night::{Kept, NightError, NightInput, Scope, Tally, What, run_on};
use crate::report::{
    DefectFileError, FrameStatus, Report, ReportFiles, check_defect_file, is_defect_file, is_stars_file, make_ready,
    summary, write, write_defect_file, write_stars,
};
use crate::whole_file::unmake_folder;

/// Folder of the measurements that are kept, beside the report.
const CACHE: &str = "cache";
/// Unreadable files named on standard error; a whole card of broken files would push the result off the screen.
const MOST_NAMED: usize = 10;

/// What is asked for.
pub struct Task {
    pub input: NightInput,
    pub scope: Scope,
    /// Where the defect map goes.
    pub defects: Option<PathBuf>,
    /// Whether everything is measured anew.
    pub fresh: bool,
}

/// A task whose places have been seen to be usable.
pub struct Job {
    pub task: Task,
    kept: Kept,
    ending: Ending,
    say: Say,
    /// The topmost folder that was made for the report.
    made: Option<PathBuf>,
}

/// What a report came to.
pub struct Done {
    pub report: Report,
    pub written: ReportFiles,
    stars: Option<(PathBuf, usize)>,
    defects: Option<PathBuf>,
    pub status: u8,
}

impl Job {
    /// Refuses before hours of frames are measured, not after; with the files that are there. An end from outside says
    /// `at_end`.
    pub fn ready(task: Task, at_end: &str, say: Say) -> Result<(Self, Vec<FoundFile>), CliError> {
        let (folders, out) = (&task.input.folders, &task.input.out);
        if let Some(path) = &task.defects {
            check_defect_file(path, folders)?;
        }
        check_out(folders, out)?;
        // Nothing is made for folders that are not there.
        let files = find_files(folders, out).map_err(NightError::from)?;
        let made = make_ready(out)?;
        let cache = out.join(CACHE);
        let mut places = vec![out.clone(), cache.clone()];
        places.extend(task.defects.as_ref().and_then(|d| d.parent()).map(Path::to_owned));
        let ending = Ending::prepared(places, at_end.to_owned(), say);
        let kept = Kept::in_folder(cache, task.fresh);
        Ok((Self { task, kept, ending, say, made }, files))
    }

    /// All files below the folders.
    pub fn files(&self) -> Result<Vec<FoundFile>, CliError> {
        Ok(find_files(&self.task.input.folders, &self.task.input.out).map_err(NightError::from)?)
    }

    /// Measures these files and writes all that was asked for.
    pub fn report_on(&self, files: Vec<FoundFile>) -> Result<Done, CliError> {
        let input = &self.task.input;
        let bar = Bar::new(self.say);
        let progress = |stage, done, total| bar.show(stage, done, total);
        let report = run_on(files, input, self.task.scope, &self.kept, &progress);
        bar.finish();
        let report = report.inspect_err(|_| {
            if let Some(top) = &self.made {
                unmake_folder(&input.out, top);
            }
        })?;
        self.say_what_was_kept();
        let _whole = self.ending.wait();
        let written = write(&report, &input.out)?;
        let stars = if input.stars {
            let path = written.json.with_file_name("stars.fits");
            let rows = write_stars(&report, &path)?;
            Some((path, rows))
        } else {
            None
        };
        let mut status = status_of(&report);
        let mut defects = None;
        if let Some(path) = &self.task.defects {
            let maps: Vec<_> =
                report.sensors.iter().filter_map(|s| Some((s.id.as_str(), s.defects.as_ref()?))).collect();
            match write_defect_file(path, &maps, &input.folders) {
                Ok(()) => defects = Some(path.clone()),
                Err(error @ DefectFileError::NoDarks) => {
                    eprintln!("skygrain: {error}");
                    status = SOME_LEFT_OUT;
                }
                Err(error) => return Err(error.into()),
            }
        }
        // Of a sensor alone the lights were not looked for: theirs may serve a later night.
        self.kept.close(self.task.scope == Scope::Night);
        self.ending.written(status);
        Ok(Done { report, written, stars, defects, status })
    }

    fn say_what_was_kept(&self) {
        if self.say == Say::Much {
            for (what, name) in [(What::Look, "files"), (What::Sensor, "sensors"), (What::Light, "lights")] {
                let Tally { measured, kept } = self.kept.tally(what);
                if measured + kept > 0 {
                    eprintln!("skygrain: {name}: {measured} measured, {kept} as kept from earlier");
                }
            }
        }
        if let (true, Some((folder, why))) = (self.say != Say::Little, self.kept.trouble()) {
            eprintln!(
                "skygrain: measurements cannot be kept in {}: {why}; the next run will measure them again",
                folder.display()
            );
        }
    }
}

impl Done {
    /// Says on standard output what was found and where it lies.
    pub fn print(&self) -> Result<(), CliError> {
        print(&summary(&self.report, Some(&self.written)))?;
        if let Some((path, rows)) = &self.stars {
            print(&format!("{:<12}{} ({rows} stars)\n", "Stars", path.display()))?;
        }
        if let Some(path) = &self.defects {
            print(&format!("{:<12}{}\n", "Defects", path.display()))?;
        }
        Ok(())
    }
}

/// Measures once and prints the summary.
pub fn once(task: Task, say: Say) -> Result<Done, CliError> {
    let at_end = "ended early, without a new report; the same command goes on from the frames that were measured";
    let (job, files) = Job::ready(task, at_end, say)?;
    let done = job.report_on(files)?;
    if say != Say::Little {
        name_the_unreadable(&done.report);
    }
    done.print()?;
    Ok(done)
}

/// Names files that could not be read on standard error, the first of them at least.
fn name_the_unreadable(report: &Report) {
    let unreadable: Vec<_> = report.frames.iter().filter(|f| f.status == FrameStatus::Unreadable).collect();
    for frame in unreadable.iter().take(MOST_NAMED) {
        // A name may hold control characters, which are the terminal's business, not the name's.
        eprintln!("skygrain: {:?}: {}", frame.path, frame.reason().unwrap_or_else(|| "not readable".to_owned()));
    }
    if unreadable.len() > MOST_NAMED {
        eprintln!("skygrain: and {} more, see frames.csv", unreadable.len() - MOST_NAMED);
    }
}

/// The report may lie below the folder of frames, in a folder of its own, but not where a frame lies.
fn check_out(folders: &[PathBuf], out: &Path) -> Result<(), CliError> {
    let Ok(out_is) = out.canonicalize() else { return Ok(()) };
    let is_input = folders.iter().any(|f| f.canonicalize().is_ok_and(|f| f == out_is || f.starts_with(&out_is)));
    // Below the frames' folder, frames further down in `out` would not be searched and so would vanish.
    let is_below = folders.iter().any(|f| f.canonicalize().is_ok_and(|f| out_is.starts_with(f)));
    let depth = if is_below { usize::MAX } else { 1 };
    let holds_frames = || {
        let entries = walkdir::WalkDir::new(&out_is).max_depth(depth).follow_links(true).into_iter().flatten();
        let is_ours = |path: &Path| is_stars_file(path) || is_defect_file(path);
        let is_frame = |path: &Path| content_of(path) == Content::Fits && !is_ours(path);
        entries.filter(|e| e.file_type().is_file()).any(|e| is_frame(e.path()))
    };
    if is_input || holds_frames() {
        return Err(CliError::OutAmongFrames { out: out.to_owned() });
    }
    Ok(())
}
