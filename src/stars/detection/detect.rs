//! Finding peaks with a matched filter.
//!
//! The sky-subtracted frame is correlated with a Gaussian; a peak counts when it stands a given number of standard
//! deviations above the filtered noise, and still does once a ring around it has told what the sky map missed. On a
//! mosaic the other colours' sites count nothing, and the noise follows the two classes of sites.

use std::ops::Range;

use multiversion::multiversion;

use crate::fits::{Grid, Pixels};
use crate::frame::Lattice;

use super::kernel::{ANY_RADIUS, Kernel, combine};
use super::limits::{Limits, RUN_PX, Run};
use super::ring::Ring;
use crate::stars::SkyMap;
use crate::stars::rejection::hot_pixels::is_hot_pixel;

/// A local maximum of the filtered frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Column, px.
    pub x: usize,
    /// Row, px.
    pub y: usize,
    /// Height above the ring around it over the filtered noise.
    pub significance: f64,
    /// Level of the ring above the sky map, ADU.
    pub ring_adu: f64,
    /// One pixel alone gives it: no star image is that sharp.
    pub hot: bool,
}

/// Peaks above `threshold` standard deviations, in the order of rows.
///
/// `kernel_fwhm_px` is the expected width of a star as recorded; a factor of two off costs a fifth of the significance.
pub fn detect(plane: &Pixels, lattice: Lattice, sky: &SkyMap, kernel_fwhm_px: f64, threshold: f64) -> Vec<Peak> {
    let kernel = Kernel::new(kernel_fwhm_px, lattice);
    let task = Scan { lattice, sky, kernel, ring: Ring::new(kernel_fwhm_px), threshold };
    let mut peaks = match plane {
        Pixels::U16(a) => scan(Grid::whole(a), &task),
        Pixels::Holed(a, holes) => scan(Grid::holed(a, holes), &task),
        Pixels::F32(a) => scan(Grid::whole(a), &task),
    };
    peaks.retain(|peak| peak.significance >= threshold);
    peaks.sort_by_key(|peak| (peak.y, peak.x));
    peaks
}

/// Numbers in the filter's row buffers together: they stay in the second-level cache, while long rows let the processor
/// fetch pixels ahead.
const BUFFERED: usize = 1 << 16;

/// What is sought, and in what.
struct Scan<'a> {
    lattice: Lattice,
    sky: &'a SkyMap,
    kernel: Kernel,
    ring: Ring,
    threshold: f64,
}

/// Filters row by row, in strips where rows are long: the cost is linear, memory small.
///
/// Compiled for wider vectors too and chosen at run time; the operations and their order, and so the bits, are the same.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn scan<T: Copy + Into<f32>>(plane: Grid<T>, task: &Scan) -> Vec<Peak> {
    let kernel = &task.kernel;
    let columns = plane.dim().1;
    let longest = BUFFERED / (kernel.height() + 4);
    let strips = columns.div_ceil(longest);
    let mut peaks = Vec::new();
    for strip in 0..strips {
        let columns = strip * columns / strips..(strip + 1) * columns / strips;
        match kernel.radius() {
            1 => scan_strip::<T, 1>(plane, columns, task, &mut peaks),
            2 => scan_strip::<T, 2>(plane, columns, task, &mut peaks),
            3 => scan_strip::<T, 3>(plane, columns, task, &mut peaks),
            4 => scan_strip::<T, 4>(plane, columns, task, &mut peaks),
            _ => scan_strip::<T, ANY_RADIUS>(plane, columns, task, &mut peaks),
        }
    }
    peaks
}

