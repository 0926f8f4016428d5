//! The background beside a peak: the median of a ring, beyond the star's core and within a nebula's curvature.

use crate::fits::Grid;
use crate::frame::Lattice;

/// Samples of the ring.
const SAMPLES: usize = 32;
/// Its radii in kernel widths.
const RADII: [f64; 2] = [2.2, 2.9];

/// Places of the samples, as offsets from a peak, px.
pub(crate) struct Ring {
    offsets: [(i32, i32); SAMPLES],
    /// Rows beyond a peak's own that it needs.
    pub reach: usize,
}

impl Ring {
    pub fn new(fwhm_px: f64) -> Self {
        let offsets: [(i32, i32); SAMPLES] = std::array::from_fn(|k| {
            let (sin, cos) = (std::f64::consts::TAU * k as f64 / SAMPLES as f64).sin_cos();
            let radius = fwhm_px.max(1.5) * RADII[k % 2];
            ((radius * cos).round() as i32, (radius * sin).round() as i32)
        });
        let reach = offsets.iter().map(|(_, dy)| dy.unsigned_abs() as usize).max().unwrap_or(0);
        Self { offsets, reach }
    }

    /// Median of the ring's finite samples, ADU; `None` where there are none.
    #[inline(always)]
    pub fn level<T: Copy + Into<f32>>(&self, plane: Grid<T>, lattice: Lattice, peak: (usize, usize)) -> Option<f32> {
        let (rows, columns) = plane.dim();
        let mut sample = [f32::INFINITY; SAMPLES];
        let mut n = 0;
        for (dx, dy) in self.offsets {
            let (x, y) = (peak.0 as i32 + dx, peak.1 as i32 + dy);
            if x < 0 || y < 0 || y as usize >= rows {
                continue;
            }
            // On a mosaic every second pixel of a row counts: the neighbour does where this one does not.
            let x = x as usize + usize::from(!lattice.holds(x as usize, y as usize));
            if x < columns {
                let value = plane.at(x, y as usize);
                if value.is_finite() {
                    sample[n] = value;
                    n += 1;
                }
            }
        }
        (n > 0).then(|| upper_median(&sample, n))
    }
}

/// Median of the first `n` values, the upper one of two; the others are larger. The rank of each is counted: no branches,
/// no exchanges.
#[inline(always)]
fn upper_median(sample: &[f32; SAMPLES], n: usize) -> f32 {
    let mut middle = f32::NAN;
    for v in &sample[..n] {
        let (mut below, mut up_to) = (0u32, 0u32);
        for other in sample {
            below += u32::from(other < v);
            up_to += u32::from(other <= v);
        }
        if below as usize <= n / 2 && n / 2 < up_to as usize {
            middle = *v;
            break;
        }
    }
    middle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_give_the_median_that_sorting_gives() {
        for n in 1..=SAMPLES {
            let mut sample = [f32::INFINITY; SAMPLES];
            // A walk through 17 values, so that some come twice.
            (0..n).for_each(|i| sample[i] = (i * 7 % 17) as f32);
            let mut sorted = sample[..n].to_vec();
            sorted.sort_by(f32::total_cmp);
            assert_eq!(upper_median(&sample, n), sorted[n / 2]);
        }
    }
}
