//! What makes a star as wide as it is: parts that add in quadrature, as far as one set of frames tells them apart.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::propagation::{Parameter, propagate, weakest};
use super::seeing::{QUOTED_WAVELENGTH_NM, airmass_factor, diffraction_fwhm_arcsec};
use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote, WidthPart};
use crate::facts::{Missing, Quantity};
use crate::image::StarImage;

/// Mean over a frame of a term that grows with the square of the distance from the centre, over its value in a corner.
const MEAN_OF_SQUARE: f64 = 1.0 / 3.0;

/// What the budget is computed from.
#[derive(Debug, Clone, Copy)]
pub struct WidthInput<'a> {
    /// FWHM before the pixel, px.
    pub fwhm_px: &'a Quantity,
    /// FWHM as recorded, px.
    pub recorded_fwhm_px: &'a Quantity,
    /// Image scale, arcsec/px.
    pub image_scale: &'a Quantity,
    /// Ellipticity that all stars of the frame share.
    pub shared_ellipticity: &'a Quantity,
    /// Width at the corners over that at the centre.
    pub corner_fwhm_ratio: &'a Quantity,
    /// Clear aperture, mm.
    pub aperture_mm: &'a Quantity,
    /// The star image, where it is known.
    pub image: Option<&'a StarImage>,
    /// Median airmass.
    pub airmass: Option<f64>,
}

/// Parts of the width on the sky, FWHM in arcsec; the squares of all but the pixel's add up to that of the width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WidthBudget {
    /// What the pixel adds to the recorded width.
    #[schemars(extend("unit" = "arcsec"))]
    pub pixel_arcsec: Quantity,
    /// Diffraction of a clear round aperture at 550 nm.
    #[schemars(extend("unit" = "arcsec"))]
    pub diffraction_arcsec: Quantity,
    /// What draws all stars out alike: tracking, wind.
    #[schemars(extend("unit" = "arcsec"))]
    pub elongation_arcsec: Quantity,
    /// What widens stars towards the corners, mean over the frame.
    #[schemars(extend("unit" = "arcsec"))]
    pub field_arcsec: Quantity,
    /// Drift of the focus; not separable from the seeing by frames in one focus.
    #[schemars(extend("unit" = "arcsec"))]
    pub focus_drift_arcsec: Quantity,
    /// All that is left: seeing with focus and round wander of the guiding.
    #[schemars(extend("unit" = "arcsec"))]
    pub rest_arcsec: Quantity,
    /// The rest over airmass^0.6: the seeing at the zenith at most.
    #[schemars(extend("unit" = "arcsec"))]
    pub rest_at_zenith_arcsec: Quantity,
}

/// The budget. A part that is not known counts as none in the rest, and its note says so.
///
/// Formulas (derived): pixel `sqrt(R^2 - F^2)`; a shared ellipticity e leaves `F sqrt(1 - e)` across, hence `F sqrt(e)`; a
/// corner ratio c makes the mean over the frame `m = 1 + (c - 1)/3` of the centre, hence `F sqrt(1 - 1/m^2)`. What is left without
/// diffraction is the image's own width without that factor; where no image is known widths are added as those of Gaussians, which
/// with turbulence is up to 9 % off.
pub fn width_budget(input: &WidthInput) -> WidthBudget {
    let none = Parameter { value: 0.0, sigma: 0.0, min: 0.0 };
    let of = |q: &Quantity, min: f64, otherwise: Parameter| Parameter::of(q, min).unwrap_or(otherwise);
    let level = Parameter { value: 1.0, sigma: 0.0, min: 1.0 };
    let diffraction_arcsec = diffraction(input.aperture_mm);
    let (Some(width), Some(scale)) = (Parameter::of(input.fwhm_px, 0.0), Parameter::of(input.image_scale, 0.0)) else {
        let unknown = if input.fwhm_px.is_known() { input.image_scale } else { input.fwhm_px };
        return WidthBudget::unknown(&unknown.because(), diffraction_arcsec);
    };
    let limit = of(&diffraction_arcsec, 0.0, none);
    let parameters = [
        width,
        of(input.recorded_fwhm_px, 0.0, none),
        scale,
        of(input.shared_ellipticity, 0.0, none),
        of(input.corner_fwhm_ratio, 1.0, level),
        limit,
    ];
    let pixel_parameters = [only_its_own(width, parameters[1]), Parameter { sigma: 0.0, ..parameters[1] }, scale];
    let part = |needed: &Quantity, method, f: &dyn Fn(&[f64]) -> f64| {
        told(&parameters, &[input.fwhm_px, input.image_scale, needed], method, f)
    };
    let pixel = |p: &[f64]| p[2] * (p[1] * p[1] - p[0] * p[0]).max(0.0).sqrt();
    let rest_arcsec = rest(input, &parameters, &diffraction_arcsec);
    WidthBudget {
        pixel_arcsec: told(
            &pixel_parameters,
            &[input.fwhm_px, input.image_scale, input.recorded_fwhm_px],
            VerdictMethod::RecordedOverTrueWidth,
            &pixel,
        ),
        elongation_arcsec: part(input.shared_ellipticity, VerdictMethod::WidthTimesSharedEllipticity, &|p| {
            elongation(p).sqrt()
        }),
        field_arcsec: part(input.corner_fwhm_ratio, VerdictMethod::WidthOverThatAtCentre, &|p| field(p).sqrt()),
        focus_drift_arcsec: Quantity::not_measurable(VerdictMissing::FocusDriftNotSeparable),
        diffraction_arcsec,
        rest_at_zenith_arcsec: at_zenith(&rest_arcsec, input.airmass),
        rest_arcsec,
    }
}

