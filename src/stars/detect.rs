//! Finding peaks with a matched filter.
//!
//! The sky-subtracted frame is correlated with a Gaussian; a peak counts when it stands a given number of standard
//! deviations above the filtered noise, and still does once a ring around it has told what the sky map missed. On a
//! mosaic the other colours' sites count nothing, and the noise follows the two classes of sites.

use crate::fits::Pixels;
use crate::frame::Lattice;
use crate::stats::{FWHM_PER_SIGMA, median_mut};

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

/// Matched-filter taps of one axis and the norms of the two-dimensional filter on each class of sites.
struct Kernel {
    taps: Vec<f32>,
    /// Root of the summed squares over the counting sites, by (y parity, x parity).
    norm: [[f64; 2]; 2],
    /// Sum over the counting sites, likewise.
    gain: [[f64; 2]; 2],
}

impl Kernel {
    fn new(fwhm_px: f64, lattice: Lattice) -> Self {
        let sigma = fwhm_px / FWHM_PER_SIGMA;
        let radius = fwhm_px.ceil().max(1.0) as i32;
        let raw: Vec<f64> = (-radius..=radius).map(|i| (-0.5 * (f64::from(i) / sigma).powi(2)).exp()).collect();
        let total: f64 = raw.iter().sum();
        let taps: Vec<f64> = raw.iter().map(|t| t / total).collect();
        let mut norm = [[0.0; 2]; 2];
        let mut gain = [[0.0; 2]; 2];
        for (py, px) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
            for (j, gy) in taps.iter().enumerate() {
                for (i, gx) in taps.iter().enumerate() {
                    // Even offsets keep the parity whatever the radius.
                    let shift = |p: usize, k: usize| (p as i32 + k as i32 - radius).rem_euclid(2) as usize;
                    if lattice.holds(shift(px, i), shift(py, j)) {
                        norm[py][px] += (gx * gy).powi(2);
                        gain[py][px] += gx * gy;
                    }
                }
            }
            norm[py][px] = norm[py][px].sqrt();
        }
        Self { taps: taps.iter().map(|t| *t as f32).collect(), norm, gain }
    }
}

