//! Where a header says that the telescope pointed, in all the ways in which headers say it.

use super::carded::Carded;
use super::vocabulary::{DEGREES_PER_HOUR, EQUINOX, PLAUSIBLE_EQUINOX, POINTING};
use crate::fits::{Card, Cards, leading_number};

/// A direction that someone stated, not yet brought to J2000.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pointing {
    /// Right ascension, degrees.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
    /// Equinox of the coordinates, years; `None` where nothing tells.
    pub equinox_year: Option<f64>,
}

/// The WCS of a header: the standard's CRVAL, CRPIX and CD for the tangent projection.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeaderWcs {
    /// Right ascension and declination of the reference pixel, degrees.
    pub reference_deg: [f64; 2],
    /// Reference pixel, counted from 1.
    pub reference_px: [f64; 2],
    /// Degrees towards east and north per pixel along x and y.
    pub matrix_deg_per_px: [[f64; 2]; 2],
    /// Whether that is all: a tangent projection without terms for distortion, which places stars to their own errors.
    pub exact: bool,
}

impl Pointing {
    /// Reads `RA DEC` as people write it: `16 41 41 +36 27 35`, `16:41:41 +36:27:35`, or degrees `250.42 36.46`.
    pub fn parse(text: &str) -> Option<Self> {
        let words: Vec<&str> = text.split([' ', ',']).filter(|w| !w.is_empty()).collect();
        let (ra, dec) = match words.len() {
            2 => (words[0].to_owned(), words[1].to_owned()),
            4 | 6 => {
                let (ra, dec) = words.split_at(words.len() / 2);
                (ra.join(" "), dec.join(" "))
            }
            _ => return None,
        };
        let (ra, parts) = angle(&ra)?;
        let ra_deg = if parts > 1 { ra * DEGREES_PER_HOUR } else { ra };
        Self::checked(ra_deg, angle(&dec)?.0, None)
    }

    fn checked(ra_deg: f64, dec_deg: f64, equinox_year: Option<f64>) -> Option<Self> {
        let possible = (-180.0..=360.0).contains(&ra_deg) && dec_deg.abs() <= 90.0;
        possible.then(|| Self { ra_deg: ra_deg.rem_euclid(360.0), dec_deg, equinox_year })
    }
}

/// All directions that the cards may mean, in order of trust.
///
/// A plain number up to 24 may be hours or degrees: both are in the list, the usual one first.
pub(crate) fn pointings(cards: &Cards, wcs: Option<&HeaderWcs>) -> Vec<Carded<Pointing>> {
    let equinox = EQUINOX.iter().find_map(|k| cards.number(k)).filter(|y| PLAUSIBLE_EQUINOX.contains(y));
    let mut found: Vec<Carded<Pointing>> = Vec::new();
    let mut add = |pointing: Option<Pointing>, card: &str| {
        if let Some(p) = pointing.filter(|p| found.iter().all(|f| f.value != *p)) {
            found.push(Carded::new(p, card));
        }
    };
    if let Some(wcs) = wcs {
        add(Pointing::checked(wcs.reference_deg[0], wcs.reference_deg[1], equinox), "CRVAL1");
    }
    for (ra_card, dec_card, hours_are_usual) in POINTING.iter().copied() {
        let (Some(ra), Some(dec)) = (cards.get(ra_card), cards.get(dec_card)) else { continue };
        let Some(dec_deg) = angle(&dec.value).map(|(value, _)| value) else { continue };
        for ra_deg in right_ascensions(ra, hours_are_usual) {
            // Nothing at all, written as zeros.
            if (ra_deg, dec_deg) != (0.0, 0.0) {
                add(Pointing::checked(ra_deg, dec_deg, equinox), ra_card);
            }
        }
    }
    found
}

/// Readings of a right ascension, degrees.
fn right_ascensions(card: &Card, hours_are_usual: bool) -> Vec<f64> {
    let Some((value, parts)) = angle(&card.value) else { return Vec::new() };
    let comment = card.comment.to_ascii_lowercase();
    let as_hours = value * DEGREES_PER_HOUR;
    if parts > 1 || comment.contains("hour") {
        vec![as_hours]
    } else if comment.contains("deg") || !(0.0..=24.0).contains(&value) {
        vec![value]
    } else if hours_are_usual {
        vec![as_hours, value]
    } else {
        vec![value, as_hours]
    }
}

