//! The defect map as a FITS file: an image of bytes for each sensor, whose header says what the values mean.
//!
//! Headers are those of the FITS standard 4.0, sections 4.1 to 4.4 and 7.1: cards of 80 characters in blocks of 2880.

use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::sensor::{Defect, DefectKind, DefectMap};
use crate::whole_file::{remedy, temporary_in};

const BLOCK: usize = 2880;
const CARD: usize = 80;
/// Characters of text that one card holds between its quotes.
const MOST_TEXT: usize = 68;
/// Says that a file is a map of ours, which may be replaced.
const OURS: &str = "skygrain defect map";
/// Bytes of a file that are searched for that card.
const HEADER_LOOKED_AT: u64 = 10 * BLOCK as u64;

const MEANINGS: [&str; 5] = [
    "0  no defect seen, or an area that glows, where none is sought",
    "1  warm: dark rate clearly above that of its neighbours",
    "2  hot: dark rate far above that of its neighbours",
    "3  hot or warm, and its charge does not grow evenly with the exposure",
    "4  full within the exposure of the darks",
];

/// Why no map was written.
#[derive(Debug, Error)]
pub enum DefectFileError {
    /// The user's frames are only ever read.
    #[error("the defect map would go to {}, below a folder of frames; choose a place outside with --defects", path.display())]
    AmongFrames { path: PathBuf },
    /// Something else has that name.
    #[error("{} exists and is no defect map of this program; it is left as it is", path.display())]
    NotOurs { path: PathBuf },
    /// The operating system refused; an earlier map, if any, is whole.
    #[error("cannot write {}: {source}; an earlier one is as it was{}", path.display(), remedy(source))]
    Io { path: PathBuf, source: std::io::Error },
    /// There is nothing to write.
    #[error("no defect map was written: it needs darks, and biases or darks of a second exposure beside them")]
    NoDarks,
}

/// Whether a map may be written to `path`, while frames are read below `folders`.
///
/// # Errors
///
/// The place lies below one of the folders, or holds something that is not a map of this program.
pub fn check_defect_file(path: &Path, folders: &[PathBuf]) -> Result<(), DefectFileError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if let Ok(folder) = folder.canonicalize() {
        let below = |f: &PathBuf| f.canonicalize().is_ok_and(|f| f.is_dir() && folder.starts_with(f));
        if folders.iter().any(below) {
            return Err(DefectFileError::AmongFrames { path: path.to_owned() });
        }
    }
    if path.symlink_metadata().is_err() || is_defect_file(path) {
        return Ok(());
    }
    Err(DefectFileError::NotOurs { path: path.to_owned() })
}

/// Whether a file is a map of ours, which may be replaced.
pub fn is_defect_file(path: &Path) -> bool {
    let mut head = Vec::new();
    let read = std::fs::File::open(path).and_then(|f| f.take(HEADER_LOOKED_AT).read_to_end(&mut head));
    let wanted = text_card("CONTENT", OURS);
    read.is_ok() && head.starts_with(b"SIMPLE  =") && head.chunks(CARD).any(|card| card == wanted.as_bytes())
}

/// Writes the maps, each with the name of its sensor, to a temporary file that then takes its place.
///
/// # Errors
///
/// As [`check_defect_file`], no map at all, or the file cannot be written.
pub fn write_defect_file(path: &Path, maps: &[(&str, &DefectMap)], folders: &[PathBuf]) -> Result<(), DefectFileError> {
    check_defect_file(path, folders)?;
    if maps.is_empty() {
        return Err(DefectFileError::NoDarks);
    }
    let io = |source| DefectFileError::Io { path: path.to_owned(), source };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(io)?;
    let mut file = temporary_in(folder).map_err(io)?;
    for (i, (sensor, map)) in maps.iter().enumerate() {
        file.write_all(&image(sensor, map, i == 0)).map_err(io)?;
    }
    file.as_file().sync_all().map_err(io)?;
    file.persist(path).map_err(|e| io(e.error))?;
    Ok(())
}

fn image(sensor: &str, map: &DefectMap, primary: bool) -> Vec<u8> {
    let mut cards = Vec::new();
    if primary {
        cards.push(card("SIMPLE", "T"));
    } else {
        cards.push(text_card("XTENSION", "IMAGE"));
    }
    cards.push(card("BITPIX", "8"));
    cards.push(card("NAXIS", "2"));
    cards.push(card("NAXIS1", &map.width.to_string()));
    cards.push(card("NAXIS2", &map.height.to_string()));
    if primary {
        cards.push(card("EXTEND", "T"));
    } else {
        cards.push(card("PCOUNT", "0"));
        cards.push(card("GCOUNT", "1"));
    }
    cards.push(text_card("CONTENT", OURS));
    cards.push(text_card("CREATOR", concat!("skygrain ", env!("CARGO_PKG_VERSION"))));
    cards.push(text_card("EXTNAME", sensor));
    if let Some(celsius) = map.celsius {
        cards.push(card("CCD-TEMP", &format!("{celsius:.2}")));
    }
    cards.push(card("EXPTIME", &format!("{:.3}", map.exposure_s)));
    cards.push(card("NCOMBINE", &map.frames.to_string()));
    let count = |kind| map.defects.iter().filter(|d: &&Defect| d.kind == kind).count();
    cards.extend(MEANINGS.iter().map(|m| words("COMMENT", m)));
    for (what, kind) in [
        ("warm", DefectKind::Warm),
        ("hot", DefectKind::Hot),
        ("not linear in time", DefectKind::NotLinear),
        ("full", DefectKind::Full),
    ] {
        cards.push(words("HISTORY", &format!("{} pixels are {what}", count(kind))));
    }
    cards.push(words("HISTORY", "found in the mean of the longest darks, see CCD-TEMP, EXPTIME, NCOMBINE"));
    cards.push(format!("{:<CARD$}", "END"));
    let mut bytes = cards.concat().into_bytes();
    bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, b' ');
    let start = bytes.len();
    let pixels = map.width * map.height;
    bytes.resize(start + pixels.div_ceil(BLOCK) * BLOCK, 0);
    for defect in &map.defects {
        bytes[start + defect.index as usize] = defect.kind as u8;
    }
    bytes
}

