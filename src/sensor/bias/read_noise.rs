//! Read noise, bias level and what else the bias frames say, over all their temperatures.
//!
//! EMVA 1288 (R3.1, definitions from memory) calls the temporal noise of a frame without light the dark noise, taken from
//! the difference of two frames; the variance of rounding, step^2/12, is taken off. Departures from it: the difference is
//! taken tile by tile with outliers left out, what whole rows and columns share is told apart from the pixels' own noise,
//! and where rounding or clipping bends the variance the likeliest noise behind the codes stands for it (the standard
//! gives a limit below a variance of 0.24 DN^2).

use crate::facts::sensor::{SeenInCodes, SensorMethod, SensorMissing, SensorNote};
use crate::facts::{Quantity, Source};
use crate::stats;

use super::pairs::{BiasSet, shared_frame_factor};
use super::tail::ReadNoiseTail;
use super::wander::bias_wander;
use crate::sensor::plane::codes::FLOOR_FRACTION;

/// Read noise below this share of the step between codes is given as a limit. Rounded normal noise tells itself down to a
/// fifth of a step, but the few pixels that then leave their code are as well the tail of noise that is not normal.
const LEAST_STEP_SHARE: f64 = 0.3;

/// Error of a noise of a few steps between codes, steps: 0.18 % of a noise of 0.85 steps, 0.11 % of 1.2, 0.08 % of 2 (means over 21 to 35
/// simulated cameras each, `tests/it/night_trials.rs`).
const COARSE_CODES: f64 = 0.0015;
/// Share by which noisy pixels must raise the read noise to be worth a word.
const TOLD_TAIL: f64 = 0.02;
/// Errors by which the variance over all pixels must exceed that of the ordinary ones to be told from it.
const SEEN_ERRORS: f64 = 3.0;

/// Everything in ADU that the bias frames give.
pub(crate) struct BiasOutcome {
    pub read_noise_adu: Quantity,
    pub row_noise_adu: Quantity,
    pub column_noise_adu: Quantity,
    pub fixed_pattern_adu: Quantity,
    pub level_adu: Quantity,
    /// Wander of the level from frame to frame.
    pub drift_adu: Quantity,
    pub tail: ReadNoiseTail,
    pub floor_fraction: Option<f64>,
    /// Share of pixels at the lowest code where that is so large that the user must hear about the offset.
    pub too_low: Option<f64>,
}

/// Square root of a variance with its error.
pub(crate) fn root(variance: f64, sigma: f64) -> (f64, f64) {
    let value = variance.max(0.0).sqrt();
    // Near zero the error of the root is not that of a straight line: it is at most the root of the variance's error.
    (value, if value > 0.0 { (sigma / (2.0 * value)).min(sigma.sqrt()) } else { sigma.sqrt() })
}

/// Signal at which one pixel's signal equals its noise, e-: the absolute sensitivity threshold of EMVA 1288,
/// `sqrt((s_y.dark / K)^2 + 1/4) + 1/2`, with the noise in the dark in e-, rounding included.
pub(crate) fn sensitivity_threshold(read_noise_adu: &Quantity, gain_e_per_adu: &Quantity, step: u32) -> Quantity {
    let read = read_noise_adu.times(gain_e_per_adu, SensorMethod::ReadNoiseTimesGain);
    let (Some((read_e, sigma)), Some(gain)) = (read.pair(), gain_e_per_adu.value) else {
        return Quantity::not_measurable(read.because());
    };
    let rounding_e2 = (f64::from(step) * gain).powi(2) / 12.0;
    let root = (read_e * read_e + rounding_e2 + 0.25).sqrt();
    let method = SensorMethod::SignalThatEqualsItsNoise;
    Quantity::with(read.source, root + 0.5, Some(read_e / root * sigma), method, read.n)
}

