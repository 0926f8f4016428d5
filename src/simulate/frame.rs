//! One frame: light and dark charge, their shot noise, read noise, codes.

use ndarray::Array2;
use rand::{Rng, RngExt};
use rand_distr::{Distribution, Poisson, StandardNormal};
use rayon::prelude::*;
use serde::Serialize;

use super::footprint::{FULL_REACH, Reach};
use super::{Detector, Profile, SimStar, stream};
use crate::stats::{mean_and_std, median};

/// Rows that one task makes; any number gives the same frame, since every row has its own random stream.
const STRIP_ROWS: usize = 32;

/// Charge above which counts are drawn from a rounded normal law instead of Poisson's, e-. Mean and variance are kept
/// but for the 1/12 e-^2 of the rounding; the skewness lost is below 1/sqrt(1000) = 0.032.
pub const NORMAL_ABOVE_E: f64 = 1000.0;

/// Border within which a star's surroundings are cut off by the edge of the frame, px: the reach of a profile fit to stars
/// of 2 to 3 px.
pub const FIT_BORDER_PX: f64 = 9.0;

/// A light that the electronics shed on one corner: `rate exp(-distance / scale)`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Glow {
    /// Column of the source, px; may lie outside the frame.
    pub x: f64,
    /// Row of the source, px.
    pub y: f64,
    /// Rate at the source, e- per px and s.
    pub rate_e_per_px_s: f64,
    /// Distance over which it falls by e, px.
    pub scale_px: f64,
}

/// All that decides one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameRecipe {
    /// The detector.
    pub detector: Detector,
    /// Seed of this frame's noise.
    pub seed: u64,
    /// Exposure, s.
    pub exposure_s: f64,
    /// Even light at the centre: sky, or the screen of a flat, e- per px and s.
    pub sky_e_per_px_s: f64,
    /// Dark current of an ordinary pixel, e- per px and s.
    pub dark_e_per_px_s: f64,
    /// Illumination of the corners, 1 at the centre, falling with the square of the distance.
    pub corner_illumination: f64,
    /// Stars, with the charge of the whole exposure.
    pub stars: Vec<SimStar>,
    /// Glow of the electronics.
    pub glow: Option<Glow>,
    /// How far the stars' wings are drawn.
    pub reach: Reach,
    /// Charge above which the normal law stands for Poisson's, e-.
    pub normal_above_e: f64,
}

impl FrameRecipe {
    /// A frame with neither light nor dark current, as a bias is; the caller changes what it needs.
    pub fn unlit(detector: Detector, seed: u64) -> Self {
        Self {
            detector,
            seed,
            exposure_s: 0.0,
            sky_e_per_px_s: 0.0,
            dark_e_per_px_s: 0.0,
            corner_illumination: 1.0,
            stars: Vec::new(),
            glow: None,
            reach: FULL_REACH,
            normal_above_e: NORMAL_ABOVE_E,
        }
    }

    /// Illumination at a pixel, 1 at the centre of the frame.
    fn illumination(&self, x: usize, y: usize) -> f64 {
        let (w, h) = (self.detector.width as f64, self.detector.height as f64);
        let (dx, dy) = (x as f64 - (w - 1.0) / 2.0, y as f64 - (h - 1.0) / 2.0);
        1.0 - (1.0 - self.corner_illumination) * 4.0 * (dx * dx + dy * dy) / (w * w + h * h)
    }

    /// Mean of the illumination over the frame: `1 - (1 - corner) / 3`, up to the size of a pixel.
    fn mean_illumination(&self) -> f64 {
        1.0 - (1.0 - self.corner_illumination) / 3.0
    }
}

/// What is true of one frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FrameTruth {
    /// Exposure, s.
    pub exposure_s: f64,
    /// Even light, mean over the frame with its vignetting, e- per px and s.
    pub sky_e_per_px_s: f64,
    /// Dark current of an ordinary pixel, e- per px and s.
    pub dark_e_per_px_s: f64,
    /// Stars whose centre lies in the frame.
    pub star_count: usize,
    /// Median over these stars of the geometric mean of both widths before the pixel, px; `None` without stars.
    pub median_fwhm_px: Option<f64>,
    /// Root mean square of 1 - minor/major over the stars that a fit can use: those not within [`FIT_BORDER_PX`] of an edge.
    pub rms_ellipticity: Option<f64>,
    /// Median over these stars of beta; `None` also where it is infinite or the images are no Moffats.
    pub median_beta: Option<f64>,
    /// All stars that were drawn.
    pub stars: Vec<SimStar>,
}

