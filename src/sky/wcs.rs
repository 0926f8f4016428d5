//! The celestial coordinates that a header states.
//!
//! Source: Greisen & Calabretta 2002, A&A 395, 1061 (pixel to intermediate coordinates); Calabretta & Greisen 2002, A&A
//! 395, 1077 (TAN). Distortion polynomials are left out: near the reference pixel, where scales are compared, they vanish.

use super::sphere::{Direction, TangentPlane};
use crate::folder::HeaderWcs;

/// Direction that a header's WCS gives to a pixel of the file, 0-based, integer at pixel centres.
pub fn direction_of(wcs: &HeaderWcs, [x, y]: [f64; 2]) -> Direction {
    let plane = TangentPlane::at(Direction::from_degrees(wcs.reference_deg[0], wcs.reference_deg[1]));
    // Pixels of the standard count from 1.
    let p = [x + 1.0 - wcs.reference_px[0], y + 1.0 - wcs.reference_px[1]];
    plane.direction(wcs.matrix_deg_per_px.map(|row| (row[0] * p[0] + row[1] * p[1]).to_radians()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The literals have 16 digits; rounding leaves this much, arcsec.
    const ROUNDING_ARCSEC: f64 = 1e-6;

    // astropy 8.0.2: w = WCS(naxis=2); w.wcs.ctype = ["RA---TAN", "DEC--TAN"]; w.wcs.crval, crpix, cd as below;
    // w.pixel_to_world_values(x, y).
    #[test]
    fn as_astropy_projects() {
        let cases = [
            (
                [250.420_636_057, 36.458_552_065_6],
                [512.0, 512.0],
                [[-1.854_400_345_52e-4, 2.723_299_775_63e-7], [-2.723_337_798_94e-7, -1.854_374_454_34e-4]],
                [
                    [250.538_425_480_003_9, 36.553_391_750_026_9],
                    [250.302_275_967_865_2, 36.551_258_222_519_79],
                    [249.849_551_361_919, 36.180_589_555_935_754],
                ],
            ),
            (
                [0.01, -0.5],
                [1500.5, 1000.5],
                [[1.2e-3, 5e-4], [-5e-4, 1.2e-3]],
                [
                    [357.711_838_233_172_1, -0.948_877_095_853_248_2],
                    [358.943_378_403_255_7, -1.448_812_212_959_406_3],
                    [2.307_847_335_799_790_4, -0.050_318_737_114_334_204],
                ],
            ),
            (
                [123.0, 89.7],
                [100.0, 200.0],
                [[-8e-4, 0.0], [0.0, 8e-4]],
                [
                    [132.785_823_901_423_84, 89.534_020_694_647_99],
                    [64.399_263_031_800_3, 89.134_019_608_040_7],
                    [6.831_818_484_777_187_5, 87.417_107_394_448_11],
                ],
            ),
        ];
        for (reference_deg, reference_px, matrix_deg_per_px, want) in cases {
            let wcs = HeaderWcs { reference_deg, reference_px, matrix_deg_per_px, exact: true };
            for (pixel, [ra, dec]) in [[0.0, 0.0], [1023.0, 10.0], [2999.0, 1999.0]].into_iter().zip(want) {
                let off = direction_of(&wcs, pixel).separation_arcsec(Direction::from_degrees(ra, dec));
                assert!(off < ROUNDING_ARCSEC, "{reference_deg:?} {pixel:?}: {off} arcsec");
            }
        }
    }
}
