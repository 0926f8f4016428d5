//! Temperatures of sensor and cooler: kelvin, units in the text, numbers that stand for nothing.

use super::vocabulary::{Entry, PLAUSIBLE_KELVIN};
use super::{Carded, HeaderNote};
use crate::fits::{Cards, leading_number};
use crate::units::ZERO_CELSIUS_K;

/// Set-point from which a measured 0 exactly is no measurement, degrees Celsius from 0.
const FAR_CELSIUS: f64 = 5.0;

/// The most trusted card with a possible temperature, degrees Celsius.
pub(crate) fn temperature(cards: &Cards, entry: &Entry, notes: &mut Vec<HeaderNote>) -> Option<Carded<f64>> {
    entry.cards.iter().find_map(|(keyword, _)| of_card(cards, keyword, entry, notes))
}

fn of_card(cards: &Cards, keyword: &str, entry: &Entry, notes: &mut Vec<HeaderNote>) -> Option<Carded<f64>> {
    let card = cards.get(keyword)?;
    let number = leading_number(&card.value)?;
    let unit = card.value.trim_start_matches(|c: char| !c.is_ascii_alphabetic()).trim();
    let comment = card.comment.to_ascii_lowercase();
    let says_kelvin = unit.eq_ignore_ascii_case("k") || comment.contains("kelvin") || comment.starts_with("[k]");
    let told = if says_kelvin || PLAUSIBLE_KELVIN.contains(&number) {
        notes.push(HeaderNote::new(format!("{keyword} in kelvin"), format!("{keyword} = {number} was read as kelvin")));
        Carded::new(number - ZERO_CELSIUS_K, keyword).by(format!("{number} K less {ZERO_CELSIUS_K}"))
    } else {
        Carded::new(number, keyword)
    };
    if entry.range.contains(&told.value) {
        return Some(told);
    }
    let text = format!("{keyword} = {number} is no {} and was not used", entry.name);
    notes.push(HeaderNote::new(format!("{keyword} refused"), text));
    None
}

/// A measured 0.0 exactly, far from the set-point, is what software writes when it cannot read the sensor.
pub(crate) fn not_a_placeholder(
    measured: Option<Carded<f64>>,
    set_point: Option<&Carded<f64>>,
    notes: &mut Vec<HeaderNote>,
) -> Option<Carded<f64>> {
    let measured = measured?;
    if measured.value == 0.0 && set_point.is_some_and(|s| s.value.abs() > FAR_CELSIUS) {
        let text = format!("{} = 0 far from the set-point is a placeholder and was not used", measured.card);
        notes.push(HeaderNote::plain(text));
        return None;
    }
    Some(measured)
}
