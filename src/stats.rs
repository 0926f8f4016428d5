//! Robust statistics that every stage shares.
//!
//! Sources: Huber & Ronchetti, *Robust Statistics* (from memory) for MAD and clipping; the truncation factors are
//! solved here, not tabled. Biweight: Beers, Flynn & Gebhardt 1990, AJ 100, 32, eqs. 5 and 9 (from memory).

pub mod grouped;

use statrs::function::erf::erf;

/// Standard deviation of a normal distribution over its median absolute deviation: `1 / Phi^-1(3/4)`.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Full width at half maximum over standard deviation of a Gaussian: `2 sqrt(2 ln 2)`.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949_3;

/// Standard error of a median over that of a mean for normal data: `sqrt(pi/2)`.
pub const MEDIAN_TO_MEAN_ERROR: f64 = 1.253_314_137_315_500_3;

/// Median; the slice is reordered. `None` when empty.
pub fn median_mut(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, mid, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let mid = *mid;
    if n % 2 == 1 {
        return Some(mid);
    }
    let low = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (low + mid))
}

/// Median of a slice that stays as it is. `None` when empty.
pub fn median(values: &[f64]) -> Option<f64> {
    median_mut(&mut values.to_vec())
}

/// Value below which the fraction `q` (0 to 1) of the data lies, linear between ranks. `None` when empty.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    let rank = q.clamp(0.0, 1.0) * last as f64;
    let low = rank.floor() as usize;
    let high = rank.ceil() as usize;
    Some(sorted[low] + (rank - low as f64) * (sorted[high] - sorted[low]))
}

/// Median and 1.4826 times the median absolute deviation. `None` when empty.
///
/// Never use it on coarse integers: the deviation then takes a few values only (see [`clipped`]).
pub fn median_and_mad_sigma(values: &[f64]) -> Option<(f64, f64)> {
    let centre = median(values)?;
    let mut deviation: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some((centre, MAD_TO_SIGMA * median_mut(&mut deviation)?))
}

/// Median and its one-sigma error by the scatter of the values (the MAD's). `None` when empty.
pub fn median_with_error(values: &[f64]) -> Option<(f64, f64)> {
    let (centre, spread) = median_and_mad_sigma(values)?;
    Some((centre, MEDIAN_TO_MEAN_ERROR * spread / (values.len() as f64).sqrt()))
}

/// What sigma clipping kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clipped {
    /// Mean of the values kept.
    pub mean: f64,
    /// Standard deviation of the values kept over the truncation factor: the sigma of the parent normal law.
    pub sigma: f64,
    /// Number kept.
    pub n: usize,
}

/// Iterated clipping about the median at `k` sigma until nothing changes (50 rounds at most).
///
/// `sigma` is corrected for the truncation by [`converged_truncation_factor`]. `None` when empty.
pub fn clipped(values: &[f64], k: f64) -> Option<Clipped> {
    let mut kept: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let correction = converged_truncation_factor(k);
    for _ in 0..50 {
        let centre = median_mut(&mut kept)?;
        let (_, std) = mean_and_std(&kept)?;
        let before = kept.len();
        // A spread of zero keeps everything at the centre.
        kept.retain(|v| (v - centre).abs() <= k * std.max(f64::MIN_POSITIVE));
        if kept.len() == before || kept.is_empty() {
            break;
        }
    }
    let (mean, std) = mean_and_std(&kept)?;
    Some(Clipped { mean, sigma: std / correction, n: kept.len() })
}

