//! Mean and variance of pixels that are normal but for outliers, safe on integers.
//!
//! A median absolute deviation of integers takes a few values only; here the values inside a window are used, and what
//! the window and the step between codes did to them is undone (truncated normal law; Sheppard 1898, from memory).

use super::codes::{below, phi};

/// Half width of the window in standard deviations: cuts 0.3 % of normal data and cosmic rays, hot pixels and the
/// tails of random telegraph noise.
pub(crate) const WINDOW_SIGMAS: f64 = 3.0;
/// Rounds of the iteration at most; it settles in about ten.
const MOST_ROUNDS: usize = 60;
/// Relative change at which the iteration has settled.
const SETTLED: f64 = 1e-9;
/// Fewest values that give a variance.
const FEWEST_VALUES: usize = 4;

/// What the values say about their parent normal law.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Spread {
    /// Mean, unit of the values.
    pub mean: f64,
    /// Variance, unit of the values squared; the rounding to codes (step^2/12) is contained.
    pub variance: f64,
    /// Number of values inside the window.
    pub n: usize,
}

impl Spread {
    /// Standard error of the mean.
    pub fn mean_sigma(&self) -> f64 {
        (self.variance / self.n as f64).sqrt()
    }
}

/// Mean and variance of the parent of a truncated unit normal law on `[a, b]`: (shift of the mean, factor of variance).
pub(crate) fn truncated(a: f64, b: f64) -> (f64, f64) {
    let inside = below(b) - below(a);
    let shift = (phi(a) - phi(b)) / inside;
    (shift, 1.0 + (a * phi(a) - b * phi(b)) / inside - shift * shift)
}

/// Ends of the window about a mean, for values that lie `step` apart (0: continuous) with a code at `lattice`.
///
/// Among codes it ends between two, where the truncation of the rounded values is known, and holds three at least.
pub(crate) fn window(mean: f64, sigma: f64, step: f64, lattice: f64) -> (f64, f64) {
    let (low, high) = (mean - WINDOW_SIGMAS * sigma, mean + WINDOW_SIGMAS * sigma);
    if step <= 0.0 {
        return (low, high);
    }
    let low = lattice + (((low - lattice) / step).floor() + 0.5) * step;
    let high = lattice + (((high - lattice) / step).ceil() - 0.5) * step;
    let centre = lattice + ((mean - lattice) / step).round() * step;
    (low.min(centre - 1.5 * step), high.max(centre + 1.5 * step))
}

/// Windowed mean and variance; `step` is the step between codes that occur in the values, 0 for continuous ones.
///
/// The slice is sorted; values that are not finite are passed over. `None` with fewer than four values.
pub(crate) fn spread(values: &mut Vec<f64>, step: f64) -> Option<Spread> {
    values.retain(|v| v.is_finite());
    values.sort_unstable_by(f64::total_cmp);
    let n = values.len();
    if n < FEWEST_VALUES {
        return None;
    }
    let (zero, lattice) = (values[n / 2], values[0]);
    // Running sums about the median, so that a window costs two look-ups.
    let mut sums = Vec::with_capacity(n + 1);
    let (mut s1, mut s2) = (0.0, 0.0);
    sums.push((0.0, 0.0));
    for v in values.iter() {
        let d = v - zero;
        s1 += d;
        s2 += d * d;
        sums.push((s1, s2));
    }
    let binning = step * step / 12.0;
    let rank = |q: f64| values[((n - 1) as f64 * q).round() as usize];
    let mut sigma = (0.5 * (rank(0.8413) - rank(0.1587))).max(0.5 * step);
    let mut mean = 0.0;
    let mut result = None;
    for _ in 0..MOST_ROUNDS {
        let (low, high) = window(zero + mean, sigma, step, lattice);
        let first = values.partition_point(|v| *v < low);
        let last = values.partition_point(|v| *v <= high);
        let kept = last - first;
        if kept < FEWEST_VALUES {
            break;
        }
        let m = (sums[last].0 - sums[first].0) / kept as f64;
        let raw = ((sums[last].1 - sums[first].1) / kept as f64 - m * m).max(0.0) * kept as f64 / (kept - 1) as f64;
        if raw <= binning || sigma == 0.0 {
            // Narrower than its own codes: the window cut nothing that could be undone.
            return Some(Spread { mean: zero + m, variance: raw, n: kept });
        }
        let (shift, factor) = truncated((low - zero - mean) / sigma, (high - zero - mean) / sigma);
        let next = ((raw - binning) / factor.max(0.1)).sqrt();
        let moved = (next - sigma).abs();
        mean = m - shift * next;
        sigma = next;
        result = Some(Spread { mean: zero + mean, variance: sigma * sigma + binning, n: kept });
        if moved <= SETTLED * sigma {
            break;
        }
    }
    result
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// Half a per cent: five standard errors of a deviation from 500 000 values (0.1 % each).
    const FIVE_ERRORS: f64 = 0.005;

    fn difference_sigma(sigma: f64, outliers: bool) -> f64 {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(17);
        let law = Normal::new(1000.2, sigma).unwrap();
        let mut values: Vec<f64> =
            (0..500_000).map(|_| law.sample(&mut rng).round() - law.sample(&mut rng).round()).collect();
        if outliers {
            values.iter_mut().step_by(200).for_each(|v| *v += 500.0);
        }
        (spread(&mut values, 1.0).unwrap().variance / 2.0 - 1.0 / 12.0).sqrt()
    }

    // Truth by construction; the sigmas are those of the table on integer data in the science notes, section 4.
    #[test]
    fn integer_differences_give_the_sigma_that_made_them() {
        for sigma in [0.5, 0.8, 1.0, 1.5, 3.0, 5.0] {
            let got = difference_sigma(sigma, false);
            // Sheppard's correction itself is good to 0.3 % at half a step (checked at three phases by quadrature).
            let allowed = if sigma < 0.6 { 0.02 } else { FIVE_ERRORS };
            assert!((got / sigma - 1.0).abs() < allowed, "{sigma}: {got}");
        }
    }

    #[test]
    fn half_a_per_cent_of_hot_pixels_changes_nothing() {
        let got = difference_sigma(3.0, true);
        assert!((got / 3.0 - 1.0).abs() < FIVE_ERRORS, "{got}");
    }

    #[test]
    fn constant_data_have_no_spread() {
        let got = spread(&mut vec![7.0; 100], 1.0).unwrap();
        assert_eq!((got.mean, got.variance), (7.0, 0.0));
        assert_eq!(spread(&mut vec![f64::NAN; 10], 0.0), None);
    }
}
