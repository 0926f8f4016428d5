//! How well the darks at hand match the lights: what would be left after subtracting them.
//!
//! Darks at another temperature or of another exposure leave a part of the dark level, and the same part of its pattern
//! from pixel to pixel. A master of N darks adds an Nth of one dark's noise to the lights.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::propagation::{Parameter, propagate};
use crate::facts::verdict::{VerdictMethod, VerdictMissing, VerdictNote};
use crate::facts::{Missing, Quantity};

/// Share of an exposure's noise from which the pattern left is worth a warning: added in quadrature to the noise of one
/// frame 5 % are lost in it, but the pattern does not average out over a stack as the noise does.
pub const WORTH_A_WARNING: f64 = 0.05;

/// Lights and the darks that would be subtracted from them.
#[derive(Debug, Clone, Copy)]
pub struct DarkMatchInput<'a> {
    /// Number of darks, temperature, exposure.
    pub darks: usize,
    pub dark_celsius: f64,
    pub dark_s: f64,
    pub light_celsius: f64,
    pub light_s: f64,
    /// In what else they differ.
    pub differences: &'a [Difference],
    /// Dark rates at the temperature of the lights and of the darks, e-/px/s.
    pub light_rate: &'a Quantity,
    pub dark_rate: &'a Quantity,
    /// Step that doubles the rate, C.
    pub doubling_celsius: &'a Quantity,
    /// Spread of the rates of ordinary pixels over their mean.
    pub relative_dsnu: &'a Quantity,
    pub read_noise_e: &'a Quantity,
    /// Variance of one light, e-^2/px, and the number of lights.
    pub total_e2: &'a Quantity,
    pub lights: usize,
}

/// Noise variance of a pixel in the mean of all lights, e-^2, darks subtracted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StackNoise {
    /// Lights used.
    #[schemars(extend("unit" = "frames"))]
    pub lights: usize,
    /// Noise variance with a perfect master dark.
    #[schemars(extend("unit" = "(e-)^2/px"))]
    pub perfect_e2: Quantity,
    /// With these darks, lights moved by many pixels between exposures.
    #[schemars(extend("unit" = "(e-)^2/px"))]
    pub dithered_e2: Quantity,
    /// With these darks, lights not moved: their noise and the pattern left are in all alike.
    #[schemars(extend("unit" = "(e-)^2/px"))]
    pub undithered_e2: Quantity,
}

/// A setting of the camera that a dark must share with the lights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setting {
    Gain,
    Offset,
    ReadoutMode,
}

/// A setting in which darks differ from lights; `None` is one that the headers do not tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Difference {
    /// As the report that it was read from words it.
    Quoted(String),
    Of {
        setting: Setting,
        darks: Option<String>,
        lights: Option<String>,
    },
}

/// Temperatures and exposures that were held against each other, C and s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared {
    pub dark_celsius: f64,
    pub dark_s: f64,
    pub light_celsius: f64,
    pub light_s: f64,
    /// Sets of darks, each for the lights nearest to it; lowest and highest temperature of the lights.
    pub sets: usize,
    /// Darks in all sets.
    pub darks: usize,
    pub lights_celsius: [f64; 2],
}

/// What subtracting the darks would leave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DarkMatch {
    /// Darks that match best; of several sets, each for the lights nearest to it, so many as give one light its master.
    #[schemars(extend("unit" = "frames"))]
    pub darks: usize,
    /// Temperature of the lights minus that of the darks.
    #[schemars(extend("unit" = "°C"))]
    pub temperature_mismatch_c: Option<f64>,
    /// Exposure of the lights minus that of the darks.
    #[schemars(extend("unit" = "s"))]
    pub exposure_mismatch_s: Option<f64>,
    /// Settings in which they differ.
    #[schemars(with = "Vec<String>")]
    pub differences: Vec<Difference>,
    /// Dark level left in the lights; negative where too much is taken off.
    #[schemars(extend("unit" = "e-/px"))]
    pub residual_level_e: Quantity,
    /// Standard deviation from pixel to pixel that is left, hot pixels aside.
    #[schemars(extend("unit" = "e-"))]
    pub residual_pattern_e: Quantity,
    /// The same over the noise of one light.
    #[schemars(extend("unit" = "1"))]
    pub pattern_share_of_noise: Quantity,
    /// Variance that the darks' own noise adds over that of one light.
    #[schemars(extend("unit" = "1"))]
    pub added_variance_share: Quantity,
    /// Noise of a pixel in the mean of all lights, darks subtracted.
    pub stack: StackNoise,
    /// What the mismatches are the differences of; `None` where nothing was compared.
    #[serde(skip)]
    pub compared: Option<Compared>,
}

