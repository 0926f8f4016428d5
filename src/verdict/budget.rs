//! Noise budget of one exposure: how much of a background pixel's variance each source gives.
//!
//! Source: the CCD equation per pixel, Merline & Howell 1995, Exp. Astr. 6, 163, without its object term: the budget is
//! that of the background, where faint targets live.

use super::propagation::{Parameter, missing, propagate, weakest};
use super::result::NoiseBudget;
use super::variance::swamping_exposure_s;
use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote};
use crate::facts::{Input, Method, Missing, Note, Quantity};

/// Share by which read noise may raise the noise of sky and dark for the recommended exposure (common practice, no
/// source): 5 % more noise costs 10 % of the time.
pub const READ_NOISE_SHARE: f64 = 0.05;
/// The share at which shorter exposures begin to cost much: 10 % more noise costs 21 % of the time.
const MORE_READ_NOISE_SHARE: f64 = 0.10;

/// What the budget is computed from.
#[derive(Debug, Clone, Copy)]
pub struct BudgetInput<'a> {
    /// Sky rate, e-/px/s.
    pub sky_e_per_px_s: &'a Quantity,
    /// Dark rate at the temperature of the lights, e-/px/s.
    pub dark_e_per_px_s: &'a Quantity,
    /// Read noise of one pixel, e-.
    pub read_noise_e: &'a Quantity,
    /// Whether that read noise was measured on recorded numbers and so contains the quantisation already.
    pub read_noise_includes_quantisation: bool,
    /// Gain, e-/ADU.
    pub gain_e_per_adu: &'a Quantity,
    /// Step between the codes that occur, ADU; `None` where unknown or not integers.
    pub adu_step: Option<u32>,
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
}

/// Variances of one exposure in e^2 per pixel, their shares, and the exposure that drowns the read noise.
///
/// Formula: `sky t + dark t + R^2 + (step gain)^2/12`. A share is missing when any of sky, dark, read noise and exposure
/// is; a rate that was measured below 0 counts as 0 in the sums. Uncertainties take the inputs as independent.
pub fn noise_budget(input: &BudgetInput) -> NoiseBudget {
    let exposure = input.exposure_s.filter(|t| t.is_finite() && *t > 0.0);
    let over_exposure = |q: &Quantity, step: &dyn Fn(f64) -> VerdictMethod| match exposure {
        None => Quantity::not_measurable(Missing::ExposureTime),
        Some(t) if q.is_known() => Quantity { method: Method::following(step(t), q.method.clone()), ..q.scaled(t) },
        Some(_) => Quantity::not_measurable(q.because()),
    };
    let sky_e2 = over_exposure(input.sky_e_per_px_s, &|exposure_s| VerdictMethod::SkyRateTimesExposure { exposure_s });
    let dark_e2 =
        over_exposure(input.dark_e_per_px_s, &|exposure_s| VerdictMethod::DarkRateTimesExposure { exposure_s });
    let read_e2 = variance_of(input.read_noise_e, VerdictMethod::ReadNoiseSquared);
    let quantisation_e2 = quantisation(input);
    let adds = (!input.read_noise_includes_quantisation).then_some(&quantisation_e2);
    let parts = [(Input::Sky, &sky_e2), (Input::DarkCurrent, &dark_e2), (Input::ReadNoise, &read_e2)];
    let combined = |method, f: &dyn Fn(&[f64]) -> f64| combine(&parts, adds, method, f);
    let mut total_e2 = combined(VerdictMethod::SumOfNoiseParts, &|p| p.iter().sum());
    if let Some(unknown) = adds.filter(|q| total_e2.is_known() && !q.is_known()) {
        total_e2 = total_e2.noted(Note::since(VerdictNote::WithoutQuantisation, unknown.because()));
    }
    let share = |i: usize, method| combined(method, &|p| p[i] / p.iter().sum::<f64>());
    NoiseBudget {
        total_e2,
        sky_share: share(0, VerdictMethod::SkyOverTotalVariance),
        dark_share: share(1, VerdictMethod::DarkOverTotalVariance),
        read_share: share(2, VerdictMethod::ReadNoiseOverTotalVariance),
        exposure_for_5_percent_read_s: swamping_exposure(input, READ_NOISE_SHARE),
        exposure_for_10_percent_read_s: swamping_exposure(input, MORE_READ_NOISE_SHARE),
        read_noise_adds: read_noise_adds(&sky_e2, &dark_e2, &read_e2),
        sky_e2,
        dark_e2,
        read_e2,
        quantisation_e2,
    }
}

