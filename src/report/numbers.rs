//! Numbers as a reader sees them: the uncertainty to two significant digits, the value to the same place.
//!
//! Source: JCGM 100:2008 (GUM), 7.2.6: an uncertainty is usually quoted to at most two significant digits, and the
//! value is rounded to be consistent with it.

use crate::quantity::Quantity;

/// Significant digits of an uncertainty (GUM 7.2.6).
const SIGMA_DIGITS: i32 = 2;
/// Significant digits of a value without uncertainty: enough to recognise a header value, no claim of more.
const BARE_DIGITS: i32 = 4;
/// Decimals beyond which powers of ten read better; a matter of taste.
const MOST_DECIMALS: i32 = 6;
/// Digits before the point beyond which powers of ten read better; a matter of taste.
const MOST_WHOLE_DIGITS: i32 = 7;

/// What stands for a value that is not known.
pub const UNKNOWN: &str = "not measurable";

/// `3.42 ± 0.05` from a value and its one-sigma uncertainty; the value alone where the uncertainty is not known.
///
/// A number that is not finite gives `not measurable`.
pub fn with_sigma(value: f64, sigma: Option<f64>) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let Some(sigma) = sigma.filter(|s| s.is_finite() && *s > 0.0) else { return plain(value) };
    let decimals = decimals_for(sigma, SIGMA_DIGITS);
    let top = exponent(value.abs().max(sigma));
    if decimals > MOST_DECIMALS || top >= MOST_WHOLE_DIGITS {
        let unit = 10f64.powi(top);
        let places = (decimals + top).max(0) as usize;
        return format!("({:.places$} ± {:.places$}) × 10{}", value / unit, sigma / unit, superscript(top));
    }
    format!("{} ± {}", rounded(value, decimals), rounded(sigma, decimals))
}

/// A number without an uncertainty, to four significant digits; integers below ten million in full.
pub fn plain(value: f64) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let top = exponent(value.abs());
    if value == 0.0 {
        return "0".to_owned();
    }
    if value.fract() == 0.0 && top < MOST_WHOLE_DIGITS {
        return format!("{value:.0}");
    }
    if !(-4..MOST_WHOLE_DIGITS).contains(&top) {
        let mantissa = trimmed(format!("{:.*}", (BARE_DIGITS - 1) as usize, value / 10f64.powi(top)));
        return format!("{mantissa} × 10{}", superscript(top));
    }
    trimmed(rounded(value, decimals_for(value.abs(), BARE_DIGITS)))
}

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

/// Power of ten of the first digit; 0 for 0.
fn exponent(x: f64) -> i32 {
    if x > 0.0 { x.log10().floor() as i32 } else { 0 }
}

/// Decimals that show `x` with so many significant digits, after the rounding itself.
fn decimals_for(x: f64, digits: i32) -> i32 {
    let first = digits - 1 - exponent(x);
    let unit = 10f64.powi(first);
    let carried = (x * unit).round() / unit;
    digits - 1 - exponent(carried)
}

/// Rounded at a place that may lie before the point.
fn rounded(x: f64, decimals: i32) -> String {
    let text = if decimals >= 0 {
        format!("{x:.*}", decimals as usize)
    } else {
        let unit = 10f64.powi(-decimals);
        format!("{:.0}", (x / unit).round() * unit)
    };
    // A rounded-away negative is zero.
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

fn trimmed(text: String) -> String {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn superscript(n: i32) -> String {
    n.to_string()
        .chars()
        .map(|c| match c.to_digit(10) {
            Some(d) => ['⁰', '¹', '²', '³', '⁴', '⁵', '⁶', '⁷', '⁸', '⁹'][d as usize],
            None => '⁻',
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // GUM 7.2.2: m_S = (100,021 47 +- 0,000 35) g (example value; decimal comma there).
    #[test]
    fn the_uncertainty_sets_the_place_of_rounding() {
        assert_eq!(with_sigma(100.021_47, Some(0.000_35)), "100.02147 ± 0.00035");
        // GUM 7.2.6: R = 10,057 62 ohm with u = 27 mohm is rounded to 10,058 ohm.
        assert_eq!(with_sigma(10.057_62, Some(0.027)), "10.058 ± 0.027");
    }

    #[test]
    fn rounding_that_carries_keeps_two_digits() {
        assert_eq!(with_sigma(3.2, Some(0.0997)), "3.20 ± 0.10");
        assert_eq!(with_sigma(51_234.0, Some(1234.0)), "51200 ± 1200");
    }

    #[test]
    fn tiny_and_huge_numbers_are_written_with_a_power_of_ten() {
        assert_eq!(with_sigma(1.234e-7, Some(2.1e-9)), "(1.234 ± 0.021) × 10⁻⁷");
        assert_eq!(plain(1.5e-7), "1.5 × 10⁻⁷");
        assert_eq!(plain(3.0e9), "3 × 10⁹");
    }

    #[test]
    fn a_value_without_uncertainty_claims_four_digits() {
        assert_eq!(plain(1.552_438), "1.552");
        assert_eq!(plain(120.0), "120");
        assert_eq!(plain(0.0), "0");
        assert_eq!(with_sigma(2.5, None), "2.5");
    }

    #[test]
    fn a_number_that_is_not_finite_is_unknown() {
        assert_eq!(with_sigma(f64::NAN, Some(1.0)), UNKNOWN);
        assert_eq!(plain(f64::INFINITY), UNKNOWN);
        assert_eq!(with_sigma(1.0, Some(f64::NAN)), "1");
    }

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

    #[test]
    fn a_negative_that_rounds_away_has_no_sign() {
        assert_eq!(with_sigma(-0.001, Some(0.52)), "0.00 ± 0.52");
    }
}