/// Makes the frame and states its truth. Rows are made in parallel; the number of threads changes nothing.
pub fn render(recipe: &FrameRecipe) -> (Array2<u16>, FrameTruth) {
    let (width, height) = (recipe.detector.width, recipe.detector.height);
    let profiles = Profile::all(&recipe.stars);
    let mut by_strip = vec![Vec::new(); height.div_ceil(STRIP_ROWS)];
    for (i, profile) in profiles.iter().enumerate() {
        let rows = profile.rows(recipe.reach, height);
        if !rows.is_empty() {
            by_strip[rows.start / STRIP_ROWS..=(rows.end - 1) / STRIP_ROWS].iter_mut().for_each(|s| s.push(i));
        }
    }
    let mut pixels = vec![0u16; width * height];
    pixels.par_chunks_mut(width * STRIP_ROWS).zip(&by_strip).enumerate().for_each(|(strip, (codes, touching))| {
        let first = strip * STRIP_ROWS;
        let rows = first..first + codes.len() / width;
        let mut light = vec![0f64; codes.len()];
        for i in touching {
            profiles[*i].draw(recipe.reach, width, rows.clone(), |x, y, e| light[(y - first) * width + x] += e);
        }
        for ((y, row), light) in rows.zip(codes.chunks_mut(width)).zip(light.chunks(width)) {
            expose_row(recipe, y, light, row);
        }
    });
    let image = Array2::from_shape_vec((height, width), pixels).expect("length is rows times columns");
    (image, truth(recipe))
}

fn expose_row(recipe: &FrameRecipe, y: usize, star_e: &[f64], codes: &mut [u16]) {
    let chip = &recipe.detector;
    let (mut dark, mut response) = (vec![0.0; chip.width], vec![0.0; chip.width]);
    chip.dark_factors(y, &mut dark);
    chip.light_factors(y, &mut response);
    let sky_e = recipe.sky_e_per_px_s * recipe.exposure_s;
    let dark_e = recipe.dark_e_per_px_s * recipe.exposure_s;
    let mut rng = stream(recipe.seed, y as u64);
    for (x, code) in codes.iter_mut().enumerate() {
        let light_e = (sky_e + star_e[x]) * recipe.illumination(x, y) * response[x];
        let glow_e = recipe.glow.map_or(0.0, |g| {
            let away = (x as f64 - g.x).hypot(y as f64 - g.y);
            g.rate_e_per_px_s * recipe.exposure_s * (-away / g.scale_px).exp()
        });
        let mean_e = light_e + dark_e * dark[x] + glow_e;
        let charge_e = count(mean_e, recipe.normal_above_e, &mut rng).min(chip.full_well_e);
        *code = chip.code(charge_e + chip.read_noise_e * rng.sample::<f64, _>(StandardNormal));
    }
}

/// A whole number of electrons for a mean.
fn count(mean_e: f64, normal_above_e: f64, rng: &mut impl Rng) -> f64 {
    if mean_e > normal_above_e {
        return (mean_e + mean_e.sqrt() * rng.sample::<f64, _>(StandardNormal)).round().max(0.0);
    }
    Poisson::new(mean_e).map_or(0.0, |law| law.sample(rng))
}

fn rms_ellipticity<'a>(stars: impl Iterator<Item = &'a SimStar>) -> Option<f64> {
    let squares: Vec<f64> = stars.map(|s| s.ellipticity().powi(2)).collect();
    mean_and_std(&squares).map(|(mean, _)| mean.sqrt())
}

