//! What made the noise of a light's neighbouring pixels alike, by the bias frames of the same camera.

use crate::facts::Caution;
use crate::facts::night::{Correlated, NoiseOrigin};
use crate::frame::{NoiseCorrelation, ReadOutCorrelation};
use crate::report::Warning;
use crate::sensor::SensorResult;

use super::intake::Intake;
use super::lights::MeasuredLight;

/// The correlation of a light and where it comes from; `None` where its pixels' noise is their own. `sky_sigma_adu` is the
/// noise of its sky.
pub fn correlated(
    light: Option<&NoiseCorrelation>,
    sky_sigma_adu: f64,
    sensor: Option<&SensorResult>,
) -> Option<Correlated> {
    let light = light?;
    let read_out = sensor.and_then(|s| {
        let [x, y] = [&s.read_noise_correlation_x, &s.read_noise_correlation_y].map(crate::facts::Quantity::pair);
        // Without a read noise its share is not known and may be all.
        let share_of_variance = s.read_noise_adu.value.map_or(1.0, |read| (read / sky_sigma_adu).powi(2));
        Some(ReadOutCorrelation { x: x?, y: y?, share_of_variance })
    });
    let origin = light.origin(read_out.as_ref())?;
    // What errors of widths lack where the noise is correlated.
    let width_error_percent = 100.0 * (1.0 - light.error_factor().recip());
    Some(Correlated { strongest: light.strongest(), width_error_percent, origin })
}

/// Lights whose noise is not each pixel's own, one warning for each origin.
pub fn warnings(intakes: &[Intake], lights: &[MeasuredLight]) -> Vec<Warning> {
    let with = |is: fn(NoiseOrigin) -> bool, caution: fn(usize, Correlated) -> Caution| {
        let those = || lights.iter().filter_map(|l| Some((l, l.correlated?))).filter(|(_, c)| is(c.origin));
        let (_, strongest) = those().max_by(|a, b| a.1.strongest.total_cmp(&b.1.strongest))?;
        let paths: Vec<String> = those().map(|(l, _)| intakes[l.index].file.shown.clone()).collect();
        Some(Warning { caution: caution(paths.len(), strongest), paths })
    };
    let all = [
        with(
            |o| matches!(o, NoiseOrigin::Processed { .. }),
            |lights, strongest| Caution::CorrelatedNoise { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::Untold { bias: None }),
            |lights, strongest| Caution::PerhapsResampled { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::Untold { bias: Some(_) }),
            |lights, strongest| Caution::PerhapsResampled { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::ReadOut { .. }),
            |lights, strongest| Caution::CorrelatedReadOut { lights, strongest },
        ),
    ];
    all.into_iter().flatten().collect()
}