impl WidthBudget {
    fn unknown(because: &Missing, diffraction_arcsec: Quantity) -> Self {
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            pixel_arcsec: unknown(),
            diffraction_arcsec,
            elongation_arcsec: unknown(),
            field_arcsec: unknown(),
            focus_drift_arcsec: Quantity::not_measurable(VerdictMissing::FocusDriftNotSeparable),
            rest_arcsec: unknown(),
            rest_at_zenith_arcsec: unknown(),
        }
    }
}

/// The width before the pixel with the part of its error that the recorded width does not share: a wider star is wider in both, and
/// near quadrature `dR = (F / R) dF`, so that the pixel's part stays.
fn only_its_own(width: Parameter, recorded: Parameter) -> Parameter {
    let shared = recorded.sigma * recorded.value / width.value.max(f64::MIN_POSITIVE);
    Parameter { sigma: (width.sigma.powi(2) - shared.powi(2)).max(0.0).sqrt(), ..width }
}

/// A part; or the reason of the first of its needs that is not known.
fn told(parameters: &[Parameter], needs: &[&Quantity], method: VerdictMethod, f: &dyn Fn(&[f64]) -> f64) -> Quantity {
    if let Some(q) = needs.iter().find(|q| !q.is_known()) {
        return Quantity::not_measurable(q.because());
    }
    let (value, sigma) = propagate(parameters, f);
    Quantity::with(weakest(needs), value, sigma, method, needs[0].n)
}

/// What the known parts leave of the width.
fn rest(input: &WidthInput, parameters: &[Parameter], diffraction_arcsec: &Quantity) -> Quantity {
    let needs = [input.fwhm_px, input.image_scale];
    // The image tells what is left without its diffraction; squares do only where no image is known.
    // A pattern wider than the star is of another aperture than the image's: then squares tell that they do not add up.
    let narrower = diffraction_arcsec.value.is_some_and(|d| d < parameters[0].value * parameters[2].value);
    let rest = match input.image.filter(|_| narrower).map(StarImage::without_diffraction) {
        Some(left) => told(parameters, &needs, VerdictMethod::ImageWithoutDiffraction, &|p| {
            (left * left * square(p) - elongation(p) - field(p)).sqrt()
        }),
        None => told(parameters, &needs, VerdictMethod::WidthLessParts, &|p| (square(p) - parts(p)).sqrt()),
    };
    if !rest.is_known() {
        return Quantity::not_measurable(VerdictMissing::PartsWiderThanStar);
    }
    let named = [
        (WidthPart::Elongation, input.shared_ellipticity),
        (WidthPart::Field, input.corner_fwhm_ratio),
        (WidthPart::Diffraction, diffraction_arcsec),
    ];
    let parts: Vec<WidthPart> = named.iter().filter(|(_, q)| !q.is_known()).map(|(part, _)| *part).collect();
    if parts.is_empty() { rest } else { rest.noted(VerdictNote::StillContains { parts }) }
}

fn at_zenith(rest: &Quantity, airmass: Option<f64>) -> Quantity {
    match airmass.filter(|x| *x >= 1.0) {
        Some(x) if rest.is_known() => Quantity {
            method: VerdictMethod::RestAtZenith { airmass: x }.into(),
            ..rest.scaled(airmass_factor(x).recip())
        },
        Some(_) => rest.clone(),
        None => Quantity::not_measurable(VerdictMissing::NoAirmass),
    }
}

fn square(p: &[f64]) -> f64 {
    (p[0] * p[2]).powi(2)
}

fn elongation(p: &[f64]) -> f64 {
    square(p) * p[3]
}

