//! The image that stands for a frame's stars: the model where they obey it, else what they show themselves.

use super::empirical::{EmpiricalWidth, empirical_width};
use super::equations::Profile;
use super::joint::JointStar;
use super::open::{CommonWidth, left_open};
use super::recorded::recorded_fwhm;
use super::residual::{Misfit, misfit};
use super::shared::{Agreed, Diffraction, LEAST_STARS, agree, half_width};
use crate::image::{DIFFRACTION_FWHM, ImageParts, RadialTable};
use crate::stars::Shape;

/// Mean residual, of the peak, from which stars do not obey the model: images of turbulence, diffraction and blur stay below a
/// thousandth, elongated ones below four, and real telescopes reach 20 by what is not round and hardly moves the contour's area.
const MISFIT: f64 = 0.025;
/// The same of whole rings.
const ROUND_MISFIT: f64 = 0.005;
/// Mean residual of whole rings that images of turbulence, diffraction and blur show as well: the width's error holds it already.
const ROUND_AT_BEST: f64 = 0.0006;
/// Standard errors from which a mean residual is there.
const SURE: f64 = 5.0;
/// What mean residuals do to the width: at most this many times those of whole rings, and with the square of all, as much as
/// themselves where they reach [`MISFIT`]; for images from this width in px on, more by the power where pixels are coarser
/// (`fixtures/star-images/`).
const WIDTH_PER_ROUND_MISFIT: f64 = 3.0;
const FINE_PX: f64 = 2.2;
const COARSE_POWER: i32 = 3;
/// Error of the width by its misfit from which stars do not obey the model either.
const MOST_ERROR: f64 = 0.04;

/// A frame's image.
#[derive(Debug, Clone)]
pub(crate) struct FrameImage {
    pub kind: ImageKind,
    /// How far the stars lie from the model that comes nearest, and their light at distances from the centre; `None` where no
    /// model could be fitted to them at all.
    pub misfit: Option<Misfit>,
    /// 1/beta and its error.
    pub inverse_beta: (f64, f64),
    /// Stars that it was learned from.
    pub stars: usize,
}

/// What stands for the stars.
#[derive(Debug, Clone)]
pub(crate) enum ImageKind {
    /// The model, its table, and what all widths have in common.
    Modelled { parts: ImageParts, table: RadialTable, width: CommonWidth },
    /// Their own image, which no model describes.
    Empirical(EmpiricalWidth),
}

impl FrameImage {
    /// What single stars are fitted with.
    pub fn profile(&self) -> Profile<'_> {
        match &self.kind {
            ImageKind::Modelled { table, .. } => Profile::Shared(table, self.inverse_beta.0),
            ImageKind::Empirical(_) => Profile::Moffat(Some(self.inverse_beta.0)),
        }
    }

    /// Error that the widths of all stars share.
    pub fn common_sigma(&self) -> f64 {
        match &self.kind {
            ImageKind::Modelled { width, .. } => width.sigma,
            ImageKind::Empirical(width) => width.sigma,
        }
    }

    /// Recorded FWHM of the image in a shape, px.
    pub fn recorded_px(&self, shape: &Shape) -> f64 {
        match &self.kind {
            ImageKind::Modelled { table, .. } => recorded_fwhm(&shape.filled_by(table)),
            ImageKind::Empirical(width) => width.recorded_px,
        }
    }
}

/// How far Moffats are too narrow for images that diffraction rules.
const NARROWED: f64 = 0.8;

/// Learns a frame's image from stars that Moffats were fitted to. `None` with fewer than three.
pub(crate) fn learn(stars: Vec<JointStar>, diffraction: Option<Diffraction>) -> Option<FrameImage> {
    if stars.len() < LEAST_STARS {
        return None;
    }
    // Stars that are sharper than the aperture allows tell that it is another.
    let sharpest = 2.0 * half_width(&stars) / NARROWED;
    let diffraction = diffraction.filter(|d| DIFFRACTION_FWHM * d.wave_px < sharpest);
    let of_aperture = diffraction.map(|_| modelled(stars.clone(), diffraction));
    let image = match of_aperture {
        Some(Ok(image)) => Ok(image),
        // As does an image that obeys the model only without it.
        _ => modelled(stars.clone(), None),
    };
    match image {
        Ok(image) => Some(image),
        Err(misfit) => {
            let width = empirical_width(&stars)?;
            let inverse_beta = (width.inverse_beta, 0.0);
            Some(FrameImage { kind: ImageKind::Empirical(width), misfit, inverse_beta, stars: stars.len() })
        }
    }
}

/// The model that stars obey; where they obey none, their residuals against the one that comes nearest.
fn modelled(stars: Vec<JointStar>, diffraction: Option<Diffraction>) -> Result<FrameImage, Option<Misfit>> {
    let mut agreed = agree(stars, diffraction).ok_or(None)?;
    let half = half_width(&agreed.stars);
    let typical = Shape { ln_half_width: half.ln(), e1: 0.0, e2: 0.0, inverse_beta: agreed.theta[0] };
    let misfit = misfit(&agreed.stars, &agreed.here.table, recorded_fwhm(&typical.filled_by(&agreed.here.table)));
    let coarse = (FINE_PX / (2.0 * half)).max(1.0).powi(COARSE_POWER);
    let error_by = |round: f64| coarse * (misfit.amplitude.powi(2) / MISFIT).hypot(WIDTH_PER_ROUND_MISFIT * round);
    let by_misfit = error_by(misfit.round_amplitude);
    let none_fits = misfit.amplitude > MISFIT || misfit.round_amplitude > ROUND_MISFIT || by_misfit > MOST_ERROR;
    if none_fits && misfit.significance > SURE {
        return Err(Some(misfit));
    }
    let Some(mut width) = left_open(&mut agreed, half) else { return Err(Some(misfit)) };
    let beyond = (misfit.round_amplitude.powi(2) - ROUND_AT_BEST.powi(2)).max(0.0).sqrt();
    width.sigma = width.sigma.hypot(error_by(beyond));
    let Agreed { theta, here, stars, .. } = agreed;
    let kind = ImageKind::Modelled { parts: here.parts, table: here.table, width };
    Ok(FrameImage {
        kind,
        misfit: Some(misfit),
        inverse_beta: (theta[0], width.inverse_beta_sigma),
        stars: stars.len(),
    })
}