/// Puts the bias sets together; `step` is the step between codes, 0 for continuous data.
pub(crate) fn derive(sets: &[BiasSet], step: u32) -> BiasOutcome {
    let unknown = || Quantity::not_measurable(SensorMissing::NoBiasPair);
    let mut out = BiasOutcome {
        read_noise_adu: unknown(),
        row_noise_adu: unknown(),
        column_noise_adu: unknown(),
        fixed_pattern_adu: unknown(),
        level_adu: level(sets),
        drift_adu: drift(sets),
        tail: tail(sets),
        floor_fraction: sets.iter().filter_map(|s| Some(s.floor?.fraction)).reduce(f64::max),
        too_low: None,
    };
    let q = f64::from(step);
    let rounding = q * q / 12.0;
    let pairs: Vec<(f64, f64)> = sets.iter().flat_map(|s| &s.pairs).map(|p| (p.variance, p.sigma.max(1e-9))).collect();
    let fitted = sets.iter().any(|s| s.fitted > 0);
    if let Some((variance, sigma)) = weighted_mean(&pairs) {
        let shared = shared_frame_factor(pairs.len());
        let ordinary = from_pairs(variance - rounding, sigma * shared, q, pairs.len(), fitted);
        let of_all: Vec<(f64, f64)> = sets.iter().flat_map(|s| s.of_all.iter().copied()).collect();
        out.read_noise_adu = match weighted_mean(&of_all).filter(|(v, error)| v - variance > SEEN_ERRORS * error) {
            Some((all, error)) if of_all.len() == pairs.len() => {
                let told = from_pairs(all - rounding, error * shared, q, pairs.len(), fitted);
                let share = told.value.zip(ordinary.value).map_or(0.0, |(all, ordinary)| all / ordinary - 1.0);
                let note = SensorNote::NoisyPixelsRaiseIt { percent: 100.0 * share };
                if share > TOLD_TAIL { told.noted(note) } else { told }
            }
            _ => ordinary.clone(),
        };
        out.tail.ordinary_adu = ordinary;
        let lines = |of: fn(&BiasSet) -> &[(f64, f64)], method: SensorMethod| {
            let all: Vec<(f64, f64)> = sets.iter().flat_map(|s| of(s).iter().copied()).collect();
            let n = all.len() as f64;
            let mean = all.iter().map(|l| l.0).sum::<f64>() / n;
            let error = all.iter().map(|l| l.1.powi(2)).sum::<f64>().sqrt() / n * shared_frame_factor(all.len());
            let (value, sigma) = root(mean, error);
            Quantity::measured(value, sigma, method, all.len())
        };
        out.row_noise_adu = lines(|s| &s.rows, SensorMethod::ScatterOfRowMeans);
        out.column_noise_adu = lines(|s| &s.columns, SensorMethod::ScatterOfColumnMeans);
        let pattern: Vec<(f64, f64)> = sets.iter().flat_map(|s| s.pattern.iter().copied()).collect();
        let n = pattern.len().max(1) as f64;
        // All pairs see the same pattern: more of them do not sample it better.
        let (value, sigma) =
            root(pattern.iter().map(|p| p.0).sum::<f64>() / n, pattern.iter().map(|p| p.1).sum::<f64>() / n);
        out.fixed_pattern_adu = Quantity::measured(value, sigma, SensorMethod::CovarianceOfBiasPairs, pattern.len());
        if sets.iter().any(|s| s.floor.is_some_and(|f| f.censored.is_some())) {
            out.fixed_pattern_adu = out.fixed_pattern_adu.noted(SensorNote::PatternHiddenAtLowestCode);
        }
    } else if sets.iter().any(|s| s.untold > 0) {
        out.read_noise_adu = limit(q, sets.iter().map(|s| s.untold).sum(), SeenInCodes::OneCodeOrTwo);
    } else if let Some(single) = sets.iter().find_map(|s| s.single_frame_variance) {
        let value = (single - rounding).max(0.0).sqrt();
        let quantity = Quantity::with(Source::Measured, value, None, SensorMethod::ScatterWithinOneBias, 1);
        out.read_noise_adu = quantity.noted(SensorNote::FixedPatternContained);
    }
    note_floor(&mut out, sets);
    out
}

