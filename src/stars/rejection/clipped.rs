//! The level at which a frame's pixels are clipped, from the frame itself.

use crate::frame::Lattice;

use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Peaks looked at, brightest first: where they are not clipped, no fainter one is.
const BRIGHTEST: usize = 200;
/// Columns and rows on either side of a peak that its clipped core may fill, px.
const REACH_PX: usize = 4;
/// Pixels at the highest code, each beside another such one, from which it is a clip level. Photon noise puts two
/// neighbours of a bright core on one code less often than once in its standard deviation in ADU, some hundred.
const LEAST_PILE: usize = 4;
/// Share of the highest code by which the ceilings of pixels differ on some cameras: those that amplify each column by itself.
const CEILING_SPREAD: f64 = 1.5e-3;
/// Pixels within that spread, each beside another such one, and peaks that they belong to, from which it is a clip level: no second
/// star is as bright by chance as the brightest, and one alone has at most four pixels so alike, around its centre.
const SPREAD_PILE: usize = 6;
const SPREAD_PEAKS: usize = 2;
/// The same of a single peak: its flat top.
const FLAT_TOP: usize = 12;

/// Highest code around the brightest peaks, ADU, where it is piled up in touching pixels; `None` where it is no clip level.
///
/// `peaks` come brightest first, without hot pixels: these may lie above the level at which stars are clipped.
pub(crate) fn clip_level<'a>(view: View, peaks: impl Iterator<Item = &'a Peak>) -> Option<f64> {
    let View { plane, lattice, .. } = view;
    let (rows, columns) = plane.dim();
    let bright: Vec<&Peak> = peaks.take(BRIGHTEST).collect();
    let core = |p: &Peak| {
        let across = p.x.saturating_sub(REACH_PX)..(p.x + REACH_PX + 1).min(columns);
        (p.y.saturating_sub(REACH_PX)..(p.y + REACH_PX + 1).min(rows))
            .flat_map(move |y| across.clone().map(move |x| (x, y)))
    };
    let counting = |(x, y): &(usize, usize)| lattice.holds(*x, *y);
    let highest = bright
        .iter()
        .flat_map(|p| core(p).filter(counting))
        .map(|(x, y)| plane.at(x, y))
        .filter(|v| v.is_finite())
        .max_by(f64::total_cmp)?;
    let piles = |level: f64| -> Vec<usize> {
        let of = |p: &&Peak| core(p).filter(|at| reaches(view, *at, level) && touches(view, *at, level)).count();
        bright.iter().map(of).filter(|n| *n > 0).collect()
    };
    if piles(highest).iter().sum::<usize>() >= LEAST_PILE {
        return Some(highest);
    }
    let lowest = highest * (1.0 - CEILING_SPREAD);
    let within = piles(lowest);
    let several = within.len() >= SPREAD_PEAKS && within.iter().sum::<usize>() >= SPREAD_PILE;
    let flat_top = within.iter().any(|n| *n >= FLAT_TOP);
    (several || flat_top).then_some(lowest)
}

/// Whether a site counts and reaches a level.
fn reaches(View { plane, lattice, .. }: View, (x, y): (usize, usize), level: f64) -> bool {
    let (rows, columns) = plane.dim();
    x < columns && y < rows && lattice.holds(x, y) && plane.at(x, y) >= level
}

/// Whether the nearest sites that count hold one more at that level: on a mosaic they lie on the diagonals.
fn touches(view: View, (x, y): (usize, usize), level: f64) -> bool {
    let (left, up) = (x.wrapping_sub(1), y.wrapping_sub(1));
    let near = match view.lattice {
        Lattice::All => [(left, y), (x + 1, y), (x, up), (x, y + 1)],
        Lattice::Green(_) => [(left, up), (x + 1, up), (left, y + 1), (x + 1, y + 1)],
    };
    near.iter().any(|at| reaches(view, *at, level))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fits::Pixels;
    use crate::stars::map_sky;
    use ndarray::Array2;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// Stars of these peaks, ADU, clipped at a ceiling that differs by `spread` from pixel to pixel; what is told of it.
    fn told(peaks: &[f64], ceiling: f64, spread: f64, seed: u64) -> Option<f64> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let at = |k: usize| (40.0 + 48.0 * (k % 6) as f64 + 0.3, 40.0 + 48.0 * (k / 6) as f64 - 0.2);
        let plane = Pixels::U16(Array2::from_shape_fn((320, 320), |(y, x)| {
            let light = |(k, peak): (usize, &f64)| {
                let r2 = (x as f64 - at(k).0).powi(2) + (y as f64 - at(k).1).powi(2);
                peak * (-r2 / (2.0 * 1.5 * 1.5)).exp()
            };
            let mean = 800.0 + peaks.iter().enumerate().map(light).sum::<f64>();
            let top = ceiling + spread * rng.sample::<f64, _>(StandardNormal);
            (mean + mean.sqrt() * rng.sample::<f64, _>(StandardNormal)).min(top).round() as u16
        }));
        let sky = map_sky(&plane, Lattice::All)?;
        let peaks: Vec<Peak> = (0..peaks.len())
            .map(|k| (at(k).0.round() as usize, at(k).1.round() as usize))
            .map(|(x, y)| Peak { x, y, significance: 100.0, ring_adu: 0.0, hot: false })
            .collect();
        clip_level(View { plane: &plane, lattice: Lattice::All, sky: &sky }, peaks.iter())
    }

    #[test]
    fn a_ceiling_that_differs_from_pixel_to_pixel_is_one_and_bright_stars_are_none() {
        let clipped: Vec<f64> = (0..12).map(|k| 70_000.0 + 9_000.0 * k as f64).collect();
        let whole: Vec<f64> = (0..12).map(|k| 30_000.0 + 1_500.0 * k as f64).collect();
        for seed in 0..5 {
            for spread in [0.0, 1.0, 5.0, 15.0] {
                let level = told(&clipped, 50_000.0, spread, seed).expect("a clip level");
                assert!((49_900.0..50_060.0).contains(&level), "{spread}: {level}");
            }
            assert_eq!(told(&whole, 60_000.0, 5.0, seed), None);
            assert_eq!(told(&[40_000.0; 12], 60_000.0, 5.0, seed), None);
        }
    }
}
