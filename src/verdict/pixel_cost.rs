//! What a pixel size costs in signal-to-noise: small pixels gather the sensor's own noise, large ones more sky.

use super::power::grid_power;
use super::profile::StarProfile;

/// Signal-to-noise on a faint star over that of a noiseless sensor with infinitely small pixels.
///
/// Formula: `sqrt(A B / (n (B + q)))` with `A` the effective area of the image before the pixel in px^2, `n` the number
/// of pixels that share its noise, `B` the sky and `q = D + R^2/t` the sensor's own variance, both e^2/px/s (derived).
pub fn snr_efficiency(area_px2: f64, effective_pixels: f64, sky: f64, sensor: f64) -> f64 {
    (area_px2 * sky / (effective_pixels * (sky + sensor))).sqrt()
}

/// Factor on the pixel that gives the best [`snr_efficiency`] when the sensor's variance per pixel stays as it is.
///
/// Formula: `(A q / (c B))^(1/4)`, `c` the area that a unit pixel adds; for a Gaussian `(12 sigma^2 q / s)^(1/4)` in
/// arcsec (derived).
pub fn best_pixel_factor(star: StarProfile, sky: f64, sensor: f64) -> f64 {
    (star.effective_area_px2() * sensor / (star.pixel_area_term_px2() * sky)).sqrt().sqrt()
}

/// [`snr_efficiency`] of a pixel `factor` times the present one with the noise of a present one, shared pixels by
/// integration. Not a number when the star is too narrow on that pixel (see [`grid_power`]).
pub fn efficiency_at(star: StarProfile, sky: f64, sensor: f64, factor: f64) -> f64 {
    let Some(grid) = star.with_fwhm(star.fwhm_px() / factor).and_then(grid_power) else {
        return f64::NAN;
    };
    snr_efficiency(star.effective_area_px2() / factor.powi(2), grid.effective_pixels, sky * factor.powi(2), sensor)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gaussian image of the check values: FWHM and pixel in arcsec, sky per arcsec^2, second-order area.
    fn second_order(fwhm: f64, sky: f64, q: f64, pixel: f64) -> f64 {
        let star = StarProfile::gaussian(fwhm / pixel).unwrap();
        let n = star.effective_area_px2() + star.pixel_area_term_px2();
        snr_efficiency(star.effective_area_px2(), n, sky * pixel * pixel, q)
    }

    #[test]
    fn best_pixel_and_its_efficiency() {
        // Check values C2.6, C2.8, C2.9: FWHM, sky, R, t, D, best pixel in arcsec, efficiency; printed digits.
        for (f, s, r, t, d, pixel, eta) in [
            (3.0, 1.0, 3.5, 180.0, 0.01, 1.110396, 0.94046),
            (3.0, 0.1, 1.5, 300.0, 0.002, 1.166294, 0.93472),
            (2.0, 0.3, 1.5, 120.0, 0.005, 0.909844, 0.91271),
        ] {
            let q = d + r * r / t;
            let star = StarProfile::gaussian(f).unwrap();
            assert!((best_pixel_factor(star, s, q) - pixel).abs() < 1e-6);
            assert!((second_order(f, s, q, pixel) - eta).abs() < 6e-6);
        }
    }

    #[test]
    fn efficiency_against_pixel_size() {
        // Check value C2.7 (second-order area), four decimals; the integral agrees to 1 % at FWHM = 1 px.
        let q = 0.078_055_6;
        for (pixel, eta) in [(0.5, 0.8674), (1.0, 0.9393), (2.0, 0.9021), (3.0, 0.8234)] {
            assert!((second_order(3.0, 1.0, q, pixel) - eta).abs() < 6e-5);
            let star = StarProfile::gaussian(3.0 / pixel).unwrap();
            let n = grid_power(star).unwrap().effective_pixels;
            let exact = snr_efficiency(star.effective_area_px2(), n, pixel * pixel, q);
            assert!((exact / eta - 1.0).abs() < 0.01, "{exact} against {eta}");
        }
    }

    #[test]
    fn the_best_pixel_is_a_maximum() {
        // Small changes either way lose; the closed form is second order, so 15 % steps, not smaller.
        let star = StarProfile::new(3.0, 3.3).unwrap();
        let best = best_pixel_factor(star, 0.4, 0.1);
        let [below, at, above] = [0.85, 1.0, 1.15].map(|f| efficiency_at(star, 0.4, 0.1, f * best));
        assert!(at > below && at > above, "{below} {at} {above}");
    }

    #[test]
    fn a_noiseless_sensor_wants_ever_smaller_pixels() {
        let star = StarProfile::new(3.0, 3.3).unwrap();
        assert_eq!(best_pixel_factor(star, 0.4, 0.0), 0.0);
        assert!(efficiency_at(star, 0.4, 0.0, 0.3) > efficiency_at(star, 0.4, 0.0, 1.0));
    }
}
