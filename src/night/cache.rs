//! What earlier runs measured, kept by what it was measured from.
//!
//! A file is known by its path, size, time of change and first bytes; a measurement by its files, by all that went into it
//! besides them, and by the state of the measuring code. Headers are interpreted anew in every run.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::UNIX_EPOCH;

use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

use crate::store::{Key, Store};

/// Bytes at the start of a file that tell it from others of its size and time: more than all its headers have, save a
/// header of over 800 cards.
const HEAD_BYTES: u64 = 1 << 16;

/// The state of the measuring code, which the build script names.
const MEASURING_CODE: &str = env!("SKYGRAIN_MEASURING_CODE");

/// What is measured and kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum What {
    /// Cards, geometry and a sample of rows of one file.
    Look,
    /// A sensor from its calibration frames.
    Sensor,
    /// The stars of a light.
    Light,
    /// The bright pixels of a light.
    BrightPixels,
    /// The noise in the difference of two lights.
    SkyNoise,
}

/// A file as it was when looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fingerprint {
    size: u64,
    changed_ns: i128,
    /// SHA-256 of all that the file is known by.
    digest: [u8; 32],
}

impl Fingerprint {
    fn of(path: &Path) -> Option<Self> {
        let (size, changed_ns) = size_and_time(path)?;
        let mut head = Vec::new();
        std::fs::File::open(path).ok()?.take(HEAD_BYTES).read_to_end(&mut head).ok()?;
        let place = std::path::absolute(path).ok()?;
        let digest = Sha256::new()
            .chain_update(Sha256::digest(place.as_os_str().as_encoded_bytes()))
            .chain_update(size.to_le_bytes())
            .chain_update(changed_ns.to_le_bytes())
            .chain_update(head)
            .finalize();
        Some(Self { size, changed_ns, digest: digest.into() })
    }

    /// Whether the file has neither grown nor been written to since.
    fn still_holds(&self, path: &Path) -> bool {
        size_and_time(path) == Some((self.size, self.changed_ns))
    }
}

fn size_and_time(path: &Path) -> Option<(u64, i128)> {
    let metadata = std::fs::metadata(path).ok()?;
    let changed = metadata.modified().ok()?;
    let changed_ns = match changed.duration_since(UNIX_EPOCH) {
        Ok(after) => after.as_nanos() as i128,
        Err(before) => -(before.duration().as_nanos() as i128),
    };
    Some((metadata.len(), changed_ns))
}

/// How many of each were measured, and how many had been before.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tally {
    pub measured: usize,
    pub kept: usize,
}

/// The memory of a run: what earlier ones kept, and what it keeps itself.
#[derive(Debug)]
pub struct Kept {
    store: Option<Store>,
    code: String,
    tallies: [[AtomicUsize; 2]; 5],
}

impl Kept {
    /// Nothing is kept.
    pub fn nothing() -> Self {
        Self { store: None, code: MEASURING_CODE.to_owned(), tallies: Default::default() }
    }

    /// Measurements are kept in `folder`; a `fresh` run measures everything anew.
    pub fn in_folder(folder: PathBuf, fresh: bool) -> Self {
        Self { store: Some(Store::open(folder, fresh)), ..Self::nothing() }
    }

    /// What the run has measured so far, and what it had not to.
    pub fn tally(&self, what: What) -> Tally {
        let [measured, kept] = self.tallies[what as usize].each_ref().map(|n| n.load(Ordering::Relaxed));
        Tally { measured, kept }
    }

    /// Why measurements could not be kept, where that is so, and where.
    pub fn trouble(&self) -> Option<(&Path, String)> {
        let store = self.store.as_ref()?;
        Some((store.folder(), store.trouble()?))
    }

    /// Ends a run: a `complete` one removes what it did not use. Counts begin anew.
    pub fn close(&self, complete: bool) {
        if let Some(store) = self.store.as_ref().filter(|_| complete) {
            store.remove_unused();
        }
        self.tallies.iter().flatten().for_each(|n| n.store(0, Ordering::Relaxed));
    }

    /// Whether anything is kept.
    pub(crate) fn keeps(&self) -> bool {
        self.store.is_some()
    }

    /// Whether what is measured can be had again: it is kept, and nothing has failed to be so far.
    pub(crate) fn recalls(&self) -> bool {
        self.store.as_ref().is_some_and(|store| store.trouble().is_none())
    }

    /// The file as it is now; `None` where nothing is kept of it.
    pub(crate) fn fingerprint(&self, path: &Path) -> Option<Fingerprint> {
        if self.keeps() { Fingerprint::of(path) } else { None }
    }

