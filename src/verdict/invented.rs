//! Sessions of invention for the tests of answers and of their words.

use super::answers::{Answers, answers};
use super::findings::SessionFindings;
use super::noise_check::NoiseVerdict;
use super::result::{Cooling, NoiseBudget, Sampling};
use super::{
    BudgetInput, CoolingInput, CoolingLaw, KnownImage, SamplingInput, ThermalStep, cooling, noise_budget, sampling,
};
use crate::facts::{Method, Missing, Quantity, Source};

pub(crate) fn measured(value: f64, sigma: f64) -> Quantity {
    Quantity::measured(value, sigma, Method::NotMeasurable, 9)
}

/// A value that is missing for a reason that names nothing to take.
pub(crate) fn unknown(because: &str) -> Quantity {
    let (reason, sentence) = ("invented".to_owned(), because.to_owned());
    Quantity::not_measurable(Missing::Quoted { reason, would_help: Vec::new(), sentence })
}

pub(crate) fn law() -> CoolingLaw {
    let step = ThermalStep::ActivationEnergy { ev: 0.63, sigma_ev: 0.02 };
    CoolingLaw { step, source: Source::Measured, range_celsius: Some([-10.0, 20.0]) }
}

/// Everything about one invented session.
pub(crate) struct Invented {
    label: &'static str,
    fwhm: Quantity,
    scale: Quantity,
    sampling: Sampling,
    budget: NoiseBudget,
    pub(crate) noise: NoiseVerdict,
    cooling: Cooling,
}

impl Invented {
    pub(crate) fn new(label: &'static str, fwhm: Quantity, dark: Quantity, law: CoolingLaw) -> Self {
        let (scale, sky, read) = (measured(1.5, 0.001), measured(0.5, 0.02), measured(3.0, 0.1));
        let exposure_s = Some(120.0);
        let sampling = sampling(&SamplingInput {
            fwhm_px: &fwhm,
            beta: &measured(3.0, 0.2),
            image: KnownImage::Exponent,
            image_scale: &scale,
            sky_e_per_px_s: &sky,
            dark_e_per_px_s: &dark,
            read_noise_e: &read,
            exposure_s,
            colour: false,
        });
        let budget = noise_budget(&BudgetInput {
            sky_e_per_px_s: &sky,
            dark_e_per_px_s: &dark,
            read_noise_e: &read,
            read_noise_includes_quantisation: true,
            gain_e_per_adu: &measured(0.8, 0.01),
            adu_step: Some(1),
            exposure_s,
        });
        let cooling = cooling(&CoolingInput {
            sky_e_per_px_s: &sky,
            read_noise_e: &read,
            exposure_s,
            now_celsius: Some(12.0),
            dark_e_per_px_s: &dark,
            floor_e_per_px_s: &measured(0.0, 0.0),
            law,
        });
        Self { label, fwhm, scale, sampling, budget, noise: NoiseVerdict::Explained, cooling }
    }

    /// What `f` makes of the answers of all of them.
    pub(crate) fn answered<T>(sessions: &[Self], f: impl FnOnce(&Answers) -> T) -> T {
        let arcsec: Vec<Quantity> = sessions.iter().map(|s| s.fwhm.times(&s.scale, Method::NotMeasurable)).collect();
        let findings: Vec<SessionFindings> = sessions
            .iter()
            .zip(&arcsec)
            .map(|(s, fwhm_arcsec)| SessionFindings {
                darks_as_warm: false,
                id: s.label,
                label: s.label,
                exposure_s: Some(120.0),
                fwhm_arcsec,
                image_scale: &s.scale,
                aperture_mm: Some(80.0),
                airmass: Some(1.3),
                sampling: &s.sampling,
                noise_budget: &s.budget,
                noise: s.noise,
                cooling: &s.cooling,
            })
            .collect();
        f(&answers(&findings))
    }
}
