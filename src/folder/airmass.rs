//! How much air lies before an altitude, and the altitude that an airmass means.

/// Altitude of the horizon and of the zenith, degrees.
const HORIZON_DEG: f64 = 0.0;
const ZENITH_DEG: f64 = 90.0;
/// Halvings of the sky's quarter: a millionth of a degree and less.
const HALVINGS: usize = 30;

/// `1 / (sin h + 0.50572 (h + 6.07995)^-1.6364)`, h the altitude in degrees (Kasten & Young 1989, Applied Optics 28, 4735).
/// At the zenith it would give 0.9997 and is taken for 1.
pub(crate) fn airmass_of(altitude_deg: f64) -> f64 {
    let h = altitude_deg.clamp(HORIZON_DEG, ZENITH_DEG);
    (1.0 / (h.to_radians().sin() + 0.505_72 * (h + 6.079_95).powf(-1.6364))).max(1.0)
}

/// The altitude that an airmass means, degrees; the horizon for more air than lies there.
pub(crate) fn altitude_of(airmass: f64) -> f64 {
    let (mut low, mut high) = (HORIZON_DEG, ZENITH_DEG);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if airmass_of(middle) > airmass { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Departure of the formula from the integral through the air, relative: three thousandths of it at 5 degrees, as its
    /// authors state half a per cent at most (from memory); six at the horizon, where the model of the air decides.
    const FORMULA: f64 = 0.0065;

    // numpy 2: integral of density / sqrt(1 - (n0 r0 cos h / (n r))^2) over height to 86 km, over that of density; density of
    // the ISO standard atmosphere 1972, n0 - 1 = 2.762e-4 (0.7 um), n - 1 as density, r0 = 6 371 229 m, 400 001 steps.
    // The authors' table has 38.0868, 26.2595, 10.3164, 5.5841 at 0, 1, 5, 10 degrees (from memory).
    #[test]
    fn it_is_the_air_of_the_standard_atmosphere() {
        for (altitude_deg, want) in [
            (0.0, 38.1396),
            (1.0, 26.2832),
            (2.0, 19.4426),
            (5.0, 10.3188),
            (10.0, 5.5845),
            (20.0, 2.9016),
            (30.0, 1.9939),
            (60.0, 1.1543),
            (90.0, 1.0),
        ] {
            let got = airmass_of(altitude_deg);
            assert!((got / want - 1.0).abs() < FORMULA, "{altitude_deg}: {got}, want {want}");
        }
    }

    #[test]
    fn an_altitude_comes_back_from_its_airmass() {
        for altitude_deg in [0.5, 3.7, 20.0, 45.0, 80.0] {
            assert!((altitude_of(airmass_of(altitude_deg)) - altitude_deg).abs() < 1e-5, "{altitude_deg}");
        }
        assert!(altitude_of(1.0) > 88.0 && altitude_of(50.0) < 1e-5);
    }
}
