//! One fitted star as `stars.fits` has it.

use crate::folder::HeaderWcs;
use crate::sky::direction_of;
use crate::stars::Star;

/// Scatter of the residuals over what noise explains, as a variance, from which a star is marked: a double, a galaxy or a
/// profile unlike a Moffat. Noise alone reaches 2 in none of a million stamps of 49 pixels (chi-squared distribution).
const MUCH_SCATTER: f64 = 2.0;

/// Values of one star; places are counted from 1 at the centre of the file's first pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct StarRow {
    pub x_px: f64,
    pub y_px: f64,
    pub sigma_x_px: f64,
    pub sigma_y_px: f64,
    /// Right ascension and declination, degrees, where the frame's header has a gnomonic solution without distortion.
    pub sky_deg: Option<[f64; 2]>,
    /// Before the pixel, geometric mean of both axes.
    pub fwhm_px: f64,
    /// From this star's own noise, with the exponent that the frame's stars share.
    pub sigma_fwhm_px: f64,
    pub major_fwhm_px: f64,
    pub minor_fwhm_px: f64,
    /// Direction of the long axis, from +x towards +y of the file, 0 to 180.
    pub angle_deg: f64,
    pub beta: f64,
    pub flux_adu: f64,
    pub peak_adu: f64,
    /// Height of the peak over the filtered noise.
    pub significance: f64,
    pub chi2_per_dof: f64,
    /// The exponent is that of the frame's stars.
    pub beta_is_shared: bool,
}

impl StarRow {
    /// From a fit, and what the frame's header says of the sky.
    pub fn of(star: &Star, wcs: Option<&HeaderWcs>) -> Self {
        let (fit, shape) = (&star.fit, &star.fit.shape);
        let (x_px, y_px) = (fit.x + 1.0, fit.y + 1.0);
        Self {
            x_px,
            y_px,
            sigma_x_px: fit.sigma_x,
            sigma_y_px: fit.sigma_y,
            sky_deg: wcs.filter(|wcs| wcs.exact).map(|wcs| {
                let direction = direction_of(wcs, [fit.x, fit.y]);
                [direction.ra_deg(), direction.dec_deg()]
            }),
            fwhm_px: shape.fwhm_px(),
            sigma_fwhm_px: shape.fwhm_px() * fit.sigma_ln_width,
            major_fwhm_px: shape.major_fwhm_px(),
            minor_fwhm_px: shape.minor_fwhm_px(),
            angle_deg: shape.angle_rad().to_degrees(),
            beta: shape.beta(),
            flux_adu: fit.flux_adu,
            peak_adu: fit.peak_adu,
            significance: star.significance,
            chi2_per_dof: fit.chi2_per_dof,
            beta_is_shared: fit.beta_is_shared,
        }
    }

    /// The flags of the table: 1 where the frame was left out, 2 where the exponent is the frame's, 4 where the fit
    /// leaves more than noise.
    pub fn flags(&self, frame_left_out: bool) -> i32 {
        i32::from(frame_left_out)
            | i32::from(self.beta_is_shared) << 1
            | i32::from(self.chi2_per_dof > MUCH_SCATTER) << 2
    }
}