/// Mean and population standard deviation (divided by n). `None` when empty.
pub fn mean_and_std(values: &[f64]) -> Option<(f64, f64)> {
    if values.is_empty() {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let var = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    Some((mean, var.sqrt()))
}

/// Standard deviation of a unit normal law cut at +-k, `sqrt(1 - 2 k phi(k) / (2 Phi(k) - 1))`.
pub fn single_truncation_factor(k: f64) -> f64 {
    let phi = (-0.5 * k * k).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let inside = erf(k / std::f64::consts::SQRT_2);
    (1.0 - 2.0 * k * phi / inside).max(0.0).sqrt()
}

/// The fixed point of clipping a unit normal law at +-k times its own clipped standard deviation.
///
/// Solves `s = single_truncation_factor(k s)`; for k = 3 it is 0.984846.
pub fn converged_truncation_factor(k: f64) -> f64 {
    let mut s = 1.0;
    for _ in 0..200 {
        let next = single_truncation_factor(k * s);
        if (next - s).abs() < 1e-12 {
            return next;
        }
        s = next;
    }
    s
}

/// Mode of a sky that faint sources skew, of its median, mean and standard deviation: `2.5 median - 1.5 mean`, or the
/// median where the skew is strong.
///
/// Source: Bertin & Arnouts 1996, A&AS 117, 393, section 5.1; the limit of 0.3 standard deviations is the one in common
/// use (common practice, no source).
pub fn mode_of(median: f64, mean: f64, std: f64) -> f64 {
    let strongly_skewed = (mean - median).abs() >= 0.3 * std;
    if strongly_skewed { median } else { 2.5 * median - 1.5 * mean }
}

/// A straight line `y = intercept + slope x` with its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Slope, unit of y over unit of x.
    pub slope: f64,
    /// One-sigma uncertainty of the slope.
    pub slope_sigma: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// One-sigma uncertainty of the intercept.
    pub intercept_sigma: f64,
    /// Covariance of slope and intercept.
    pub covariance: f64,
    /// Sum of squared residuals over their variances.
    pub chi2: f64,
    /// Number of points.
    pub n: usize,
}

