//! How high a direction stands over a site at a moment.

use jiff::civil::{DateTime, date};

use super::Pointing;
use crate::units::ARCSEC_PER_RADIAN;

const SECONDS_PER_DAY: f64 = 86_400.0;
const DAYS_PER_CENTURY: f64 = 36_525.0;
const DAYS_PER_YEAR: f64 = 365.25;
/// Epoch of coordinates whose header names none, years.
const J2000: f64 = 2000.0;

/// Altitude without refraction, degrees: `sin h = sin lat sin dec + cos lat cos dec cos(hour angle)`.
///
/// UTC stands for UT1 (they differ by 0.9 s at most, a hundredth of a degree in four); nutation and aberration are left out
/// (together a hundredth of a degree), as is refraction (half a degree at the horizon, a twentieth at 20 degrees).
pub(crate) fn altitude_deg(pointing: &Pointing, latitude_deg: f64, east_deg: f64, utc: DateTime) -> f64 {
    let days = days_since_j2000(utc);
    let year = J2000 + days / DAYS_PER_YEAR;
    let (ra, dec) = of_date(pointing, year);
    let hour_angle = (sidereal_deg(days) + east_deg).to_radians() - ra;
    let latitude = latitude_deg.to_radians();
    let sine = latitude.sin() * dec.sin() + latitude.cos() * dec.cos() * hour_angle.cos();
    sine.clamp(-1.0, 1.0).asin().to_degrees()
}

/// Altitude of the Sun, degrees: the low-precision formulas of the Astronomical Almanac, page C5 (a hundredth of a degree from 1950 to
/// 2050; from memory).
pub(crate) fn sun_altitude_deg(latitude_deg: f64, east_deg: f64, utc: DateTime) -> f64 {
    let days = days_since_j2000(utc);
    let [mean_longitude, anomaly] = [280.460 + 0.985_647_4 * days, 357.528 + 0.985_600_3 * days];
    let anomaly = anomaly.to_radians();
    let longitude = (mean_longitude + 1.915 * anomaly.sin() + 0.020 * (2.0 * anomaly).sin()).to_radians();
    let obliquity = (23.439 - 4e-7 * days).to_radians();
    let ra = (obliquity.cos() * longitude.sin()).atan2(longitude.cos());
    let dec = (obliquity.sin() * longitude.sin()).asin();
    let of_date = J2000 + days / DAYS_PER_YEAR;
    let place = Pointing { ra_deg: ra.to_degrees(), dec_deg: dec.to_degrees(), equinox_year: Some(of_date) };
    altitude_deg(&place, latitude_deg, east_deg, utc)
}

fn days_since_j2000(utc: DateTime) -> f64 {
    utc.duration_since(date(2000, 1, 1).at(12, 0, 0, 0)).as_secs_f64() / SECONDS_PER_DAY
}

/// Mean sidereal time at Greenwich, degrees: IAU 1982 as in Meeus 1998, Astronomical Algorithms, 12.4 (from memory).
fn sidereal_deg(days: f64) -> f64 {
    let t = days / DAYS_PER_CENTURY;
    (280.460_618_37 + 360.985_647_366_29 * days + 0.000_387_933 * t * t).rem_euclid(360.0)
}

/// Right ascension and declination for the equinox of `year`, radians: first order of the precession angles of Capitaine,
/// Wallace & Chapront 2003, A&A 412, 567, equations 40 and 41; the second is below an arcsecond in a century.
fn of_date(pointing: &Pointing, year: f64) -> (f64, f64) {
    let t = (year - pointing.equinox_year.unwrap_or(J2000)) / 100.0;
    let [zeta, z, theta] = [2_306.08, 2_306.08, 2_004.19].map(|arcsec| t * arcsec / ARCSEC_PER_RADIAN);
    let (ra, dec) = (pointing.ra_deg.to_radians() + zeta, pointing.dec_deg.to_radians());
    let x = theta.cos() * dec.cos() * ra.cos() - theta.sin() * dec.sin();
    let w = theta.sin() * dec.cos() * ra.cos() + theta.cos() * dec.sin();
    ((dec.cos() * ra.sin()).atan2(x) + z, w.clamp(-1.0, 1.0).asin())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nutation and aberration, which are left out, degrees: 17 and 20 arcsec at most.
    const LEFT_OUT_DEG: f64 = 0.012;

    // astropy 8.0.2: SkyCoord(ra, dec, frame="icrs").transform_to(AltAz(obstime=Time(utc, scale="utc") with
    // delta_ut1_utc = 0, location=EarthLocation(lat, lon, height=0))).alt, without pressure and thus without refraction.
    #[test]
    fn as_astropy_has_it() {
        for (ra_deg, dec_deg, latitude_deg, east_deg, utc, want) in [
            (250.423, 36.4613, 40.0, -88.0, "2019-05-03T09:03:11", 75.307_979_444),
            (83.633, 22.0145, 51.5, -0.1, "2031-01-10T22:15:00", 60.531_618_957),
            (10.6847, 41.2687, -33.9, 18.4, "2026-10-04T21:30:00", 13.155_090_644),
            (201.365, -43.0191, -24.6, -70.4, "2029-04-12T04:00:30", 69.188_370_174),
            (37.95, 89.264, 60.2, 24.9, "2035-07-01T00:00:00", 60.027_149_282),
            (311.4, 30.7, 48.1, 11.6, "2031-10-04T23:00:00", 43.054_738_698),
            (120.0, -10.0, 48.1, 11.6, "2031-10-04T23:00:00", -21.034_860_264),
        ] {
            let pointing = Pointing { ra_deg, dec_deg, equinox_year: None };
            let got = altitude_deg(&pointing, latitude_deg, east_deg, utc.parse().unwrap());
            assert!((got - want).abs() < LEFT_OUT_DEG, "{utc}: {got}, want {want}");
        }
    }

    // astropy 8.0.2: get_sun(Time(utc, scale="utc")).transform_to(AltAz(obstime, location)).alt, as above.
    #[test]
    fn the_sun_stands_where_astropy_has_it() {
        for (latitude_deg, east_deg, utc, want) in [
            (47.0, 11.0, "2031-11-02T17:00:00", -10.871_155_906),
            (47.0, 11.0, "2031-11-02T23:00:00", -57.912_447_806),
            (-33.9, 18.4, "2026-06-21T05:30:00", -4.797_078_903),
            (69.6, 18.9, "2040-06-21T23:00:00", 3.059_558_106),
            (40.0, -105.0, "2019-05-03T12:00:00", -0.443_008_549),
        ] {
            let got = sun_altitude_deg(latitude_deg, east_deg, utc.parse().unwrap());
            // A hundredth of a degree by the formulas, and what is left out of the altitude.
            assert!((got - want).abs() < 0.01 + LEFT_OUT_DEG, "{utc}: {got}, want {want}");
        }
    }

    #[test]
    fn coordinates_of_date_are_not_turned_again() {
        // Four hours before its transit, so that right ascension counts.
        let utc: DateTime = "2031-01-10T18:15:00".parse().unwrap();
        let of =
            |equinox_year| altitude_deg(&Pointing { ra_deg: 83.633, dec_deg: 22.0145, equinox_year }, 51.5, -0.1, utc);
        assert!((of(Some(2031.03)) - of(None)).abs() > 0.03, "31 years of precession");
        assert!((of(Some(2000.0)) - of(None)).abs() < 1e-12);
    }
}
