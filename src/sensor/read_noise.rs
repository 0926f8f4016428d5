//! Read noise, bias level and what else the bias frames say, over all their temperatures.

use crate::quantity::Quantity;

use super::bias::{BiasSet, shared_frame_factor};
use super::codes::FLOOR_FRACTION;
use super::gain::weighted_mean;
use super::rates::bias_wander;

/// Read noise below this share of the step between codes cannot be told from the rounding, whose error then depends on
/// where the level lies between two codes (0.3 reads 0.31 or 0.50, Monte Carlo outside this project).
const LEAST_STEP_SHARE: f64 = 0.5;
/// Relative error allowed to that limit: the variance of a noise of half a step is good to this.
const STEP_SHARE_MARGIN: f64 = 0.02;

/// Everything in ADU that the bias frames give.
pub(super) struct BiasOutcome {
    pub read_noise_adu: Quantity,
    pub row_noise_adu: Quantity,
    pub fixed_pattern_adu: Quantity,
    pub level_adu: Quantity,
    pub floor_fraction: Option<f64>,
    /// What the user must hear about the offset.
    pub floor_message: Option<String>,
}

/// Square root of a variance with its error.
fn root(variance: f64, sigma: f64) -> (f64, f64) {
    let value = variance.max(0.0).sqrt();
    (value, if value > 0.0 { sigma / (2.0 * value) } else { sigma.sqrt() })
}

/// Puts the bias sets together; `step` is the step between codes, 0 for continuous data.
pub(super) fn derive(sets: &[BiasSet], step: u32) -> BiasOutcome {
    let two = "two bias frames or more would supply it";
    let mut out = BiasOutcome {
        read_noise_adu: Quantity::not_measurable(two),
        row_noise_adu: Quantity::not_measurable(two),
        fixed_pattern_adu: Quantity::not_measurable(two),
        level_adu: level(sets),
        floor_fraction: sets.iter().filter_map(|s| Some(s.floor?.fraction)).reduce(f64::max),
        floor_message: None,
    };
    let q = f64::from(step);
    let rounding = q * q / 12.0;
    let pairs: Vec<(f64, f64)> = sets.iter().flat_map(|s| &s.pairs).map(|p| (p.variance, p.sigma.max(1e-9))).collect();
    if let Some((variance, sigma)) = weighted_mean(&pairs) {
        out.read_noise_adu = from_pairs(variance - rounding, sigma * shared_frame_factor(pairs.len()), q, pairs.len());
        let rows: Vec<f64> = sets.iter().flat_map(|s| s.row_variance.iter().copied()).collect();
        let row_variance = rows.iter().sum::<f64>() / rows.len() as f64;
        out.row_noise_adu = Quantity::with(
            crate::quantity::Source::Measured,
            row_variance.sqrt(),
            None,
            "scatter of the row means of bias pairs beyond what pixel noise explains; n counts pairs",
            rows.len(),
        );
        let pattern: Vec<f64> =
            sets.iter().filter(|s| !s.pairs.is_empty()).filter_map(|s| s.single_frame_variance).collect();
        let single = pattern.iter().sum::<f64>() / pattern.len().max(1) as f64;
        out.fixed_pattern_adu = Quantity::with(
            crate::quantity::Source::Measured,
            (single - variance - row_variance).max(0.0).sqrt(),
            None,
            "scatter within one bias frame less that of pairs; n counts bias frames",
            pattern.len(),
        );
    } else if let Some(single) = sets.iter().find_map(|s| s.single_frame_variance) {
        let value = (single - rounding).max(0.0).sqrt();
        out.read_noise_adu =
            Quantity::with(crate::quantity::Source::Measured, value, None, "scatter within one bias frame", 1).noted(
                "upper limit: it contains the fixed pattern; a second bias frame would supply the read noise itself",
            );
    }
    note_floor(&mut out, sets);
    out
}

