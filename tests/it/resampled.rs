//! Frames whose noise is correlated because they were resampled, against the closed form of bilinear interpolation.

use ndarray::Array2;
use serde_json::Value;
use skygrain::fits::Pixels;
use skygrain::folder::CfaPattern;
use skygrain::frame::{Lattice, noise_correlation};
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, render, write_frame_f32};

use crate::odd_images::{GAIN_E_PER_ADU, GRID, PITCH_PX, area_px, grid, sky_of};

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

/// A signal path that lets a share of every pixel run into the next one, along rows and along columns.
fn smeared(image: &Array2<u16>, share: f64) -> Array2<f32> {
    let at = |y: usize, x: usize| f64::from(image[[y, x]]);
    let row = |y: usize, x: usize| (at(y, x) + share * at(y, x.saturating_sub(1))) / (1.0 + share);
    Array2::from_shape_fn(image.dim(), |(y, x)| {
        ((row(y, x) + share * row(y.saturating_sub(1), x)) / (1.0 + share)) as f32
    })
}

/// Correlation of neighbours after weights 1 and `share`.
const SMEAR: f64 = 0.13;
const SMEAR_CORRELATION: f64 = SMEAR / (1.0 + SMEAR * SMEAR);

/// Four lights, of whose pixels `written` makes what the file holds, and as many bias frames as wanted.
fn night(sky_e_per_px_s: f64, biases: u64, written: impl Fn(&str, u64, &Array2<u16>) -> Array2<f32>) -> Value {
    let dir = tempfile::tempdir().unwrap();
    let write = |kind: &str, k: u64, recipe: &FrameRecipe| {
        let cards = [HeaderCard::text("IMAGETYP", kind, ""), HeaderCard::real("EXPTIME", recipe.exposure_s, "s")];
        let path = dir.path().join(format!("{}-{k}.fits", kind.to_lowercase()));
        write_frame_f32(&path, &written(kind, k, &render(recipe).0), &cards).unwrap();
    };
    let side = (PITCH_PX * (GRID as f64 + 1.0)) as usize;
    let detector = Detector { gain_e_per_adu: GAIN_E_PER_ADU, ..Detector::even(side, side) };
    for k in 0..4 {
        let stars = grid(3.0, 3.5, 430 + k, |_| 3000.0 * area_px(3.0, 3.5));
        let unlit = FrameRecipe::unlit(detector.clone(), 430 + k);
        write("LIGHT", k, &FrameRecipe { exposure_s: 100.0, sky_e_per_px_s, stars, ..unlit });
    }
    (0..biases).for_each(|k| write("BIAS", k, &FrameRecipe::unlit(detector.clone(), 470 + k)));
    crate::raw_fits::report(dir.path())
}

/// Two of four lights moved by 0.4 px, bias frames as they were.
fn half_resampled(biases: u64) -> Value {
    night(3.0, biases, |kind, k, image| {
        let d = if kind == "LIGHT" && k < 2 { 0.4 } else { 0.0 };
        shifted(image, d, d)
    })
}

/// Codes, severities and paths of the warnings about correlated noise.
fn told(report: &Value) -> Vec<(String, String, Vec<String>)> {
    let codes = ["correlated-noise", "perhaps-resampled", "correlated-read-out"];
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    let warnings = report["warnings"].as_array().unwrap().iter();
    let about = warnings.filter(|w| codes.contains(&w["code"].as_str().unwrap()));
    let paths = |w: &Value| w["paths"].as_array().unwrap().iter().map(text).collect();
    about.map(|w| (text(&w["code"]), text(&w["severity"]), paths(w))).collect()
}

/// The same for all four lights.
fn all_told(code: &str, severity: &str) -> Vec<(String, String, Vec<String>)> {
    vec![(code.to_owned(), severity.to_owned(), (0..4).map(|k| format!("light-{k}.fits")).collect())]
}

fn message(report: &Value, code: &str) -> String {
    let warnings = report["warnings"].as_array().unwrap();
    let warning = warnings.iter().find(|w| w["code"] == code).expect("a warning");
    warning["message"].as_str().unwrap().to_owned()
}

fn note(quantity: &Value) -> &str {
    quantity["note"].as_str().unwrap_or("")
}

#[test]
fn a_night_with_bias_frames_says_which_lights_were_resampled() {
    let report = half_resampled(2);
    let two = vec!["light-0.fits".to_owned(), "light-1.fits".to_owned()];
    assert_eq!(told(&report), [("correlated-noise".to_owned(), "caution".to_owned(), two)]);
    assert!(message(&report, "correlated-noise").contains("was resampled or denoised"));
    for (k, frame) in report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "light").enumerate() {
        let noted = note(&frame["noise_correlation_x"]).contains("too small by about");
        assert_eq!(noted, k < 2, "{frame}");
    }
    let session = &report["sessions"][0];
    assert!(note(&session["fwhm_px"]).contains("2 of 4 lights were resampled"), "{}", session["fwhm_px"]);
    let own = &report["sensors"][0]["read_noise_correlation_x"];
    assert!(own["value"].as_f64().unwrap().abs() < 0.03, "{own}");
}

