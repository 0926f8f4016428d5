//! Uncertainty of a computed number from those of its inputs: by differences one standard uncertainty to each side, or
//! by seeded draws where inputs sit near a bound or the formula bends.

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::facts::{Input, Missing, Quantity, Source, weaker};

/// Draws: they fix a standard uncertainty to 1.1 %, less than its second digit.
const DRAWS: usize = 4000;

/// Any fixed seed: the same input gives the same result.
const SEED: u64 = 0x5b1e_97c4_0d3a_62f8;

/// Redraws of a value that fell below its lowest sensible value before that value itself is taken.
const REDRAWS: usize = 64;

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

/// Central values of `N` inputs and draws around them: independent normal laws cut off below each lowest value.
#[derive(Debug, Clone, PartialEq)]
pub struct Draws<const N: usize> {
    centre: [f64; N],
    draws: Vec<[f64; N]>,
}

impl<const N: usize> Draws<N> {
    /// Draws from the parameters; none when no parameter has an uncertainty.
    pub fn new(parameters: [Parameter; N]) -> Self {
        let centre = parameters.map(|p| p.value);
        if parameters.iter().all(|p| p.sigma <= 0.0) {
            return Self { centre, draws: Vec::new() };
        }
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(SEED);
        let draws = (0..DRAWS).map(|_| parameters.map(|p| truncated(p, &mut rng))).collect();
        Self { centre, draws }
    }

    /// Values of `f` over the draws; the one at the centre where nothing has an uncertainty.
    pub fn values<T>(&self, f: impl Fn([f64; N]) -> T) -> Vec<T> {
        if self.draws.is_empty() { vec![f(self.centre)] } else { self.draws.iter().map(|s| f(*s)).collect() }
    }

    /// Value of `f` at the centre, and its standard deviation (n - 1) over the draws.
    pub fn evaluate(&self, f: impl Fn([f64; N]) -> f64) -> (f64, Option<f64>) {
        let n = self.draws.len() as f64;
        let values: Vec<f64> = self.draws.iter().map(|s| f(*s)).collect();
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (f(self.centre), (!values.is_empty()).then(|| variance.sqrt()))
    }
}

/// A normal draw, redrawn while below the lowest sensible value.
fn truncated(p: Parameter, rng: &mut Xoshiro256PlusPlus) -> f64 {
    if p.sigma <= 0.0 {
        return p.value;
    }
    (0..REDRAWS)
        .map(|_| {
            let z: f64 = StandardNormal.sample(rng);
            p.value + p.sigma * z
        })
        .find(|x| *x >= p.min)
        .unwrap_or(p.min)
}

/// The weakest source among the quantities that went into a result.
pub fn weakest(inputs: &[&Quantity]) -> Source {
    inputs.iter().fold(Source::Measured, |s, q| weaker(s, q.source))
}

/// Why the first of the inputs without a value has none. `None` when all are known.
pub(crate) fn missing(inputs: &[(Input, &Quantity)]) -> Option<Missing> {
    inputs.iter().find(|(_, q)| !q.is_known()).map(|(what, q)| Missing::input(*what, q.because()))
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
    fn drawn_spread_is_that_of_the_inputs() {
        // sqrt(0.3^2 + 0.4^2); 4000 draws know it to 1.1 %, four times that is allowed.
        let (v, s) = Draws::new([par(50.0, 0.3), par(20.0, 0.4)]).evaluate(|[a, b]| a - b);
        assert_eq!(v, 30.0);
        assert!((s.unwrap() / 0.5 - 1.0).abs() < 0.045);
    }

    #[test]
    fn a_normal_law_cut_at_its_centre_is_a_half_normal() {
        // Standard deviation of a half-normal law: sqrt(1 - 2/pi) (textbook, from memory); heavier tail, 5 % allowed.
        let (_, s) = Draws::new([par(0.0, 1.0)]).evaluate(|[a]| {
            assert!(a >= 0.0);
            a
        });
        assert!((s.unwrap() / (1.0 - 2.0 / std::f64::consts::PI).sqrt() - 1.0).abs() < 0.05);
    }

    #[test]
    fn without_any_uncertainty_nothing_is_drawn() {
        assert_eq!(Draws::new([par(2.0, 0.0)]).evaluate(|[a]| 3.0 * a), (6.0, None));
    }

    #[test]
    fn the_missing_input_is_named() {
        let sky = Quantity::not_measurable(Missing::ExposureTime);
        let read = Quantity::rig(3.0, "read_noise_e");
        assert_eq!(
            missing(&[(Input::ReadNoise, &read), (Input::Sky, &sky)]),
            Some(Missing::input(Input::Sky, sky.because()))
        );
        assert_eq!(missing(&[(Input::ReadNoise, &read)]), None);
    }
}
