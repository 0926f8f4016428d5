//! Star measurement against simulated truth. The renderer shares no code with the fit.

use skygrain::fits::Pixels;
use skygrain::frame::{Lattice, undefine};
use skygrain::report::InWords;
use skygrain::simulate::{Detector, FrameRecipe, SimStar, StarImage, render};
use skygrain::stars::{FrameStars, MeasureOptions, StarFlag, measure};

const GAIN_E_PER_ADU: f64 = 0.8;
/// Columns and rows of stars on a grid: isolated by construction.
const GRID: usize = 9;

/// A frame of isolated stars at random phases, `peak_snr` above a sky of 300 e-.
fn frame(fwhm_px: f64, ellipticity: f64, beta: f64, peak_snr: f64, seed: u64) -> Pixels {
    let pitch = (7.0 * fwhm_px + 14.0).ceil();
    let side = (pitch * (GRID as f64 + 1.0)) as usize;
    let detector = Detector { gain_e_per_adu: GAIN_E_PER_ADU, ..Detector::even(side, side) };
    let noise = (300.0 + detector.read_noise_e.powi(2)).sqrt();
    // Peak over noise p needs p = P / sqrt(P + noise^2).
    let peak_e = 0.5 * (peak_snr.powi(2) + peak_snr * (peak_snr.powi(2) + 4.0 * noise * noise).sqrt());
    let area = std::f64::consts::PI * fwhm_px.powi(2) / (4.0 * (2f64.powf(1.0 / beta) - 1.0) * (beta - 1.0));
    let ratio = 1.0 - ellipticity;
    let mut phase = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mut random = || {
        phase = phase.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (phase >> 11) as f64 / (1u64 << 53) as f64
    };
    let stars = (0..GRID * GRID)
        .map(|i| SimStar {
            x: pitch * (1.0 + (i % GRID) as f64) + random() - 0.5,
            y: pitch * (1.0 + (i / GRID) as f64) + random() - 0.5,
            flux_e: peak_e * area * (0.7 + 0.6 * random()),
            fwhm_major_px: fwhm_px / ratio.sqrt(),
            fwhm_minor_px: fwhm_px * ratio.sqrt(),
            angle_rad: 0.6,
            image: StarImage::Moffat { beta },
        })
        .collect();
    let recipe = FrameRecipe { exposure_s: 100.0, sky_e_per_px_s: 3.0, stars, ..FrameRecipe::unlit(detector, seed) };
    Pixels::U16(render(&recipe).0)
}

fn measured(plane: &Pixels) -> FrameStars {
    let options = MeasureOptions {
        lattice: Lattice::All,
        e_per_adu: Some(GAIN_E_PER_ADU),
        saturation_adu: Some(65_535.0),
        diffraction: None,
    };
    measure(plane, &options).expect("the frame has pixels")
}

/// The bar: relative bias of the width, but where pixels are so coarse that the stated error is larger.
const FWHM_BIAS: f64 = 0.005;
/// Stated errors of a frame's width that the bias may reach: what the image leaves open does not average over the frames of one image.
const BIAS_ERRORS: f64 = 1.5;

#[test]
fn width_is_unbiased_from_one_to_eight_pixels() {
    for (k, fwhm) in [1.0, 1.5, 2.0, 3.0, 5.0, 8.0].into_iter().enumerate() {
        for (ellipticity, beta) in [(0.0, 2.5), (0.1, 3.5), (0.3, 5.0), (0.3, 2.5)] {
            let seeds = 3;
            let (mut sum, mut error, mut stars) = (0.0, 0.0f64, 0);
            for seed in 0..seeds {
                let got = measured(&frame(fwhm, ellipticity, beta, 100.0, 100 * k as u64 + seed));
                let (width, sigma) = got.fwhm_px.pair().expect("a width");
                sum += width;
                error = error.max(sigma / fwhm);
                stars += got.stars.len();
            }
            let bias = sum / seeds as f64 / fwhm - 1.0;
            eprintln!("FWHM {fwhm} e {ellipticity} beta {beta}: {stars} stars, bias {:.3} %", 100.0 * bias);
            let most = FWHM_BIAS.max(BIAS_ERRORS * error);
            assert!(bias.abs() < most, "FWHM {fwhm} px, e {ellipticity}, beta {beta}: bias {bias:.4}");
            assert!(stars > 200, "{stars} of {} stars used", 3 * GRID * GRID);
        }
    }
}

/// Five standard errors of a share of 68.3 % among n stars.
fn coverage_tolerance(n: usize) -> f64 {
    5.0 * (0.683 * 0.317 / n as f64).sqrt()
}

