//! What the air and the aperture make of a star image: the two limits that stand beside a measured FWHM.

use crate::image::DIFFRACTION_FWHM;
use crate::units::ARCSEC_PER_RADIAN;

/// Wavelength for which the diffraction limit is quoted, nm: the middle of the visual band (V of Johnson, 551 nm).
pub const QUOTED_WAVELENGTH_NM: f64 = 550.0;

/// Power of airmass and of wavelength in the seeing FWHM.
///
/// Turbulence theory: `r0 ~ lambda^(6/5) cos(z)^(3/5)`, hence `lambda/r0 ~ lambda^-0.2 X^0.6` (Fried 1966, from memory).
const AIRMASS_POWER: f64 = 0.6;
const WAVELENGTH_POWER: f64 = -0.2;

/// FWHM of diffraction, arcsec, of an unobstructed aperture of `aperture_mm` at `wavelength_nm`.
pub fn diffraction_fwhm_arcsec(aperture_mm: f64, wavelength_nm: f64) -> f64 {
    DIFFRACTION_FWHM * wavelength_nm * 1e-6 / aperture_mm * ARCSEC_PER_RADIAN
}

/// Factor by which a seeing FWHM grows from the zenith to `airmass`.
pub fn airmass_factor(airmass: f64) -> f64 {
    airmass.powf(AIRMASS_POWER)
}

/// Factor by which a seeing FWHM changes from one wavelength to another (same unit).
pub fn wavelength_factor(from: f64, to: f64) -> f64 {
    (to / from).powf(WAVELENGTH_POWER)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative tolerance that the check values state.
    const STATED: f64 = 1e-5;

    #[test]
    fn diffraction_of_two_apertures() {
        // Check value C1.14 (scipy Bessel root).
        assert!((diffraction_fwhm_arcsec(80.0, 550.0) / 1.459_180 - 1.0).abs() < STATED);
        assert!((diffraction_fwhm_arcsec(200.0, 656.3) / 0.696_480 - 1.0).abs() < STATED);
    }

    #[test]
    fn seeing_grows_with_airmass_and_shrinks_towards_the_red() {
        // Check value C1.17: 2.0 arcsec at 500 nm in the zenith, seen at airmass 2 and 656.3 nm.
        assert!((2.0 * airmass_factor(2.0) * wavelength_factor(500.0, 656.3) / 2.870_923 - 1.0).abs() < STATED);
    }
}
