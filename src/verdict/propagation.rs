//! Uncertainty of a computed number from those of its inputs, by differences one standard uncertainty to each side.

use crate::quantity::{Quantity, Source, weaker};

/// One input of a formula.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameter {
    /// Value.
    pub value: f64,
    /// One standard uncertainty; 0 where it is not known.
    pub sigma: f64,
    /// Lowest value that makes sense.
    pub min: f64,
}

impl Parameter {
    /// The value of a quantity, not below `min`. `None` when there is no value.
    pub fn of(quantity: &Quantity, min: f64) -> Option<Self> {
        quantity.pair().map(|(value, sigma)| Self { value: value.max(min), sigma, min })
    }
}

/// Value of `f` at the parameters and its standard uncertainty; the inputs are taken as independent.
///
/// Formula: each input is moved one sigma up and down, `sigma_f^2 = sum((f(up) - f(down))/(up - down) sigma)^2`
/// (first order, over the very range that matters). `None` for the uncertainty when no input has one.
pub fn propagate(parameters: &[Parameter], f: impl Fn(&[f64]) -> f64) -> (f64, Option<f64>) {
    let centre: Vec<f64> = parameters.iter().map(|p| p.value).collect();
    let mut variance = 0.0;
    for (i, p) in parameters.iter().enumerate().filter(|(_, p)| p.sigma > 0.0) {
        let at = |x: f64| {
            let mut moved = centre.clone();
            moved[i] = x;
            f(&moved)
        };
        let (down, up) = ((p.value - p.sigma).max(p.min), p.value + p.sigma);
        variance += ((at(up) - at(down)) / (up - down) * p.sigma).powi(2);
    }
    let known = parameters.iter().any(|p| p.sigma > 0.0);
    (f(&centre), known.then(|| variance.sqrt()))
}

/// The weakest source among the quantities that went into a result.
pub fn weakest(inputs: &[&Quantity]) -> Source {
    inputs.iter().fold(Source::Measured, |s, q| weaker(s, q.source))
}

/// Why the first of the named inputs without a value has none: `name: reason`. `None` when all are known.
pub fn missing(inputs: &[(&str, &Quantity)]) -> Option<String> {
    inputs.iter().find(|(_, q)| !q.is_known()).map(|(name, q)| match q.why() {
        "" => format!("{name} is not known"),
        why => format!("{name} is not known: {why}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn par(value: f64, sigma: f64) -> Parameter {
        Parameter { value, sigma, min: 0.0 }
    }

    #[test]
    fn a_product_adds_relative_errors() {
        // sqrt(0.03^2 + 0.04^2) = 0.05, exact for a product because it is linear in each factor.
        let (v, s) = propagate(&[par(10.0, 0.3), par(5.0, 0.2)], |p| p[0] * p[1]);
        assert_eq!(v, 50.0);
        assert!((s.unwrap() - 2.5).abs() < 1e-12);
    }

    #[test]
    fn no_known_input_error_gives_no_error() {
        assert_eq!(propagate(&[par(3.0, 0.0)], |p| p[0]), (3.0, None));
    }

    #[test]
    fn a_parameter_stops_at_its_lowest_value() {
        let (_, s) = propagate(&[par(0.1, 0.5)], |p| {
            assert!(p[0] >= 0.0);
            2.0 * p[0]
        });
        assert!((s.unwrap() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_missing_input_is_named() {
        let sky = Quantity::not_measurable("no bias frames");
        let read = Quantity::rig(3.0, "read_noise_e");
        assert_eq!(missing(&[("read noise", &read), ("sky", &sky)]).unwrap(), "sky is not known: no bias frames");
        assert_eq!(missing(&[("read noise", &read)]), None);
    }
}
