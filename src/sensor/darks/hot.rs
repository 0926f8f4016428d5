//! Share of hot pixels.

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing};

use super::dark::DarkSet;
use super::dark_mask::{HOT_NOISE_SIGMAS, HOT_TIMES_TYPICAL};
use super::level_rate::Rate;
use super::pixels::PixelDarkRates;
use crate::sensor::HotPixels;

/// Hot pixels at the warmest temperature, where they stand out best: those that are counted pixel by pixel; where that is
/// not to be had, those that are left out of the longest dark.
pub(crate) fn share(
    sets: &[DarkSet],
    rates: &[Result<Rate, SensorMissing>],
    gain: &Quantity,
    counted: &[PixelDarkRates],
) -> HotPixels {
    let by_temperature =
        |a: Option<f64>, b: Option<f64>| a.unwrap_or(f64::NEG_INFINITY).total_cmp(&b.unwrap_or(f64::NEG_INFINITY));
    let told = counted.iter().filter_map(|p| Some((p, p.hot_pixels?, p.hot_above_e_per_s?)));
    if let Some((p, hot, above)) = told.max_by(|a, b| by_temperature(a.0.celsius, b.0.celsius)) {
        let method = SensorMethod::HotPixelsByRate { above_typical_e_per_s: above };
        let typical = p.quantiles.iter().find(|q| q.share == 0.5).map(|q| q.e_per_px_s);
        return HotPixels {
            fraction: counted_share(hot as usize, p.pixels as usize, method),
            threshold_e_per_s: typical.map(|t| t + above),
            at_celsius: p.celsius,
        };
    }
    let warmest = (0..sets.len())
        .filter(|i| sets[*i].hot.1 > 0)
        .max_by(|a, b| by_temperature(sets[*a].celsius, sets[*b].celsius));
    let Some(i) = warmest else {
        return HotPixels {
            fraction: Quantity::not_measurable(SensorMissing::NoDark),
            threshold_e_per_s: None,
            at_celsius: None,
        };
    };
    let set = &sets[i];
    let typical = rates[i].as_ref().map_or(0.0, |r| r.adu_per_s.max(0.0));
    let threshold = gain.value.map(|g| g * (typical + set.hot_excess_adu / set.longest_s));
    let method =
        SensorMethod::HotPixelsOfLongestDark { times_typical: HOT_TIMES_TYPICAL, noise_sigmas: HOT_NOISE_SIGMAS };
    HotPixels {
        fraction: counted_share(set.hot.0, set.hot.1, method),
        threshold_e_per_s: threshold,
        at_celsius: set.celsius,
    }
}

/// With the error of a count.
fn counted_share(hot: usize, all: usize, method: SensorMethod) -> Quantity {
    let (hot, of) = (hot as f64, all as f64);
    Quantity::measured(hot / of, hot.max(1.0).sqrt() / of, method, all)
}
