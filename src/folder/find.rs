//! Finding frames by what files hold, whatever they are called.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::{Component, Path, PathBuf};

use flate2::read::MultiGzDecoder;
use walkdir::WalkDir;

use crate::facts::left_out::{NotReadable, OtherContent};
use crate::fits::dng::looks_like_dng;

/// Bytes that are enough to know a file by.
const SNIFF_BYTES: usize = 30;

/// Suffixes of compressed files, lower case.
const PACKED_SUFFIXES: [&str; 5] = [".gz", ".bz2", ".xz", ".z", ".zip"];

/// Suffixes that promise FITS (lower case, without one of a compressed file): a file so named that is no FITS is worth
/// a word.
const FITS_SUFFIXES: [&str; 5] = ["fits", "fit", "fts", "fz", "dng"];

/// What the first bytes of a file say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Content {
    /// FITS, plain or gzip-compressed, or a DNG, which is read as one.
    Fits,
    /// The same file as another one of the list, by a link; the text is that one's shown path.
    SameAs(String),
    /// Something else.
    Other(OtherContent),
    /// It could not be read.
    Unreadable(NotReadable),
}

/// One file below the given folders.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundFile {
    /// Path to open it by.
    pub path: PathBuf,
    /// Path below the folder given by the user, for the report.
    pub shown: String,
    /// What it holds.
    pub content: Content,
    /// Whether its name promises FITS.
    pub named_fits: bool,
}

impl FoundFile {
    /// Its name and those of the folders that it lies in, from the file outwards to the folder given.
    pub fn names(&self) -> Vec<String> {
        let below = Path::new(&self.shown).components().count();
        let names = self.path.components().rev().take(below + 1);
        names
            .filter_map(|name| match name {
                Component::Normal(name) => Some(name.to_string_lossy().into_owned()),
                _ => None,
            })
            .collect()
    }
}

/// The folder itself cannot be used.
#[derive(Debug, Clone, thiserror::Error)]
pub enum FolderError {
    /// Nothing there, or not allowed.
    #[error("{path}: {reason}; give a folder that holds the night's FITS frames", path = path.display())]
    NotUsable { path: PathBuf, reason: String },
}