impl DarkMatch {
    /// Nothing to subtract, or nothing known of it.
    pub fn not_measurable(because: impl Into<Missing>) -> Self {
        let because = because.into();
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            darks: 0,
            temperature_mismatch_c: None,
            exposure_mismatch_s: None,
            differences: Vec::new(),
            residual_level_e: unknown(),
            residual_pattern_e: unknown(),
            pattern_share_of_noise: unknown(),
            added_variance_share: unknown(),
            stack: StackNoise { lights: 0, perfect_e2: unknown(), dithered_e2: unknown(), undithered_e2: unknown() },
            compared: None,
        }
    }

    /// Whether the darks are better not subtracted as they are.
    pub fn is_worth_a_warning(&self) -> bool {
        let share = self.pattern_share_of_noise.pair();
        !self.differences.is_empty() || share.is_some_and(|(share, sigma)| share - sigma > WORTH_A_WARNING)
    }
}

/// Level and pattern that subtracting the darks leaves, and the noise that it adds.
pub fn dark_match(input: &DarkMatchInput) -> DarkMatch {
    let residual_level_e = residual_level(input);
    let pattern = residual_level_e.times(input.relative_dsnu, VerdictMethod::LevelTimesSpreadOfRates);
    let residual_pattern_e = Quantity { value: pattern.value.map(f64::abs), ..pattern };
    let noise = inverse_root(input.total_e2);
    let pattern_share_of_noise = residual_pattern_e.times(&noise, VerdictMethod::PatternOverNoise);
    let added_variance_share = added_variance(input);
    let stack = stack(input, &added_variance_share, &residual_pattern_e);
    DarkMatch {
        darks: input.darks,
        temperature_mismatch_c: Some(input.light_celsius - input.dark_celsius),
        exposure_mismatch_s: Some(input.light_s - input.dark_s),
        differences: input.differences.to_vec(),
        residual_level_e,
        residual_pattern_e,
        pattern_share_of_noise,
        added_variance_share,
        stack,
        compared: Some(Compared {
            dark_celsius: input.dark_celsius,
            dark_s: input.dark_s,
            light_celsius: input.light_celsius,
            light_s: input.light_s,
            sets: 1,
            darks: input.darks,
            lights_celsius: [input.light_celsius; 2],
        }),
    }
}

