//! Directions on the sky and the plane that touches it.

use crate::units::ARCSEC_PER_RADIAN;

/// A direction as a unit vector, so that neither pole nor the zero of right ascension is special.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction([f64; 3]);

impl Direction {
    /// From right ascension and declination, degrees.
    pub fn from_degrees(ra_deg: f64, dec_deg: f64) -> Self {
        let (sin_ra, cos_ra) = ra_deg.to_radians().sin_cos();
        let (sin_dec, cos_dec) = dec_deg.to_radians().sin_cos();
        Self([cos_dec * cos_ra, cos_dec * sin_ra, sin_dec])
    }

    /// From any vector but that of no length.
    pub fn along([x, y, z]: [f64; 3]) -> Self {
        let length = (x * x + y * y + z * z).sqrt();
        Self([x / length, y / length, z / length])
    }

    /// Right ascension, degrees, 0 to 360.
    pub fn ra_deg(self) -> f64 {
        self.0[1].atan2(self.0[0]).to_degrees().rem_euclid(360.0)
    }

    /// Declination, degrees.
    pub fn dec_deg(self) -> f64 {
        self.0[2].atan2(self.0[0].hypot(self.0[1])).to_degrees()
    }

    /// Components: towards right ascension 0, 90 degrees, and the north pole.
    pub fn vector(self) -> [f64; 3] {
        self.0
    }

    /// Cosine of the angle between two directions.
    pub fn dot(self, other: Self) -> f64 {
        self.0.iter().zip(other.0).map(|(a, b)| a * b).sum()
    }

    /// Angle between two directions, arcsec; right also for tiny ones.
    pub fn separation_arcsec(self, other: Self) -> f64 {
        let chord2: f64 = self.0.iter().zip(other.0).map(|(a, b)| (a - b).powi(2)).sum();
        2.0 * (chord2.sqrt() / 2.0).min(1.0).asin() * ARCSEC_PER_RADIAN
    }
}

/// The gnomonic (tangent) projection: what a lens without distortion makes of the sky.
///
/// Source: Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3 (TAN).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TangentPlane {
    centre: Direction,
    east: Direction,
    north: Direction,
}

impl TangentPlane {
    /// The plane that touches the sky at `centre`.
    pub fn at(centre: Direction) -> Self {
        let (sin_ra, cos_ra) = centre.ra_deg().to_radians().sin_cos();
        let (sin_dec, cos_dec) = centre.dec_deg().to_radians().sin_cos();
        Self {
            centre,
            east: Direction([-sin_ra, cos_ra, 0.0]),
            north: Direction([-sin_dec * cos_ra, -sin_dec * sin_ra, cos_dec]),
        }
    }

    /// Where it touches.
    pub fn centre(&self) -> Direction {
        self.centre
    }

    /// Places towards east and north, radians; `None` for what lies a right angle or more away.
    pub fn project(&self, direction: Direction) -> Option<[f64; 2]> {
        let depth = direction.dot(self.centre);
        (depth > 0.0).then(|| [direction.dot(self.east) / depth, direction.dot(self.north) / depth])
    }

    /// The direction of a place in the plane, radians towards east and north.
    pub fn direction(&self, [xi, eta]: [f64; 2]) -> Direction {
        let [c, e, n] = [self.centre.0, self.east.0, self.north.0];
        Direction::along(std::array::from_fn(|k| c[k] + xi * e[k] + eta * n[k]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rounding of double precision over a few operations, degrees.
    const ROUNDING_DEG: f64 = 1e-11;

    #[test]
    fn a_place_in_the_plane_comes_back_also_at_the_pole() {
        for (ra, dec) in [(0.0, 0.0), (359.99, 45.0), (12.0, 90.0), (200.0, -89.9)] {
            let plane = TangentPlane::at(Direction::from_degrees(ra, dec));
            for place in [[0.01, -0.02], [0.0, 0.0], [-0.3, 0.2]] {
                let back = plane.project(plane.direction(place)).unwrap();
                assert!((back[0] - place[0]).hypot(back[1] - place[1]) < ROUNDING_DEG);
            }
        }
    }

    #[test]
    fn the_far_side_of_the_sky_is_not_in_the_plane() {
        let plane = TangentPlane::at(Direction::from_degrees(10.0, 20.0));
        assert_eq!(plane.project(Direction::from_degrees(190.0, -20.0)), None);
        // 91 degrees away, over the pole.
        assert_eq!(plane.project(Direction::from_degrees(190.0, 69.0)), None);
    }

    #[test]
    fn small_and_large_angles() {
        let pole = Direction::from_degrees(0.0, 90.0);
        assert!((pole.separation_arcsec(Direction::from_degrees(77.0, 0.0)) / 3600.0 - 90.0).abs() < ROUNDING_DEG);
        let near = Direction::from_degrees(10.0, 20.0).separation_arcsec(Direction::from_degrees(10.0, 20.0 + 1e-7));
        assert!((near - 3.6e-4).abs() < 1e-9, "{near}");
    }
}