/// All files below `folders`, sorted by path, each once; `leave_out` (the output folder) is not entered.
///
/// Symbolic links are followed and loops noticed.
///
/// # Errors
///
/// A folder that does not exist or cannot be listed. A bad file below it is a row, not an error.
pub fn find_files(folders: &[PathBuf], leave_out: &Path) -> Result<Vec<FoundFile>, FolderError> {
    let leave_out = leave_out.canonicalize().ok();
    let mut found = Vec::new();
    for folder in folders {
        let refuse = |e: std::io::Error| FolderError::NotUsable { path: folder.clone(), reason: e.to_string() };
        let metadata = std::fs::metadata(folder).map_err(refuse)?;
        if metadata.is_dir() {
            std::fs::read_dir(folder).map_err(refuse)?;
        }
        let walk = WalkDir::new(folder).follow_links(true).sort_by_file_name();
        let entered = walk.into_iter().filter_entry(|e| {
            leave_out.as_ref().is_none_or(|out| e.depth() == 0 || e.path().canonicalize().ok().as_ref() != Some(out))
        });
        for entry in entered {
            match entry {
                Ok(entry) if entry.file_type().is_dir() => {}
                Ok(entry) => found.push(look_at(entry.path(), folder)),
                Err(error) => {
                    let path = error.path().unwrap_or(folder).to_owned();
                    let content = Content::Unreadable(not_entered(&error));
                    let shown = shown_path(&path, folder);
                    let named_fits = is_named_fits(&path);
                    found.push(FoundFile { path, shown, content, named_fits });
                }
            }
        }
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(each_once(found))
}

fn not_entered(error: &walkdir::Error) -> NotReadable {
    match error.loop_ancestor() {
        Some(_) => NotReadable::LinkToFolderAbove,
        None => {
            let error = error.io_error().map_or_else(|| error.to_string(), ToString::to_string);
            NotReadable::CannotBeOpened { error }
        }
    }
}

/// Keeps each file once: the same place reached by two of the folders is dropped, a link to a file of the list stays as
/// a row that says so. The file itself goes before its links.
fn each_once(found: Vec<FoundFile>) -> Vec<FoundFile> {
    let places: Vec<Option<PathBuf>> = found.iter().map(|f| f.path.canonicalize().ok()).collect();
    let is_link = |f: &FoundFile| f.path.file_name() != f.path.canonicalize().ok().as_deref().and_then(Path::file_name);
    let mut first: BTreeMap<&PathBuf, usize> = BTreeMap::new();
    for (i, place) in places.iter().enumerate().filter_map(|(i, p)| p.as_ref().map(|p| (i, p))) {
        let kept = first.entry(place).or_insert(i);
        if is_link(&found[*kept]) && !is_link(&found[i]) {
            *kept = i;
        }
    }
    let mut named = BTreeSet::new();
    let mut once = Vec::new();
    for (i, file) in found.iter().enumerate() {
        match places[i].as_ref().map(|p| first[p]) {
            Some(kept) if kept != i => {
                let link = own_place(&file.path);
                if link != own_place(&found[kept].path) && named.insert(link) {
                    let content = Content::SameAs(found[kept].shown.clone());
                    once.push(FoundFile { content, ..file.clone() });
                }
            }
            _ => once.push(file.clone()),
        }
    }
    once
}

/// Where a name stands, whatever it links to.
fn own_place(path: &Path) -> Option<PathBuf> {
    Some(path.parent()?.canonicalize().ok()?.join(path.file_name()?))
}

fn look_at(path: &Path, folder: &Path) -> FoundFile {
    FoundFile {
        path: path.to_owned(),
        shown: shown_path(path, folder),
        content: content_of(path),
        named_fits: is_named_fits(path),
    }
}

fn shown_path(path: &Path, folder: &Path) -> String {
    let below = path.strip_prefix(folder).ok().filter(|p| !p.as_os_str().is_empty());
    below.unwrap_or_else(|| path.file_name().map_or(path, Path::new)).to_string_lossy().into_owned()
}

fn is_named_fits(path: &Path) -> bool {
    let name = path.file_name().map(|n| n.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    // What some systems leave beside every file on a foreign disk has its name after `._` and none of its pixels.
    if name.starts_with("._") {
        return false;
    }
    let name = PACKED_SUFFIXES.iter().find_map(|s| name.strip_suffix(s)).unwrap_or(&name);
    name.rsplit_once('.').is_some_and(|(_, suffix)| FITS_SUFFIXES.contains(&suffix))
}

/// What a file holds, by its first bytes.
pub fn content_of(path: &Path) -> Content {
    let not_opened = |e: std::io::Error| Content::Unreadable(NotReadable::CannotBeOpened { error: e.to_string() });
    match std::fs::metadata(path) {
        Err(e) => return not_opened(e),
        Ok(m) if !m.is_file() => return Content::Other(OtherContent::NotARegularFile),
        Ok(m) if m.len() == 0 => return Content::Unreadable(NotReadable::Empty),
        Ok(_) => {}
    }
    let head = match first_bytes(path) {
        Ok(head) => head,
        Err(e) => return not_opened(e),
    };
    if is_fits(&head) {
        return Content::Fits;
    }
    Content::Other(match head.as_slice() {
        [0x1f, 0x8b, ..] => match first_unzipped_bytes(path) {
            Ok(inner) if is_fits(&inner) => return Content::Fits,
            Ok(_) => OtherContent::GzipWithoutFits,
            Err(_) => return Content::Unreadable(NotReadable::DamagedGzip),
        },
        [0x1f, 0x9d, ..] => OtherContent::UnixCompressed,
        [b'B', b'Z', b'h', ..] => OtherContent::Bzip2Compressed,
        [0xfd, b'7', b'z', b'X', b'Z', ..] => OtherContent::XzCompressed,
        [b'P', b'K', 3, 4, ..] => OtherContent::ZipArchive,
        [0xff, 0xd8, 0xff, ..] => OtherContent::JpegPicture,
        [0x89, b'P', b'N', b'G', ..] => OtherContent::PngPicture,
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => match is_dng(path) {
            Ok(true) => return Content::Fits,
            _ => OtherContent::TiffPicture,
        },
        _ => OtherContent::NotAFitsFile,
    })
}

fn is_dng(path: &Path) -> std::io::Result<bool> {
    looks_like_dng(&mut std::fs::File::open(path)?)
}

fn is_fits(head: &[u8]) -> bool {
    // Standard, section 4.4.1.1: the first card is SIMPLE with a fixed-format T; anything after it may vary.
    head.starts_with(b"SIMPLE  =") && head.contains(&b'T')
}

fn first_bytes(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut head = Vec::with_capacity(SNIFF_BYTES);
    std::fs::File::open(path)?.take(SNIFF_BYTES as u64).read_to_end(&mut head)?;
    Ok(head)
}

fn first_unzipped_bytes(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut head = Vec::with_capacity(SNIFF_BYTES);
    MultiGzDecoder::new(std::fs::File::open(path)?).take(SNIFF_BYTES as u64).read_to_end(&mut head)?;
    Ok(head)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_known_by_content_not_by_name() {
        let dir = tempfile::tempdir().unwrap();
        let fits = b"SIMPLE  =                    T / FITS";
        for (name, bytes) in [
            ("a.FIT", fits.as_slice()),
            ("c", fits.as_slice()),
            ("M31 [Ha] 300s.fits", fits.as_slice()),
            ("d.fits", &[0xff, 0xd8, 0xff, 0xe0]),
            ("e.fits", b""),
            ("notes.txt", b"clear sky"),
        ] {
            std::fs::write(dir.path().join(name), bytes).unwrap();
        }
        let found = find_files(&[dir.path().to_owned()], Path::new("/nonexistent")).unwrap();
        let of = |name: &str| found.iter().find(|f| f.shown == name).unwrap();
        assert_eq!(found.len(), 6, "no file vanishes");
        for name in ["a.FIT", "c", "M31 [Ha] 300s.fits"] {
            assert_eq!(of(name).content, Content::Fits, "{name}");
        }
        assert_eq!(of("d.fits").content, Content::Other(OtherContent::JpegPicture));
        assert!(of("d.fits").named_fits && !of("notes.txt").named_fits);
        assert_eq!(of("e.fits").content, Content::Unreadable(NotReadable::Empty));
    }

    #[cfg(unix)]
    #[test]
    fn a_link_that_leads_back_is_a_row_and_the_walk_ends() {
        let dir = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink(dir.path(), dir.path().join("loop")).unwrap();
        let found = find_files(&[dir.path().to_owned()], Path::new("/nonexistent")).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].content, Content::Unreadable(NotReadable::LinkToFolderAbove));
    }

    #[test]
    fn the_output_folder_is_not_entered() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("report");
        std::fs::create_dir(&out).unwrap();
        std::fs::write(out.join("report.json"), "{}").unwrap();
        assert!(find_files(&[dir.path().to_owned()], &out).unwrap().is_empty());
    }

    #[test]
    fn a_missing_folder_says_what_to_give() {
        let error = find_files(&[PathBuf::from("/no/such/folder")], Path::new("x")).unwrap_err();
        assert!(error.to_string().contains("/no/such/folder"));
    }
}
