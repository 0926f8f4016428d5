//! Elongation of a star as a vector: `chi = (a^2 - b^2)/(a^2 + b^2) (cos 2 theta + i sin 2 theta)`.

use crate::stars::StarFit;

/// Elongation of a fitted star and the error of either component.
///
/// The fit's vector has the length sinh of the logarithm of the axis ratio; this one has tanh of it.
pub fn chi(fit: &StarFit) -> ([f64; 2], [f64; 2]) {
    let (e1, e2) = (fit.shape.e1, fit.shape.e2);
    let w = (1.0 + e1 * e1 + e2 * e2).sqrt();
    ([e1 / w, e2 / w], [fit.sigma_e1 / w, fit.sigma_e2 / w])
}

/// 1 - minor/major of a length of chi.
pub(crate) fn ellipticity(chi: f64) -> f64 {
    let c = chi.abs().min(1.0);
    1.0 - ((1.0 - c) / (1.0 + c)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::Shape;

    /// The table's values have six digits.
    const DIGITS: f64 = 1e-6;

    /// Part of chi along the direction `angle_rad` from the centre: positive radial, negative tangential.
    fn radial_part(chi: [f64; 2], angle_rad: f64) -> f64 {
        let (s, c) = (2.0 * angle_rad).sin_cos();
        chi[0] * c + chi[1] * s
    }

    // C8.6: a trail of 3 px through a star of sigma 1.5 px; evaluated outside this project.
    #[test]
    fn c8_6_a_trail_draws_a_star_out() {
        let major = (1.5f64.powi(2) + 9.0 / 12.0).sqrt();
        let ratio = 1.5 / major;
        let chi = (major * major - 2.25) / (major * major + 2.25);
        assert!((chi - 0.142_857).abs() < DIGITS && (ellipticity(chi) - 0.133_975).abs() < DIGITS);
        assert!((1.0 - ratio - ellipticity(chi)).abs() < 1e-12);
        // The same star as the fit describes it.
        let shape = Shape::new(3.0, 1.0 - ratio, 0.0, 3.0);
        let w = (1.0 + shape.e1 * shape.e1).sqrt();
        assert!((shape.e1 / w - 0.142_857).abs() < DIGITS);
    }

    // C8.7 and C8.8: astigmatism at f/5 with 3.76 um pixels, fans 60 and 20 um from focus, at 30 degrees.
    #[test]
    fn c8_7_and_c8_8_astigmatism_is_radial_or_tangential() {
        let moments = |radial_um: f64, tangential_um: f64| {
            let blur = |dz: f64| (dz / (4.0 * 5.0 * 3.76)).powi(2);
            let (r, t) = (2.25 + blur(radial_um), 2.25 + blur(tangential_um));
            let (s, c) = 30f64.to_radians().sin_cos();
            [r * c * c + t * s * s, r * s * s + t * c * c, (r - t) * s * c]
        };
        let chi = |[xx, yy, xy]: [f64; 3]| [(xx - yy) / (xx + yy), 2.0 * xy / (xx + yy)];
        let m = moments(60.0, 20.0);
        for (got, want) in m.iter().zip([2.745_13, 2.462_20, 0.245_03]) {
            assert!((got - want).abs() < 1e-5, "{m:?}");
        }
        let c = chi(m);
        assert!((c[0] - 0.054_334).abs() < DIGITS && (c[1] - 0.094_109).abs() < DIGITS);
        let along = |m| radial_part(chi(m), 30f64.to_radians());
        assert!((along(m) - 0.108_667).abs() < DIGITS);
        assert!((along(moments(20.0, 60.0)) + 0.108_667).abs() < DIGITS);
        assert!(along(moments(40.0, 40.0)).abs() < 1e-12 && along(moments(40.0, -40.0)).abs() < 1e-12);
    }
}
