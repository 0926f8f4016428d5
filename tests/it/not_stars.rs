//! What is no star is neither counted nor gives a width, and stars beside it keep theirs: against simulated truth.

use ndarray::Array2;
use skygrain::fits::{ImageFile, Pixels};
use skygrain::folder::CfaPattern;
use skygrain::frame::Lattice;
use skygrain::report::InWords;
use skygrain::simulate::SimStar;
use skygrain::stars::{FrameStars, MeasureOptions, StarFlag, measure};

use crate::false_skies::{add_cosmic_rays, add_light, galaxies, nebula, scattered, sky};
use crate::odd_images::{GAIN_E_PER_ADU, flagged};

/// Standard errors within which a width holds its truth, and what the model of a star may add: one frame of a fixed seed.
const SIGMAS: f64 = 4.0;
const MODEL: f64 = 0.003;
const SEEDS: [u64; 2] = [1, 2];

fn measured(image: Array2<u16>, lattice: Lattice) -> FrameStars {
    let options =
        MeasureOptions { lattice, e_per_adu: Some(GAIN_E_PER_ADU), saturation_adu: Some(65_535.0), diffraction: None };
    measure(&Pixels::U16(image), &options).expect("the frame has pixels")
}

fn both_lattices() -> [Lattice; 2] {
    [Lattice::All, Lattice::Green(CfaPattern::parse("RGGB").expect("a pattern"))]
}

/// Peaks counted where no star was drawn, and stars that were found.
fn false_and_found(got: &FrameStars, truths: &[SimStar]) -> (usize, usize) {
    let near = |x: f64, y: f64, t: &SimStar| (t.x - x).hypot(t.y - y) < 2.5;
    let false_peaks = got.places.iter().filter(|p| !truths.iter().any(|t| near(p.x_px, p.y_px, t))).count();
    let found = truths.iter().filter(|t| got.places.iter().any(|p| near(p.x_px, p.y_px, t))).count();
    (false_peaks, found)
}

fn assert_width(got: &FrameStars, truth_px: f64, what: &str) {
    let (width, sigma) = got.fwhm_px.pair().unwrap_or_else(|| panic!("{what}: {}", got.fwhm_px.why()));
    eprintln!("{what}: {width:.3} +- {sigma:.3} of {truth_px} px, {:?}", got.flags);
    assert!((width - truth_px).abs() < SIGMAS * sigma + MODEL * truth_px, "{what}: {width} +- {sigma}");
}

// Of 10,000 hot pixels without darks 523 peaks of a mosaic and 182 of a plain frame were counted before.
#[test]
fn hot_pixels_that_no_dark_shows_are_not_stars() {
    for (seed, lattice) in SEEDS.into_iter().flat_map(|s| both_lattices().map(|l| (s, l))) {
        for (fwhm, share) in [(1.5, 0.01), (2.2, 0.01), (2.2, 0.001)] {
            let stars = scattered(1000, 300, fwhm, [600.0 * fwhm, 30_000.0 * fwhm], seed);
            let got = measured(sky(1000, stars.clone(), share, seed), lattice);
            let (false_peaks, found) = false_and_found(&got, &stars);
            eprintln!("{share} hot, {fwhm} px: {false_peaks} false, {found} of 300 found");
            // Two and three hot pixels that touch look like a sharp star now and then.
            assert!(false_peaks <= if share < 0.005 { 5 } else { 40 }, "{false_peaks} at {share}");
            // A star on or beside a hot pixel of a hundred times its light is lost to it.
            assert!(found >= 235, "{found}");
            assert_width(&got, fwhm, "among hot pixels");
        }
        let alone = measured(sky(1000, Vec::new(), 0.01, seed), lattice);
        assert!(!alone.fwhm_px.is_known(), "{:?} of {:?}", alone.fwhm_px.value, alone.flags);
    }
}

