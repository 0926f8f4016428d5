//! Results kept on disk by what they were computed from. What they are is the caller's affair.
//!
//! An entry is one file: `SKYGRAIN`, its key, the SHA-256 of key and contents, the contents as MessagePack. Any entry may
//! vanish or be damaged at any time: it is then computed again.

use std::collections::BTreeSet;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

use crate::whole_file::{make_folder, ready_in, remove_left_behind};

const MAGIC: &[u8; 8] = b"SKYGRAIN";
/// Suffix of an entry: nothing else in the folder is read or removed.
const SUFFIX: &str = ".kept";
/// Bytes of the largest entry that is read: several times the largest list of defects.
const MOST_BYTES: u64 = 1 << 28;
/// Tells backups and archivers to pass the folder over (Cache Directory Tagging Specification, signature from memory).
const TAG: (&str, &str) = (
    "CACHEDIR.TAG",
    "Signature: 8a477f597d28d172789f06886806bc55\n\
     # Measurements of frames, kept by skygrain. They may be deleted at any time and are then made again.\n",
);

/// What an entry was computed from, as a SHA-256.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key([u8; 32]);

impl Key {
    /// The key of everything in `parts`; `None` where it cannot be written down.
    pub fn of(parts: &impl Serialize) -> Option<Self> {
        Some(Self(Sha256::digest(rmp_serde::to_vec(parts).ok()?).into()))
    }

    fn name(self) -> String {
        self.0.iter().map(|b| format!("{b:02x}")).collect::<String>() + SUFFIX
    }
}

/// A folder of entries.
#[derive(Debug)]
pub struct Store {
    folder: PathBuf,
    /// Whether earlier entries are passed over.
    fresh: bool,
    used: Mutex<BTreeSet<Key>>,
    trouble: Mutex<Option<std::io::Error>>,
}

impl Store {
    /// The store in `folder`, which is made with the first entry. A `fresh` one passes over what earlier runs have kept.
    pub fn open(folder: PathBuf, fresh: bool) -> Self {
        remove_left_behind(&folder);
        Self { folder, fresh, used: Mutex::default(), trouble: Mutex::default() }
    }

    /// Where the entries lie.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The contents of an entry, if it is there and whole.
    pub fn get<T: DeserializeOwned>(&self, key: Key) -> Option<T> {
        if self.fresh && !lock(&self.used).contains(&key) {
            return None;
        }
        let mut bytes = Vec::new();
        let file = std::fs::File::open(self.folder.join(key.name())).ok()?;
        file.take(MOST_BYTES).read_to_end(&mut bytes).ok()?;
        let (head, contents) = bytes.split_at_checked(MAGIC.len() + 64)?;
        let value = (head == head_of(key, contents)).then(|| rmp_serde::from_slice(contents).ok())??;
        lock(&self.used).insert(key);
        Some(value)
    }

    /// Keeps an entry, whole or not at all; one that a power cut tears is told by its sum, so none waits for the disk. A
    /// failure is no error of the run: see [`Store::trouble`].
    pub fn put(&self, key: Key, value: &impl Serialize) -> bool {
        let Ok(contents) = rmp_serde::to_vec(value) else { return false };
        let mut bytes = head_of(key, &contents);
        bytes.extend(contents);
        let made = || {
            if !self.folder.join(TAG.0).exists() {
                make_folder(&self.folder)?;
                ready_in(&self.folder, TAG.1.as_bytes())?.persist(self.folder.join(TAG.0))?;
            }
            ready_in(&self.folder, &bytes)?.persist(self.folder.join(key.name()))?;
            Ok(())
        };
        match made() {
            Ok(()) => {
                lock(&self.used).insert(key);
                true
            }
            Err(error) => {
                lock(&self.trouble).get_or_insert(error);
                false
            }
        }
    }

    /// The first failure to keep an entry.
    pub fn trouble(&self) -> Option<String> {
        lock(&self.trouble).as_ref().map(ToString::to_string)
    }