fn from_pairs(variance: f64, sigma: f64, q: f64, n: usize) -> Quantity {
    let method = "pairs of bias frames, difference over sqrt 2, step^2/12 taken off; n counts pairs";
    let (value, error) = root(variance, sigma);
    if q > 0.0 && value < LEAST_STEP_SHARE * q * (1.0 - STEP_SHARE_MARGIN) {
        let limit = LEAST_STEP_SHARE * q;
        return Quantity::measured(limit, limit / 2.0, method, n).noted(format!(
            "quantisation-limited: at most {limit} ADU, half a step between codes; {value:.2} ADU was read"
        ));
    }
    Quantity::measured(value, error, method, n)
}

fn level(sets: &[BiasSet]) -> Quantity {
    let levels: Vec<f64> = sets.iter().flat_map(|s| s.levels.iter().map(|l| l.0)).collect();
    let Some((mean, std)) = crate::stats::mean_and_std(&levels) else {
        return Quantity::not_measurable("bias frames would supply it");
    };
    let n = levels.len();
    let statistical = sets.iter().flat_map(|s| s.levels.iter().map(|l| l.1)).fold(0.0, f64::max);
    let sigma = (n > 1).then(|| (std * (n as f64 / (n as f64 - 1.0)).sqrt()).max(statistical));
    let method = "mean of the frames' clipped means, sigma is the wander of one frame; n counts bias frames";
    let quantity = Quantity::with(crate::quantity::Source::Measured, mean, sigma, method, n);
    match bias_wander(sets).filter(|_| sets.len() > 1) {
        Some(wander) => quantity.noted(format!("at one temperature the level wanders by {wander:.2} ADU")),
        None => quantity,
    }
}

/// Replaces the read noise by the estimate behind the floor where pixels pile up at the lowest code.
fn note_floor(out: &mut BiasOutcome, sets: &[BiasSet]) {
    let worst = sets.iter().filter_map(|s| s.floor).filter(|f| f.censored.is_some());
    let Some(floor) = worst.max_by(|a, b| a.fraction.total_cmp(&b.fraction)) else { return };
    let Some((_, sigma)) = floor.censored.filter(|_| floor.fraction > FLOOR_FRACTION) else { return };
    let percent = 100.0 * floor.fraction;
    let apparent =
        out.read_noise_adu.value.map_or(String::new(), |v| format!("; the pairs' {v:.2} ADU is a lower limit"));
    let message = format!("offset too low: {percent:.1} % of the bias pixels sit at the lowest code{apparent}");
    out.read_noise_adu = Quantity::with(
        crate::quantity::Source::Measured,
        sigma,
        None,
        "normal law behind the censored histogram of one bias frame, fixed pattern included",
        1,
    )
    .noted(message.clone());
    out.floor_message = Some(message);
}

#[cfg(test)]
mod tests {
    use super::*;

    // C4.8: EMVA 1288, dark noise of 3.2 DN at K = 0.8 DN/e-, evaluated outside this project.
    #[test]
    fn c4_8_rounding_is_taken_off_the_dark_noise() {
        let noise = from_pairs(3.2 * 3.2 - 1.0 / 12.0, 0.01, 1.0, 1).scaled(1.0 / 0.8);
        assert!((noise.value.unwrap() - 3.983_690).abs() < 1e-6);
        // The error of a root: half the relative error of the variance.
        assert!((noise.sigma.unwrap() - 0.01 / (2.0 * 3.186_952) / 0.8).abs() < 1e-7);
    }

    #[test]
    fn a_noise_below_half_a_code_is_given_as_a_limit() {
        let limit = from_pairs(0.04, 0.001, 1.0, 3);
        assert_eq!(limit.value, Some(0.5));
        assert!(limit.note.unwrap().contains("quantisation-limited"));
        // Continuous data have no codes.
        assert_eq!(from_pairs(0.04, 0.001, 0.0, 3).note, None);
    }
}
