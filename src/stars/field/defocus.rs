//! Blur by defocus, in geometrical optics: the disc of an evenly lit pupil.
//!
//! A disc of the width `dz / N` has the variance `(dz / 4N)^2` along either axis; added to a star's variance it holds for
//! the FWHM too while the disc is narrower than two sigma of the star (to 1.4 %; C8.4 of the table of check values).

use super::surface::{FieldSurface, SIGNIFICANT_CHANCE};
use super::width::{WIDTH_TERMS, mean_of_corners};
use crate::facts::Quantity;
use crate::facts::stars::{StarsMissing, StarsNote};
use crate::stats::FWHM_PER_SIGMA;
use crate::stats::grouped::GroupedFit;

/// What turns widths into a defocus; either may be unknown.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct FieldOptics {
    /// Size of a recorded pixel, um.
    pub um_per_px: Option<f64>,
    /// Focal length over aperture.
    pub focal_ratio: Option<f64>,
}

/// Defocus that would widen the corners, as a mean over all four, from the width at the centre.
pub(crate) fn corner_defocus(
    surface: &FieldSurface,
    width: &GroupedFit<WIDTH_TERMS>,
    optics: FieldOptics,
    of: &dyn Fn(f64, f64) -> Quantity,
) -> Quantity {
    let (Some(um_per_px), Some(focal_ratio)) = (optics.um_per_px, optics.focal_ratio) else {
        return Quantity::not_measurable(StarsMissing::OpticsUnknown);
    };
    let centre = surface.central_fwhm_px;
    let (value, sigma) =
        width.propagate(|t| defocus_um(centre, centre * mean_of_corners(t, surface.half_size), focal_ratio, um_per_px));
    if surface.chances.curvature >= SIGNIFICANT_CHANCE || value <= 0.0 {
        return Quantity::not_measurable(StarsMissing::CornersNotWider);
    }
    of(value, sigma).noted(StarsNote::SizeWithoutSign)
}

/// Size of the defocus that widens a star from `best_px` to `fwhm_px`, um; its sign leaves no trace. 0 where it is not
/// wider.
fn defocus_um(best_px: f64, fwhm_px: f64, focal_ratio: f64, um_per_px: f64) -> f64 {
    (fwhm_px.powi(2) - best_px.powi(2)).max(0.0).sqrt() * um_per_px * 4.0 * focal_ratio / FWHM_PER_SIGMA
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::ARCSEC_PER_RADIAN;

    /// Variance that a defocus adds along either axis, px^2.
    fn blur_variance_px2(defocus_um: f64, focal_ratio: f64, um_per_px: f64) -> f64 {
        (defocus_um / (4.0 * focal_ratio * um_per_px)).powi(2)
    }

    /// FWHM of a star out of focus, px: `sqrt(F0^2 + (2.3548 dz / 4N)^2)`.
    fn defocused_fwhm_px(fwhm_px: f64, defocus_um: f64, focal_ratio: f64, um_per_px: f64) -> f64 {
        fwhm_px.hypot(FWHM_PER_SIGMA * blur_variance_px2(defocus_um, focal_ratio, um_per_px).sqrt())
    }
    // C8.1: 50 um at f/5, evaluated outside this project; the unit of length drops out with pixels of 1 um.
    #[test]
    fn c8_1_blur_of_a_defocus() {
        let sigma = blur_variance_px2(50.0, 5.0, 1.0).sqrt();
        assert!((sigma - 2.5).abs() < 1e-12);
        assert!((defocused_fwhm_px(0.0, 50.0, 5.0, 1.0) - 5.887_050).abs() < 1e-6);
        assert!((defocus_um(0.0, 5.887_050, 5.0, 1.0) - 50.0).abs() < 1e-5);
    }

    // C8.3: 3 arcsec at 530 mm, f/5, ten per cent wider.
    #[test]
    fn c8_3_defocus_for_ten_per_cent() {
        let fwhm_um = 3.0 / ARCSEC_PER_RADIAN * 530e3;
        assert!((defocus_um(fwhm_um, 1.1 * fwhm_um, 5.0, 1.0) - 30.002_26).abs() < 1e-5);
        assert_eq!(defocus_um(3.0, 2.9, 5.0, 1.0), 0.0);
    }

    // C8.5: 0.1 degrees over 23.49248 mm; half of it blurs the edge by 4.1 um at f/5.
    #[test]
    fn c8_5_a_tilt_in_focus_at_the_centre() {
        let range_um = 23_492.48 * 0.1f64.to_radians().tan();
        assert!((range_um - 41.002_15).abs() < 1e-5);
        let disc_um = 4.0 * blur_variance_px2(range_um / 2.0, 5.0, 1.0).sqrt();
        assert!((disc_um - 4.100_215).abs() < 1e-6);
    }

    // C8.9: tilted and curved focal surface, z = 10 + 2x - y + 0.35 r^2 (um; mm), F0 2.9 px, f/5, 3.76 um.
    #[test]
    fn c8_9_width_over_a_tilted_and_curved_field() {
        for (x, y, want) in [
            (0.0, 0.0, 2.916_86),
            (-11.7, -7.8, 3.518_11),
            (11.7, -7.8, 4.512_49),
            (-11.7, 7.8, 3.266_46),
            (11.7, 7.8, 4.150_12),
        ] {
            let z = 10.0 + 2.0 * x - y + 0.35 * (x * x + y * y);
            let got = defocused_fwhm_px(2.9, z, 5.0, 3.76);
            assert!((got - want).abs() < 6e-6, "{x} {y}: {got}");
            assert!((defocus_um(2.9, got, 5.0, 3.76) - f64::abs(z)).abs() < 1e-9);
        }
    }

    // C8.10: distance at which curvature alone widens by ten per cent.
    #[test]
    fn c8_10_radius_of_ten_per_cent() {
        let dz = defocus_um(2.9, 1.1 * 2.9, 5.0, 3.76);
        assert!(((dz / 0.35).sqrt() - 11.011_59).abs() < 1e-5);
    }
}
