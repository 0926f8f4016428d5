//! A large frame in a few seconds, for the benches.

use ndarray::Array2;

use super::footprint::Reach;
use super::{Detector, FieldRecipe, FieldShape, FrameRecipe, StarImage, expose, field, mix, render, scatter};

/// Charge above which the benches draw from a rounded normal law, e-: its skewness is off by 0.14 at most, which no
/// timing sees.
const NORMAL_ABOVE_E: f64 = 50.0;
/// Wings cut at a tenth of an electron, far below the sky's noise of 10 e-.
const REACH: Reach = Reach { missing_share: 1e-3, wing_e_per_px: 0.1 };

/// A frame of stars, FWHM about 3 px, on a sky of 120 e- per px, with hot pixels and vignetting. Not for truth tests.
pub fn bench_frame(width: usize, height: usize, stars: usize, seed: u64) -> Array2<u16> {
    let detector = Detector { seed, gain_e_per_adu: 0.8, ..Detector::even(width, height) };
    let field = FieldRecipe {
        width,
        height,
        border_px: 0.0,
        count: stars,
        least_e_per_s: 20.0,
        most_e_per_s: 10_000.0,
        slope: field::USUAL_SLOPE,
        least_separation_px: 0.0,
    };
    let shape = FieldShape {
        fwhm_px: 3.0,
        tilt: [0.05, 0.0],
        curvature: 0.1,
        radial_ellipticity: 0.1,
        guiding_ellipticity: 0.05,
        guiding_angle_rad: 0.4,
        image: StarImage::Moffat { beta: 3.0 },
    };
    let mut recipe = FrameRecipe::unlit(detector.with_hot_pixels(5e-4, 20.0, 500.0), mix(seed, 1));
    (recipe.exposure_s, recipe.sky_e_per_px_s, recipe.dark_e_per_px_s) = (60.0, 2.0, 0.05);
    recipe.corner_illumination = 0.8;
    recipe.stars = expose(&scatter(&field, mix(seed, 2)), &field, &shape, [0.0, 0.0], recipe.exposure_s);
    (recipe.reach, recipe.normal_above_e) = (REACH, NORMAL_ABOVE_E);
    render(&recipe).0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bench_frame_has_its_size_and_sky() {
        let frame = bench_frame(300, 200, 20, 7);
        assert_eq!(frame.dim(), (200, 300));
        let mut codes: Vec<f64> = frame.iter().map(|p| f64::from(*p)).collect();
        let sky = crate::stats::median_mut(&mut codes).unwrap();
        // 500 ADU + 120 e- x (0.8 to 1 by vignetting) + 3 e- of dark, at 0.8 e- per ADU; wings of stars add a few.
        assert!(sky > 625.0 && sky < 660.0, "{sky}");
        assert_eq!(frame, bench_frame(300, 200, 20, 7));
    }
}
