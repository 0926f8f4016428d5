//! What the user should know of the frames of a sensor.

use super::dark;
use super::note::offset_too_low;
use crate::facts::Quantity;
use crate::facts::sensor::DarkRates;
use crate::facts::sensor_caution::{SensorCaution, StatedBy};
use crate::report::InWords;

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
        C::FlatClipped => "flats with clipped pixels were not used: expose to about half of saturation".to_owned(),
        C::FlatFlicker { scatter } => format!(
            "the rows of this pair of flats differ in level by {:.1} %, as a flickering lamp makes them: each row was \
             brought to level; steady light is better",
            100.0 * scatter
        ),
        C::FlatLevelsDiffer { ratio } => {
            format!("the levels of this pair of flats differ by a factor of {ratio:.2}: steady light is better")
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
