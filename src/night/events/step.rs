//! A star width that changes in one step: the focus was set anew or was lost, or something else blurs the stars from then on.

use super::course::Course;
use crate::facts::LeftOut;
use crate::facts::happening::{Happening, What};
use crate::stats::{mean_and_std, weighted_line};

/// Fewest lights on either side of a step.
const LEAST: usize = 3;
/// Least ratio of the widths: the air alone changes them by as much, but not in a step.
const LEAST_RATIO: f64 = 1.15;
/// Ratio from which the lights of the wider stretch do not stand for what the rig gives.
const LEFT_OUT_RATIO: f64 = 1.3;
/// Errors of the difference that a step has at least; the place of the largest of many differences is chosen.
const LEAST_SIGMAS: f64 = 6.0;
/// Share of it that lies between the two lights at its place: what the air does in a step takes several.
const SHARE_OF_JUMP: f64 = 0.6;
/// Share of the squares about a straight line that those about two levels are at most: a drift is no step.
const SHARE_OF_DRIFT: f64 = 0.4;

/// A step of the widths.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    /// Place in the course of the first light behind it.
    behind: usize,
    /// Width behind over that before, what the height of the target makes of it taken off where it is known.
    ratio: f64,
    /// Widths as they are.
    before_px: f64,
    after_px: f64,
}

/// Lights of the wider stretch on one side of a great step.
pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let mut why = vec![None; course.moments.len()];
    let usable = |i: &usize| course.lights[*i].excluded.is_none();
    let great = |step: &Step| step.ratio.max(step.ratio.recip()) >= LEFT_OUT_RATIO;
    let Some(Step { behind, ratio, before_px, after_px }) = step_among(course, usable).filter(great) else {
        return why;
    };
    let (wider, fwhm_px, other_fwhm_px) =
        if ratio < 1.0 { (0..behind, before_px, after_px) } else { (behind..why.len(), after_px, before_px) };
    for i in wider.filter(usable) {
        why[i] = Some(LeftOut::OutOfFocus { fwhm_px, other_fwhm_px });
    }
    why
}

pub fn happenings(course: &Course) -> Vec<Happening> {
    let blurred = |i: usize| matches!(course.lights[i].excluded, Some(LeftOut::OutOfFocus { .. }));
    let usable = |i: &usize| blurred(*i) || course.lights[*i].excluded.is_none();
    let told = |Step { behind, before_px, after_px, .. }: Step| {
        let left_out = (0..course.moments.len()).filter(|i| blurred(*i)).count();
        let happening = course.happening(behind..behind + 1, What::WidthStep { before_px, after_px }, left_out)?;
        let lights = (0..course.moments.len()).filter(usable).count();
        Some(Happening { lights, ..happening })
    };
    step_among(course, usable).and_then(told).into_iter().collect()
}

/// The step of the widths of the lights that count.
fn step_among(course: &Course, counts: impl Fn(&usize) -> bool) -> Option<Step> {
    let known: Vec<(usize, f64, f64)> = (0..course.moments.len())
        .filter(counts)
        .filter_map(|i| {
            let moment = &course.moments[i];
            moment.at?;
            Some((i, moment.ln_width()?, moment.fwhm_px?.ln()))
        })
        .collect();
    let (behind, [before, after]) = step(&known.iter().map(|(_, ln, _)| *ln).collect::<Vec<_>>())?;
    let px =
        |part: &[(usize, f64, f64)]| Some(mean_and_std(&part.iter().map(|(.., ln)| *ln).collect::<Vec<_>>())?.0.exp());
    let (before_px, after_px) = (px(&known[..behind])?, px(&known[behind..])?);
    Some(Step { behind: known[behind].0, ratio: (after - before).exp(), before_px, after_px })
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
    let jump = (values[behind] - values[behind - 1]) * (after - before).signum();
    let is_step = jump > SHARE_OF_JUMP * apart
        && apart > LEAST_RATIO.ln()
        && apart > LEAST_SIGMAS * error
        && left < SHARE_OF_DRIFT * drift;
    is_step.then_some((behind, [before, after]))
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::super::course::Moment;
    use super::*;

    /// Values with a scatter of 0.02 that a fixed row makes.
    fn scattered(of: impl Fn(usize) -> f64) -> Vec<f64> {
        let noise = [0.4, -1.1, 0.7, 0.2, -0.6, 1.3, -0.9, 0.1, -0.3, 0.8, -1.2, 0.5];
        noise.iter().enumerate().map(|(i, n)| of(i) + 0.02 * n).collect()
    }

    #[test]
    fn a_target_that_stands_lower_is_no_change_of_focus() {
        let step_at = |airmass: Option<f64>| {
            let moment = |(i, ln): (usize, f64)| Moment {
                place: i,
                at: Some(date(2031, 11, 2).at(20, i as i8, 0, 0)),
                sky_adu: None,
                sigma_adu: 10.0,
                e_per_adu: None,
                flux: None,
                fwhm_px: Some(ln.exp()),
                airmass: if i < 5 { airmass.map(|_| 1.0) } else { airmass },
            };
            // As much wider as 2.2 airmasses make them: 2.2^0.6 is 1.6.
            let moments = scattered(|i| if i < 5 { 1.0 } else { 1.47 }).into_iter().enumerate().map(moment).collect();
            step_among(&Course { lights: Vec::new(), moments }, |_| true)
        };
        assert_eq!(step_at(Some(2.2)), None);
        let focus = step_at(None).unwrap();
        assert!(focus.behind == 5 && (focus.ratio / 0.47f64.exp() - 1.0).abs() < 0.03, "{focus:?}");
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
