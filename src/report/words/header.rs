//! Words for headers: what is odd about them, and what told a frame's kind.

use std::borrow::Cow;

use crate::facts::KindSource;
use crate::facts::header::{HeaderCaution, Sight, SightSource};

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
        HeaderCaution::ImpossibleAirmass { card, written, used } => impossible_airmass(card, written, used.as_ref()),
        HeaderCaution::SightRefused { refused, used, agreeing } => sight_refused(refused, used, agreeing.as_ref()),
        HeaderCaution::BelowHorizon { told_by, altitude_deg } => format!(
            "{} {:.0} degrees below the horizon, so one of them is wrong and the airmass was not computed from them; {}",
            computed_from(told_by),
            altitude_deg.abs(),
            what_to_do(told_by)
        ),
        HeaderCaution::WcsScaleRefused { card, arcsec_per_px } => {
            format!("the WCS scale of {arcsec_per_px:.3} arcsec/px ({card}) is not plausible and was not used")
        }
        HeaderCaution::LocalTime { card, by, hours } => {
            format!("{card} holds the local time, {hours:+} h from UTC by {by}: that was taken off")
        }
        HeaderCaution::DayOff { card, other } => format!("{other} is a day off {card}, which was used"),
        HeaderCaution::WestPositive { card, degrees, by, hours } => format!(
            "{card} = {degrees} was counted towards the west: the clock of the site is {hours:+} h from UTC ({by})"
        ),
        HeaderCaution::DecimalCommas { cards } => {
            format!("{}: a decimal comma was read as a point", cards.join(", "))
        }
        HeaderCaution::CardsRepeated { cards } => {
            format!(
                "{} stand(s) in the header more than once, with different values: the first was used",
                cards.join(", ")
            )
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

fn impossible_airmass(card: &str, written: &str, used: Option<&Sight>) -> String {
    let instead = used
        .map_or_else(|| "nothing else tells the airmass".to_owned(), |used| format!("{}, which was used", sight(used)));
    format!(
        "{card} = {written} cannot be an airmass, which is 1 at the zenith and 38 at the horizon, and was not used; \
         {instead}; correct or remove {card} in the header"
    )
}

fn sight_refused(refused: &Sight, used: &Sight, agreeing: Option<&Sight>) -> String {
    let agrees = agreeing.map_or_else(
        || match used.told_by {
            SightSource::Computed { .. } => " (computed values are trusted before cards)".to_owned(),
            _ => " (an altitude is trusted before an airmass, which is derived from it)".to_owned(),
        },
        |agreeing| format!(", and {}", sight(agreeing)),
    );
    format!(
        "{}, but {}{agrees}: the airmass {:.3} was used; {}",
        sight(refused),
        sight(used),
        used.airmass,
        what_to_do(&refused.told_by)
    )
}

/// What one source tells of the air before the telescope.
fn sight(s: &Sight) -> String {
    match &s.told_by {
        SightSource::Airmass { card } => {
            format!("{card} says an airmass of {:.3} (an altitude of {:.1} degrees)", s.airmass, s.altitude_deg)
        }
        SightSource::Altitude { card } => {
            format!("{card} says an altitude of {:.1} degrees (an airmass of {:.3})", s.altitude_deg, s.airmass)
        }
        of @ SightSource::Computed { .. } => {
            format!("{} at {:.1} degrees (an airmass of {:.3})", computed_from(of), s.altitude_deg, s.airmass)
        }
    }
}

/// The beginning of a clause that ends in an altitude.
fn computed_from(source: &SightSource) -> String {
    match source {
        SightSource::Computed { pointing, latitude, longitude, start } => {
            format!("the direction of {pointing} seen from {latitude} and {longitude} at {start} puts the target")
        }
        SightSource::Airmass { card } | SightSource::Altitude { card } => format!("{card} puts the target"),
    }
}

fn what_to_do(source: &SightSource) -> String {
    match source {
        SightSource::Airmass { card } | SightSource::Altitude { card } => {
            format!("correct or remove {card} in the header")
        }
        SightSource::Computed { pointing, latitude, longitude, start } => format!(
            "check {latitude}, {longitude} (east positive), {start} (UTC) and {pointing}; rig keys site_latitude_deg, \
             site_longitude_deg and pointing override them"
        ),
    }
}

/// What told a frame's kind.
pub(crate) fn kind_source(source: &KindSource) -> Cow<'_, str> {
    match source {
        KindSource::Nothing => "".into(),
        KindSource::Pixels => "its pixels".into(),
        KindSource::Exposure => "its exposure".into(),
        KindSource::Name(name) => format!("the name {name}").into(),
        KindSource::Card(told) | KindSource::Quoted(told) | KindSource::Stated(told) => told.into(),
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
