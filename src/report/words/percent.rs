//! Shares as a reader wants them: percent with three digits at most, and "less than" where it is next to nothing.

use crate::facts::Quantity;
use crate::format::{UNKNOWN, capped};

/// Percent below which a share is only called less than that: finer figures would tell a reader nothing.
const LEAST_TOLD: [f64; 2] = [0.01, 0.1];

/// Standard uncertainties added before a share is called less than a limit (the usual two-sigma convention).
const SURELY_BELOW: f64 = 2.0;

/// Significant digits of a share.
const VALUE_DIGITS: i32 = 3;

/// `46.5 ± 1.2 %` or `less than 0.01 %` from a share between 0 and 1; `not measurable` where it is unknown.
pub fn percent(share: &Quantity) -> String {
    let Some((value, sigma)) = share.scaled(100.0).pair() else { return UNKNOWN.to_owned() };
    match surely_below(share) {
        Some(limit) => format!("less than {limit} %"),
        None => format!("{} %", capped(value, sigma, VALUE_DIGITS)),
    }
}

/// The same without its unit, for a narrow column: `46.5 ± 1.2` or `< 0.01`; `-` where it is unknown.
pub(crate) fn percent_of_column(share: &Quantity) -> String {
    let Some((value, sigma)) = share.scaled(100.0).pair() else { return "-".to_owned() };
    match surely_below(share) {
        Some(limit) => format!("< {limit}"),
        None => capped(value, sigma, VALUE_DIGITS),
    }
}

/// The percentage that a share next to nothing lies below; `None` for one that is told by its value.
pub(crate) fn surely_below(share: &Quantity) -> Option<f64> {
    let (value, sigma) = share.scaled(100.0).pair()?;
    let magnitude = value.abs() + SURELY_BELOW * sigma;
    LEAST_TOLD.into_iter().find(|limit| magnitude < *limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(value: f64, sigma: f64) -> String {
        percent(&Quantity::measured(value / 100.0, sigma / 100.0, "x", 1))
    }

    #[test]
    fn next_to_nothing_is_only_bounded() {
        assert_eq!(text(0.005_04, 0.000_77), "less than 0.01 %");
        assert_eq!(text(0.05, 0.01), "less than 0.1 %");
        assert_eq!(text(0.05, 0.04), "0.050 \u{b1} 0.040 %");
    }

    #[test]
    fn a_share_has_three_digits_at_most() {
        assert_eq!(text(46.512, 1.23), "46.5 \u{b1} 1.2 %");
        assert_eq!(text(85.123, 0.034), "85.1 \u{b1} 0.1 %");
        assert_eq!(text(39.4, 12.3), "39 \u{b1} 12 %");
        assert_eq!(text(35.99, 0.70), "36.0 \u{b1} 0.7 %");
        assert_eq!(text(99.96, 0.034), "100 \u{b1} 1 %");
        assert_eq!(text(-0.3, 1.2), "-0.3 \u{b1} 1.2 %");
        assert_eq!(text(12.345, 0.0), "12.3 %");
    }

    #[test]
    fn an_unknown_share_is_said_to_be_so() {
        assert_eq!(percent(&Quantity::not_measurable("no darks")), "not measurable");
    }
}