/// What short darks tell where there is no bias frame: their dark current is in it.
pub(crate) fn of_darks(set: &BiasSet, step: u32) -> BiasOutcome {
    let mut out = derive(std::slice::from_ref(set), step);
    for quantity in [&mut out.read_noise_adu, &mut out.level_adu].into_iter().filter(|q| q.is_known()) {
        quantity.notes.push(SensorNote::DarkCurrentContained { exposure_s: set.exposure_s }.into());
    }
    out
}

fn from_pairs(variance: f64, sigma: f64, q: f64, n: usize, fitted: bool) -> Quantity {
    let (value, error) = root(variance, sigma);
    // Codes as coarse as the noise leave the window's correction so far off.
    let error = error.hypot(COARSE_CODES * q.min(value));
    if q > 0.0 && value < LEAST_STEP_SHARE * q {
        return limit(q, n, SeenInCodes::Noise { adu: value });
    }
    let method = if fitted { SensorMethod::LikeliestNoiseOfBiasPairs } else { SensorMethod::BiasPairDifference };
    Quantity::measured(value, error, method, n)
}

/// The most that noise can be which the codes do not tell.
fn limit(q: f64, n: usize, seen: SeenInCodes) -> Quantity {
    let limit_adu = LEAST_STEP_SHARE * q;
    let note = SensorNote::QuantisationLimited { limit_adu, steps: LEAST_STEP_SHARE, seen };
    Quantity::measured(limit_adu, limit_adu / 2.0, SensorMethod::LimitFromBiasPairs, n).noted(note)
}

fn level(sets: &[BiasSet]) -> Quantity {
    let levels: Vec<f64> = sets.iter().flat_map(|s| s.levels.iter().map(|l| l.0)).collect();
    let Some((mean, std)) = stats::mean_and_std(&levels) else {
        return Quantity::not_measurable(SensorMissing::NoBias);
    };
    let n = levels.len();
    let statistical = sets.iter().flat_map(|s| s.levels.iter().map(|l| l.1)).fold(0.0, f64::max);
    let sigma = (n > 1).then(|| (std * (n as f64 / (n as f64 - 1.0)).sqrt()).max(statistical));
    let quantity = Quantity::with(Source::Measured, mean, sigma, SensorMethod::MeanOfBiasLevels, n);
    match bias_wander(sets).filter(|_| sets.len() > 1) {
        Some((wander_adu, _)) => quantity.noted(SensorNote::LevelWanders { wander_adu }),
        None => quantity,
    }
}

/// Standard deviation of the level from frame to frame at one temperature.
fn drift(sets: &[BiasSet]) -> Quantity {
    let Some((wander, degrees)) = bias_wander(sets) else {
        return Quantity::not_measurable(SensorMissing::NoBiasPairAtOneTemperature);
    };
    let several = sets.iter().filter(|s| s.levels.len() > 1);
    let statistical = several.flat_map(|s| &s.levels).map(|l| l.1).fold(0.0, f64::max);
    // Relative error of a deviation from as many degrees of freedom; the levels' own errors bound it from below.
    let sigma = wander.max(statistical) / (2.0 * degrees as f64).sqrt();
    Quantity::measured(wander, sigma, SensorMethod::ScatterOfBiasLevels, degrees)
}

fn tail(sets: &[BiasSet]) -> ReadNoiseTail {
    let too_few = SensorMissing::TooFewBiasesForPixels { fewest: super::tail::FEWEST_FRAMES };
    let ordinary_adu = Quantity::not_measurable(SensorMissing::NoBiasPair);
    let mut out = ReadNoiseTail { ordinary_adu, ..ReadNoiseTail::not_measurable(too_few) };
    let largest = sets.iter().filter(|s| s.pixel_noise.is_some()).max_by_key(|s| s.levels.len());
    if let Some([median, rms, noisy]) = largest.and_then(|s| s.pixel_noise.clone()) {
        (out.median_adu, out.rms_adu, out.noisy_pixel_fraction) = (median, rms, noisy);
    }
    let kurtosis: Vec<(f64, f64)> = sets.iter().flat_map(|s| s.kurtosis.iter().copied()).collect();
    out.excess_kurtosis = match weighted_mean(&kurtosis) {
        Some((value, sigma)) => Quantity::measured(
            value,
            sigma * shared_frame_factor(kurtosis.len()),
            SensorMethod::FourthMomentOfBiasPairs,
            kurtosis.len(),
        ),
        None => Quantity::not_measurable(SensorMissing::NoBiasPairWithFreeNoise),
    };
    out
}

