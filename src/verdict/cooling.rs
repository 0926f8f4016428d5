//! Cooling: how much exposure time a colder sensor would save on a faint target, with its uncertainty.

use super::propagation::{Draws, Parameter, missing, propagate, weakest};
use super::result::{Cooling, CoolingBasis, CoolingRow};
use super::thermal::CoolingLaw;
use super::variance::{tolerable_dark, variance_rate};
use crate::facts::answers::{AnswersMethod, AnswersMissing, AnswersNote};
use crate::facts::{Input, Missing, Quantity, Source, weaker};

/// Drops of the sensor temperature in the table, C: round steps up to what one- and two-stage coolers reach, and the
/// 13.5 C that the trade calls the least that is worth a cooler (common practice, no source).
pub const DROPS_C: [f64; 8] = [5.0, 10.0, 13.5, 20.0, 25.0, 30.0, 35.0, 40.0];

/// Share by which dark current may raise the noise of sky and reading before more cooling is called pointless.
pub const DARK_NOISE_SHARE: f64 = 0.05;

/// Share of the time that more cooling may still save before it is called pointless.
pub const LAST_SAVING: f64 = 0.01;

/// What the table is computed from.
#[derive(Debug, Clone, Copy)]
pub struct CoolingInput<'a> {
    /// Sky rate, e-/px/s.
    pub sky_e_per_px_s: &'a Quantity,
    /// Read noise, e-.
    pub read_noise_e: &'a Quantity,
    /// Exposure time of one frame, s.
    pub exposure_s: Option<f64>,
    /// Present sensor temperature, C.
    pub now_celsius: Option<f64>,
    /// Dark rate at that temperature, e-/px/s.
    pub dark_e_per_px_s: &'a Quantity,
    /// Part of that rate that does not cool, e-/px/s; unknown counts as none and is said.
    pub floor_e_per_px_s: &'a Quantity,
    /// How the thermal part falls with temperature.
    pub law: CoolingLaw,
}

/// One possible state of the inputs.
#[derive(Debug, Clone, Copy)]
pub(crate) struct State {
    pub sky: f64,
    pub read: f64,
    pub dark: f64,
    pub floor: f64,
    pub law: f64,
}

impl State {
    pub fn of([sky, read, dark, floor, law]: [f64; 5]) -> Self {
        Self { sky, read, dark, floor, law }
    }

    /// Dark rate after the thermal part has fallen by `ratio`.
    pub fn dark_at(self, ratio: f64) -> f64 {
        self.floor.min(self.dark) + (self.dark - self.floor).max(0.0) * ratio
    }

    /// Variance rate with dark rate `dark` over the present one, for a target too faint to count.
    fn time_ratio(self, dark: f64, exposure_s: f64) -> f64 {
        let rate = |d: f64| variance_rate(0.0, self.sky, d, self.read, exposure_s);
        rate(dark) / rate(self.dark)
    }
}

