//! FITS files byte by byte, as no well-behaved library would write them, and a run over a folder of them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde_json::Value;

use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::simulate::{Detector, FrameRecipe, SimStar, StarImage, render};

/// Side of a frame in most tests, px.
pub const SIDE: usize = 64;
const BLOCK: usize = 2880;

/// The base card set of a 16-bit frame of `width` x `height`, without END.
pub fn base_cards(width: usize, height: usize) -> Vec<String> {
    let mut cards = shape_cards(16, &[width, height]);
    cards.extend(["BZERO   = 32768", "BSCALE  = 1", "EXPTIME = 60.0", "IMAGETYP= 'LIGHT'"].map(str::to_owned));
    cards
}

/// SIMPLE, BITPIX and the axes.
pub fn shape_cards(bitpix: i32, axes: &[usize]) -> Vec<String> {
    let mut cards =
        vec![format!("SIMPLE  = {:>20}", "T"), format!("BITPIX  = {bitpix}"), format!("NAXIS   = {}", axes.len())];
    cards.extend(axes.iter().enumerate().map(|(i, n)| format!("{:<8}= {n}", format!("NAXIS{}", i + 1))));
    cards
}

/// Sets or appends a card, found by its first eight characters.
pub fn set(cards: &mut Vec<String>, card: &str) {
    let key = |c: &str| c.chars().take(8).collect::<String>().trim_end().to_owned();
    match cards.iter_mut().find(|c| key(c) == key(card)) {
        Some(old) => card.clone_into(old),
        None => cards.push(card.to_owned()),
    }
}

/// Header blocks, END included.
pub fn header(cards: &[String]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
    bytes.extend(format!("{:<80}", "END").into_bytes());
    bytes.resize(bytes.len().next_multiple_of(BLOCK), b' ');
    bytes
}

/// Header and data, padded to whole blocks.
pub fn file(cards: &[String], data: &[u8]) -> Vec<u8> {
    let mut bytes = header(cards);
    bytes.extend(data);
    bytes.resize(bytes.len().next_multiple_of(BLOCK), 0);
    bytes
}

/// Unsigned 16-bit numbers as the standard stores them.
pub fn unsigned(pixels: impl IntoIterator<Item = u16>) -> Vec<u8> {
    pixels.into_iter().flat_map(|v| (v ^ 0x8000).to_be_bytes()).collect()
}

/// A light of 20 isolated stars of FWHM 2.5 px, gain 0.8 e-/ADU, 160 x 128 px.
pub fn stars(seed: u64) -> ndarray::Array2<u16> {
    let detector = Detector { gain_e_per_adu: 0.8, ..Detector::even(160, 128) };
    let star = |i: usize| SimStar {
        x: 16.0 + 32.0 * (i % 5) as f64 + 0.13 * i as f64,
        y: 16.0 + 32.0 * (i / 5) as f64 + 0.07 * i as f64,
        flux_e: 30_000.0,
        fwhm_major_px: 2.5,
        fwhm_minor_px: 2.5,
        angle_rad: 0.0,
        image: StarImage::Moffat { beta: 3.5 },
    };
    let recipe = FrameRecipe {
        exposure_s: 60.0,
        sky_e_per_px_s: 3.0,
        stars: (0..20).map(star).collect(),
        ..FrameRecipe::unlit(detector, seed)
    };
    render(&recipe).0
}

/// A light of [`stars`] with cards changed or added.
pub fn light(seed: u64, changes: &[&str]) -> Vec<u8> {
    let pixels = stars(seed);
    let mut cards = base_cards(160, 128);
    for change in changes {
        set(&mut cards, change);
    }
    file(&cards, &unsigned(pixels))
}

/// A small frame without stars: base card set, level 500 with a little noise, cards changed or added.
pub fn small(changes: &[&str]) -> Vec<u8> {
    let mut cards = base_cards(SIDE, SIDE);
    for change in changes {
        set(&mut cards, change);
    }
    file(&cards, &unsigned(small_pixels()))
}