/// Says what pixels at the lowest code mean, and stands in for the pairs where there is one frame only.
fn note_floor(out: &mut BiasOutcome, sets: &[BiasSet]) {
    let worst = sets.iter().filter_map(|s| s.floor).filter(|f| f.censored.is_some());
    let Some(floor) = worst.max_by(|a, b| a.fraction.total_cmp(&b.fraction)) else { return };
    let Some((_, sigma)) = floor.censored.filter(|_| floor.fraction > FLOOR_FRACTION) else { return };
    if sets.iter().all(|s| s.pairs.is_empty()) {
        out.read_noise_adu = Quantity::with(Source::Measured, sigma, None, SensorMethod::CensoredHistogramOfOneBias, 1);
    }
    out.read_noise_adu =
        out.read_noise_adu.clone().noted(SensorNote::OffsetTooLow { fraction_at_floor: floor.fraction });
    out.too_low = Some(floor.fraction);
}

/// Weighted mean and its error, grown by `sqrt(chi2/dof)` where that is above 1. `None` when empty.
fn weighted_mean(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weights: f64 = values.iter().map(|v| v.1.powi(-2)).sum();
    if values.is_empty() || !weights.is_finite() {
        return None;
    }
    let mean = values.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weights;
    let chi2: f64 = values.iter().map(|v| ((v.0 - mean) / v.1).powi(2)).sum();
    let grown = if values.len() > 1 { (chi2 / (values.len() - 1) as f64).max(1.0).sqrt() } else { 1.0 };
    Some((mean, grown / weights.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_that_disagree_widen_the_error() {
        let (mean, error) = weighted_mean(&[(1.0, 0.1), (2.0, 0.1)]).unwrap();
        assert!((mean - 1.5).abs() < 1e-12 && (error - 0.5).abs() < 1e-12);
    }

    // C4.8: EMVA 1288, dark noise of 3.2 DN at K = 0.8 DN/e-, evaluated outside this project.
    #[test]
    fn c4_8_rounding_is_taken_off_the_dark_noise() {
        let noise = from_pairs(3.2 * 3.2 - 1.0 / 12.0, 0.01, 1.0, 1, false).scaled(1.0 / 0.8);
        assert!((noise.value.unwrap() - 3.983_690).abs() < 1e-6);
        // The error of a root: half the relative error of the variance; with that of codes of one ADU, 0.0015 of them.
        let of_root: f64 = 0.01 / (2.0 * 3.186_952) / 0.8;
        assert!((noise.sigma.unwrap() - of_root.hypot(0.0015 / 0.8)).abs() < 1e-7);
    }

    // C4.8 goes on: 4.531129 e- for 3.2 DN at 0.8 DN/e-, evaluated outside this project.
    #[test]
    fn c4_8_least_signal() {
        let read = Quantity::measured((3.2f64 * 3.2 - 1.0 / 12.0).sqrt(), 0.01, SensorMethod::BiasPairDifference, 1);
        let least =
            sensitivity_threshold(&read, &Quantity::measured(1.25, 0.0, SensorMethod::PhotonTransferLine, 1), 1);
        assert!((least.value.unwrap() - 4.531_129).abs() < 1e-6);
    }

    #[test]
    fn a_noise_that_the_codes_do_not_tell_is_given_as_a_limit() {
        let limit = from_pairs(0.04, 0.001, 1.0, 3, true);
        assert_eq!(limit.value, Some(0.3));
        let seen = SeenInCodes::Noise { adu: 0.2 };
        let note = SensorNote::QuantisationLimited { limit_adu: 0.3, steps: 0.3, seen };
        assert_eq!(limit.notes, [note.into()]);
        // Continuous data have no codes.
        assert!(from_pairs(0.04, 0.001, 0.0, 3, false).notes.is_empty());
    }
}
