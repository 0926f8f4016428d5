//! What the user should know of the frames of a sensor.

use super::super::cooling::step;
use super::dark;
use super::note::offset_too_low;
use crate::facts::Quantity;
use crate::facts::sensor::DarkRates;
use crate::facts::sensor_caution::{SensorCaution, StatedBy};
use crate::report::InWords;

/// Darks whose rates do not follow the law of silicon.
fn not_of_silicon(doubling_celsius: f64) -> String {
    let cause = if doubling_celsius < MIDDLE_STEP_C {
        "warmer darks that light reached or that were taken at another gain, or a sensor that was warmer than its thermometer said"
    } else {
        "light or glow in the darks, a thermometer that does not follow the sensor, or a camera that takes the dark level off"
    };
    format!(
        "these darks would double their dark current every {}, where silicon needs 4 to 10 °C: {cause}; a published step is assumed \
         instead",
        step(doubling_celsius)
    )
}

/// A step between those that are too fast and those that are too slow, C.
const MIDDLE_STEP_C: f64 = 6.5;

/// What is the matter and what helps.
pub(crate) fn caution(caution: &SensorCaution) -> String {
    use SensorCaution as C;
    match caution {
        C::NotRaw { planes } => format!("{planes} colour planes: not raw, its noise is not the sensor's"),
        C::NoValidPixels => "no valid pixels".to_owned(),
        C::SizeDiffers { have, want } => {
            format!("{have:?} (columns, rows) where the sensor's other frames have {want:?}")
        }
        C::IdenticalFrames => {
            "these frames repeat another pixel for pixel and were left out: a copy has no noise of its own".to_owned()
        }
        C::BiasFloor { fraction } => offset_too_low(*fraction),
        C::DarkWithoutExposure => "darks whose exposure is not known were passed over".to_owned(),
        C::DarkLevelSuppressed => dark::rates(&DarkRates::Variance),
        C::DarkLawNotOfSilicon { doubling_celsius } => not_of_silicon(*doubling_celsius),
        C::DarksDiffer { celsius, exposure_s, darks, least_adu, most_adu } => format!(
            "{darks} darks of {exposure_s} s{} hold from {least_adu:.1} to {most_adu:.1} ADU of charge: their thermometer does not \
             follow the sensor, light reached some of them, or their settings differ; take them anew, the sensor settled and capped",
            celsius.map_or_else(String::new, |c| format!(" at {c:.1} C"))
        ),
        C::BiasesDiffer { celsius, low, low_adu, high, high_adu } => format!(
            "of the bias frames{} {low} have a level of {low_adu:.1} ADU and {high} one of {high_adu:.1} ADU: the offset was changed, \
             or they are of two cameras; give those of the lights' camera and settings",
            celsius.map_or_else(String::new, |c| format!(" at {c:.1} C"))
        ),
        C::FlatsDiffer { signal_adu, gains_e_per_adu: [low, high] } => format!(
            "pairs of flats of about {signal_adu:.0} ADU give gains of {low:.3} and {high:.3} e-/ADU: taken at two gain settings, \
             processed, or of two cameras; give flats of the lights' camera and settings"
        ),
        C::FlatsResampled { correlation } => format!(
            "neighbouring pixels of these flats share {:.0} % of their noise: resampled or smoothed, so they tell no gain and were \
             left out; give the frames that the camera wrote",
            100.0 * correlation
        ),
        C::FlatClipped => "flats with clipped pixels were not used: expose to about half of saturation".to_owned(),
        C::FlatFlicker { scatter } => format!(
            "the rows of these flats differ in level by up to {:.1} %, as a flickering lamp makes them: each row was \
             brought to level; steady light is better",
            100.0 * scatter
        ),
        C::FlatLevelsDiffer { ratio } => {
            format!("the levels of two flats of a pair differ by a factor of {ratio:.2}: steady light is better")
        }
        C::GainDisagrees { measured_e_per_adu, stated_e_per_adu, stated_by } => {
            let by = match stated_by {
                StatedBy::Card(card) => format!("the header card {card}"),
                StatedBy::RigFile => "the rig file".to_owned(),
            };
            format!("the frames give {measured_e_per_adu:.3} e-/ADU, {by} says {stated_e_per_adu:.3}")
        }
        C::SeveralAmplifiers { gains_e_per_adu, read_noises_adu } => {
            let gain = gains_e_per_adu.as_ref().map(|gains| format!("gain {} e-/ADU, ", each(gains)));
            format!(
                "several amplifiers: by quadrant (low columns, high columns; low rows, then high rows) {}read noise {} \
                 ADU; the sensor's own values are means over them",
                gain.unwrap_or_default(),
                each(read_noises_adu)
            )
        }
    }
}

fn each(quadrants: &[Quantity]) -> String {
    quadrants.iter().map(|q| q.text("")).collect::<Vec<String>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quadrants_are_listed_with_their_gains_where_there_are_any() {
        let four = |value: f64| (0..4).map(|i| Quantity::rig(value + f64::from(i), "k")).collect::<Vec<_>>();
        let of = |gains_e_per_adu| {
            caution(&SensorCaution::SeveralAmplifiers { gains_e_per_adu, read_noises_adu: four(4.0) })
        };
        assert!(of(None).contains("then high rows) read noise 4, 5, 6, 7 ADU; the sensor's own"), "{}", of(None));
        assert!(of(Some(four(1.0))).contains("gain 1, 2, 3, 4 e-/ADU, read noise 4,"), "{}", of(Some(four(1.0))));
    }
}
