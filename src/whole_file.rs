//! Files that stand in their place whole or not at all: written beside it, then renamed.

use std::io::{Error, ErrorKind, Result, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::{NamedTempFile, TempDir};

const PREFIX: &str = ".skygrain-";
const SUFFIX: &str = ".part";
/// Age from which an unfinished file belongs to a run that was killed: writing one takes seconds.
const LEFT_BEHIND: Duration = Duration::from_secs(3600);

/// An empty file in `dir`, to be renamed into its place; it goes when dropped.
///
/// # Errors
///
/// The folder cannot be written to.
pub fn temporary_in(dir: &Path) -> Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    // The user's umask decides who may read a result, as for any other file.
    #[cfg(unix)]
    builder.permissions(<std::fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o666));
    builder.prefix(&own_prefix()).suffix(SUFFIX).tempfile_in(dir).map_err(without_name)
}

/// A folder in `dir` for files that another library must name itself; it goes when dropped.
///
/// # Errors
///
/// As [`temporary_in`].
pub fn temporary_folder_in(dir: &Path) -> Result<TempDir> {
    tempfile::Builder::new().prefix(&own_prefix()).suffix(SUFFIX).tempdir_in(dir).map_err(without_name)
}

/// A file with these bytes in `dir`, to be renamed into its place.
///
/// # Errors
///
/// As [`temporary_in`], or the disk is full.
pub fn ready_in(dir: &Path, bytes: &[u8]) -> Result<NamedTempFile> {
    let mut file = temporary_in(dir)?;
    file.as_file_mut().write_all(bytes)?;
    Ok(file)
}

/// Makes a folder if need be and sees that files can be made there; the topmost folder that was not there before.
///
/// # Errors
///
/// Neither can be done.
pub fn make_folder(dir: &Path) -> Result<Option<PathBuf>> {
    let missing = |d: &&Path| !d.as_os_str().is_empty() && !d.exists();
    let top = dir.ancestors().take_while(missing).last().map(Path::to_owned);
    std::fs::create_dir_all(dir)?;
    temporary_in(dir)?;
    Ok(top)
}

/// Removes the folders from `dir` up to `top` as far as they are empty.
pub fn unmake_folder(dir: &Path, top: &Path) {
    for folder in dir.ancestors().take_while(|d| d.starts_with(top)) {
        if std::fs::remove_dir(folder).is_err() {
            return;
        }
    }
}

/// Removes what this process has not finished in `dir`: for an end that drops nothing.
pub fn remove_own(dir: &Path) {
    remove(dir, |name, _| name.starts_with(&own_prefix()));
}

/// Removes what killed runs have not finished in `dir`.
pub fn remove_left_behind(dir: &Path) {
    remove(dir, |name, age| name.starts_with(PREFIX) && age.is_some_and(|age| age > LEFT_BEHIND));
}

/// What helps against a failure to write; empty where nothing general does.
pub fn remedy(error: &Error) -> &'static str {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => {
            "; make room there, or choose another folder with --out"
        }
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            "; choose a folder that you may write to with --out"
        }
        _ => "",
    }
}

/// With the number of the process, so that it can tell its own.
fn own_prefix() -> String {
    format!("{PREFIX}{}-", std::process::id())
}

/// The name of an unfinished file says nothing to the user.
fn without_name(error: Error) -> Error {
    error.kind().into()
}

fn remove(dir: &Path, is_meant: impl Fn(&str, Option<Duration>) -> bool) {
    for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let age = entry.metadata().and_then(|m| m.modified()).ok().and_then(|m| m.elapsed().ok());
        if name.ends_with(SUFFIX) && is_meant(&name, age) {
            let path = entry.path();
            // A failure leaves a file that says what it is.
            let _ = if path.is_dir() { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_this_process_left_unfinished_goes() {
        let dir = tempfile::tempdir().unwrap();
        let own = temporary_in(dir.path()).unwrap().into_temp_path().keep().unwrap();
        let folder = temporary_folder_in(dir.path()).unwrap().keep();
        let foreign = dir.path().join(".skygrain-1-abc.part");
        let kept = dir.path().join("report.json");
        std::fs::write(&foreign, "").unwrap();
        std::fs::write(&kept, "").unwrap();
        remove_own(dir.path());
        assert!(!own.exists() && !folder.exists() && foreign.exists() && kept.exists());
        // Another process may be at it, unless it is old.
        remove_left_behind(dir.path());
        assert!(foreign.exists());
        let long_ago = std::time::SystemTime::now() - 2 * LEFT_BEHIND;
        std::fs::File::options().write(true).open(&foreign).unwrap().set_modified(long_ago).unwrap();
        std::fs::File::options().write(true).open(&kept).unwrap().set_modified(long_ago).unwrap();
        remove_left_behind(dir.path());
        assert!(!foreign.exists() && kept.exists());
    }

    #[test]
    fn folders_that_were_made_in_vain_go_and_others_stay() {
        let dir = tempfile::tempdir().unwrap();
        let deep = dir.path().join("a/b/c");
        let top = make_folder(&deep).unwrap();
        assert_eq!(top, Some(dir.path().join("a")));
        assert_eq!(make_folder(&deep).unwrap(), None, "it is there");
        std::fs::write(dir.path().join("a/mine.txt"), "").unwrap();
        unmake_folder(&deep, &top.unwrap());
        assert!(!dir.path().join("a/b").exists() && dir.path().join("a/mine.txt").exists());
    }

    #[test]
    fn a_failure_names_no_unfinished_file() {
        let error = temporary_in(Path::new("/no/such/folder")).unwrap_err();
        assert!(!error.to_string().contains(PREFIX), "{error}");
    }
}
