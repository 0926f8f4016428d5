//! Quantities as a reader sees them: with units, in narrow columns, and set for the page.

use crate::facts::Quantity;
use crate::format::{MOST_DECIMALS, SIGMA_DIGITS, decimals_for, exponent, rounded};
pub use crate::format::{UNKNOWN, plain, with_sigma};

/// A number that is no more than an indication: two significant digits.
pub fn two_digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return plain(value);
    }
    let unit = 10f64.powi(exponent(value.abs()) - 1);
    plain((value / unit).round() * unit)
}

/// A quantity without its unit.
pub fn quantity(q: &Quantity) -> String {
    q.value.map_or_else(|| UNKNOWN.to_owned(), |v| with_sigma(v, q.sigma))
}

/// A quantity with its unit, if it has one.
pub fn with_unit(q: &Quantity, unit: &str) -> String {
    let text = quantity(q);
    match unit {
        _ if unit.is_empty() || !q.is_known() => text,
        // Degrees of an angle are written close (SI brochure, 5.4.3).
        "°" if text.contains('±') => format!("({text}){unit}"),
        "°" => format!("{text}{unit}"),
        _ => format!("{text} {unit}"),
    }
}

/// A quantity in so many columns at most: as many digits as fit, the uncertainty rounded with the value.
///
/// An uncertainty that would round away is shown as one unit of the last place; where nothing fits, the bare value
/// stands, however long.
pub fn within(q: &Quantity, width: usize) -> String {
    let full = quantity(q);
    let (Some((value, sigma)), true) = (q.pair(), full.chars().count() > width) else { return full };
    if sigma <= 0.0 {
        return full;
    }
    (0..decimals_for(sigma, SIGMA_DIGITS).clamp(0, MOST_DECIMALS))
        .rev()
        .map(|places| {
            let shown = sigma.max(10f64.powi(-places));
            format!("{} ± {}", rounded(value, places), rounded(shown, places))
        })
        .find(|text| text.chars().count() <= width)
        .unwrap_or_else(|| plain(value))
}

/// The text as it is set on the page: true minus signs before digits, curved apostrophes within words, °C for a C after
/// a number, and no line break between a value, its uncertainty and its unit.
pub fn typographic(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    let (mut before, mut earlier) = (' ', ' ');
    while let Some(c) = chars.next() {
        let next = chars.peek().copied().unwrap_or(' ');
        out.push(match c {
            '-' if !before.is_alphanumeric() && next.is_ascii_digit() => '\u{2212}',
            '\'' if before.is_alphabetic() && next.is_alphabetic() => '\u{2019}',
            ' ' if matches!(next, '±' | '×' | '%' | '°') || matches!(before, '±' | '×') => '\u{A0}',
            'C' if before == ' ' && earlier.is_ascii_digit() && !next.is_alphanumeric() => '℃',
            other => other,
        });
        (earlier, before) = (before, c);
    }
    out.replace('℃', "°C")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_minus_is_set_before_digits_and_not_within_words() {
        assert_eq!(typographic("at -10.2, 2026-02-11, dark-flat"), "at \u{2212}10.2, 2026-02-11, dark-flat");
    }

    #[test]
    fn degrees_are_set_as_such() {
        assert_eq!(typographic("6.0 to 21.0 C; FITS 4 CCD, C 4"), "6.0 to 21.0 °C; FITS 4 CCD, C 4");
        let angle = Quantity::measured(16.73, 0.61, "x", 1);
        assert_eq!(with_unit(&angle, "°"), "(16.73 ± 0.61)°");
    }

    #[test]
    fn a_value_is_not_torn_from_its_uncertainty() {
        assert_eq!(typographic("it's 2 ± 1 % now"), "it’s 2\u{A0}±\u{A0}1\u{A0}% now");
    }

    #[test]
    fn a_narrow_column_costs_digits_and_cuts_none() {
        let in_columns = |v: f64, s: f64, w| within(&Quantity::measured(v, s, "x", 1), w);
        assert_eq!(in_columns(3.7117, 0.0080, 15), "3.7117 ± 0.0080");
        assert_eq!(in_columns(3.7117, 0.0080, 13), "3.712 ± 0.008");
        assert_eq!(in_columns(3.7117, 0.0004, 13), "3.712 ± 0.001");
        assert_eq!(in_columns(12.345, 0.0123, 9), "12 ± 1");
    }
}
