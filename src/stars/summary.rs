//! What a frame's stars say together: common width, elongation and exponent with their errors.

use std::collections::BTreeMap;

use crate::facts::Quantity;
use crate::facts::stars::{StarsMethod, StarsMissing, StarsNote};
use crate::stats::{median, median_and_mad_sigma};

use super::profile::fit::StarFit;
use super::profile::image::{FrameImage, ImageKind};
use super::profile::residual::Ring;
use super::profile::shared::LEAST_STARS;
use super::star::{CommonImage, FrameStars, ImageRing, Star, StarFlag};
use super::weighted::{median_error, weighted_median};
use super::{Shape, SkyMap};

/// Share of the error of what the image leaves open that reaches the recorded width: there the image is seen as it is, and only its
/// average over the places on the pixel rests on the model.
const KEPT_IN_RECORDED: f64 = 0.2;
/// Common elongation (1 - minor/major) from which lines are fitted: that of a Gaussian drawn out over 1.5 FWHM, below which a
/// line looks like an ellipse. Whether a light is left out for it, its session decides.
const LINE_ELLIPTICITY: f64 = 0.3;
/// Stars whose flux stands for the transparency of the sky.
const BRIGHT_STARS: usize = 30;

pub(crate) fn summed_up(
    sky: &SkyMap,
    star_count: usize,
    flags: BTreeMap<StarFlag, usize>,
    stars: Vec<Star>,
    image: Option<&FrameImage>,
) -> FrameStars {
    let n = stars.len();
    let nothing = || Quantity::not_measurable(StarsMissing::TooFewStarsFitted { found: star_count, fitted: n });
    // In logarithms, so that a star does not weigh more because noise made it narrower.
    let widths: Vec<(f64, f64)> = stars.iter().map(|s| (s.fit.shape.ln_half_width, s.fit.sigma_ln_width)).collect();
    let common_ln_width_sigma = image.map_or(0.0, FrameImage::common_sigma);
    let width = weighted_median(&widths).filter(|_| n >= LEAST_STARS).map(|(ln, tau)| (ln, median_error(&widths, tau)));
    // By how much the stars' own widths differ from that of the image.
    let raised = match (image.map(|i| &i.kind), width) {
        (Some(ImageKind::Modelled { width, .. }), _) => width.raised,
        (Some(ImageKind::Empirical(told)), Some((ln, _))) => told.ln_half_width - ln,
        _ => 0.0,
    };
    let width = width.map(|(ln, own)| (2.0 * (ln + raised).exp(), own));
    let fwhm_px = width.map_or_else(nothing, |(w, own)| {
        let told = |method| Quantity::measured(w, w * own.hypot(common_ln_width_sigma), method, n);
        match image.map(|i| (&i.kind, &i.misfit)) {
            Some((ImageKind::Empirical(_), misfit)) => {
                let residual_percent = misfit.as_ref().map(|m| 100.0 * m.amplitude);
                told(StarsMethod::ContourOfMeanImage).noted(StarsNote::NoModelFits { residual_percent })
            }
            _ => told(StarsMethod::MedianOfWidths),
        }
    });
    let minor_fwhm_px = minor_width(&stars, raised, common_ln_width_sigma).unwrap_or_else(nothing);
    let moffat_beta = beta_of(image);
    let elongation = Elongation::of(&stars);
    let ellipticity = match (&elongation, n >= 3) {
        (Some(e), true) => e.typical(),
        _ => nothing(),
    };
    let common = elongation.as_ref().filter(|_| n >= 3);
    let recorded_fwhm_px = match (width, image) {
        (Some((w, own)), Some(image)) => {
            let angle = common.map_or(0.0, Elongation::angle_rad);
            let after = |w: f64| {
                let ellipticity = ellipticity.value.unwrap_or(0.0);
                image.recorded_px(&Shape::new(w, ellipticity, angle, image.inverse_beta.0.recip()))
            };
            // Where the width was raised the recorded image stayed as the stars show it.
            let recorded = after(w * (-raised).exp());
            // The pixel adds in near-quadrature, so the error shrinks as the width grows.
            let own = own * w * w / recorded;
            // The width follows what the image leaves open so that the recorded image stays: most of that error cancels.
            let open = KEPT_IN_RECORDED * (after(w * common_ln_width_sigma.exp()) - recorded);
            Quantity::measured(recorded, own.hypot(open), StarsMethod::ProfileAfterPixel, n)
        }
        _ => nothing(),
    };
    FrameStars {
        bright_flux_adu: bright_flux_adu(&stars),
        clip_level_adu: None,
        sky_adu: sky.level_adu,
        sky_error_adu: sky.level_error_adu,
        sky_sigma_adu: sky.median_sigma_adu,
        sky_blocks_adu: sky.blocks(),
        star_count,
        flags,
        position_angle_deg: common.map_or_else(nothing, Elongation::position_angle),
        defocused: false,
        trailed: common.is_some_and(Elongation::is_trailed),
        trail_length_px: Quantity::not_measurable(StarsMissing::NotTrailed),
        fwhm_px,
        site_fwhm_px: None,
        minor_fwhm_px,
        recorded_fwhm_px,
        ellipticity,
        moffat_beta,
        image: image.map(kept),
        common_ln_width_sigma,
        stars,
        places: Vec::new(),
    }
}

