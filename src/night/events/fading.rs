//! Stars that lose light: steadily while they grow wider, as when dew settles; or for a while, as behind cloud.

use std::ops::Range;

use super::course::{Course, Moment};
use super::steady::{slope, steadiest};
use crate::facts::LeftOut;
use crate::facts::happening::{Happening, What};
use crate::facts::left_out::CloudSign;
use crate::stats::median;

/// Loss of light along a steady fall from which it is told: a quarter.
const LEAST_LOSS: f64 = 0.25;
/// Growth of the width that goes with it, and the share of its variance that is steady: cloud takes light and leaves the width.
const LEAST_GROWTH: f64 = 0.08;
const STEADY_GROWTH: f64 = 0.5;
/// Light under which a light of such a stretch is left out, over the session's median.
const FADED_SHARE: f64 = 0.5;
/// Fewest lights outside such a stretch whose median is the usual light.
const LEAST_CLEAR: usize = 3;
/// Light under which cloud is told, over the session's median.
const CLOUD_TOLD: f64 = 0.8;
/// Light that the air takes for each airmass, magnitudes: more than over most sites, so that a target that sets is not taken for dew.
/// Common practice, no source.
const EXTINCTION_MAG: f64 = 0.4;

/// What a steady fall shows.
struct Fade {
    /// Places in the course.
    stretch: Range<usize>,
    light_left: f64,
    wider: f64,
    for_height: bool,
}

/// Lights in which less than half of the light is left.
pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let fade = fade(course);
    let shares = shares(&course.moments, fade.as_ref());
    let why = |(i, share): (usize, &Option<f64>)| {
        let inside = fade.as_ref().is_some_and(|f| f.stretch.contains(&i));
        let share = share.filter(|share| inside && *share < FADED_SHARE)?;
        Some(LeftOut::Fading { percent_of_session: 100.0 * share })
    };
    shares.iter().enumerate().map(why).collect()
}

pub fn happenings(course: &Course) -> Vec<Happening> {
    let fade = fade(course);
    let faded = |i: &usize| matches!(course.lights[*i].excluded, Some(LeftOut::Fading { .. } | LeftOut::Clouded(_)));
    let fading = fade.as_ref().and_then(|f| {
        let what = What::Fading {
            light_left_percent: 100.0 * f.light_left,
            wider_percent: 100.0 * f.wider,
            for_height: f.for_height,
        };
        course.happening(f.stretch.clone(), what, f.stretch.clone().filter(faded).count())
    });
    let shares = shares(&course.moments, fade.as_ref());
    let left_out = |i: usize| matches!(course.lights[i].excluded, Some(LeftOut::Clouded(_)));
    let clouded = |i: usize| {
        let thin = course.lights[i].excluded.is_none() && shares[i].is_some_and(|share| share < CLOUD_TOLD);
        let dew = fade.as_ref().is_some_and(|f| f.stretch.contains(&i));
        !dew && (left_out(i) || thin)
    };
    let cloud = |run: Range<usize>| {
        let share = |i: usize| match &course.lights[i].excluded {
            Some(LeftOut::Clouded(CloudSign::FewStars { stars, session_stars })) => {
                Some(shares[i].unwrap_or(1.0).min(*stars as f64 / session_stars))
            }
            _ => shares[i],
        };
        let least = run.clone().filter_map(share).fold(1.0, f64::min);
        let out = run.clone().filter(|i| left_out(*i)).count();
        course.happening(run, What::Cloud { light_left_percent: 100.0 * least }, out)
    };
    course.runs(clouded).into_iter().filter_map(cloud).chain(fading).collect()
}

/// Light of the stars of each over the median, what the air takes allowed for; of lights outside a steady fall where there are some.
fn shares(moments: &[Moment], fade: Option<&Fade>) -> Vec<Option<f64>> {
    let lights: Vec<Option<f64>> = moments.iter().map(|m| Some(ln_light(m)?.exp())).collect();
    let outside = |i: &usize| fade.is_none_or(|f| !f.stretch.contains(i));
    let clear: Vec<f64> = (0..lights.len()).filter(outside).filter_map(|i| lights[i]).collect();
    let usual = if clear.len() < LEAST_CLEAR {
        median(&lights.iter().copied().flatten().collect::<Vec<_>>())
    } else {
        median(&clear)
    };
    lights.iter().map(|light| Some((*light)? / usual?)).collect()
}

/// Logarithm of the light above the air, where the height is known.
fn ln_light(moment: &Moment) -> Option<f64> {
    let taken_mag = moment.airmass.map_or(0.0, |airmass| EXTINCTION_MAG * (airmass - 1.0));
    Some(moment.flux?.ln() + 0.4 * 10f64.ln() * taken_mag)
}

/// The steady fall of the light of a course's stars while they grow wider.
fn fade(course: &Course) -> Option<Fade> {
    // Lights that were left out for another reason say nothing of the air.
    let counts = |i: &usize| {
        use LeftOut::{Clouded, Fading, Soft};
        matches!(course.lights[*i].excluded, None | Some(Fading { .. } | Soft { .. } | Clouded(_)))
    };
    let known: Vec<(usize, f64, f64, f64)> = (0..course.moments.len())
        .filter(counts)
        .filter_map(|i| {
            let moment = &course.moments[i];
            Some((i, course.seconds(i)?, ln_light(moment)?, moment.ln_width()?))
        })
        .collect();
    let light: Vec<(f64, f64)> = known.iter().map(|(_, t, light, _)| (*t, *light)).collect();
    let found = steadiest(&light, -(1.0 - LEAST_LOSS).ln())?;
    let inside = &known[found.stretch.clone()];
    let widths: Vec<(f64, f64)> = inside.iter().map(|(_, t, _, width)| (*t, *width)).collect();
    let (rate, steady) = slope(&widths)?;
    let wider = (rate * (inside[inside.len() - 1].1 - inside[0].1)).exp_m1();
    let stretch = inside[0].0..inside[inside.len() - 1].0 + 1;
    let for_height = stretch.clone().all(|i| course.moments[i].airmass.is_some());
    let fade = Fade { stretch, light_left: (-found.fall).exp(), wider, for_height };
    (wider > LEAST_GROWTH && steady > STEADY_GROWTH).then_some(fade)
}