#[test]
fn stated_errors_hold_for_single_stars() {
    for (fwhm, snr) in [(1.5, 60.0), (3.0, 30.0), (3.0, 100.0), (5.0, 60.0)] {
        let (mut inside, mut n) = (0, 0);
        for seed in 0..5 {
            let got = measured(&frame(fwhm, 0.1, 3.5, snr, 7_000 + seed));
            for star in &got.stars {
                // Against the truth, the error of the frame's exponent counts too.
                let sigma = star.fit.sigma_ln_width.hypot(got.common_ln_width_sigma);
                let pull = (star.fit.shape.fwhm_px() / fwhm).ln() / sigma;
                inside += usize::from(pull.abs() < 1.0);
                n += 1;
            }
        }
        let share = inside as f64 / n as f64;
        eprintln!("FWHM {fwhm} snr {snr}: {n} stars, one sigma holds {:.1} %", 100.0 * share);
        assert!((share - 0.683).abs() < coverage_tolerance(n), "FWHM {fwhm}, S/N {snr}: {share:.3} of {n}");
    }
}

#[test]
fn stated_errors_hold_for_frames() {
    let (mut pulls, mut common) = (Vec::new(), 0.0);
    for (k, (fwhm, snr)) in [(1.5, 60.0), (2.0, 30.0)].into_iter().enumerate() {
        for seed in 0..30 {
            let got = measured(&frame(fwhm, 0.1, 3.5, snr, 20_000 + 100 * k as u64 + seed));
            let (width, sigma) = got.fwhm_px.pair().expect("a width");
            pulls.push((width - fwhm) / sigma);
            common += (got.common_ln_width_sigma * fwhm / sigma).powi(2) / 60.0;
        }
    }
    let n = pulls.len();
    let share = pulls.iter().filter(|p| p.abs() < 1.0).count() as f64 / n as f64;
    let mean = pulls.iter().sum::<f64>() / n as f64;
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / n as f64).sqrt();
    eprintln!("{n} frames: one sigma holds {:.0} %, pulls {mean:.2} rms {rms:.2}, common {common:.2}", 100.0 * share);
    assert!((share - 0.683).abs() < FRAME_ERRORS * (0.683 * 0.317 / n as f64).sqrt(), "{share:.3}");
    // The root mean square of n normal pulls is 1 within 1/sqrt(2 n).
    assert!((rms - 1.0).abs() < FRAME_ERRORS / (2.0 * n as f64).sqrt(), "{rms:.3}");
    // The frame's exponent has a real share in the error: a test without it would not notice its loss.
    assert!(common > 0.2, "{common:.3}");
}

/// Standard errors allowed of the share and of the pulls' size: seeds are fixed, 3 of them let one in 370 settings fail.
const FRAME_ERRORS: f64 = 3.0;

#[test]
fn ellipticity_and_angle_come_back_and_round_stars_stay_round() {
    let long = measured(&frame(3.0, 0.3, 3.5, 60.0, 1));
    let (e, sigma) = long.ellipticity.pair().unwrap();
    assert!((e - 0.3).abs() < 5.0 * sigma.max(0.001), "{e} +- {sigma}");
    let (angle, sigma) = long.position_angle_deg.pair().unwrap();
    assert!((angle - 0.6f64.to_degrees()).abs() < 5.0 * sigma, "{angle} +- {sigma}");
    let round = measured(&frame(3.0, 0.0, 3.5, 30.0, 2));
    let (e, sigma) = round.ellipticity.pair().unwrap();
    assert!(e < 3.0 * sigma.max(0.005), "{e} +- {sigma}");
    assert!(!round.position_angle_deg.is_known());
}

/// How far the typical error of a star's width may lie from that with the known gain: a gain from some 2,000 lit pixels is known to
/// 6 %, errors go with its root, and what stars take up of their own scatter is known to a tenth.
const TOLD_NOISE: f64 = 0.15;