/// Weighted least-squares line; `sigma` holds the one-sigma uncertainty of each `y`.
///
/// Uncertainties follow from `sigma` alone; scale them by `sqrt(chi2 / (n - 2))` where the scatter is larger than stated.
/// `None` with fewer than two different `x`, or a sigma that is not positive.
pub fn weighted_line(x: &[f64], y: &[f64], sigma: &[f64]) -> Option<Line> {
    let n = x.len();
    if n < 2 || y.len() != n || sigma.len() != n || sigma.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    let w: Vec<f64> = sigma.iter().map(|s| s.powi(-2)).collect();
    let sw: f64 = w.iter().sum();
    // Centred sums keep the precision that raw ones lose when x is far from 0.
    let mx = w.iter().zip(x).map(|(w, x)| w * x).sum::<f64>() / sw;
    let my = w.iter().zip(y).map(|(w, y)| w * y).sum::<f64>() / sw;
    let sxx: f64 = w.iter().zip(x).map(|(w, x)| w * (x - mx).powi(2)).sum();
    let sxy: f64 = (0..n).map(|i| w[i] * (x[i] - mx) * (y[i] - my)).sum();
    if sxx.is_nan() || sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = my - slope * mx;
    let chi2 = (0..n).map(|i| w[i] * (y[i] - intercept - slope * x[i]).powi(2)).sum();
    Some(Line {
        slope,
        slope_sigma: sxx.recip().sqrt(),
        intercept,
        intercept_sigma: (sw.recip() + mx * mx / sxx).sqrt(),
        covariance: -mx / sxx,
        chi2,
        n,
    })
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{Binomial, ContinuousCDF, Discrete, Normal};

    use super::*;

    /// Relative tolerance of the check values: they are printed with six to seven digits.
    const PRINTED_DIGITS: f64 = 1e-5;

    fn near(got: f64, want: f64) {
        assert!((got - want).abs() <= PRINTED_DIGITS * want.abs().max(1e-3), "got {got}, want {want}");
    }

    // Check values C9.1 to C9.4: numpy 2.4.6, astropy 8.0.2 (median, mad_std, sigma_clip), computed outside this project.
    const A: [f64; 10] = [2.1, 2.3, 2.2, 2.0, 2.4, 2.2, 2.1, 2.3, 9.0, 2.2];
    const B: [f64; 10] = [1.0, 1.2, 0.9, 1.1, 1.4, 0.7, 1.05, 5.0, 1.3, 0.95];

    #[test]
    fn c9_1_robust_location_and_scale_shrug_off_one_outlier() {
        near(mean_and_std(&A).unwrap().0, 2.88);
        near(median(&A).unwrap(), 2.2);
        near(median_and_mad_sigma(&A).unwrap().1, 0.148_260_2);
    }

    #[test]
    fn c9_2_deviation_of_skewed_data() {
        near(median_and_mad_sigma(&B).unwrap().1, 0.222_390_3);
    }

    #[test]
    fn c9_3_clipping_keeps_nine_of_ten() {
        let got = clipped(&A, 3.0).unwrap();
        near(got.mean, 2.2);
        near(got.sigma * converged_truncation_factor(3.0), 0.115_470_1);
        assert_eq!(got.n, 9);
    }

    #[test]
    fn c9_4_truncation_factors() {
        for (k, single, converged) in [
            (2.0, 0.879_626, 0.725_741),
            (2.5, 0.954_597, 0.936_557),
            (3.0, 0.986_578, 0.984_846),
            (4.0, 0.999_465, 0.999_460),
        ] {
            near(single_truncation_factor(k), single);
            near(converged_truncation_factor(k), converged);
        }
    }

    // C9.5 and C9.6: numpy mean, median, std.
    #[test]
    fn c9_5_and_6_mode_of_skewed_sky() {
        let head = [100., 101., 99., 102., 98., 100., 101., 100., 99., 103., 97., 100., 101., 99., 100.];
        for (tail, mode) in [([106., 105., 104., 103., 102.], 99.75), ([150., 130., 112., 108., 106.], 100.5)] {
            let sky = [&head[..], &tail].concat();
            let (mean, std) = mean_and_std(&sky).unwrap();
            near(mode_of(median(&sky).unwrap(), mean, std), mode);
        }
    }

    // C5.17: weighted line, numpy lstsq, computed outside this project.
    #[test]
    fn c5_17_dark_level_against_exposure() {
        let x = [0.0, 30.0, 60.0, 120.0, 300.0];
        let y = [500.1, 501.0, 501.9, 503.5, 509.2];
        let line = weighted_line(&x, &y, &[0.2; 5]).unwrap();
        near(line.slope, 0.030_284_8);
        near(line.slope_sigma, 0.000_838_6);
        near(line.intercept, 500.0509);
        // Printed with four digits only.
        assert!((line.intercept_sigma - 0.1238).abs() <= 0.5e-4);
    }

    #[test]
    fn empty_input_is_none() {
        assert_eq!(median(&[]), None);
        assert_eq!(clipped(&[], 3.0), None);
        assert_eq!(weighted_line(&[1.0, 1.0], &[1.0, 2.0], &[1.0, 1.0]), None);
    }

    // C9.7: ranks that enclose the median with at least 95 %, and their coverage; no law of the values is assumed.
    #[test]
    fn c9_7_the_error_of_a_median_agrees_with_the_ranks_that_enclose_it() {
        /// The printed coverages have four digits.
        const PRINTED: f64 = 5e-5;
        /// The k-th of n normal values stands at the quantile k/(n+1) but for a few per cent of the spread at n = 9.
        const PLACES: f64 = 0.03;
        let normal = Normal::standard();
        for (n, low, high, coverage) in
            [(9, 2, 8, 0.9609), (15, 4, 12, 0.9648), (25, 8, 18, 0.9567), (50, 18, 33, 0.9672)]
        {
            // The median lies between them where so many values lie below it.
            let below = Binomial::new(0.5, n).unwrap();
            let got: f64 = (low..high).map(|k| below.pmf(k)).sum();
            assert!((got - coverage).abs() < PRINTED, "{n}: {got}");
            let half = normal.inverse_cdf(high as f64 / (n + 1) as f64);
            let sigma = half / normal.inverse_cdf(0.5 + 0.5 * got);
            let stated = MEDIAN_TO_MEAN_ERROR / (n as f64).sqrt();
            assert!((sigma / stated - 1.0).abs() < PLACES, "{n}: {sigma} {stated}");
        }
    }
}