/// Noise of an exposure over that of its sky and dark current alone, less 1: `sqrt(1 + R^2/(sky + dark)) - 1`.
fn read_noise_adds(sky_e2: &Quantity, dark_e2: &Quantity, read_e2: &Quantity) -> Quantity {
    let parts = [(Input::Sky, sky_e2), (Input::DarkCurrent, dark_e2), (Input::ReadNoise, read_e2)];
    if sky_e2.value.unwrap_or(0.0).max(0.0) + dark_e2.value.unwrap_or(0.0).max(0.0) <= 0.0 && missing(&parts).is_none()
    {
        return Quantity::not_measurable(VerdictMissing::NoBackgroundAboveZero);
    }
    combine(&parts, None, VerdictMethod::NoiseOverThatOfSkyAndDark, &|p| (1.0 + p[2] / (p[0] + p[1])).sqrt() - 1.0)
}

fn swamping_exposure(input: &BudgetInput, share: f64) -> Quantity {
    let inputs = [
        (Input::Sky, input.sky_e_per_px_s),
        (Input::DarkCurrent, input.dark_e_per_px_s),
        (Input::ReadNoise, input.read_noise_e),
    ];
    if let Some(because) = missing(&inputs) {
        return Quantity::not_measurable(because);
    }
    let parameters = inputs.map(|(_, q)| Parameter::of(q, 0.0)).into_iter().flatten().collect::<Vec<_>>();
    if parameters[0].value + parameters[1].value <= 0.0 {
        return Quantity::not_measurable(VerdictMissing::NoBackgroundAboveZero);
    }
    let (value, sigma) = propagate(&parameters, |p| swamping_exposure_s(p[2], p[0] + p[1], share));
    let n = inputs.iter().map(|(_, q)| q.n).max().unwrap_or(0);
    let source = weakest(&inputs.map(|(_, q)| q));
    let factor = (1.0 + share).powi(2) - 1.0;
    Quantity::with(source, value, sigma, VerdictMethod::ReadNoiseSquaredOverRates { factor }, n)
}

/// `q^2`, with twice the relative uncertainty.
fn variance_of(q: &Quantity, step: VerdictMethod) -> Quantity {
    match q.pair() {
        None => Quantity::not_measurable(q.because()),
        Some((v, s)) => {
            let sigma = q.sigma.map(|_| 2.0 * v.abs() * s);
            Quantity::with(q.source, v * v, sigma, Method::following(step, q.method.clone()), q.n)
        }
    }
}

/// Variance of a uniform spread over one step: `step^2/12`.
fn quantisation(input: &BudgetInput) -> Quantity {
    let Some(step) = input.adu_step else {
        return Quantity::not_measurable(VerdictMissing::CodeStepUnknown);
    };
    let step_e = input.gain_e_per_adu.scaled(f64::from(step) / 12.0_f64.sqrt());
    let q = variance_of(&step_e, VerdictMethod::CodeStepTimesGainSquared { step_adu: step });
    if q.is_known() && input.read_noise_includes_quantisation {
        return q.noted(VerdictNote::QuantisationInReadNoise);
    }
    q
}

