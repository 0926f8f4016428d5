//! Fits of stored star cut-outs against general-purpose libraries: see `fixtures/star-cutouts/README.md`.

use std::path::{Path, PathBuf};

use ndarray::{Array2, Axis, concatenate};
use serde_json::Value;
use skygrain::fits::ImageFile;
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, StarImage, render, write_frame};
use skygrain::stars::{FitNoise, Profile, Shape, Stamp, fit_star};

const SIDE: usize = 25;
const E_PER_ADU: f64 = 0.8;
const SKY_E: f64 = 300.0;
const READ_NOISE_E: f64 = 3.0;
/// Sky, read noise and the rounding of charge and code, ADU^2.
const SKY_ADU2: f64 = (SKY_E + READ_NOISE_E * READ_NOISE_E + 1.0 / 12.0) / (E_PER_ADU * E_PER_ADU) + 1.0 / 12.0;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/star-cutouts")
}

/// FWHM px, ellipticity, angle rad, beta, flux e- of the simulated stars.
const STARS: [[f64; 5]; 12] = [
    [1.2, 0.0, 0.0, 3.0, 2e4],
    [1.2, 0.2, 0.5, 2.5, 2e5],
    [1.5, 0.1, 1.0, 3.5, 3e4],
    [1.5, 0.3, 2.0, 4.0, 1e5],
    [2.0, 0.0, 0.0, 2.5, 5e4],
    [2.0, 0.2, 1.5, 5.0, 3e4],
    [2.5, 0.1, 0.3, 3.0, 1e5],
    [2.5, 0.3, 2.5, 3.5, 4e4],
    [3.0, 0.0, 0.0, 4.0, 2e5],
    [3.0, 0.1, 0.8, 2.5, 6e4],
    [4.0, 0.2, 1.2, 3.0, 2e5],
    [4.0, 0.0, 0.0, 4.5, 1e5],
];

/// Phase of star `i` on its pixel: golden-ratio steps cover the pixel evenly.
fn phase(i: usize, step: f64) -> f64 {
    ((i + 1) as f64 * step).fract() - 0.5
}

fn cutout(i: usize) -> Array2<u16> {
    let [fwhm, ellipticity, angle_rad, beta, flux_e] = STARS[i];
    let root = (1.0 - ellipticity).sqrt();
    let star = SimStar {
        x: 12.0 + phase(i, 0.618_034),
        y: 12.0 + phase(i, 0.754_878),
        flux_e,
        fwhm_major_px: fwhm / root,
        fwhm_minor_px: fwhm * root,
        angle_rad,
        image: StarImage::Moffat { beta },
    };
    let detector = Detector {
        gain_e_per_adu: E_PER_ADU,
        read_noise_e: READ_NOISE_E,
        full_well_e: 1e6,
        ..Detector::even(SIDE, SIDE)
    };
    let unlit = FrameRecipe::unlit(detector, 900 + i as u64);
    render(&FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: SKY_E, stars: vec![star], ..unlit }).0
}

#[test]
#[ignore = "writes the fixture once; remove the old file first"]
fn write_the_cutouts() {
    let all: Vec<Array2<u16>> = (0..STARS.len()).map(cutout).collect();
    let views: Vec<_> = all.iter().map(|c| c.view()).collect();
    let strip = concatenate(Axis(1), &views).unwrap();
    let cards = [
        HeaderCard::real("EGAIN", E_PER_ADU, "e-/ADU"),
        HeaderCard::real("SKYVAR", SKY_ADU2, "variance of a pixel without its star, ADU^2"),
    ];
    write_frame(&folder().join("star-cutouts.fits"), &strip, &cards).unwrap();
}

/// Both maximise the same likelihood on the same pixels. The pixel integral of the fit is good to 1.2e-4 of the peak
/// against the reference's exact one, which at the highest S/N here moves a parameter by a tenth of its error.
const VALUE_SIGMAS: f64 = 0.1;
/// Errors follow from the same curvature, up to that accuracy and to where the last renewal of the variance stopped.
const ERROR_RATIO: f64 = 0.02;

#[test]
fn fits_of_stored_cutouts_agree_with_a_general_least_squares_library() {
    let mut file = ImageFile::open(&folder().join("star-cutouts.fits")).unwrap();
    let image = file.pixels().unwrap().planes.swap_remove(0);
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: Vec<Value> = serde_json::from_str(&text).unwrap();
    assert_eq!(expected.len(), STARS.len());
    for (i, want) in expected.iter().enumerate() {
        let at = |k: usize| image.at(i * SIDE + k % SIDE, k / SIDE) as f32;
        let stamp = Stamp { left: 0, top: 0, width: SIDE, values: (0..SIDE * SIDE).map(at).collect() };
        let noise = FitNoise { sky_adu2: SKY_ADU2, e_per_adu: Some(E_PER_ADU) };
        let fit =
            fit_star(&stamp, (12.0, 12.0, Shape::new(2.0, 0.05, 0.0, 3.0)), noise, Profile::Moffat(None)).unwrap();
        // Errors are widened where the residuals exceed the stated noise by 3 sigma: here cut-out 5, by chance (1.17).
        let excess = 1.0 + 3.0 * (2.0 / (SIDE * SIDE - 8) as f64).sqrt();
        let widened = if fit.chi2_per_dof > excess { fit.chi2_per_dof.sqrt() } else { 1.0 };
        let of = |name: &str| want[name].as_f64().unwrap();
        for (name, got, sigma) in [
            ("x", fit.x, fit.sigma_x),
            ("y", fit.y, fit.sigma_y),
            ("ln_half_width", fit.shape.ln_half_width, fit.sigma_ln_width),
            ("e1", fit.shape.e1, fit.sigma_e1),
            ("e2", fit.shape.e2, fit.sigma_e2),
            ("inverse_beta", fit.shape.inverse_beta, fit.sigma_inverse_beta),
        ] {
            let joint = sigma.hypot(of(&format!("sigma_{name}"))) / std::f64::consts::SQRT_2;
            let off = (got - of(name)) / joint;
            assert!(off.abs() < VALUE_SIGMAS, "{i} {name}: {got}, expected {}, {off:.3} sigma", of(name));
            let ratio = sigma / widened / of(&format!("sigma_{name}"));
            assert!((ratio - 1.0).abs() < ERROR_RATIO, "{i} {name}: errors {ratio:.4}");
        }
        // A profile sampled at pixel centres takes the width after the pixel for the star's own.
        assert!(of("point_sampled_fwhm_px") > fit.shape.fwhm_px());
    }
}
