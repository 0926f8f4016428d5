//! What made the noise of a light's neighbouring pixels alike, by the bias frames of the same camera.

use crate::facts::Quantity;
use crate::facts::night::Correlated;
use crate::frame::{NoiseCorrelation, ReadOutCorrelation};
use crate::sensor::SensorResult;

/// The correlation of a light and where it comes from; `None` where its pixels' noise is their own. `sky_sigma_adu` is the
/// noise of its sky.
pub fn correlated(
    light: Option<&NoiseCorrelation>,
    sky_sigma_adu: f64,
    sensor: Option<&SensorResult>,
) -> Option<Correlated> {
    let light = light?;
    let read_out = sensor.and_then(|s| {
        let [x, y] = [&s.read_noise_correlation_x, &s.read_noise_correlation_y].map(Quantity::pair);
        // Without a read noise its share is not known and may be all.
        let share_of_variance = s.read_noise_adu.value.map_or(1.0, |read| (read / sky_sigma_adu).powi(2));
        Some(ReadOutCorrelation { x: x?, y: y?, share_of_variance })
    });
    let origin = light.origin(read_out.as_ref())?;
    // What errors of widths lack where the noise is correlated.
    let width_error_percent = 100.0 * (1.0 - light.error_factor().recip());
    Some(Correlated { strongest: light.strongest(), width_error_percent, origin })
}
