//! Gauss-Legendre quadrature: nodes and weights on any interval.
//!
//! Source: Abramowitz & Stegun 1964, 25.4.29 (from memory); the nodes are solved here, not tabled.

use std::f64::consts::PI;

/// Newton steps that are always enough from the cosine start: it converges to rounding in five.
const NEWTON_STEPS: usize = 20;

/// Nodes and weights of the `n`-point rule on -1 to 1.
pub fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..NEWTON_STEPS {
                let (p, dp) = legendre(n, x);
                slope = dp;
                let step = p / dp;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Legendre polynomial of degree `n` and its slope, by the three-term recurrence.
fn legendre(n: usize, x: f64) -> (f64, f64) {
    let (mut before, mut p) = (1.0, x);
    for k in 2..=n {
        let k = k as f64;
        (before, p) = (p, ((2.0 * k - 1.0) * x * p - (k - 1.0) * before) / k);
    }
    (p, n as f64 * (x * p - before) / (x * x - 1.0))
}

/// Nodes and weights of `panels` equal panels of the rule `rule` laid over `low` to `high`.
pub fn panelled(rule: &[(f64, f64)], low: f64, high: f64, panels: usize) -> Vec<(f64, f64)> {
    let half = 0.5 * (high - low) / panels as f64;
    (0..panels)
        .flat_map(|p| {
            let centre = low + (2 * p + 1) as f64 * half;
            rule.iter().map(move |(x, w)| (centre + half * x, half * w))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounding of about twenty additions.
    const ROUNDING: f64 = 1e-13;

    #[test]
    fn three_points_are_the_published_ones() {
        // Abramowitz & Stegun 1964, table 25.4, n = 3 (from memory): sqrt(3/5), 5/9, 8/9.
        let rule = gauss_legendre(3);
        assert!((rule[0].0 - 0.6_f64.sqrt()).abs() < ROUNDING);
        assert!((rule[0].1 - 5.0 / 9.0).abs() < ROUNDING);
        assert!((rule[1].1 - 8.0 / 9.0).abs() < ROUNDING);
    }

    #[test]
    fn a_rule_is_exact_up_to_its_degree() {
        let nodes = panelled(&gauss_legendre(8), 0.0, 2.0, 3);
        let integral: f64 = nodes.iter().map(|(x, w)| w * x.powi(15)).sum();
        assert!((integral / (2.0_f64.powi(16) / 16.0) - 1.0).abs() < ROUNDING);
    }
}
