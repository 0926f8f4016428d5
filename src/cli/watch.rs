//! `skygrain night --watch`: the report kept current while a night is recorded.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use super::error::CliError;
use super::job::{Job, Task};
use super::output::print;
use super::progress::Say;
use crate::night::{CompleteFiles, NightError};
use crate::report::{FrameStatus, Report, frame_line};

/// Time between two looks at the folders. Frames seldom come faster; and listing is how files on a network share are
/// noticed, where the system tells nobody of them.
const INTERVAL: Duration = Duration::from_secs(2);

/// Measures what is there, then every file that comes, until the user ends it.
pub fn watch(task: Task, say: Say) -> Result<u8, CliError> {
    let (job, files) = Job::ready(task, "no longer watching; the report is as it was last written", say)?;
    if say != Say::Little {
        eprintln!("skygrain: watching; the report goes to {}; Ctrl-C ends", job.task.input.out.display());
    }
    let mut complete = CompleteFiles::default();
    let mut told: BTreeMap<String, FrameStatus> = BTreeMap::new();
    let mut trouble = String::new();
    let mut found: Result<_, CliError> = Ok(files);
    loop {
        match found {
            Ok(files) => {
                trouble.clear();
                if let Some(files) = complete.sift(files, Instant::now()) {
                    match job.report_on(files) {
                        Ok(done) => print(&lines(&done.report, &mut told))?,
                        // The night may be young.
                        Err(CliError::Night(NightError::NoFrames { .. })) => {}
                        Err(error) => return Err(error),
                    }
                }
            }
            // A share may be away for a while; it is told once.
            Err(error) if trouble != error.to_string() => {
                trouble = error.to_string();
                eprintln!("skygrain: {trouble}");
            }
            Err(_) => {}
        }
        std::thread::sleep(INTERVAL);
        found = job.files();
    }
}

/// A line for each frame that is new, or is now used or left out where it was not before.
fn lines(report: &Report, told: &mut BTreeMap<String, FrameStatus>) -> String {
    let mut text = String::new();
    for row in &report.frames {
        // Logs and pictures among the frames are no frames.
        let claims = row.status != FrameStatus::Excluded || row.width.is_some();
        if claims && told.insert(row.path.clone(), row.status) != Some(row.status) {
            text += &frame_line(row);
            text.push('\n');
        }
    }
    text
}
