//! Frames whose noise is correlated because they were resampled, against the closed form of bilinear interpolation.

use ndarray::Array2;
use skygrain::fits::Pixels;
use skygrain::folder::CfaPattern;
use skygrain::frame::{Lattice, noise_correlation};
use skygrain::simulate::{HeaderCard, write_frame_f32};

use crate::odd_images::{area_px, grid, sky_of};

/// The frame moved by a part of a pixel along both axes.
fn shifted(image: &Array2<u16>, dx: f64, dy: f64) -> Array2<f32> {
    let (rows, columns) = image.dim();
    let at = |x: usize, y: usize| f64::from(image[[y.min(rows - 1), x.min(columns - 1)]]);
    Array2::from_shape_fn((rows, columns), |(y, x)| {
        let row = |y: usize| (1.0 - dx) * at(x, y) + dx * at(x + 1, y);
        ((1.0 - dy) * row(y) + dy * row(y + 1)) as f32
    })
}

/// Correlation of neighbours after weights 1 - d and d: product of the shared weight over the sum of the squares.
fn theory(d: f64) -> f64 {
    d * (1.0 - d) / (d * d + (1.0 - d) * (1.0 - d))
}

/// Standard errors allowed: six seeds, two axes.
const ERRORS: f64 = 4.0;
/// What stars' faint wings add, beyond errors: the frame holds 81 in 480 x 480 px.
const WINGS: f64 = 0.015;

#[test]
fn correlation_of_a_bilinear_shift_is_that_of_theory() {
    let image = |seed| sky_of(grid(3.0, 3.5, seed, |i| (500.0 + 60.0 * i as f64) * area_px(3.0, 3.5)), seed);
    for (seed, (dx, dy)) in
        [(0.5, 0.5), (0.3, 0.0), (0.1, 0.7), (0.25, 0.25), (0.0, 0.2), (0.0, 0.0)].into_iter().enumerate()
    {
        let moved = Pixels::F32(shifted(&image(400 + seed as u64), dx, dy));
        let got = noise_correlation(&moved, Lattice::All).expect("a sky");
        eprintln!("shift {dx} {dy}: {got:?}, theory {:.3} {:.3}", theory(dx), theory(dy));
        for ((r, sigma), d) in [(got.x, dx), (got.y, dy)] {
            assert!((r - theory(d)).abs() < ERRORS * sigma + WINGS, "shift {d}: {r} +- {sigma}, theory {}", theory(d));
        }
        assert_eq!(got.is_real(), dx + dy > 0.0, "{got:?}");
        // Root of the inverse sum of squared weights of both axes: how much noise of low frequency outlives that of a pixel.
        let kept = |d: f64| (d * d + (1.0 - d) * (1.0 - d)).recip();
        let want = (kept(dx) * kept(dy)).sqrt();
        assert!((got.error_factor() / want - 1.0).abs() < 0.05, "{} {want}", got.error_factor());
    }
}

#[test]
fn raw_mosaics_and_their_levels_are_no_correlation() {
    let pattern = CfaPattern::parse("RGGB").unwrap();
    let mut image = sky_of(grid(3.0, 3.5, 420, |_| 3000.0 * area_px(3.0, 3.5)), 420);
    for ((y, x), v) in image.indexed_iter_mut() {
        if !pattern.is_green(x, y) {
            *v /= 2;
        }
    }
    // 480 px hold nine tiles of one green class.
    let got = noise_correlation(&Pixels::U16(image), Lattice::Green(pattern)).expect("a sky");
    assert!(!got.is_real(), "{got:?}");
}

#[test]
fn a_night_says_which_lights_were_resampled() {
    let dir = tempfile::tempdir().unwrap();
    let cards = [HeaderCard::text("IMAGETYP", "LIGHT", ""), HeaderCard::real("EXPTIME", 60.0, "s")];
    for k in 0..4u64 {
        let image = sky_of(grid(3.0, 3.5, 430 + k, |_| 3000.0 * area_px(3.0, 3.5)), 430 + k);
        let d = if k < 2 { 0.4 } else { 0.0 };
        write_frame_f32(&dir.path().join(format!("light-{k}.fits")), &shifted(&image, d, d), &cards).unwrap();
    }
    let report = crate::raw_fits::report(dir.path());
    let warnings = report["warnings"].as_array().unwrap();
    let warning = warnings.iter().find(|w| w["code"] == "correlated-noise").expect("a warning");
    let paths: Vec<&str> = warning["paths"].as_array().unwrap().iter().map(|p| p.as_str().unwrap()).collect();
    assert_eq!(paths, ["light-0.fits", "light-1.fits"]);
    assert!(warning["message"].as_str().unwrap().contains("resampled"), "{warning}");
    for (k, frame) in report["frames"].as_array().unwrap().iter().enumerate() {
        let noted = frame["noise_correlation_x"]["note"].as_str().is_some_and(|n| n.contains("too small by about"));
        assert_eq!(noted, k < 2, "{frame}");
    }
    let session = &report["sessions"][0];
    assert!(session["fwhm_px"]["note"].as_str().unwrap().contains("resampled"), "{}", session["fwhm_px"]);
}

#[test]
fn real_raw_frames_are_not_called_resampled() {
    let Some(root) = crate::real_frames("correlation of raw frames") else { return };
    for entry in std::fs::read_dir(root.join("cluster-night")).unwrap() {
        let path = entry.unwrap().path();
        let image = skygrain::fits::ImageFile::open(&path).unwrap().pixels().unwrap();
        let got = noise_correlation(&image.planes[0], Lattice::All).expect("a sky");
        eprintln!("{}: x {:.4?} y {:.4?}", path.file_name().unwrap().display(), got.x, got.y);
        assert!(!got.is_real(), "{}: {got:?}", path.display());
    }
}
