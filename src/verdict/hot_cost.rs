//! What the hot pixels of a sensor cost in a stack: their charge brings shot noise that no dark takes off.
//!
//! The noise budget is that of ordinary pixels. With the mean excess rate `x` of all pixels over the ordinary ones, a share `f` of
//! hot pixels, an exposure `t` and the variance `V` of an ordinary pixel (derived from the variance of a mean; Poisson's law):
//!
//! - lights moved between exposures and averaged: every place of the picture meets hot pixels, the variance grows by `x t / V`;
//! - moved, and the outliers left out of the mean: a share `f` of the values is lost, the variance grows by `f / (1 - f)`;
//! - not moved: the share `f` of the picture has the variance `V + x t / f` wherever it lies.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::verdict::VerdictMethod;
use crate::facts::{Missing, Quantity};

/// Relative error of an excess that is moved to another temperature by the law of the ordinary pixels: hot pixels follow steps of
/// their own, 10 % off over ten degrees (from the same law with activation energies of 0.55 and 0.65 eV).
const MOVED_PER_DEGREE: f64 = 0.01;

/// What is known of a sensor's hot pixels and of one light.
#[derive(Debug, Clone, Copy)]
pub struct HotCostInput<'a> {
    /// Share of the pixels that are hot.
    pub share: &'a Quantity,
    /// Mean rate of all pixels less that of the ordinary ones at the darks' temperature, e-/px/s.
    pub excess_e_per_px_s: &'a Quantity,
    /// Dark rates of ordinary pixels at the temperatures of darks and lights, e-/px/s, and the degrees between them.
    pub rate_at_darks: &'a Quantity,
    pub rate_at_lights: &'a Quantity,
    pub degrees_apart: f64,
    pub exposure_s: Option<f64>,
    /// Variance of an ordinary pixel of one light, e-^2/px.
    pub total_e2: &'a Quantity,
}

/// What hot pixels add to the noise of a stack.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HotCost {
    /// Share of the pixels that are hot.
    #[schemars(extend("unit" = "1"))]
    pub share: Quantity,
    /// Variance that they add over that of ordinary pixels, lights moved between exposures and averaged.
    #[schemars(extend("unit" = "1"))]
    pub moved_averaged: Quantity,
    /// The same with outliers left out of the mean.
    #[schemars(extend("unit" = "1"))]
    pub moved_rejected: Quantity,
    /// Noise of the hot pixels over that of the others, root mean square, where lights were not moved.
    #[schemars(extend("unit" = "1"))]
    pub still_noise_ratio: Quantity,
}

impl HotCost {
    /// Nothing known.
    pub fn not_measurable(because: impl Into<Missing>) -> Self {
        let because = because.into();
        let unknown = || Quantity::not_measurable(because.clone());
        Self { share: unknown(), moved_averaged: unknown(), moved_rejected: unknown(), still_noise_ratio: unknown() }
    }
}

