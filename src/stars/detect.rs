//! Finding peaks with a matched filter.
//!
//! The sky-subtracted frame is correlated with a Gaussian; a peak counts when it stands a given number of standard
//! deviations above the filtered noise, and still does once a ring around it has told what the sky map missed. On a
//! mosaic the other colours' sites count nothing, and the noise follows the two classes of sites.

use std::ops::Range;

use multiversion::multiversion;
use ndarray::ArrayView2;

use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::stats::FWHM_PER_SIGMA;

use super::SkyMap;

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
}

/// Samples of the ring that tells the local background.
const RING_SAMPLES: usize = 32;
/// Radius of the ring in kernel widths: beyond the star's core, within a nebula's curvature.
const RING_RADII: [f64; 2] = [2.2, 2.9];

/// Largest half length of the filter, px.
const MOST_RADIUS: usize = 16;

/// Matched-filter taps of one axis and the norms of the two-dimensional filter on each class of sites.
struct Kernel {
    /// Taps from the centre outwards; the filter is symmetric.
    taps: Vec<f32>,
    /// Root of the summed squares over the counting sites, by (y parity, x parity).
    norm: [[f64; 2]; 2],
    /// Sum over the counting sites, likewise.
    gain: [[f64; 2]; 2],
}

impl Kernel {
    /// A Gaussian cut at 0.8 widths: 1.9 sigma hold 94 % of each axis, and the rest costs 1 % of the significance.
    fn new(fwhm_px: f64, lattice: Lattice) -> Self {
        let sigma = fwhm_px / FWHM_PER_SIGMA;
        let radius = ((0.8 * fwhm_px).round() as usize).clamp(1, MOST_RADIUS) as i32;
        let raw: Vec<f64> = (-radius..=radius).map(|i| (-0.5 * (f64::from(i) / sigma).powi(2)).exp()).collect();
        let total: f64 = raw.iter().sum();
        let taps: Vec<f64> = raw.iter().map(|t| t / total).collect();
        let mut norm = [[0.0; 2]; 2];
        let mut gain = [[0.0; 2]; 2];
        for (py, px) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
            for (j, gy) in taps.iter().enumerate() {
                for (i, gx) in taps.iter().enumerate() {
                    let shift = |p: usize, k: usize| (p as i32 + k as i32 - radius).rem_euclid(2) as usize;
                    if lattice.holds(shift(px, i), shift(py, j)) {
                        norm[py][px] += (gx * gy).powi(2);
                        gain[py][px] += gx * gy;
                    }
                }
            }
            norm[py][px] = norm[py][px].sqrt();
        }
        Self { taps: taps[radius as usize..].iter().map(|t| *t as f32).collect(), norm, gain }
    }

    fn radius(&self) -> usize {
        self.taps.len() - 1
    }
}

/// Peaks above `threshold` standard deviations, brightest first (ties by place).
///
/// `kernel_fwhm_px` is the expected width of a star as recorded; a factor of two off costs a fifth of the significance.
pub fn detect(plane: &Pixels, lattice: Lattice, sky: &SkyMap, kernel_fwhm_px: f64, threshold: f64) -> Vec<Peak> {
    let kernel = Kernel::new(kernel_fwhm_px, lattice);
    let mut peaks = local_maxima(plane, lattice, sky, &kernel, threshold);
    let offsets = ring_offsets(kernel_fwhm_px);
    peaks.retain_mut(|peak| {
        let ring = ring_level(plane, lattice, sky, peak, &offsets);
        let (py, px) = (peak.y % 2, peak.x % 2);
        let noise = sky.sigma_at(peak.x, peak.y) * kernel.norm[py][px];
        peak.ring_adu = ring;
        peak.significance -= ring * kernel.gain[py][px] / noise;
        peak.significance >= threshold
    });
    peaks.sort_by(|a, b| b.significance.total_cmp(&a.significance).then((a.y, a.x).cmp(&(b.y, b.x))));
    peaks
}

fn local_maxima(plane: &Pixels, lattice: Lattice, sky: &SkyMap, kernel: &Kernel, threshold: f64) -> Vec<Peak> {
    match plane {
        Pixels::U16(a) => scan(a.view(), lattice, sky, kernel, threshold),
        Pixels::F32(a) => scan(a.view(), lattice, sky, kernel, threshold),
    }
}

/// Columns worked on together, px: all rows that the filter needs of such a strip fit the fastest cache.
const STRIP_PX: usize = 768;

