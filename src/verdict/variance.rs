//! Variance of a pixel in time: the CCD equation a pixel and a second, and the two limits that follow from it.
//!
//! Source: Merline & Howell 1995, Exp. Astr. 6, 163 (the usual terms, without that of the background estimate).

/// Variance that one second of exposure adds to a pixel, e^2/s: `S + B + D + R^2/t`.
///
/// `source` and `sky` and `dark` are e-/px/s, `read_noise_e` e-, `exposure_s` s.
pub fn variance_rate(source: f64, sky: f64, dark: f64, read_noise_e: f64, exposure_s: f64) -> f64 {
    source + sky + dark + read_noise_e.powi(2) / exposure_s
}

/// Exposure at which read noise raises the noise of sky and dark by the share `f`: `R^2 / ((B + D)((1 + f)^2 - 1))`, s.
pub fn swamping_exposure_s(read_noise_e: f64, background_e_per_px_s: f64, f: f64) -> f64 {
    read_noise_e.powi(2) / (background_e_per_px_s * ((1.0 + f).powi(2) - 1.0))
}

/// Dark rate that raises the noise of sky and reading by the share `f`: `((1 + f)^2 - 1)(B + R^2/t)`, e-/px/s.
pub fn tolerable_dark(sky: f64, read_noise_e: f64, exposure_s: f64, f: f64) -> f64 {
    ((1.0 + f).powi(2) - 1.0) * variance_rate(0.0, sky, 0.0, read_noise_e, exposure_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_ratio_and_gain_of_given_states() {
        // Check values C6.1 to C6.3: S, B, D now, D then, R, t, rho, gain; printed with six decimals.
        for (s, b, now, then, r, t, rho, gain) in [
            (0.05, 0.5, 0.5, 0.02, 3.0, 120.0, 0.573_333, 1.320_676),
            (0.02, 0.1, 0.5, 0.02, 3.0, 300.0, 0.261_538, 1.955_385),
            (0.0, 2.0, 0.2, 0.01, 3.0, 60.0, 0.919_149, 1.043_055),
        ] {
            let ratio: f64 = variance_rate(s, b, then, r, t) / variance_rate(s, b, now, r, t);
            assert!((ratio - rho).abs() < 1e-6);
            assert!((ratio.powf(-0.5) - gain).abs() < 1e-6);
        }
    }

    #[test]
    fn signal_to_noise_of_sixty_exposures() {
        // Check value C6.5: S t N / sqrt(v t N).
        for (dark, snr) in [(0.5, 4.0), (0.02, 5.282_705)] {
            let seconds = 60.0 * 120.0;
            let got = 0.05 * seconds / (variance_rate(0.05, 0.5, dark, 3.0, 120.0) * seconds).sqrt();
            assert!((got - snr).abs() < 1e-6);
        }
    }

    /// Signal-to-noise of a star of `rate` e-/s in `pixels` pixels.
    fn signal_to_noise(rate: f64, pixels: f64, sky: f64, dark: f64, read_e: f64, t: f64) -> f64 {
        rate * t / (t * (rate + pixels * variance_rate(0.0, sky, dark, read_e, t))).sqrt()
    }

    #[test]
    fn the_variance_is_that_of_the_published_equation() {
        // Check values C3.1 and C3.2, an example of Howell's Handbook of CCD Astronomy computed with numpy: 24013 ADU and a sky
        // of 620 ADU at 5 e-/ADU, 22 e-/px/h, 300 s, R = 5; printed with seven digits.
        let (star, sky, dark) = (24_013.0 * 5.0 / 300.0, 620.0 * 5.0 / 300.0, 22.0 / 3600.0);
        for (pixels, snr) in [(1.0, 342.0783), (9.0, 311.8766), (25.0, 269.6655)] {
            assert!((signal_to_noise(star, pixels, sky, dark, 5.0, 300.0) / snr - 1.0).abs() < 1e-6);
        }
        // C3.2, last: the sky from 200 pixels, whose own noise counts for each of 25, and rounding to codes of 5 e-, whose
        // deviation the example takes as 0.289 of one.
        let read_and_rounding = 5.0f64.hypot(5.0 * 0.289);
        let got = signal_to_noise(star, 25.0 * (1.0 + 25.0 / 200.0), sky, dark, read_and_rounding, 300.0);
        assert!((got / 263.2182 - 1.0).abs() < 1e-6, "{got}");
        // C3.3: astropy.stats.signal_to_noise_oir_ccd; C3.4: the times at which S/N is 100 and 5.
        for (star, t, snr) in [(10.0, 60.0, 10.444_659), (10.0, 5203.459, 100.0), (0.5, 4254.231, 5.0)] {
            assert!((signal_to_noise(star, 20.0, 2.0, 0.1, 3.0, t) / snr - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn exposure_that_drowns_the_read_noise() {
        // Check value C3.7, printed with six digits.
        for (r, b, d, t) in [(1.5, 0.5, 0.01, 43.0416), (3.5, 0.5, 0.01, 234.3376), (8.0, 0.05, 0.02, 8919.861)] {
            assert!((swamping_exposure_s(r, b + d, 0.05) / t - 1.0).abs() < 2e-6);
        }
        // C(f) of the published form R^2 C / (B + D), for 1, 2, 5, 10 and 20 %; four digits.
        for (f, c) in [(0.01, 49.75), (0.02, 24.75), (0.05, 9.756), (0.1, 4.762), (0.2, 2.273)] {
            assert!((swamping_exposure_s(1.0, 1.0, f) / c - 1.0).abs() < 2e-4);
        }
    }

    #[test]
    fn dark_current_that_hardly_counts() {
        // Check value C6.6.
        assert!((tolerable_dark(0.5, 3.0, 120.0, 0.05) - 0.058_937_5).abs() < 1e-9);
    }
}
