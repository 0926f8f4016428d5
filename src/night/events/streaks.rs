//! Lines across lights, as satellites and aircraft draw.

use super::course::Course;
use crate::facts::happening::{Happening, What};
use crate::stars::StarFlag;
use crate::stats::median;

/// Peaks on lines, beyond those that the session's lights have, from which one passed: a spike of a bright star or two touching cosmic rays
/// make fewer, columns that a bright star bleeds into are in all lights.
const LEAST_PEAKS: f64 = 5.0;

pub fn happenings(course: &Course) -> Vec<Happening> {
    let peaks = |i: usize| course.lights[i].stars.flags.get(&StarFlag::Streak).map_or(0.0, |n| *n as f64);
    let usual = median(&(0..course.moments.len()).map(peaks).collect::<Vec<_>>()).unwrap_or(0.0);
    let has = |i: &usize| peaks(*i) >= usual + LEAST_PEAKS;
    let with: Vec<usize> = (0..course.moments.len()).filter(has).collect();
    let (Some(first), Some(last)) = (with.first(), with.last()) else { return Vec::new() };
    let told = course.happening(*first..last + 1, What::Streaks, 0);
    told.map(|h| Happening { lights: with.len(), ..h }).into_iter().collect()
}
