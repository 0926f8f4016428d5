//! A sky far brighter than the session's, as in twilight, under a lamp or the Moon; and a sky that changes steadily.

use std::ops::Range;

use super::course::{Course, Moment};
use super::steady::{Steady, steadiest};
use crate::facts::LeftOut;
use crate::facts::happening::{Happening, What};
use crate::folder::sun_altitude_deg;
use crate::frame::HIGHEST_GAIN_E_PER_ADU;
use crate::stats::median;

/// Sky over the session's median from which a light does not stand for it: the full Moon brightens a dark site's sky by less unless it
/// stands near the field (common practice, no source).
const BRIGHT_TIMES: f64 = 5.0;
/// Share of the noise that a brighter sky brings which a light must show; where the gain is not known, of the least that it brings at any.
const OF_ITS_NOISE: f64 = 0.5;
/// Sky of lights beside such ones from which they are of the same twilight.
const BESIDE_TIMES: f64 = 2.5;
/// Ratio of the skies at both ends of a steady change from which it is told.
const LEAST_DRIFT: f64 = 2.0;

/// Lights under a sky far brighter than the session's.
pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let times = over_median(&course.moments);
    let as_noisy = as_noisy_as_bright(&course.moments);
    let over = |limit: f64| -> Vec<bool> {
        times.iter().zip(&as_noisy).map(|(t, noisy)| *noisy && t.is_some_and(|t| t > limit)).collect()
    };
    let (mut bright, beside) = (over(BRIGHT_TIMES), over(BESIDE_TIMES));
    // Where the sky grows or falls towards such lights its last ones before and first ones behind belong to them.
    for i in 1..bright.len() {
        bright[i] = bright[i] || (bright[i - 1] && beside[i]);
    }
    for i in (1..bright.len()).rev() {
        bright[i - 1] = bright[i - 1] || (bright[i] && beside[i - 1]);
    }
    let why = |(times, bright): (&Option<f64>, bool)| {
        times.filter(|_| bright).map(|times_of_session| LeftOut::BrightSky { times_of_session })
    };
    times.iter().zip(bright).map(why).collect()
}

/// Bright stretches, and the steady change of what remains.
pub fn happenings(course: &Course) -> Vec<Happening> {
    let bright = |i: usize| matches!(course.lights[i].excluded, Some(LeftOut::BrightSky { .. }));
    let rest: Vec<usize> = (0..course.moments.len()).filter(|i| !bright(*i)).collect();
    let usual = median(&rest.iter().filter_map(|i| course.moments[*i].sky_adu).collect::<Vec<_>>());
    let told = |stretch: Range<usize>| {
        let skies: Vec<f64> = stretch.clone().filter_map(|i| Some(course.moments[i].sky_adu? / usual?)).collect();
        let suns = stretch.clone().filter_map(|i| sun_of(course, i));
        let what = What::BrightSky {
            least_times: skies.iter().copied().fold(f64::INFINITY, f64::min),
            most_times: skies.iter().copied().fold(0.0, f64::max),
            sun_altitude_deg: suns.reduce(f64::max),
        };
        let lights = stretch.len();
        course.happening(stretch, what, lights)
    };
    let mut found: Vec<Happening> = course.runs(bright).into_iter().filter_map(told).collect();
    found.extend(drift(course, &rest));
    found
}

/// The steady change of the sky over the lights at these places of the course.
fn drift(course: &Course, rest: &[usize]) -> Option<Happening> {
    let values: Vec<(usize, f64, f64)> = rest
        .iter()
        .filter_map(|i| Some((*i, course.seconds(*i)?, course.moments[*i].sky_adu?.ln())))
        .filter(|(_, _, ln)| ln.is_finite())
        .collect();
    let line: Vec<(f64, f64)> = values.iter().map(|(_, t, ln)| (*t, *ln)).collect();
    let change = [1.0, -1.0].into_iter().filter_map(|sign| {
        let signed: Vec<(f64, f64)> = line.iter().map(|(t, ln)| (*t, -sign * ln)).collect();
        steadiest(&signed, LEAST_DRIFT.ln()).map(|found| Steady { fall: sign * found.fall, ..found })
    });
    let found = change.max_by(|a, b| a.fall.abs().total_cmp(&b.fall.abs()))?;
    let (first, last) = (values[found.stretch.start].0, values[found.stretch.end - 1].0);
    course.happening(first..last + 1, What::SkyDrift { times: found.fall.exp() }, 0)
}

fn sun_of(course: &Course, i: usize) -> Option<f64> {
    let header = &course.lights[i].read.header;
    let (latitude, longitude) = (header.site_latitude_deg.as_ref()?, header.site_longitude_deg.as_ref()?);
    Some(sun_altitude_deg(latitude.value, longitude.value, course.moments[i].at?))
}

/// Whether the noise of each light grew as its level did over the medians: a level that an offset raised brought no noise.
fn as_noisy_as_bright(moments: &[Moment]) -> Vec<bool> {
    let middle = |of: &dyn Fn(&Moment) -> Option<f64>| median(&moments.iter().filter_map(of).collect::<Vec<_>>());
    let (sky, sigma) = (middle(&|m| m.sky_adu), middle(&|m| Some(m.sigma_adu)));
    let grew = |m: &Moment| {
        let more = m.sky_adu? - sky?;
        let noise = m.sigma_adu.powi(2) - sigma?.powi(2);
        Some(more <= 0.0 || noise > OF_ITS_NOISE * more / m.e_per_adu.unwrap_or(HIGHEST_GAIN_E_PER_ADU))
    };
    moments.iter().map(|m| grew(m).unwrap_or(false)).collect()
}

/// Sky of each light over their median; `None` where it is not known.
fn over_median(moments: &[Moment]) -> Vec<Option<f64>> {
    let usual = median(&moments.iter().filter_map(|m| m.sky_adu).collect::<Vec<_>>());
    moments.iter().map(|m| Some(m.sky_adu? / usual?)).collect()
}