#[test]
fn without_a_gain_the_stars_tell_their_own_noise_hot_pixels_beside_them_or_not() {
    for (fwhm, hot) in [(2.3, 0), (2.3, 300), (3.5, 300)] {
        let Pixels::U16(mut image) = frame(fwhm, 0.15, 3.5, 120.0, 77) else { unreachable!() };
        let (rows, columns) = image.dim();
        for i in 0..hot {
            let at = [(i * 7919) % rows, (i * 104_729) % columns];
            image[at] = image[at].saturating_add(300 + 13 * i as u16);
        }
        let plane = Pixels::U16(image);
        let known = measured(&plane);
        let options = MeasureOptions {
            lattice: Lattice::All,
            e_per_adu: None,
            saturation_adu: Some(65_535.0),
            diffraction: None,
        };
        let told = measure(&plane, &options).expect("the frame has pixels");
        let typical = |s: &FrameStars| {
            let mut sigmas: Vec<f64> = s.stars.iter().map(|s| s.fit.sigma_ln_width).collect();
            sigmas.sort_by(f64::total_cmp);
            sigmas[sigmas.len() / 2]
        };
        let ratio = typical(&told) / typical(&known);
        let [(e, sigma), (other, _)] = [&known, &told].map(|s| s.ellipticity.pair().unwrap());
        eprintln!(
            "FWHM {fwhm}, {hot} hot: error over that with the gain {ratio:.3}, ellipticity {e:.4} and {other:.4} +- {sigma:.4}"
        );
        assert!((ratio - 1.0).abs() < TOLD_NOISE, "FWHM {fwhm}, {hot} hot: {ratio}");
        assert!((e - other).abs() < 2.0 * sigma, "FWHM {fwhm}, {hot} hot: {e} and {other} +- {sigma}");
        assert!(told.stars.len() + 8 > known.stars.len(), "{} of {}", told.stars.len(), known.stars.len());
    }
}

// A failure from public issue trackers: lone hot pixels among undersampled stars.
#[test]
fn a_lone_hot_pixel_is_not_a_star_and_a_sharp_star_is() {
    let Pixels::U16(mut image) = frame(1.2, 0.0, 3.5, 50.0, 3) else { unreachable!() };
    let (rows, columns) = image.dim();
    for i in 0..50usize {
        // On the lines between the grid's stars.
        let at = [(7 + 4 * i).min(rows - 8), 11 + (i * 37) % (columns - 22)];
        image[at] = image[at].saturating_add(500 + 400 * i as u16);
    }
    let got = measured(&Pixels::U16(image));
    let kept = got.stars.len();
    assert!(kept >= 75, "{kept} of 81 stars kept, {:?}", got.flags);
    assert!(got.flags[&StarFlag::HotPixel] >= 45, "{:?}", got.flags);
    let (width, sigma) = got.fwhm_px.pair().unwrap();
    assert!((width - 1.2).abs() < 2.0 * sigma, "{width} +- {sigma}");
}

// The same arithmetic on numbers of either width: every digit agrees.
#[test]
fn pixels_left_out_count_for_nothing_whatever_the_width_of_the_numbers() {
    let Pixels::U16(mut image) = frame(1.8, 0.1, 3.5, 50.0, 4) else { unreachable!() };
    let numbers = image.len();
    let places: Vec<u32> = (0..numbers as u32).step_by(97).collect();
    let wide = undefine(Pixels::F32(image.mapv(f32::from)), &places);
    // What stands in a hole must not matter.
    places.iter().for_each(|p| image.as_slice_mut().unwrap()[*p as usize] = 60_000);
    let narrow = undefine(Pixels::U16(image.clone()), &places);
    assert_eq!(format!("{:?}", measured(&narrow)), format!("{:?}", measured(&wide)));
    assert_ne!(measured(&narrow), measured(&Pixels::U16(image)));
}

// A failure from public issue trackers.
#[test]
fn a_frame_without_stars_says_so() {
    let got = measured(&Pixels::U16(ndarray::Array2::from_elem((256, 256), 1000)));
    assert_eq!((got.star_count, got.fwhm_px.value), (0, None));
    assert!(got.fwhm_px.why().contains("clouds"));
}

/// Bias allowed on a mosaic: half of the pixels are seen.
const MOSAIC_BIAS: f64 = 0.01;

#[test]
fn a_mosaic_is_measured_on_its_green_sites_only() {
    let pattern = skygrain::folder::CfaPattern::parse("RGGB").unwrap();
    for fwhm in [2.0, 3.5] {
        let Pixels::U16(mut image) = frame(fwhm, 0.1, 3.5, 80.0, 9) else { unreachable!() };
        for ((y, x), v) in image.indexed_iter_mut() {
            if !pattern.is_green(x, y) {
                *v /= 2;
            }
        }
        let options = MeasureOptions {
            lattice: Lattice::Green(pattern),
            e_per_adu: Some(GAIN_E_PER_ADU),
            saturation_adu: Some(65_535.0),
            diffraction: None,
        };
        let got = measure(&Pixels::U16(image), &options).unwrap();
        let bias = got.fwhm_px.value.unwrap() / fwhm - 1.0;
        eprintln!("mosaic FWHM {fwhm}: {} stars, bias {:.2} %", got.stars.len(), 100.0 * bias);
        assert!(bias.abs() < MOSAIC_BIAS && got.stars.len() > 60, "{bias} {:?}", got.flags);
    }
}

