//! What makes a star as wide as it is: parts that add in quadrature, as far as one set of frames tells them apart.

use crate::report::InWords;
use serde::{Deserialize, Serialize};

use super::propagation::{Parameter, propagate, weakest};
use super::seeing::{QUOTED_WAVELENGTH_NM, airmass_factor, diffraction_fwhm_arcsec};
use crate::facts::Quantity;

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
    /// Median airmass.
    pub airmass: Option<f64>,
}

/// Parts of the width on the sky, FWHM in arcsec; the squares of all but the pixel's add up to that of the width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WidthBudget {
    /// What the pixel adds to the recorded width.
    pub pixel_arcsec: Quantity,
    /// Diffraction of a clear round aperture.
    pub diffraction_arcsec: Quantity,
    /// What draws all stars out alike: tracking, wind, or an astigmatism that the whole field shares.
    pub elongation_arcsec: Quantity,
    /// What widens stars towards the corners: curvature, spacing.
    pub field_arcsec: Quantity,
    /// Drift of the focus.
    pub focus_drift_arcsec: Quantity,
    /// All that is left: seeing, with focus and round wander of the guiding.
    pub rest_arcsec: Quantity,
    /// The rest as it would be at the zenith, were it all seeing: over airmass^0.6.
    pub rest_at_zenith_arcsec: Quantity,
    pub sentence: String,
}

const FOCUS: &str = "not separable: a slow change of focus widens stars as a change of the seeing does; frames at several \
                     positions of the focuser would tell them apart";

/// The budget. A part that is not known counts as none in the rest, and its note says so.
///
/// Formulas (derived): pixel `sqrt(R^2 - F^2)`; a shared ellipticity e leaves `F sqrt(1 - e)` across, hence `F sqrt(e)`; a
/// corner ratio c makes the mean over the frame `m = 1 + (c - 1)/3` of the centre, hence `F sqrt(1 - 1/m^2)`. Widths are added
/// as those of Gaussians: with turbulence that is 1 to 4 % off.
pub fn width_budget(input: &WidthInput) -> WidthBudget {
    let none = Parameter { value: 0.0, sigma: 0.0, min: 0.0 };
    let of = |q: &Quantity, min: f64, otherwise: Parameter| Parameter::of(q, min).unwrap_or(otherwise);
    let level = Parameter { value: 1.0, sigma: 0.0, min: 1.0 };
    let diffraction_arcsec = diffraction(input.aperture_mm);
    let (Some(width), Some(scale)) = (Parameter::of(input.fwhm_px, 0.0), Parameter::of(input.image_scale, 0.0)) else {
        let unknown = if input.fwhm_px.is_known() { input.image_scale } else { input.fwhm_px };
        return WidthBudget::unknown(&unknown.why(), diffraction_arcsec);
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
    let told = |needs: &[&Quantity], words: &str, f: &dyn Fn(&[f64]) -> f64| {
        if let Some(q) = needs.iter().find(|q| !q.is_known()) {
            return Quantity::not_measurable(q.why());
        }
        let (value, sigma) = propagate(&parameters, f);
        Quantity::with(weakest(needs), value, sigma, words, needs[0].n)
    };
    let both = [input.fwhm_px, input.image_scale];
    let with = |q| [both[0], both[1], q];
    let rest_words = "root of the width's square less those of the parts that are told apart";
    let mut rest_arcsec = told(&both, rest_words, &|p| (square(p) - parts(p)).sqrt());
    if !rest_arcsec.is_known() {
        rest_arcsec = Quantity::not_measurable(
            "the parts together are wider than the star: check the aperture, the focal length and the pixel size",
        );
    }
    let uncounted: Vec<&str> = [
        ("elongation", input.shared_ellipticity),
        ("field", input.corner_fwhm_ratio),
        ("diffraction", &diffraction_arcsec),
    ]
    .iter()
    .filter(|(_, q)| !q.is_known())
    .map(|(name, _)| *name)
    .collect();
    if rest_arcsec.is_known() && !uncounted.is_empty() {
        rest_arcsec = rest_arcsec.noted(format!("still contains what is not measurable: {}", uncounted.join(", ")));
    }
    let rest_at_zenith_arcsec = match input.airmass.filter(|x| *x >= 1.0) {
        Some(x) if rest_arcsec.is_known() => Quantity {
            method: format!("the rest over airmass^0.6, airmass {x:.3}; seeing at most").into(),
            ..rest_arcsec.scaled(airmass_factor(x).recip())
        },
        Some(_) => rest_arcsec.clone(),
        None => Quantity::not_measurable("the airmass is not known (card AIRMASS)"),
    };
    let mut budget = WidthBudget {
        pixel_arcsec: told(&with(input.recorded_fwhm_px), "recorded width over that before the pixel", &|p| {
            p[2] * (p[1] * p[1] - p[0] * p[0]).max(0.0).sqrt()
        }),
        elongation_arcsec: told(
            &with(input.shared_ellipticity),
            "width times the root of the shared ellipticity",
            &|p| elongation(p).sqrt(),
        ),
        field_arcsec: told(
            &with(input.corner_fwhm_ratio),
            "mean width over the frame beyond that at its centre",
            &|p| field(p).sqrt(),
        ),
        focus_drift_arcsec: Quantity::not_measurable(FOCUS),
        diffraction_arcsec,
        rest_arcsec,
        rest_at_zenith_arcsec,
        sentence: String::new(),
    };
    budget.sentence = sentence(&budget);
    budget
}

impl WidthBudget {
    fn unknown(because: &str, diffraction_arcsec: Quantity) -> Self {
        let unknown = || Quantity::not_measurable(because);
        Self {
            pixel_arcsec: unknown(),
            diffraction_arcsec,
            elongation_arcsec: unknown(),
            field_arcsec: unknown(),
            focus_drift_arcsec: Quantity::not_measurable(FOCUS),
            rest_arcsec: unknown(),
            rest_at_zenith_arcsec: unknown(),
            sentence: format!("What limits the width is not measurable, because {because}."),
        }
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
            let words = format!("clear aperture of {aperture:.0} mm at {QUOTED_WAVELENGTH_NM:.0} nm");
            Quantity::with(aperture_mm.source, value, None, words, 1)
        }
        None => Quantity::not_measurable("the aperture is not known (card APTDIA or rig key aperture_mm)"),
    }
}