fn field(p: &[f64]) -> f64 {
    let mean = 1.0 + (p[4] - 1.0) * MEAN_OF_SQUARE;
    square(p) * (1.0 - mean.powi(-2))
}

fn parts(p: &[f64]) -> f64 {
    elongation(p) + field(p) + p[5] * p[5]
}

fn diffraction(aperture_mm: &Quantity) -> Quantity {
    match aperture_mm.value.filter(|a| *a > 0.0) {
        Some(aperture) => {
            let value = diffraction_fwhm_arcsec(aperture, QUOTED_WAVELENGTH_NM);
            let method = VerdictMethod::ClearAperture { aperture_mm: aperture, wavelength_nm: QUOTED_WAVELENGTH_NM };
            Quantity::with(aperture_mm.source, value, None, method, 1)
        }
        None => Quantity::not_measurable(VerdictMissing::NoAperture),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative tolerance that the check values state.
    const STATED: f64 = 1e-5;

    fn known(value: f64) -> Quantity {
        Quantity::measured(value, 0.01, VerdictMethod::WidthLessParts, 9)
    }

    fn budget(width: f64, ellipticity: f64, corners: f64, airmass: Option<f64>) -> WidthBudget {
        width_budget(&WidthInput {
            fwhm_px: &known(width),
            recorded_fwhm_px: &known(width.hypot(0.68)),
            image_scale: &known(1.0),
            shared_ellipticity: &known(ellipticity),
            corner_fwhm_ratio: &known(corners),
            aperture_mm: &Quantity::header(80.0, "APTDIA"),
            image: None,
            airmass,
        })
    }

    #[test]
    fn parts_add_up_in_quadrature() {
        // Check value C1.18: 2.5 with 1.883856 and 1.459180 (80 mm at 550 nm) in quadrature: 3.453711.
        let got = budget(3.453_711, (1.883_856_f64 / 3.453_711).powi(2), 1.0, Some(1.0));
        assert!((got.diffraction_arcsec.value.unwrap() / 1.459_180 - 1.0).abs() < STATED);
        assert!((got.elongation_arcsec.value.unwrap() / 1.883_856 - 1.0).abs() < STATED);
        assert!((got.rest_arcsec.value.unwrap() / 2.5 - 1.0).abs() < STATED, "{:?}", got.rest_arcsec);
        assert_eq!(got.rest_at_zenith_arcsec.value, got.rest_arcsec.value);
        assert!((got.pixel_arcsec.value.unwrap() - 0.68).abs() < 1e-9);
        assert_eq!(got.focus_drift_arcsec.because(), VerdictMissing::FocusDriftNotSeparable.into());
    }

    #[test]
    fn an_aperture_whose_pattern_is_wider_than_the_star_leaves_no_rest() {
        // 4.2 arcsec of a pattern of 5.84 (20 mm at 550 nm): the image was fitted with another aperture.
        let aperture = Some(crate::image::Aperture { wave: 0.5, obstruction: 0.0 });
        let image = StarImage::new(crate::image::ImageParts { inverse_beta: 0.4, gaussian: 0.5, aperture });
        let (width, level) = (known(4.2), known(1.0));
        let of = |aperture_mm: f64| {
            let told = width_budget(&WidthInput {
                fwhm_px: &width,
                recorded_fwhm_px: &known(4.3),
                image_scale: &level,
                shared_ellipticity: &known(0.0),
                corner_fwhm_ratio: &level,
                aperture_mm: &Quantity::header(aperture_mm, "APTDIA"),
                image: Some(&image),
                airmass: None,
            });
            told.rest_arcsec
        };
        assert_eq!(of(20.0).because(), VerdictMissing::PartsWiderThanStar.into());
        assert!(of(100.0).value.unwrap() < 4.2);
    }

    /// How far squares of an elongation and the image of the parts may be off: turbulence is no Gaussian.
    const OF_TURBULENCE: f64 = 0.03;

    #[test]
    fn a_wander_along_one_axis_and_diffraction_leave_the_turbulence() {
        // galsim 2.8.5: Kolmogorov(fwhm=2) with Airy(lam=550, diam=0.08) and a Gaussian of 0, 0.8, 1.2, 1.6 arcsec along x and 0.02
        // across: width and ellipticity of the contour at half maximum, counted on a grid of 0.0025 arcsec.
        for (fwhm, ellipticity) in [(2.4902, 0.0), (2.8337, 0.2099), (3.1334, 0.3434), (3.4428, 0.4488)] {
            let aperture =
                Some(crate::image::Aperture { wave: 550e-6 / 80.0 * 206_264.8 / (0.5 * fwhm), obstruction: 0.0 });
            // The parts that meet Kolmogorov by itself (as in `image/whole.rs`).
            let image = StarImage::new(crate::image::ImageParts { inverse_beta: 0.433_8, gaussian: 0.621_2, aperture });
            let level = known(1.0);
            let told = width_budget(&WidthInput {
                fwhm_px: &known(fwhm),
                recorded_fwhm_px: &known(fwhm + 0.05),
                image_scale: &level,
                shared_ellipticity: &known(ellipticity),
                corner_fwhm_ratio: &level,
                aperture_mm: &Quantity::header(80.0, "APTDIA"),
                image: Some(&image),
                airmass: None,
            });
            let rest = told.rest_arcsec.value.unwrap();
            assert!((rest / 2.0 - 1.0).abs() < OF_TURBULENCE, "{ellipticity}: {rest}");
        }
    }

    #[test]
    fn airmass_two_takes_its_power_off_the_rest() {
        // Check value C1.17 without its change of wavelength: 2^0.6 = 1.5157166.
        let [zenith, low] = [1.0, 2.0].map(|x| budget(4.0, 0.1, 1.1, Some(x)).rest_at_zenith_arcsec.value.unwrap());
        assert!((zenith / low - 1.515_716_6).abs() < STATED);
        let unknown = budget(4.0, 0.1, 1.1, None);
        assert_eq!(unknown.rest_at_zenith_arcsec.because(), VerdictMissing::NoAirmass.into());
    }

    #[test]
    fn a_field_that_grows_is_told_by_its_mean() {
        // By hand: corners 30 % wider, 10 % on the mean: F sqrt(1 - 1/1.21).
        let got = budget(3.0, 0.0, 1.3, None).field_arcsec.value.unwrap();
        assert!((got - 3.0 * (1.0_f64 - 1.0 / 1.21).sqrt()).abs() < 1e-9);
    }

    #[test]
    fn parts_wider_than_the_star_are_no_budget() {
        let got = budget(1.2, 0.1, 1.1, Some(1.2));
        assert_eq!(got.rest_arcsec.because(), VerdictMissing::PartsWiderThanStar.into());
    }

    #[test]
    fn what_is_unknown_stays_in_the_rest_and_is_named() {
        let unknown = Quantity::not_measurable(VerdictMissing::NoStarsFitted);
        let mut input = WidthInput {
            fwhm_px: &known(3.0),
            recorded_fwhm_px: &known(3.1),
            image_scale: &known(1.5),
            shared_ellipticity: &unknown,
            corner_fwhm_ratio: &unknown,
            aperture_mm: &unknown,
            image: None,
            airmass: None,
        };
        let got = width_budget(&input);
        assert!((got.rest_arcsec.value.unwrap() - 4.5).abs() < 1e-9);
        let parts = vec![WidthPart::Elongation, WidthPart::Field, WidthPart::Diffraction];
        assert_eq!(got.rest_arcsec.notes, [VerdictNote::StillContains { parts }.into()]);
        input.image_scale = &unknown;
        assert_eq!(width_budget(&input).rest_arcsec.because(), unknown.because());
    }

    #[test]
    fn the_pixels_part_has_the_error_that_both_widths_do_not_share() {
        // Seeing that changes by 0.1 px from frame to frame moves both widths: (F/R) 0.1 px of the recorded one.
        let input = |sigma: f64, own: f64| {
            let (width, recorded) = (2.5f64, 2.5f64.hypot(0.68));
            let shared = sigma * width / recorded;
            [
                Quantity::measured(width, sigma.hypot(own), VerdictMethod::WidthLessParts, 9),
                Quantity::measured(recorded, shared, VerdictMethod::WidthLessParts, 9),
            ]
        };
        let none = Quantity::not_measurable(VerdictMissing::NoAperture);
        let pixel = |[fwhm_px, recorded_fwhm_px]: [Quantity; 2]| {
            let scale = Quantity::measured(1.0, 1e-9, VerdictMethod::WidthLessParts, 1);
            width_budget(&WidthInput {
                fwhm_px: &fwhm_px,
                recorded_fwhm_px: &recorded_fwhm_px,
                image_scale: &scale,
                shared_ellipticity: &none,
                corner_fwhm_ratio: &none,
                aperture_mm: &none,
                image: None,
                airmass: None,
            })
            .pixel_arcsec
        };
        let sure = pixel(input(0.1, 0.0));
        assert!((sure.value.unwrap() - 0.68).abs() < 1e-9 && sure.sigma.unwrap_or(0.0) < 1e-6, "{sure:?}");
        // What the image leaves open of the width at one recorded width: dP = F/P dF.
        let open = pixel(input(0.1, 0.01));
        assert!((open.sigma.unwrap() / (2.5 / 0.68 * 0.01) - 1.0).abs() < 0.01, "{open:?}");
    }
}
