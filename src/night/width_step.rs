//! Star widths that step in the course of a session: the focus was changed, or something else that blurs the stars.

use jiff::civil::DateTime;

use super::lights::MeasuredLight;
use crate::stats::{mean_and_std, weighted_line};

/// Fewest lights on either side of a step.
const LEAST: usize = 3;
/// Least ratio of the widths: the air alone changes them by as much, but not in a step.
const LEAST_RATIO: f64 = 1.15;
/// Errors of the difference that a step has at least; the place of the largest of many differences is chosen.
const LEAST_SIGMAS: f64 = 6.0;
/// Share of the squares about a straight line that those about two levels are at most: a drift is no step.
const SHARE_OF_DRIFT: f64 = 0.4;

/// A step of the widths.
#[derive(Debug, Clone, PartialEq)]
pub struct WidthStep {
    /// Start of the first light behind it, UTC.
    pub at: DateTime,
    pub before_px: f64,
    pub after_px: f64,
}

/// The step in the widths of a session's used lights; `None` where there is none.
pub fn width_step(lights: &[&MeasuredLight]) -> Option<WidthStep> {
    let known = |l: &&MeasuredLight| Some((l.read.header.start_utc.as_ref()?.value, l.stars.fwhm_px.value?));
    let mut widths: Vec<(DateTime, f64)> = lights.iter().filter(|l| l.excluded.is_none()).filter_map(known).collect();
    widths.sort_by_key(|(at, _)| *at);
    let (behind, [before, after]) = step(&widths.iter().map(|(_, px)| px.ln()).collect::<Vec<_>>())?;
    Some(WidthStep { at: widths[behind].0, before_px: before.exp(), after_px: after.exp() })
}

/// The place of a step in a row of values, and their means before and behind it.
fn step(values: &[f64]) -> Option<(usize, [f64; 2])> {
    let squares =
        |part: &[f64]| mean_and_std(part).map_or(0.0, |(mean, _)| part.iter().map(|v| (v - mean).powi(2)).sum());
    let about_both = |k: &usize| -> f64 { squares(&values[..*k]) + squares(&values[*k..]) };
    let last = values.len().checked_sub(LEAST)?;
    let behind = (LEAST..=last).min_by(|a, b| about_both(a).total_cmp(&about_both(b)))?;
    let (one, other) = values.split_at(behind);
    let (before, after) = (mean_and_std(one)?.0, mean_and_std(other)?.0);
    let left = about_both(&behind);
    let scatter = (left / (values.len() - 2) as f64).sqrt();
    let error = scatter * ((one.len() as f64).recip() + (other.len() as f64).recip()).sqrt();
    let places: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
    let drift = weighted_line(&places, values, &vec![1.0; values.len()])?.chi2;
    let apart = (after - before).abs();
    let is_step = apart > LEAST_RATIO.ln() && apart > LEAST_SIGMAS * error && left < SHARE_OF_DRIFT * drift;
    is_step.then_some((behind, [before, after]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values with a scatter of 0.02 that a fixed row makes.
    fn scattered(of: impl Fn(usize) -> f64) -> Vec<f64> {
        let noise = [0.4, -1.1, 0.7, 0.2, -0.6, 1.3, -0.9, 0.1, -0.3, 0.8, -1.2, 0.5];
        noise.iter().enumerate().map(|(i, n)| of(i) + 0.02 * n).collect()
    }

    #[test]
    fn a_step_is_found_and_a_drift_is_none() {
        let (at, [before, after]) = step(&scattered(|i| if i < 5 { 1.0 } else { 1.3 })).unwrap();
        assert_eq!(at, 5);
        // Five and seven values of 0.02.
        assert!((before - 1.0).abs() < 0.02 && (after - 1.3).abs() < 0.02, "{before} {after}");
        assert_eq!(step(&scattered(|_| 1.0)), None);
        assert_eq!(step(&scattered(|i| 1.0 + 0.03 * i as f64)), None);
        // Small against the air's own changes; too few lights behind it.
        assert_eq!(step(&scattered(|i| if i < 5 { 1.0 } else { 1.1 })), None);
        assert_eq!(step(&scattered(|i| if i < 10 { 1.0 } else { 1.4 })), None);
        assert_eq!(step(&[1.0, 1.0]), None);
    }
}
