//! Centre of values that have errors of their own and a scatter that those do not explain.

use crate::stats::{MAD_TO_SIGMA, MEDIAN_TO_MEAN_ERROR, median_and_mad_sigma};

/// Rounds in which centre and scatter settle: each hardly depends on the other.
const ROUNDS: usize = 3;
/// Halvings in which the scatter is found: to a millionth of its upper limit.
const HALVINGS: usize = 20;

/// Median of values weighted by `1 / (sigma^2 + tau^2)`, and tau: the spread that the uncertainties do not explain.
pub(crate) fn weighted_median(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let centres: Vec<f64> = values.iter().map(|v| v.0).collect();
    let (mut centre, spread) = median_and_mad_sigma(&centres)?;
    let mut tau = 0.0;
    for _ in 0..ROUNDS {
        tau = unexplained(values, centre, spread);
        centre = weighted_middle(values, tau)?;
    }
    Some((centre, tau))
}

/// The tau at which half of the deviations lie within the normal law's quartile, `0.6745 sqrt(sigma^2 + tau^2)`; 0 where
/// the uncertainties alone are enough. Each value is judged by its own error, so bright and faint stars may be mixed.
fn unexplained(values: &[(f64, f64)], centre: f64, spread: f64) -> f64 {
    let beyond = |(v, s): &&(f64, f64), tau2: f64| {
        let deviation = MAD_TO_SIGMA * (v - centre);
        deviation * deviation > (s * s + tau2).max(1e-30)
    };
    let too_wide = |tau: f64| 2 * values.iter().filter(|value| beyond(value, tau * tau)).count() > values.len();
    if !too_wide(0.0) {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, 2.0 * spread);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if too_wide(middle) { low = middle } else { high = middle }
    }
    high
}

fn weighted_middle(values: &[(f64, f64)], tau: f64) -> Option<f64> {
    let mut order: Vec<(f64, f64)> = values.iter().map(|(v, s)| (*v, (s * s + tau * tau).max(1e-30).recip())).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * order.iter().map(|o| o.1).sum::<f64>();
    let mut below = 0.0;
    order.into_iter().find_map(|(value, weight)| {
        below += weight;
        (below >= half).then_some(value)
    })
}

/// Uncertainty of a weighted median of stars: stated errors and star-to-star scatter, whichever tells more.
pub(crate) fn median_error(values: &[(f64, f64)], tau: f64) -> f64 {
    let information: f64 = values.iter().map(|(_, s)| (s * s + tau * tau).max(1e-30).recip()).sum();
    MEDIAN_TO_MEAN_ERROR / information.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// Values about 5 whose errors differ by a factor of 30, with a scatter of their own.
    fn mixed(scatter: f64, seed: u64) -> Vec<(f64, f64)> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut normal = || rng.sample::<f64, _>(StandardNormal);
        (0..400)
            .map(|i| 0.01 * 30f64.powf(f64::from(i) / 399.0))
            .map(|s| (5.0 + s.hypot(scatter) * normal(), s))
            .collect()
    }

    #[test]
    fn scatter_is_told_from_errors_of_mixed_size() {
        // 1.1664 / sqrt(400) = 6 % of the pulls' width; where tau is as large as the typical error, 12 % of tau; 3 sigma.
        for seed in 0..5 {
            let (centre, tau) = weighted_median(&mixed(0.05, seed)).unwrap();
            assert!((tau - 0.05).abs() < 3.0 * 0.12 * 0.05, "{tau}");
            let error = median_error(&mixed(0.05, seed), tau);
            assert!((centre - 5.0).abs() < 4.0 * error, "{centre} {error}");
            let (_, none) = weighted_median(&mixed(0.0, seed)).unwrap();
            // The same 6 %, of the smallest errors that dominate the weights, times 3.
            assert!(none < 0.03, "{none}");
        }
    }
}
