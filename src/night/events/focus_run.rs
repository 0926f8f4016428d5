//! Lights taken while the focus is sought: the stars shrink from one to the next and grow again.

use std::ops::Range;

use super::course::{Course, Moment};
use crate::facts::LeftOut;
use crate::facts::happening::{Happening, What};

use super::super::lights::MeasuredLight;

/// Fewest lights on either side of the sharpest.
const LEAST_OF_A_SIDE: usize = 2;
/// Width at both ends over that of the sharpest from which the focus was moved: air does not draw so steady a valley.
const LEAST_DEPTH: f64 = 1.5;
/// Growth from light to light that counts as none: widths scatter.
const LEVEL: f64 = 0.03;

/// The lights of all such runs; the one beside a run that is as sharp as its sharpest is none of it.
pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let widths = widths(course);
    let mut why = vec![None; course.moments.len()];
    for run in runs(&widths) {
        why[run].fill(Some(LeftOut::FocusRun));
    }
    why
}

pub fn happenings(course: &Course) -> Vec<Happening> {
    let of_run = |i: usize| course.lights[i].excluded == Some(LeftOut::FocusRun);
    let told = |run: Range<usize>| {
        let known = || run.clone().filter_map(|i| course.moments[i].fwhm_px);
        let (narrowest_px, widest_px) = (known().fold(f64::INFINITY, f64::min), known().fold(0.0, f64::max));
        let lights = run.len();
        course.happening(run.clone(), What::FocusRun { narrowest_px, widest_px }, lights)
    };
    course.runs(of_run).into_iter().filter_map(told).collect()
}

/// Widths in the order of time; rings are wider than any. Without a time there is no order.
fn widths(course: &Course) -> Vec<Option<f64>> {
    let width = |(moment, light): (&Moment, &&MeasuredLight)| {
        moment.at?;
        match light.stars.defocused {
            true => Some(f64::INFINITY),
            false => moment.fwhm_px,
        }
    };
    course.moments.iter().zip(&course.lights).map(width).collect()
}

/// Stretches whose widths fall to a least one and rise again from light to light.
fn runs(widths: &[Option<f64>]) -> Vec<Range<usize>> {
    let wider = |a: usize, b: usize| match (widths[a], widths[b]) {
        (Some(a), Some(b)) => a > (1.0 + LEVEL) * b || (a.is_infinite() && b.is_infinite()),
        _ => false,
    };
    let mut found: Vec<Range<usize>> = Vec::new();
    let mut from = 0;
    for sharpest in 0..widths.len() {
        let Some(least) = widths[sharpest].filter(|w| w.is_finite()) else { continue };
        // Lights as sharp as the sharpest may lie beside it.
        let before = (from..sharpest).rev().take_while(|i| wider(*i, i + 1)).count();
        let after = (sharpest + 1..widths.len()).take_while(|i| wider(*i, i - 1)).count();
        let deep = |i: usize| widths[i].is_some_and(|w| w > LEAST_DEPTH * least);
        let run = sharpest - before..sharpest + after + 1;
        if before.min(after) >= LEAST_OF_A_SIDE && deep(run.start) && deep(run.end - 1) {
            from = run.end;
            found.push(run);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First and last place of each run.
    fn of(widths: &[f64]) -> Vec<[usize; 2]> {
        let runs = runs(&widths.iter().map(|w| Some(*w)).collect::<Vec<_>>());
        runs.into_iter().map(|run| [run.start, run.end - 1]).collect()
    }

    #[test]
    fn a_valley_is_a_run_and_what_the_air_does_is_none() {
        assert_eq!(of(&[8.0, 6.5, 5.0, 3.8, 3.1, 3.7, 5.1, 6.6, 8.2]), [[0, 8]]);
        assert_eq!(of(&[3.0, 3.1, 8.0, 5.0, 3.1, 5.1, 8.2, 3.0, 3.05]), [[2, 6]]);
        assert_eq!(of(&[f64::INFINITY, f64::INFINITY, 5.0, 3.1, 5.1, 8.2]), [[0, 5]]);
        assert!(of(&[3.0, 3.1, 2.9, 3.2, 3.0, 3.4, 3.1]).is_empty());
        // A slow wave of the seeing; a change of focus; too few on one side.
        assert!(of(&[3.6, 3.4, 3.2, 3.0, 2.8, 3.0, 3.2, 3.4, 3.6]).is_empty());
        assert!(of(&[5.0, 5.1, 4.9, 3.0, 3.1, 2.9]).is_empty());
        assert!(of(&[8.0, 5.0, 3.0, 5.0]).is_empty());
        assert!(runs(&[Some(8.0), Some(5.0), None, Some(3.0), Some(5.0), Some(8.0)]).is_empty());
    }
}