/// What subtracting leaves where groups of lights, so many each, have darks of their own: means over the lights, of the pattern the root
/// mean square; in a stack each group has its share.
pub fn matched_by_groups(groups: &[(DarkMatch, usize)]) -> Option<DarkMatch> {
    let (first, _) = groups.first()?;
    let lights = groups.iter().map(|g| g.1).sum::<usize>();
    let share = |n: usize| n as f64 / lights.max(1) as f64;
    let over = |of: &dyn Fn(&DarkMatch) -> &Quantity, power: i32, weight: &dyn Fn(usize) -> f64| {
        if let Some((unknown, _)) = groups.iter().find(|(m, _)| !of(m).is_known()) {
            return of(unknown).clone();
        }
        let pairs = groups.iter().filter_map(|(m, n)| Some((weight(*n), of(m).pair()?)));
        let (value, sigma) =
            pairs.fold((0.0, 0.0), |(v, s), (w, (value, sigma))| (v + w * value.powi(power), s + w * sigma));
        let value = value.powf(f64::from(power).recip());
        Quantity { value: Some(value), sigma: Some(sigma), n: lights, ..of(first).clone() }
    };
    let squared = |n: usize| share(n).powi(2);
    // By their noise: lights with two darks and with twenty have as much of it as with four.
    let inverse: f64 = groups.iter().map(|(m, n)| share(*n) / m.darks.max(1) as f64).sum();
    let a_light = (inverse.recip().round() as usize).max(1);
    let mean = |of: &dyn Fn(&DarkMatch) -> Option<f64>| -> Option<f64> {
        groups.iter().map(|(m, n)| Some(share(*n) * of(m)?)).sum()
    };
    let compared: Vec<Compared> = groups.iter().filter_map(|(m, _)| m.compared).collect();
    let ends = |pick: fn(f64, f64) -> f64, of: fn(&Compared) -> f64| compared.iter().map(of).reduce(pick);
    let lights_celsius = [
        ends(f64::min, |c| c.lights_celsius[0]).unwrap_or(f64::NAN),
        ends(f64::max, |c| c.lights_celsius[1]).unwrap_or(f64::NAN),
    ];
    Some(DarkMatch {
        darks: a_light,
        temperature_mismatch_c: mean(&|m| m.temperature_mismatch_c),
        exposure_mismatch_s: mean(&|m| m.exposure_mismatch_s),
        differences: groups.iter().map(|(m, _)| &m.differences).max_by_key(|d| d.len()).cloned().unwrap_or_default(),
        residual_level_e: over(&|m| &m.residual_level_e, 1, &share),
        residual_pattern_e: over(&|m| &m.residual_pattern_e, 2, &share),
        pattern_share_of_noise: over(&|m| &m.pattern_share_of_noise, 2, &share),
        added_variance_share: over(&|m| &m.added_variance_share, 1, &share),
        stack: StackNoise {
            lights,
            perfect_e2: over(&|m| &m.stack.perfect_e2, 1, &squared),
            dithered_e2: over(&|m| &m.stack.dithered_e2, 1, &squared),
            undithered_e2: over(&|m| &m.stack.undithered_e2, 1, &squared),
        },
        compared: compared.first().map(|c| Compared { sets: groups.len(), lights_celsius, ..*c }),
    })
}

/// `D_l t_l - D_d t_d`. Its error: that of the rate, common to both, and that of the step between the temperatures.
fn residual_level(input: &DarkMatchInput) -> Quantity {
    let (Some((light, light_sigma)), Some((dark, _))) = (input.light_rate.pair(), input.dark_rate.pair()) else {
        let unknown = if input.light_rate.is_known() { input.dark_rate } else { input.light_rate };
        return Quantity::not_measurable(unknown.because());
    };
    let (in_lights, in_darks) = (light * input.light_s, dark * input.dark_s);
    let residual = in_lights - in_darks;
    let apart = input.light_celsius - input.dark_celsius;
    let by_step = input
        .doubling_celsius
        .pair()
        .map_or(0.0, |(step, sigma)| in_darks * std::f64::consts::LN_2 * apart.abs() / (step * step) * sigma);
    let by_rate = if light > 0.0 { residual * light_sigma / light } else { 0.0 };
    Quantity::with(
        input.light_rate.source,
        residual,
        Some(by_rate.hypot(by_step)),
        VerdictMethod::DarkChargeDifference,
        input.darks,
    )
}

/// `(D_d t_d + R^2) / N` over the variance of one light.
fn added_variance(input: &DarkMatchInput) -> Quantity {
    let (Some((rate, rate_sigma)), Some((read, read_sigma)), Some((total, total_sigma))) =
        (input.dark_rate.pair(), input.read_noise_e.pair(), input.total_e2.pair())
    else {
        let all = [input.dark_rate, input.read_noise_e, input.total_e2];
        let unknown = all.into_iter().find(|q| !q.is_known());
        return Quantity::not_measurable(unknown.map_or(Missing::Unstated, Quantity::because));
    };
    let n = input.darks as f64;
    let one = rate * input.dark_s + read * read;
    let sigma = (rate_sigma * input.dark_s).hypot(2.0 * read * read_sigma) / (n * total);
    let share = one / (n * total);
    Quantity::measured(
        share,
        sigma.hypot(share * total_sigma / total),
        VerdictMethod::MasterOverLightVariance,
        input.darks,
    )
}