    /// The measurement that was kept, else the one that `measure` makes, which is then kept if it succeeds.
    ///
    /// `files` are all that it is measured from; `settings` is everything else that decides it.
    pub(crate) fn or_measure<'a, T: Serialize + DeserializeOwned, E>(
        &self,
        what: What,
        files: impl IntoIterator<Item = (&'a Path, Option<&'a Fingerprint>)>,
        settings: &impl Serialize,
        measure: impl FnOnce() -> Result<T, E>,
    ) -> Result<T, E> {
        let (value, was_kept) = self.recall(what, files, settings, measure)?;
        self.tallies[what as usize][usize::from(was_kept)].fetch_add(1, Ordering::Relaxed);
        Ok(value)
    }

    /// The same for what this run has had before and does not count again; the flag says that it was kept.
    pub(crate) fn recall<'a, T: Serialize + DeserializeOwned, E>(
        &self,
        what: What,
        files: impl IntoIterator<Item = (&'a Path, Option<&'a Fingerprint>)>,
        settings: &impl Serialize,
        measure: impl FnOnce() -> Result<T, E>,
    ) -> Result<(T, bool), E> {
        let files: Vec<(&Path, Option<&Fingerprint>)> = files.into_iter().collect();
        let digests: Option<Vec<[u8; 32]>> = files.iter().map(|(_, f)| f.map(|f| f.digest)).collect();
        let kept = self.store.as_ref().zip(digests);
        let kept = kept.and_then(|(store, files)| Some((store, Key::of(&(&self.code, what, files, settings))?)));
        if let Some(value) = kept.and_then(|(store, key)| store.get(key)) {
            return Ok((value, true));
        }
        let value = measure()?;
        if let Some((store, key)) = kept
            && files.iter().all(|(path, f)| f.is_some_and(|f| f.still_holds(path)))
        {
            store.put(key, &value);
        }
        Ok((value, false))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(dir: &Path, code: &str) -> Kept {
        Kept { code: code.to_owned(), ..Kept::in_folder(dir.join("cache"), false) }
    }

    /// The length of a file, by way of the memory.
    fn length(kept: &Kept, path: &Path, settings: f64) -> usize {
        let print = kept.fingerprint(path);
        let measure = || std::fs::read(path).map(|bytes| bytes.len());
        kept.or_measure(What::Light, [(path, print.as_ref())], &settings, measure).unwrap()
    }

    #[test]
    fn what_changes_a_measurement_measures_anew_and_nothing_else_does() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.fits");
        std::fs::write(&path, "old").unwrap();
        let measured = |code: &str, settings: f64, path: &Path| {
            let kept = kept(dir.path(), code);
            length(&kept, path, settings);
            kept.tally(What::Light) == Tally { measured: 1, kept: 0 }
        };
        assert!(measured("1", 0.5, &path));
        assert!(!measured("1", 0.5, &path), "nothing has changed");
        assert!(measured("2", 0.5, &path), "other code");
        assert!(measured("1", 0.6, &path), "other settings");
        let time = std::fs::metadata(&path).unwrap().modified().unwrap();
        let set_time = |time| std::fs::File::options().write(true).open(&path).unwrap().set_modified(time).unwrap();
        std::fs::write(&path, "new").unwrap();
        set_time(time);
        assert!(measured("1", 0.5, &path), "other first bytes at the same size and time");
        set_time(time + std::time::Duration::from_nanos(100));
        assert!(measured("1", 0.5, &path), "another time");
        std::fs::write(&path, "newer").unwrap();
        set_time(time);
        assert!(measured("1", 0.5, &path), "another size");
        let copy = dir.path().join("b.fits");
        std::fs::copy(&path, &copy).unwrap();
        assert!(measured("1", 0.5, &copy), "another path");
    }

    #[test]
    fn a_file_that_grows_while_it_is_measured_is_not_kept() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.fits");
        std::fs::write(&path, "half").unwrap();
        let kept = kept(dir.path(), "1");
        let print = kept.fingerprint(&path);
        let grow = || std::fs::write(&path, "the whole file").map(|()| 4usize);
        kept.or_measure(What::Light, [(path.as_path(), print.as_ref())], &0, grow).unwrap();
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "no folder of entries");
    }

    #[test]
    fn what_could_not_be_kept_is_not_to_be_had_again() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.fits");
        std::fs::write(&path, "x").unwrap();
        assert!(!Kept::nothing().recalls());
        let kept = kept(dir.path(), "1");
        assert!(kept.recalls());
        // A file stands where the folder of entries should.
        std::fs::write(dir.path().join("cache"), "").unwrap();
        length(&kept, &path, 0.5);
        assert!(!kept.recalls() && kept.trouble().is_some());
    }

    #[test]
    fn a_failure_is_not_kept() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.fits");
        std::fs::write(&path, "x").unwrap();
        let kept = kept(dir.path(), "1");
        let print = kept.fingerprint(&path);
        let once = |result: Result<usize, String>| {
            kept.or_measure(What::Light, [(path.as_path(), print.as_ref())], &0, || result)
        };
        assert_eq!(once(Err("the disk stuttered".to_owned())), Err("the disk stuttered".to_owned()));
        assert_eq!((once(Ok(1)), once(Ok(2))), (Ok(1), Ok(1)));
    }
}