/// Peaks above `threshold` standard deviations, brightest first (ties by place).
///
/// `kernel_fwhm_px` is the expected width of a star as recorded; a factor of two off costs a fifth of the significance.
pub fn detect(plane: &Pixels, lattice: Lattice, sky: &SkyMap, kernel_fwhm_px: f64, threshold: f64) -> Vec<Peak> {
    let kernel = Kernel::new(kernel_fwhm_px, lattice);
    let mut peaks = local_maxima(plane, lattice, sky, &kernel, threshold);
    peaks.retain_mut(|peak| {
        let ring = ring_level(plane, lattice, sky, peak.x, peak.y, kernel_fwhm_px);
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
    let (rows, columns) = plane.dim();
    let radius = kernel.taps.len() / 2;
    let (mut level, mut sigma) = (vec![0f32; columns], vec![0f32; columns]);
    let mut padded = vec![0f32; columns + 2 * radius];
    let ring_rows = kernel.taps.len();
    let mut filtered = vec![vec![0f32; columns]; ring_rows];
    let mut noise = vec![vec![0f32; columns]; ring_rows];
    let mut significance = vec![vec![0f32; columns]; 3];
    let mut peaks = Vec::new();
    // Row `y` enters; the filter is complete for row `y - radius`, and maxima are known for the row before that.
    for y in 0..rows + radius + 1 {
        let slot = y % ring_rows;
        if y < rows {
            plane.copy_row(y, &mut padded[radius..radius + columns]);
            sky.row(y, &mut level, &mut sigma);
            subtract(&mut padded[radius..radius + columns], &level, lattice, y);
            correlate_row(&padded, &kernel.taps, &mut filtered[slot]);
            noise[slot].copy_from_slice(&sigma);
        } else {
            filtered[slot].fill(0.0);
        }
        let Some(done) = y.checked_sub(radius) else { continue };
        let out = &mut significance[done % 3];
        if done < rows {
            combine_rows(&filtered, &kernel.taps, done, rows, radius, out);
            over_noise(out, &noise[done % ring_rows], kernel.norm[done % 2]);
        } else {
            out.fill(0.0);
        }
        if done >= 1 && done <= rows {
            let at = |k: usize| &significance[k % 3];
            let middle = done - 1;
            maxima_of_row(at(middle + 2), at(middle), at(done), middle, threshold as f32, &mut peaks);
        }
    }
    peaks
}

/// Pixels minus sky; sites of other colours and undefined pixels become 0.
fn subtract(row: &mut [f32], level: &[f32], lattice: Lattice, y: usize) {
    for (v, l) in row.iter_mut().zip(level) {
        let net = *v - l;
        *v = if net.is_finite() { net } else { 0.0 };
    }
    if let Lattice::Green(_) = lattice {
        for (x, v) in row.iter_mut().enumerate() {
            if !lattice.holds(x, y) {
                *v = 0.0;
            }
        }
    }
}

fn correlate_row(padded: &[f32], taps: &[f32], out: &mut [f32]) {
    out.fill(0.0);
    for (k, tap) in taps.iter().enumerate() {
        for (o, v) in out.iter_mut().zip(&padded[k..]) {
            *o += tap * v;
        }
    }
}

fn combine_rows(filtered: &[Vec<f32>], taps: &[f32], row: usize, rows: usize, radius: usize, out: &mut [f32]) {
    out.fill(0.0);
    for (k, tap) in taps.iter().enumerate() {
        let Some(source) = (row + k).checked_sub(radius).filter(|s| *s < rows) else { continue };
        for (o, v) in out.iter_mut().zip(&filtered[source % filtered.len()]) {
            *o += tap * v;
        }
    }
}

fn over_noise(row: &mut [f32], sigma: &[f32], norm: [f64; 2]) {
    let inverse = norm.map(|n| if n > 0.0 { (1.0 / n) as f32 } else { 0.0 });
    for (x, (v, s)) in row.iter_mut().zip(sigma).enumerate() {
        *v = if *s > 0.0 { *v * inverse[x % 2] / s } else { 0.0 };
    }
}

fn maxima_of_row(above: &[f32], row: &[f32], below: &[f32], y: usize, threshold: f32, peaks: &mut Vec<Peak>) {
    let above = if y == 0 { &[] } else { above };
    for x in 1..row.len().saturating_sub(1) {
        let v = row[x];
        if v < threshold {
            continue;
        }
        // Strict towards earlier pixels, so that a plateau gives one peak.
        let earlier = row[x - 1] < v && above.get(x - 1..x + 2).is_none_or(|n| n.iter().all(|n| *n < v));
        if earlier && row[x + 1] <= v && below[x - 1..x + 2].iter().all(|n| *n <= v) {
            peaks.push(Peak { x, y, significance: f64::from(v), ring_adu: 0.0 });
        }
    }
}

/// Median of a ring around a peak above the sky map, ADU.
fn ring_level(plane: &Pixels, lattice: Lattice, sky: &SkyMap, x: usize, y: usize, fwhm_px: f64) -> f64 {
    let (rows, columns) = plane.dim();
    let mut sample = Vec::with_capacity(RING_SAMPLES);
    for k in 0..RING_SAMPLES {
        let angle = std::f64::consts::TAU * k as f64 / RING_SAMPLES as f64;
        let radius = fwhm_px.max(1.5) * RING_RADII[k % 2];
        let (px, py) = (x as f64 + radius * angle.cos(), y as f64 + radius * angle.sin());
        if px < 0.0 || py < 0.0 {
            continue;
        }
        let (mut px, py) = (px.round() as usize, py.round() as usize);
        if !lattice.holds(px, py) {
            px += 1;
        }
        if px < columns && py < rows {
            let value = plane.at(px, py);
            if value.is_finite() {
                sample.push(value - sky.level_at(px, py));
            }
        }
    }
    median_mut(&mut sample).unwrap_or(0.0)
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

    // faults.md number 29.
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

    // faults.md number 18: a nebula that rises 50 sigma within 90 px.
    #[test]
    fn a_nebula_is_not_a_field_of_stars() {
        let nebula =
            |x: f64, y: f64| 600.0 * (-((x - 256.0).powi(2) + (y - 256.0).powi(2)) / (2.0 * 90.0 * 90.0)).exp();
        assert!(find(&frame(12.0, nebula)).len() <= 2);
    }
}