/// A card with a number or a logical value, right-aligned in the fixed format.
fn card(keyword: &str, value: &str) -> String {
    format!("{:<CARD$}", format!("{keyword:<8}= {value:>20}"))
}

/// A card with text: what is not printable ASCII becomes a question mark, quotes are doubled.
fn text_card(keyword: &str, text: &str) -> String {
    let mut shown = String::new();
    for c in text.chars() {
        let piece = match c {
            '\'' => "''".to_owned(),
            ' '..='~' => c.to_string(),
            _ => "?".to_owned(),
        };
        if shown.len() + piece.len() > MOST_TEXT {
            break;
        }
        shown += &piece;
    }
    format!("{:<CARD$}", format!("{keyword:<8}= '{shown:<8}'"))
}

fn words(keyword: &str, text: &str) -> String {
    format!("{:<CARD$}", format!("{keyword:<8}{text}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fits::ImageFile;

    fn map(width: usize, defects: &[(u32, DefectKind)]) -> DefectMap {
        let defect = |(index, kind): &(u32, DefectKind)| Defect { index: *index, kind: *kind, excess_adu_per_s: 1.0 };
        DefectMap {
            width,
            height: 5,
            celsius: Some(-10.25),
            exposure_s: 300.0,
            frames: 12,
            defects: defects.iter().map(defect).collect(),
        }
    }

    // CFITSIO, through the one door of this program, is the outside check of the layout.
    #[test]
    fn cfitsio_reads_the_map_and_its_header_explains_the_values() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("map.fits");
        let one = map(7, &[(3, DefectKind::Warm), (34, DefectKind::Full)]);
        let two = map(9, &[(8, DefectKind::Hot)]);
        write_defect_file(&path, &[("it's one \u{661f}", &one), ("two", &two)], &[]).unwrap();
        let mut file = ImageFile::open(&path).unwrap();
        let g = file.geometry;
        assert_eq!((g.width, g.height, g.bitpix, file.further_images().unwrap()), (7, 5, 8, 1));
        let cards = file.cards().unwrap();
        assert_eq!(cards.text("EXTNAME"), Some("it's one ?"));
        assert_eq!((cards.number("CCD-TEMP"), cards.number("NCOMBINE")), (Some(-10.25), Some(12.0)));
        let plane = &file.pixels().unwrap().planes[0];
        let values: Vec<f64> = (0..35).map(|i| plane.at(i % 7, i / 7)).collect();
        assert_eq!((values[3], values[34]), (1.0, 4.0));
        assert_eq!(values.iter().sum::<f64>(), 5.0);
        let bytes = std::fs::read(&path).unwrap();
        assert_eq!(bytes.len() % BLOCK, 0);
        let text = String::from_utf8_lossy(&bytes[..2 * BLOCK]).into_owned();
        assert!(MEANINGS.iter().all(|m| text.contains(m)) && text.contains("1 pixels are full"));
    }

    #[test]
    fn only_a_map_of_ours_is_replaced_and_frames_folders_are_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let frames = dir.path().join("frames");
        std::fs::create_dir(&frames).unwrap();
        let write = |path: &Path| write_defect_file(path, &[("one", &map(7, &[]))], std::slice::from_ref(&frames));
        let foreign = dir.path().join("foreign.fits");
        std::fs::write(&foreign, "SIMPLE  =                    T").unwrap();
        assert!(matches!(write(&foreign), Err(DefectFileError::NotOurs { .. })));
        assert!(std::fs::read(&foreign).unwrap().starts_with(b"SIMPLE"));
        assert!(matches!(write(&frames.join("map.fits")), Err(DefectFileError::AmongFrames { .. })));
        let path = dir.path().join("new/map.fits");
        write(&path).unwrap();
        write(&path).unwrap();
        assert!(matches!(write_defect_file(&path, &[], &[]), Err(DefectFileError::NoDarks)));
        assert_eq!(std::fs::read_dir(path.parent().unwrap()).unwrap().count(), 1, "no draft is left behind");
    }
}
