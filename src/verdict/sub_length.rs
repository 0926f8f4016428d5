//! One exposure to recommend: long enough for the read noise, short enough for bright stars and the tracking.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::budget::READ_NOISE_SHARE;
use crate::facts::Quantity;
use crate::facts::verdict::VerdictMethod;

/// Ellipticity from which stars are seen to be drawn out, and the least that tells the tracking (common practice, no source).
const SEEN_ELLIPTICITY: f64 = 0.2;
const LEAST_ELLIPTICITY: f64 = 0.03;
/// Errors that an ellipticity has at least to count.
const SIGMAS: f64 = 3.0;

/// What sets the recommended exposure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Bound {
    /// Read noise adds 5 % to the noise of sky and dark current.
    ReadNoise,
    /// A tenth of the brighter stars clips.
    Clipping,
    /// Stars would be seen to be drawn out, if what all share in this exposure is drift.
    Tracking,
}

/// The recommended exposure, and what others cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubLength {
    /// The exposure.
    #[schemars(extend("unit" = "s"))]
    pub seconds: Quantity,
    /// What sets it; null where it is not known.
    pub bound: Option<Bound>,
    /// More time in all that exposures half as long need for the same depth.
    #[schemars(extend("unit" = "%"))]
    pub half_costs_percent: Option<f64>,
    /// Less time in all that exposures twice as long need.
    #[schemars(extend("unit" = "%"))]
    pub double_saves_percent: Option<f64>,
}

/// What it is made from.
#[derive(Debug, Clone, Copy)]
pub struct SubLengthInput<'a> {
    /// Present exposure, s.
    pub exposure_s: Option<f64>,
    /// Exposure at which read noise adds 5 % to the noise of sky and dark current, s.
    pub for_5_percent_read_s: &'a Quantity,
    /// Exposure at which a tenth of the brighter stars clips, s.
    pub for_tenth_clipped_s: &'a Quantity,
    /// Ellipticity that all stars share in the present exposure.
    pub shared_ellipticity: &'a Quantity,
}

/// Time in all that exposures of `exposure_s` need for a depth, over that of endless ones, where read noise adds 5 % to the noise of those of
/// `enough_s`: `1 + (1.05^2 - 1) enough_s / exposure_s` (derived: read noise comes once an exposure).
pub fn time_in_all(exposure_s: f64, enough_s: f64) -> f64 {
    1.0 + ((1.0 + READ_NOISE_SHARE).powi(2) - 1.0) * enough_s / exposure_s
}

/// The recommended exposure. Drift over `t` adds `(v t)^2` along one axis, so a small ellipticity grows with `t^2` (derived).
pub fn sub_length(input: &SubLengthInput) -> SubLength {
    let Some(enough) = input.for_5_percent_read_s.value else {
        let seconds = Quantity::not_measurable(input.for_5_percent_read_s.because());
        return SubLength { seconds, bound: None, half_costs_percent: None, double_saves_percent: None };
    };
    let clipping = input.for_tenth_clipped_s;
    let tracking = tracked(input).unwrap_or(f64::INFINITY);
    let limit = clipping.value.unwrap_or(f64::INFINITY);
    let (seconds, bound) = if tracking < enough.min(limit) {
        let told = input.shared_ellipticity;
        let sigma = told.pair().map(|(e, s)| 0.5 * tracking * s / e);
        (Quantity::with(told.source, tracking, sigma, VerdictMethod::DriftSeen, told.n), Bound::Tracking)
    } else if limit < enough {
        (clipping.clone(), Bound::Clipping)
    } else {
        (input.for_5_percent_read_s.clone(), Bound::ReadNoise)
    };
    let time = |t: f64| time_in_all(t, enough);
    let t = seconds.value.unwrap_or(enough);
    SubLength {
        seconds,
        bound: Some(bound),
        half_costs_percent: Some(100.0 * (time(0.5 * t) / time(t) - 1.0)),
        double_saves_percent: Some(100.0 * (1.0 - time(2.0 * t) / time(t))),
    }
}

/// Exposure at which drift would be seen, s; `None` where no drift is.
fn tracked(input: &SubLengthInput) -> Option<f64> {
    let (ellipticity, sigma) = input.shared_ellipticity.pair()?;
    let told = ellipticity > LEAST_ELLIPTICITY && ellipticity > SIGMAS * sigma;
    input.exposure_s.filter(|_| told).map(|t| t * (SEEN_ELLIPTICITY / ellipticity).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(value: f64) -> Quantity {
        Quantity::measured(value, 0.01 * value, "a", 5)
    }

    #[test]
    fn the_shortest_of_three_limits_is_taken_and_its_neighbours_are_priced() {
        let unknown = Quantity::not_measurable("b");
        let told = |enough: &Quantity, clipped: &Quantity, ellipticity: &Quantity| {
            sub_length(&SubLengthInput {
                exposure_s: Some(60.0),
                for_5_percent_read_s: enough,
                for_tenth_clipped_s: clipped,
                shared_ellipticity: ellipticity,
            })
        };
        let free = told(&of(200.0), &unknown, &unknown);
        assert_eq!((free.seconds.value, free.bound), (Some(200.0), Some(Bound::ReadNoise)));
        // 1.205/1.1025 and 1.05125/1.1025.
        assert!(
            (free.half_costs_percent.unwrap() - 9.297).abs() < 1e-3
                && (free.double_saves_percent.unwrap() - 4.649).abs() < 1e-3
        );
        let clipped = told(&of(200.0), &of(50.0), &unknown);
        assert_eq!((clipped.seconds.value, clipped.bound), (Some(50.0), Some(Bound::Clipping)));
        // 1 + 0.1025 * 4 = 1.41, 1.82 and 1.205.
        assert!(
            (clipped.half_costs_percent.unwrap() - 29.078).abs() < 1e-3
                && (clipped.double_saves_percent.unwrap() - 14.539).abs() < 1e-3
        );
        // 60 s at 0.1: 0.2 at 85 s.
        let drifting = told(&of(200.0), &of(150.0), &of(0.1));
        assert_eq!(drifting.bound, Some(Bound::Tracking));
        assert!((drifting.seconds.value.unwrap() - 84.853).abs() < 1e-3);
        let round = told(&of(200.0), &unknown, &Quantity::measured(0.05, 0.03, "a", 5));
        assert_eq!(round.bound, Some(Bound::ReadNoise));
        assert!(told(&unknown, &of(50.0), &unknown).bound.is_none());
    }
}