// A failure from public issue trackers: counts of pixels above half the maximum came in steps and a pixel short.
#[test]
fn widths_have_no_preferred_values_at_any_phase() {
    for fwhm in [1.41, 2.0, 3.5, 9.42] {
        let mut widths = Vec::new();
        for seed in 0..3 {
            widths
                .extend(measured(&frame(fwhm, 0.0, 3.5, 100.0, 40 + seed)).stars.iter().map(|s| s.fit.shape.fwhm_px()));
        }
        let mean = widths.iter().sum::<f64>() / widths.len() as f64;
        assert!(widths.len() > 200 && (mean / fwhm - 1.0).abs() < 0.02, "{fwhm}: {mean} of {}", widths.len());
        // In cells of a hundredth of the spread of 240 phases no value comes back as steps would make it.
        widths.sort_by(f64::total_cmp);
        let spread = widths[widths.len() - 1] - widths[0];
        let repeated = widths.windows(2).filter(|w| w[1] - w[0] < 1e-6 * spread).count();
        assert!(spread > 0.0 && repeated < 5, "{fwhm}: {repeated} widths come twice");
    }
}

// A failure from public issue trackers: axes of 1.5 and 1.0 px standard deviation are 3.53 and 2.35 px wide, and the
// one width of such a star is the geometric mean of both.
#[test]
fn both_axes_of_a_long_star_are_full_widths_at_half_maximum() {
    let (major, minor) = (3.532_f64, 2.355_f64);
    let got = measured(&frame((major * minor).sqrt(), 1.0 - minor / major, 4.0, 100.0, 9));
    let (width, ratio) = (got.fwhm_px.value.unwrap(), 1.0 - got.ellipticity.value.unwrap());
    // Some 80 stars of 1 % each.
    for (axis, want) in [(width / ratio.sqrt(), major), (width * ratio.sqrt(), minor)] {
        assert!((axis / want - 1.0).abs() < 0.01, "{axis}, true {want}");
    }
}

// A failure from public issue trackers: extended light under half of the stars.
#[test]
fn stars_before_a_nebula_are_found_and_as_wide_as_beside_it() {
    let side = 512;
    let detector = Detector { gain_e_per_adu: GAIN_E_PER_ADU, ..Detector::even(side, side) };
    // 80 stars on a grid, every other one before the nebula, which is a Gaussian of 90 px in the middle of the left half.
    let star = |i: usize| {
        let (column, row) = (i % 10, i / 10);
        SimStar::round(30.3 + 50.1 * column as f64, 40.7 + 61.3 * row as f64, 9_000.0 + 700.0 * i as f64, 3.0, 3.5)
    };
    let stars = (0..80).map(star).collect();
    let recipe = FrameRecipe { exposure_s: 100.0, sky_e_per_px_s: 1.2, stars, ..FrameRecipe::unlit(detector, 11) };
    let mut image = render(&recipe).0;
    let near = |x: f64, y: f64| ((x - 140.0).powi(2) + (y - 256.0).powi(2)) / (2.0 * 90.0 * 90.0);
    let mut noise = 12_345u64;
    for ((y, x), pixel) in image.indexed_iter_mut() {
        let light = 600.0 * (-near(x as f64, y as f64)).exp();
        // Twelve even numbers make a normal one; the nebula's photons scatter as any others.
        let mut normal = -6.0;
        for _ in 0..12 {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            normal += (noise >> 11) as f64 / (1u64 << 53) as f64;
        }
        *pixel += (light + normal * (light / GAIN_E_PER_ADU).sqrt()).round().max(0.0) as u16;
    }
    let got = measured(&Pixels::U16(image));
    let (inside, outside): (Vec<_>, Vec<_>) = got.stars.iter().partition(|s| near(s.fit.x, s.fit.y) < 1.0);
    let there = (0..80).map(star).filter(|s| near(s.x, s.y) < 1.0).count();
    assert!(inside.len() as f64 >= 0.9 * there as f64, "{} of {there}", inside.len());
    assert!(outside.len() as f64 >= 0.9 * (80 - there) as f64, "{} of {}", outside.len(), 80 - there);
    let width = |stars: &[&skygrain::stars::Star]| {
        let mut widths: Vec<f64> = stars.iter().map(|s| s.fit.shape.fwhm_px()).collect();
        widths.sort_by(f64::total_cmp);
        widths[widths.len() / 2]
    };
    assert!((width(&inside) / width(&outside) - 1.0).abs() < 0.03, "{} {}", width(&inside), width(&outside));
}