/// A number, or parts in sixtieths (`16 41 41.5`, `-0:30`, `16h41m41s`); and how many parts there were.
pub(crate) fn angle(text: &str) -> Option<(f64, usize)> {
    let text = text.trim();
    let separators = |c: char| matches!(c, ' ' | ':' | 'h' | 'm' | 's' | 'd' | '\'' | '"' | '\u{b0}');
    let parts: Vec<&str> = text.split(separators).filter(|p| !p.is_empty()).collect();
    if parts.is_empty() || parts.len() > 3 {
        return None;
    }
    let numbers: Vec<f64> = parts.iter().map_while(|p| leading_number(p)).collect();
    if numbers.len() < parts.len() || numbers[1..].iter().any(|n| !(0.0..60.0).contains(n)) {
        return None;
    }
    let size = numbers.iter().rev().fold(0.0, |sum, n| sum / 60.0 + n.abs());
    Some((if text.starts_with('-') { -size } else { size }, numbers.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounding of a decimal literal, degrees.
    const ROUNDING_DEG: f64 = 1e-9;

    fn read(lines: &[&str]) -> Vec<(f64, f64, String)> {
        let cards = Cards::parse(lines.iter().copied());
        pointings(&cards, None).into_iter().map(|p| (p.value.ra_deg, p.value.dec_deg, p.card)).collect()
    }

    #[test]
    fn sixtieths_are_hours_and_plain_numbers_may_be_either() {
        let [(ra, dec, card)] = read(&["OBJCTRA = '16 41 41.0'", "OBJCTDEC= '-00 27 36.0'"]).try_into().unwrap();
        assert!((ra - (16.0 + 41.0 / 60.0 + 41.0 / 3600.0) * 15.0).abs() < ROUNDING_DEG);
        assert!((dec + 0.46).abs() < ROUNDING_DEG, "the sign of a zero counts");
        assert_eq!(card, "OBJCTRA");
        let ras = |lines: &[&str]| read(lines).into_iter().map(|r| r.0).collect::<Vec<_>>();
        assert_eq!(ras(&["RA      = 250.5", "DEC     = 36.5"]), [250.5]);
        assert_eq!(ras(&["RA      = 10.0", "DEC     = 36.5"]), [10.0, 150.0]);
        assert_eq!(ras(&["RA      = 10.0 / [hours]", "DEC     = 36.5"]), [150.0]);
        assert_eq!(ras(&["RA      = 10.0 / degrees", "DEC     = 36.5"]), [10.0]);
        assert_eq!(ras(&["OBJCTRA = 10.0", "OBJCTDEC= 36.5"]), [150.0, 10.0]);
    }

    #[test]
    fn what_is_no_direction_is_not_read() {
        for lines in [
            ["RA      = 0.0", "DEC     = 0.0"],
            ["RA      = 'unknown'", "DEC     = 12"],
            ["RA      = 12", "DEC     = 91"],
            ["RA      = '12 75 00'", "DEC     = 12"],
            ["RA      = 400", "DEC     = 12"],
        ] {
            assert_eq!(read(&lines), [], "{lines:?}");
        }
    }

    #[test]
    fn people_write_it_in_several_ways() {
        for text in ["16 41 41 +36 27 36", "16:41:41 36:27:36", "16h41m41s, 36d27m36s", "250.420833333333 36.46"] {
            let p = Pointing::parse(text).unwrap();
            assert!((p.ra_deg - 250.420_833_333_333).abs() < ROUNDING_DEG && (p.dec_deg - 36.46).abs() < ROUNDING_DEG);
        }
        for text in ["", "12", "12 13 14", "a b", "12 95", "12 61 00 3 0 0"] {
            assert_eq!(Pointing::parse(text), None, "{text}");
        }
    }
}
