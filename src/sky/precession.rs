//! Coordinates of date to those of J2000.
//!
//! Source: precession angles of the IAU 2006 model, Capitaine, Wallace & Chapront 2003, A&A 412, 567, equations 40 and 41.
//! Nutation and aberration stay below half a minute of arc, which a search around the pointing does not notice.

use super::Direction;
use crate::units::ARCSEC_PER_RADIAN;

const J2000: f64 = 2000.0;

/// The direction in J2000 coordinates of one that is given for the mean equator and equinox of `equinox_year`.
pub fn to_j2000(of_date: Direction, equinox_year: f64) -> Direction {
    let t = (equinox_year - J2000) / 100.0;
    let angle = |terms: [f64; 4]| terms.iter().rev().fold(0.0, |sum, c| sum * t + c) / ARCSEC_PER_RADIAN;
    let zeta = angle([2.650_545, 2_306.083_227, 0.298_849_9, 0.018_018_28]);
    let z = angle([-2.650_545, 2_306.077_181, 1.092_734_8, 0.018_268_37]);
    let theta = angle([0.0, 2_004.191_903, -0.429_493_4, -0.041_822_64]);
    // The matrix from J2000 to date is R3(-z) R2(theta) R3(-zeta); back it is undone from the left.
    let [x, y, w] = of_date.vector();
    let [x, y] = turned([x, y], -z);
    let [w, x] = turned([w, x], theta);
    let [x, y] = turned([x, y], -zeta);
    Direction::along([x, y, w])
}

/// A vector turned from its first axis towards its second.
fn turned([a, b]: [f64; 2], angle: f64) -> [f64; 2] {
    let (sin, cos) = angle.sin_cos();
    [a * cos - b * sin, a * sin + b * cos]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The polynomials are cut after the third power: hundredths of a milliarcsecond within a century, arcsec.
    const SERIES_ARCSEC: f64 = 1e-3;

    // pyerfa 2.0.1.5: erfa.bp06(2400000.5, 51544.5 + (year - 2000) * 365.25)[1].T @ erfa.s2c(ra, dec).
    #[test]
    fn as_the_iau_routines_have_it() {
        for (ra, dec, year, ra_2000, dec_2000) in [
            (10.0, 41.0, 2031.5, 9.570_567_142_765_668, 40.827_196_910_154_84),
            (359.9, -5.0, 2050.0, 359.259_140_898_130_85, -5.278_321_240_364_494),
            (200.0, 89.5, 2026.9, 207.705_707_319_023_45, 89.637_296_233_153_42),
            (83.0, -70.0, 1950.0, 82.882_110_508_995_2, -69.965_791_345_587_09),
        ] {
            let got = to_j2000(Direction::from_degrees(ra, dec), year);
            let off = got.separation_arcsec(Direction::from_degrees(ra_2000, dec_2000));
            assert!(off < SERIES_ARCSEC, "{ra} {dec} {year}: {off} arcsec");
        }
    }

    #[test]
    fn j2000_stays_where_it_is() {
        let direction = Direction::from_degrees(123.0, -45.0);
        assert!(to_j2000(direction, 2000.0).separation_arcsec(direction) < SERIES_ARCSEC);
    }
}
