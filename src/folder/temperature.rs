//! Temperatures of sensor and cooler: kelvin, units in the text, numbers that stand for nothing.

use super::Carded;
use super::vocabulary::{Entry, PLAUSIBLE_KELVIN};
use crate::facts::header::HeaderCaution;
use crate::fits::{Cards, leading_number};
use crate::units::ZERO_CELSIUS_K;

/// Set-point from which a measured 0 exactly is no measurement, degrees Celsius from 0.
const FAR_CELSIUS: f64 = 5.0;

/// The most trusted card with a possible temperature, degrees Celsius.
pub(crate) fn temperature(cards: &Cards, entry: &Entry, notes: &mut Vec<HeaderCaution>) -> Option<Carded<f64>> {
    entry.cards.iter().find_map(|(keyword, _)| of_card(cards, keyword, entry, notes))
}

fn of_card(cards: &Cards, keyword: &str, entry: &Entry, notes: &mut Vec<HeaderCaution>) -> Option<Carded<f64>> {
    let card = cards.get(keyword)?;
    let number = leading_number(&card.value)?;
    let unit = card.value.trim_start_matches(|c: char| !c.is_ascii_alphabetic()).trim();
    let comment = card.comment.to_ascii_lowercase();
    let says_kelvin = unit.eq_ignore_ascii_case("k") || comment.contains("kelvin") || comment.starts_with("[k]");
    let told = if says_kelvin || PLAUSIBLE_KELVIN.contains(&number) {
        notes.push(HeaderCaution::ReadAsKelvin { card: keyword.to_owned(), number });
        Carded::new(number - ZERO_CELSIUS_K, keyword).by(format!("{number} K less {ZERO_CELSIUS_K}"))
    } else {
        Carded::new(number, keyword)
    };
    if entry.range.contains(&told.value) {
        return Some(told);
    }
    let quantity = entry.name.to_owned();
    notes.push(HeaderCaution::TemperatureRefused { card: keyword.to_owned(), number, quantity });
    None
}

/// A measured 0.0 exactly, far from the set-point, is what software writes when it cannot read the sensor.
pub(crate) fn not_a_placeholder(
    measured: Option<Carded<f64>>,
    set_point: Option<&Carded<f64>>,
    notes: &mut Vec<HeaderCaution>,
) -> Option<Carded<f64>> {
    let measured = measured?;
    if measured.value == 0.0 && set_point.is_some_and(|s| s.value.abs() > FAR_CELSIUS) {
        notes.push(HeaderCaution::PlaceholderTemperature { card: measured.card });
        return None;
    }
    Some(measured)
}