/// The cost of the hot pixels in a stack of lights.
pub fn hot_cost(input: &HotCostInput) -> HotCost {
    let Some(exposure_s) = input.exposure_s else { return HotCost::not_measurable(Missing::ExposureTime) };
    let all = [input.share, input.excess_e_per_px_s, input.rate_at_darks, input.rate_at_lights, input.total_e2];
    if let Some(unknown) = all.into_iter().find(|q| !q.is_known()) {
        return HotCost::not_measurable(unknown.because());
    }
    let pair = |q: &Quantity| q.pair().unwrap_or((f64::NAN, 0.0));
    let [(share, share_sigma), (excess, excess_sigma), (there, _), (here, _), (total, total_sigma)] = all.map(pair);
    // Without a rate to follow nothing is moved.
    let moved = if there > 0.0 && here > 0.0 { here / there } else { 1.0 };
    let added = excess.max(0.0) * moved * exposure_s / total;
    let by_excess = excess_sigma * moved * exposure_s / total;
    let added_sigma = by_excess.hypot(added * (total_sigma / total).hypot(MOVED_PER_DEGREE * input.degrees_apart));
    let of = |value, sigma, method| Quantity::with(input.total_e2.source, value, Some(sigma), method, input.share.n);
    let moved_averaged = of(added, added_sigma, VerdictMethod::HotChargeOverVariance);
    let moved_rejected =
        of(share / (1.0 - share), share_sigma / (1.0 - share).powi(2), VerdictMethod::HotPixelsLeftOut);
    let still_noise_ratio = if share > 0.0 {
        let ratio = (1.0 + added / share).sqrt();
        let sigma = 0.5 / ratio * (added_sigma / share).hypot(added * share_sigma / (share * share));
        of(ratio, sigma, VerdictMethod::HotNoiseOverOthers)
    } else {
        of(1.0, 0.0, VerdictMethod::HotNoiseOverOthers)
    };
    HotCost { share: input.share.clone(), moved_averaged, moved_rejected, still_noise_ratio }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Poisson};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// A stack of lights whose pixels move by whole places: variance over the picture of ordinary pixels alone, with the hot ones
    /// averaged in, and of the hot pixels of lights that did not move. Poisson draws, no formula.
    fn drawn(hot: f64, rate: f64, ordinary_e: f64) -> [f64; 3] {
        const PIXELS: usize = 20_000;
        const LIGHTS: usize = 12;
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(31);
        let mean: Vec<f64> = (0..PIXELS).map(|_| ordinary_e + if rng.random_bool(hot) { rate } else { 0.0 }).collect();
        let mut picture = |moved: usize| -> Vec<f64> {
            let mut sum = vec![0.0; PIXELS];
            for light in 0..LIGHTS {
                for (place, sum) in sum.iter_mut().enumerate() {
                    let expected = mean[(place + light * moved) % PIXELS];
                    // A perfect dark is taken off.
                    *sum += Poisson::new(expected).unwrap().sample(&mut rng) - expected;
                }
            }
            sum.iter().map(|s| s / LIGHTS as f64).collect()
        };
        let variance = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64;
        let (moved, still) = (picture(977), picture(0));
        let of = |want_hot: bool| -> Vec<f64> {
            still.iter().zip(&mean).filter(|(_, m)| (**m > ordinary_e) == want_hot).map(|(v, _)| *v).collect()
        };
        [variance(&of(false)), variance(&moved), variance(&of(true))]
    }

    #[test]
    fn a_drawn_stack_shows_the_cost_that_is_told() {
        let exact = |v: f64| Quantity::measured(v, 0.0, VerdictMethod::NoiseOfOneLight, 1);
        let (hot, rate, ordinary_e) = (0.02, 4_000.0, 100.0);
        let cost = hot_cost(&HotCostInput {
            share: &exact(hot),
            excess_e_per_px_s: &exact(hot * rate / 60.0),
            rate_at_darks: &exact(0.1),
            rate_at_lights: &exact(0.1),
            degrees_apart: 0.0,
            exposure_s: Some(60.0),
            total_e2: &exact(ordinary_e),
        });
        let [ordinary, moved, of_hot] = drawn(hot, rate, ordinary_e);
        // 400 hot pixels of one mean over twelve lights: their variance to 7 %, their number to 5 %.
        let added = moved / ordinary - 1.0;
        assert!((cost.moved_averaged.value.unwrap() / added - 1.0).abs() < 0.15, "{cost:?} {added}");
        let ratio = (of_hot / ordinary).sqrt();
        assert!((cost.still_noise_ratio.value.unwrap() / ratio - 1.0).abs() < 0.11, "{cost:?} {ratio}");
        // Of fifty values one is lost.
        assert!((cost.moved_rejected.value.unwrap() - 1.0 / 49.0).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_known_says_so() {
        let exact = |v: f64| Quantity::measured(v, 0.0, VerdictMethod::NoiseOfOneLight, 1);
        let unknown = Quantity::not_measurable(Missing::SensorTemperature);
        let cost = hot_cost(&HotCostInput {
            share: &exact(0.01),
            excess_e_per_px_s: &unknown,
            rate_at_darks: &exact(0.1),
            rate_at_lights: &exact(0.1),
            degrees_apart: 0.0,
            exposure_s: Some(60.0),
            total_e2: &exact(100.0),
        });
        assert_eq!(cost.moved_averaged.because(), Missing::SensorTemperature);
    }
}
