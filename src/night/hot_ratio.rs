//! How bright a light's hot pixels are beside those of the darks: a thermometer where no card tells a temperature.

use crate::fits::Pixels;
use crate::sensor::{Defect, DefectKind, DefectMap};
use crate::stats::{median, median_with_error};

/// Hot pixels that are read, and the fewest that tell.
const MOST: usize = 400;
const LEAST: usize = 20;
/// Excess of one over the read noise from which it stands out of a sky as well.
const LEAST_SIGMAS: f64 = 20.0;
/// Highest excess, ADU: brighter ones may clip or be no longer linear.
const MOST_ADU: f64 = 15_000.0;
/// Distance of the pixels that a hot one is held against, px: of its own colour under a mosaic.
const APART: usize = 2;

/// A hot pixel and what the darks make of it in the exposure of a light, ADU.
pub type Expected = (u32, f32);

/// The hot pixels of a map that a light of so many seconds is read at, evenly over all that serve.
pub fn expected(map: &DefectMap, seconds: f64, read_noise_adu: f64) -> Vec<Expected> {
    let excess = |d: &Defect| f64::from(d.excess_adu_per_s) * seconds;
    let serves =
        |d: &&Defect| d.kind == DefectKind::Hot && (LEAST_SIGMAS * read_noise_adu..MOST_ADU).contains(&excess(d));
    let all: Vec<Expected> = map.defects.iter().filter(serves).map(|d| (d.index, excess(d) as f32)).collect();
    let step = all.len().div_ceil(MOST).max(1);
    all.into_iter().step_by(step).collect()
}

/// Their brightness in a light over that, with its error; `None` of too few.
pub fn ratio(plane: &Pixels, expected: &[Expected]) -> Option<(f64, f64)> {
    let (rows, columns) = plane.dim();
    let of = |(index, want): &Expected| {
        let (x, y) = (*index as usize % columns, *index as usize / columns);
        let inside = |v: usize, end: usize| v >= APART && v + APART < end;
        if !inside(x, columns) || !inside(y, rows) {
            return None;
        }
        let steps = [-1isize, 0, 1].map(|s| s * APART as isize);
        let around = steps.iter().flat_map(|dy| steps.iter().map(move |dx| (*dx, *dy))).filter(|at| *at != (0, 0));
        let near: Vec<f64> =
            around.map(|(dx, dy)| plane.at(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy))).collect();
        Some((plane.at(x, y) - median(&near)?) / f64::from(*want))
    };
    let ratios: Vec<f64> = expected.iter().filter_map(of).filter(|r| r.is_finite()).collect();
    (ratios.len() >= LEAST).then(|| median_with_error(&ratios)).flatten()
}
