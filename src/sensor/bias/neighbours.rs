//! How much alike the read noise of neighbouring pixels is: what a camera's read-out does to noise by itself.

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing};
use crate::frame::NoiseCorrelation;

use super::pairs::BiasSet;

/// Correlation along rows and along columns, in the frame where each is largest in size: some frames of a camera catch more
/// interference than others, and any light may be like the worst of them.
pub(crate) fn derive(sets: &[BiasSet]) -> [Quantity; 2] {
    let of = |axis: fn(&NoiseCorrelation) -> (f64, f64)| {
        let pairs: Vec<(f64, f64)> = sets.iter().flat_map(|s| &s.neighbours).map(axis).collect();
        let singles = || sets.iter().filter_map(|s| s.neighbours_of_first.as_ref()).map(axis).collect();
        let (values, method) = match pairs.is_empty() {
            false => (pairs, SensorMethod::NeighboursInBiasPairs),
            true => (singles(), SensorMethod::NeighboursInOneBias),
        };
        let n = values.len();
        let largest = values.into_iter().max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let missing = if sets.is_empty() { SensorMissing::NoBias } else { SensorMissing::TooFewBiasTiles };
        largest.map_or_else(
            || Quantity::not_measurable(missing),
            |(value, sigma)| Quantity::measured(value, sigma, method, n),
        )
    };
    [of(|c| c.x), of(|c| c.y)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(x: f64, y: f64) -> NoiseCorrelation {
        NoiseCorrelation { x: (x, 0.01), y: (y, 0.02), tiles: 64 }
    }

    #[test]
    fn the_largest_of_all_pairs_stands_and_one_frame_only_for_want_of_a_pair() {
        let pairs = BiasSet {
            neighbours: vec![of(0.02, 0.12), of(-0.05, 0.07)],
            neighbours_of_first: Some(of(0.3, 0.3)),
            ..BiasSet::default()
        };
        let alone = BiasSet { neighbours_of_first: Some(of(0.4, 0.1)), ..BiasSet::default() };
        let [x, y] = derive(&[alone.clone(), pairs]);
        assert_eq!((x.pair(), x.n, y.pair()), (Some((-0.05, 0.01)), 2, Some((0.12, 0.02))));
        let [x, _] = derive(&[alone]);
        assert_eq!((x.value, x.method), (Some(0.4), SensorMethod::NeighboursInOneBias.into()));
        assert_eq!(derive(&[])[0].because(), SensorMissing::NoBias.into());
        assert_eq!(derive(&[BiasSet::default()])[0].because(), SensorMissing::TooFewBiasTiles.into());
    }
}