/// `V_L/M`, `V_L/M + (V_D/N + P^2)/M` and `V_L/M + V_D/N + P^2`, P the pattern left; an unknown pattern counts as none.
fn stack(input: &DarkMatchInput, added: &Quantity, pattern_e: &Quantity) -> StackNoise {
    let none = Parameter { value: 0.0, sigma: 0.0, min: 0.0 };
    let told = |method: VerdictMethod, f: &dyn Fn(f64, f64) -> f64| {
        let (Some(total), Some(share)) = (Parameter::of(input.total_e2, 0.0), Parameter::of(added, 0.0)) else {
            let unknown = if input.total_e2.is_known() { added } else { input.total_e2 };
            return Quantity::not_measurable(unknown.because());
        };
        let parameters = [total, share, Parameter::of(pattern_e, 0.0).unwrap_or(none)];
        let (value, sigma) = propagate(&parameters, |p| f(p[0], p[0] * p[1] + p[2] * p[2]));
        let told = Quantity::with(input.total_e2.source, value, sigma, method, input.lights);
        if pattern_e.is_known() { told } else { told.noted(VerdictNote::WithoutPattern) }
    };
    let m = input.lights.max(1) as f64;
    StackNoise {
        lights: input.lights,
        perfect_e2: told(VerdictMethod::LightVarianceOverLights, &|light, _| light / m),
        dithered_e2: told(VerdictMethod::DarkenedVarianceOverLights, &|light, darks| (light + darks) / m),
        undithered_e2: told(VerdictMethod::LightVarianceOverLightsAndDarks, &|light, darks| light / m + darks),
    }
}