/// The cooling table, its limit without any dark current, and the drop after which more is pointless.
///
/// Formula: `rho = v2/v1` with `v = B + D + R^2/t` for a target too faint to count; signal-to-noise gain `rho^-1/2`
/// (derived from the CCD equation, Merline & Howell 1995). Uncertainties: standard deviation over seeded draws of
/// all inputs as independent normal values, none below 0.
pub fn cooling(input: &CoolingInput) -> Cooling {
    let exposure = input.exposure_s.filter(|t| t.is_finite() && *t > 0.0);
    if !input.dark_e_per_px_s.is_known() {
        return without_dark_current(input);
    }
    let noise = noise_reason(input, exposure);
    let draws = Draws::new(parameters(input));
    let evaluate = |f: &dyn Fn(State) -> f64| draws.evaluate(|p| f(State::of(p)));
    let t = exposure.unwrap_or(f64::NAN);
    let told = |law: bool, (value, sigma): (f64, Option<f64>), method: AnswersMethod| match &noise {
        Some(because) => Quantity::not_measurable(because.clone()),
        None => {
            let s = weakest(&[input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s]);
            let source = if law { weaker(s, input.law.source) } else { s };
            Quantity::with(source, value, sigma, method, input.dark_e_per_px_s.n)
        }
    };
    let row = |now: f64, drop: f64| {
        let dark_then = |s: State| s.dark_at(input.law.step.with(s.law).ratio(now, now - drop));
        let rho = |s: State| s.time_ratio(dark_then(s), t);
        CoolingRow {
            sensor_celsius: now - drop,
            below_now_c: drop,
            dark_e_per_px_s: dark_row(input, now - drop, evaluate(&dark_then)),
            time_ratio: told(true, evaluate(&rho), AnswersMethod::TimeRatioWhenColder),
            snr_gain: told(true, evaluate(&|s| rho(s).powf(-0.5)), AnswersMethod::SnrGainWhenColder),
        }
    };
    Cooling {
        rows: input.now_celsius.map(|now| DROPS_C.map(|drop| row(now, drop)).into()).unwrap_or_default(),
        floor_time_ratio: told(false, evaluate(&|s| s.time_ratio(0.0, t)), AnswersMethod::TimeRatioWithoutDarkCurrent),
        drop_for_5_percent_dark_c: match &noise {
            Some(because) => Quantity::not_measurable(because.clone()),
            None => sufficient_drop(input, t),
        },
        gains_under_1_percent_below_celsius: match &noise {
            Some(because) => Quantity::not_measurable(because.clone()),
            None => last_gain(input, t),
        },
        law: input.law,
        basis: Ok(CoolingBasis {
            now_celsius: input.now_celsius,
            exposure_s: exposure,
            floor_counts_as_none: !input.floor_e_per_px_s.is_known(),
            dark_current_is_assumed: input.dark_e_per_px_s.source == Source::Assumed,
            dark_current_is_negative: input.dark_e_per_px_s.value.is_some_and(|d| d < 0.0),
            no_time_ratio: noise,
        }),
    }
}

/// No table: the dark current's own reason where it tells what would help, else the darks that always do.
fn without_dark_current(input: &CoolingInput) -> Cooling {
    let because = input.dark_e_per_px_s.because();
    let because = match because.would_help().is_empty() {
        true => Missing::DarksLikeTheLights { because: Box::new(because) },
        false => Missing::input(Input::DarkCurrent, because),
    };
    let none = || Quantity::not_measurable(because.clone());
    Cooling {
        rows: Vec::new(),
        floor_time_ratio: none(),
        drop_for_5_percent_dark_c: none(),
        gains_under_1_percent_below_celsius: none(),
        law: input.law,
        basis: Err(because),
    }
}

/// Why no time ratio can be had, if so.
pub(crate) fn noise_reason(input: &CoolingInput, exposure: Option<f64>) -> Option<Missing> {
    let needed = [(Input::Sky, input.sky_e_per_px_s), (Input::ReadNoise, input.read_noise_e)];
    if let Some(because) = missing(&needed) {
        return Some(because);
    }
    if exposure.is_none() {
        return Some(Missing::ExposureTime);
    }
    let none = [input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s]
        .iter()
        .all(|q| q.value.is_none_or(|v| v <= 0.0));
    none.then(|| AnswersMissing::NoNoiseAtAll.into())
}

/// Sky, read noise, dark, floor and law as parameters; an unknown one is 0 (the results that need it are not told).
pub(crate) fn parameters(input: &CoolingInput) -> [Parameter; 5] {
    let none = Parameter { value: 0.0, sigma: 0.0, min: 0.0 };
    let quantities = [input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s, input.floor_e_per_px_s];
    let [sky, read, dark, floor] = quantities.map(|q| Parameter::of(q, 0.0).unwrap_or(none));
    [sky, read, dark, floor, input.law.step.parameter()]
}

/// Dark rate at a colder temperature, with a caution below the temperatures that were measured.
fn dark_row(input: &CoolingInput, celsius: f64, (value, sigma): (f64, Option<f64>)) -> Quantity {
    let source = weaker(input.dark_e_per_px_s.source, input.law.source);
    let method = AnswersMethod::DarkRateByLaw { step: input.law.step };
    let dark = Quantity::with(source, value, sigma, method, input.dark_e_per_px_s.n);
    match input.law.range_celsius {
        Some([low, high]) if celsius < low => {
            dark.noted(AnswersNote::ColderThanMeasured { low_celsius: low, high_celsius: high })
        }
        _ => dark,
    }
}

