//! Numbers in words: the uncertainty to two significant digits, the value to the same place.
//!
//! Source: JCGM 100:2008 (GUM), 7.2.6: an uncertainty is usually quoted to at most two significant digits, and the
//! value is rounded to be consistent with it.

/// Significant digits of an uncertainty (GUM 7.2.6).
pub(crate) const SIGMA_DIGITS: i32 = 2;
/// Significant digits of a value without uncertainty: enough to recognise a header value, no claim of more.
const BARE_DIGITS: i32 = 4;
/// Decimals beyond which powers of ten read better; a matter of taste.
pub(crate) const MOST_DECIMALS: i32 = 6;
/// Digits before the point beyond which powers of ten read better; a matter of taste.
const MOST_WHOLE_DIGITS: i32 = 7;

/// Uncertainty over value below which it says nothing: the rounding of single-precision pixels.
const LEAST_RELATIVE_SIGMA: f64 = 1e-7;

/// What stands for a value that is not known.
pub const UNKNOWN: &str = "not measurable";

/// `3.42 ± 0.05` from a value and its one-sigma uncertainty; the value alone where the uncertainty is not known.
///
/// A number that is not finite gives `not measurable`.
pub fn with_sigma(value: f64, sigma: Option<f64>) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let told = |s: &f64| s.is_finite() && *s > LEAST_RELATIVE_SIGMA * value.abs();
    let Some(sigma) = sigma.filter(told) else { return plain(value) };
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

/// A value to so many digits at most, with its uncertainty to two at most and never finer than the value.
///
/// An uncertainty that would round away is shown as one unit of the last place.
pub fn capped(value: f64, sigma: f64, digits: i32) -> String {
    let of_value = decimals_for(value.abs().max(sigma), digits).max(0);
    if sigma <= 0.0 {
        return rounded(value, of_value);
    }
    let places = of_value.min(decimals_for(sigma, SIGMA_DIGITS).max(0));
    format!("{} ± {}", rounded(value, places), rounded(sigma.max(10f64.powi(-places)), places))
}

/// Power of ten of the first digit; 0 for 0.
pub(crate) fn exponent(x: f64) -> i32 {
    if x > 0.0 { x.log10().floor() as i32 } else { 0 }
}

/// Decimals that show `x` with so many significant digits, after the rounding itself.
pub(crate) fn decimals_for(x: f64, digits: i32) -> i32 {
    let first = digits - 1 - exponent(x);
    let unit = 10f64.powi(first);
    let carried = (x * unit).round() / unit;
    digits - 1 - exponent(carried)
}

/// Rounded at a place that may lie before the point.
pub(crate) fn rounded(x: f64, decimals: i32) -> String {
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
        assert_eq!(with_sigma(1234.5, Some(120.0)), "1230 ± 120");
        assert_eq!(with_sigma(2.0, Some(0.0996)), "2.00 ± 0.10");
        assert_eq!(with_sigma(3.0, Some(9.96)), "3 ± 10");
    }

    #[test]
    fn tiny_and_huge_numbers_are_written_with_a_power_of_ten() {
        assert_eq!(with_sigma(1.234e-7, Some(2.1e-9)), "(1.234 ± 0.021) × 10⁻⁷");
        assert_eq!(with_sigma(2.5e-9, Some(3e-10)), "(2.50 ± 0.30) × 10⁻⁹");
        assert_eq!(plain(1.5e-7), "1.5 × 10⁻⁷");
        assert_eq!(plain(3.0e9), "3 × 10⁹");
    }

    #[test]
    fn a_value_without_uncertainty_claims_four_digits() {
        assert_eq!(plain(1.552_438), "1.552");
        assert_eq!(plain(120.0), "120");
        assert_eq!(plain(0.0), "0");
        assert_eq!(plain(48_000.0), "48000");
        assert_eq!(with_sigma(2.5, None), "2.5");
        assert_eq!(with_sigma(2.0, Some(0.0)), "2");
    }

    #[test]
    fn a_number_that_is_not_finite_is_unknown() {
        assert_eq!(with_sigma(f64::NAN, Some(1.0)), UNKNOWN);
        assert_eq!(plain(f64::INFINITY), UNKNOWN);
        assert_eq!(with_sigma(1.0, Some(f64::NAN)), "1");
    }

    #[test]
    fn a_negative_that_rounds_away_has_no_sign() {
        assert_eq!(with_sigma(-0.001, Some(0.52)), "0.00 ± 0.52");
        assert_eq!(with_sigma(-0.0004, Some(0.25)), "0.00 ± 0.25");
    }
}
