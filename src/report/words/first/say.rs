//! Numbers of prose.

use crate::facts::{Quantity, Source};

/// Relative error below which "about" stands for it.
const ABOUT: f64 = 0.1;

/// Two significant digits, whole numbers as they are read.
pub fn two(value: f64) -> String {
    digits(value, 2)
}

/// Three: scales and focal lengths.
pub fn three(value: f64) -> String {
    digits(value, 3)
}

fn digits(value: f64, n: usize) -> String {
    let written = format!("{value:.*e}", n - 1);
    let Some((_, exponent)) = written.split_once('e') else { return written };
    let (rounded, exponent) = (written.parse::<f64>().unwrap_or(value), exponent.parse::<i64>().unwrap_or(0));
    let decimals = (n as i64 - 1 - exponent).max(0) as usize;
    format!("{rounded:.decimals$}")
}

/// A value with its unit: "about 3.9 arcsec", "3.4 to 4.3 arcsec", "probably about 3.9 arcsec"; `None` of an unknown one.
pub fn about(q: &Quantity, unit: &str) -> Option<String> {
    let (value, sigma) = q.pair()?;
    let probably = if q.source == Source::Assumed { "probably " } else { "" };
    if sigma <= ABOUT * value.abs() {
        return Some(format!("{probably}about {} {unit}", two(value)));
    }
    let low = if value >= 0.0 { (value - sigma).max(0.0) } else { value - sigma };
    Some(format!("{probably}{} to {} {unit}", two(low), two(value + sigma)))
}

/// A share as whole per cent: "42 %", "under 1 %".
pub fn percent(share: f64) -> String {
    match 100.0 * share {
        p if p < 0.5 => "under 1 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}

/// A text with a capital at its start.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A reason as a sentence of its own.
pub fn not_known(reason: &str) -> String {
    match reason {
        "" => "Not known.".to_owned(),
        reason => format!("Not known: {}.", reason.trim_end_matches('.')),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prose_has_two_digits_and_says_how_sure() {
        for (value, want) in [
            (3.94, "3.9"),
            (9.96, "10"),
            (0.0345, "0.035"),
            (983.0, "980"),
            (1234.0, "1200"),
            (0.0, "0.0"),
            (41.6, "42"),
        ] {
            assert_eq!(two(value), want);
        }
        assert_eq!((three(1.6289).as_str(), three(480.2).as_str()), ("1.63", "480"));
        let of = |value, sigma| about(&Quantity::measured(value, sigma, "a", 3), "arcsec").unwrap();
        assert_eq!(of(3.94, 0.1), "about 3.9 arcsec");
        assert_eq!(of(3.94, 0.8), "3.1 to 4.7 arcsec");
        assert_eq!(of(0.2, 0.5), "0.0 to 0.70 arcsec");
        let assumed = Quantity::with(Source::Assumed, 5.0, Some(0.1), "a", 1);
        assert_eq!(about(&assumed, "s").unwrap(), "probably about 5.0 s");
        assert_eq!((percent(0.4151), percent(0.003)), ("42 %".to_owned(), "under 1 %".to_owned()));
    }
}