fn sentence(b: &WidthBudget) -> String {
    let named = [
        ("diffraction", &b.diffraction_arcsec),
        ("what draws all stars out alike", &b.elongation_arcsec),
        ("growth towards the corners", &b.field_arcsec),
    ];
    let known: Vec<String> =
        named.iter().filter(|(_, q)| q.is_known()).map(|(name, q)| format!("{name} {}", q.text("arcsec"))).collect();
    if !b.rest_arcsec.is_known() {
        return format!("What limits the width is not measurable, because {}.", b.rest_arcsec.why());
    }
    let zenith = match b.rest_at_zenith_arcsec.is_known() {
        true => format!(", {} at the zenith were it all seeing", b.rest_at_zenith_arcsec.text("arcsec")),
        false => String::new(),
    };
    let of_these = if known.is_empty() { String::new() } else { format!("{} and, ", known.join(", ")) };
    format!(
        "The width is made of, added in quadrature, {of_these}what frames in one focus cannot separate, seeing, focus and its \
         drift and round wander of the guiding: {} together{zenith}. The pixel adds {} to what is recorded.",
        b.rest_arcsec.text("arcsec"),
        b.pixel_arcsec.text("arcsec")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative tolerance that the check values state.
    const STATED: f64 = 1e-5;

    fn known(value: f64) -> Quantity {
        Quantity::measured(value, 0.01, "test", 9)
    }

    fn budget(width: f64, ellipticity: f64, corners: f64, airmass: Option<f64>) -> WidthBudget {
        width_budget(&WidthInput {
            fwhm_px: &known(width),
            recorded_fwhm_px: &known(width.hypot(0.68)),
            image_scale: &known(1.0),
            shared_ellipticity: &known(ellipticity),
            corner_fwhm_ratio: &known(corners),
            aperture_mm: &Quantity::header(80.0, "APTDIA"),
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
        assert!(got.focus_drift_arcsec.why().contains("not separable"));
    }

    #[test]
    fn airmass_two_takes_its_power_off_the_rest() {
        // Check value C1.17 without its change of wavelength: 2^0.6 = 1.5157166.
        let [zenith, low] = [1.0, 2.0].map(|x| budget(4.0, 0.1, 1.1, Some(x)).rest_at_zenith_arcsec.value.unwrap());
        assert!((zenith / low - 1.515_716_6).abs() < STATED);
        let unknown = budget(4.0, 0.1, 1.1, None);
        assert!(unknown.rest_at_zenith_arcsec.why().contains("AIRMASS") && !unknown.sentence.contains("zenith"));
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
        assert!(got.rest_arcsec.why().contains("check the aperture") && got.sentence.contains("not measurable"));
    }

    #[test]
    fn what_is_unknown_stays_in_the_rest_and_is_named() {
        let unknown = Quantity::not_measurable("12 stars are too few");
        let mut input = WidthInput {
            fwhm_px: &known(3.0),
            recorded_fwhm_px: &known(3.1),
            image_scale: &known(1.5),
            shared_ellipticity: &unknown,
            corner_fwhm_ratio: &unknown,
            aperture_mm: &unknown,
            airmass: None,
        };
        let got = width_budget(&input);
        assert!((got.rest_arcsec.value.unwrap() - 4.5).abs() < 1e-9);
        assert!(got.rest_arcsec.why().contains("elongation, field, diffraction"), "{:?}", got.rest_arcsec);
        input.image_scale = &unknown;
        assert!(width_budget(&input).sentence.contains("not measurable, because 12 stars"));
    }
}
