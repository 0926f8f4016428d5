//! Words for headers: what is odd about them, and what told a frame's kind.

use crate::facts::KindSource;
use crate::facts::header::HeaderCaution;

/// What is odd about a header.
pub(crate) fn caution(about: &HeaderCaution) -> String {
    match about {
        HeaderCaution::CardsDisagree { card, value, other, other_value, unit, quantity } => {
            format!("{card} says {value} {unit}, {other} says {other_value} {unit}: {card} was used for the {quantity}")
        }
        HeaderCaution::Refused { card, written, quantity, unit, perhaps_in } => {
            let guess = perhaps_in.as_ref().map(|unit| format!(" (is it in {unit}?)")).unwrap_or_default();
            format!("{card} = {written} is no {quantity} in {unit}{guess} and was not used")
        }
        HeaderCaution::TemperatureRefused { card, number, quantity } => {
            format!("{card} = {number} is no {quantity} and was not used")
        }
        HeaderCaution::ReadAsKelvin { card, number } => format!("{card} = {number} was read as kelvin"),
        HeaderCaution::PlaceholderTemperature { card } => {
            format!("{card} = 0 far from the set-point is a placeholder and was not used")
        }
        HeaderCaution::ExposureAgainstDates { card, exposure_s, start_card, end_card, elapsed_s } => format!(
            "{card} says {exposure_s} s, but from {start_card} to {end_card} it is {elapsed_s} s: check the exposure \
             time, {card} was used"
        ),
        HeaderCaution::AirmassAgainstAltitude { card, airmass, altitude_card, altitude_deg, of_altitude } => format!(
            "{card} says an airmass of {airmass}, {altitude_card} of {altitude_deg} degrees one of {of_altitude:.3}: \
             {card} was used"
        ),
        HeaderCaution::WcsScaleRefused { card, arcsec_per_px } => {
            format!("the WCS scale of {arcsec_per_px:.3} arcsec/px ({card}) is not plausible and was not used")
        }
        HeaderCaution::DecimalCommas { cards } => {
            format!("{}: a decimal comma was read as a point", cards.join(", "))
        }
        HeaderCaution::CardsWithoutValue { cards } => {
            format!("cards without an equals sign hold no value and were passed over: {}", cards.join(", "))
        }
        HeaderCaution::InElectrons => {
            "BUNIT says electrons: not a raw frame; its numbers are not multiplied by a gain again".to_owned()
        }
        HeaderCaution::RowsFromBottom => {
            "ROWORDER says bottom-up: the colour pattern was counted from the last row of the file".to_owned()
        }
        HeaderCaution::FurtherImages { hdu, further } => {
            format!("HDU {hdu} was measured; {further} further image(s) of the file were not")
        }
    }
}

/// What told a frame's kind.
pub(crate) fn kind_source(source: &KindSource) -> &str {
    match source {
        KindSource::Nothing => "",
        KindSource::Pixels => "its pixels",
        KindSource::Card(told) | KindSource::Quoted(told) => told,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refused_number_says_what_unit_it_may_be_in() {
        let refused = |perhaps: Option<&str>| HeaderCaution::Refused {
            card: "FOCALLEN".to_owned(),
            written: "0.53".to_owned(),
            quantity: "focal length".to_owned(),
            unit: "mm".to_owned(),
            perhaps_in: perhaps.map(str::to_owned),
        };
        let words = caution(&refused(Some("metres")));
        assert_eq!(words, "FOCALLEN = 0.53 is no focal length in mm (is it in metres?) and was not used");
        assert_eq!(caution(&refused(None)), "FOCALLEN = 0.53 is no focal length in mm and was not used");
    }
}
