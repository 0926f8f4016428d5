//! Where the objects of the Messier, NGC and IC lists stand, by the names that headers give their targets.

use super::pointing::Pointing;

#[cfg(feature = "catalogue")]
static PLACES: &str = include_str!("../../fixtures/catalogue/objects.csv");
#[cfg(not(feature = "catalogue"))]
static PLACES: &str = "";

/// Equinox of the list.
const EQUINOX_YEAR: f64 = 2000.0;
/// Names of the lists as people write them, capitals, with the letter that stands for them in the file.
const LISTS: [(&str, &str); 4] = [("MESSIER", "M"), ("NGC", "N"), ("IC", "I"), ("M", "M")];

/// Where a target of that name stands; `None` where it names no object of the lists.
pub fn place_of(target: &str) -> Option<Pointing> {
    let name = key(target)?;
    let place = PLACES.lines().find_map(|line| line.strip_prefix(&name)?.strip_prefix(','))?;
    let (ra_deg, dec_deg) = place.split_once(',')?;
    Some(Pointing { ra_deg: ra_deg.parse().ok()?, dec_deg: dec_deg.parse().ok()?, equinox_year: Some(EQUINOX_YEAR) })
}

/// List and number, as the file has them: `M31` of `Messier 31`, `N7000` of `ngc-7000 panel 2`.
fn key(target: &str) -> Option<String> {
    let capitals = target.to_uppercase();
    let mut words = capitals.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).peekable();
    while let Some(word) = words.next() {
        for (name, letter) in LISTS {
            let Some(rest) = word.strip_prefix(name) else { continue };
            let number = if rest.is_empty() { words.peek().copied().unwrap_or("") } else { rest };
            let digits: String = number.chars().take_while(char::is_ascii_digit).collect();
            // A letter behind the number names a part of the object, more letters another word.
            let part = number.len() - digits.len() <= 1;
            if let Some(number) = digits.parse::<u32>().ok().filter(|n| part && *n > 0) {
                return Some(format!("{letter}{number}"));
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_targets_are_read_as_people_write_them() {
        for (target, want) in [
            ("M31", Some("M31")),
            ("M 31", Some("M31")),
            ("Messier 031", Some("M31")),
            ("m31_andromeda_L", Some("M31")),
            ("NGC7000", Some("N7000")),
            ("ngc-7000 panel 2", Some("N7000")),
            ("IC 1396A", Some("I1396")),
            ("Mosaic 3", None),
            ("M", None),
            ("Vega", None),
            ("ICE 12", None),
            ("12e5", None),
        ] {
            assert_eq!(key(target).as_deref(), want, "{target}");
        }
    }

    // Places from memory of handbooks, to a tenth of a degree: M 31 at 0 h 42.7 min +41 deg 16 min, NGC 7000 at 20 h 59 min +44.5 deg,
    // IC 434 at 5 h 41 min -2.5 deg; the list has them to 0.01 degrees.
    #[cfg(feature = "catalogue")]
    #[test]
    fn objects_stand_where_handbooks_have_them() {
        for (target, ra_deg, dec_deg) in [("M31", 10.68, 41.27), ("NGC 7000", 314.75, 44.5), ("IC 434", 85.25, -2.5)] {
            let place = place_of(target).unwrap();
            assert!(
                (place.ra_deg - ra_deg).abs() < 0.2 && (place.dec_deg - dec_deg).abs() < 0.2,
                "{target}: {place:?}"
            );
        }
        for target in ["M102", "M111", "NGC 7841", "IC 99999"] {
            assert_eq!(place_of(target), None, "{target}");
        }
    }
}
