//! Airmass and altitude of the line of sight, each checking the other.

use super::Carded;
use super::numbers::number;
use super::vocabulary::ALTITUDE;
use crate::facts::header::HeaderCaution;
use crate::fits::Cards;

/// Altitude below which an airmass is hardly told by it, degrees: refraction and pressure move it by several per cent.
const LEAST_ALTITUDE_DEG: f64 = 5.0;
/// Relative difference of a stated airmass and that of the altitude above which one of them is wrong. An exposure of
/// some minutes moves it by as much near the horizon.
const DISAGREEMENT: f64 = 0.05;

/// Altitude of the target, degrees.
pub(crate) fn altitude(cards: &Cards, notes: &mut Vec<HeaderCaution>) -> Option<Carded<f64>> {
    number(cards, &ALTITUDE, notes)
}

/// The stated airmass, else that of the altitude.
pub(crate) fn air_path(
    stated: Option<Carded<f64>>,
    altitude: Option<&Carded<f64>>,
    notes: &mut Vec<HeaderCaution>,
) -> Option<Carded<f64>> {
    let Some(altitude) = altitude.filter(|a| a.value >= LEAST_ALTITUDE_DEG) else { return stated };
    let computed = airmass(altitude.value);
    let Some(stated) = stated else {
        return Some(Carded::new(computed, &altitude.card).by("airmass of an altitude, Kasten and Young 1989"));
    };
    if (stated.value / computed - 1.0).abs() > DISAGREEMENT {
        notes.push(HeaderCaution::AirmassAgainstAltitude {
            card: stated.card.clone(),
            airmass: stated.value,
            altitude_card: altitude.card.clone(),
            altitude_deg: altitude.value,
            of_altitude: computed,
        });
    }
    Some(stated)
}

/// `1 / (sin h + 0.50572 (h + 6.07995)^-1.6364)`, h in degrees (Kasten & Young 1989, Applied Optics 28, 4735).
fn airmass(altitude_deg: f64) -> f64 {
    1.0 / (altitude_deg.to_radians().sin() + 0.505_72 * (altitude_deg + 6.079_95).powf(-1.6364))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of the plane-parallel secant, which the formula departs from by less than this above 30 degrees (from memory).
    const SECANT: f64 = 0.005;

    #[test]
    fn altitude_stands_in_for_the_airmass_and_checks_it() {
        for (h, want) in [(90.0, 1.0), (30.0, 2.0), (60.0, 2.0 / 3f64.sqrt())] {
            assert!((airmass(h) / want - 1.0).abs() < SECANT, "{h}");
        }
        let read = |stated: Option<f64>, h: f64| {
            let mut notes = Vec::new();
            let stated = stated.map(|v| Carded::new(v, "AIRMASS"));
            let got = air_path(stated, Some(&Carded::new(h, "CENTALT")), &mut notes);
            (got.map(|c| c.card), notes.len())
        };
        assert_eq!(read(None, 60.0), (Some("CENTALT".to_owned()), 0));
        assert_eq!(read(Some(1.155), 60.0), (Some("AIRMASS".to_owned()), 0));
        assert_eq!(read(Some(1.5), 60.0), (Some("AIRMASS".to_owned()), 1));
        assert_eq!(read(None, 1.0), (None, 0));
    }
}
