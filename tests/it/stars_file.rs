//! `stars.fits`, read back with CFITSIO.

use std::path::Path;

use fitsio::FitsFile;
use serde_json::Value;

use crate::command_line::skygrain;
use crate::raw_fits::*;

/// A solution with the reference in the middle of a frame of 160 x 128 px, 3.6 arcsec/px, north along +y.
const WCS: [&str; 8] = [
    "CTYPE1  = 'RA---TAN'",
    "CTYPE2  = 'DEC--TAN'",
    "CRVAL1  = 83.0",
    "CRVAL2  = 20.0",
    "CRPIX1  = 80.5",
    "CRPIX2  = 64.5",
    "CD1_1   = -0.001",
    "CD2_2   = 0.001",
];
/// Degrees per pixel in the middle of that frame.
const SCALE_DEG: f64 = 0.001;
/// Bend of the sky over a frame of 0.16 degrees: below a millionth of its size.
const BEND_DEG: f64 = 1e-6;
/// Errors of places of stars with 30,000 electrons: some 0.01 px; six times that.
const PLACE_PX: f64 = 0.06;

fn run(folder: &Path, out: &str, threads: &str) -> Vec<u8> {
    let out = folder.join(out);
    let night = folder.join("night");
    let ran = std::process::Command::new(env!("CARGO_BIN_EXE_skygrain"))
        .args(["night", night.to_str().unwrap(), "--stars", "--fresh", "--out", out.to_str().unwrap()])
        .env("RAYON_NUM_THREADS", threads)
        .output()
        .unwrap();
    assert_eq!(ran.status.code(), Some(0), "{}", String::from_utf8_lossy(&ran.stderr));
    let path = out.join("stars.fits");
    assert!(String::from_utf8_lossy(&ran.stdout).contains(path.to_str().unwrap()), "the summary names the file");
    let mut left: Vec<_> = std::fs::read_dir(&out).unwrap().map(|e| e.unwrap().file_name()).collect();
    left.sort();
    let meant = ["cache", "frames.csv", "report.html", "report.json", "stars.fits"];
    assert_eq!(left, meant, "no draft is left behind");
    std::fs::read(path).unwrap()
}