// 112 counted, 38 fitted, a width of 1.00 +- 0.05 px before.
#[test]
fn cosmic_rays_give_no_width_and_hardly_count() {
    for seed in SEEDS {
        let mut image = sky(1000, Vec::new(), 0.0, seed);
        add_cosmic_rays(&mut image, 200, seed);
        let alone = measured(image, Lattice::All);
        assert!(!alone.fwhm_px.is_known(), "{:?} of {:?}", alone.fwhm_px.value, alone.flags);
        for fwhm in [1.5, 2.2, 4.0] {
            let stars = scattered(1000, 60, fwhm, [600.0 * fwhm, 30_000.0 * fwhm], seed);
            let mut image = sky(1000, stars.clone(), 0.0, seed);
            add_cosmic_rays(&mut image, 200, seed);
            let got = measured(image, Lattice::All);
            let (false_peaks, found) = false_and_found(&got, &stars);
            assert!(false_peaks <= 10 && found >= 58, "{false_peaks} false, {found} of 60");
            assert_width(&got, fwhm, "among cosmic rays");
        }
    }
}

#[test]
fn a_nebula_gives_no_width_and_leaves_that_of_the_stars_before_it() {
    for seed in SEEDS {
        for height_e in [1000.0, 10_000.0] {
            let mut image = sky(600, Vec::new(), 0.0, seed);
            add_light(&mut image, seed, nebula(600, height_e, seed));
            let alone = measured(image, Lattice::All);
            assert!(!alone.fwhm_px.is_known(), "{:?} of {:?}", alone.fwhm_px.value, alone.flags);
            let stars = scattered(600, 100, 2.2, [3000.0, 100_000.0], seed);
            let mut image = sky(600, stars.clone(), 0.0, seed);
            add_light(&mut image, seed, nebula(600, height_e, seed));
            let got = measured(image, Lattice::All);
            let (false_peaks, found) = false_and_found(&got, &stars);
            eprintln!("nebula of {height_e} e-: {false_peaks} false, {found} of 100 found");
            assert!(flagged(&got, StarFlag::Nebula) > 20, "{:?}", got.flags);
            assert_width(&got, 2.2, "before a nebula");
        }
    }
}

// The width was 2 to 40 % too large, unflagged; galaxies alone gave 4.2 px.
#[test]
fn galaxies_are_told_from_stars_by_the_width_that_stars_share() {
    for (seed, fwhm) in SEEDS.into_iter().zip([2.2, 3.0]) {
        let stars = scattered(1400, 100, fwhm, [3000.0, 60_000.0], seed);
        let mut all = stars.clone();
        all.extend(galaxies(1400, 300, fwhm, [5000.0, 80_000.0], seed));
        let got = measured(sky(1400, all, 0.0, seed), Lattice::All);
        assert!(flagged(&got, StarFlag::Extended) > 100, "{:?}", got.flags);
        assert_width(&got, fwhm, "among galaxies");
        let alone = measured(sky(1400, galaxies(1400, 300, fwhm, [5000.0, 80_000.0], seed), 0.0, seed), Lattice::All);
        assert!(!alone.fwhm_px.is_known(), "{:?} of {:?}", alone.fwhm_px.value, alone.flags);
        assert!(alone.fwhm_px.why().contains("galaxies"), "{}", alone.fwhm_px.why());
    }
}

// Rendered by GalSim (`fixtures/galaxy-field/`): Sersic profiles of three exponents convolved with the star image.
#[test]
fn stars_of_another_renderer_keep_their_width_among_its_galaxies() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/galaxy-field");
    let read = |name: &str| {
        let mut image = ImageFile::open(&folder.join(name)).and_then(|mut f| f.pixels()).expect("a stored frame");
        let options = MeasureOptions {
            lattice: Lattice::All,
            e_per_adu: Some(GAIN_E_PER_ADU),
            saturation_adu: Some(65_535.0),
            diffraction: None,
        };
        measure(&image.planes.remove(0), &options).expect("the frame has pixels")
    };
    let got = read("stars-and-galaxies.fits.gz");
    assert!(flagged(&got, StarFlag::Extended) > 60, "{:?}", got.flags);
    assert_width(&got, 2.6, "among rendered galaxies");
    let alone = read("galaxies.fits.gz");
    assert!(!alone.fwhm_px.is_known(), "{:?} of {:?}", alone.fwhm_px.pair(), alone.flags);
}
