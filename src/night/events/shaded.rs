//! Lights a part of whose frame was kept from the sky: a half-open shutter, the dome, a cap, a tree.

use super::course::Course;
use crate::facts::LeftOut;
use crate::facts::happening::{Happening, What};
use crate::stars::SKY_BLOCKS;
use crate::stats::median;

/// Light of a block over the frame's brightest, both over the session's, from which it is shaded: gradients of the Moon, of a town or of
/// twilight stay above it (common practice, no source).
const SHADED_SHARE: f64 = 0.5;
/// Sky of a block, in noise of one pixel, from which its share can be told: the level of a block is good to a hundredth of that.
const LEAST_SKY_SIGMAS: f64 = 0.2;

/// Lights with a shaded part.
pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let skies: Vec<Option<[f64; SKY_BLOCKS]>> = (0..course.moments.len()).map(|i| blocks(course, i)).collect();
    let of_block = |k: usize| median(&skies.iter().flatten().map(|sky| sky[k]).collect::<Vec<_>>()).unwrap_or(0.0);
    let usual: [f64; SKY_BLOCKS] = std::array::from_fn(of_block);
    let sigmas: Vec<f64> = course.lights.iter().map(|l| l.stars.sky_sigma_adu).collect();
    let noise = median(&sigmas).unwrap_or(0.0);
    if usual.iter().any(|sky| *sky < LEAST_SKY_SIGMAS * noise) {
        return vec![None; skies.len()];
    }
    let why = |sky: &Option<[f64; SKY_BLOCKS]>| {
        let percent_of_frame = 100.0 * shaded(sky.as_ref()?, &usual);
        (percent_of_frame > 0.0).then_some(LeftOut::Shaded { percent_of_frame })
    };
    skies.iter().map(why).collect()
}

pub fn happenings(course: &Course) -> Vec<Happening> {
    let percent = |i: usize| match course.lights[i].excluded {
        Some(LeftOut::Shaded { percent_of_frame }) => Some(percent_of_frame),
        _ => None,
    };
    let told = |run: std::ops::Range<usize>| {
        let frame_percent = run.clone().filter_map(percent).fold(0.0, f64::max);
        let lights = run.len();
        course.happening(run, What::Shaded { frame_percent }, lights)
    };
    course.runs(|i| percent(i).is_some()).into_iter().filter_map(told).collect()
}

/// Sky above the bias in the blocks of a light; `None` where either is not known.
fn blocks(course: &Course, i: usize) -> Option<[f64; SKY_BLOCKS]> {
    let stars = &course.lights[i].stars;
    let bias = stars.sky_adu - course.moments[i].sky_adu?;
    Some(stars.sky_blocks_adu.map(|level| level - bias))
}

/// Part of the frame whose sky is far below what the rest lets expect.
fn shaded(sky: &[f64; SKY_BLOCKS], usual: &[f64; SKY_BLOCKS]) -> f64 {
    let shares: [f64; SKY_BLOCKS] = std::array::from_fn(|k| sky[k] / usual[k]);
    // The second brightest: a lamp or a planet may light one.
    let mut sorted = shares;
    sorted.sort_by(f64::total_cmp);
    let open = sorted[SKY_BLOCKS - 2];
    shares.iter().filter(|share| **share < SHADED_SHARE * open).count() as f64 / SKY_BLOCKS as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dark_part_is_shade_and_a_slope_is_none() {
        let usual: [f64; SKY_BLOCKS] = std::array::from_fn(|k| 300.0 - 5.0 * k as f64);
        let half = std::array::from_fn(|k| if k < 8 { 4.0 } else { usual[k] });
        assert_eq!(shaded(&half, &usual), 0.5);
        let slope = std::array::from_fn(|k| usual[k] * (1.0 + 0.04 * k as f64));
        assert_eq!(shaded(&slope, &usual), 0.0);
        // A brighter sky as a whole.
        assert_eq!(shaded(&usual.map(|sky| 7.0 * sky), &usual), 0.0);
    }
}