/// A function of the parts; `f` sees sky, dark, read noise and, where it is given and known, quantisation, none below 0.
fn combine(
    parts: &[(Input, &Quantity); 3],
    quantisation: Option<&Quantity>,
    method: VerdictMethod,
    f: &dyn Fn(&[f64]) -> f64,
) -> Quantity {
    if let Some(because) = missing(parts) {
        return Quantity::not_measurable(because);
    }
    let mut inputs: Vec<&Quantity> = parts.iter().map(|(_, q)| *q).collect();
    inputs.extend(quantisation.filter(|q| q.is_known()));
    let parameters: Vec<Parameter> = inputs.iter().filter_map(|q| Parameter::of(q, 0.0)).collect();
    if parameters.iter().map(|p| p.value).sum::<f64>() <= 0.0 {
        return Quantity::not_measurable(VerdictMissing::NoNoiseAtAll);
    }
    let (value, sigma) = propagate(&parameters, f);
    let n = inputs.iter().map(|q| q.n).max().unwrap_or(0);
    let result = Quantity::with(weakest(&inputs), value, sigma, method, n);
    // The third part is a square.
    let notes = [VerdictNote::SkyCountsAsZero, VerdictNote::DarkCurrentCountsAsZero];
    let below_zero = parts.iter().zip(notes).filter(|((_, q), _)| q.value.is_some_and(|v| v < 0.0));
    below_zero.fold(result, |r, (_, note)| r.noted(note))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Source;

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, VerdictMethod::SumOfNoiseParts, 4)
    }

    struct Inputs {
        sky: Quantity,
        dark: Quantity,
        read: Quantity,
        gain: Quantity,
    }

    impl Inputs {
        fn good() -> Self {
            Self {
                sky: measured(0.5, 0.02),
                dark: measured(0.1, 0.01),
                read: measured(3.0, 0.1),
                gain: measured(0.8, 0.01),
            }
        }

        fn budget(&self, step: Option<u32>, exposure_s: Option<f64>, inside: bool) -> NoiseBudget {
            noise_budget(&BudgetInput {
                sky_e_per_px_s: &self.sky,
                dark_e_per_px_s: &self.dark,
                read_noise_e: &self.read,
                read_noise_includes_quantisation: inside,
                gain_e_per_adu: &self.gain,
                adu_step: step,
                exposure_s,
            })
        }
    }

    #[test]
    fn parts_add_up_and_shares_add_to_one() {
        let b = Inputs::good().budget(Some(4), Some(120.0), false);
        assert_eq!(b.sky_e2.value, Some(60.0));
        assert_eq!(b.dark_e2.value, Some(12.0));
        assert_eq!(b.read_e2.value, Some(9.0));
        // (4 * 0.8)^2/12
        assert!((b.quantisation_e2.value.unwrap() - 0.853_333).abs() < 1e-6);
        let total = b.total_e2.value.unwrap();
        assert!((total - 81.853_333).abs() < 1e-6);
        let shares = [&b.sky_share, &b.dark_share, &b.read_share].map(|q| q.value.unwrap());
        assert!((shares.iter().sum::<f64>() + b.quantisation_e2.value.unwrap() / total - 1.0).abs() < 1e-12);
    }

    #[test]
    fn errors_of_the_shares_are_those_of_a_ratio() {
        // d(s/(s+o)) = (o ds - s do)/(s+o)^2 by hand: s = 60 +- 2.4, o = 21 +- hypot(1.2, 0.6).
        let b = Inputs::good().budget(Some(1), Some(120.0), true);
        let by_hand = (21.0_f64 * 2.4).hypot(60.0 * 1.2_f64.hypot(0.6)) / 81.0_f64.powi(2);
        // Differences over one sigma leave the third-order term, (sigma/total)^2 of about 0.1 %.
        assert!((b.sky_share.sigma.unwrap() / by_hand - 1.0).abs() < 3e-3);
        assert!((b.total_e2.sigma.unwrap() - (2.4_f64.powi(2) + 1.2_f64.powi(2) + 0.36).sqrt()).abs() < 1e-9);
    }

    // By hand: 9/(0.6 ((1.05)^2 - 1)) = 146.341 s and 9/(0.6 ((1.1)^2 - 1)) = 71.4286 s.
    #[test]
    fn read_noise_adds_its_share_at_the_exposures_that_are_named_for_it() {
        let b = Inputs::good().budget(Some(1), Some(120.0), true);
        for (q, by_hand, share) in
            [(&b.exposure_for_5_percent_read_s, 146.341, 0.05), (&b.exposure_for_10_percent_read_s, 71.4286, 0.10)]
        {
            let t = q.value.unwrap();
            assert!((t / by_hand - 1.0).abs() < 1e-5, "{t}");
            let there = Inputs::good().budget(Some(1), Some(t), true).read_noise_adds;
            assert!((there.value.unwrap() - share).abs() < 1e-12, "{there:?}");
        }
        // sqrt(1 + 9/72) - 1; with sigmas 0.6 and hypot(2.4, 1.2): d = 0.5/sqrt(1.125) * 0.125 * hypot(.6/9, 2.683/72).
        let now = &b.read_noise_adds;
        assert!((now.value.unwrap() - 0.060_660).abs() < 1e-6, "{now:?}");
        let sigma = 0.5 / 1.125f64.sqrt() * 0.125 * (0.6f64 / 9.0).hypot(2.4f64.hypot(1.2) / 72.0);
        assert!((now.sigma.unwrap() / sigma - 1.0).abs() < 0.01, "{now:?}");
    }

    #[test]
    fn quantisation_inside_the_read_noise_is_not_counted_twice() {
        let b = Inputs::good().budget(Some(4), Some(120.0), true);
        assert_eq!(b.total_e2.value, Some(81.0));
        assert_eq!(b.quantisation_e2.notes, [VerdictNote::QuantisationInReadNoise.into()]);
    }

    #[test]
    fn an_unknown_dark_current_takes_the_shares_away_and_says_why() {
        let inputs = Inputs { dark: Quantity::not_measurable(Missing::SensorTemperature), ..Inputs::good() };
        let b = inputs.budget(Some(1), Some(120.0), true);
        assert_eq!((b.sky_e2.value, b.dark_e2.value), (Some(60.0), None));
        for q in [&b.dark_e2, &b.total_e2, &b.sky_share, &b.read_share, &b.exposure_for_5_percent_read_s] {
            assert_eq!(q.value, None);
        }
        let of_dark = Missing::input(Input::DarkCurrent, Missing::SensorTemperature);
        assert_eq!(b.dark_e2.because(), Missing::SensorTemperature);
        for q in [&b.total_e2, &b.sky_share, &b.read_share, &b.exposure_for_5_percent_read_s] {
            assert_eq!(q.because(), of_dark);
        }
    }

    #[test]
    fn an_unknown_exposure_names_its_card() {
        for exposure in [None, Some(0.0), Some(f64::NAN)] {
            let b = Inputs::good().budget(Some(1), exposure, true);
            assert_eq!(b.sky_share.value, None);
            assert_eq!(b.sky_e2.because(), Missing::ExposureTime);
            assert!(b.exposure_for_5_percent_read_s.is_known());
        }
    }

    #[test]
    fn an_unknown_step_is_left_out_of_the_total_and_noted() {
        let b = Inputs::good().budget(None, Some(120.0), false);
        assert_eq!(b.total_e2.value, Some(81.0));
        let because = VerdictMissing::CodeStepUnknown.into();
        assert_eq!(b.total_e2.notes, [Note::since(VerdictNote::WithoutQuantisation, because)]);
    }

    #[test]
    fn a_dark_rate_below_zero_counts_as_zero_and_is_noted() {
        let inputs = Inputs { dark: measured(-0.01, 0.02), ..Inputs::good() };
        let b = inputs.budget(Some(1), Some(100.0), true);
        assert_eq!((b.dark_e2.value, b.total_e2.value), (Some(-1.0), Some(59.0)));
        assert_eq!(b.total_e2.notes, [VerdictNote::DarkCurrentCountsAsZero.into()]);
        assert!(b.dark_share.sigma.unwrap() > 0.0);
    }

    #[test]
    fn the_weakest_source_is_kept() {
        let inputs = Inputs { read: Quantity::rig(3.0, "read_noise_e"), ..Inputs::good() };
        assert_eq!(inputs.budget(Some(1), Some(100.0), true).sky_share.source, Source::Rig);
    }
}
