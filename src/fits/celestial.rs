//! Places on the sky from a frame's own celestial coordinates.
//!
//! Source: Greisen & Calabretta 2002 (A&A 395, 1061) for the linear part, Calabretta & Greisen 2002 (A&A 395, 1077),
//! sections 2.4 and 5.1.3, for the gnomonic projection.

use super::Cards;

/// A gnomonic projection as the cards of a header state it; without terms for distortion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TangentPlane {
    /// Reference pixel, counted from 1.
    reference_px: [f64; 2],
    /// Degrees per pixel.
    matrix: [[f64; 2]; 2],
    /// Right ascension and declination of the reference pixel, degrees.
    centre_deg: [f64; 2],
}

impl TangentPlane {
    /// `None` without a complete solution, with another projection than TAN, or where distortion terms belong to it:
    /// without them the places would be off by more than the stars' errors.
    pub fn of(cards: &Cards) -> Option<Self> {
        if cards.text("CTYPE1")?.trim_end() != "RA---TAN" || cards.text("CTYPE2")?.trim_end() != "DEC--TAN" {
            return None;
        }
        let number = |name: &str, i: u8| cards.number(&format!("{name}{i}"));
        let cd = |i: u8, j: u8| cards.number(&format!("CD{i}_{j}"));
        let matrix = if [(1, 1), (1, 2), (2, 1), (2, 2)].iter().any(|(i, j)| cd(*i, *j).is_some()) {
            // A term that is not given is zero once any of them is (section 2.1.2).
            [1, 2].map(|i| [1, 2].map(|j| cd(i, j).unwrap_or(0.0)))
        } else {
            let step = [number("CDELT", 1)?, number("CDELT", 2)?];
            let pc = |i: u8, j: u8| cards.number(&format!("PC{i}_{j}")).unwrap_or(f64::from(u8::from(i == j)));
            [1, 2].map(|i| [1, 2].map(|j| step[usize::from(i) - 1] * pc(i, j)))
        };
        let plane = Self {
            reference_px: [number("CRPIX", 1)?, number("CRPIX", 2)?],
            matrix,
            centre_deg: [number("CRVAL", 1)?, number("CRVAL", 2)?],
        };
        let determinant = matrix[0][0] * matrix[1][1] - matrix[0][1] * matrix[1][0];
        (determinant != 0.0 && determinant.is_finite()).then_some(plane)
    }

    /// Right ascension (0 to 360) and declination, degrees, of a place counted from 1 at the centre of the first pixel.
    pub fn at(&self, x: f64, y: f64) -> [f64; 2] {
        let (u, v) = (x - self.reference_px[0], y - self.reference_px[1]);
        let [xi, eta] = self.matrix.map(|row| (row[0] * u + row[1] * v).to_radians());
        let [ra0, dec0] = self.centre_deg.map(f64::to_radians);
        let (sin0, cos0) = dec0.sin_cos();
        let down = cos0 - eta * sin0;
        let ra = ra0 + xi.atan2(down);
        let dec = (sin0 + eta * cos0).atan2(xi.hypot(down));
        [ra.to_degrees().rem_euclid(360.0), dec.to_degrees()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of arithmetic in double precision at 360 degrees: some 1e-13; the literals have fifteen digits.
    const ROUNDING_DEG: f64 = 1e-11;

    fn plane(lines: &[&str]) -> Option<TangentPlane> {
        let all = [&["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'"], lines].concat();
        TangentPlane::of(&Cards::parse(all))
    }

    #[track_caller]
    fn near(found: [f64; 2], expected: [f64; 2]) {
        let off = [0, 1].map(|i| (found[i] - expected[i]).abs());
        assert!(off.iter().all(|o| *o < ROUNDING_DEG), "{found:?} instead of {expected:?}");
    }

    // astropy 8.0.2, WCS.wcs_pix2world(..., 1) of the same cards.
    #[test]
    fn places_are_those_of_a_general_library() {
        let cards = [
            "CRVAL1  = 359.9",
            "CRVAL2  = 62.5",
            "CRPIX1  = 320.5",
            "CRPIX2  = 240.5",
            "CD1_1   = -3.2E-4",
            "CD1_2   = 1.1E-4",
            "CD2_1   = 1.05E-4",
            "CD2_2   = 3.3E-4",
        ];
        let p = plane(&cards).unwrap();
        near(p.at(1.0, 1.0), [0.06374580355969783, 62.38732154709806]);
        near(p.at(640.0, 480.0), [359.735013367955, 62.61248533081964]);
        // Beyond the pole, with a turned matrix of PC and CDELT.
        let cards = [
            "CRVAL1  = 10",
            "CRVAL2  = -89.99",
            "CRPIX1  = 1",
            "CRPIX2  = 1",
            "CDELT1  = -1E-3",
            "CDELT2  = 1E-3",
            "PC1_1   = 0.8",
            "PC1_2   = -0.6",
            "PC2_1   = 0.6",
            "PC2_2   = 0.8",
        ];
        near(plane(&cards).unwrap().at(101.0, 201.0), [19.86580708612744, -89.76654878463462]);
    }

    #[test]
    fn an_incomplete_or_distorted_solution_gives_no_places() {
        assert_eq!(plane(&["CRVAL1  = 1", "CRVAL2  = 2", "CDELT1  = 1", "CDELT2  = 1"]), None);
        let sip = ["CTYPE1  = 'RA---TAN-SIP'", "CTYPE2  = 'DEC--TAN-SIP'", "CRVAL1  = 1", "CRVAL2  = 2"];
        assert_eq!(TangentPlane::of(&Cards::parse(sip)), None);
    }
}