/// Drop after which dark current adds [`DARK_NOISE_SHARE`] to the noise of sky and reading.
///
/// Formula: `D_max = ((1 + f)^2 - 1)(B + R^2/t)`; the drop at which the law reaches it (derived).
fn sufficient_drop(input: &CoolingInput, exposure_s: f64) -> Quantity {
    let Some(now) = input.now_celsius else {
        return Quantity::not_measurable(Missing::SensorTemperature);
    };
    let parameters = parameters(input);
    let drop = |p: &[f64]| {
        let allowed = tolerable_dark(p[0], p[1], exposure_s, DARK_NOISE_SHARE);
        match (p[2], p[3]) {
            (dark, _) if dark <= allowed => 0.0,
            (_, floor) if floor >= allowed => f64::NAN,
            (dark, floor) => input.law.step.with(p[4]).drop_c(now, (allowed - floor) / (dark - floor)),
        }
    };
    let (value, sigma) = propagate(&parameters, drop);
    if !value.is_finite() {
        return Quantity::not_measurable(AnswersMissing::DarkCurrentThatDoesNotCool);
    }
    let inputs = [input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s];
    let source = weaker(weakest(&inputs), input.law.source);
    let told = Quantity::with(source, value, sigma, AnswersMethod::DropForDarkShare, inputs[2].n);
    if value == 0.0 { told.noted(AnswersNote::DarkCurrentAlreadyLow) } else { told }
}

/// Sensor temperature below which more cooling saves less than [`LAST_SAVING`] of the time.
///
/// Formula: the thermal part x is then that share of the whole, `x = s/(1 - s) (B + F + R^2/t)` with F what does not cool
/// (derived).
fn last_gain(input: &CoolingInput, exposure_s: f64) -> Quantity {
    let Some(now) = input.now_celsius else {
        return Quantity::not_measurable(Missing::SensorTemperature);
    };
    let celsius = |p: &[f64]| {
        let floor = p[3].min(p[2]);
        let (thermal, rest) = (p[2] - floor, variance_rate(0.0, p[0], floor, p[1], exposure_s));
        let allowed = LAST_SAVING / (1.0 - LAST_SAVING) * rest;
        if thermal <= allowed { now } else { now - input.law.step.with(p[4]).drop_c(now, allowed / thermal) }
    };
    let (value, sigma) = propagate(&parameters(input), celsius);
    let inputs = [input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s];
    let source = weaker(weakest(&inputs), input.law.source);
    let told = Quantity::with(source, value, sigma, AnswersMethod::LastGain, inputs[2].n);
    match input.law.range_celsius {
        _ if value >= now => told.noted(AnswersNote::NothingMoreToGain),
        Some([low, _]) if value < low => told.noted(AnswersNote::BelowTheMeasuredRange { low_celsius: low }),
        _ => told,
    }
}

#[cfg(test)]
mod tests {
    use super::super::thermal::ThermalStep;
    use super::*;
    use crate::facts::{Help, Method};