fn truth(recipe: &FrameRecipe) -> FrameTruth {
    let (right, top) = (recipe.detector.width as f64 - 0.5, recipe.detector.height as f64 - 0.5);
    let inside = |s: &&SimStar| s.x >= -0.5 && s.x < right && s.y >= -0.5 && s.y < top;
    let whole = |s: &&SimStar| {
        let b = FIT_BORDER_PX - 0.5;
        s.x >= b && s.x < right - FIT_BORDER_PX && s.y >= b && s.y < top - FIT_BORDER_PX
    };
    let of = |value: fn(&SimStar) -> f64| {
        let values: Vec<f64> = recipe.stars.iter().filter(inside).map(value).collect();
        median(&values).filter(|m| m.is_finite())
    };
    FrameTruth {
        exposure_s: recipe.exposure_s,
        sky_e_per_px_s: recipe.sky_e_per_px_s * recipe.mean_illumination(),
        dark_e_per_px_s: recipe.dark_e_per_px_s,
        star_count: recipe.stars.iter().filter(inside).count(),
        median_fwhm_px: of(SimStar::fwhm_px),
        rms_ellipticity: rms_ellipticity(recipe.stars.iter().filter(whole)),
        median_beta: of(|s| s.beta().unwrap_or(f64::INFINITY)),
        stars: recipe.stars.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{StarImage, Turbulence};
    use crate::stats::mean_and_std;

    /// Five standard errors: each check fails by chance once in two million seeds, and the seeds are fixed.
    const ERRORS: f64 = 5.0;

    fn electrons(recipe: &FrameRecipe) -> Vec<f64> {
        let chip = &recipe.detector;
        let (image, _) = render(recipe);
        image.iter().map(|p| (f64::from(*p) - chip.offset_adu) * chip.gain_e_per_adu).collect()
    }

    /// Mean and variance of a pixel: Poisson, read noise, and the rounding of charge and code.
    fn assert_noise(recipe: &FrameRecipe, mean_e: f64) {
        let chip = &recipe.detector;
        let values = electrons(recipe);
        let (mean, std) = mean_and_std(&values).unwrap();
        let q = chip.gain_e_per_adu * f64::from(chip.code_step);
        let variance = mean_e + chip.read_noise_e.powi(2) + q * q / 12.0;
        let n = values.len() as f64;
        assert!((mean - mean_e).abs() < ERRORS * (variance / n).sqrt(), "mean {mean} for {mean_e}");
        // The fourth cumulant of Poisson's law is its mean: var(s^2) = (2 V^2 + mean) / n.
        let error = ((2.0 * variance * variance + mean_e) / n).sqrt();
        assert!((std * std - variance).abs() < ERRORS * error, "variance {} for {variance}", std * std);
    }

    #[test]
    fn mean_and_variance_are_those_of_the_recipe() {
        // Means on either side of where the generator changes its method (12 e-) and of the normal law (1000 e-).
        for (seed, mean_e) in [0.0, 0.4, 3.0, 11.0, 30.0, 400.0, 990.0, 1010.0, 20_000.0].into_iter().enumerate() {
            for code_step in [1, 4] {
                let chip = Detector { gain_e_per_adu: 0.79, code_step, ..Detector::even(400, 300) };
                let mut recipe = FrameRecipe::unlit(chip, seed as u64);
                recipe.exposure_s = 10.0;
                recipe.sky_e_per_px_s = mean_e / 10.0 * 0.75;
                recipe.dark_e_per_px_s = mean_e / 10.0 * 0.25;
                assert_noise(&recipe, mean_e);
            }
        }
    }

    // Two-flat two-bias estimator (EMVA 1288), with its stated error.
    #[test]
    fn a_pair_of_flats_and_of_biases_gives_back_the_gain() {
        let chip = Detector { gain_e_per_adu: 0.79, light_scatter: 0.01, ..Detector::even(500, 400) };
        let frame = |seed, e: f64| {
            let mut recipe = FrameRecipe::unlit(chip.clone(), seed);
            (recipe.exposure_s, recipe.sky_e_per_px_s) = (1.0, e);
            let adu = render(&recipe).0;
            adu.mapv(f64::from)
        };
        let (f1, f2, b1, b2) = (frame(1, 2e4), frame(2, 2e4), frame(3, 0.0), frame(4, 0.0));
        let mean = |a: &Array2<f64>| a.mean().unwrap();
        let half_variance = |a: &Array2<f64>, b: &Array2<f64>| (a - b).var(1.0) / 2.0;
        let (vf, vb) = (half_variance(&f1, &f2), half_variance(&b1, &b2));
        let gain = (mean(&f1) + mean(&f2) - mean(&b1) - mean(&b2)) / 2.0 / (vf - vb);
        let error = gain * (2.0 / 2e5f64).sqrt() * vf.hypot(vb) / (vf - vb);
        assert!((gain - 0.79).abs() < ERRORS * error, "{gain} +- {error}");
        let read_noise = 0.79 * (vb - 1.0 / 12.0).sqrt();
        assert!((read_noise - 3.0).abs() < ERRORS * 3.0 / (4e5f64).sqrt(), "{read_noise}");
        // The uneven response is the same in both flats: it cancels in their difference and shows in a single one.
        let single = f1.var(1.0);
        let expected = vf + (2e4 / 0.79 * 0.01f64).powi(2);
        assert!((single / expected - 1.0).abs() < ERRORS * (2.0 / 2e5f64).sqrt(), "{single} {expected}");
    }

    fn busy(seed: u64) -> FrameRecipe {
        let chip = Detector { dark_scatter: 0.1, light_scatter: 0.01, ..Detector::even(150, 131) };
        let mut recipe = FrameRecipe::unlit(chip.with_hot_pixels(0.01, 20.0, 100.0), seed);
        (recipe.exposure_s, recipe.sky_e_per_px_s, recipe.dark_e_per_px_s) = (60.0, 1.0, 0.1);
        recipe.corner_illumination = 0.7;
        recipe.glow = Some(Glow { x: 0.0, y: 0.0, rate_e_per_px_s: 2.0, scale_px: 20.0 });
        let turbulent = StarImage::Turbulence(Turbulence::kolmogorov(2.5));
        let images = [StarImage::Moffat { beta: 3.0 }, turbulent];
        let star = |i: usize| SimStar::of(images[i % 2], 7.3 * i as f64, 6.1 * i as f64, 4e4, 3.0);
        recipe.stars = (0..22).map(star).collect();
        recipe
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let on = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| render(&busy(9)))
        };
        assert_eq!(on(1), on(4));
        assert_eq!(on(1), render(&busy(9)));
        assert_ne!(on(1).0, render(&busy(10)).0);
    }

    #[test]
    fn the_charge_of_the_stars_arrives_in_the_frame() {
        const FLUX_E: f64 = 2e5;
        let mut recipe = FrameRecipe::unlit(Detector::even(300, 300), 4);
        recipe.stars = [(80.3, 90.9), (200.0, 150.5)].map(|(x, y)| SimStar::round(x, y, FLUX_E, 3.0, 3.0)).to_vec();
        let sum: f64 = electrons(&recipe).iter().sum();
        // Shot noise of the flux and read noise of the area; the wings outside may hold the stated share.
        let noise = (2.0 * FLUX_E + 9.0 * 300.0 * 300.0).sqrt();
        let most_missing = 2.0 * FLUX_E * FULL_REACH.missing_share;
        let lost = 2.0 * FLUX_E - sum;
        assert!(lost < ERRORS * noise + most_missing && lost > -ERRORS * noise, "{lost}");
    }

    #[test]
    fn hot_pixels_stand_in_the_same_place_in_all_frames() {
        let chip = Detector { seed: 3, ..Detector::even(120, 80) }.with_hot_pixels(0.003, 200.0, 300.0);
        let found = |seed| -> Vec<usize> {
            let mut recipe = FrameRecipe::unlit(chip.clone(), seed);
            (recipe.exposure_s, recipe.dark_e_per_px_s) = (100.0, 0.1);
            electrons(&recipe).iter().enumerate().filter(|(_, e)| **e > 1000.0).map(|(i, _)| i).collect()
        };
        let hot: Vec<usize> = chip.hot.iter().map(|h| h.index).collect();
        assert_eq!(hot.len(), 29);
        assert_eq!(found(1), hot);
        assert_eq!(found(2), hot);
    }

    #[test]
    fn vignetting_falls_to_the_stated_corner_and_mean() {
        let mut recipe = FrameRecipe::unlit(Detector::even(61, 41), 1);
        recipe.corner_illumination = 0.6;
        // The centre of the corner pixel lies a little inside the corner itself: half a pixel in 37.
        let corner = recipe.illumination(0, 40);
        assert!(corner > 0.6 && corner < 0.6 + 0.4 * 2.0 / 41.0, "{corner}");
        assert_eq!(recipe.illumination(30, 20), 1.0);
        let sum: f64 = (0..41).flat_map(|y| (0..61).map(move |x| (x, y))).map(|(x, y)| recipe.illumination(x, y)).sum();
        // The sum over pixel centres misses the spread inside a pixel, (1/12 + 1/12) px^2 of the mean square distance.
        assert!((sum / 2501.0 - recipe.mean_illumination()).abs() < 1e-3);
    }

    #[test]
    fn full_pixels_stay_at_the_full_well_and_clip_at_16_bit() {
        let mut recipe = FrameRecipe::unlit(Detector { full_well_e: 3e4, ..Detector::even(20, 20) }, 1);
        (recipe.exposure_s, recipe.sky_e_per_px_s) = (1.0, 1e5);
        let mean = electrons(&recipe).iter().sum::<f64>() / 400.0;
        assert!((mean - 3e4).abs() < 1.0, "{mean}");
        recipe.detector.full_well_e = 1e6;
        assert!(render(&recipe).0.iter().all(|p| *p == u16::MAX));
    }
}