/// Appends the peaks of some columns, row by row.
#[inline(always)]
fn scan_strip<T: Copy + Into<f32>, const RADIUS: usize>(
    plane: Grid<T>,
    strip: Range<usize>,
    task: &Scan,
    peaks: &mut Vec<Peak>,
) {
    let Scan { lattice, sky, kernel, ring, threshold } = task;
    let (rows, columns) = plane.dim();
    let (radius, height) = (kernel.radius(), kernel.height());
    // One column more on either side tells whether a pixel at the strip's border is a maximum.
    let seen = strip.start.saturating_sub(1)..(strip.end + 1).min(columns);
    // Columns that the filter reaches; beyond the frame they stay zero.
    let read = seen.start.saturating_sub(radius)..(seen.end + radius).min(columns);
    let margin = radius - (seen.start - read.start);
    let runs = seen.len().div_ceil(RUN_PX);
    let mut padded = vec![0f32; runs * RUN_PX + 2 * radius];
    let line = || vec![0f32; runs * RUN_PX];
    let mut across = vec![line(); height];
    let mut filtered = [line(), line(), line()];
    let mut lit: [Vec<usize>; 3] = Default::default();
    let mut limits = Limits::new(seen.clone());
    let mut judged = peaks.len();
    // Row `y` enters; the filter is complete for row `y - radius`, and maxima are known for the row before that.
    for y in 0..rows + radius + 1 {
        let entering = &mut across[y % height];
        if y < rows {
            let net = &mut padded[margin..margin + read.len()];
            sky.subtract_row(y, read.clone(), plane, net);
            blank_other_colours(net, *lattice, read.start, y);
            combine::<RADIUS>(|shift| &padded[shift..], &kernel.taps, entering);
        } else {
            entering.fill(0.0);
        }
        let Some(done) = y.checked_sub(radius) else { continue };
        let (to, lit_here) = (&mut filtered[done % 3], &mut lit[done % 3]);
        lit_here.clear();
        if done < rows {
            limits.follow(sky, done, *threshold, kernel.norm[done % 2]);
            // Rows above the first count as empty: their slots are still zero then.
            let row = |shift: usize| across[(done + height - radius + shift) % height].as_slice();
            combine::<RADIUS>(row, &kernel.taps, to);
            for (at, (run, limit)) in to.chunks_exact(RUN_PX).zip(limits.lowest(done)).enumerate() {
                if run.iter().fold(false, |any, v| any | (v >= limit)) {
                    lit_here.push(at);
                }
            }
        } else {
            to.fill(0.0);
        }
        if let Some(middle) = done.checked_sub(1) {
            let [above, row, below] = [middle + 2, middle, done].map(|k| filtered[k % 3].as_slice());
            let three = [if middle == 0 { &[] } else { above }, row, below];
            maxima_of_row(three, &lit[middle % 3], &limits, middle, peaks);
        }
        // The rows around these peaks have just been read: later they would have to be fetched again.
        let known = if y == rows + radius { usize::MAX } else { y };
        while let Some(peak) = peaks.get_mut(judged).filter(|p| p.y + ring.reach <= known) {
            let (py, px) = (peak.y % 2, peak.x % 2);
            let map = sky.level_at(peak.x, peak.y);
            let level = ring.level(plane, *lattice, (peak.x, peak.y)).map_or(map, f64::from);
            peak.ring_adu = level - map;
            peak.hot = is_hot_pixel(plane, *lattice, (peak.x, peak.y), level);
            let noise = sky.sigma_at(peak.x, peak.y) * kernel.norm[py][px];
            peak.significance = (peak.significance - peak.ring_adu * kernel.gain[py][px]) / noise;
            judged += 1;
        }
    }
}

/// Sites of other colours count nothing.
fn blank_other_colours(net: &mut [f32], lattice: Lattice, x: usize, y: usize) {
    if let Lattice::Green(_) = lattice {
        let first = usize::from(lattice.holds(x, y));
        net[first..].iter_mut().step_by(2).for_each(|v| *v = 0.0);
    }
}

/// `lit` are the runs of the row that may hold a peak.
#[inline(always)]
fn maxima_of_row([above, row, below]: [&[f32]; 3], lit: &[usize], limits: &Limits, y: usize, peaks: &mut Vec<Peak>) {
    let first = limits.columns.start;
    for at in lit {
        let limits = &limits.height[y % 2][*at];
        let run: &Run = row[at * RUN_PX..][..RUN_PX].try_into().expect("a run");
        let mut high = (0..RUN_PX).fold(0u32, |bits, k| bits | (u32::from(run[k] >= limits[k]) << k));
        while high != 0 {
            let x = at * RUN_PX + high.trailing_zeros() as usize;
            high &= high - 1;
            let (v, near) = (row[x], x - 1..x + 2);
            // Strict towards earlier pixels, so that a plateau gives one peak.
            let earlier = row[x - 1] < v && above.get(near.clone()).is_none_or(|n| n.iter().all(|n| *n < v));
            if earlier && row[x + 1] <= v && below[near].iter().all(|n| *n <= v) {
                peaks.push(Peak { x: first + x, y, significance: f64::from(v), ring_adu: 0.0, hot: false });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::map_sky;
    use ndarray::Array2;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn frame(sigma: f64, add: impl Fn(f64, f64) -> f64) -> Pixels {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(11);
        let normal = Normal::new(0.0, sigma).unwrap();
        Pixels::U16(Array2::from_shape_fn((512, 512), |(y, x)| {
            (800.0 + add(x as f64, y as f64) + normal.sample(&mut rng)).round() as u16
        }))
    }

    fn find(plane: &Pixels) -> Vec<Peak> {
        let sky = map_sky(plane, Lattice::All).unwrap();
        detect(plane, Lattice::All, &sky, 3.0, 5.0)
    }

    // A failure from public issue trackers.
    #[test]
    fn noise_alone_gives_no_more_than_one_peak_and_a_constant_none() {
        assert!(find(&frame(12.0, |_, _| 0.0)).len() <= 1);
        assert!(find(&Pixels::U16(Array2::from_elem((256, 256), 1000))).is_empty());
    }

    #[test]
    fn a_star_is_one_peak_at_its_place_even_on_the_border_of_the_filter() {
        for (cx, cy) in [(100.0, 200.0), (2.0, 2.0), (509.0, 509.0)] {
            let star = move |x: f64, y: f64| 900.0 * (-((x - cx).powi(2) + (y - cy).powi(2)) / 3.2).exp();
            let peaks = find(&frame(12.0, star));
            assert_eq!(peaks.len(), 1, "{peaks:?}");
            assert_eq!((peaks[0].x as f64, peaks[0].y as f64), (cx, cy));
        }
    }

    // A failure from public issue trackers: a nebula that rises 50 sigma within 90 px.
    #[test]
    fn a_nebula_is_not_a_field_of_stars() {
        let nebula =
            |x: f64, y: f64| 600.0 * (-((x - 256.0).powi(2) + (y - 256.0).powi(2)) / (2.0 * 90.0 * 90.0)).exp();
        assert!(find(&frame(12.0, nebula)).len() <= 2);
    }
}