#[test]
fn the_table_of_stars_agrees_with_the_frames_and_with_what_was_simulated() {
    let dir = folder_of([("night/a.fits", light(1, &WCS)), ("night/b 星.fits", light(2, &[]))]);
    let bytes = run(dir.path(), "one", "1");
    assert!(bytes == run(dir.path(), "four", "4"), "the number of threads changes the file");
    let path = dir.path().join("one/stars.fits");
    let report: Value = serde_json::from_slice(&std::fs::read(path.with_file_name("report.json")).unwrap()).unwrap();
    let mut file = FitsFile::open(&path).unwrap();
    let table = file.hdu("STARS").unwrap();
    let mut column = |name: &str| -> Vec<f64> { table.read_col(&mut file, name).unwrap() };
    let (x, y, fwhm, ra, dec) = (column("X"), column("Y"), column("FWHM"), column("RA"), column("DEC"));
    let (major, minor, angle, beta) = (column("MAJOR"), column("MINOR"), column("ANGLE"), column("BETA"));
    let (flux, sigma) = (column("FLUX"), column("FWHM_ERR"));
    let frames: Vec<i32> = table.read_col(&mut file, "FRAME").unwrap();
    let flags: Vec<i32> = table.read_col(&mut file, "FLAGS").unwrap();
    let paths: Vec<String> = table.read_col(&mut file, "PATH").unwrap();
    let unit: String = table.read_key(&mut file, "TUNIT8").unwrap();
    assert_eq!(unit, "pix");
    for (index, name) in ["a.fits", "b ?.fits"].iter().enumerate() {
        let own: Vec<usize> = (0..frames.len()).filter(|i| frames[*i] == index as i32).collect();
        let row = &report["frames"][index];
        assert_eq!(own.len() as u64, row["fitted_stars"].as_u64().unwrap());
        assert!(own.iter().all(|i| paths[*i] == *name), "{:?}", paths[own[0]]);
        let mut widths: Vec<f64> = own.iter().map(|i| fwhm[*i]).collect();
        widths.sort_by(f64::total_cmp);
        let middle = widths[widths.len() / 2];
        // The frame's value weighs its stars: it lies within the scatter of the middle one.
        let (value, error) = (row["fwhm_px"]["value"].as_f64().unwrap(), sigma[own[0]]);
        assert!((middle - value).abs() < 2.0 * error, "{middle} {value} {error}");
    }
    assert!(frames.len() >= 30, "twenty stars in each frame were simulated: {}", frames.len());
    for i in 0..frames.len() {
        // Simulated 0-based at 16 + 32 k + 0.13 i, 16 + 32 l + 0.07 i: the table counts from 1.
        let k = ((x[i] - 17.0) / 32.0).round();
        let l = ((y[i] - 17.0) / 32.0).round();
        let star = 5.0 * l + k;
        let (off_x, off_y) = (x[i] - 17.0 - 32.0 * k - 0.13 * star, y[i] - 17.0 - 32.0 * l - 0.07 * star);
        assert!(off_x.abs() < PLACE_PX && off_y.abs() < PLACE_PX, "star {star}: {off_x} {off_y}");
        assert!(((major[i] * minor[i]).sqrt() / fwhm[i] - 1.0).abs() < 1e-9 && major[i] >= minor[i]);
        assert!((0.0..180.0).contains(&angle[i]) && beta[i] > 1.0 && flux[i] > 0.0 && flags[i] & 1 == 0);
        if frames[i] == 0 {
            let east = (83.0 - ra[i]) * dec[i].to_radians().cos() / SCALE_DEG;
            assert!((east - (x[i] - 80.5)).abs() * SCALE_DEG < 40.0 * BEND_DEG, "{east} {}", x[i]);
            assert!((dec[i] - 20.0 - SCALE_DEG * (y[i] - 64.5)).abs() < 40.0 * BEND_DEG);
        } else {
            assert!(ra[i].is_nan() && dec[i].is_nan(), "no place without a solution");
        }
    }
}

#[test]
fn stars_of_frames_left_out_are_marked_and_a_night_without_stars_gives_an_empty_table() {
    let folder = tempfile::tempdir().unwrap();
    let (night, out) = (folder.path().join("demo"), folder.path().join("out"));
    let ran = skygrain(&["demo", night.to_str().unwrap(), "--out", folder.path().join("d").to_str().unwrap()]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let ran = skygrain(&["night", night.to_str().unwrap(), "--stars", "--fresh", "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, Some(1), "the demo's faulty lights are left out: {}", ran.stderr);
    let mut file = FitsFile::open(out.join("stars.fits")).unwrap();
    let table = file.hdu("STARS").unwrap();
    let flags: Vec<i32> = table.read_col(&mut file, "FLAGS").unwrap();
    let paths: Vec<String> = table.read_col(&mut file, "PATH").unwrap();
    // The demo trails light-07 in Clear and clouds light-08 in H-alpha.
    for (flag, path) in flags.iter().zip(&paths) {
        let faulty = path.ends_with("Clear/light-07.fits") || path.ends_with("H-alpha/light-08.fits");
        assert_eq!(flag & 1 == 1, faulty, "{path}");
    }
    assert!(flags.iter().any(|f| f & 1 == 1));

    let empty = folder_of([("night/a.fits", small(&["IMAGETYP= 'BIAS'"]))]);
    let out = empty.path().join("out");
    let ran = skygrain(&[
        "night",
        empty.path().join("night").to_str().unwrap(),
        "--stars",
        "--fresh",
        "--out",
        out.to_str().unwrap(),
    ]);
    assert!(ran.status.is_some_and(|s| s < 2), "{}", ran.stderr);
    let mut file = FitsFile::open(out.join("stars.fits")).unwrap();
    let rows: i64 = file.hdu("STARS").unwrap().read_key(&mut file, "NAXIS2").unwrap();
    assert_eq!(rows, 0);
}
