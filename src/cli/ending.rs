//! The end that a user or the system asks for: at once, but never in the midst of writing the report.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::progress::Say;
use super::status::NOTHING;
use crate::whole_file::remove_own;

/// Ends the program when it is asked to (Ctrl-C, or SIGTERM and SIGHUP).
pub struct Ending {
    writing: Arc<Mutex<()>>,
    status: Arc<AtomicU8>,
}

impl Ending {
    /// From here on an end removes what is unfinished in `folders`, says `words`, and has the status of the last report.
    pub fn prepared(folders: Vec<PathBuf>, words: String, say: Say) -> Self {
        let ending = Self { writing: Arc::default(), status: Arc::new(AtomicU8::new(NOTHING)) };
        let (writing, status) = (Arc::clone(&ending.writing), Arc::clone(&ending.status));
        let end = move || {
            let _whole = writing.lock().unwrap_or_else(PoisonError::into_inner);
            folders.iter().for_each(|f| remove_own(f));
            if say != Say::Little {
                eprintln!("\nskygrain: {words}");
            }
            std::process::exit(i32::from(status.load(Ordering::Relaxed)));
        };
        // Without it the system ends the program: whole files are whole, an unfinished one may be left.
        let _ = ctrlc::set_handler(end);
        ending
    }

    /// While this is held, an end waits.
    pub fn wait(&self) -> MutexGuard<'_, ()> {
        self.writing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A report was written, and this is its status.
    pub fn written(&self, status: u8) {
        self.status.store(status, Ordering::Relaxed);
    }
}
