//! The Cramer-Rao bound of a star image against values computed outside this project.

use skygrain::simulate::SimStar;
use skygrain::simulate::bound::Parameter::{Background, E1, Flux, InverseBeta, LnWidth, X, Y};
use skygrain::simulate::bound::{FREE_BETA, KNOWN_BETA, Parameter, Window, bounds};

const GAUSSIAN_FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949_3;
const SIGMA_PX: f64 = 1.5;

/// A Gaussian at (0.1, -0.2) in 31 x 31 px with background variance `b` and read noise `r`, e-: bounds of the parameters.
fn gaussian(flux_e: f64, b: f64, r: f64, free: &[Parameter]) -> Vec<f64> {
    let star = SimStar::round(0.1, -0.2, flux_e, SIGMA_PX * GAUSSIAN_FWHM_PER_SIGMA, f64::INFINITY);
    bounds(&star, Window { x: 0, y: 0, half: 15 }, b + r * r, free).expect("a regular matrix")
}

/// Half a unit of the last printed digit, and 1e-5 for the differences that stand for derivatives.
fn assert_printed(got: f64, printed: f64, digit: f64) {
    assert!((got - printed).abs() < 0.5 * digit + 1e-5 * printed, "{got}, printed {printed}");
}

// C9.9: numpy, from the analytic derivatives of the error function; computed outside this project.
#[test]
fn c9_9_bounds_of_a_faint_gaussian() {
    let known = gaussian(5000.0, 100.0, 5.0, &[Flux, X, Y, LnWidth]);
    assert_printed(known[1], 0.037_264_9, 1e-7);
    assert_printed(known[3], 0.016_815, 1e-6);
    let free = gaussian(5000.0, 100.0, 5.0, &[Flux, Background, X, Y, LnWidth]);
    assert_printed(free[4], 0.017_055, 1e-6);
    assert_printed(known[0], 113.532, 1e-3);
}

// C9.10: the same.
#[test]
fn c9_10_bounds_of_bright_gaussians() {
    assert_printed(gaussian(5e4, 100.0, 5.0, &[Flux, X, Y, LnWidth])[3], 0.003_180, 1e-6);
    let bright = gaussian(1e6, 0.0, 0.01, &[Flux, X, Y, LnWidth])[3];
    assert_printed(bright, 0.000_518, 1e-6);
    // Photon noise alone and infinitely small pixels: 0.5 / sqrt(N); pixels take some of it.
    assert!(bright > 0.5 / 1e6f64.sqrt());
}

#[test]
fn what_is_not_known_costs_information() {
    let star = SimStar { fwhm_minor_px: 2.4, angle_rad: 0.6, ..SimStar::round(0.2, 0.3, 2e4, 3.0, 3.0) };
    let window = Window { x: 0, y: 0, half: 12 };
    let known = bounds(&star, window, 300.0, &KNOWN_BETA).unwrap();
    let free = bounds(&star, window, 300.0, &FREE_BETA).unwrap();
    assert!(known.iter().zip(&free).all(|(k, f)| *k < f * (1.0 + 1e-9)), "{known:?} {free:?}");
    // Width and exponent trade against each other, elongation and exponent do not.
    assert!(free[4] > 1.1 * known[4] && free[5] < 1.01 * known[5]);
    let alone = bounds(&star, window, 300.0, &[InverseBeta]).unwrap()[0];
    assert!(alone < 0.7 * free[7]);
}

// Turning star and axes by 45 degrees exchanges the two components of elongation; a round Moffat has both bounds alike
// but for the square pixels, which a star four pixels wide hardly feels.
#[test]
fn both_components_of_elongation_are_measured_alike_in_a_wide_round_star() {
    let star = SimStar::round(0.0, 0.0, 1e5, 4.0, 3.0);
    let got = bounds(&star, Window { x: 0, y: 0, half: 15 }, 100.0, &KNOWN_BETA).unwrap();
    assert_eq!(KNOWN_BETA[5], E1);
    assert!((got[5] / got[6] - 1.0).abs() < 0.02, "{} {}", got[5], got[6]);
}