/// Filters strip by strip and row by row: the cost is linear, memory small.
///
/// Compiled for wider vectors too and chosen at run time; the operations and their order, and so the bits, are the same.
#[multiversion(targets("x86_64+avx2", "x86_64+sse4.2"))]
fn scan<T: Copy + Into<f32>>(
    plane: ArrayView2<T>,
    lattice: Lattice,
    sky: &SkyMap,
    kernel: &Kernel,
    threshold: f64,
) -> Vec<Peak> {
    let columns = plane.dim().1;
    let mut peaks = Vec::new();
    for first in (0..columns).step_by(STRIP_PX) {
        let strip = first..(first + STRIP_PX).min(columns);
        scan_strip(plane, strip, lattice, sky, kernel, threshold, &mut peaks);
    }
    for peak in &mut peaks {
        let noise = sky.sigma_at(peak.x, peak.y) * kernel.norm[peak.y % 2][peak.x % 2];
        peak.significance /= noise;
    }
    peaks
}

/// Appends the peaks of some columns; their significance is still the filtered height, ADU.
#[inline(always)]
fn scan_strip<T: Copy + Into<f32>>(
    plane: ArrayView2<T>,
    strip: Range<usize>,
    lattice: Lattice,
    sky: &SkyMap,
    kernel: &Kernel,
    threshold: f64,
    peaks: &mut Vec<Peak>,
) {
    let (rows, columns) = plane.dim();
    let radius = kernel.radius();
    let height = 2 * radius + 1;
    // One column more on either side tells whether a pixel at the strip's border is a maximum.
    let seen = strip.start.saturating_sub(1)..(strip.end + 1).min(columns);
    // Columns that the filter reaches; beyond the frame they stay zero.
    let read = seen.start.saturating_sub(radius)..(seen.end + radius).min(columns);
    let margin = radius - (seen.start - read.start);
    let mut padded = vec![0f32; seen.len() + 2 * radius];
    let mut across = vec![vec![0f32; seen.len()]; height];
    let mut filtered = vec![vec![0f32; seen.len()]; 3];
    let mut limits = Limits::new(seen.clone());
    // Row `y` enters; the filter is complete for row `y - radius`, and maxima are known for the row before that.
    for y in 0..rows + radius + 1 {
        if y < rows {
            let net = &mut padded[margin..margin + read.len()];
            let row = plane.row(y);
            sky.subtract_row(y, read.clone(), row.as_slice().expect("rows lie together in memory"), net);
            blank_other_colours(net, lattice, read.start, y);
            combine(|shift| &padded[shift..], &kernel.taps, &mut across[y % height]);
        } else {
            across[y % height].fill(0.0);
        }
        let Some(done) = y.checked_sub(radius) else { continue };
        if done < rows {
            // Rows above the first count as empty: their slots are still zero then.
            let row_at = |offset: usize| across[(done + height - radius + offset) % height].as_slice();
            combine(row_at, &kernel.taps, &mut filtered[done % 3]);
        } else {
            filtered[done % 3].fill(0.0);
        }
        if done >= 1 {
            let middle = done - 1;
            limits.follow(sky, middle, threshold, kernel.norm[middle % 2]);
            let [above, row, below] = [middle + 2, middle, done].map(|k| filtered[k % 3].as_slice());
            let above = if middle == 0 { &[] } else { above };
            maxima_of_row([above, row, below], &limits, middle, peaks);
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

/// Symmetric filter over `2 radius + 1` lines of equal length; `line(radius)` is the central one.
///
/// Serves both axes: along a row the lines are the row itself, shifted; across rows they are the rows.
#[inline(always)]
fn combine<'a>(line: impl Fn(usize) -> &'a [f32], taps: &[f32], out: &mut [f32]) {
    let radius = taps.len() - 1;
    let n = out.len();
    let pair = |k: usize| (&line(radius - k)[..n], &line(radius + k)[..n]);
    let centre = &line(radius)[..n];
    // Two pairs of lines a pass halve the traffic; the usual filters need one or two passes.
    let mut k = if taps.len() > 2 {
        let ((l1, r1), (l2, r2)) = (pair(1), pair(2));
        let (t0, t1, t2) = (taps[0], taps[1], taps[2]);
        for i in 0..n {
            out[i] = t0 * centre[i] + t1 * (l1[i] + r1[i]) + t2 * (l2[i] + r2[i]);
        }
        3
    } else {
        let (l1, r1) = pair(1);
        for i in 0..n {
            out[i] = taps[0] * centre[i] + taps[1] * (l1[i] + r1[i]);
        }
        2
    };
    while k + 1 < taps.len() {
        let ((l1, r1), (l2, r2)) = (pair(k), pair(k + 1));
        let (t1, t2) = (taps[k], taps[k + 1]);
        for i in 0..n {
            out[i] += t1 * (l1[i] + r1[i]) + t2 * (l2[i] + r2[i]);
        }
        k += 2;
    }
    if k < taps.len() {
        let (l1, r1) = pair(k);
        for i in 0..n {
            out[i] += taps[k] * (l1[i] + r1[i]);
        }
    }
}

/// Filtered height from which a pixel may be a peak, along one row. The noise changes slowly: it is renewed every few rows.
struct Limits {
    /// By row parity; the site classes of a mosaic differ.
    height: [Vec<f32>; 2],
    renewed: [Option<usize>; 2],
    sigma: Vec<f32>,
    current: usize,
    columns: Range<usize>,
}

/// Rows over which the noise is taken as constant, a small part of a tile.
const ROWS_OF_ONE_NOISE: usize = 16;

impl Limits {
    fn new(columns: Range<usize>) -> Self {
        let zeros = || vec![0.0; columns.len()];
        Self { height: [zeros(), zeros()], renewed: [None; 2], sigma: zeros(), current: 0, columns }
    }

    fn follow(&mut self, sky: &SkyMap, y: usize, threshold: f64, norm: [f64; 2]) {
        self.current = y % 2;
        let block = y / ROWS_OF_ONE_NOISE;
        if self.renewed[self.current] == Some(block) {
            return;
        }
        self.renewed[self.current] = Some(block);
        sky.sigma_row(y, self.columns.clone(), &mut self.sigma);
        let scale = norm.map(|n| (threshold * n) as f32);
        // Without noise there is nothing that a peak could be compared with.
        let limit = |sigma: f32, scale: f32| if sigma > 0.0 { sigma * scale } else { f32::INFINITY };
        let (even, odd) = (scale[self.columns.start % 2], scale[(self.columns.start + 1) % 2]);
        for (limits, sigmas) in self.height[self.current].chunks_mut(2).zip(self.sigma.chunks(2)) {
            for ((l, s), scale) in limits.iter_mut().zip(sigmas).zip([even, odd]) {
                *l = limit(*s, scale);
            }
        }
    }
}

/// Pixels looked at together: most hold no peak and are passed over with one comparison each.
const RUN_PX: usize = 16;

#[inline(always)]
fn maxima_of_row([above, row, below]: [&[f32]; 3], limits: &Limits, y: usize, peaks: &mut Vec<Peak>) {
    let first = limits.columns.start;
    let limits = &limits.height[limits.current][..row.len()];
    for (run, (values, limit)) in row.chunks(RUN_PX).zip(limits.chunks(RUN_PX)).enumerate() {
        let highest = values.iter().zip(limit).fold(false, |any, (v, l)| any | (v >= l));
        if !highest {
            continue;
        }
        for (k, (v, l)) in values.iter().zip(limit).enumerate() {
            let x = run * RUN_PX + k;
            if *v < *l || x == 0 || x + 1 >= row.len() {
                continue;
            }
            // Strict towards earlier pixels, so that a plateau gives one peak.
            let earlier = row[x - 1] < *v && above.get(x - 1..x + 2).is_none_or(|n| n.iter().all(|n| n < v));
            if earlier && row[x + 1] <= *v && below[x - 1..x + 2].iter().all(|n| n <= v) {
                peaks.push(Peak { x: first + x, y, significance: f64::from(*v), ring_adu: 0.0 });
            }
        }
    }
}

/// Offsets of the ring's samples, px: the same for every peak.
fn ring_offsets(fwhm_px: f64) -> [(i32, i32); RING_SAMPLES] {
    std::array::from_fn(|k| {
        let (sin, cos) = (std::f64::consts::TAU * k as f64 / RING_SAMPLES as f64).sin_cos();
        let radius = fwhm_px.max(1.5) * RING_RADII[k % 2];
        ((radius * cos).round() as i32, (radius * sin).round() as i32)
    })
}

/// Median of a ring around a peak above the sky map, ADU.
fn ring_level(plane: &Pixels, lattice: Lattice, sky: &SkyMap, peak: &Peak, offsets: &[(i32, i32)]) -> f64 {
    let (rows, columns) = plane.dim();
    let mut sample = [0f32; RING_SAMPLES];
    let mut n = 0;
    for (dx, dy) in offsets {
        let (x, y) = (peak.x as i32 + dx, peak.y as i32 + dy);
        if x < 0 || y < 0 || y as usize >= rows {
            continue;
        }
        // On a mosaic every second pixel of a row counts: the neighbour does where this one does not.
        let x = x as usize + usize::from(!lattice.holds(x as usize, y as usize));
        if x < columns {
            let value = plane.at(x, y as usize) as f32;
            if value.is_finite() {
                sample[n] = value;
                n += 1;
            }
        }
    }
    if n == 0 {
        return 0.0;
    }
    let (_, middle, _) = sample[..n].select_nth_unstable_by(n / 2, f32::total_cmp);
    f64::from(*middle) - sky.level_at(peak.x, peak.y)
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
