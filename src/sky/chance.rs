//! How likely chance alone makes as many coincidences of stars.

use statrs::function::gamma::gamma_lr;

/// Probability of `least` or more events where `expected` are expected (Poisson): the regularised lower incomplete gamma
/// function `P(least, expected)` (Abramowitz & Stegun 1964, 26.4.21).
pub(crate) fn poisson_tail(expected: f64, least: usize) -> f64 {
    if least == 0 {
        return 1.0;
    }
    if expected <= 0.0 {
        return 0.0;
    }
    gamma_lr(least as f64, expected).clamp(0.0, 1.0)
}

/// Smallest number of events that chance reaches with less than `probability`, not below `least`.
pub(crate) fn beyond_chance(expected: f64, probability: f64, least: usize) -> usize {
    (least..).find(|k| poisson_tail(expected, *k) < probability).unwrap_or(least)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative agreement of two double-precision libraries.
    const DIGITS: f64 = 1e-9;

    // scipy 1.17.1: scipy.stats.poisson.sf(k - 1, mu).
    #[test]
    fn tails_as_scipy_has_them() {
        for (mu, k, want) in [
            (0.001, 3, 1.665_417_166_527_809_4e-10),
            (0.5, 2, 0.090_204_010_431_049_86),
            (12.0, 30, 8.870_138_799_144_754e-6),
        ] {
            let got = poisson_tail(mu, k);
            assert!((got / want - 1.0).abs() < DIGITS, "{mu} {k}: {got} {want}");
        }
        assert_eq!((poisson_tail(3.0, 0), poisson_tail(0.0, 1)), (1.0, 0.0));
    }

    #[test]
    fn more_are_needed_where_more_are_expected() {
        assert_eq!(beyond_chance(1e-4, 1e-3, 2), 2);
        let needed = beyond_chance(2.0, 1e-3, 2);
        assert!(poisson_tail(2.0, needed) < 1e-3 && poisson_tail(2.0, needed - 1) >= 1e-3);
    }
}