    /// Removes the entries that were neither read nor written since the store was opened, and forgets which were.
    pub fn remove_unused(&self) {
        let used: BTreeSet<String> = std::mem::take(&mut *lock(&self.used)).into_iter().map(Key::name).collect();
        for entry in std::fs::read_dir(&self.folder).into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.ends_with(SUFFIX) && !used.contains(&name) {
                // What cannot be removed is only room lost.
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }
}

fn head_of(key: Key, contents: &[u8]) -> Vec<u8> {
    let sum = Sha256::new().chain_update(key.0).chain_update(contents).finalize();
    [MAGIC.as_slice(), &key.0, &sum].concat()
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store(dir: &Path) -> Store {
        Store::open(dir.join("cache"), false)
    }

    fn entries(store: &Store) -> Vec<PathBuf> {
        let all = std::fs::read_dir(store.folder()).unwrap().map(|e| e.unwrap().path());
        all.filter(|p| p.to_string_lossy().ends_with(SUFFIX)).collect()
    }

    #[test]
    fn numbers_come_back_to_the_last_bit() {
        let dir = tempfile::tempdir().unwrap();
        let values = (0.1f64 + 0.2, f64::NAN.to_bits(), vec![Some(f64::MIN_POSITIVE), None], f64::NAN, -0.0f64);
        let key = Key::of(&"numbers").unwrap();
        assert!(store(dir.path()).put(key, &values));
        let back: (f64, u64, Vec<Option<f64>>, f64, f64) = store(dir.path()).get(key).unwrap();
        assert_eq!((back.0.to_bits(), back.1, &back.2), (values.0.to_bits(), values.1, &values.2));
        assert!(back.3.to_bits() == values.3.to_bits() && back.4.is_sign_negative());
    }

    #[test]
    fn a_damaged_cut_or_foreign_entry_is_as_good_as_none() {
        let dir = tempfile::tempdir().unwrap();
        let (own, other) = (Key::of(&1).unwrap(), Key::of(&2).unwrap());
        let store = store(dir.path());
        assert!(store.put(own, &"own words") && store.put(other, &"other words"));
        let path = store.folder().join(own.name());
        let whole = std::fs::read(&path).unwrap();
        let get = || store.get::<String>(own);
        assert_eq!(get().as_deref(), Some("own words"));
        for at in 0..whole.len() {
            let mut bytes = whole.clone();
            bytes[at] ^= 4;
            std::fs::write(&path, bytes).unwrap();
            assert_eq!(get(), None, "byte {at} damaged");
            std::fs::write(&path, &whole[..at]).unwrap();
            assert_eq!(get(), None, "cut to {at} bytes");
        }
        std::fs::copy(store.folder().join(other.name()), &path).unwrap();
        assert_eq!(get(), None, "the entry of another key");
        std::fs::write(&path, "my shopping list, which is long enough to be taken for an entry by its length alone")
            .unwrap();
        assert_eq!(get(), None);
        std::fs::remove_file(&path).unwrap();
        std::fs::create_dir(&path).unwrap();
        assert_eq!(get(), None, "a folder");
    }

    #[test]
    fn an_entry_of_another_type_is_as_good_as_none() {
        let dir = tempfile::tempdir().unwrap();
        let (store, key) = (store(dir.path()), Key::of(&1).unwrap());
        assert!(store.put(key, &"words"));
        assert_eq!(store.get::<Vec<f64>>(key), None);
    }

    #[test]
    fn what_a_run_did_not_use_is_removed_and_what_is_not_an_entry_stays() {
        let dir = tempfile::tempdir().unwrap();
        let keys = [1, 2, 3].map(|k| Key::of(&k).unwrap());
        for key in keys {
            assert!(store(dir.path()).put(key, &"words"));
        }
        let own = dir.path().join("cache/mine.txt");
        std::fs::write(&own, "mine").unwrap();
        let later = store(dir.path());
        assert!(later.get::<String>(keys[0]).is_some() && later.put(keys[1], &"new words"));
        later.remove_unused();
        assert_eq!(entries(&later).len(), 2);
        assert!(own.exists() && later.get::<String>(keys[2]).is_none());
    }

    #[test]
    fn a_fresh_store_answers_only_with_what_it_was_given() {
        let dir = tempfile::tempdir().unwrap();
        let key = Key::of(&1).unwrap();
        assert!(store(dir.path()).put(key, &"old"));
        let fresh = Store::open(dir.path().join("cache"), true);
        assert_eq!(fresh.get::<String>(key), None);
        assert!(fresh.put(key, &"new"));
        assert_eq!(fresh.get::<String>(key).as_deref(), Some("new"));
    }

    #[test]
    fn a_folder_that_cannot_be_made_is_told_and_nothing_fails() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("cache"), "in the way").unwrap();
        let store = store(dir.path());
        assert_eq!(store.trouble(), None);
        assert!(!store.put(Key::of(&1).unwrap(), &"words") && store.trouble().is_some());
    }
}
