//! What is odd about a header as a whole, for the user to know.

use jiff::civil::DateTime;

use super::Carded;
use crate::facts::header::HeaderCaution;
use crate::fits::Cards;

/// Ratio of the time from DATE-OBS to DATE-END to the exposure from which one of them is wrong: reading out and
/// storing a frame takes part of it, but not more than a short exposure itself.
const ELAPSED_FACTOR: f64 = 2.0;
/// Time that reading out and storing may take, s: slow cameras need this much (common practice, no source).
const READOUT_S: f64 = 30.0;
/// Whole seconds in both dates may shorten the time between them by this much, s.
const ROUNDING_S: f64 = 2.0;

/// One note for each oddity: decimal commas, cards without a value, dates that deny the exposure.
pub(crate) fn oddities(
    cards: &Cards,
    exposure_s: Option<&Carded<f64>>,
    start: Option<&Carded<DateTime>>,
    end: Option<&Carded<DateTime>>,
) -> Vec<HeaderCaution> {
    let commas: Vec<String> = cards.iter().filter(|c| has_decimal_comma(&c.value)).map(|c| c.keyword.clone()).collect();
    let first_word = |card: &String| card.split_whitespace().next().map(str::to_owned);
    let first_words: Vec<String> = cards.malformed.iter().filter_map(first_word).collect();
    let commas = (!commas.is_empty()).then_some(HeaderCaution::DecimalCommas { cards: commas });
    let passed_over = (!first_words.is_empty()).then_some(HeaderCaution::CardsWithoutValue { cards: first_words });
    let repeated = (!cards.repeated.is_empty()).then(|| HeaderCaution::CardsRepeated { cards: cards.repeated.clone() });
    commas
        .into_iter()
        .chain(passed_over)
        .chain(repeated)
        .chain(dates_against_exposure(exposure_s, start, end))
        .collect()
}

/// `3,76`, `1,000E+00`, but no list of numbers and no text.
fn has_decimal_comma(value: &str) -> bool {
    let mut parts = value.trim().split(',');
    let digits = |p: &str| p.trim_start_matches(['+', '-']).bytes().all(|b| b.is_ascii_digit());
    let (Some(whole), Some(rest), None) = (parts.next(), parts.next(), parts.next()) else { return false };
    !whole.is_empty() && digits(whole) && format!("0.{rest}").parse::<f64>().is_ok()
}

fn dates_against_exposure(
    exposure_s: Option<&Carded<f64>>,
    start: Option<&Carded<DateTime>>,
    end: Option<&Carded<DateTime>>,
) -> Option<HeaderCaution> {
    let (exposure, start, end) = (exposure_s?, start?, end?);
    let elapsed = end.value.duration_since(start.value).as_secs_f64();
    let too_long = elapsed > ELAPSED_FACTOR * exposure.value + READOUT_S;
    let too_short = elapsed < exposure.value - ROUNDING_S;
    (too_long || too_short).then(|| HeaderCaution::ExposureAgainstDates {
        card: exposure.card.clone(),
        exposure_s: exposure.value,
        start_card: start.card.clone(),
        end_card: end.card.clone(),
        elapsed_s: elapsed,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_of_numbers_or_a_text_has_no_decimal_comma() {
        for (text, want) in [
            ("3,76", true),
            ("-1,000E+00", true),
            ("1,2,3", false),
            ("M31, core", false),
            (",5", false),
            ("2 , 2", false),
            ("1.95,", false),
        ] {
            assert_eq!(has_decimal_comma(text), want, "{text}");
        }
    }
}