/// Median flux of the brightest stars, which come first.
fn bright_flux_adu(stars: &[Star]) -> Option<f64> {
    median(&stars.iter().take(BRIGHT_STARS).map(|s| s.fit.flux_adu).collect::<Vec<_>>())
}

impl FrameStars {
    /// Takes back all that rests on the shape of stars.
    pub(crate) fn without_width(&mut self, why: &StarsMissing) {
        let nothing = || Quantity::not_measurable(why.clone());
        self.fwhm_px = nothing();
        self.minor_fwhm_px = nothing();
        self.recorded_fwhm_px = nothing();
        self.ellipticity = nothing();
        self.position_angle_deg = nothing();
        self.moffat_beta = nothing();
        self.trailed = false;
        self.stars = Vec::new();
    }
}

/// Median width along the shorter axis, the noise bias of the single star's elongation taken out; `None` below three stars.
///
/// With `q = sqrt(1 + e^2) - e` the axis ratio, the minor axis is the geometric mean times `sqrt(q)`, and so
/// `ln minor = ln w - asinh(e) / 2`.
fn minor_width(stars: &[Star], raised: f64, common: f64) -> Option<Quantity> {
    let n = stars.len();
    let minor = |s: &Star| {
        let f = &s.fit;
        let noise2 = 0.5 * (f.sigma_e1.powi(2) + f.sigma_e2.powi(2));
        // The length of a noisy vector is too large by its variance in both components.
        let e = (f.shape.e1.powi(2) + f.shape.e2.powi(2) - 2.0 * noise2).max(0.0).sqrt();
        let sigma = f.sigma_ln_width.hypot(0.5 * noise2.sqrt() / (1.0 + e * e).sqrt());
        ((f.shape.fwhm_px()).ln() - 0.5 * e.asinh(), sigma)
    };
    let widths: Vec<(f64, f64)> = stars.iter().map(minor).collect();
    let (ln, tau) = weighted_median(&widths).filter(|_| n >= 3)?;
    let sigma = median_error(&widths, tau).hypot(common);
    let width = (ln + raised).exp();
    Some(Quantity::measured(width, width * sigma, StarsMethod::MedianOfShorterAxes, n))
}

/// A frame whose stars are rings: they have no profile that a width could be measured of.
pub(crate) fn out_of_focus(sky: &SkyMap, star_count: usize) -> FrameStars {
    let mut frame = summed_up(sky, star_count, BTreeMap::new(), Vec::new(), None);
    frame.without_width(&StarsMissing::Defocused);
    frame.defocused = true;
    frame
}

/// The image as a frame keeps it.
fn kept(image: &FrameImage) -> CommonImage {
    let parts = match &image.kind {
        ImageKind::Modelled { parts, .. } => Some(*parts),
        ImageKind::Empirical(_) => None,
    };
    let ring =
        |r: &Ring| ImageRing { radius_px: r.radius_px, light: r.model + r.residual, sigma: r.sigma, model: r.model };
    let misfit = image.misfit.as_ref();
    CommonImage {
        parts,
        misfit_percent: misfit.map(|m| 100.0 * m.amplitude),
        rings: misfit.map_or_else(Vec::new, |m| m.rings.iter().map(ring).collect()),
    }
}