/// `1 / sqrt(variance)`.
fn inverse_root(variance: &Quantity) -> Quantity {
    match variance.pair() {
        Some((v, sigma)) if v > 0.0 => {
            let method = VerdictMethod::NoiseOfOneLight;
            Quantity::with(variance.source, v.sqrt().recip(), Some(0.5 * sigma * v.powf(-1.5)), method, variance.n)
        }
        Some(_) => Quantity::not_measurable(VerdictMissing::LightWithoutNoise),
        None => Quantity::not_measurable(variance.because()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, VerdictMethod::NoiseOfOneLight, 1)
    }

    /// Lights of D = 0.5 e-/px/s, 300 s, with darks taken `warmer` C colder; step 6 C.
    fn matched(warmer: f64, dark_s: f64, dsnu: &Quantity, differences: &[Difference]) -> DarkMatch {
        let dark_rate = 0.5;
        dark_match(&DarkMatchInput {
            darks: 20,
            dark_celsius: 10.0,
            dark_s,
            light_celsius: 10.0 + warmer,
            light_s: 300.0,
            differences,
            light_rate: &measured(dark_rate * (warmer / 6.0).exp2(), 0.005),
            dark_rate: &measured(dark_rate, 0.005),
            doubling_celsius: &measured(6.0, 0.3),
            relative_dsnu: dsnu,
            read_noise_e: &measured(3.0, 0.0),
            total_e2: &measured(324.0, 0.0),
            lights: 60,
        })
    }

    // C6.7: D = 0.5 e-/px/s, 300 s, step 6 C; +1, +3, -2 C leave 18.36931, 62.13203 and -30.94492 e-, and a fifth of that
    // as pattern at a spread of 20 % (numpy, computed outside this project).
    #[test]
    fn c6_7_level_and_pattern_left_by_a_mismatch() {
        for (warmer, level) in [(1.0, 18.369_31), (3.0, 62.132_03), (-2.0, -30.944_92)] {
            let got = matched(warmer, 300.0, &measured(0.2, 0.01), &[]);
            assert!((got.residual_level_e.value.unwrap() - level).abs() < 1e-4, "{got:?}");
            assert!((got.residual_pattern_e.value.unwrap() - 0.2 * level.abs()).abs() < 1e-4, "{got:?}");
            assert!((got.pattern_share_of_noise.value.unwrap() - 0.2 * level.abs() / 18.0).abs() < 1e-5);
            assert!(got.is_worth_a_warning(), "{got:?}");
        }
    }

    // C6.9: V_D = 159 e-^2 over 20 darks, against V_L = 324 e-^2 of one light.
    #[test]
    fn c6_9_noise_that_the_darks_add() {
        let got = matched(0.0, 300.0, &measured(0.2, 0.01), &[]);
        assert!((got.added_variance_share.value.unwrap() - 159.0 / 20.0 / 324.0).abs() < 1e-12);
        assert_eq!((got.residual_level_e.value, got.is_worth_a_warning()), (Some(0.0), false));
        // The same row: 60 lights, undithered, dithered, perfect 13.35, 5.5325, 5.40 e-^2.
        let stack = &got.stack;
        for (told, e2) in [(&stack.undithered_e2, 13.35), (&stack.dithered_e2, 5.5325), (&stack.perfect_e2, 5.40)] {
            assert!((told.value.unwrap() - e2).abs() < 1e-9, "{told:?}");
        }
    }

    #[test]
    fn a_mismatch_stays_in_a_stack_without_dither() {
        // By hand: 18.36931 e- left, a fifth of it as pattern, squared; in all lights alike, or in each by itself.
        let pattern = (0.2_f64 * 18.369_31).powi(2);
        let stack = matched(1.0, 300.0, &measured(0.2, 0.01), &[]).stack;
        assert!((stack.undithered_e2.value.unwrap() - 13.35 - pattern).abs() < 1e-4);
        assert!((stack.dithered_e2.value.unwrap() - 5.5325 - pattern / 60.0).abs() < 1e-5);
    }

    #[test]
    fn other_exposures_and_settings_are_told() {
        let shorter = matched(0.0, 240.0, &measured(0.2, 0.01), &[]);
        assert!((shorter.residual_level_e.value.unwrap() - 30.0).abs() < 1e-9);
        assert_eq!(shorter.exposure_mismatch_s, Some(60.0));
        let (darks, lights) = (Some("0".to_owned()), Some("100".to_owned()));
        let differences = [Difference::Of { setting: Setting::Gain, darks, lights }];
        let other = matched(0.0, 300.0, &measured(0.2, 0.01), &differences);
        assert!(other.is_worth_a_warning() && other.differences == differences, "{other:?}");
    }

    #[test]
    fn an_unknown_spread_leaves_the_pattern_unknown_for_a_reason() {
        let unknown = Quantity::not_measurable(VerdictMissing::NoSpreadOfDarkRates);
        let got = matched(1.0, 300.0, &unknown, &[]);
        assert!(got.residual_level_e.is_known() && !got.is_worth_a_warning());
        assert_eq!(got.residual_pattern_e.because(), unknown.because());
    }

    /// Two thirds of the lights at the darks' temperature and one third 6 C above theirs, by hand: half of the charge of 150 e- at 0.5
    /// e-/px/s is left in the third group, so 25 e- in the mean, and a pattern of `0.2 * 75 / sqrt(3)` root mean square.
    #[test]
    fn lights_with_darks_of_their_own_are_put_together() {
        let dsnu = measured(0.2, 0.0);
        let [same, warmer] = [matched(0.0, 300.0, &dsnu, &[]), matched(6.0, 300.0, &dsnu, &[])];
        let level = warmer.residual_level_e.value.unwrap();
        let both = matched_by_groups(&[(same.clone(), 40), (warmer, 20)]).unwrap();
        assert!((both.residual_level_e.value.unwrap() - level / 3.0).abs() < 1e-9, "{both:?}");
        let pattern = 0.2 * level / 3f64.sqrt();
        assert!((both.residual_pattern_e.value.unwrap() - pattern).abs() < 1e-9, "{both:?}");
        // Two groups alike leave what one leaves, but for darks of their own in a stack.
        let twice = matched_by_groups(&[(same.clone(), 30), (same.clone(), 30)]).unwrap();
        assert_eq!(twice.added_variance_share.value, same.added_variance_share.value);
        assert_eq!((twice.compared.map(|c| c.sets), twice.darks), (Some(2), same.darks));
    }
}
