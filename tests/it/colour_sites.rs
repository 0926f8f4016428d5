//! Star widths of the red and blue sites of a mosaic.

use ndarray::Array2;
use skygrain::fits::Pixels;
use skygrain::folder::CfaPattern;
use skygrain::frame::Lattice;
use skygrain::simulate::{Detector, FrameRecipe, SimStar, render};
use skygrain::stars::{FrameStars, MeasureOptions, measure};

use crate::false_skies::scattered;

const SIDE: usize = 700;

/// A frame under `pattern` whose colours have these widths (red, green, blue), px.
fn frame(pattern: &str, widths: [f64; 3], shares: [f64; 3], seed: u64) -> FrameStars {
    let camera =
        Detector { gain_e_per_adu: 0.5, offset_adu: 600.0, read_noise_e: 2.5, seed, ..Detector::even(SIDE, SIDE) };
    let stars = scattered(SIDE, 150, 3.0, [8000.0, 150_000.0], seed);
    let seen = |colour: usize| {
        let of = |s: &SimStar| SimStar::round(s.x, s.y, shares[colour] * s.flux_e, widths[colour], 3.5);
        let stars = stars.iter().map(of).collect();
        let unlit = FrameRecipe::unlit(camera.clone(), seed);
        render(&FrameRecipe { exposure_s: 60.0, sky_e_per_px_s: 3.0 * shares[colour], stars, ..unlit }).0
    };
    let images = [seen(0), seen(1), seen(2)];
    let image = Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
        let letter = pattern.as_bytes()[(y % 2) * 2 + x % 2];
        images[b"RGB".iter().position(|l| *l == letter).unwrap()][[y, x]]
    });
    let lattice = Lattice::Green(CfaPattern::parse(pattern).unwrap());
    let options = MeasureOptions { lattice, e_per_adu: Some(0.5), saturation_adu: Some(65_535.0), diffraction: None };
    measure(&Pixels::U16(image), &options).unwrap()
}

#[test]
fn red_and_blue_sites_tell_their_own_width() {
    // Off in ln width, in errors; a lens leaves blue or red wide, air makes blue wider.
    let mut pulls: Vec<f64> = Vec::new();
    for (n, (pattern, widths)) in [
        ("RGGB", [3.0, 3.0, 3.0]),
        ("GBRG", [3.6, 3.0, 2.7]),
        ("BGGR", [2.6, 2.4, 3.1]),
        ("GRBG", [4.4, 3.8, 4.6]),
        ("RGGB", [1.9, 2.0, 2.3]),
        ("GBRG", [2.9, 2.6, 2.6]),
    ]
    .into_iter()
    .enumerate()
    {
        let stars = frame(pattern, widths, [0.55, 1.0, 0.62], 40 + n as u64);
        let told = stars.site_fwhm_px.unwrap();
        for (site, want) in told.iter().zip([widths[0], widths[2]]) {
            let (width, sigma) = site.pair().unwrap();
            eprintln!("{pattern} {want}: {width:.3} +- {sigma:.3} of {} stars", site.n);
            // A site in four at half of the light: 3 %.
            assert!((width / want - 1.0).abs() < 0.03, "{pattern} {want}: {width} +- {sigma}");
            pulls.push((width - want) / sigma);
        }
    }
    // Twelve widths: a root mean square of 1 has an error of 0.2.
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
    assert!((0.4..1.7).contains(&rms), "{rms}: {pulls:?}");
}

#[test]
fn without_a_known_red_site_none_is_told() {
    let image = Array2::from_elem((64, 64), 700u16);
    let options = |lattice| MeasureOptions { lattice, e_per_adu: None, saturation_adu: None, diffraction: None };
    for lattice in [Lattice::All, Lattice::Green(CfaPattern(*b"?GG?"))] {
        assert!(measure(&Pixels::U16(image.clone()), &options(lattice)).unwrap().site_fwhm_px.is_none());
    }
}