fn beta_of(image: Option<&FrameImage>) -> Quantity {
    match image {
        Some(i) => {
            let (inverse, sigma) = i.inverse_beta;
            Quantity::measured(inverse.recip(), sigma / inverse.powi(2), StarsMethod::SharedExponent, i.stars)
        }
        None => Quantity::not_measurable(StarsMissing::TooFewIsolatedStars),
    }
}

/// Weighted mean of the squared elongation and its uncertainty.
///
/// The square of a noisy vector is too large by its variance, which is taken off; the variance of such a square grows
/// with the fourth power of the noise. Stars whose elongation lies beyond five spreads are left out.
fn mean_square(stars: &[Star]) -> Option<(f64, f64)> {
    let raw: Vec<(f64, f64)> = stars
        .iter()
        .map(|s| &s.fit)
        .map(|f| (f.shape.e1.hypot(f.shape.e2), f.sigma_e1.powi(2) + f.sigma_e2.powi(2)))
        .collect();
    let typical = median(&raw.iter().map(|r| r.1).collect::<Vec<_>>())?;
    let (centre, spread) = median_and_mad_sigma(&raw.iter().map(|r| r.0).collect::<Vec<_>>())?;
    let kept = raw.iter().filter(|(e, _)| (e - centre).abs() <= 5.0 * spread.max(f64::MIN_POSITIVE));
    let weighted: Vec<(f64, f64)> = kept.map(|(e, noise)| (e * e - noise, (noise + typical).powi(-2))).collect();
    let total: f64 = weighted.iter().map(|w| w.1).sum();
    let mean = weighted.iter().map(|(v, w)| v * w).sum::<f64>() / total;
    let scatter: f64 = weighted.iter().map(|(v, w)| (w * (v - mean)).powi(2)).sum();
    Some((mean, scatter.sqrt() / total))
}

/// Elongation of a frame's stars: what they share, and how strong it is in each.
struct Elongation {
    mean: (f64, f64),
    mean_sigma: f64,
    square: f64,
    square_sigma: f64,
    n: usize,
}

impl Elongation {
    fn of(stars: &[Star]) -> Option<Self> {
        let n = stars.len();
        let component = |pick: fn(&StarFit) -> (f64, f64)| {
            let values: Vec<(f64, f64)> = stars.iter().map(|s| pick(&s.fit)).collect();
            let (centre, tau) = weighted_median(&values)?;
            Some((centre, median_error(&values, tau)))
        };
        let (m1, s1) = component(|f| (f.shape.e1, f.sigma_e1))?;
        let (m2, s2) = component(|f| (f.shape.e2, f.sigma_e2))?;
        let (square, square_sigma) = mean_square(stars)?;
        Some(Self { mean: (m1, m2), mean_sigma: s1.hypot(s2) / std::f64::consts::SQRT_2, square, square_sigma, n })
    }

    fn angle_rad(&self) -> f64 {
        0.5 * self.mean.1.atan2(self.mean.0)
    }

    /// Typical ellipticity of a star, root mean square over the frame.
    fn typical(&self) -> Quantity {
        let e = self.square.max(0.0).sqrt();
        // Near zero the error of the square, not of the root, is the normal one.
        let sigma =
            if self.square > self.square_sigma { self.square_sigma / (2.0 * e) } else { self.square_sigma.sqrt() };
        let ratio = (1.0 + e * e).sqrt() - e;
        let slope = ratio / (1.0 + e * e).sqrt();
        Quantity::measured(1.0 - ratio, sigma * slope, StarsMethod::MeanSquareElongation, self.n)
    }

    fn strength(&self) -> f64 {
        self.mean.0.hypot(self.mean.1)
    }

    fn position_angle(&self) -> Quantity {
        if self.strength() < 3.0 * self.mean_sigma {
            return Quantity::not_measurable(StarsMissing::NoCommonDirection);
        }
        let degrees = self.angle_rad().to_degrees().rem_euclid(180.0);
        let sigma = (self.mean_sigma / (2.0 * self.strength())).to_degrees();
        Quantity::measured(degrees, sigma, StarsMethod::MeanElongation, self.n)
    }

    fn is_trailed(&self) -> bool {
        let e = self.strength();
        1.0 - ((1.0 + e * e).sqrt() - e) > LINE_ELLIPTICITY && e > 3.0 * self.mean_sigma
    }
}