/// Pixels of [`small`].
pub fn small_pixels() -> Vec<u16> {
    (0..SIDE * SIDE).map(|i| 490 + (i * 7919 % 21) as u16).collect()
}

/// The stream that gzip makes of some bytes.
pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut stream = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    stream.write_all(bytes).unwrap();
    stream.finish().unwrap()
}

/// Every file below a folder with its bytes and time of change.
pub fn snapshot(folder: &Path) -> BTreeMap<PathBuf, (Vec<u8>, SystemTime)> {
    let files = walkdir::WalkDir::new(folder).into_iter().map(|e| e.unwrap()).filter(|e| !e.file_type().is_dir());
    files
        .map(|e| {
            let time = e.path().symlink_metadata().unwrap().modified().unwrap();
            (e.path().to_owned(), (std::fs::read(e.path()).unwrap_or_default(), time))
        })
        .collect()
}

/// A folder of named files.
pub fn folder_of<'a>(files: impl IntoIterator<Item = (&'a str, Vec<u8>)>) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        let path = dir.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    dir
}

/// The report of a folder as scripts read it. Asserts that nothing was written there and that no file is missing.
pub fn report_with(folder: &Path, rig: &str) -> Value {
    let before = snapshot(folder);
    let rig = Rig::parse(rig, Path::new("rig.toml")).unwrap();
    let input = NightInput { folders: vec![folder.to_owned()], out: folder.join("no-such-output"), rig, stars: false };
    let report = run(&input, Scope::Night, &|_, _, _| {}).unwrap();
    let report: Value = serde_json::from_str(&skygrain::report::json(&report).unwrap()).unwrap();
    assert!(snapshot(folder) == before, "the user's folder was changed");
    let rows = report["frames"].as_array().unwrap();
    assert_eq!(rows.len(), before.len(), "a file without a row: {rows:#?}");
    for row in rows {
        let reason = row["reason"].as_str().unwrap_or("");
        assert!(row["status"] == "used" || !reason.is_empty(), "left out without a reason: {row:#}");
    }
    report
}

/// As [`report_with`], without a rig file.
pub fn report(folder: &Path) -> Value {
    report_with(folder, "")
}

/// The report of these files.
pub fn report_of<'a>(files: impl IntoIterator<Item = (&'a str, Vec<u8>)>) -> Value {
    report(folder_of(files).path())
}

/// The row of a file.
#[track_caller]
pub fn row<'a>(report: &'a Value, path: &str) -> &'a Value {
    let rows = report["frames"].as_array().unwrap();
    rows.iter().find(|r| r["path"] == path).unwrap_or_else(|| panic!("no row for {path}: {rows:#?}"))
}

/// Asserts the status of a file, and that its reason holds some words.
#[track_caller]
pub fn left_out(report: &Value, path: &str, status: &str, words: &str) {
    let row = row(report, path);
    let reason = row["reason"].as_str().unwrap_or("");
    assert!(row["status"] == status && reason.contains(words), "{path}: want {status}, `{words}`; got {row:#}");
}

/// Messages of the warnings that name a file.
pub fn warnings_about<'a>(report: &'a Value, path: &str) -> Vec<&'a str> {
    let warnings = report["warnings"].as_array().unwrap().iter();
    let about = warnings.filter(|w| w["paths"].as_array().unwrap().iter().any(|p| p == path));
    about.map(|w| w["message"].as_str().unwrap()).collect()
}

/// Sum of all pixels of a file's image, and its size.
pub fn sum_of(path: &Path) -> (f64, (usize, usize)) {
    let image = skygrain::fits::ImageFile::open(path).unwrap().pixels().unwrap();
    let (rows, columns) = image.planes[0].dim();
    let sum = |p: &skygrain::fits::Pixels| {
        (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y))).map(|(x, y)| p.at(x, y)).sum::<f64>()
    };
    (image.planes.iter().map(sum).sum(), (columns, rows))
}