#[test]
fn without_bias_frames_it_is_a_caution_and_no_fact() {
    let report = half_resampled(0);
    let two = vec!["light-0.fits".to_owned(), "light-1.fits".to_owned()];
    assert_eq!(told(&report), [("perhaps-resampled".to_owned(), "caution".to_owned(), two)]);
    let words = message(&report, "perhaps-resampled");
    assert!(words.contains("may have been resampled") && words.contains("read-out"), "{words}");
    assert!(words.contains("give two bias frames"), "{words}");
    let session = &report["sessions"][0];
    assert!(!note(&session["fwhm_px"]).contains("lights were resampled"), "{}", session["fwhm_px"]);
    assert!(note(&session["fwhm_px"]).contains("by the camera itself, or"), "{}", session["fwhm_px"]);
    assert!(!note(&session["sky_e_per_px_s"]).contains("resampled"), "{}", session["sky_e_per_px_s"]);
}

#[test]
fn a_camera_that_smears_its_pixels_is_not_called_resampled() {
    let smear = |_: &str, _: u64, image: &Array2<u16>| smeared(image, SMEAR);
    // The sky's noise is nearly all: the bias's covariance explains little of it, a smearing signal path all.
    let bright = night(3.0, 3, smear);
    assert_eq!(told(&bright), all_told("perhaps-resampled", "caution"));
    let words = message(&bright, "perhaps-resampled");
    assert!(words.contains("its own read-out may do it") && !words.contains("give two bias frames"), "{words}");
    // Nearly all is read noise: its covariance is that of the light.
    let dark = night(0.01, 3, smear);
    assert_eq!(told(&dark), all_told("correlated-read-out", "note"));
    for report in [bright, dark] {
        for axis in ["read_noise_correlation_x", "read_noise_correlation_y"] {
            let own = &report["sensors"][0][axis];
            let (value, sigma) = (own["value"].as_f64().unwrap(), own["sigma"].as_f64().unwrap());
            // The largest of two pairs stands: the tolerance is wider above.
            assert!((value - SMEAR_CORRELATION).abs() < (ERRORS + 1.0) * sigma, "{own}");
        }
        assert!(!note(&report["sessions"][0]["fwhm_px"]).contains("lights were resampled"));
    }
}

#[test]
fn a_light_that_was_resampled_beyond_its_cameras_smear_is_told() {
    let report = night(3.0, 3, |kind, _, image| match kind {
        "LIGHT" => shifted(&smeared(image, SMEAR).mapv(|v| v.round() as u16), 0.45, 0.4),
        _ => smeared(image, SMEAR),
    });
    assert_eq!(told(&report), all_told("correlated-noise", "caution"));
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
    // The difference of two bias frames of the same night has its own correlation along columns.
    let report = crate::raw_fits::report(&root.join("cluster-night"));
    let codes: Vec<&str> = report["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect();
    assert!(!codes.contains(&"correlated-noise") && !codes.contains(&"perhaps-resampled"), "{codes:?}");
    let own = report["sensors"][0]["read_noise_correlation_y"]["value"].as_f64().unwrap();
    // numpy on the same tiles: 0.118 in the first difference, 0.067 in the second.
    assert!((own - 0.118).abs() < 0.01, "{own}");
}

/// Frames without kinds and dates of a real camera whose rows interfere: two dark ones stand for biases, two lit ones for lights.
#[test]
fn real_frames_of_an_interfering_read_out_are_not_called_resampled() {
    let Some(root) = crate::real_frames("correlation of interfering rows") else { return };
    let dir = tempfile::tempdir().unwrap();
    for (name, kind) in [("01772", "BIAS"), ("01829", "BIAS"), ("04860", "LIGHT"), ("04861", "LIGHT")] {
        let path = root.join(format!("small/ESIS1_{name}.fit.gz"));
        let image = skygrain::fits::ImageFile::open(&path).unwrap().pixels().unwrap();
        let plane = &image.planes[0];
        let values = Array2::from_shape_fn(plane.dim(), |(y, x)| plane.at(x, y) as f32);
        let cards = [HeaderCard::text("IMAGETYP", kind, ""), HeaderCard::real("EXPTIME", 2.0, "s")];
        write_frame_f32(&dir.path().join(format!("{name}.fits")), &values, &cards).unwrap();
    }
    let report = crate::raw_fits::report(dir.path());
    let both = vec!["04860.fits".to_owned(), "04861.fits".to_owned()];
    assert_eq!(told(&report), [("correlated-read-out".to_owned(), "note".to_owned(), both)]);
    // numpy on the same tiles: -0.32 and -0.27 in the frames themselves.
    let own = report["sensors"][0]["read_noise_correlation_y"]["value"].as_f64().unwrap();
    assert!((-0.33..-0.26).contains(&own), "{own}");
}