    fn measured(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, Method::NotMeasurable, 5)
    }

    fn energy(ev: f64, sigma_ev: f64) -> CoolingLaw {
        CoolingLaw {
            step: ThermalStep::ActivationEnergy { ev, sigma_ev },
            source: Source::Measured,
            range_celsius: Some([-5.0, 20.0]),
        }
    }

    fn doubling(celsius: f64, sigma_c: f64) -> CoolingLaw {
        CoolingLaw { step: ThermalStep::Doubling { celsius, sigma_c }, source: Source::Measured, range_celsius: None }
    }

    fn table(sky: &Quantity, read: &Quantity, dark: &Quantity, floor: &Quantity, law: CoolingLaw) -> Cooling {
        cooling(&CoolingInput {
            sky_e_per_px_s: sky,
            read_noise_e: read,
            exposure_s: Some(120.0),
            now_celsius: Some(15.0),
            dark_e_per_px_s: dark,
            floor_e_per_px_s: floor,
            law,
        })
    }

    fn usual(law: CoolingLaw) -> Cooling {
        table(&measured(0.5, 0.02), &measured(3.0, 0.1), &measured(0.5, 0.03), &measured(0.0, 0.0), law)
    }

    #[test]
    fn table_of_a_constant_doubling_step() {
        // Check value C6.4 has S = 0.02: it counts like sky in the variance, so a sky of 0.52 is the same case.
        let none = measured(0.0, 0.0);
        let c = table(&measured(0.52, 0.0), &measured(3.0, 0.0), &measured(0.5, 0.0), &none, doubling(6.3, 0.0));
        for (drop, rho) in [
            (5.0, 0.806_796),
            (10.0, 0.695_339),
            (13.5, 0.646_772),
            (20.0, 0.593_950),
            (30.0, 0.560_209),
            (40.0, 0.548_980),
        ] {
            let row = c.rows.iter().find(|r| r.below_now_c == drop).unwrap();
            assert!((row.time_ratio.value.unwrap() - rho).abs() < 1e-6);
            assert_eq!(row.time_ratio.sigma, None);
        }
    }

    #[test]
    fn drop_after_which_dark_current_hardly_counts() {
        // Check value C6.6.
        let drop = usual(doubling(6.3, 0.2)).drop_for_5_percent_dark_c;
        assert!((drop.value.unwrap() - 19.433_42).abs() < 1e-5);
        assert!(drop.sigma.unwrap() > 0.0);
    }

    #[test]
    fn beyond_the_last_gain_even_no_dark_current_saves_less_than_1_percent() {
        // By hand: B + R^2/t = 0.575, so the dark current there is 0.575/99, log2(0.5 99/0.575) steps of 6.3 C below 15 C.
        let c = usual(doubling(6.3, 0.2));
        let by_hand = 15.0 - 6.3 * (0.5 * 99.0 / 0.575_f64).log2();
        let got = &c.gains_under_1_percent_below_celsius;
        assert!((got.value.unwrap() - by_hand).abs() < 1e-9 && got.sigma.unwrap() > 0.0, "{got:?}");
        let cold = table(
            &measured(0.5, 0.0),
            &measured(3.0, 0.0),
            &measured(0.001, 0.0),
            &measured(0.0, 0.0),
            energy(0.63, 0.0),
        );
        assert_eq!(cold.gains_under_1_percent_below_celsius.notes, [AnswersNote::NothingMoreToGain.into()]);
    }

    #[test]
    fn drawn_errors_agree_with_first_order_ones() {
        let (sky, read, dark) = (measured(0.5, 0.01), measured(3.0, 0.05), measured(0.5, 0.015));
        let c = table(&sky, &read, &dark, &measured(0.02, 0.002), energy(0.63, 0.01));
        for (drop, row) in DROPS_C.iter().zip(&c.rows) {
            let parameters = [(0.5, 0.01), (3.0, 0.05), (0.5, 0.015), (0.02, 0.002), (0.63, 0.01)]
                .map(|(value, sigma)| Parameter { value, sigma, min: 0.0 });
            let (value, sigma) = propagate(&parameters, |p| {
                let warmth = 1.0 / 288.15 - 1.0 / (288.15 - drop);
                let then = p[3] + (p[2] - p[3]) * (p[4] / 8.617_333_262e-5 * warmth).exp();
                (p[0] + then + p[1] * p[1] / 120.0) / (p[0] + p[2] + p[1] * p[1] / 120.0)
            });
            assert!((row.time_ratio.value.unwrap() - value).abs() < 1e-12);
            // 4000 draws know their spread to 1.1 %; four times that, and 1 % for the second order.
            assert!((row.time_ratio.sigma.unwrap() / sigma.unwrap() - 1.0).abs() < 0.055);
        }
    }

    #[test]
    fn colder_is_never_worse_and_the_limit_is_never_passed() {
        for law in [energy(0.63, 0.02), doubling(6.5, 1.0), CoolingLaw::assumed()] {
            let c = usual(law);
            let ratios: Vec<f64> = c.rows.iter().map(|r| r.time_ratio.value.unwrap()).collect();
            assert!(ratios.windows(2).all(|w| w[1] < w[0]) && ratios[0] < 1.0);
            assert!(ratios.iter().all(|r| *r > c.floor_time_ratio.value.unwrap()));
            assert!(c.rows.windows(2).all(|w| w[1].snr_gain.value > w[0].snr_gain.value));
        }
    }

    #[test]
    fn a_part_that_does_not_cool_stays() {
        let floor = measured(0.2, 0.01);
        let c = table(&measured(0.5, 0.02), &measured(3.0, 0.1), &measured(0.5, 0.03), &floor, energy(0.7, 0.02));
        let last = c.rows.last().unwrap().dark_e_per_px_s.value.unwrap();
        assert!(last > 0.2 && last < 0.22, "{last}");
        assert_eq!(c.drop_for_5_percent_dark_c.because(), AnswersMissing::DarkCurrentThatDoesNotCool.into());
    }

    #[test]
    fn the_same_input_gives_the_same_table() {
        assert_eq!(usual(CoolingLaw::assumed()), usual(CoolingLaw::assumed()));
    }

    #[test]
    fn an_assumed_step_marks_every_row_but_not_the_limit() {
        let c = usual(CoolingLaw::assumed());
        assert!(c.rows.iter().all(|r| r.time_ratio.source == Source::Assumed));
        assert_eq!(c.floor_time_ratio.source, Source::Measured);
        assert_eq!(c.law.source, Source::Assumed);
    }

    #[test]
    fn rows_below_the_measured_range_are_noted() {
        let c = usual(energy(0.63, 0.01));
        for r in &c.rows {
            assert_eq!(!r.dark_e_per_px_s.notes.is_empty(), r.sensor_celsius < -5.0);
        }
    }

    #[test]
    fn without_a_dark_current_there_is_no_table_and_what_helps_is_what_its_reason_tells() {
        let without = |because: Missing| {
            let none = Quantity::not_measurable(because);
            let c = table(&measured(0.5, 0.02), &measured(3.0, 0.1), &none, &none, CoolingLaw::assumed());
            assert!(c.rows.is_empty());
            assert_eq!(c.basis, Err(c.floor_time_ratio.because()));
            c.floor_time_ratio.because()
        };
        // A reason that names nothing to take: the darks that always help are.
        let nothing = without(Missing::Unstated);
        assert_eq!(nothing, Missing::DarksLikeTheLights { because: Box::new(Missing::Unstated) });
        assert_eq!(nothing.would_help(), [Help::Dark, Help::Bias, Help::Flat]);
        let warm = without(Missing::SensorTemperature);
        assert_eq!(warm, Missing::input(Input::DarkCurrent, Missing::SensorTemperature));
        assert_eq!(warm.would_help(), Missing::SensorTemperature.would_help());
    }

    #[test]
    fn without_a_sky_the_dark_rates_stand_alone() {
        let none = Quantity::not_measurable(Missing::ExposureTime);
        let c = table(&none, &measured(3.0, 0.1), &measured(0.5, 0.03), &measured(0.0, 0.0), energy(0.63, 0.01));
        assert!(c.rows.iter().all(|r| r.dark_e_per_px_s.is_known() && !r.time_ratio.is_known()));
        let because = Missing::input(Input::Sky, Missing::ExposureTime);
        assert_eq!(c.rows[0].time_ratio.because(), because);
        assert_eq!(c.basis.unwrap().no_time_ratio, Some(because));
    }

    #[test]
    fn without_a_temperature_only_the_limit_is_told() {
        let (sky, read, dark) = (measured(0.5, 0.02), measured(3.0, 0.1), measured(0.5, 0.03));
        let c = cooling(&CoolingInput {
            sky_e_per_px_s: &sky,
            read_noise_e: &read,
            exposure_s: Some(120.0),
            now_celsius: None,
            dark_e_per_px_s: &dark,
            floor_e_per_px_s: &Quantity::not_measurable(Missing::Unstated),
            law: CoolingLaw::assumed(),
        });
        assert!(c.rows.is_empty() && c.floor_time_ratio.is_known());
        let basis = c.basis.unwrap();
        assert!(basis.now_celsius.is_none() && basis.floor_counts_as_none);
    }

    #[test]
    fn a_dark_current_of_almost_nothing_keeps_its_draws_above_zero() {
        let dark = measured(-0.001, 0.004);
        let c = table(&measured(0.5, 0.02), &measured(3.0, 0.1), &dark, &measured(0.0, 0.0), energy(0.63, 0.01));
        assert_eq!(c.floor_time_ratio.value, Some(1.0));
        assert!(c.floor_time_ratio.sigma.unwrap() > 0.0);
        assert!(c.basis.unwrap().dark_current_is_negative);
        assert_eq!(c.drop_for_5_percent_dark_c.value, Some(0.0));
    }
}
