//! Share of hot pixels.

use crate::quantity::Quantity;

use super::HotPixels;
use super::dark::DarkSet;
use super::dark_mask::{HOT_NOISE_SIGMAS, HOT_TIMES_TYPICAL};
use super::rates::Rate;

/// Hot pixels of the longest dark at the warmest temperature, where they stand out best.
pub(super) fn share(sets: &[DarkSet], rates: &[Result<Rate, String>], gain: &Quantity) -> HotPixels {
    let warmest = (0..sets.len()).filter(|i| sets[*i].hot.1 > 0).max_by(|a, b| {
        let key = |i: usize| sets[i].celsius.unwrap_or(f64::NEG_INFINITY);
        key(*a).total_cmp(&key(*b))
    });
    let Some(i) = warmest else {
        return HotPixels {
            fraction: Quantity::not_measurable("dark frames would supply it"),
            threshold_e_per_s: None,
            at_celsius: None,
        };
    };
    let set = &sets[i];
    let (hot, all) = (set.hot.0 as f64, set.hot.1 as f64);
    let typical = rates[i].as_ref().map_or(0.0, |r| r.adu_per_s.max(0.0));
    let threshold = gain.value.map(|g| g * (typical + set.hot_excess_adu / set.longest_s));
    let method = format!(
        "share of pixels of the longest dark above {HOT_TIMES_TYPICAL:.0} times the typical level and above \
         {HOT_NOISE_SIGMAS:.0} times the noise; n counts pixels"
    );
    let fraction = Quantity::measured(hot / all, hot.max(1.0).sqrt() / all, method, set.hot.1);
    HotPixels { fraction, threshold_e_per_s: threshold, at_celsius: set.celsius }
}
