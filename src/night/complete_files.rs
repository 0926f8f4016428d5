//! Which files of a night that is being recorded are whole.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use crate::fits::ImageFile;
use crate::folder::{Content, FoundFile};

/// Time for which a file must not have changed before it is measured. Writers that pause for longer are caught by the
/// length that the header promises, all but those of compressed files.
const QUIET: Duration = Duration::from_millis(1500);
/// Time after which a file that is not whole is taken as it is, and reported: no camera takes longer to write a frame.
const GIVEN_UP: Duration = Duration::from_secs(60);

/// Size and time of change.
type State = (u64, Option<SystemTime>);

#[derive(Debug, Clone, Copy)]
struct Seen {
    state: State,
    since: Instant,
    complete: bool,
}

/// What is known of the files so far.
#[derive(Debug, Default)]
pub struct CompleteFiles {
    files: BTreeMap<PathBuf, Seen>,
    handed_out: BTreeMap<PathBuf, State>,
}

impl CompleteFiles {
    /// The files that are whole at the time `now`; `None` where they are those of the last answer.
    pub fn sift(&mut self, files: Vec<FoundFile>, now: Instant) -> Option<Vec<FoundFile>> {
        let before = std::mem::take(&mut self.files);
        let mut whole = Vec::new();
        for file in files {
            // What never claimed to be a frame, a log that grows say, makes no report out of date.
            if matches!(file.content, Content::Other(_)) && !file.named_fits {
                whole.push(file);
                continue;
            }
            let state = state_of(&file.path);
            let mut seen = match before.get(&file.path) {
                Some(seen) if seen.state == state => *seen,
                other => Seen { state, since: first_quiet(state, now, other.is_none()), complete: false },
            };
            let quiet = now.saturating_duration_since(seen.since);
            seen.complete |= quiet >= GIVEN_UP || (quiet >= QUIET && is_whole(&file));
            self.files.insert(file.path.clone(), seen);
            if seen.complete {
                whole.push(file);
            }
        }
        let complete = self.files.iter().filter(|(_, s)| s.complete).map(|(p, s)| (p.clone(), s.state)).collect();
        let changed = self.handed_out != complete;
        self.handed_out = complete;
        changed.then_some(whole)
    }
}

/// Since when a file is quiet: one seen for the first time may have been so for long.
fn first_quiet((_, changed): State, now: Instant, first: bool) -> Instant {
    let age = changed.and_then(|t| t.elapsed().ok()).filter(|age| first && *age > GIVEN_UP);
    // An unknown file younger than that may come from a clock that is off.
    age.and_then(|age| now.checked_sub(age.min(QUIET))).unwrap_or(now)
}

fn state_of(path: &Path) -> State {
    std::fs::metadata(path).map_or((0, None), |m| (m.len(), m.modified().ok()))
}

fn is_whole(file: &FoundFile) -> bool {
    file.content == Content::Fits && ImageFile::open(&file.path).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::folder::find_files;
    use std::fs::File;

    fn header_and(data: usize) -> Vec<u8> {
        let cards =
            ["SIMPLE  =                    T", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 60", "NAXIS2  = 48", "END"];
        let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
        bytes.resize(2880, b' ');
        bytes.resize(2880 + data, 7);
        bytes
    }

    struct Night {
        dir: tempfile::TempDir,
        complete: CompleteFiles,
        start: Instant,
    }

    impl Night {
        fn new() -> Self {
            Self { dir: tempfile::tempdir().unwrap(), complete: CompleteFiles::default(), start: Instant::now() }
        }

        fn write(&self, name: &str, bytes: &[u8]) {
            std::fs::write(self.dir.path().join(name), bytes).unwrap();
        }

        fn at(&mut self, seconds: u64) -> Option<Vec<String>> {
            let files = find_files(&[self.dir.path().to_owned()], Path::new("/nonexistent")).unwrap();
            let whole = self.complete.sift(files, self.start + Duration::from_secs(seconds))?;
            Some(whole.into_iter().map(|f| f.shown).collect())
        }
    }

    #[test]
    fn a_file_is_handed_out_once_it_is_quiet_and_as_long_as_it_promises() {
        let mut night = Night::new();
        night.write("a.fits", &header_and(1440));
        assert_eq!(night.at(0), None, "just appeared");
        assert_eq!(night.at(10), None, "quiet, but half of it is missing");
        night.write("a.fits", &header_and(2880));
        assert_eq!(night.at(12), None, "it has grown");
        assert_eq!(night.at(14), Some(vec!["a.fits".to_owned()]));
        assert_eq!(night.at(16), None, "nothing new");
        std::fs::remove_file(night.dir.path().join("a.fits")).unwrap();
        assert_eq!(night.at(18), Some(vec![]), "taken away again");
    }

    #[test]
    fn a_file_that_stays_broken_is_given_up_and_reported() {
        let mut night = Night::new();
        night.write("a.fits", &header_and(1440));
        night.write("empty.fits", b"");
        assert_eq!((night.at(0), night.at(59)), (None, None));
        assert_eq!(night.at(60), Some(vec!["a.fits".to_owned(), "empty.fits".to_owned()]));
    }

    #[test]
    fn what_was_there_long_before_needs_no_waiting() {
        let mut night = Night::new();
        night.write("a.fits", &header_and(2880));
        let hours_ago = SystemTime::now() - Duration::from_secs(7200);
        File::options().write(true).open(night.dir.path().join("a.fits")).unwrap().set_modified(hours_ago).unwrap();
        assert_eq!(night.at(0), Some(vec!["a.fits".to_owned()]));
    }

    #[test]
    fn a_growing_log_makes_no_new_report() {
        let mut night = Night::new();
        night.write("a.fits", &header_and(2880));
        night.write("guide.log", b"19:00:00 settled, rms 0.6 px, star at 312.4");
        night.at(0);
        assert_eq!(night.at(2).unwrap().len(), 2);
        night.write("guide.log", b"19:00:00 settled, rms 0.6 px, star at 312.4\n19:00:02 ...");
        assert_eq!(night.at(4), None);
    }
}
